"""simulate() and steady_breath(): compile, integrate, label."""

import math
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.circuit import Circuit
from ventsim.engine.arrays import Record, Run, new_record, new_run
from ventsim.engine.breathing import run_breaths
from ventsim.engine.notice import CompileNotice
from ventsim.engine.steady import find_steady_start
from ventsim.errors import InputError, SolverError
from ventsim.parts import PART_KINDS
from ventsim.scenario import CANNOT_REPEAT, Scenario
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
from ventsim.simulation.signals import numerics, waves_dataset
from ventsim.ventilator import BreathSettings

FloatArray = NDArray[np.float64]

LONGEST_RUN = 1e7
_MOST_SAMPLES = 20_000_000
_MOST_STEADY_BREATHS = 2000
_SAME_RHYTHM = 1e-9


def simulate(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    duration: float = 60.0,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
    start: xr.Dataset | None = None,
) -> xr.Dataset:
    """Run breaths and return the waveforms of every lung, port, point and part.

    The run starts with a breath, everything at PEEP or where `start` ended. Samples do not steer the steps of
    the solver; beside the uniform ones there is one just before and one just after every instant at which the
    source jumps.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    duration : float, default 60
        How long to run. A breath that is not over by then is cut off. [s]
    sample_interval : float, default 0.01
        Distance of samples. [s]
    tolerance : float, default 5e-7
        Relative error allowed per step of the solver. [1]
    start : xarray.Dataset or None, default None
        Result of an earlier run of a circuit with the same points; its last state is the first one.

    Returns
    -------
    xarray.Dataset
        Waves as the schema describes them, with the numerics in the attributes.

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
    >>> waves = vs.simulate(circuit, settings, duration=20)
    >>> float(vs.breath_measures(waves).inspired_tidal_volume[-1, 0])
    694.75
    """
    check_number("duration", duration, unit="s", low=1e-3, high=LONGEST_RUN)
    prepared = prepare(circuit, settings, tolerance=tolerance)
    check_sampling(sample_interval, prepared.period)
    check_number(
        "duration / sample_interval", duration / sample_interval, unit="samples", low=0, high=_MOST_SAMPLES
    )
    pressure = start_pressure(prepared, start)
    n_breaths = max(math.ceil(duration / prepared.period - 1e-9), 1)
    record, run = run_and_record(prepared, pressure, n_breaths, duration=duration, sample_interval=sample_interval)
    options = {"duration": duration, "sample_interval": sample_interval, "tolerance": tolerance}
    attrs = describe(prepared, options) | numerics(prepared, run, pressure)
    return waves_dataset(prepared, record, run, start=pressure, n_breaths=n_breaths, attrs=attrs)


def simulate_scenario(scenario: Scenario) -> xr.Dataset:
    """Run a scenario and return its waveforms.

    Parameters
    ----------
    scenario : Scenario
        Circuit, breath settings and run options.

    Returns
    -------
    xarray.Dataset
        As of :func:`simulate`, with the title and text of the scenario in the attributes.

    Raises
    ------
    InputError
        If circuit and settings do not fit together.
    SolverError
        If the solver fails; the message says when and what to do.

    Examples
    --------
    >>> from ventsim.scenario import builtin
    >>> simulate_scenario(builtin("two-unequal-lungs")).sizes["lung"]
    2
    """
    waves = simulate(
        scenario.circuit,
        scenario.settings,
        duration=scenario.duration,
        sample_interval=scenario.sample_interval,
        tolerance=scenario.tolerance,
    )
    return waves.assign_attrs(title=scenario.title, scenario=scenario.to_toml())


def run_and_record(
    prepared: Prepared, pressure: FloatArray, n_breaths: int, *, duration: float, sample_interval: float
) -> tuple[Record, Run]:
    """Run breaths from the given pressures and record every part; raise if the solver fails."""
    segments = prepared.segments
    rows = math.ceil(duration / sample_interval) + 2 * len(segments) * n_breaths + 2
    network = prepared.compiled.network
    record = new_record(network, rows, every_part=True)
    run = new_run(network, len(segments), pressure, prepared.demands)
    # A run of whole breaths ends with its last segment, whatever rounding made of the duration.
    whole = abs(duration - n_breaths * prepared.period) <= 1e-9 * prepared.period
    stop = math.inf if whole else duration
    with CompileNotice():
        status = run_breaths(network, segments, 0, n_breaths, stop, prepared.demands, sample_interval, run, record)
    raise_on_failure(status, float(record.time[record.used[0] - 1]))
    return record, run


def steady_breath(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
) -> xr.Dataset:
    """The breath that repeats itself, found directly instead of by waiting.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    sample_interval : float, default 0.01
        Distance of samples. [s]
    tolerance : float, default 5e-7
        Relative error allowed per step of the solver; the start of the breath is found to a tenth of it. [1]

    Returns
    -------
    xarray.Dataset
        Waves of one breath from time 0. The attributes say how the start was found (``steady_method``, shooting
        or repetition), after how many breaths, and how much the pressures still changed over the breath.

    Raises
    ------
    InputError
        If an argument is out of range, or circuit and settings do not fit together.
    SolverError
        If the solver fails, or no steady breath is found.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> breath = vs.breath_measures(vs.steady_breath(circuit, settings))
    >>> float(breath.auto_peep[0, 0])
    0.0674
    """
    prepared = prepare(circuit, settings, tolerance=tolerance)
    check_sampling(sample_interval, prepared.period)
    _check_efforts(prepared)
    enough = max(0.1 * tolerance, 1e-11)
    with CompileNotice():
        found = find_steady_start(
            prepared.compiled.network, prepared.segments, prepared.resting_pressure(), prepared.demands,
            tolerance=enough, most_breaths=_MOST_STEADY_BREATHS,
        )  # fmt: skip
    raise_on_failure(found.status, found.breaths * prepared.period)
    if not found.residual <= 100.0 * enough:
        raise SolverError(
            f"no steady breath: after {found.breaths} breaths pressures still change by "
            f"{found.residual:.3g} cmH2O from breath to breath (allowed: {enough:.1g}).\n"
            "  Look at the approach with simulate(), or allow a larger tolerance."
        )
    record, run = run_and_record(
        prepared, found.pressure, 1, duration=prepared.period, sample_interval=sample_interval
    )
    options = {"duration": prepared.period, "sample_interval": sample_interval, "tolerance": tolerance}
    attrs = describe(prepared, options) | {
        "steady_method": found.method,
        "steady_breaths": found.breaths,
        "steady_residual_cmH2O": found.residual,
    }
    attrs |= numerics(prepared, run, found.pressure)
    return waves_dataset(prepared, record, run, start=found.pressure, n_breaths=1, attrs=attrs)


def _check_efforts(prepared: Prepared) -> None:
    """Refuse efforts that do not repeat with the breath: then no breath repeats itself."""
    for period in prepared.compiled.network.effort["period"]:
        turns = prepared.period / float(period)
        if not (turns > 0.5 and abs(turns - round(turns)) < _SAME_RHYTHM):
            raise InputError(
                f"no breath repeats itself: an effort comes every {float(period):.6g} s, a breath of the "
                f"ventilator every {prepared.period:.6g} s.\n"
                "  Make the rate of the effort that of the ventilator or a multiple of it, or use simulate()."
            )


def describe(prepared: Prepared, options: Mapping[str, float]) -> dict[str, Any]:
    """Attributes that say what was run and by what, with the scenario as text, so that it can be run again."""
    title = f"{len(prepared.compiled.lungs)} lungs, {prepared.settings.kind}"
    return {
        "title": title,
        "source": f"ventsim {version('ventsim')}",
        "caution": "For research, teaching and engineering; not for deciding about a patient.",
        "scenario": _scenario_text(prepared, title, options),
        "sample_interval_s": options["sample_interval"],
    }


def _scenario_text(prepared: Prepared, title: str, options: Mapping[str, float]) -> str:
    """The scenario as TOML; or, where parts are of the user's own making, a remark that says so."""
    own = [name for name, part in prepared.circuit.parts.items() if type(part) not in PART_KINDS.values()]
    if own:
        return f"{CANNOT_REPEAT}'{own[0]}' is a part of the user's own making.\n"
    return Scenario(title=title, plan=prepared.circuit, settings=prepared.settings, **options).to_toml()
