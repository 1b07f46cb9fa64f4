"""A run in progress: pieces are integrated one after the other, and the state is carried from each to the next."""

import math
from collections.abc import Iterator

import numpy as np
import xarray as xr

from ventsim.engine.arrays import Record, Run, new_record, new_run
from ventsim.engine.compiling import compile_notice
from ventsim.engine.phases import run_breaths
from ventsim.engine.state import begin_rhythm, carried_over, restore
from ventsim.model.circuit import Circuit
from ventsim.simulation.blocks import Block, Blocks, Piece, Position
from ventsim.simulation.problem import Problem, initial_pressure, problem_of, raise_on_failure
from ventsim.simulation.waveforms import Recorded, held_now
from ventsim.units import FloatArray


class Integration:
    """A run in progress: the one place outside the engine that holds a state.

    Parameters
    ----------
    tolerance : float
        Relative error allowed per step of the solver. [1]
    sample_interval : float
        Distance of samples. [s]
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
        *,
        tolerance: float,
        sample_interval: float,
        start: xr.Dataset | FloatArray | None = None,
        problem: Problem | None = None,
        unchanged: Circuit | None = None,
    ) -> None:
        self._tolerance, self._interval, self._start = tolerance, sample_interval, start
        self._unchanged, self._known = unchanged, problem
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

    def resume(self, problem: Problem, state: FloatArray, *, held_at_start: FloatArray) -> None:
        """Take up the state in which an earlier run of a problem ended, or raise ValueError."""
        self._set_out(problem, problem.resting_pressure())
        restore(self.run, state)
        self.held_at_start = held_at_start

    def run_block(self, block: Block, *, every_part: bool) -> Recorded:
        """Run the breaths of a block; return what was recorded in each of its pieces.

        Without `every_part` the records of one block are overwritten by those of the next.
        """
        recorded: Recorded = []
        goal = block.number + block.n_breaths
        for piece in block.pieces:
            # A piece that would begin after the breath has ended is not reached.
            if self.position.breaths == goal:
                break
            self._enter(piece)
            if every_part or not recorded:
                recorded.append((self.problem, self._new_record(block, piece, every_part=every_part)))
            recorded[-1] = (self.problem, recorded[-1][1])
            self._go(piece, recorded[-1][1])
        return recorded

    def unfinished(self) -> FloatArray:
        """Phases of the breath under way, if any, those to come as planned, shape (0 or 1, n_segments + 1). [s]"""
        now, phases = self.run.clock[0], np.append(self.run.segment_start, 0.0)
        durations = self.problem.segments["duration"]
        for k in range(int(now["segment"]) + 1, len(durations)):
            phases[k] = phases[k - 1] + durations[k - 1]
        phases[-1] = now["origin"] + (now["turn"] + 1) * self.problem.period
        return phases[None, :] if now["now"] > phases[0] else phases[None, :][:0]

    def _begin(self, piece: Piece) -> None:
        """Set out from the start, with the circuit of the first piece or the one that the start belongs to."""
        # What changes at once, such as a fault at 0 s, has no place yet in the last state of an earlier run.
        circuit = piece.circuit if self._start is None or self._unchanged is None else self._unchanged
        problem = problem_of(circuit, piece.settings, tolerance=self._tolerance, before=self._known)
        start = self._start
        self._set_out(problem, start if isinstance(start, np.ndarray) else initial_pressure(problem, start))
        self.held_at_start = held_now(problem, self.run)

    def _set_out(self, problem: Problem, pressure: FloatArray) -> None:
        self.problem, self._has_begun = problem, True
        self.run = new_run(problem.compiled.network, len(problem.segments), pressure, problem.demands)

    def _enter(self, piece: Piece) -> None:
        """Make the circuit and the settings of a piece the present ones."""
        if not self._has_begun:
            self._begin(piece)
        before, self.piece = self.problem, piece
        self.problem = problem_of(piece.circuit, piece.settings, tolerance=self._tolerance, before=before)
        if self.problem is not before:
            self.run = carried_over(
                before.compiled, self.run, self.problem.compiled, n_segments=len(self.problem.segments),
                demands=self.problem.demands, time=self.position.now,
            )  # fmt: skip
        if piece.settings is not before.settings:
            begin_rhythm(self.run)

    def _go(self, piece: Piece, record: Record) -> None:
        problem = self.problem
        with compile_notice(run_breaths):
            status = run_breaths(
                problem.compiled.network, problem.segments, piece.n_breaths, piece.stop, problem.demands,
                float(self._interval), self.run, record,
            )  # fmt: skip
        # A piece that fails at once has no sample of its own.
        reached = float(record.time[record.used[0] - 1]) if record.used[0] else 0.0
        raise_on_failure(status, max(reached, self.position.now))

    def _new_record(self, block: Block, piece: Piece, *, every_part: bool) -> Record:
        """Room for what a piece yields; without `every_part` for the whole block, and used over and over."""
        pieces = (piece,) if every_part else block.pieces
        n_segments, n_breaths = len(self.problem.segments), block.n_breaths
        lasts = min(n_breaths * self.problem.period, pieces[-1].stop - self.position.now)
        rows = math.ceil(lasts / self._interval) + len(pieces) * (2 * n_segments * n_breaths + 4)
        network, size = self.problem.compiled.network, {"n_breaths": n_breaths, "n_segments": n_segments}
        if every_part:
            return new_record(network, rows, every_part=True, **size)
        room = self._room
        fits = room is not None and len(room.time) >= rows and len(room.phase) >= n_breaths
        if room is None or not fits or room.phase.shape[1] != n_segments + 1:
            self._room = room = new_record(network, rows, every_part=False, **size)
        room.used[0] = room.n_breaths[0] = 0
        return room
