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
from types import ModuleType

import ventsim
from ventsim import (
    changes,
    errors,
    laws,
    layouts,
    monitor,
    panel,
    parts,
    plot,
    schema,
    studies,
    tables,
    theory,
    units,
)
from ventsim.model.changes import CHANGES
from ventsim.model.descriptions import Description, Family
from ventsim.model.field_table import field_table
from ventsim.model.laws import ELASTIC_LAWS, FLOW_LAWS
from ventsim.model.parts import EFFORTS, PARTS
from ventsim.model.parts.lung import REGIONS
from ventsim.model.ventilator import SETTINGS

FAMILIES: dict[str, Family] = {
    "Parts of a circuit": PARTS, "Flow laws": FLOW_LAWS, "Pressure-volume laws": ELASTIC_LAWS,
    "Regions of lungs": REGIONS, "Efforts of muscles": EFFORTS, "Changes in time": CHANGES,
    "Breath settings": SETTINGS,
}  # fmt: skip

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
    ventsim, layouts, laws, parts, changes, theory, plot, monitor, panel, schema, studies, tables, units, errors,
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
        "", "*Allowed* is refused outside, *usual* is warned of outside. `None` as a default is explained in the "
        "meaning.",
    ]  # fmt: skip
    for title, family in FAMILIES.items():
        lines += ["", f"## {title}"]
        for kind, cls in family.kinds.items():
            lines += _field_section(cls.__name__, cls, note=f'`{family.tag} = "{kind}"` in a scenario file.')
    lines += ["", "## Sensors and alarm limits"]
    for cls in (monitor.Sensors, monitor.AlarmLimits):
        lines += _field_section(cls.__name__, cls, note="")
    lines += ["", "## Ventilator, limbs and layout"]
    for cls in (ventsim.Ventilator, layouts.PatientLimbs, layouts.FloorPlan, layouts.Layout):
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
        own = [name for name, item in vars(module).items() if getattr(item, "__module__", "") == module.__name__]
        public = getattr(module, "__all__", [name for name in own if not name.startswith("_")])
        for name in sorted(public, key=str.casefold):
            item = getattr(module, name)
            if not (inspect.isclass(item) or inspect.isfunction(item)) or id(item) in shown:
                continue
            shown.add(id(item))
            rows.append((code(name), summary(item)))
        if not rows:
            continue
        lines += ["", f"## `{as_imported(module)}`", "", summary(module), ""]
        lines += table(("name", "what it is"), rows)
    return "\n".join(lines) + "\n"


def as_imported(module: ModuleType) -> str:
    """The name by which users reach a namespace: its last word below the library."""
    return "ventsim" if module is ventsim else f"ventsim.{module.__name__.rpartition('.')[2]}"


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
