"""From the engine's record to labelled results: units of the trade, names of the schema."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import (
    AIRWAY_INTEGRAL,
    ALVEOLAR_INTEGRAL,
    EXHALATION,
    INSPIRED,
    NOW,
    REJECTED,
    RELIEF,
    SETTLINGS,
    SOURCE,
    STEPS,
    SWITCHES,
    WORK,
    Record,
    Run,
    stored_volume,
)
from ventsim.results.measures import LUNG_SIGNALS, PORT_SIGNALS, TIMING
from ventsim.results.schema import label
from ventsim.simulation.prepare import Prepared
from ventsim.units import CMH2O_L_J, ML_PER_L

FloatArray = NDArray[np.float64]

_COUNTER_NAMES = {
    STEPS: "steps",
    REJECTED: "rejected_steps",
    SWITCHES: "steps_cut_at_valves",
    SETTLINGS: "restarts",
}


def lung_signals(record: Record, *, held_at_start: FloatArray) -> FloatArray:
    """Waveforms of the lungs, shape (n, n_lungs, 9) in the order of `LUNG_SIGNALS`.

    `held_at_start`, shape (n_lungs + 1,) [mL], is as of `held_now` when the running integrals were 0.
    """
    n = record.used[0]
    wave, total = record.lung_wave[:n], record.lung_sum[:n]
    volume = wave[:, :, 3] * ML_PER_L
    inspired = total[:, :, INSPIRED] * ML_PER_L
    columns = {
        "airway_pressure": wave[:, :, 0],
        "alveolar_pressure": wave[:, :, 1],
        "flow": wave[:, :, 2],
        "volume": volume,
        "inspired_volume": inspired,
        "expired_volume": inspired - (volume - held_at_start[:-1]),
        "airway_pressure_integral": total[:, :, AIRWAY_INTEGRAL],
        "alveolar_pressure_integral": total[:, :, ALVEOLAR_INTEGRAL],
        "inspiratory_work": total[:, :, WORK] * CMH2O_L_J,
    }
    return np.stack([columns[name] for name in LUNG_SIGNALS], axis=-1)


def port_signals(record: Record) -> FloatArray:
    """Waveforms of the ventilator's ports, shape (n, 8) in the order of `PORT_SIGNALS`."""
    n = record.used[0]
    passed = record.passed[:n] * ML_PER_L
    columns = {
        "inspiratory_port_pressure": record.port_pressure[:n, 0],
        "expiratory_port_pressure": record.port_pressure[:n, 1],
        "delivered_volume": passed[:, SOURCE] - passed[:, RELIEF],
        "returned_volume": passed[:, EXHALATION],
        "relief_volume": passed[:, RELIEF],
        "inspiratory_port_pressure_integral": record.port_sum[:n],
        "circuit_volume": record.circuit_volume[:n] * ML_PER_L,
        "leaked_volume": record.leaked[:n] * ML_PER_L,
    }
    return np.stack([columns[name] for name in PORT_SIGNALS], axis=-1)


def held_now(prepared: Prepared, run: Run) -> FloatArray:
    """Gas held by each lung above its relaxed volume, and then by everything, shape (n_lungs + 1,). [mL]"""
    network = prepared.compiled.network
    held = stored_volume(network, run.node_at[NOW]) * ML_PER_L
    lungs = np.add.reduceat(held[network.compartment["node"]], network.lung["first"])
    return np.append(lungs, held.sum())


def held_by_node(prepared: Prepared, run: Run) -> dict[str, float]:
    """Gas held by each node that can hold some, by its name. [mL]"""
    network = prepared.compiled.network
    held = stored_volume(network, run.node_at[NOW]) * ML_PER_L
    stores = network.node["compliance"] > 0
    return {
        name: float(volume)
        for name, volume, can_hold in zip(prepared.compiled.nodes, held, stores, strict=True)
        if can_hold
    }


def body_weights(prepared: Prepared) -> FloatArray:
    """Body weight of each lung's patient, NaN where unknown, shape (n_lungs,). [kg]"""
    weights = [lung.predicted_body_weight for lung in prepared.circuit.lungs.values()]
    return np.array([np.nan if weight is None else weight for weight in weights])


def waveforms_dataset(
    recorded: Sequence[tuple[Prepared, Record]], final: Mapping[str, float], *, held_at_start: FloatArray,
    timing: FloatArray, numbers: NDArray[np.int64], attrs: Mapping[str, Any],
) -> xr.Dataset:  # fmt: skip
    """Everything that was recorded as a labelled Dataset.

    Where the circuit changed, points and paths that were there at some time only are NaN at other times.

    Parameters
    ----------
    recorded : sequence of (Prepared, Record)
        What was recorded in each piece, one after the other.
    final : mapping of str to float
        As of `held_by_node` at the end. [mL]
    held_at_start : array of shape (n_lungs + 1,)
        As of `held_now` when the running integrals were 0. [mL]
    timing : array of shape (n_breaths, 5)
        Times of the breaths and set PEEP in the order of `TIMING`. [s, and cmH2O for PEEP]
    numbers : array of shape (n_breaths,)
        Numbers of the breaths. [1]
    attrs : mapping
        Attributes of the Dataset.
    """
    last = recorded[-1][0]
    lungs = np.concatenate([lung_signals(record, held_at_start=held_at_start) for _, record in recorded])
    ports = np.concatenate([port_signals(record) for _, record in recorded])
    gates = np.concatenate([record.gate_flow[: record.used[0]] for _, record in recorded])
    nodes, node_pressure = _by_name([(p.compiled.nodes, record.node_pressure, record) for p, record in recorded])
    branches, branch_flow = _by_name([(p.compiled.branches, record.branch_flow, record) for p, record in recorded])
    variables: dict[str, Any] = {name: (("time", "lung"), lungs[:, :, k]) for k, name in enumerate(LUNG_SIGNALS)}
    variables |= {name: ("time", ports[:, k]) for k, name in enumerate(PORT_SIGNALS)}
    variables |= {
        "inspiratory_port_flow": ("time", gates[:, SOURCE] - gates[:, RELIEF]),
        "expiratory_port_flow": ("time", gates[:, EXHALATION]),
        "node_pressure": (("time", "node"), node_pressure),
        "branch_flow": (("time", "branch"), branch_flow),
        "predicted_body_weight": ("lung", body_weights(last)),
        "final_volume": ("node", np.array([final.get(name, np.nan) for name in nodes])),
    }
    variables |= {name: ("breath", timing[:, k]) for k, name in enumerate(TIMING)}
    coords = {
        "time": np.concatenate([record.time[: record.used[0]] for _, record in recorded]),
        "lung": list(last.compiled.lungs),
        "node": nodes,
        "branch": branches,
        "breath": numbers,
    }
    return label(xr.Dataset(variables, coords=coords, attrs=dict(attrs)))


def _by_name(parts: Sequence[tuple[tuple[str, ...], FloatArray, Record]]) -> tuple[list[str], FloatArray]:
    """Columns of all pieces by name, NaN where a piece has none of that name."""
    names = list(dict.fromkeys(name for part, _, _ in parts for name in part))
    if len(parts) == 1:
        return names, parts[0][1][: parts[0][2].used[0]]
    place = {name: k for k, name in enumerate(names)}
    values = np.full((sum(int(record.used[0]) for _, _, record in parts), len(names)), np.nan)
    row = 0
    for part, columns, record in parts:
        used = int(record.used[0])
        values[row : row + used, [place[name] for name in part]] = columns[:used]
        row += used
    return names, values


def numerics(prepared: Prepared, run: Run, *, held_at_start: FloatArray) -> dict[str, Any]:
    """Attributes that record how the numbers came about: tolerances, counts and the balance of gas.

    `held_at_start`, shape (n_lungs + 1,) [mL], is as of `held_now` at the start of the run.
    """
    stored = float(held_now(prepared, run)[-1] - held_at_start[-1])
    delivered = float(run.passed[SOURCE] - run.passed[RELIEF])
    passed = (delivered - float(run.passed[EXHALATION]) - float(run.leaked_before[0])) * ML_PER_L
    return {
        "method": "Rosenbrock (RODAS), order 4",
        "relative_tolerance": prepared.demands.relative,
        "absolute_tolerance_cmH2O": prepared.demands.absolute,
        "flow_table_error": prepared.compiled.table_error,
        **{name: int(run.counters[entry]) for entry, name in _COUNTER_NAMES.items()},
        "volume_balance_residual_mL": passed - stored,
        "status": "finished",
    }
