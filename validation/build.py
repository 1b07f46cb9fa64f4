"""Run the validation cases, and write validation/README.md and the figures.

python validation/build.py               run all, write everything
python validation/build.py --check       run all, write nothing, compare with README.md
python validation/build.py --case NAME   run one case, print its table and draw its figure
"""

import argparse
import importlib
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import ModuleType

from rows import Row
from table import disagreements, page, table

HERE = Path(__file__).parent
PAGE = HERE / "README.md"
CASES = tuple(sorted(folder.name for folder in HERE.glob("case_*") if (folder / "case.py").is_file()))


def load(case: str) -> ModuleType:
    """The module of a case, with TITLE, rows() and draw()."""
    return importlib.import_module(f"{case}.case")


def collect(cases: Sequence[str] = CASES) -> dict[str, list[Row]]:
    """Rows of the cases by name."""
    return {case: load(case).rows() for case in cases}


def titles(cases: Sequence[str] = CASES) -> dict[str, str]:
    """Titles of the cases by name."""
    return {case: load(case).TITLE for case in cases}


def unexpected(found: Mapping[str, Sequence[Row]]) -> list[str]:
    """Rows that fail without explanation, or pass although one says why they fail."""
    wrong = []
    for rows in found.values():
        for row in rows:
            if not row.is_as_expected:
                verdict = "passes, but is explained as failing" if row.passes else "fails"
                wrong.append(
                    f"{row.case}, {row.quantity}: {verdict} ({row.difference:.3g}, limit {row.limit:.3g})"
                )
    return wrong


def main(arguments: Sequence[str] | None = None) -> int:
    """Do what the command line says; 1 if a row is not as expected or the page is out of date."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--check", action="store_true", help="write nothing, compare with README.md")
    parser.add_argument("--case", choices=CASES, metavar="NAME", help=f"one of {', '.join(CASES)}")
    options = parser.parse_args(arguments)
    cases = CASES if options.case is None else (options.case,)
    found = collect(cases)
    wrong = unexpected(found)
    if options.case is not None:
        print(table(found[options.case]))
    elif options.check:
        written = PAGE.read_text(encoding="utf-8") if PAGE.is_file() else ""
        wrong += disagreements(written, found)
    else:
        PAGE.write_text(page(found, titles=titles()), encoding="utf-8")
    if not options.check:
        for case in cases:
            load(case).draw()
    print(*wrong, sep="\n", end="\n" if wrong else "", file=sys.stderr)
    count = sum(len(rows) for rows in found.values())
    print(f"{count} rows, {sum(row.passes for rows in found.values() for row in rows)} pass")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
