"""Long runs: measures of every breath without keeping the waveforms."""

import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.circuit import Circuit
from ventsim.engine.arrays import Record, new_record, new_run
from ventsim.engine.breathing import run_breaths
from ventsim.engine.notice import CompileNotice
from ventsim.metrics import LUNG_MEASURES, PORT_MEASURES, TIMING, measure_breath
from ventsim.schema import label
from ventsim.simulation.prepare import (
    DEFAULT_SAMPLE_INTERVAL,
    DEFAULT_TOLERANCE,
    Prepared,
    check_number,
    check_sampling,
    prepare,
    raise_on_failure,
    start_pressure,
)
from ventsim.simulation.run import LONGEST_RUN, describe
from ventsim.simulation.signals import (
    body_weights,
    breath_timing,
    held_at,
    lung_signals,
    numerics,
    of_lungs,
    port_signals,
)
from ventsim.ventilator import BreathSettings

FloatArray = NDArray[np.float64]

# Breaths whose waveforms are held at a time.
_CHUNK = 32


def simulate_breaths(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    duration: float = 3600.0,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
    start: xr.Dataset | None = None,
) -> xr.Dataset:
    """Run hours of breaths and return their measures; waveforms are measured and forgotten.

    The numbers are those of ``breath_measures(simulate(...))``: both go through the same definitions.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    duration : float, default 3600
        How long to run; only whole breaths are run. [s]
    sample_interval : float, default 0.01
        Distance of the samples from which peaks are taken. [s]
    tolerance : float, default 5e-7
        Relative error allowed per step of the solver. [1]
    start : xarray.Dataset or None, default None
        Result of an earlier run of a circuit with the same points; its last state is the first one.

    Returns
    -------
    xarray.Dataset
        Measures with dims (breath, lung) and (breath,).

    Raises
    ------
    InputError
        If an argument is out of range, or circuit and settings do not fit together.
    SolverError
        If the solver fails; the message says when and what to do.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> vs.simulate_breaths(circuit, settings, duration=600).sizes["breath"]
    150
    """
    prepared = prepare(circuit, settings, tolerance=tolerance)
    check_sampling(sample_interval, prepared.period)
    check_number("duration", duration, unit="s", low=prepared.period, high=LONGEST_RUN)
    n_breaths = math.floor(duration / prepared.period * (1.0 + 1e-12))
    pressure = start_pressure(prepared, start)
    network, segments = prepared.compiled.network, prepared.segments
    rows = _CHUNK * (math.ceil(prepared.period / sample_interval) + 2 * len(segments) + 2)
    record = new_record(network, rows, every_part=False)
    run = new_run(network, len(segments), pressure, prepared.demands)
    lung_out = np.empty((n_breaths, len(network.lung), len(LUNG_MEASURES)))
    port_out = np.empty((n_breaths, len(PORT_MEASURES)))
    timing = np.stack([breath_timing(prepared, 0, n_breaths)[name] for name in TIMING], axis=-1)
    held = of_lungs(prepared, held_at(prepared, pressure))
    for first in range(0, n_breaths, _CHUNK):
        last = min(first + _CHUNK, n_breaths)
        record.used[0] = 0
        with CompileNotice():
            status = run_breaths(
                network, segments, first, last - first, math.inf, prepared.demands, sample_interval, run, record
            )
        raise_on_failure(status, float(record.time[record.used[0] - 1]))
        _measure(prepared, record, timing[first:last], held, lung_out[first:last], port_out[first:last])
    variables = {name: ("breath", timing[:, k]) for k, name in enumerate(TIMING)}
    variables |= {name: (("breath", "lung"), lung_out[:, :, k]) for k, name in enumerate(LUNG_MEASURES)}
    variables |= {name: ("breath", port_out[:, k]) for k, name in enumerate(PORT_MEASURES)}
    coords = {"breath": np.arange(1, n_breaths + 1), "lung": list(prepared.compiled.lungs)}
    options = {"duration": duration, "sample_interval": sample_interval, "tolerance": tolerance}
    attrs = describe(prepared, options) | numerics(prepared, run, pressure)
    return label(xr.Dataset(variables, coords=coords, attrs=attrs))


def _measure(
    prepared: Prepared,
    record: Record,
    timing: FloatArray,
    held: FloatArray,
    lung_out: FloatArray,
    port_out: FloatArray,
) -> None:
    """Measures of the breaths in the record, written into the two arrays."""
    time = record.time[: record.used[0]]
    lungs, ports = lung_signals(record, held_at_start=held), port_signals(record)
    weights = body_weights(prepared)
    edges = np.append(np.searchsorted(time, timing[:, 0]), time.size)
    for k in range(len(timing)):
        part = slice(edges[k], edges[k + 1])
        measure_breath(time[part], timing[k], lungs[part], ports[part], weights, lung_out[k], port_out[k])
