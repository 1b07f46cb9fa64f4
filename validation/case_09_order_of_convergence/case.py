"""How fast the error of the solver falls with the number of steps, and with the tolerance."""

from functools import cache
from pathlib import Path

import numpy as np
import xarray as xr
from comparisons import DEFAULT_LIMIT, DEFAULT_TOLERANCE
from figures import COLOURS, MARKS, curves_and_difference, draw_limits, save
from independent import by_scipy, solve
from numpy.typing import NDArray
from rows import Row

import ventsim as vs

TITLE = "Order of convergence"
CASE = "case_09_order_of_convergence"
HERE = Path(__file__).parent

ORDER = 4.0  # of the method, by its construction
TOLERANCES = 10.0 ** np.arange(-3.0, -10.1, -0.5)
# Above this a breath has so few steps that the short ones after each jump of the source count for much.
FIRST_FITTED = 1e-7
RADAU_TOLERANCE = 1e-11  # of the outside solver; it agrees with LSODA of 1e-12 to 1e-11
BREATHS = 3
# How far a slope may be from the order, with smooth laws and with valves that open and close.
SMOOTH_LIMIT, VALVES_LIMIT = 0.5, 1.0
# The error is meant to be in proportion to the tolerance.
PROPORTION_LIMIT = 0.3

PRESSURE_CONTROL = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=20.0, inspiratory_time=1.0)
FALLING_FLOW = vs.VolumeControl(
    tidal_volume=900.0, peep=5.0, rate=20.0, inspiratory_time=1.0, flow_pattern="decelerating"
)
LUNGS = {
    "a": vs.Lung(compliance=50.0, resistance=10.0),
    "b": vs.Lung(compliance=25.0, resistance=10.0),
    "c": vs.Lung(compliance=40.0, resistance=20.0),
    "d": vs.Lung(compliance=20.0, resistance=15.0),
}
QUADRATIC_TUBE = vs.Tube(length=1.5, resistance=vs.laws.Rohrer(linear=0.0375, quadratic=0.0795))
LIMBS = vs.PatientLimbs(inspiratory_tube=QUADRATIC_TUBE, expiratory_tube=QUADRATIC_TUBE)
ONE, COMPLIANCE, RESISTANCE = "one lung, ideal circuit", 60.0, 15.0  # [mL/cmH2O], [cmH2O·s/L]
PROBLEMS = {
    ONE: (
        vs.layouts.single(vs.Lung(compliance=COMPLIANCE, resistance=RESISTANCE), ideal=True),
        PRESSURE_CONTROL,
        SMOOTH_LIMIT,
    ),
    "two lungs, quadratic tubes": (
        vs.layouts.shared({name: LUNGS[name] for name in "ab"}, limbs=LIMBS, one_way_valves=False),
        PRESSURE_CONTROL,
        SMOOTH_LIMIT,
    ),
    "four lungs, quadratic tubes, one-way valves": (
        vs.layouts.shared(LUNGS, limbs=LIMBS),
        FALLING_FLOW,
        VALVES_LIMIT,
    ),
}


def run(name: str, *, tolerance: float) -> xr.Dataset:
    """Three breaths from rest."""
    circuit, settings, _ = PROBLEMS[name]
    return vs.simulate(circuit, settings, duration=BREATHS * settings.period, tolerance=tolerance)


@cache
def reference(name: str) -> NDArray[np.float64]:
    """Volumes of the lungs at the samples of a run from outside ventsim's engine, shape (n_samples, n_lungs). [mL]

    One lung: exponentials from jump to jump. The others: Radau on equations that are written a second time.
    """
    circuit, settings, _ = PROBLEMS[name]
    times = run(name, tolerance=DEFAULT_TOLERANCE).time.values
    if name == ONE:
        return exponentials(times)[:, None]
    # The relief pressure is not reached; without it the equations need not look for the instant.
    machine = circuit.ventilator.changed(relief_pressure=None)
    different = np.unique(times)
    found = solve(
        circuit.changed(ventilator=machine), settings, times=different,
        advance=by_scipy("Radau", tolerance=RADAU_TOLERANCE),
    )  # fmt: skip
    return found.volume[np.searchsorted(different, times)]


def exponentials(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Volume of the one lung from rest. [mL]"""
    time_constant = RESISTANCE * COMPLIANCE / 1000.0
    volume, found = COMPLIANCE * PRESSURE_CONTROL.peep, np.empty_like(times)
    for breath in range(BREATHS):
        start = breath * PRESSURE_CONTROL.period
        middle, end = start + PRESSURE_CONTROL.inspiratory_time, start + PRESSURE_CONTROL.period
        top = PRESSURE_CONTROL.peep + PRESSURE_CONTROL.inspiratory_pressure
        for begin, over, pressure in ((start, middle, top), (middle, end, PRESSURE_CONTROL.peep)):
            inside = (times >= begin - 1e-9) & (times <= over + 1e-9)
            settled = COMPLIANCE * pressure
            found[inside] = settled + (volume - settled) * np.exp(-(times[inside] - begin) / time_constant)
            volume = settled + (volume - settled) * np.exp(-(over - begin) / time_constant)
    return found


def volume_error(name: str, waveforms: xr.Dataset) -> float:
    """Largest difference of a lung's volume at any sample, relative to the largest volume."""
    expected = reference(name)
    return float(np.abs(waveforms.volume.values - expected).max() / expected.max())


@cache
def errors(name: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Error and number of steps at each tolerance, shape (n_tolerances,) each."""
    found = [run(name, tolerance=tolerance) for tolerance in TOLERANCES]
    return np.array([volume_error(name, w) for w in found]), np.array([w.attrs["steps"] for w in found])


def slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """Slope of a straight line through logarithms."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def rows() -> list[Row]:
    """Every comparison of the case."""
    found = []
    for name, (_, _, limit) in PROBLEMS.items():
        error, steps = (values[TOLERANCES < 1.01 * FIRST_FITTED] for values in errors(name))
        tolerance = TOLERANCES[TOLERANCES < 1.01 * FIRST_FITTED]
        common = {"case": CASE, "kind": "order of convergence", "unit": "1", "reference_uncertainty": 0.0}
        found += [
            Row(
                **common,
                quantity=f"{name}: order from error and number of steps",
                reference=ORDER,
                value=-slope(steps.astype(float), error),
                limit=limit,
                relative=False,
                why="seven tolerances, steps of unequal length" + (", valves" if limit == VALVES_LIMIT else ""),
            ),
            Row(
                **common,
                quantity=f"{name}: exponent of tolerance in error",
                reference=1.0,
                value=slope(tolerance, error),
                limit=PROPORTION_LIMIT,
                relative=False,
                why="as for the order",
            ),
            Row(
                **common,
                quantity=f"{name}: error of volume at the default tolerance",
                reference=0.0,
                value=volume_error(name, run(name, tolerance=DEFAULT_TOLERANCE)),
                limit=DEFAULT_LIMIT,
                relative=False,
                why="what the default promises",
            ),
        ]
    return found


def draw() -> None:
    """Error against number of steps, and its ratio to a fourth power."""
    figure, top, bottom = curves_and_difference(
        "Three breaths at tolerances 1e-3 to 1e-10 (marks) and a fourth power (lines)",
        x="number of steps",
        y="largest error / largest volume",
        difference="error / fourth power",
    )
    top.set_xscale("log")
    top.set_yscale("log")
    for k, name in enumerate(PROBLEMS):
        error, steps = errors(name)
        fitted = TOLERANCES < 1.01 * FIRST_FITTED
        power = steps**-ORDER * np.exp(np.mean((np.log(error) + ORDER * np.log(steps))[fitted]))
        look = {"color": COLOURS[k], "marker": MARKS[k], "markersize": 5, "markerfacecolor": "none"}
        top.plot(steps, power, color=COLOURS[k], linewidth=1.0)
        top.plot(steps, error, linestyle="none", label=name, **look)
        bottom.plot(steps, error / power, linewidth=0.8, **look)
    draw_limits(top, [(DEFAULT_LIMIT, "limit at the default tolerance")])
    top.set_ylim(bottom=1e-13)
    top.legend(frameon=False, loc="lower left")
    save(figure, HERE / "figure.png")
