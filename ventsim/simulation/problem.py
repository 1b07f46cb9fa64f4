"""What every run needs: the compiled circuit, the segments of the breath, numerical demands, a start."""

import math
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import Demands
from ventsim.engine.breathing import FINISHED, JUNCTION_UNSOLVED, STEP_TOO_SMALL, VALVES_CHATTER
from ventsim.engine.network import CompiledCircuit, compile_circuit, segment_table
from ventsim.errors import InputError, SchemaError, SolverError, nearest_names
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings, PressureControl, check_settings
from ventsim.units import ML_PER_L

FloatArray = NDArray[np.float64]

DEFAULT_TOLERANCE = 5e-7
"""Default of the relative error allowed per step; tidal volumes usually come out better than 1e-6. [1]"""

DEFAULT_SAMPLE_INTERVAL = 0.01
"""Default distance of samples. [s]"""

LONGEST_RUN = 1e7
"""Longest duration of a run. [s]"""

MOST_UPDATES = 1000
"""How often a part that ramps can be set anew in a breath. [1]"""

_SHORTEST_INTERVAL = 1e-6
# Pressure above PEEP up to which absolute tolerances shrink with it [cmH2O].
_USUAL_DRIVE = 10.0
_LONGEST_NUMBER = 1e300
_LARGEST_TOLERANCE, _SMALLEST_TOLERANCE = 1e-3, 1e-12

_USE_A_RUN = "  Use the whole result of simulate() or steady_breath()."

_REMEDIES = {
    STEP_TOO_SMALL: "the step became too small to go on. Look for a resistance or compliance that is far too "
    "small, or allow a larger tolerance.",
    JUNCTION_UNSOLVED: "the flows at a junction without stored gas could not be balanced. Give the parts around "
    "it some gas volume, or remove valves that leave the flow no way out.",
    VALVES_CHATTER: "valves kept opening and closing at one instant. Give the valves an opening pressure or the "
    "parts between them some gas volume.",
}


@dataclass(frozen=True, eq=False)
class Prepared:
    """A circuit and its breath, ready for the engine."""

    circuit: Circuit
    settings: BreathSettings
    compiled: CompiledCircuit
    segments: NDArray[np.void]
    demands: Demands

    @property
    def period(self) -> float:
        """Duration of a breath, as the engine adds it up. [s]"""
        return float(self.segments["duration"].sum())

    def resting_pressure(self) -> FloatArray:
        """Everything at PEEP, shape (n_nodes,). [cmH2O]"""
        return np.full(len(self.compiled.network.node), float(self.settings.peep))


def prepare(
    circuit: Circuit, settings: BreathSettings, *, tolerance: float, before: Prepared | None = None
) -> Prepared:
    """Compile a circuit and its settings after checking that they fit together.

    What is the same as in `before` is not compiled anew.
    """
    if before is not None and before.circuit is circuit and before.settings is settings:
        return before
    check_kinds(circuit, settings)
    check_tolerance(tolerance)
    tolerance = float(tolerance)  # numbers of another type would have the engine compiled once more
    check_settings(circuit.ventilator, settings)
    known = None if before is None else before.compiled
    same = before is not None and before.circuit is circuit
    compiled = known if same else compile_circuit(circuit, like=known)
    absolute = 3.0 * tolerance * min(_drive(compiled, settings) / _USUAL_DRIVE, 1.0)
    demands = Demands(absolute=absolute, relative=tolerance, late_volume=1e-2 * tolerance)
    return Prepared(circuit, settings, compiled, segment_table(settings), demands)


def check_kinds(circuit: Circuit, settings: BreathSettings) -> None:
    """Refuse what is no circuit, and what are no settings."""
    for value, kind, what in ((circuit, Circuit, "circuit"), (settings, BreathSettings, "settings")):
        if not isinstance(value, kind):
            wanted = "a Circuit" if kind is Circuit else "PressureControl or VolumeControl"
            raise InputError(f"{what}: got {type(value).__name__}, but {wanted} is needed.")


def _drive(compiled: CompiledCircuit, settings: BreathSettings) -> float:
    """About how far the breath lifts the pressure in the lungs; small breaths are to be as exact as large ones."""
    if isinstance(settings, PressureControl):
        return settings.inspiratory_pressure
    network = compiled.network
    return settings.tidal_volume / ML_PER_L / float(network.node["compliance"][network.compartment["node"]].sum())


def check_number(name: str, value: float, *, unit: str = "", low: float, high: float = math.inf) -> None:
    """Refuse a number of a run that is not finite or outside its limits."""
    suffix = f" {unit}" if unit else ""
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating):
        wanted = f" [{unit}]" if unit else ""
        raise InputError(f"{name}: got {value!r}, but a number is needed.{wanted}")
    # Compared before it becomes a float, for which a whole number may be too long.
    if not (low <= value <= high and value < math.inf):
        shown = f"{value:g}" if isinstance(value, float) or abs(value) < _LONGEST_NUMBER else "of that size"
        limit = f"at least {low:g}" if high == math.inf else f"{low:g} to {high:g}"
        raise InputError(f"{name} {shown}{suffix} is not possible.\n  Give {limit}{suffix}.")


def check_tolerance(tolerance: float) -> None:
    """Refuse a tolerance that is no number, or that the solver cannot keep."""
    check_number("tolerance", tolerance, low=_SMALLEST_TOLERANCE, high=_LARGEST_TOLERANCE)


def check_sampling(sample_interval: float, period: float) -> None:
    """Refuse a sample interval that cannot show a breath."""
    check_number("sample_interval", sample_interval, unit="s", low=_SHORTEST_INTERVAL, high=period)


def start_pressure(prepared: Prepared, start: xr.Dataset | None) -> FloatArray:
    """Pressures from which a run sets out: everything at PEEP, or where an earlier run ended."""
    pressure = prepared.resting_pressure()
    if start is None:
        return pressure
    if not isinstance(start, xr.Dataset):
        raise SchemaError(f"start: got {type(start).__name__}, but an earlier run is needed.\n{_USE_A_RUN}")
    for needed in ("final_volume", "node_pressure"):
        if needed not in start:
            raise SchemaError(f"start: the Dataset has no variable '{needed}'.\n{_USE_A_RUN}")
    if start.sizes.get("time", 0) == 0:
        raise SchemaError(f"start: the Dataset has no samples along 'time'.\n{_USE_A_RUN}")
    have = [str(name) for name in start["node"].values]
    missing = [name for name in prepared.compiled.nodes if name not in have]
    if missing:
        near = nearest_names(missing[0], have)
        raise SchemaError(
            f"start: the earlier run has no point '{missing[0]}', which this circuit has.\n"
            "  Start from a run of a circuit with the same parts and joints "
            f"(nearest: {', '.join(near) or 'none'})."
        )
    place = [have.index(name) for name in prepared.compiled.nodes]
    pressure[:] = start["node_pressure"].isel(time=-1).values[place]
    compliance = prepared.compiled.network.node["compliance"]
    held = start["final_volume"].values[place] / ML_PER_L
    stores = (compliance > 0) & (prepared.compiled.network.node["elastic"] < 0)
    if not np.isfinite(held[stores]).all() or not np.isfinite(pressure).all():
        raise SchemaError(
            "start: the earlier run ended with values that are not finite.\n  Start from a whole run."
        )
    pressure[stores] = held[stores] / compliance[stores]
    return pressure


def raise_on_failure(status: int, time: float) -> None:
    """Turn the status of a failed run into an error that says what to do."""
    if status != FINISHED:
        raise SolverError(f"the run stopped at {time:.6g} s: {_REMEDIES[status]}")
