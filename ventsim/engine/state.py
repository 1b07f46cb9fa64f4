"""The state of a run: from one network to the next while what stores gas keeps its gas, and as a vector.

A change of a part, or of what is joined to what, gives a circuit another network. The gas in every store, the
flow of every mass of gas and the running totals are carried over by name; pressures follow from the gas and what
holds it now.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import NOW, Demands, Run, new_run
from ventsim.engine.elastic import effort_pressure, elastic_pressure
from ventsim.engine.network import CompiledCircuit
from ventsim.errors import SolverError
from ventsim.units import ML_PER_L, FloatArray


def carried_over(
    old: CompiledCircuit, run: Run, new: CompiledCircuit, *, n_segments: int, demands: Demands, time: float
) -> Run:
    """The state of a run in another network of the same lungs.

    Parameters
    ----------
    old : CompiledCircuit
        The network so far.
    run : Run
        Its state.
    new : CompiledCircuit
        The network from now on.
    n_segments : int
        Number of segments in a breath from now on.
    demands : Demands
        Tolerances from now on.
    time : float
        Present time, on which efforts of muscles depend. [s]

    Returns
    -------
    Run
        The state, with the same gas everywhere.

    Raises
    ------
    SolverError
        If a store can no longer hold its gas, or was taken away with gas in it.
    """
    held = _held_by_store(old, run)
    pressure = _pressures(old, run, new, held)
    after = new_run(new.network, n_segments, pressure, demands)
    _set_curved(new, after, held, time)
    _keep_flows(old, run, new, after)
    for total, before in (
        (after.passed, run.passed),
        (after.passed_rest, run.passed_rest),
        (after.lung_sum, run.lung_sum),
        (after.port_sum, run.port_sum),
        (after.counters, run.counters),
        (after.gate_mode, run.gate_mode),
        (after.clock, run.clock),
    ):
        total[...] = before
    kept = min(n_segments, len(run.segment_start))
    after.segment_start[:kept] = run.segment_start[:kept]
    if n_segments == len(run.first_step):
        after.first_step[:] = run.first_step
    _keep_leaks(old, run, new, after)
    return after


def begin_rhythm(run: Run) -> None:
    """Let the breath that is about to start be the first of those that come in equal distances."""
    run.clock["origin"], run.clock["turn"] = run.clock["now"], 0


def _held_by_store(old: CompiledCircuit, run: Run) -> dict[str, float]:
    """Gas in every store above what it holds at rest [L]."""
    node_at = run.node_at[NOW]
    held = {}
    for point, compliance in old.stores.items():
        i = old.points[point]
        held[point] = float(compliance * node_at["pressure"][i] if compliance > 0 else node_at["volume"][i])
    return held


def _composition(compiled: CompiledCircuit) -> dict[int, dict[str, float]]:
    """Stores of every node that has some."""
    found: dict[int, dict[str, float]] = {}
    for point, compliance in compiled.stores.items():
        found.setdefault(compiled.points[point], {})[point] = compliance
    return found


def _pressures(old: CompiledCircuit, run: Run, new: CompiledCircuit, held: dict[str, float]) -> FloatArray:
    """Node pressures of the new network, shape (n_nodes,). [cmH2O]"""
    was = run.node_at[NOW]["pressure"]
    pressure = np.zeros(len(new.network.node))
    # Where nothing holds gas this is only a guess, from which the flows are balanced.
    for point, i in new.points.items():
        if point in old.points:
            pressure[i] = was[old.points[point]]
    before, gas = _composition(old), dict(held)
    for point in held.keys() - new.stores.keys():
        _give_to_neighbour(point, new, gas)
    for i, stores in _composition(new).items():
        some = next(iter(stores))
        if some in old.stores and before[old.points[some]] == stores and all(gas[s] == held[s] for s in stores):
            pressure[i] = was[old.points[some]]  # nothing has changed here: the same to the last bit
            continue
        compliance = sum(stores.values())
        if compliance > 0:
            pressure[i] = sum(gas.get(point, 0.0) for point in stores) / compliance
    return pressure


def _give_to_neighbour(point: str, new: CompiledCircuit, gas: dict[str, float]) -> None:
    """Leave the gas of a store that is no more to another one at the same node."""
    here = new.points.get(point)
    others = [store for store, compliance in new.stores.items() if new.points[store] == here and compliance > 0]
    amount = gas.pop(point)
    if not others:
        raise SolverError(
            f"the change takes away the gas volume at '{point}', which holds {amount * ML_PER_L:.3g} mL, and "
            "nothing beside it could take the gas.\n  Make the volume small instead of 0."
        )
    gas[others[0]] = gas.get(others[0], 0.0) + amount


def _set_curved(new: CompiledCircuit, after: Run, held: dict[str, float], time: float) -> None:
    """Volumes and pressures of curved stores."""
    network = new.network
    for point, compliance in new.stores.items():
        if compliance > 0:
            continue
        i = new.points[point]
        volume = held.get(point, 0.0)
        pressure, _ = elastic_pressure(network.elastic[network.node["elastic"][i]], volume)
        if not np.isfinite(pressure):
            raise SolverError(
                f"'{point}' holds {volume * ML_PER_L:.3g} mL above its relaxation volume, more than its changed "
                "curve of pressure and volume can hold.\n  Let the curve change less, or over some breaths."
            )
        if network.node["effort"][i] >= 0:
            muscles, _ = effort_pressure(network.effort[network.node["effort"][i]], network.effort_points, time)
            pressure -= muscles
        after.node_at["volume"][:, i], after.node_at["pressure"][:, i] = volume, pressure


def _keep_flows(old: CompiledCircuit, run: Run, new: CompiledCircuit, after: Run) -> None:
    """Flows of gas that has inertia, and the side on which each valve stands."""
    place = {name: k for k, name in enumerate(old.branches)}
    for k, name in enumerate(new.branches):
        if name in place:
            after.is_open[k] = run.is_open[place[name]]
            after.branch_at["flow"][NOW, k] = run.branch_at["flow"][NOW, place[name]]


def _keep_leaks(old: CompiledCircuit, run: Run, new: CompiledCircuit, after: Run) -> None:
    """What has leaked to the room, also through openings that are closed now."""

    def leaked(compiled: CompiledCircuit, state: Run) -> float:
        node = compiled.network.node
        return float((node["compliance"] * state.node_at[NOW]["pressure"])[node["outside"]].sum())

    for point, i in new.points.items():
        if new.network.node["outside"][i]:
            same = point in old.points and old.network.node["outside"][old.points[point]]
            after.node_at["pressure"][:, i] = run.node_at[NOW]["pressure"][old.points[point]] if same else 0.0
    after.leaked_before[0] = run.leaked_before[0] + leaked(old, run) - leaked(new, after)


def _state(run: Run) -> list[NDArray[Any]]:
    """Views of all numbers that make up the state of a run."""
    tables = (run.node_at[NOW], run.branch_at[NOW], run.gate_at[NOW], run.lung_sum, run.port_sum, run.clock)
    columns = [table[name] for table in tables for name in table.dtype.names or ()]
    totals = [run.passed, run.passed_rest, run.leaked_before, run.counters]
    return [*columns, *totals, run.is_open, run.gate_mode, run.segment_start, run.first_step]


def state_vector(run: Run) -> FloatArray:
    """The state of a run as numbers, from which `restore` makes the very same state; shape (n,)."""
    return np.concatenate([np.ravel(part).astype(float) for part in _state(run)])


def restore(run: Run, vector: FloatArray) -> None:
    """Put the state that `state_vector` wrote down into a run of the same network, or raise ValueError."""
    parts = _state(run)
    if vector.size != sum(part.size for part in parts):
        raise ValueError("the state belongs to another network")
    first = 0
    for part in parts:
        part[...] = vector[first : first + part.size].reshape(part.shape)
        first += part.size
