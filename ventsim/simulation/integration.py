"""The initial value problem of a run and its integration, piece by piece, each from the state before."""

import math
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import EXHALATION, NOW, Demands, Record, Run, new_record, new_run, stored_volume
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, source_integral
from ventsim.engine.network import CompiledCircuit, compile_circuit, resting_volume, segment_table
from ventsim.engine.phases import FINISHED, JUNCTION_UNSOLVED, STEP_TOO_SMALL, VALVES_CHATTER, run_breaths
from ventsim.engine.state import begin_rhythm, carried_over, restore
from ventsim.engine.wiring import opening_pressures
from ventsim.errors import SchemaError, SolverError, nearest_names
from ventsim.model.circuit import Circuit
from ventsim.model.parts import NEVER, OpenEnd
from ventsim.model.ventilator import BreathSettings, check_settings
from ventsim.results.kernel import AT_EQUILIBRIUM, TIMING
from ventsim.results.schema import VARIABLES
from ventsim.simulation.blocks import Block, Blocks, Piece, Position, period_of
from ventsim.units import ML_PER_L, FloatArray

# Pressure above PEEP up to which absolute tolerances shrink with it [cmH2O].
_USUAL_DRIVE = 10.0

_USE_A_RUN = "  Use the whole result of simulate() or steady_breath()."

_REMEDIES = {
    STEP_TOO_SMALL: "the steps became too small to go on. Look for a resistance or compliance that is far too "
    "small, also of a lung filled to the end of its curve, or allow a larger tolerance.",
    JUNCTION_UNSOLVED: "the flows at a junction without stored gas could not be balanced. Give the parts around "
    "it some gas volume, or remove valves that leave the flow no way out.",
    VALVES_CHATTER: "valves kept opening and closing at one instant. Give the valves an opening pressure or the "
    "parts between them some gas volume.",
}

# How long a call may last before it is said that it compiles [s], also where it may only be loading what has been
# compiled, on a busy machine; what is compiled, and how long that takes on an ordinary machine.
_PATIENCE, _PATIENCE_WITH_CACHE = 2.0, 10.0
_TEXT = "ventsim: compiling {what} ({how_often}, about {seconds} s) ..."
_KEPT = "once per machine and version"
_NOT_KEPT = "in each process, since no folder can be written to; set NUMBA_CACHE_DIR to one that can"
_KNOWN = {
    "run_breaths": ("the numerical engine", 130),
    "search_steady_start": ("the search for steady breaths", 15),
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
        network, parts = self.compiled.network, self.circuit.parts
        pressure = self.settings.peep + self.compiled.opening
        for end in (name for name, part in parts.items() if isinstance(part, OpenEnd)):
            gate = network.gate.copy()  # with the open end in place of the exhalation valve, and nothing behind it
            gate["node"][EXHALATION] = self.compiled.points[f"{end}.inlet"]
            pressure = np.minimum(pressure, opening_pressures(network._replace(gate=gate), never=NEVER))
        pressure = np.where(np.isfinite(pressure), pressure, np.nan)
        found = np.empty(len(pressure), AT_EQUILIBRIUM)
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


def problem_of(
    circuit: Circuit, settings: BreathSettings, *, tolerance: float, before: Problem | None = None
) -> Problem:
    """Compile a circuit and its settings after checking that they fit together.

    What is the same as in `before` is not compiled anew.
    """
    if before is not None and before.circuit is circuit and before.settings is settings:
        return before
    check_settings(circuit.ventilator, settings)
    if before is not None and before.circuit is circuit:
        compiled = before.compiled
    else:
        compiled = compile_circuit(circuit, like=None if before is None else before.compiled)
    segments = segment_table(settings, circuit.ventilator.flow_limit)
    # Numbers of another type would have the engine compiled once more.
    tolerance = float(tolerance)
    absolute = 3.0 * tolerance * min(_drive(compiled, segments) / _USUAL_DRIVE, 1.0)
    demands = Demands(absolute=absolute, relative=tolerance, late_volume=1e-2 * tolerance)
    return Problem(circuit, settings, compiled, segments, demands)


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
    last = start.attrs.get("state_time_s")
    if "time" not in start.coords or float(start["time"].values[-1]) != last:
        raise SchemaError(
            "start: the last sample is not the state in which the earlier run ended"
            f"{f', at {last:.10g} s' if isinstance(last, float) else ''}.\n{_USE_A_RUN}"
        )
    for name in ("node_pressure", "final_volume"):
        wanted, found = VARIABLES[name].units, start[name].attrs.get("units")
        if found != wanted or set(start[name].dims) != set(VARIABLES[name].dims):
            raise SchemaError(f"start: '{name}' is not that of a run, in {wanted}; it has {found}.\n{_USE_A_RUN}")
    have = [str(name) for name in start["node"].values]
    if missing := [name for name in problem.compiled.nodes if name not in have]:
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


Recorded = list[tuple[Problem, Record]]
"""What was recorded in each of some pieces, one after the other."""


@contextmanager
def compile_notice(function: Any) -> Iterator[None]:
    """Context in which a compiled function is called: says so on stderr if the first call has to compile it.

    What has been compiled loads from the cache on disk in well under two seconds, on a busy machine in a few more.
    """
    if function.signatures:
        yield
        return
    name = function.py_func.__name__
    folder = function.stats.cache_path
    is_cached = folder is not None and any(Path(folder).glob(f"*.{name}-*.nbi"))

    def say() -> None:
        if not function.signatures:
            what, seconds = _KNOWN[name]
            how_often = _NOT_KEPT if folder is None else _KEPT
            with suppress(OSError):  # of an error stream that takes nothing
                print(_TEXT.format(what=what, how_often=how_often, seconds=seconds), file=sys.stderr, flush=True)

    timer = threading.Timer(_PATIENCE_WITH_CACHE if is_cached else _PATIENCE, say)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


class Options(Protocol):
    """What every run has to be asked for."""

    @property
    def tolerance(self) -> float:
        """Relative error allowed per step of the solver. [1]"""

    @property
    def sample_interval(self) -> float:
        """Distance of samples. [s]"""


class Integration:
    """A run in progress: the one place outside the engine that holds a state.

    Parameters
    ----------
    options : Options
        A scenario, say.
    start : xarray.Dataset, array of shape (n_nodes,) or None
        Result of an earlier run, whose last state is the first one; or the pressures at the start. [cmH2O]
    problem : Problem or None
        The circuit and settings to begin with, if they have been compiled already.
    unchanged : Circuit or None
        The circuit before any change, which that of the earlier run has to be like; None: that of the first piece.
    """

    # Set when the run begins.
    problem: Problem
    piece: Piece
    run: Run
    held_at_start: FloatArray

    def __init__(
        self,
        options: Options,
        *,
        start: xr.Dataset | FloatArray | None = None,
        problem: Problem | None = None,
        unchanged: Circuit | None = None,
    ) -> None:
        self._tolerance, self._interval = options.tolerance, float(options.sample_interval)
        self._start, self._unchanged, self._known = start, unchanged, problem
        self._has_begun = False
        self._room: Record | None = None

    @property
    def position(self) -> Position:
        """How far the run has come."""
        if not self._has_begun:
            return Position()
        now = self.run.clock[0]
        return Position(
            int(now["breaths"]), float(now["now"]), float(now["origin"]), int(now["turn"]), self.problem.settings
        )

    def blocks(self, blocks: Blocks, *, longest: int) -> Iterator[Block]:
        """The blocks that are left, each to be run before the next is asked for."""
        while (block := blocks.after(self.position, longest=longest)) is not None:
            yield block

    def held(self) -> FloatArray:
        """Gas held by each lung above its relaxation volume, and then by everything, shape (n_lungs + 1,). [mL]"""
        network, held = self.problem.compiled.network, self._held_in_nodes()
        lungs = np.add.reduceat(held[network.compartment["node"]], network.lung["first"])
        return np.append(lungs, held.sum())

    def held_by_node(self) -> dict[str, float]:
        """Gas held by each node that can hold some, by its name. [mL]"""
        compiled, held = self.problem.compiled, self._held_in_nodes().tolist()
        return {compiled.nodes[i]: held[i] for i in np.flatnonzero(compiled.network.node["compliance"] > 0)}

    def _held_in_nodes(self) -> FloatArray:
        return stored_volume(self.problem.compiled.network, self.run.node_at[NOW]) * ML_PER_L

    def resume(self, problem: Problem, state: FloatArray, *, held_at_start: FloatArray) -> None:
        """Take up the state in which an earlier run of a problem ended, or raise ValueError."""
        self._set_out(problem, problem.resting_pressure())
        restore(self.run, state)
        self.held_at_start = held_at_start

    def run_block(self, block: Block) -> Recorded:
        """Run the breaths of a block; return what was recorded in each of its pieces.

        Where no waveforms are kept, the records of one block are overwritten by those of the next.
        """
        recorded: Recorded = []
        goal = block.number + block.n_breaths
        for piece in block.pieces:
            # A piece that would begin after the breath has ended is not reached.
            if self.position.breaths == goal:
                break
            self._enter(piece)
            problem = self.problem
            if block.kept or not recorded:
                record = self._new_record(block, piece)
                recorded.append((problem, record))
            recorded[-1] = (problem, record)
            with compile_notice(run_breaths):
                status = run_breaths(
                    problem.compiled.network, problem.segments, piece.n_breaths, piece.stop, problem.demands,
                    self._interval, self.run, record,
                )  # fmt: skip
            # A piece that fails at once has no sample of its own.
            reached = float(record.time[record.used[0] - 1]) if record.used[0] else 0.0
            raise_on_failure(status, max(reached, self.position.now))
        return recorded

    def unfinished(self) -> FloatArray:
        """Phases of the breath under way, if any, those to come as planned, shape (0 or 1, n_segments + 1). [s]"""
        now, phases = self.run.clock[0], np.append(self.run.segment_start, 0.0)
        durations = self.problem.segments["duration"]
        for k in range(int(now["segment"]) + 1, len(durations)):
            phases[k] = phases[k - 1] + durations[k - 1]
        phases[-1] = now["origin"] + (now["turn"] + 1) * self.problem.period
        return phases[None, :] if now["now"] > phases[0] else phases[None, :][:0]

    def _set_out(self, problem: Problem, pressure: FloatArray) -> None:
        self.problem, self._has_begun = problem, True
        self.run = new_run(problem.compiled.network, len(problem.segments), pressure, problem.demands)

    def _enter(self, piece: Piece) -> None:
        """Make the circuit and the settings of a piece the present ones; set out from the start at the first."""
        if not self._has_begun:
            # What changes at once, such as a fault at 0 s, has no place yet in the last state of an earlier run.
            start, circuit = self._start, piece.circuit
            if start is not None and self._unchanged is not None:
                circuit = self._unchanged
            problem = problem_of(circuit, piece.settings, tolerance=self._tolerance, before=self._known)
            self._set_out(problem, start if isinstance(start, np.ndarray) else initial_pressure(problem, start))
            self.held_at_start = self.held()
        before, self.piece = self.problem, piece
        self.problem = problem_of(piece.circuit, piece.settings, tolerance=self._tolerance, before=before)
        if self.problem is not before:
            self.run = carried_over(
                before.compiled, self.run, self.problem.compiled, n_segments=len(self.problem.segments),
                demands=self.problem.demands, time=self.position.now,
            )  # fmt: skip
        if piece.settings is not before.settings:
            begin_rhythm(self.run)

    def _new_record(self, block: Block, piece: Piece) -> Record:
        """Room for what a piece yields; without waveforms for the whole block, and used over and over."""
        pieces = (piece,) if block.kept else block.pieces
        n_segments, n_breaths = len(self.problem.segments), block.n_breaths
        lasts = min(n_breaths * self.problem.period, pieces[-1].stop - self.position.now)
        rows = math.ceil(lasts / self._interval) + len(pieces) * (2 * n_segments * n_breaths + 4)
        network, size = self.problem.compiled.network, {"n_breaths": n_breaths, "n_segments": n_segments}
        if block.kept:
            return new_record(network, rows, every_part=True, **size)
        room = self._room
        fits = room is not None and len(room.time) >= rows and len(room.phase) >= n_breaths
        if room is None or not fits or room.phase.shape[1] != n_segments + 1:
            self._room = room = new_record(network, rows, every_part=False, **size)
        room.used[0] = room.n_breaths[0] = 0
        return room
