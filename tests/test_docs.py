"""The pages say what is true: their code runs and prints what they show, their links lead somewhere."""

import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import ventsim
from ventsim.command import main
from ventsim.model.scenario import builtin

PROJECT = Path(__file__).parents[1]
PAGES = [PROJECT / "README.md", PROJECT / "DEVELOPERS.md", *sorted((PROJECT / "docs").rglob("*.md"))]
PYPROJECT = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))

# A block of Python, and the block of text that shows what it prints, if there is one directly behind it.
BLOCK = re.compile(r"^```python\n(?P<code>.*?)^```\n(?:\n```text\n(?P<shown>.*?)^```\n)?", flags=re.S | re.M)
STUDY = re.compile(r"^```toml\n(.*?)^```$", flags=re.S | re.M)
FENCED = re.compile(r"^```.*?^```$", flags=re.S | re.M)
NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.(?P<decimals>\d+))?(?![\w.])|(?<![\w.])-?\d+\.(?!\d)")
LINK = re.compile(r"\]\((?P<target>[^)\s]+)\)")
# Folders of one machine, and drives; not the first line of a script, which names its interpreter.
MACHINE_PATH = re.compile(r"(?<![\w.:/*~-])/(?:home|root|tmp|Users|work|usr|opt|var|mnt)/\w|\b[A-Z]:\\\w")
TEXT_FILES = (".md", ".py", ".toml", ".csv", ".ipynb", ".txt", ".cff", ".yml")


def page_id(path: Path) -> str:
    return path.relative_to(PROJECT).as_posix()


def blocks(path: Path) -> list[re.Match[str]]:
    return list(BLOCK.finditer(path.read_text(encoding="utf-8")))


def same_output(printed: str, shown: str) -> bool:
    """Whether two texts agree in every word, and in every number to one unit of the last digit shown."""
    wanted, got = list(NUMBER.finditer(shown)), list(NUMBER.finditer(printed))
    if len(wanted) != len(got) or NUMBER.sub("#", shown).split() != NUMBER.sub("#", printed).split():
        return False
    for one, other in zip(wanted, got, strict=True):
        decimals = len(one["decimals"] or "")
        unit = 10.0**-decimals if decimals else 0.0
        if abs(float(one[0]) - float(other[0])) > 1.001 * unit:
            return False
    return True


@pytest.mark.parametrize("path", [page for page in PAGES if blocks(page)], ids=page_id)
def test_code_of_a_page_runs_and_prints_what_it_shows(path, tmp_path, monkeypatch, capsys):
    """All blocks of a page run in order, in one namespace, in an empty folder."""
    from matplotlib import pyplot  # here, because most pages draw nothing

    pyplot.switch_backend("agg")
    monkeypatch.chdir(tmp_path)
    namespace = {"__name__": "page"}
    for number, block in enumerate(blocks(path), start=1):
        exec(compile(block["code"], f"{path.name}, block {number}", "exec"), namespace)
        printed = capsys.readouterr().out
        shown = block["shown"] or ""
        assert same_output(printed, shown), f"block {number} prints:\n{printed}\nbut the page shows:\n{shown}"
    pyplot.close("all")


def test_study_files_of_the_pages_run(tmp_path, monkeypatch, capsys):
    """Each block of TOML is a whole file for ``ventsim sweep`` or ``ventsim size``."""
    monkeypatch.chdir(tmp_path)
    files = [text for path in PAGES for text in STUDY.findall(path.read_text(encoding="utf-8"))]
    assert len(files) == 3
    for text in files:
        Path("study.toml").write_text(text, encoding="utf-8")
        assert main(["sweep" if "[values]" in text else "size", "study.toml", "--out", "results"]) == 0
    capsys.readouterr()


def test_readme_example_makes_the_stored_figures(tmp_path, monkeypatch):
    """The pictures of the page have the sizes of those that the example saves, and are small."""
    from matplotlib import image, pyplot

    monkeypatch.chdir(tmp_path)
    exec(blocks(PROJECT / "README.md")[0]["code"], {"__name__": "readme"})
    pyplot.close("all")
    made = sorted(path.name for path in tmp_path.glob("*.png"))
    assert made == sorted(re.findall(r"\]\(docs/images/(\w+\.png)\)", (PROJECT / "README.md").read_text("utf-8")))
    for name in made:
        stored = PROJECT / "docs" / "images" / name
        assert image.imread(name).shape == image.imread(stored).shape
        assert stored.stat().st_size < 80_000


def test_readme_example_is_the_built_in_scenario(tmp_path, monkeypatch):
    """The page says that its numbers are those of the command's scenario."""
    from matplotlib import pyplot

    monkeypatch.chdir(tmp_path)
    namespace = {"__name__": "readme"}
    exec(blocks(PROJECT / "README.md")[0]["code"], namespace)
    pyplot.close("all")
    scenario = builtin("two-unequal-lungs")
    assert namespace["scenario"].changed(title=scenario.title, about=scenario.about) == scenario


def test_readme_is_one_screen_long():
    text = (PROJECT / "README.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 120
    assert text.count("](https://img.") <= 4


def test_readme_agrees_with_the_project():
    """Python version, extras, test command and licence are those of pyproject.toml and .ci/run."""
    text = (PROJECT / "README.md").read_text(encoding="utf-8")
    ci = (PROJECT / ".ci" / "run").read_text(encoding="utf-8")
    oldest = PYPROJECT["project"]["requires-python"].removeprefix(">=")
    assert f"Python {oldest} or newer" in text
    line = re.search(r'^(python -m pip install -e "\.\[dev\]") && (python -m pytest.*)$', text, re.M)
    install, test = line.groups()
    assert "dev" in PYPROJECT["project"]["optional-dependencies"]
    assert re.search(rf"^{re.escape(test)}$", ci, re.M), "the same test command"
    assert install in ci, "the same installation"
    assert PYPROJECT["project"]["license"] in text


@pytest.mark.parametrize("path", PAGES, ids=page_id)
def test_links_lead_somewhere(path):
    text = FENCED.sub("", path.read_text(encoding="utf-8"))
    for target in (match["target"] for match in LINK.finditer(text)):
        assert not target.startswith("/"), target
        if not re.match(r"[a-z]+:", target):
            file, _, anchor = target.partition("#")
            linked = (path.parent / file).resolve() if file else path
            assert linked.exists(), f"{target} does not exist"
            if anchor:
                assert anchor in anchors(linked), f"{target}: there is no such heading"


def anchors(path: Path) -> set[str]:
    """Names by which the headings of a page are linked."""
    heads = re.findall(r"^#+ (.+)$", FENCED.sub("", path.read_text(encoding="utf-8")), flags=re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).strip().replace(" ", "-") for head in heads}


def text_files() -> Iterator[Path]:
    """Text files of the project, without what tools leave behind."""
    for top in ("ventsim", "tests", "docs", "validation", "notebooks", ".ci"):
        for path in sorted((PROJECT / top).rglob("*")):
            inside = path.relative_to(PROJECT / top).parts
            hidden = any(part.startswith((".", "__pycache__")) for part in inside)
            if path.is_file() and not hidden and (path.suffix in TEXT_FILES or top == ".ci"):
                yield path
    yield from (path for path in sorted(PROJECT.iterdir()) if path.suffix in TEXT_FILES)


def test_no_file_names_a_folder_of_one_machine():
    found = [
        f"{page_id(path)}:{number}: {line.strip()[:100]}"
        for path in text_files()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if MACHINE_PATH.search(line) and not line.startswith("#!")
    ]
    assert not found, "\n".join(found)


def test_reference_pages_are_up_to_date():
    command = [sys.executable, str(PROJECT / "docs" / "build_reference.py"), "--check"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert result.returncode == 0, result.stderr


def test_every_dependency_has_a_reason_in_the_guide():
    """The table in DEVELOPERS.md lists what pyproject.toml asks for, and nothing else."""
    text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition("\n## Dependencies\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (`[^|]+) \|", section, flags=re.M)
    listed = [name for row in rows for name in re.findall(r"`([^`]+)`", row)]
    extras = PYPROJECT["project"]["optional-dependencies"]
    asked = [*PYPROJECT["project"]["dependencies"], *(r for extra in extras.values() for r in extra)]
    assert sorted(listed) == sorted({re.split(r"[\[<>=~! ]", requirement)[0] for requirement in asked})


def test_version_is_the_same_everywhere():
    changelog = (PROJECT / "docs" / "changelog.md").read_text(encoding="utf-8")
    assert re.search(r"^## (\S+)", changelog, re.M)[1] == ventsim.__version__
    assert f"version {ventsim.__version__}," in (PROJECT / "docs" / "cite.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("printed", "shown", "same"),
    [
        ("a 1.25 mL", "a  1.25 mL", True),
        ("a 1.26 mL", "a 1.25 mL", True),
        ("a 1.27 mL", "a 1.25 mL", False),
        ("15", "16", False),
        ("[1.2 3.]", "[1.2 3.]", True),
        ("a 1.25", "b 1.25", False),
        ("1.25 2.0", "1.25", False),
        ("1e-5 V_2", "1e-5 V_2", True),
    ],
)
def test_comparison_of_outputs_sees_differences(printed, shown, same):
    """Cases written here."""
    assert same_output(printed, shown) is same


@pytest.mark.parametrize(
    ("line", "found"), [("see /" + "home/a/b", True), ("C:" + "\\Users", True), ("a/tmp/b", False)]
)
def test_paths_of_a_machine_are_seen(line, found):
    """Cases written here."""
    assert bool(MACHINE_PATH.search(line)) is found
