"""Circuits of which every measure is compared, and the measures of what IDA gives for them."""

import warnings
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import xarray as xr
from comparisons import TIGHT_TOLERANCE, relative_difference
from independent_parts import Waveforms, solve
from numpy.typing import NDArray

import ventsim as vs

FloatArray = NDArray[np.float64]

BREATHS, SAMPLE_INTERVAL = 2, 0.005
NEAR = 801  # times around a peak, between the samples before and after it
LOOKS = 2  # how often these are put closer together
# Times behind the start of a phase, where small stores fill [s].
EARLY = np.geomspace(1e-8, SAMPLE_INTERVAL, 60)
OPENING = 0.2  # of the one-way valve on the way out [cmH2O]
TIMING = {"peep": 5.0, "rate": 20.0, "inspiratory_time": 1.0}
MACHINE = vs.Ventilator(flow_limit=None, relief_pressure=None)
TUBE = vs.Tube(length=1.5, resistance=vs.laws.Rohrer(linear=0.4, quadratic=2.0))
LIMBS = vs.PatientLimbs(inspiratory_tube=TUBE, expiratory_tube=TUBE)
PASSIVE = {
    "a": vs.Lung(compliance=50.0, resistance=10.0),
    "b": vs.Lung(compliance=25.0, resistance=10.0, expiratory_resistance=15.0),
}
JOINT = ("b inspiratory tube.outlet", "b y-piece.inspiratory")
APART, TOGETHER = 3.4, 3.9  # within the second inspiration [s]


@dataclass(frozen=True)
class Problem:
    """A circuit and its settings, perhaps with a joint that is apart for a while."""

    circuit: vs.Circuit
    settings: vs.PressureControl | vs.VolumeControl
    comes_apart: bool = False


def shared(lungs: dict[str, vs.Lung], limbs: vs.PatientLimbs = LIMBS) -> vs.Circuit:
    """Two lungs on the machine, with one-way valves."""
    return vs.layouts.shared(lungs, limbs=limbs, ventilator=MACHINE)


def with_leak(circuit: vs.Circuit) -> vs.Circuit:
    """A hole between Y-piece and lung b."""
    site, leak = (
        ("b y-piece.patient", "b.airway"),
        vs.Leak(resistance=vs.laws.Rohrer(linear=80.0, quadratic=200.0)),
    )
    joints = [joint for joint in circuit.joints if joint != site]
    joints += [(site[0], "leak.inlet"), ("leak.outlet", site[1])]
    return vs.Circuit(parts={**circuit.parts, "leak": leak}, joints=joints, ventilator=circuit.ventilator)


def apart(circuit: vs.Circuit) -> vs.Circuit:
    """Both ends of the joint open to the room."""
    joints = [joint for joint in circuit.joints if joint != JOINT]
    ends = {f"open end {k}": vs.OpenEnd() for k in range(len(JOINT))}
    joints += [(port, f"{name}.inlet") for port, name in zip(JOINT, ends, strict=True)]
    with warnings.catch_warnings():  # a lung that the machine does not reach is what is meant here
        warnings.simplefilter("ignore", vs.errors.CircuitWarning)
        return vs.Circuit(parts={**circuit.parts, **ends}, joints=joints, ventilator=circuit.ventilator)


CURVED = {
    "a": vs.Lung(
        compliance=vs.laws.Sigmoid(vital_capacity=2500.0, inflection_pressure=12.0, width=8.0),
        resistance=vs.laws.Rohrer(linear=5.0, quadratic=6.0),
        chest_wall_compliance=150.0,
    ),
    "b": vs.Lung(compliance=30.0, resistance=10.0, expiratory_resistance=15.0),
}
BREATHING = PASSIVE | {
    "b": PASSIVE["b"].changed({"effort": vs.HalfSineEffort(amplitude=4.0, duration=0.9, rate=17.0, delay=0.4)})
}
HEAVY = LIMBS.changed({"inspiratory_tube": TUBE.changed({"inertia": True})})
PRESSURE = vs.PressureControl(inspiratory_pressure=15.0, rise_time=0.1, **TIMING)
PAUSED = vs.VolumeControl(tidal_volume=800.0, pause_time=0.2, **TIMING)
PROBLEMS = {
    "passive lungs, volume control with a pause": Problem(shared(PASSIVE), PAUSED),
    "effort of the muscles": Problem(shared(BREATHING), PRESSURE),
    "curved lung and chest wall": Problem(shared(CURVED), PRESSURE),
    "leak and inertia": Problem(with_leak(shared(PASSIVE, HEAVY)), PRESSURE),
    "disconnection and reconnection": Problem(shared(PASSIVE), PRESSURE, comes_apart=True),
}


@cache
def ours(name: str) -> tuple[FloatArray, xr.Dataset]:
    """Sample times of a run from rest [s], and the measures of its breaths, from ventsim."""
    problem = PROBLEMS[name]
    changes = [vs.Disconnection(joint=JOINT[1], at=APART, until=TOGETHER)] if problem.comes_apart else []
    waveforms = vs.simulate(
        problem.circuit, problem.settings, duration=BREATHS * problem.settings.period, changes=changes,
        tolerance=TIGHT_TOLERANCE, sample_interval=SAMPLE_INTERVAL,
    )  # fmt: skip
    return np.unique(waveforms.time.values), vs.breath_measures(waveforms)


@cache
def theirs(name: str) -> dict[str, FloatArray]:
    """The same measures from IDA: those of lungs (n_breaths, n_lungs), those of the circuit (n_breaths,)."""
    problem, (times, _) = PROBLEMS[name], ours(name)
    circuit = problem.circuit
    later = [(APART, apart(circuit)), (TOGETHER, circuit)] if problem.comes_apart else []
    return by_ida(circuit, problem.settings, times, later)


def by_ida(
    circuit: vs.Circuit, settings: vs.PressureControl | vs.VolumeControl, times: FloatArray,
    later: list[tuple[float, vs.Circuit]],
) -> dict[str, FloatArray]:  # fmt: skip
    """Measures of the first breaths of a circuit from rest; `later` as of `solve`."""
    period = settings.period
    starts = np.cumsum([0.0, *(one.duration for _ in range(BREATHS) for one in settings.segments())])
    times = np.union1d(times, np.minimum((starts[:-1, None] + EARLY).ravel(), times[-1]))
    waveforms = solve(circuit, settings, times=times, later=later)
    for _ in range(LOOKS):
        times = np.union1d(times, around_peaks(waveforms, times, period * np.arange(BREATHS)))
        waveforms = solve(circuit, settings, times=times, later=later)
    efforts = [lung.effort for lung in circuit.lungs.values()]
    muscles = np.array([0.0 * times if one is None else one.over_time().pressure(times) for one in efforts]).T
    breaths = [
        measured(
            waveforms, times, muscles, k * period, k * period + settings.inspiratory_phase_time, (k + 1) * period
        )
        for k in range(BREATHS)
    ]
    return {name: np.array([breath[name] for breath in breaths]) for name in breaths[0]}


def measured(waveforms: Waveforms, times: FloatArray, muscles: FloatArray, *edges: float) -> dict[str, FloatArray]:
    """The measures of one breath from its start, the start of its expiration and its end [s]."""
    i, j, k = (int(np.argmin(np.abs(times - edge))) for edge in edges)
    seconds = float(times[k] - times[i])
    minutes = seconds / 60.0
    breath = slice(i, k + 1)

    def gained(name: str, last: int = k) -> FloatArray:
        values = getattr(waveforms, name)
        return values[last] - values[i]

    inspired, alveolar = gained("inspired_volume"), waveforms.alveolar_pressure
    return {
        "inspired_tidal_volume": inspired,
        "expired_tidal_volume": gained("expired_volume"),
        "tidal_volume_fraction": inspired / inspired.sum(),
        "minute_volume": inspired / 1000.0 / minutes,
        "mechanical_power": gained("inspiratory_work") / minutes,
        "peak_airway_pressure": highest(waveforms.airway_pressure[breath]),
        "mean_airway_pressure": gained("airway_pressure_integral") / seconds,
        "mean_alveolar_pressure": gained("alveolar_pressure_integral") / seconds,
        "end_inspiratory_alveolar_pressure": alveolar[j],
        "end_expiratory_alveolar_pressure": alveolar[k],
        "driving_pressure": (alveolar + muscles)[j] - (alveolar + muscles)[i],
        "auto_peep": alveolar[k] - TIMING["peep"] - OPENING,
        "peak_inspiratory_flow": np.maximum(highest(waveforms.flow[breath]), 0.0),
        "peak_expiratory_flow": np.maximum(highest(-waveforms.flow[breath]), 0.0),
        "port_delivered_volume": gained("delivered_volume"),
        "port_returned_volume": gained("returned_volume"),
        "leak_volume": gained("leaked_volume"),
        "port_peak_pressure": highest(waveforms.inspiratory_port_pressure[breath][:, None])[0],
        "port_end_inspiratory_pressure": waveforms.inspiratory_port_pressure[j],
        "port_mean_pressure": gained("inspiratory_port_pressure_integral") / seconds,
        "port_peep": waveforms.expiratory_port_pressure[k],
        "lungs_held_volume": gained("volume", j).sum(),
        "compressed_volume": gained("circuit_volume", j),
        "plateau_pressure": waveforms.airway_pressure[j],
        "port_plateau_pressure": waveforms.inspiratory_port_pressure[j],
    }


def highest(values: FloatArray) -> FloatArray:
    """Highest value of each column, whose samples lie close together around it."""
    return values.max(axis=0)


def around_peaks(waveforms: Waveforms, times: FloatArray, starts: FloatArray) -> FloatArray:
    """Times close together around every peak of each breath [s]."""
    signals = np.hstack(
        [waveforms.airway_pressure, waveforms.flow, -waveforms.flow, waveforms.inspiratory_port_pressure[:, None]]
    )
    found = []
    for first, last in pairwise(np.searchsorted(times, [*starts, np.inf])):
        peaks = first + signals[first:last].argmax(axis=0)
        before, after = times[np.maximum(peaks - 1, 0)], times[np.minimum(peaks + 1, len(times) - 1)]
        found.append(np.linspace(before, after, NEAR).ravel())
    return np.concatenate(found)


def compared(name: str) -> list[tuple[str, float]]:
    """Meaning of each measure, and the largest relative difference in any breath and lung."""
    _, measures = ours(name)
    found = []
    for measure, reference in theirs(name).items():
        values = measures[measure]
        # There is no plateau without a pause, and nothing leaks without a hole.
        if np.isfinite(values.values).any() and np.abs(reference).max() > 0.0:
            found.append((values.attrs["long_name"], relative_difference(values.values, reference)))
    return found
