"""Write the pages of docs/reference/ from the code, so that they cannot drift from it.

``python docs/build_reference.py`` writes them; with ``--check`` it writes nothing and ends with an error if a
page is out of date.
"""

import argparse
import inspect
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

import ventsim
from ventsim import (
    changes,
    circuit,
    errors,
    layouts,
    metrics,
    monitor,
    panel,
    parts,
    plot,
    scenario,
    schema,
    studies,
    theory,
    units,
    ventilator,
)
from ventsim.model.changes import CHANGE_KINDS
from ventsim.model.parts import PART_KINDS, Description, field_table
from ventsim.model.ventilator import SETTINGS_KINDS

FOLDER = Path(__file__).parent / "reference"
NOTICE = "<!-- Written by docs/build_reference.py from the code; edit the code, not this page. -->"

DIMENSIONS = {
    "waveforms": "Waveforms: what a simulation returns, and what a recording may have",
    "measures": "Measures: one number for each breath, or for each breath and lung",
    "displayed": "Displayed: what the ventilator itself shows of each breath",
    "alarms": "Alarms: what the ventilator would alarm on",
    "blind spots": "Blind spots: what faults do to each lung, and what of it is displayed and alarmed",
}
MODULES = (
    ventsim, layouts, changes, scenario, theory, plot,
    metrics, monitor, panel, schema, studies, units, errors, parts, ventilator,
    circuit,
)  # fmt: skip


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a Markdown table."""
    lines = [heads, ["---"] * len(heads), *rows]
    return ["| " + " | ".join(cell.replace("|", "\\|") or " " for cell in cells) + " |" for cells in lines]


def code(text: str) -> str:
    return f"`{text}`" if text else ""


def summary(item: object) -> str:
    """First line of a docstring, as Markdown."""
    first = (inspect.getdoc(item) or "").partition("\n")[0]
    return re.sub(r":\w+:`~?([^`]+)`", r"`\1`", first.replace("``", "`"))


def nomenclature_page() -> str:
    """Names, symbols, units and signs of results, and names, units and limits of what goes in."""
    lines = [
        NOTICE, "", "# Names, units and signs", "",
        "One quantity has one name, one unit and one sign, in code, results and documentation. "
        "Pressures are relative to atmosphere.", "",
        "## Coordinates of results", "",
    ]  # fmt: skip
    rows = schema.nomenclature()
    lines += _result_table(row for row in rows if row["name"] in schema.COORDINATES)
    for kind, title in DIMENSIONS.items():
        of_kind = (r for r in rows if kind in r["kinds"].split(", ") and r["name"] not in schema.COORDINATES)
        lines += ["", f"## {title}", "", *_result_table(of_kind)]
    lines += [
        "", "## Parts of a circuit", "",
        "*Allowed* is refused outside, *usual* is warned of outside. `None` as a default is explained in the "
        "meaning.",
    ]  # fmt: skip
    for kind, cls in PART_KINDS.items():
        lines += _field_section(cls.__name__, cls, note=f'`kind = "{kind}"` in a scenario file.')
    lines += ["", "## Changes in time"]
    for kind, cls in CHANGE_KINDS.items():
        lines += _field_section(cls.__name__, cls, note=f'`kind = "{kind}"` in a scenario file.')
    lines += ["", "## Sensors and alarm limits"]
    for cls in (monitor.Sensors, monitor.AlarmLimits):
        lines += _field_section(cls.__name__, cls, note="")
    lines += ["", "## Breath settings"]
    for kind, cls in SETTINGS_KINDS.items():
        lines += _field_section(cls.__name__, cls, note=f'`kind = "{kind}"` in a scenario file.')
    lines += ["", "## Ventilator, limbs and layout"]
    for cls in (ventilator.Ventilator, layouts.Branch, layouts.Layout):
        lines += _field_section(cls.__name__, cls, note="")
    return "\n".join(lines) + "\n"


def _result_table(rows: Iterable[dict[str, str]]) -> list[str]:
    heads = ("name", "symbol", "unit", "dims", "meaning", "positive")
    return table(
        heads,
        ((code(r["name"]), code(r["symbol"]), r["units"], r["dims"], r["meaning"], r["positive"]) for r in rows),
    )


def _field_section(title: str, cls: type, *, note: str) -> list[str]:
    """One class: its first line and the table of its fields."""
    rows = (
        (code(r.name), r.unit, r.bounds, r.plausible, _default(cls, r.name, text=r.default), r.meaning)
        for r in field_table(cls)
    )
    heads = ("name", "unit", "allowed", "usual", "default", "meaning")
    return ["", f"### {title}", "", f"{summary(cls)} {note}".strip(), "", *table(heads, rows)]


def _default(cls: type, name: str, *, text: str) -> str:
    """A default as one would write it; of a part only what differs from its own defaults."""
    value = cls.model_fields[name].default
    if isinstance(value, Description):
        given = ", ".join(f"{field}={getattr(value, field):g}" for field in sorted(value.model_fields_set))
        return code(f"{type(value).__name__}({given})")
    return text if text == "required" else code(text)


def names_page() -> str:
    """Every public name with its first line."""
    lines = [
        NOTICE, "", "# Public names", "",
        "`help(name)` in Python shows arguments, units, law, validity, source and an example. "
        "Names of `ventsim` itself are listed once, there.",
    ]  # fmt: skip
    shown: set[int] = set()
    for module in MODULES:
        rows = []
        for name in sorted(module.__all__, key=str.casefold):
            item = getattr(module, name)
            if not (inspect.isclass(item) or inspect.isfunction(item)) or id(item) in shown:
                continue
            shown.add(id(item))
            rows.append((code(name), summary(item)))
        lines += ["", f"## `{module.__name__}`", "", summary(module), ""]
        lines += table(("name", "what it is"), rows)
    return "\n".join(lines) + "\n"


PAGES = {"nomenclature.md": nomenclature_page, "names.md": names_page}


def main(arguments: Sequence[str] | None = None) -> int:
    """Write or check the pages; 1 if a page that is checked is out of date."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--check", action="store_true", help="compare with the files instead of writing them")
    check = parser.parse_args(arguments).check
    stale = 0
    for name, page in PAGES.items():
        path, text = FOLDER / name, page()
        if not check:
            FOLDER.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            print(f"{path} is out of date. Run: python docs/build_reference.py", file=sys.stderr)
            stale = 1
    return stale


if __name__ == "__main__":
    sys.exit(main())
