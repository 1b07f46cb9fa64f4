"""Every notebook runs from top to bottom, is small, and names no machine."""

import json
import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

PROJECT = Path(__file__).parents[1]
FOLDER = PROJECT / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
LARGEST = 400_000  # [bytes]
# Home and working directories, drives, and addresses of package registries or mirrors.
MACHINE = re.compile(
    r"/(home|root|tmp|Users|work|usr|opt)/|\b[A-Z]:\\\\|https?://[^\s\"]*(pypi|mirror|index|registry)"
)
# What names a kernel and a language, but no machine and no version.
METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}

each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def read(path: Path) -> tuple[nbformat.NotebookNode, list[nbformat.NotebookNode]]:
    """A notebook, and its cells of code."""
    notebook = nbformat.read(path, as_version=4)
    return notebook, [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning", "ignore::UserWarning")
@each_notebook
def test_notebook_runs(path):
    """In its own folder, in which it leaves nothing; the last cell asserts the numbers that the text quotes."""
    before = sorted(FOLDER.iterdir())
    notebook, code = read(path)
    NotebookClient(notebook, timeout=120, kernel_name="python3").execute(cwd=str(FOLDER))
    noise = [o.text for cell in code for o in cell.outputs if o.get("name") == "stderr"]
    assert not noise, "a notebook warns of nothing"
    assert sorted(FOLDER.iterdir()) == before


@each_notebook
def test_notebook_is_kept_as_run_once_in_order(path):
    notebook, code = read(path)
    counts = [cell.execution_count for cell in code]
    assert counts == list(range(1, len(code) + 1)), "commit it as run once, in order"
    outputs = [output for cell in code for output in cell.outputs]
    assert outputs, "commit it with its outputs"
    assert not [o for o in outputs if o.output_type == "error" or o.get("name") == "stderr"]
    assert notebook.cells[-1] is code[-1] and "assert " in code[-1].source
    assert notebook.cells[0].source.startswith("# ") and "**Question.**" in notebook.cells[0].source


@each_notebook
def test_notebook_is_small_and_names_no_machine(path):
    notebook, code = read(path)
    assert path.stat().st_size < LARGEST
    assert dict(notebook.metadata) == METADATA
    assert not any(cell.metadata for cell in notebook.cells), "no times of execution, no tags"
    for cell in notebook.cells:
        assert not MACHINE.search(cell.source)
    for output in (output for cell in code for output in cell.outputs):
        texts = {kind: text for kind, text in output.get("data", {}).items() if not kind.startswith("image/")}
        assert not MACHINE.search(json.dumps([output.get("text", ""), texts]))


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("File /" + "home/someone/ventsim/plot.py", True),
        ("C:\\\\Users\\\\someone", True),
        ("https://pypi.org/simple", True),
        ("mL/cmH2O/s, ../validation", False),
        ("https://doi.org/10.3390/membranes11070547", False),
    ],
)
def test_names_of_machines_are_seen(text, names):
    """Texts written here; the second as JSON has it."""
    assert bool(MACHINE.search(text)) is names
