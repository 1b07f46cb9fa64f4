"""Figures of the table that other pages quote, as they should stand there."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from context import volume_band
from rows import Kind, Row
from summary import worst_closed_form

PROJECT = Path(__file__).parents[1]


def missing(found: Mapping[str, Sequence[Row]]) -> list[str]:
    """What pages should say and do not; empty if nothing is out of date."""
    wrong = []
    for name, phrases in ({"docs/accuracy.md": on_trust(found)} | in_cases(found)).items():
        text = " ".join((PROJECT / name).read_text(encoding="utf-8").split())
        wrong += [f"{name} should say: {phrase}" for phrase in phrases if phrase not in text]
    return wrong


def one_row(found: Mapping[str, Sequence[Row]], case: str, quantity: str) -> Row:
    """The only row of a case whose name starts so."""
    (row,) = [row for row in found[case] if row.quantity.startswith(quantity)]
    return row


def of_kind(found: Mapping[str, Sequence[Row]], *kinds: Kind) -> list[Row]:
    """The rows of some kinds."""
    return [row for rows in found.values() for row in rows if row.kind in kinds]


def on_trust(found: Mapping[str, Sequence[Row]]) -> list[str]:
    """What docs/accuracy.md quotes."""
    worst = worst_closed_form([row for rows in found.values() for row in rows])
    exact = of_kind(found, "closed form", "worked closed form", "order of convergence", "independent solver")
    failing = [row for row in exact if not row.passes]
    off = 100 * max((abs(row.difference / row.reference) for row in failing if row.reference), default=0.0)
    bench = of_kind(found, "published bench", "bench without source")
    residuals = [row.difference for row in found["case_12_frontmed_2024"]]
    costs = [
        one_row(
            found,
            "case_13_colombo_2021",
            f"resistance 5 to 20 cmH2O·s/L at 50 mL/cmH2O, inspiration {time} s: change",
        )
        for time in ("1.5", "1")
    ]
    slow = [
        one_row(
            found,
            "case_13_colombo_2021",
            f"linear resistors, inspiration {time} s: tidal volume at 20 cmH2O·s/L",
        )
        for time in ("1", "1.5")
    ]
    partner = [
        one_row(found, "case_12_frontmed_2024", f"{law}: row 2 minus row 1")
        for law in ("linear", "quadratic, 1 L/s")
    ]
    shared = one_row(found, "case_08_four_equal_lungs", "real circuit: tidal volume")
    tubes = [row for row in found["case_14_component_laws"] if row.quantity.endswith("mm at 30 L/min")]
    lowest = min((row for row in tubes if row.quantity.startswith("tracheal")), key=lambda row: row.difference)
    trapped = one_row(found, "case_13_colombo_2021", "all with inspiration 1.5 s: highest")
    low, high = volume_band()
    return [
        f"closed form at the default tolerance is {abs(worst.difference):.0e}",
        f"(One row fails, by {off:.1f} %" if len(failing) == 1 else f"({len(failing)} rows fail",
        f"{sum(not row.passes for row in bench)} of {len(bench)} fail",
        f"up to {max(residuals):.1f} cmH2O too high and {-min(residuals):.1f} too low, against a limit of "
        f"{found['case_12_frontmed_2024'][0].limit:.2g}",
        f"{slow[0].value:.0f} to {slow[1].value:.0f} mL at most, {slow[0].reference:g} in the mean of the bench",
        f"by {partner[0].value:.1f} to {partner[1].value:.1f} cmH2O, {partner[0].reference:g} on the bench",
        f"{-costs[0].value:.0f} to {-costs[1].value:.0f} % here, {-costs[0].reference:.0f} % in the mean",
        f"end-expiratory pressure is {trapped.difference:.1f} cmH2O too high with an inspiration of 1.5 s",
        f"{shared.value:.0f} mL for each of four lungs, {shared.reference:g} mL on the bench",
        f"{-100 * lowest.difference:.0f} % low at worst, with a limit of {100 * lowest.limit:.0f} %",
        f"by {100 * low:.1f} %, the best mean error, to {100 * high:.0f} %, the worst extreme",
    ]


def in_cases(found: Mapping[str, Sequence[Row]]) -> dict[str, list[str]]:
    """What pages of cases and of laws quote from the table, by page."""
    shared = one_row(found, "case_08_four_equal_lungs", "real circuit: tidal volume")
    changes = {
        what: [row for row in found["case_13_colombo_2021"] if row.unit == "%" and row.quantity.startswith(what)]
        for what in ("compliance", "resistance")
    }
    spans = [
        f"{max(row.value for row in rows):.0f} to {min(row.value for row in rows):.0f} % for {what} "
        f"(measured {rows[0].reference:.0f})"
        for what, rows in changes.items()
    ]
    pressures = [row for row in found["case_13_colombo_2021"] if row.unit == "cmH2O"]
    ends = [
        " to ".join(f"{row.value:.1f}" for row in pressures if f"inspiration {time} s" in row.quantity)
        for time in ("1", "1.5")
    ]
    tubes = {
        size: 100 * one_row(found, "case_14_component_laws", f"tracheal tube {size} mm at 30").difference
        for size in ("6", "6.5", "7", "7.5", "8")
    }
    twelfth = one_row(found, "case_07_iso_pressure_control", "test 12: nominal")
    smooth = one_row(found, "case_14_component_laws", "smooth tube 22 mm, 1.5 m, at 60")
    ramp = one_row(found, "case_15_changes_in_time", "ramp of compliance")
    return {
        "validation/case_07_iso_pressure_control/README.md": [
            f"gives {100 * twelfth.difference:.0f} % more in test 12"
        ],
        "validation/case_08_four_equal_lungs/README.md": [
            f"each lung gets about {shared.value:.0f} mL, {-100 * shared.difference:.0f} % less than "
            f"{shared.reference:g}: the circuit keeps about {round(2000 - 4 * shared.value, -1):.0f} mL of the 2 L"
        ],
        "validation/case_13_colombo_2021/README.md": [
            ", ".join(spans),
            f"{ends[0]} cmH2O with an inspiration of 1 s (measured 15.5 to 16.6) and {ends[1]} with 1.5 s",
        ],
        "validation/case_14_component_laws/README.md": [
            f"{-tubes['6']:.0f} % below for 6 mm, {-tubes['6.5']:.0f} % for 6.5 mm, {-tubes['7']:.0f} % for 7 mm, "
            f"{tubes['7.5']:.0f} % above for 7.5 mm, {tubes['8']:.0f} % for 8 mm"
        ],
        "docs/laws/breathing_tubes.md": [
            f"by {-100 * smooth.difference / smooth.reference:.1f} % of a smooth tube"
        ],
        "docs/laws/changes.md": [f"(validation: {ramp.value:.2f} observed)"],
    }
