"""Runs the pieces of a course one after the other and carries the state from each to the next."""

import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import Record, Run, new_record, new_run
from ventsim.engine.breathing import run_breaths
from ventsim.engine.carry import carried_over, restore
from ventsim.engine.notice import CompileNotice
from ventsim.model.circuit import Circuit
from ventsim.simulation.course import Block, Piece
from ventsim.simulation.prepare import Prepared, prepare, raise_on_failure, start_pressure
from ventsim.simulation.signals import held_now

FloatArray = NDArray[np.float64]


class Runner:
    """A run in progress: the one place outside the engine that holds a state.

    Parameters
    ----------
    tolerance : float
        Relative error allowed per step of the solver. [1]
    sample_interval : float
        Distance of samples. [s]
    start : xarray.Dataset, array of shape (n_nodes,) or None
        Result of an earlier run, whose last state is the first one; or the pressures at the start. [cmH2O]
    prepared : Prepared or None
        The circuit and settings to begin with, if they have been compiled already.
    unchanged : Circuit or None
        The circuit before any change, which that of the earlier run has to be like; None: that of the first piece.
    """

    def __init__(
        self,
        *,
        tolerance: float,
        sample_interval: float,
        start: xr.Dataset | FloatArray | None = None,
        prepared: Prepared | None = None,
        unchanged: Circuit | None = None,
    ) -> None:
        self._tolerance, self._interval, self._start = tolerance, sample_interval, start
        self._unchanged = unchanged
        self.prepared = prepared
        self.run: Run | None = None
        self.held_at_start: FloatArray | None = None
        self._room: Record | None = None

    def begin(self, piece: Piece) -> None:
        """Set out from the start, with the circuit of the first piece or the one that the start belongs to."""
        # What changes at once, such as a fault at 0 s, has no place yet in the last state of an earlier run.
        later = self._start is not None and self._unchanged is not None
        circuit = self._unchanged if later else piece.circuit
        prepared = prepare(circuit, piece.settings, tolerance=self._tolerance, before=self.prepared)
        given = isinstance(self._start, np.ndarray)
        pressure = self._start if given else start_pressure(prepared, self._start)
        self._set_out(prepared, pressure)
        self.held_at_start = held_now(prepared, self.run)

    def resume(self, last: Piece, state: FloatArray, *, held_at_start: FloatArray) -> None:
        """Take up the state in which an earlier run ended; `last` is the piece that it ended with."""
        prepared = prepare(last.circuit, last.settings, tolerance=self._tolerance)
        self._set_out(prepared, prepared.resting_pressure())
        restore(self.run, state)
        self.held_at_start = held_at_start

    def _set_out(self, prepared: Prepared, pressure: FloatArray) -> None:
        self.prepared = prepared
        self.run = new_run(prepared.compiled.network, len(prepared.segments), pressure, prepared.demands)

    def run_block(self, block: Block, *, every_part: bool) -> list[tuple[Prepared, Record]]:
        """Run the breaths of a block; return what was recorded in each of its pieces.

        Without `every_part` the records of one block are overwritten by those of the next.
        """
        recorded: list[tuple[Prepared, Record]] = []
        for piece in block.pieces:
            self._enter(piece)
            rows = self._rows(piece)
            if every_part:
                record = new_record(self.prepared.compiled.network, rows, every_part=True)
            else:
                record = self._shared_room(rows, empty=not recorded)
            self._go(piece, record)
            if every_part or not recorded:
                recorded.append((self.prepared, record))
        return recorded

    def _enter(self, piece: Piece) -> None:
        """Make the circuit and the settings of a piece the present ones."""
        if self.run is None:
            self.begin(piece)
        before = self.prepared
        self.prepared = prepare(piece.circuit, piece.settings, tolerance=self._tolerance, before=before)
        if self.prepared is not before:
            self.run = carried_over(
                before.compiled, self.run, self.prepared.compiled,
                n_segments=len(self.prepared.segments), demands=self.prepared.demands, time=_beginning(piece),
            )  # fmt: skip

    def _go(self, piece: Piece, record: Record) -> None:
        with CompileNotice(run_breaths):
            status = run_breaths(
                self.prepared.compiled.network, self.prepared.segments, piece.span, self.prepared.demands,
                float(self._interval), self.run, record,
            )  # fmt: skip
        # A piece that fails at once has no sample of its own, and the last one may be that of an earlier block.
        reached = float(record.time[record.used[0] - 1]) if record.used[0] else 0.0
        raise_on_failure(status, max(reached, _beginning(piece)))

    def _rows(self, piece: Piece) -> int:
        span, per_breath = piece.span, 2 * len(self.prepared.segments)
        whole = span.n_breaths * self.prepared.period
        lasts = min(span.origin + (span.first_breath + span.n_breaths) * self.prepared.period, span.stop)
        lasts -= max(_beginning(piece), 0.0)
        return math.ceil(min(whole, lasts) / self._interval) + per_breath * span.n_breaths + 4

    def _shared_room(self, rows: int, *, empty: bool) -> Record:
        """The record that is used over and over, with room for more rows; its rows so far stay unless `empty`."""
        used = 0 if empty or self._room is None else int(self._room.used[0])
        if self._room is None or len(self._room.time) < used + rows:
            larger = new_record(self.prepared.compiled.network, used + rows, every_part=False)
            if used:
                for old, new in zip(self._room[:-3], larger[:-3], strict=True):
                    new[:used] = old[:used]
            self._room = larger
        self._room.used[0] = used
        return self._room


def _beginning(piece: Piece) -> float:
    """When a piece begins, for a period that its settings tell. [s]"""
    span = piece.span
    return max(span.origin + span.first_breath * piece.settings.period, span.resumed)
