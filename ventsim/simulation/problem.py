"""The initial value problem of a run: compiled circuit, segments of the breath, numerical demands, start."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import Demands
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, source_integral
from ventsim.engine.network import CompiledCircuit, compile_circuit, resting_volume, segment_table
from ventsim.engine.phases import FINISHED, JUNCTION_UNSOLVED, STEP_TOO_SMALL, VALVES_CHATTER
from ventsim.errors import InputError, SchemaError, SolverError, nearest_names
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings, check_settings
from ventsim.quantities import check, quantity
from ventsim.results.kernel import AT_EQUILIBRIUM, TIMING
from ventsim.units import ML_PER_L, FloatArray

DEFAULT_TOLERANCE = 5e-7
"""Default of the relative error allowed per step; tidal volumes usually come out better than 1e-6. [1]"""

DEFAULT_SAMPLE_INTERVAL = 0.01
"""Default distance of samples. [s]"""

# Pressure above PEEP up to which absolute tolerances shrink with it [cmH2O].
_USUAL_DRIVE = 10.0

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
class Problem:
    """A circuit and its breath, ready for the engine."""

    circuit: Circuit
    settings: BreathSettings
    compiled: CompiledCircuit
    segments: NDArray[np.void]
    demands: Demands

    @property
    def period(self) -> float:
        """Duration of a breath that ends by time, as the engine adds it up. [s]"""
        return period_of(self.settings)

    def resting_pressure(self) -> FloatArray:
        """Everything at PEEP, shape (n_nodes,). [cmH2O]"""
        return np.full(len(self.compiled.network.node), float(self.settings.peep))

    @cached_property
    def at_equilibrium(self) -> NDArray[np.void]:
        """What each lung would come to in an endless expiration, shape (n_lungs,) of `AT_EQUILIBRIUM`."""
        opening = self.compiled.opening
        found = np.empty(len(opening), AT_EQUILIBRIUM)
        pressure = np.where(np.isfinite(opening), self.settings.peep + opening, np.nan)
        found["applied_peep"] = pressure
        found["equilibrium_volume"] = resting_volume(self.compiled.network, pressure) * ML_PER_L
        return found

    def timing(self, phases: FloatArray) -> NDArray[np.void]:
        """Times of breaths and set PEEP, shape (n,) of `TIMING`.

        `phases`, shape (n, n_segments + 1) [s], holds the start of each segment and the end of each breath.
        """
        kinds = ["start", *(segment.phase for segment in self.settings.segments())]
        last = {phase: place for place, phase in enumerate(kinds)}
        timing = np.empty(len(phases), TIMING)
        timing["breath_start"], timing["breath_end"] = phases[:, 0], phases[:, -1]
        timing["flow_end"] = phases[:, last.get("inspiration", 0)]
        timing["inspiration_end"] = phases[:, max(last.get("inspiration", 0), last.get("pause", 0))]
        timing["set_peep"] = self.settings.peep
        return timing


def period_of(settings: BreathSettings) -> float:
    """Duration of a breath that ends by time, added up as the engine does it, to the last bit. [s]"""
    return float(sum(segment.duration for segment in settings.segments()))


def problem_of(
    circuit: Circuit, settings: BreathSettings, *, tolerance: float, before: Problem | None = None
) -> Problem:
    """Compile a circuit and its settings after checking that they fit together.

    What is the same as in `before` is not compiled anew.
    """
    if before is not None and before.circuit is circuit and before.settings is settings:
        return before
    check_kinds(circuit, settings)
    check("", {"tolerance": tolerance})
    tolerance = float(tolerance)  # numbers of another type would have the engine compiled once more
    check_settings(circuit.ventilator, settings)
    if before is not None and before.circuit is circuit:
        compiled = before.compiled
    else:
        compiled = compile_circuit(circuit, like=None if before is None else before.compiled)
    flow_limit = circuit.ventilator.flow_limit
    if before is not None and before.settings is settings and before.circuit.ventilator.flow_limit == flow_limit:
        segments = before.segments
    else:
        segments = segment_table(settings, flow_limit)
    absolute = 3.0 * tolerance * min(_drive(compiled, segments) / _USUAL_DRIVE, 1.0)
    demands = Demands(absolute=absolute, relative=tolerance, late_volume=1e-2 * tolerance)
    return Problem(circuit, settings, compiled, segments, demands)


def check_kinds(circuit: Circuit, settings: BreathSettings) -> None:
    """Refuse what is no circuit, and what are no settings."""
    for value, kind, what in ((circuit, Circuit, "circuit"), (settings, BreathSettings, "settings")):
        if not isinstance(value, kind):
            wanted = "a Circuit" if kind is Circuit else "PressureControl or VolumeControl"
            raise InputError(f"{what}: got {type(value).__name__}, but {wanted} is needed.")


def check_sampling(sample_interval: float, period: float) -> None:
    """Refuse a sample interval that cannot show a breath."""
    check("", {"sample_interval": sample_interval}, sample_interval=quantity("sample_interval", at_most=period))


def _drive(compiled: CompiledCircuit, segments: NDArray[np.void]) -> float:
    """About how far the breath lifts the pressure in the lungs; small breaths are to be as exact as large ones."""
    network = compiled.network
    compliance = float(network.node["compliance"][network.compartment["node"]].sum())
    rises, injected = [0.0], 0.0
    for segment in segments:
        if segment["drive"] == DRIVE_PRESSURE:
            ends = segment["start"], segment["start"] + segment["change"]
            rises += [abs(float(pressure - segment["peep"])) for pressure in ends]
        elif segment["drive"] == DRIVE_FLOW:
            injected += source_integral(segment, 0.0, float(segment["duration"]))
    return max(*rises, injected / compliance)


def initial_pressure(problem: Problem, start: xr.Dataset | None) -> FloatArray:
    """Pressures from which a run sets out: everything at PEEP, or where an earlier run ended."""
    pressure = problem.resting_pressure()
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
    missing = [name for name in problem.compiled.nodes if name not in have]
    if missing:
        near = nearest_names(missing[0], have)
        raise SchemaError(
            f"start: the earlier run has no point '{missing[0]}', which this circuit has.\n"
            "  Start from a run of a circuit with the same parts and joints "
            f"(nearest: {', '.join(near) or 'none'})."
        )
    place = [have.index(name) for name in problem.compiled.nodes]
    pressure[:] = start["node_pressure"].isel(time=-1).values[place]
    node = problem.compiled.network.node
    held = start["final_volume"].values[place] / ML_PER_L
    stores = (node["compliance"] > 0) & (node["elastic"] < 0)
    if not np.isfinite(held[stores]).all() or not np.isfinite(pressure).all():
        raise SchemaError(
            "start: the earlier run ended with values that are not finite.\n  Start from a whole run."
        )
    pressure[stores] = held[stores] / node["compliance"][stores]
    return pressure


def raise_on_failure(status: int, time: float) -> None:
    """Turn the status of a failed run into an error that says what to do."""
    if status != FINISHED:
        raise SolverError(f"the run stopped at {time:.6g} s: {_REMEDIES[status]}")
