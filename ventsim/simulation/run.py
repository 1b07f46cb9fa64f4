"""simulate(): run breaths and label all that was recorded, in units of the trade and names of the schema."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import EXHALATION, RELIEF, SOURCE
from ventsim.errors import InputError, PlausibilityWarning, ScenarioError, VentsimError, warn_caller
from ventsim.model.changes import AnyChange
from ventsim.model.scenario import CANNOT_REPEAT, MOST_SAMPLES, UNTITLED, AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import check
from ventsim.results.kernel import LUNG_SIGNALS, PORT_SIGNALS, Measures, Samples, measured, variables_of
from ventsim.results.points import points_of_nodes
from ventsim.results.schema import ORIGIN, VARIABLES, label
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration, Problem, Recorded
from ventsim.units import CMH2O_L_J, ML_PER_L, FloatArray

# Breaths that are run without a chance to stop the run in between.
_BREATHS_AT_A_TIME = 32

# Memory from which a run says what it will take [GB]; how often its samples are there at the end (measured).
_WORTH_SAYING, _COPIES = 1.0, 1.7

# From the units of the engine (L, and cmH2O·L for work) to those of the schema.
_FACTORS = {"mL": ML_PER_L, "J": CMH2O_L_J}

# In the order of the counters of the engine.
_COUNTERS = ("steps", "rejected_steps", "steps_cut_at_valves", "restarts")


@public
def simulate(
    scenario: AnyScenario,
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
    count = scenario.duration / scenario.sample_interval
    if count > MOST_SAMPLES:  # more than fit into memory
        raise InputError(
            f"simulate: duration {scenario.duration:.6g} s makes {count:.3g} samples.\n"
            f"  Allowed: at most {MOST_SAMPLES:.0e}. Raise sample_interval, or use simulate_long, which keeps the "
            "waveforms that are asked for."
        )
    _warn_of_size(scenario)
    integration = Integration(scenario, start=start, unchanged=scenario.circuit)
    blocks = Blocks(scenario.schedule, scenario.duration, whole=False, updates=int(ramp_updates))
    return record_everything(integration, blocks, describe(scenario))


def _warn_of_size(scenario: Scenario) -> None:
    """Say what a run will take of memory, if it is much."""
    circuit, count = scenario.circuit, scenario.duration / scenario.sample_interval
    # Pressures of points and flows through parts, about 0.6 for each port, besides lungs and ports.
    ports = sum(len(part.ports) for part in circuit.parts.values())
    values = 0.6 * ports + len(LUNG_SIGNALS.names or ()) * len(circuit.lungs) + len(PORT_SIGNALS.names or ()) + 1
    if (needed := _COPIES * 8e-9 * count * values) > _WORTH_SAYING:
        text = f"simulate: {count:.3g} samples take about {needed:.2g} GB of memory."
        remedy = "Raise sample_interval, or use simulate_long, which keeps the waveforms that are asked for."
        warn_caller(PlausibilityWarning(f"{text}\n  {remedy}"))


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
        numbers, found = np.arange(1, len(timing) + 1), {**attrs, **numerics(integration)}
        final, held = integration.held_by_node(), integration.held_at_start
        return waveforms_dataset(recorded, final, held_at_start=held, timing=timing, numbers=numbers, attrs=found)

    for block in integration.blocks(blocks, longest=_BREATHS_AT_A_TIME):
        try:
            recorded += integration.run_block(block)
        except VentsimError as error:
            if recorded:
                error.finished = waveforms(timing_of(recorded)).assign_attrs(status=f"failed: {error}")
            raise
    unfinished = integration.problem.timing(integration.unfinished())
    return waveforms(np.concatenate([timing_of(recorded), unfinished]))


def samples_of(recorded: Recorded, *, held_at_start: FloatArray) -> Samples:
    """Waveforms of lungs and ports that were recorded in some pieces, one after the other.

    `held_at_start`, shape (n_lungs + 1,) [mL], is as of `Integration.held` when the running integrals were 0.
    """
    records = [record for _, record in recorded]
    lungs = _in_units(_in_turn([record.lung[: record.used[0]] for record in records]), LUNG_SIGNALS)
    lungs["expired_volume"] = lungs["inspired_volume"] - (lungs["volume"] - held_at_start[:-1])
    ports = _in_units(_in_turn([record.port[: record.used[0]] for record in records]), PORT_SIGNALS)
    return Samples(_in_turn([record.time[: record.used[0]] for record in records]), lungs, ports)


def timing_of(recorded: Recorded) -> NDArray[np.void]:
    """Times of the breaths that ended in some pieces, shape (n_breaths,) of `TIMING`."""
    return _in_turn([problem.timing(record.phase[: record.n_breaths[0]]) for problem, record in recorded])


def at_equilibrium_of(recorded: Recorded) -> NDArray[np.void]:
    """What lungs would come to in endless expirations, shape (n_breaths, n_lungs) of `AT_EQUILIBRIUM`."""
    return _in_turn([np.tile(problem.at_equilibrium, (record.n_breaths[0], 1)) for problem, record in recorded])


def _in_units(samples: NDArray[np.void], signals: np.dtype[np.void]) -> NDArray[np.void]:
    """Samples of the engine in the units of the schema; what the engine does not have stays 0."""
    found = np.zeros(samples.shape, signals)
    for name in samples.dtype.names or ():
        np.multiply(samples[name], _FACTORS.get(VARIABLES[name].units, 1.0), out=found[name])
    return found


def _in_turn(parts: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Arrays one after the other; a single one, as most of the time, is not copied."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def body_weights(problem: Problem) -> FloatArray:
    """Body weight of each lung's patient, NaN where unknown, shape (n_lungs,). [kg]"""
    weights = [lung.predicted_body_weight for lung in problem.circuit.lungs.values()]
    return np.array([np.nan if weight is None else weight for weight in weights])


def measures_of(recorded: Recorded, *, held_at_start: FloatArray) -> Measures:
    """Measures of the breaths that ended in some pieces."""
    samples = samples_of(recorded, held_at_start=held_at_start)
    known = at_equilibrium_of(recorded)
    return measured(samples, timing_of(recorded), body_weights(recorded[-1][0]), at_equilibrium=known)


def waveforms_dataset(
    recorded: Recorded, final: Mapping[str, float], *, held_at_start: FloatArray,
    timing: NDArray[np.void], numbers: NDArray[np.int64], attrs: Mapping[str, Any],
) -> xr.Dataset:  # fmt: skip
    """Everything that was recorded as a labelled Dataset.

    Where the circuit changed, points and paths that were there at some time only are NaN at other times.

    Parameters
    ----------
    recorded : list of (Problem, Record)
        What was recorded in each piece, one after the other.
    final : mapping of str to float
        As of `Integration.held_by_node` at the end. [mL]
    held_at_start : array of shape (n_lungs + 1,)
        As of `Integration.held` when the running integrals were 0. [mL]
    timing : array of shape (n_breaths,)
        Records of `TIMING`. [s, and cmH2O for PEEP]
    numbers : array of shape (n_breaths,)
        Numbers of the breaths. [1]
    attrs : mapping
        Attributes of the Dataset.
    """
    last = recorded[-1][0]
    # Of a breath that is cut off, too.
    at_equilibrium = np.concatenate([at_equilibrium_of(recorded), last.at_equilibrium[None]])[: len(timing)]
    samples = samples_of(recorded, held_at_start=held_at_start)
    nodes, node_pressure = _by_name([(p.compiled.nodes, r.node_pressure[: r.used[0]]) for p, r in recorded])
    branches, branch_flow = _by_name([(p.compiled.branches, r.branch_flow[: r.used[0]]) for p, r in recorded])
    variables: dict[str, Any] = {
        **variables_of(samples.lungs, "time", "lung"),
        **variables_of(samples.ports, "time"),
        **variables_of(timing, "breath"),
        **variables_of(at_equilibrium, "breath", "lung"),
        "node_pressure": (("time", "node"), node_pressure),
        "branch_flow": (("time", "branch"), branch_flow),
        "predicted_body_weight": ("lung", body_weights(last)),
        "final_volume": ("node", np.array([final.get(name, np.nan) for name in nodes])),
    }
    coords = {
        "time": samples.time,
        "lung": list(last.compiled.lungs),
        "node": nodes,
        "points": ("node", points_of_nodes(nodes, _node_of_points(recorded))),
        "branch": branches,
        "breath": numbers,
    }
    # Of which sample the gas held in the nodes is, so that another cannot be taken for it.
    state = {"state_time_s": float(samples.time[-1])}
    return label(xr.Dataset(variables, coords=coords, attrs={**attrs, **state}))


def _node_of_points(recorded: Recorded) -> dict[str, str]:
    """The node of each point, that of the last piece in which it was there."""
    compiled = [problem.compiled for problem, _ in recorded]
    return {point: one.nodes[i] for one in compiled for point, i in one.points.items()}


def _by_name(parts: Sequence[tuple[tuple[str, ...], FloatArray]]) -> tuple[list[str], FloatArray]:
    """Columns of all pieces by name, NaN where a piece has none of that name."""
    if len(parts) == 1:
        return list(parts[0][0]), parts[0][1]
    frame = pd.concat([pd.DataFrame(columns, columns=list(names)) for names, columns in parts])
    return list(frame.columns), np.ascontiguousarray(frame)


def numerics(integration: Integration) -> dict[str, Any]:
    """Attributes that record how the numbers came about: tolerances, counts and the balance of gas."""
    problem, run = integration.problem, integration.run
    stored = float(integration.held()[-1] - integration.held_at_start[-1])
    delivered = float(run.passed[SOURCE] - run.passed[RELIEF])
    passed = (delivered - float(run.passed[EXHALATION]) - float(run.leaked_before[0])) * ML_PER_L
    return {
        "method": "Rosenbrock (RODAS), order 4",
        "relative_tolerance": problem.demands.relative,
        "absolute_tolerance_cmH2O": problem.demands.absolute,
        "flow_table_error": problem.compiled.table_error,
        **dict(zip(_COUNTERS, run.counters.tolist(), strict=True)),
        "volume_balance_residual_mL": passed - stored,
        "status": "finished",
    }


def describe(scenario: Scenario) -> dict[str, Any]:
    """Attributes of a result, with the scenario as text, so that it can be run again."""
    title = scenario.title
    if title == UNTITLED:
        title = f"{len(scenario.circuit.lungs)} lungs, {scenario.settings.kind}"
        scenario = scenario.changed(title=title)
    try:
        text = scenario.to_toml()
    except ScenarioError as error:
        text = f"{CANNOT_REPEAT}{str(error).splitlines()[0]}\n"
    return {"title": title, **ORIGIN, "scenario": text, "sample_interval_s": scenario.sample_interval}
