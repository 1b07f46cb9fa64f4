"""simulate() and simulate_scenario(): run breaths and label all that was recorded."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import VentsimError
from ventsim.model.changes import AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import Quantity, check
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration
from ventsim.simulation.problem import DEFAULT_SAMPLE_INTERVAL, DEFAULT_TOLERANCE, check_sampling, problem_of
from ventsim.simulation.provenance import describe
from ventsim.simulation.waveforms import Recorded, held_by_node, numerics, timing_of, waveforms_dataset

_SAMPLES = Quantity(unit="samples", meaning="number of samples", at_most=2e7)
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
        Waveforms as the schema describes them, with the numerics in the attributes. Points and paths that are
        there for a time only, such as an open end, are NaN at other times.

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a change is impossible.
    SolverError
        If the solver fails; the message says when and what to do, the attribute ``finished`` holds the waveforms
        of the breaths before.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> waveforms = vs.simulate(circuit, settings, duration=20)
    >>> float(vs.breath_measures(waveforms).inspired_tidal_volume[-1, 0])
    694.75
    """
    check("", {"duration": duration, "ramp_updates": ramp_updates})
    problem = problem_of(circuit, settings, tolerance=tolerance)
    check_sampling(sample_interval, problem.period)
    check(
        "", {"duration / sample_interval": duration / sample_interval}, **{"duration / sample_interval": _SAMPLES}
    )
    schedule = Schedule(circuit, settings, tuple(changes))
    integration = Integration(tolerance=tolerance, sample_interval=sample_interval, start=start, unchanged=circuit)
    blocks = Blocks(schedule, duration, whole=False, keeps=True, updates=int(ramp_updates))
    options = {"duration": duration, "sample_interval": sample_interval, "tolerance": tolerance}
    return record_everything(integration, blocks, describe(circuit, settings, options=options, changes=changes))


def record_everything(integration: Integration, blocks: Blocks, attrs: Mapping[str, Any]) -> xr.Dataset:
    """Run all blocks and return their waveforms.

    Parameters
    ----------
    integration : Integration
        The run, not begun yet.
    blocks : Blocks
        What is to be run.
    attrs : mapping
        Attributes of the result, besides those of its numerics.

    Returns
    -------
    xarray.Dataset
        Waveforms as the schema describes them. A breath that is cut off has the times at which it would have
        ended by time.

    Raises
    ------
    VentsimError
        If the solver fails, or a changed circuit is impossible; the waveforms of the breaths before are in its
        attribute ``finished``.
    """
    recorded: Recorded = []

    def waveforms(timing: NDArray[np.void]) -> xr.Dataset:
        problem, run = integration.problem, integration.run
        return waveforms_dataset(
            recorded,
            held_by_node(problem, run),
            held_at_start=integration.held_at_start,
            timing=timing,
            numbers=np.arange(1, len(timing) + 1),
            attrs={**attrs, **numerics(problem, run, held_at_start=integration.held_at_start)},
        )

    for block in integration.blocks(blocks, longest=_BREATHS_AT_A_TIME):
        try:
            recorded += integration.run_block(block, every_part=True)
        except VentsimError as error:
            if recorded:
                error.finished = waveforms(timing_of(recorded)).assign_attrs(status=f"failed: {error}")
            raise
    unfinished = integration.problem.timing(integration.unfinished())
    return waveforms(np.concatenate([timing_of(recorded), unfinished]))


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
