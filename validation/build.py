"""Run the validation cases; write validation/README.md, the figures, and a summary into README.md.

python validation/build.py               run all, write everything
python validation/build.py --check       run all, write nothing, compare with what is written
python validation/build.py --case NAME   run one case, print its table and draw its figure
"""

import argparse
import importlib
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import ModuleType

from context import section
from quotes import missing
from rows import Row
from summary import same_words, summary, with_summary, worst_closed_form, written_summary
from table import disagreements, other_disagreements, page, table

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))  # equations that are written a second time, for the cases
PAGE = HERE / "README.md"
FRONT = HERE.parent / "README.md"  # of the project, with a summary
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


def reasons(cases: Sequence[str] = CASES) -> dict[str, str]:
    """A few words on the rows that fail, by name of the case, where there are any."""
    modules = {case: vars(load(case)) for case in cases}
    return {case: names["WHY_ROWS_FAIL"] for case, names in modules.items() if "WHY_ROWS_FAIL" in names}


def whole_page(found: Mapping[str, Sequence[Row]]) -> str:
    """validation/README.md as it should be."""
    rows = [row for of_case in found.values() for row in of_case]
    return page(found, titles=titles(), context=section(worst_closed_form(rows)))


def out_of_date(found: Mapping[str, Sequence[Row]]) -> list[str]:
    """Where the pages that are written or quote figures differ from the rows; empty if nowhere."""
    written = PAGE.read_text(encoding="utf-8") if PAGE.is_file() else ""
    wrong = disagreements(written, found) + other_disagreements(written, whole_page(found))
    wanted = summary(found, reasons=reasons())
    if not same_words(written_summary(FRONT.read_text(encoding="utf-8")), wanted):
        wrong.append(f"the summary in README.md should read:\n{wanted}")
    return wrong + missing(found)


def write(found: Mapping[str, Sequence[Row]]) -> None:
    """Write the page, and the summary into README.md."""
    PAGE.write_text(whole_page(found), encoding="utf-8")
    front = FRONT.read_text(encoding="utf-8")
    FRONT.write_text(with_summary(front, summary(found, reasons=reasons())), encoding="utf-8")


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
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="write nothing, compare with what is written")
    parser.add_argument("--case", choices=CASES, metavar="NAME", help=f"one of {', '.join(CASES)}")
    options = parser.parse_args(arguments)
    cases = CASES if options.case is None else (options.case,)
    found = collect(cases)
    wrong = unexpected(found)
    if options.case is not None:
        print(table(found[options.case]))
    elif options.check:
        wrong += out_of_date(found)
    else:
        write(found)
        wrong += missing(found)
    if not options.check:
        for case in cases:
            load(case).draw()
    print(*wrong, sep="\n", end="\n" if wrong else "", file=sys.stderr)
    count = sum(len(rows) for rows in found.values())
    print(f"{count} rows, {sum(row.passes for rows in found.values() for row in rows)} pass")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
