"""Two and four lungs on one ventilator, behind a resistance that they share."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from comparisons import (
    DEFAULT_LIMIT,
    DEFAULT_TOLERANCE,
    TIGHT_LIMIT,
    TIGHT_TOLERANCE,
    curve_difference,
    relative_difference,
    worked,
    worst_differences,
)
from figures import TWO_TOLERANCES, curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from tables import number, read_table

import ventsim as vs

TITLE = "Two and four lungs on one ventilator"
CASE = "case_04_lungs_in_parallel"
HERE = Path(__file__).parent

LUNG = ("compliance", "resistance", "expiratory_resistance")
SETTINGS = ("inspiratory_pressure", "peep", "rate", "inspiratory_time")
QUANTITIES = {
    "tidal_volume": ("tidal volume", "mL"),
    "end_inspiratory_alveolar_pressure": ("end-inspiratory alveolar pressure", "cmH2O"),
    "end_expiratory_alveolar_pressure": ("end-expiratory alveolar pressure", "cmH2O"),
}
SPLIT = vs.VolumeControl(tidal_volume=1000.0, peep=5.0, rate=15.0, inspiratory_time=1.0)  # 1 L/s
VALVE_RESISTANCE = 1.0  # of a default one-way valve, once open [cmH2O·s/L]


@dataclass(frozen=True)
class Group:
    """Lungs that share a ventilator: arguments of the closed form, names and worked digits."""

    arguments: dict[str, Any]
    names: list[str] = field(default_factory=list)
    digits: list[dict[str, str]] = field(default_factory=list)


def groups() -> dict[str, Group]:
    """The worked groups by name."""
    found: dict[str, Group] = {}
    for row in read_table(HERE / "data.csv"):
        common = {name: number(row[name]) for name in (*SETTINGS, "shared_resistance")}
        lists: dict[str, Any] = {name: [] for name in LUNG}
        group = found.setdefault(row["name"], Group(common | lists))
        group.names.append(row["lung"])
        group.digits.append({name: row[name] for name in QUANTITIES})
        for name in LUNG:
            group.arguments[name].append(number(row[name]))
    return found


def steady(
    group: Group, *, tolerance: float, one_way_valves: bool = False, restrictors: bool = False
) -> xr.Dataset:
    """The steady breath of a group in an ideal circuit.

    One-way valves take their share of every resistance; with `restrictors`, what inspiration has more than
    expiration sits in the inspiratory limb instead of the lung.
    """
    own = VALVE_RESISTANCE if one_way_valves else 0.0
    lungs, limbs = {}, {}
    for name, c, r_in, r_out in zip(group.names, *(group.arguments[k] for k in LUNG), strict=True):
        in_lung = r_out if restrictors else r_in
        lungs[name] = vs.Lung(compliance=c, resistance=in_lung - own, expiratory_resistance=r_out - own)
        extra = vs.Restrictor(resistance=r_in - r_out) if restrictors and r_in > r_out else None
        limbs[name] = vs.PatientLimbs(inspiratory_restrictor=extra)
    shared = group.arguments["shared_resistance"]
    machine = vs.Ventilator(
        source_resistance=shared, exhalation_resistance=shared, flow_limit=None, relief_pressure=None
    )
    circuit = vs.layouts.shared(lungs, limbs=limbs, ideal=True, one_way_valves=one_way_valves, ventilator=machine)
    settings = vs.PressureControl(**{name: group.arguments[name] for name in SETTINGS})
    return vs.steady_breath(circuit, settings, tolerance=tolerance)


def measures(waveforms: xr.Dataset) -> dict[str, np.ndarray]:
    """Measures of every lung."""
    only = vs.breath_measures(waveforms).isel(breath=0)
    found = {name: only[name].values for name in (*list(QUANTITIES)[1:], "auto_peep", "mean_alveolar_pressure")}
    return found | {"tidal_volume": only.inspired_tidal_volume.values}


def rows() -> list[Row]:
    """Every comparison of the case."""
    found = []
    for name, group in groups().items():
        values = measures(steady(group, tolerance=DEFAULT_TOLERANCE))
        for k, lung in enumerate(group.names):
            for key, (quantity, unit) in QUANTITIES.items():
                text, value = group.digits[k][key], values[key][k]
                found.append(worked(CASE, f"{name}, lung {lung}: {quantity}", unit=unit, text=text, value=value))
    return [*found, *worst_rows(), *split_rows()]


def worst_rows() -> list[Row]:
    """All measures of all groups against the closed form, in three kinds of circuit."""
    every = groups()

    def over(chosen: list[str], **circuit: bool) -> Callable[[float], list[float]]:
        def find(tolerance: float) -> list[float]:
            found = []
            for group in (every[name] for name in chosen):
                closed = vs.theory.parallel_lungs(**group.arguments)
                values = measures(steady(group, tolerance=tolerance, **circuit))
                found += [relative_difference(value, getattr(closed, name)) for name, value in values.items()]
            return found

        return find

    def curves(tolerance: float) -> list[float]:
        found = []
        for group in every.values():
            waveforms = steady(group, tolerance=tolerance)
            closed = vs.theory.parallel_lungs(**group.arguments).waveform(waveforms.time.values)
            found.append(curve_difference(waveforms.volume, closed.volume))
        return found

    names, what = ", ".join(every), "largest relative difference of"
    valves = over(list(every), one_way_valves=True)
    restrictor = over(["N7"], one_way_valves=True, restrictors=True)
    return [
        *worst_differences(CASE, f"{names}, open limbs: {what} a measure", find=over(list(every))),
        *worst_differences(CASE, f"{names}, open limbs: {what} volume over time", find=curves),
        *worst_differences(CASE, f"{names}, one-way valves: {what} a measure", find=valves),
        *worst_differences(CASE, f"N7, restrictor and one-way valves: {what} a measure", find=restrictor),
    ]


def split_rows() -> list[Row]:
    """A constant flow from rest into two lungs."""
    found = []
    table = read_table(HERE / "split.csv")
    for row in table:
        first = vs.simulate_long(split_circuit(row), SPLIT, duration=SPLIT.period).measures
        for k, name in enumerate("ab"):
            found.append(worked(
                CASE, f"constant flow, {row['name']}, lung {name}: inspired volume", unit="L",
                text=row[f"litres_{name}"], value=float(first.inspired_tidal_volume[0, k]) / 1000,
            ))  # fmt: skip

    def curves(tolerance: float) -> list[float]:
        found = []
        for row in table:
            waveforms = vs.simulate(split_circuit(row), SPLIT, duration=SPLIT.period, tolerance=tolerance)
            waveforms = waveforms.isel(time=waveforms.time.values < SPLIT.inspiratory_time)
            closed = vs.theory.constant_flow_split(
                flow=1.0,
                compliance=[number(row[f"compliance_{name}"]) for name in "ab"],
                resistance=[number(row[f"resistance_{name}"]) for name in "ab"],
                time=waveforms.time.values,
            )
            found += [
                curve_difference(waveforms.inspired_volume, closed.inspired_volume),
                curve_difference(waveforms.flow, closed.flow),
            ]
        return found

    what = "constant flow: largest relative difference of volume and flow over time"
    return [*found, *worst_differences(CASE, what, find=curves)]


def split_circuit(row: dict[str, str]) -> vs.Circuit:
    """Two lungs on open limbs without any effect of their own."""
    lungs = {
        name: vs.Lung(compliance=number(row[f"compliance_{name}"]), resistance=number(row[f"resistance_{name}"]))
        for name in "ab"
    }
    return vs.layouts.shared(lungs, one_way_valves=False, ideal=True)


def draw() -> None:
    """Volume of each of the four lungs of N5, and the difference."""
    figure, top, bottom = curves_and_difference(
        "Four lungs behind a shared resistance, N5: closed form (lines) and ventsim (marks)",
        x="time since the start of inspiration (s)",
        y="volume (mL)",
        difference="difference / largest value",
        note=TWO_TOLERANCES,
    )
    group = groups()["N5"]
    for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
        waveforms = steady(group, tolerance=tolerance, one_way_valves=True)
        time = waveforms.time.values
        closed = vs.theory.parallel_lungs(**group.arguments).waveform(time).volume
        for k, (lung, compliance) in enumerate(zip(group.names, group.arguments["compliance"], strict=True)):
            found = waveforms.volume.values[:, k]
            if tolerance == DEFAULT_TOLERANCE:
                label = f"lung {lung}, {compliance:g} mL/cmH2O"
                draw_curves(top, time, reference=closed[:, k], value=found, label=label, number=k)
            off = (found - closed[:, k]) / closed[:, k].max()
            draw_difference(bottom, time, difference=off, number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
