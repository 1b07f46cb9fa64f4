"""The rows in a few lines: for the top of the table, and for the README.md of the project."""

import math
import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import get_args

from rows import Evidence, Row

START = "<!-- written by `python validation/build.py`: -->"
END = "<!-- end of what is written -->"
WIDTH = 115  # of a line of the README.md

_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[+-]?\d+)?")
_OF_A_SMALL_ERROR = 0.2  # relative; a rounding error differs from machine to machine
_OF_A_VALUE = 1e-3  # relative
_OF_A_FRACTION = 0.02  # absolute, of a number with decimals


def worst_closed_form(rows: Sequence[Row]) -> Row:
    """The row with the largest relative difference from a closed form at the default tolerance.

    Rows that hold the largest of many relative differences count too: they have the unit 1.
    """
    solved = [row for row in rows if row.kind == "closed form" and (row.relative or row.unit == "1")]
    return max(solved, key=lambda row: abs(row.difference))


def counts(rows: Sequence[Row]) -> str:
    """How many there are, pass and fail, such as "363 rows: 340 pass, 23 fail"."""
    failed = sum(not row.passes for row in rows)
    return f"{len(rows)} rows: {len(rows) - failed} pass, {failed} fail{'s' if failed == 1 else ''}"


def by_evidence(rows: Sequence[Row]) -> dict[Evidence, list[Row]]:
    """The rows of each class, those of verification first; no class without rows."""
    classes = {one: [row for row in rows if row.evidence == one] for one in get_args(Evidence)}
    return {one: of_class for one, of_class in classes.items() if of_class}


AGAINST: dict[Evidence, str] = {
    "verification": "formulas and solvers", "validation": "measurements", "context": "nominal values"
}  # fmt: skip


def class_text(evidence: Evidence, rows: Sequence[Row]) -> str:
    """One class in a sentence."""
    anyway = sum(bool(row.any_model) for row in rows)
    passing = sum(row.passes for row in rows)
    text = f"{evidence.capitalize()} against {AGAINST[evidence]}: {passing} of {len(rows)} rows pass"
    return text + (f", {anyway} as any model would." if anyway else ".")


def summary(found: Mapping[str, Sequence[Row]], *, reasons: Mapping[str, str]) -> str:
    """The whole table in a paragraph of plain words, wrapped; a few words for each case with rows that fail."""
    rows = [row for of_case in found.values() for row in of_case]
    worst = worst_closed_form(rows)
    failures = []
    for case, of_case in found.items():
        if number := sum(not row.passes for row in of_case):
            short = "_".join(case.split("_")[:2])
            failures.append(f"{short} ({number}): {reasons.get(case) or 'not explained yet'}")
    classes = [class_text(one, of_class) for one, of_class in by_evidence(rows).items() if one != "context"]
    text = " ".join([*classes, f"Closed forms are met to {abs(worst.difference):.1e}."])
    if failures:
        text += f" Failures stay in view: {'; '.join(failures)}."
    return textwrap.fill(text, WIDTH, break_long_words=False, break_on_hyphens=False)


def with_summary(page: str, text: str) -> str:
    """A page with the summary between the two marks."""
    before, between, after = _parts(page)
    return page if between.strip() == text else f"{before}{START}\n{text}\n{END}{after}"


def written_summary(page: str) -> str:
    """What stands between the marks of a page."""
    return _parts(page)[1].strip()


def _parts(page: str) -> tuple[str, str, str]:
    """What stands before, between and after the marks."""
    before, start, rest = page.partition(START)
    between, end, after = rest.partition(END)
    if not start or not end:
        lacking = END if start else START
        raise ValueError(f"the page lacks the mark {lacking}; put both where the summary belongs")
    return before, between, after


def same_words(a: str, b: str) -> bool:
    """Whether two texts agree but for line ends, and for what differs from machine to machine in numbers."""
    if _NUMBER.sub("#", a).split() != _NUMBER.sub("#", b).split():
        return False
    return all(map(_close, _NUMBER.findall(a), _NUMBER.findall(b)))


def _close(a: str, b: str) -> bool:
    relative = _OF_A_SMALL_ERROR if "e" in a and "e" in b else _OF_A_VALUE
    absolute = _OF_A_FRACTION if "." in a and "e" not in a else 0.0
    return math.isclose(float(a), float(b), rel_tol=relative, abs_tol=absolute)
