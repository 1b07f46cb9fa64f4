"""The validation table as Markdown, and back."""

import math
from collections.abc import Mapping, Sequence

from rows import OF_KIND, Row
from summary import by_evidence, counts, same_words, worst_closed_form

COLUMNS = (
    "quantity", "class", "kind", "unit", "reference", "±", "ventsim", "difference", "limit", "why that limit",
    "since", "result",
)  # fmt: skip
REFERENCE_PRECISION = 2e-6  # relative: references are written to seven digits
# How far a value may move from the written one before the page is out of date: rounding differs from machine to
# machine. Part of the limit [1], and of a reference that is not 0 [1].
MOVE_OF_LIMIT, MOVE_OF_REFERENCE = 0.25, 0.01

INTRODUCTION = """\
# Validation

Written by `python validation/build.py`, which runs every case; do not edit. With `--check` it compares names,
references, limits and words with this page, and `tests/test_validation.py` does so in every test run.

Each row is one reference number. Its limit was chosen before the comparison, says why, and may only be
tightened. A row that fails stays here with its explanation. Differences and limits marked "rel." are relative
to the reference, others are in the unit of the row; rows that hold the largest of many relative differences take
values below 0.1 of their unit as 0.1. Where what a reference leaves open gives a span of values, it stands in
brackets behind the one that is nearest to the reference: a difference of 0 is then one of construction.

Rows are of two classes. A row that any model would pass, because of symmetry, a balance or a wide limit, shows
nothing about the laws and numbers of this one; its result says so. Kinds of reference, by class:

**Verification**: are the equations solved correctly?

- **closed form**: a formula of `ventsim.theory`, which shares no code with the solver
- **worked closed form**: digits worked out from textbook formulas outside this library
- **order of convergence**: the order that the method claims; errors are those against an outside solver
- **independent solver**: SciPy or SUNDIALS on equations of the same circuit that were written a second time
- **published theory**: numbers computed and printed in a publication
- **symmetry**: what must be equal

**Validation**: are they the right equations, against what others measured?

- **published bench**: numbers measured and printed in a publication; circuits are not fully stated, so these
  rows show how near a free prediction comes, not whether the equations are solved correctly
- **bench without source**: measured figures that are passed on as common practice

**Context**, neither of the two:

- **nominal value**: what a test is meant to give, not measured

What is not validated: no measured waveform was available, and the default resistances and volumes of tubes,
fittings and valves are held to published figures in case 14 only, as far as there are any. The tight agreement
with closed forms and other solvers shows that the equations are solved correctly, not that they are the right
ones for a given device or patient.

Random circuits of all kinds are compared apart from these rows: `python validation/random_circuits.py` runs them
at the default tolerance, at 1e-10 and with IDA, and writes how far each measure is off into `random_circuits.md`.

Each case has a figure with a panel for the difference, in which exact agreement is drawn at 1e-17.
"""


def page(found: Mapping[str, Sequence[Row]], *, titles: Mapping[str, str], context: str = "") -> str:
    """The whole page: summary, context, then a table for each case."""
    parts = [INTRODUCTION, *_summary([row for rows in found.values() for row in rows])]
    if context:
        parts.append(context)
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
    """Where a page differs from the rows, in values by more than machines do; empty if nowhere."""
    written = written_cells(text)
    every = [row for rows in found.values() for row in rows]
    expected = [_cells(row) for row in every]
    names, wanted = [cells[0] for cells in written], [cells[0] for cells in expected]
    if names != wanted:
        odd = sorted(set(names) ^ set(wanted)) or ["the order of the rows"]
        return [f"row not on both sides: {name}" for name in odd]
    wrong = []
    for row, old, new in zip(every, written, expected, strict=True):
        written_value, *span = old[COLUMNS.index("ventsim")].split(" ", 1)
        if abs(float(written_value) - row.value) > _allowed_move(row) or span != _value(row).split(" ", 1)[1:]:
            wrong.append(
                f"{row.quantity}: ventsim is written as {old[COLUMNS.index('ventsim')]}, gives {_value(row)}"
            )
        for column, a, b in zip(COLUMNS, old, new, strict=True):
            if column in ("ventsim", "difference") or _same(a, b):
                continue
            wrong.append(f"{new[0]}: {column} is written as {a}, should be {b}")
    return wrong


def _allowed_move(row: Row) -> float:
    """By how much a value may differ from the written one. [unit]"""
    size = abs(row.reference)
    of_limit = MOVE_OF_LIMIT * row.limit * (size if row.relative else 1.0)
    return max(min(of_limit, MOVE_OF_REFERENCE * size or of_limit), REFERENCE_PRECISION * abs(row.value))


def written_cells(text: str) -> list[list[str]]:
    """The cells of every row of a page, in the order of `COLUMNS`."""
    lines = [_split(line) for line in text.splitlines() if line.startswith("|")]
    return [cells for cells in lines if len(cells) == len(COLUMNS) and cells[0] not in ("quantity", "---")]


def other_disagreements(text: str, wanted: str) -> list[str]:
    """Lines besides the rows that a page lacks, or has and should not; empty if none."""
    written, right = (
        [line for line in page.splitlines() if line and not written_cells(line)] for page in (text, wanted)
    )
    missing = [line for line in right if not any(same_words(line, other) for other in written)]
    stale = [line for line in written if not any(same_words(line, other) for other in right)]
    return [f"line missing: {line}" for line in missing] + [f"line out of date: {line}" for line in stale]


def _summary(rows: Sequence[Row]) -> list[str]:
    """Numbers of rows by class and kind, how close the closest one is to its limit, and the failures by name."""
    failed = [row for row in rows if not row.passes]
    classes = [_line(("class", "rows", "pass", "pass, as any model would")), _line(["---"] * 4)]
    for evidence, of_class in by_evidence(rows).items():
        anyway = sum(bool(row.any_model) for row in of_class)
        passing = sum(row.passes for row in of_class)
        classes.append(_line((evidence, str(len(of_class)), str(passing), str(anyway))))
    lines = [
        _line(("class", "kind", "rows", "pass", "largest difference / limit, of those that pass")),
        _line(["---"] * 5),
    ]
    for kind in (kind for kind in OF_KIND if any(row.kind == kind for row in rows)):
        of_kind = [row for row in rows if row.kind == kind]
        passing = [row for row in of_kind if row.passes]
        worst = max((abs(row.difference) / row.limit for row in passing), default=math.nan)
        lines.append(_line((OF_KIND[kind], kind, str(len(of_kind)), str(len(passing)), f"{worst:.2f}")))
    worst_row = worst_closed_form(rows)
    parts = [
        "## Summary",
        f"{counts(rows)}. Largest relative difference from a closed form at the default tolerance: "
        f"{abs(worst_row.difference):.1e} ({worst_row.case}, {worst_row.quantity}).",
        "\n".join(classes),
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
        row.quantity, row.evidence, row.kind, row.unit, _number(row.reference),
        uncertainty or f"{row.reference_uncertainty:.2g}", _value(row), f"{row.difference:.1e}{mark}",
        f"{row.limit:.2g}{mark}", row.why, row.since, _result(row),
    ]  # fmt: skip


def _result(row: Row) -> str:
    if not row.passes:
        return "**fails**"
    return f"pass, as any model would: {row.any_model}" if row.any_model else "pass"


def _value(row: Row) -> str:
    return _number(row.value) + ("" if row.span is None else " ({:.3g} to {:.3g})".format(*row.span))


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
