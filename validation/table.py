"""The validation table as Markdown, and back."""

import math
from collections.abc import Mapping, Sequence

from rows import Row

COLUMNS = (
    "quantity", "kind", "unit", "reference", "±", "ventsim", "difference", "limit", "why that limit", "since",
    "result",
)  # fmt: skip
REFERENCE_PRECISION = 2e-6  # relative: references are written to seven digits

INTRODUCTION = """\
# Validation

Written by `python validation/build.py`, which runs every case; do not edit. With `--check` it compares names,
references and limits with this page, and `tests/test_validation.py` does so in every test run.

Each row is one reference number. Its limit was chosen before the comparison, says why, and may only be
tightened. A row that fails stays here with its explanation. Differences and limits marked "rel." are relative
to the reference, others are in the unit of the row. Kinds of reference:

- **closed form**: a formula of `ventsim.theory`, which shares no code with the solver
- **worked closed form**: digits worked out from textbook formulas outside this library
- **order of convergence**: the order that the method claims
- **independent solver**: SciPy on equations of the same circuit written by hand
- **published theory**: numbers computed and printed in a publication
- **published bench**: numbers measured and printed in a publication; circuits are not fully stated, so these
  rows show how near a free prediction comes, not whether the equations are solved correctly
- **bench without source**: measured figures that are passed on as common practice
- **nominal value**: what a test is meant to give, not measured; context only
- **symmetry**: what must be equal

What is not validated: no measured waveform was available, and the default resistances and volumes of tubes,
fittings and valves are held to published figures in case 14 only, as far as there are any. The tight agreement
with closed forms and other solvers shows that the equations are solved correctly, not that they are the right
ones for a given device or patient.

Each case has a figure with a panel for the difference, in which exact agreement is drawn at 1e-17.
"""


def page(found: Mapping[str, Sequence[Row]], *, titles: Mapping[str, str]) -> str:
    """The whole page: summary, then a table for each case."""
    parts = [INTRODUCTION, *_summary([row for rows in found.values() for row in rows])]
    for case, rows in found.items():
        parts += [
            f"## {titles[case]}",
            f"[{case}]({case}/README.md): {sum(row.passes for row in rows)} of {len(rows)} rows pass. "
            f"[Figure]({case}/figure.png)",
            table(rows),
        ]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def table(rows: Sequence[Row]) -> str:
    """The rows of one case."""
    lines = [_line(COLUMNS), _line(["---"] * len(COLUMNS)), *(_line(_cells(row)) for row in rows)]
    return "\n".join(lines)


def disagreements(text: str, found: Mapping[str, Sequence[Row]]) -> list[str]:
    """Where a page differs from the rows in anything but values and differences; empty if nowhere."""
    written = [_split(line) for line in text.splitlines() if line.startswith("|")]
    written = [
        cells for cells in written if len(cells) == len(COLUMNS) and cells[0] not in ("quantity", "---")
    ]
    expected = [_cells(row) for rows in found.values() for row in rows]
    names, wanted = [cells[0] for cells in written], [cells[0] for cells in expected]
    if names != wanted:
        odd = sorted(set(names) ^ set(wanted)) or ["the order of the rows"]
        return [f"row not on both sides: {name}" for name in odd]
    wrong = []
    for old, new in zip(written, expected, strict=True):
        for column, a, b in zip(COLUMNS, old, new, strict=True):
            if column in ("ventsim", "difference") or _same(a, b):
                continue
            wrong.append(f"{new[0]}: {column} is written as {a}, should be {b}")
    return wrong


def _summary(rows: Sequence[Row]) -> list[str]:
    """Numbers of rows by kind, how close the closest one is to its limit, and the failures by name."""
    failed = [row for row in rows if not row.passes]
    lines = [
        "| kind | rows | pass | largest difference / limit, of those that pass |",
        "| --- | --- | --- | --- |",
    ]
    for kind in dict.fromkeys(row.kind for row in rows):
        of_kind = [row for row in rows if row.kind == kind]
        passing = [row for row in of_kind if row.passes]
        worst = max((abs(row.difference) / row.limit for row in passing), default=math.nan)
        lines.append(f"| {kind} | {len(of_kind)} | {len(passing)} | {worst:.2f} |")
    solved = [row for row in rows if row.kind == "closed form" and row.relative]
    worst_row = max(solved, key=lambda row: abs(row.difference))
    verb = "fails" if len(failed) == 1 else "fail"
    worst_text = f"{abs(worst_row.difference):.1e} ({worst_row.case}, {worst_row.quantity})"
    parts = [
        "## Summary",
        f"{len(rows)} rows: {len(rows) - len(failed)} pass, {len(failed)} {verb}. Largest relative "
        f"difference of a number from its closed form at the default tolerance: {worst_text}.",
        "\n".join(lines),
    ]
    if failed:
        parts += ["### Rows that fail", *(_failure(row) for row in failed)]
    return parts


def _failure(row: Row) -> str:
    unit = "" if row.unit == "1" else f" {row.unit}"
    numbers = f"{_number(row.value)}{unit}, reference {_number(row.reference)}{unit}"
    return f"- **{row.case}, {row.quantity}**: {numbers}. {row.explanation or 'No explanation yet.'}"


def _cells(row: Row) -> list[str]:
    uncertainty = {None: "not stated", 0.0: "exact"}.get(row.reference_uncertainty)
    mark = " rel." if row.relative else ""
    return [
        row.quantity, row.kind, row.unit, _number(row.reference),
        uncertainty or f"{row.reference_uncertainty:.2g}", _number(row.value), f"{row.difference:.1e}{mark}",
        f"{row.limit:.2g}{mark}", row.why, row.since, "pass" if row.passes else "**fails**",
    ]  # fmt: skip


def _number(value: float) -> str:
    return f"{value:.7g}"


def _line(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _split(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip().strip("|").split(" | ")]


def _same(a: str, b: str) -> bool:
    """Whether two cells agree, numbers to the precision to which references are written."""
    try:
        return math.isclose(float(a), float(b), rel_tol=REFERENCE_PRECISION)
    except ValueError:
        return a == b
