"""Two unequal lungs without one-way valves: sign and size of what compliance and resistance do."""

import itertools
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
WHY_ROWS_FAIL = "size of effects, pairings not stated, and linear resistors, refuted"

MEASURED = {(line["compared"], number(line["setting"])): line for line in read_table(HERE / "data.csv")}
INSPIRATORY_TIMES = (1.0, 1.5)  # not stated: the usual third, and half, of the breath [s]
PRESSURE, PEEP, RATE = 10.0, 15.0, 20.0

# What is compared: the first lung's value and the second's, the unit, and the values that both lungs have of the
# other parameter, which are not stated; the two ends of what was used.
COMPARISONS = {
    "compliance": ((50.0, 30.0), "mL/cmH2O", (5.0, 20.0), "cmH2O·s/L"),
    "resistance": ((5.0, 20.0), "cmH2O·s/L", (50.0, 30.0), "mL/cmH2O"),
}
REFERENCE_FLOW = 0.5  # at which a quadratic resistor has its nominal resistance [L/s]
LAWS = ("linear", "quadratic")
ENDS = {"compliance": (30.0, 50.0), "resistance": (5.0, 20.0)}  # of what was used
LIMIT = 10.0  # percentage points
VOLUME_LIMIT = 0.025  # the smallest mean error of the volumes of ventilators in ventilators.csv [1]
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
LINEAR_REFUTED = (
    "No pairing lets a lung behind a linear 20 cmH2O·s/L reach the mean of the bench: most gets the one of "
    "50 mL/cmH2O, and it gets 318 mL at most even in an ideal circuit (inspiration 1.5 s), with nothing but the "
    "lungs. Quadratic resistors with the same resistance at 0.5 L/s span the mean."
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


def lung(compliance: float, resistance: float, law: str) -> vs.Lung:
    """A lung simulator with a resistor of that nominal resistance."""
    if law == "quadratic":
        return vs.Lung(compliance=compliance, resistance=vs.laws.Rohrer(quadratic=resistance / REFERENCE_FLOW))
    return vs.Lung(compliance=compliance, resistance=resistance)


@cache
def every_volume(law: str, time: float, *, ideal: bool = False) -> dict[tuple[float, float], list[float]]:
    """Tidal volumes of every lung beside every other, by compliance and resistance. [mL]

    Compliance and resistance have the ends of what was used, in every combination.
    """
    kinds = list(itertools.product(*ENDS.values()))
    settings = vs.PressureControl(inspiratory_pressure=PRESSURE, peep=PEEP, rate=RATE, inspiratory_time=time)
    found: dict[tuple[float, float], list[float]] = {kind: [] for kind in kinds}
    for pair in itertools.combinations_with_replacement(kinds, 2):
        lungs = {str(k): lung(*kind, law) for k, kind in enumerate(pair)}
        circuit = vs.layouts.shared(lungs, one_way_valves=False, ideal=ideal)
        measures = vs.breath_measures(vs.steady_breath(circuit, settings)).isel(breath=0)
        for kind, volume in zip(pair, measures.inspired_tidal_volume.values, strict=True):
            found[kind].append(float(volume))
    return found


def span(group: tuple[str, float], law: str, time: float, *, ideal: bool = False) -> tuple[float, float]:
    """Least and largest tidal volume of the lungs of a group, such as those of 20 cmH2O·s/L. [mL]"""
    place = list(ENDS).index(group[0])
    volumes = [
        volume
        for kind, of_kind in every_volume(law, time, ideal=ideal).items() if kind[place] == group[1]
        for volume in of_kind
    ]  # fmt: skip
    return min(volumes), max(volumes)


def nearest(mean: float, group: tuple[str, float], law: str, time: float) -> float:
    """What is nearest to a mean in the span of its group. [mL]"""
    low, high = span(group, law, time)
    return min(max(mean, low), high)


def volume_rows() -> list[Row]:
    """The mean volume of each group, and the nearest to it that any pairing gives: a mean lies in their span."""
    every = []
    for law in LAWS:
        for time in INSPIRATORY_TIMES:
            for group, line in MEASURED.items():
                mean, (compared, setting) = number(line["tidal_volume"]), group
                off = [abs(nearest(mean, group, one, time) / mean - 1.0) for one in LAWS]
                refuted = (law, compared, setting) == ("linear", "resistance", 20.0)
                every.append(
                    Row(
                        case=CASE, kind="published bench", unit="mL",
                        quantity=f"{law} resistors, inspiration {time:g} s: tidal volume at {setting:g} "
                        f"{COMPARISONS[compared][1]}, nearest that a pairing gives",
                        reference=mean, reference_uncertainty=number(line["deviation"]),
                        value=nearest(mean, group, law, time), limit=VOLUME_LIMIT, relative=True,
                        why="smallest mean error of a volume in ventilators.csv; pairings not stated",
                        explanation=LINEAR_REFUTED if refuted else "", span=span(group, law, time),
                        any_model="linear and quadratic resistors both do" if max(off) <= VOLUME_LIMIT else "",
                    )
                )  # fmt: skip
    return every


def span_table() -> str:
    """Measured means, and the span of what pairings give with both laws, as Markdown."""
    columns = [(law, time, ideal) for law in LAWS for time in INSPIRATORY_TIMES for ideal in (False, True)]
    names = [f"{law}, {time:g} s{', ideal' if ideal else ''}" for law, time, ideal in columns]
    lines = [f"| lungs of | measured, mL | {' | '.join(names)} |", "| --- " * (2 + len(names)) + "|"]
    for group, line in MEASURED.items():
        spans = [span(group, law, time, ideal=ideal) for law, time, ideal in columns]
        cells = [f"{group[1]:g} {COMPARISONS[group[0]][1]}", f"{line['tidal_volume']} ± {line['deviation']}"]
        cells += [f"{low:.0f} to {high:.0f}" for low, high in spans]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


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
                any_model="of two lungs on one pressure the stiffer or narrower gets less",
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
    return [*every, *volume_rows(), *pressure_rows()]


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
    """Measured means with what pairings give, and the distance of each mean from that span."""
    figure, top, bottom = curves_and_difference(
        "Tidal volume: measured mean and spread (black), what pairings give (coloured bars)",
        x="lungs of this compliance (mL/cmH2O) or resistance (cmH2O·s/L)",
        y="tidal volume (mL)",
        difference="nearest value minus\nmean / mean (%)",
        note="open marks: rows that fail",
        log_difference=False,
    )
    variants = [(law, time) for law in LAWS for time in INSPIRATORY_TIMES]
    for place, (group, line) in enumerate(MEASURED.items()):
        mean = number(line["tidal_volume"])
        top.errorbar(place, mean, yerr=number(line["deviation"]), fmt="_", color="black", markersize=70, capsize=4)
        for k, (law, time) in enumerate(variants):
            x = place + 0.13 * (k - 1.5)
            low, high = span(group, law, time)
            label = f"{law}, inspiration {time:g} s" if place == 0 else None
            top.plot([x, x], [low, high], color=COLOURS[k], linewidth=6, solid_capstyle="butt", label=label)
            off = nearest(mean, group, law, time) / mean - 1.0
            fill = COLOURS[k] if abs(off) <= VOLUME_LIMIT else "none"
            bottom.plot(x, 100 * off, MARKS[k], color=COLOURS[k], markersize=6, markerfacecolor=fill)
    labels = [f"{'C' if group[0] == 'compliance' else 'R'} {group[1]:g}" for group in MEASURED]
    bottom.axhline(0.0, color="0.5", linewidth=0.8)
    bottom.axhline(100 * VOLUME_LIMIT, color="0.35", linewidth=0.9, linestyle=(0, (5, 3)))
    bottom.set_xticks(range(len(labels)), labels)
    draw_limits(bottom, [(-100 * VOLUME_LIMIT, f"limits, ±{100 * VOLUME_LIMIT:g} %")])
    top.set_ylim(180, 640)
    top.legend(frameon=False, loc="upper left", ncols=2, fontsize="small")
    save(figure, HERE / "figure.png")
