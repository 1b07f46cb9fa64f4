"""simulate(): run breaths and label all that was recorded."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import InputError, VentsimError
from ventsim.model.changes import AnyChange
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import MOST_SAMPLES, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.quantities import check
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration
from ventsim.simulation.waveforms import Recorded, describe, held_by_node, numerics, timing_of, waveforms_dataset

# Breaths that are run without a chance to stop the run in between.
_BREATHS_AT_A_TIME = 256


@documented
def simulate(
    scenario: Scenario | Circuit,
    settings: BreathSettings | None = None,
    *,
    duration: float | None = None,
    sample_interval: float | None = None,
    tolerance: float | None = None,
    changes: Sequence[AnyChange] | None = None,
    start: xr.Dataset | None = None,
    ramp_updates: int = 1,
) -> xr.Dataset:
    """Run breaths and return the waveforms of every lung, port, point and part.

    The run starts with a breath, everything at PEEP or where `start` ended. Samples do not steer the steps of
    the solver; beside the uniform ones there is one just before and one just after every instant at which the
    source jumps.

    Parameters
    ----------
    scenario
    settings
    duration
    sample_interval
    tolerance
    changes
    start
    ramp_updates

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
    scenario = scenario_of(
        scenario, settings, where="simulate", duration=duration, sample_interval=sample_interval,
        tolerance=tolerance, changes=None if changes is None else tuple(changes),
    )  # fmt: skip
    check("simulate", {"ramp_updates": ramp_updates})
    check_samples(scenario)
    integration = Integration(
        tolerance=scenario.tolerance,
        sample_interval=scenario.sample_interval,
        start=start,
        unchanged=scenario.circuit,
    )
    blocks = Blocks(scenario.schedule, scenario.duration, whole=False, keeps=True, updates=int(ramp_updates))
    return record_everything(integration, blocks, describe(scenario))


def check_samples(scenario: Scenario) -> None:
    """Refuse more samples of waveforms than fit into memory."""
    count = scenario.duration / scenario.sample_interval
    if count > MOST_SAMPLES:
        raise InputError(
            f"simulate: duration {scenario.duration:.6g} s makes {count:.3g} samples.\n"
            f"  Allowed: at most {MOST_SAMPLES:.0e}. Raise sample_interval, or use simulate_long, which keeps the "
            "waveforms that are asked for."
        )


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
