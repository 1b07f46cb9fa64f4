"""From the engine's record to labelled results: units of the trade, names of the schema."""

from collections.abc import Mapping
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
    new_run,
    stored_volume,
)
from ventsim.metrics import LUNG_SIGNALS, PORT_SIGNALS
from ventsim.schema import label
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

    `held_at_start`, shape (n_lungs,) [mL], is what the lungs held when the running integrals were 0.
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
        "expired_volume": inspired - (volume - held_at_start),
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


def breath_timing(prepared: Prepared, first_breath: int, n_breaths: int) -> dict[str, FloatArray]:
    """Instants of breaths counted from 0, and set PEEP: arrays of shape (n_breaths,)."""
    starts = (first_breath + np.arange(n_breaths)) * prepared.period
    phases = [segment.phase for segment in prepared.settings.segments()]
    # Durations are added up as the engine does it, so that both arrive at the same numbers to the last bit.
    offset, flow_end, inspiration_end = 0.0, 0.0, 0.0
    for segment, phase in zip(prepared.segments, phases, strict=True):
        offset += float(segment["duration"])
        if phase == "inspiration":
            flow_end = offset
        if phase != "expiration":
            inspiration_end = offset
    ends = (first_breath + np.arange(n_breaths) + 1) * prepared.period
    peep = np.full(n_breaths, float(prepared.settings.peep))
    return {
        "breath_start": starts,
        "flow_end": starts + flow_end,
        "inspiration_end": starts + inspiration_end,
        "breath_end": ends,
        "set_peep": peep,
    }


def held_at(prepared: Prepared, pressure: FloatArray) -> FloatArray:
    """Gas held by every node when a run sets out from given node pressures, shape (n_nodes,). [mL]"""
    network = prepared.compiled.network
    run = new_run(network, len(prepared.segments), pressure, prepared.demands)
    return stored_volume(network, run.node_at[NOW]) * ML_PER_L


def of_lungs(prepared: Prepared, held: FloatArray) -> FloatArray:
    """Volume of each lung above its relaxed volume from what the nodes hold, shape (n_lungs,). [mL]"""
    network = prepared.compiled.network
    return np.add.reduceat(held[network.compartment["node"]], network.lung["first"])


def body_weights(prepared: Prepared) -> FloatArray:
    """Body weight of each lung's patient, NaN where unknown, shape (n_lungs,). [kg]"""
    weights = [lung.body_weight for lung in prepared.circuit.lungs.values()]
    return np.array([np.nan if weight is None else weight for weight in weights])


def waves_dataset(
    prepared: Prepared, record: Record, run: Run, *, start: FloatArray, n_breaths: int, attrs: Mapping[str, Any]
) -> xr.Dataset:
    """Everything that was recorded as a labelled Dataset."""
    n, compiled = record.used[0], prepared.compiled
    lungs = lung_signals(record, held_at_start=of_lungs(prepared, held_at(prepared, start)))
    ports = port_signals(record)
    held = stored_volume(compiled.network, run.node_at[NOW]) * ML_PER_L
    final = np.where(compiled.network.node["compliance"] > 0, held, np.nan)
    variables: dict[str, Any] = {name: (("time", "lung"), lungs[:, :, k]) for k, name in enumerate(LUNG_SIGNALS)}
    variables |= {name: ("time", ports[:, k]) for k, name in enumerate(PORT_SIGNALS)}
    variables |= {
        "inspiratory_port_flow": ("time", record.gate_flow[:n, SOURCE] - record.gate_flow[:n, RELIEF]),
        "expiratory_port_flow": ("time", record.gate_flow[:n, EXHALATION]),
        "node_pressure": (("time", "node"), record.node_pressure[:n]),
        "branch_flow": (("time", "branch"), record.branch_flow[:n]),
        "body_weight": ("lung", body_weights(prepared)),
        "final_volume": ("node", final),
    }
    variables |= {name: ("breath", values) for name, values in breath_timing(prepared, 0, n_breaths).items()}
    coords = {
        "time": record.time[:n],
        "lung": list(compiled.lungs),
        "node": list(compiled.nodes),
        "branch": list(compiled.branches),
        "breath": np.arange(1, n_breaths + 1),
    }
    return label(xr.Dataset(variables, coords=coords, attrs=dict(attrs)))


def numerics(prepared: Prepared, run: Run, start: FloatArray) -> dict[str, Any]:
    """Attributes that record how the numbers came about: tolerances, counts and the balance of gas."""
    held = stored_volume(prepared.compiled.network, run.node_at[NOW]) * ML_PER_L
    stored = float((held - held_at(prepared, start)).sum()) / ML_PER_L
    delivered = float(run.passed[SOURCE] - run.passed[RELIEF])
    residual = (delivered - float(run.passed[EXHALATION]) - stored) * ML_PER_L
    return {
        "method": "Rosenbrock (RODAS), order 4",
        "relative_tolerance": prepared.demands.relative,
        "absolute_tolerance_cmH2O": prepared.demands.absolute,
        "flow_table_error": prepared.compiled.table_error,
        **{name: int(run.counters[entry]) for entry, name in _COUNTER_NAMES.items()},
        "volume_balance_residual_mL": residual,
        "status": "finished",
    }
