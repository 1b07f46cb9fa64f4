"""Volumes against SciPy on equations written by hand, every measure against SUNDIALS on a second road."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from case_10_independent_solvers import every_measure, four_lungs, two_lungs
from comparisons import TIGHT_TOLERANCE
from figures import curves_and_difference, draw_curves, draw_difference, draw_limits, save
from numpy.typing import NDArray
from rows import Row
from scipy.integrate import solve_ivp

import ventsim as vs

TITLE = "Equations written a second time, solved by SciPy and SUNDIALS"
CASE = "case_10_independent_solvers"
HERE = Path(__file__).parent

FloatArray = NDArray[np.float64]

RATE, INSPIRATORY_TIME, BREATHS = 20.0, 1.0, 2
PERIOD = 60.0 / RATE
LIMIT = 1e-8  # relative, at the tight tolerance; the other solver is asked for 1e-9
MEASURE_LIMIT = 1e-6  # relative; IDA is asked for 1e-9 in each step, between hundreds of starts
TIMING = {"rate": RATE, "inspiratory_time": INSPIRATORY_TIME, "peep": 5.0}


@dataclass(frozen=True)
class Problem:
    """A circuit and its settings, and the same by hand."""

    circuit: vs.Circuit
    settings: vs.PressureControl | vs.VolumeControl
    rates: Callable[[float, FloatArray, bool], FloatArray]
    start: FloatArray
    lungs: slice
    compliance: FloatArray


def two_lung_circuit() -> vs.Circuit:
    """The circuit of `two_lungs` from parts."""
    tube = vs.Tube(length=1.5, resistance=two_lungs.TUBE_RESISTANCE, gas_volume=0.0, wall_compliance=1.2)
    return vs.layouts.shared(
        {"a": vs.Lung(compliance=50.0, resistance=10.0), "b": vs.Lung(compliance=25.0, resistance=15.0)},
        arrangement="star",
        one_way_valves=False,
        limbs=vs.PatientLimbs(inspiratory_tube=tube, expiratory_tube=tube, y_piece=vs.YPiece(gas_volume=12.0)),
        adapter=vs.Adapter(gas_volume=24.0),
        ventilator=vs.Ventilator(flow_limit=None, relief_pressure=None),
    )


def four_lung_circuit() -> vs.Circuit:
    """The circuit of `four_lungs` from parts."""
    law = vs.laws.Rohrer(linear=0.4, quadratic=2.0)
    tube = vs.Tube(length=1.5, resistance=law, gas_volume=0.0, wall_compliance=1.0)
    lungs = {
        "a": vs.Lung(compliance=50.0, resistance=10.0),
        "b": vs.Lung(compliance=25.0, resistance=10.0, expiratory_resistance=15.0),
        "c": vs.Lung(compliance=40.0, resistance=20.0, expiratory_resistance=25.0),
        "d": vs.Lung(compliance=20.0, resistance=15.0),
    }
    valve = vs.OneWayValve(opening_pressure=four_lungs.OPENING, resistance=four_lungs.VALVE_RESISTANCE)
    return vs.layouts.shared(
        lungs,
        arrangement="star",
        limbs=vs.PatientLimbs(
            inspiratory_tube=tube, expiratory_tube=tube, y_piece=vs.YPiece(gas_volume=12.0), valve=valve
        ),
        adapter=vs.Adapter(gas_volume=30.0),
        ventilator=vs.Ventilator(flow_limit=None, relief_pressure=None),
    )


PRESSURE = vs.PressureControl(inspiratory_pressure=15.0, **TIMING)
VOLUME = vs.VolumeControl(tidal_volume=1600.0, **TIMING)
PROBLEMS = {
    "two lungs, linear, pressure control": Problem(
        two_lung_circuit(), PRESSURE, two_lungs.rate_of_change, two_lungs.START, two_lungs.LUNGS,
        two_lungs.LUNG_COMPLIANCE,
    ),
    "four lungs, quadratic, one-way valves, pressure control": Problem(
        four_lung_circuit(), PRESSURE, four_lungs.pressure_control, four_lungs.START, four_lungs.LUNGS,
        four_lungs.LUNG_COMPLIANCE,
    ),
    "four lungs, quadratic, one-way valves, volume control": Problem(
        four_lung_circuit(), VOLUME, four_lungs.volume_control, four_lungs.START, four_lungs.LUNGS,
        four_lungs.LUNG_COMPLIANCE,
    ),
}  # fmt: skip


@cache
def ours(name: str) -> tuple[FloatArray, FloatArray]:
    """Times and volumes of the lungs from ventsim, shapes (n,) [s] and (n, n_lungs) [mL]."""
    problem = PROBLEMS[name]
    waveforms = vs.simulate(
        problem.circuit,
        problem.settings,
        duration=BREATHS * PERIOD,
        tolerance=TIGHT_TOLERANCE,
        sample_interval=0.02,
    )
    return waveforms.time.values, waveforms.volume.values


@cache
def theirs(name: str) -> FloatArray:
    """Volumes of the lungs from SciPy at the times of `ours`, shape (n, n_lungs). [mL]"""
    problem, (time, _) = PROBLEMS[name], ours(name)
    state, volumes = problem.start, []
    for breath in range(BREATHS):
        for began, length, inspiring in (
            (breath * PERIOD, INSPIRATORY_TIME, True),
            (breath * PERIOD + INSPIRATORY_TIME, PERIOD - INSPIRATORY_TIME, False),
        ):
            within = time[(time >= began) & (time < began + length)]
            result = solve_ivp(
                problem.rates, (began, began + length), state, method="Radau", rtol=1e-9, atol=1e-10,
                args=(inspiring,), t_eval=np.append(within, began + length),
            )  # fmt: skip
            state = result.y[:, -1]
            volumes.append(result.y[problem.lungs, :-1].T)
    return np.concatenate(volumes) * problem.compliance * 1000


def tidal_volumes(time: FloatArray, volume: FloatArray) -> FloatArray:
    """Volume at the end of the last inspiration above the one at its start, shape (n_lungs,). [mL]"""
    start = (BREATHS - 1) * PERIOD
    last = np.flatnonzero(time < start + INSPIRATORY_TIME)[-1]
    return volume[last] - volume[np.searchsorted(time, start)]


def rows() -> list[Row]:
    """Every comparison of the case."""
    found = []
    common = {"case": CASE, "kind": "independent solver", "limit": LIMIT, "why": "errors of both solvers"}
    for name in PROBLEMS:
        time, volume = ours(name)
        reference = theirs(name)
        for lung, value, expected in zip(
            "abcd", tidal_volumes(time, volume), tidal_volumes(time, reference), strict=False
        ):
            found.append(
                Row(
                    **common,
                    quantity=f"{name}, lung {lung}: rise of volume in breath {BREATHS}",
                    unit="mL",
                    reference=float(expected),
                    reference_uncertainty=LIMIT * float(expected),
                    value=float(value),
                    relative=True,
                )
            )
        found.append(
            Row(
                **common,
                quantity=f"{name}: largest relative difference of volume over time",
                unit="1",
                reference=0.0,
                reference_uncertainty=LIMIT,
                value=float(np.abs(volume - reference).max() / reference.max()),
                relative=False,
            )
        )
    return [*found, *measure_rows()]


def measure_rows() -> list[Row]:
    """Every measure of every circuit of `every_measure`, in the worst breath and lung."""
    return [
        Row(
            case=CASE, kind="independent solver", quantity=f"{name}: largest relative difference of {measure}",
            unit="1", reference=0.0, reference_uncertainty=MEASURE_LIMIT, value=off, limit=MEASURE_LIMIT,
            relative=False, why="errors of both solvers, IDA at 1e-9 in a step",
        )
        for name in every_measure.PROBLEMS
        for measure, off in every_measure.compared(name)
    ]  # fmt: skip


def draw() -> None:
    """Volumes of the four lungs in pressure control, and their differences."""
    figure, top, bottom = curves_and_difference(
        "Four lungs, quadratic tubes, one-way valves: SciPy (lines) and ventsim (marks)",
        x="time (s)",
        y="volume (mL)",
        difference="difference / largest value",
    )
    name = "four lungs, quadratic, one-way valves, pressure control"
    time, volume = ours(name)
    reference = theirs(name)
    for k, lung in enumerate("abcd"):
        draw_curves(top, time, reference=reference[:, k], value=volume[:, k], label=f"lung {lung}", number=k)
        off = (volume[:, k] - reference[:, k]) / reference[:, k].max()
        draw_difference(bottom, time, difference=off, number=k)
    draw_limits(bottom, [(LIMIT, "limit")])
    top.set_ylim(0, 1000)
    top.legend(frameon=False, ncols=4, loc="upper right")
    save(figure, HERE / "figure.png")
