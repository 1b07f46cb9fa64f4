"""simulate() and simulate_scenario(): run breaths and label all that was recorded."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import Record
from ventsim.errors import VentsimError
from ventsim.model.changes import AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.simulation.course import Course
from ventsim.simulation.prepare import (
    DEFAULT_SAMPLE_INTERVAL,
    DEFAULT_TOLERANCE,
    LONGEST_RUN,
    MOST_UPDATES,
    Prepared,
    check_number,
    check_sampling,
    prepare,
)
from ventsim.simulation.provenance import describe
from ventsim.simulation.runner import Runner
from ventsim.simulation.signals import held_by_node, numerics, waveforms_dataset

_MOST_SAMPLES = 20_000_000
# Breaths that are run without a chance to stop the run in between.
_BREATHS_AT_A_TIME = 256


def simulate(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    duration: float = 60.0,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
    start: xr.Dataset | None = None,
    changes: Sequence[AnyChange] = (),
    ramp_updates: int = 1,
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
    changes : sequence of Change, Disconnection, LungRemoval, Clamp or LeakOnset, default ()
        What changes while the run goes on. Parts change at the very instant, settings with the next breath; gas
        stays where it is, also when what holds it changes.
    ramp_updates : int, default 1
        How often in a breath a part that ramps is set anew, to its value in the middle until the next time. [1]

    Returns
    -------
    xarray.Dataset
        Waveforms as the schema describes them, with the numerics in the attributes. Points and paths that are there
        for a time only, such as an open end, are NaN at other times.

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a change is impossible.
    SolverError
        If the solver fails; the message says when and what to do, the attribute ``finished`` holds the waveforms of
        the breaths before.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> waveforms = vs.simulate(circuit, settings, duration=20)
    >>> float(vs.breath_measures(waveforms).inspired_tidal_volume[-1, 0])
    694.75
    """
    check_number("duration", duration, unit="s", low=1e-3, high=LONGEST_RUN)
    prepared = prepare(circuit, settings, tolerance=tolerance)
    check_sampling(sample_interval, prepared.period)
    check_number(
        "duration / sample_interval", duration / sample_interval, unit="samples", low=0, high=_MOST_SAMPLES
    )
    check_number("ramp_updates", ramp_updates, unit="per breath", low=1, high=MOST_UPDATES)
    schedule = Schedule(circuit, settings, tuple(changes))
    runner = Runner(tolerance=tolerance, sample_interval=sample_interval, start=start, unchanged=circuit)
    course = Course(schedule, duration, whole=False, keeps=True, updates=int(ramp_updates))
    options = {"duration": duration, "sample_interval": sample_interval, "tolerance": tolerance}
    return record_everything(runner, course, describe(circuit, settings, options=options, changes=changes))


def record_everything(runner: Runner, course: Course, attrs: Mapping[str, Any]) -> xr.Dataset:
    """Run a course and return all its waveforms.

    Parameters
    ----------
    runner : Runner
        The run, not begun yet.
    course : Course
        What is to be run.
    attrs : mapping
        Attributes of the result, besides those of its numerics.

    Returns
    -------
    xarray.Dataset
        Waveforms as the schema describes them.

    Raises
    ------
    VentsimError
        If the solver fails, or a changed circuit is impossible; the waveforms of the breaths before are in its
        attribute ``finished``.
    """
    recorded: list[tuple[Prepared, Record]] = []
    timing: list[NDArray[np.void]] = []

    def waveforms() -> xr.Dataset:
        return waveforms_dataset(
            recorded,
            held_by_node(runner.prepared, runner.run),
            held_at_start=runner.held_at_start,
            timing=np.concatenate(timing),
            numbers=np.arange(1, sum(map(len, timing)) + 1),
            attrs={**attrs, **numerics(runner.prepared, runner.run, held_at_start=runner.held_at_start)},
        )

    for block in course.blocks(longest=_BREATHS_AT_A_TIME):
        try:
            parts = runner.run_block(block, every_part=True)
        except VentsimError as error:
            error.finished = waveforms().assign_attrs(status=f"failed: {error}") if recorded else None
            raise
        recorded += parts
        timing.append(block.timing)
    return waveforms()


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
    >>> from ventsim.model.scenario import builtin
    >>> simulate_scenario(builtin("two-unequal-lungs")).sizes["lung"]
    2
    """
    waveforms = simulate(
        scenario.circuit,
        scenario.settings,
        duration=scenario.duration,
        sample_interval=scenario.sample_interval,
        tolerance=scenario.tolerance,
        changes=scenario.changes,
    )
    return waveforms.assign_attrs(title=scenario.title, scenario=scenario.to_toml())
