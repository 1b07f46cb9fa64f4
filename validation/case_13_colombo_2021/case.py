"""Two unequal lungs without one-way valves: sign and size of what compliance and resistance do."""

from functools import cache
from pathlib import Path

import numpy as np
import xarray as xr
from figures import COLOURS, MARKS, curves_and_difference, draw_limits, save
from rows import Row
from tables import number, read_table

import ventsim as vs

TITLE = "Two unequal lungs, effect of compliance and resistance"
CASE = "case_13_colombo_2021"
HERE = Path(__file__).parent
WHY_ROWS_FAIL = "size of effects, sign right, pairings not stated"

MEASURED = {(line["compared"], number(line["setting"])): line for line in read_table(HERE / "data.csv")}
INSPIRATORY_TIMES = (1.0, 1.5)  # not stated: the usual third, and half, of the breath [s]
PRESSURE, PEEP, RATE = 10.0, 15.0, 20.0

# What is compared: the first lung's value and the second's, the unit, and the values that both lungs have of the
# other parameter, which are not stated; the two ends of what was used.
COMPARISONS = {
    "compliance": ((50.0, 30.0), "mL/cmH2O", (5.0, 20.0), "cmH2O·s/L"),
    "resistance": ((5.0, 20.0), "cmH2O·s/L", (50.0, 30.0), "mL/cmH2O"),
}
LIMIT = 10.0  # percentage points
SIGN_LIMIT = 0.5  # anything below 1

WIDE = (
    "A lung of 50 mL/cmH2O behind 20 cmH2O·s/L hardly fills in the time, so that resistance costs it much more "
    "than the mean of the bench says; at 30 mL/cmH2O the same step passes. The mean and its wide spread are "
    "those of several pairings, which the abstract does not give."
)
NARROW = (
    "Behind 20 cmH2O·s/L the lung of 50 mL/cmH2O hardly fills in the time, so that its compliance is worth less "
    "than in the mean of the bench; at 5 cmH2O·s/L the same step passes. Which resistances belong to the mean is "
    "not in the abstract."
)
SHORT_EXPIRATION = (
    "After 1.5 s of inspiration 1.5 s are left, in which a lung of 50 mL/cmH2O behind 20 cmH2O·s/L keeps more gas "
    "than the bench shows; with 1 s of inspiration the highest pressure is right to 0.1 cmH2O. So the bench "
    "probably had the shorter inspiration, or not this pairing."
)
EXPLANATIONS = {
    ("compliance", 20.0, 1.0): NARROW,
    ("compliance", 20.0, 1.5): NARROW,
    ("resistance", 50.0, 1.0): WIDE,
    ("resistance", 50.0, 1.5): WIDE,
}
"""Why a size fails, by what is compared, value of the other parameter, and inspiratory time."""


@cache
def steady(compared: str, other: float, inspiratory_time: float) -> xr.Dataset:
    """Measures of the two lungs, which differ in what is compared, on one machine."""
    values, _, _, _ = COMPARISONS[compared]
    rest = "resistance" if compared == "compliance" else "compliance"
    lungs = {f"{value:g}": vs.Lung(**{compared: value, rest: other}) for value in values}
    circuit = vs.layouts.shared(lungs, one_way_valves=False)
    settings = vs.PressureControl(
        inspiratory_pressure=PRESSURE, peep=PEEP, rate=RATE, inspiratory_time=inspiratory_time
    )
    return vs.breath_measures(vs.steady_breath(circuit, settings)).isel(breath=0)


def volumes(compared: str, other: float, inspiratory_time: float) -> tuple[float, float]:
    """Tidal volumes of the two lungs. [mL]"""
    first, second = steady(compared, other, inspiratory_time).inspired_tidal_volume.values
    return float(first), float(second)


def change(first: float, second: float) -> float:
    """By how much the second is more than the first. [%]"""
    return 100.0 * (second / first - 1.0)


def measured_change(compared: str) -> tuple[float, float]:
    """Change of the measured mean, and its standard deviation if the two are independent. [%]"""
    lines = [MEASURED[compared, value] for value in COMPARISONS[compared][0]]
    (first, d1), (second, d2) = ((number(line["tidal_volume"]), number(line["deviation"])) for line in lines)
    return change(first, second), 100.0 * second / first * float(np.hypot(d1 / first, d2 / second))


def situations() -> list[tuple[str, float, float, str]]:
    """What is compared, value of the other parameter, inspiratory time, and all that in words."""
    found = []
    for compared, ((first, second), unit, others, other_unit) in COMPARISONS.items():
        for other in others:
            for time in INSPIRATORY_TIMES:
                words = (
                    f"{compared} {first:g} to {second:g} {unit} at {other:g} {other_unit}, inspiration {time:g} s"
                )
                found.append((compared, other, time, words))
    return found


def rows() -> list[Row]:
    """Sign and size of the change of tidal volume, in every situation."""
    every = []
    for compared, other, time, words in situations():
        reference, deviation = measured_change(compared)
        value = change(*volumes(compared, other, time))
        every.append(
            Row(
                case=CASE, kind="published bench", quantity=f"{words}: sign of the change of tidal volume",
                unit="1", reference=float(np.sign(reference)), reference_uncertainty=0.0,
                value=float(np.sign(value)), limit=SIGN_LIMIT, relative=False, why="a sign is right or wrong",
            )
        )  # fmt: skip
        every.append(
            Row(
                case=CASE, kind="published bench", quantity=f"{words}: change of tidal volume", unit="%",
                reference=reference, reference_uncertainty=deviation, value=value, limit=LIMIT,
                relative=False, why="percentage points, about the smaller of the printed spreads",
                explanation=EXPLANATIONS.get((compared, other, time), ""),
            )
        )  # fmt: skip
    return [*every, *pressure_rows()]


def pressure_rows() -> list[Row]:
    """The range of the alveolar pressure at the end of expiration, over both lungs of all situations."""
    lines = {line["end"]: line for line in read_table(HERE / "alveolar_pressure.csv")}
    width = number(lines["highest"]["pressure"]) - number(lines["lowest"]["pressure"])
    every = []
    for time in INSPIRATORY_TIMES:
        alike = [
            steady(*one[:3]).end_expiratory_alveolar_pressure.values for one in situations() if one[2] == time
        ]
        for end, value in (("lowest", np.min(alike)), ("highest", np.max(alike))):
            every.append(
                Row(
                    case=CASE, kind="published bench", unit="cmH2O",
                    quantity=f"all with inspiration {time:g} s: {end} end-expiratory alveolar pressure",
                    reference=number(lines[end]["pressure"]),
                    reference_uncertainty=number(lines[end]["deviation"]), value=float(value), limit=width,
                    relative=False, why="width of the measured range; pairings and times are not stated",
                    explanation=SHORT_EXPIRATION if (end, time) == ("highest", 1.5) else "",
                )
            )  # fmt: skip
    return every


def draw() -> None:
    """Measured and simulated change of tidal volume, and the simulated minus the measured one."""
    figure, top, bottom = curves_and_difference(
        "Change of tidal volume: measured mean and spread (black bars), simulated (marks)",
        x="C: compliance (mL/cmH2O), R: resistance (cmH2O·s/L) of the lungs",
        y="change (%)",
        difference="simulated minus measured\n(percentage points)",
        note="open marks: rows that fail",
        log_difference=False,
    )
    labels = []
    for place, (compared, other, time, _) in enumerate(situations()):
        reference, deviation = measured_change(compared)
        value = change(*volumes(compared, other, time))
        (first, second), _, _, _ = COMPARISONS[compared]
        symbols = ("C", "R") if compared == "compliance" else ("R", "C")
        labels.append(f"{symbols[0]} {first:g}→{second:g}\n{symbols[1]} {other:g}")
        top.errorbar(place, reference, yerr=deviation, fmt="_", color="black", markersize=14, capsize=3)
        k = INSPIRATORY_TIMES.index(time)
        fill = COLOURS[k] if abs(value - reference) <= LIMIT else "none"
        look = {"color": COLOURS[k], "markersize": 6, "markerfacecolor": fill}
        top.plot(place, value, MARKS[k], **look)
        bottom.plot(place, value - reference, MARKS[k], **look)
    for k, time in enumerate(INSPIRATORY_TIMES):
        top.plot([], [], MARKS[k], color=COLOURS[k], label=f"simulated, inspiration {time:g} s")
    bottom.axhline(0.0, color="0.5", linewidth=0.8)
    bottom.set_xticks(range(len(labels)), labels, fontsize="small")
    draw_limits(bottom, [(LIMIT, "limit"), (-LIMIT, "limit")])
    top.set_ylim(-48, 12)
    top.legend(frameon=False, loc="upper left", ncols=2, fontsize="small")
    save(figure, HERE / "figure.png")
