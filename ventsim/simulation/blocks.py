"""The course of a run: which breaths are run with which circuit and settings, from when to when.

Nothing is run or compiled here. A **piece** is a stretch of time in which circuit and settings stay as they are; a
**block** is made of the pieces of some whole breaths (the last breath of a run may be cut off).
"""

import bisect
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import Span, span
from ventsim.engine.network import segment_table
from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.results.measures import TIMING

# Instants closer to the start of a breath than this part of its period count as being there.
_NEARLY = 1e-9


@dataclass(frozen=True, eq=False)
class Piece:
    """A stretch of time without a change."""

    circuit: Circuit
    settings: BreathSettings
    span: Span


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive breaths that are run and measured together.

    `number` counts the first breath from 0. `timing` has a record of `TIMING` for each breath. `kept`
    tells whether waveforms are kept.
    """

    number: int
    pieces: tuple[Piece, ...]
    timing: NDArray[np.void]
    kept: bool

    @property
    def n_breaths(self) -> int:
        """How many breaths there are."""
        return len(self.timing)


@dataclass(frozen=True, eq=False)
class _Rhythm:
    """Breaths of one length: number n of them starts n periods after the origin.

    `period` and the two offsets from the start of a breath are added up as the engine does it, so that both arrive
    at the same numbers to the last bit.
    """

    settings: BreathSettings
    origin: float
    period: float
    flow_end: float
    inspiration_end: float

    def start(self, n: int) -> float:
        return self.origin + n * self.period

    def timing(self, n: int, count: int) -> NDArray[np.void]:
        """Instants of breaths and set PEEP, shape (count,) of `TIMING`."""
        starts = self.origin + np.arange(n, n + count + 1) * self.period
        timing = np.empty(count, TIMING)
        timing["breath_start"], timing["flow_end"] = starts[:-1], starts[:-1] + self.flow_end
        timing["inspiration_end"], timing["breath_end"] = starts[:-1] + self.inspiration_end, starts[1:]
        timing["set_peep"] = self.settings.peep
        return timing


def _rhythm(settings: BreathSettings, origin: float) -> _Rhythm:
    offset, flow_end, inspiration_end = 0.0, 0.0, 0.0
    durations = segment_table(settings)["duration"].tolist()
    for duration, segment in zip(durations, settings.segments(), strict=True):
        offset += duration
        if segment.phase == "inspiration":
            flow_end = offset
        if segment.phase != "expiration":
            inspiration_end = offset
    return _Rhythm(settings, origin, offset, flow_end, inspiration_end)


@dataclass(frozen=True, eq=False)
class Course:
    """Everything that decides which breaths a run consists of.

    `whole` tells whether a breath that is not over by `duration` is left out; otherwise it is cut off. Waveforms
    are kept of the breaths for which `keeps(number, start, end)` holds, or of all or none. While something ramps,
    it is set anew `updates` times in a breath.
    """

    schedule: Schedule
    duration: float
    whole: bool
    keeps: Callable[[int, float, float], bool] | bool
    updates: int = 1

    def blocks(self, *, longest: int, cut: int = 0) -> Iterator[Block]:
        """All breaths of the run in blocks of at most `longest` breaths.

        Parameters
        ----------
        longest : int
            Largest number of breaths in a block.
        cut : int, default 0
            Number of a breath that is the first of its block.

        Yields
        ------
        Block
            The next breaths.
        """
        number, n = 0, 0
        rhythm = _rhythm(self.schedule.settings_at(0.0), 0.0)
        while True:
            begin = rhythm.start(n)
            settings = self.schedule.settings_at(begin + _NEARLY * rhythm.period)
            if settings is not rhythm.settings:
                rhythm, n = _rhythm(settings, begin), 0
            if not self._has_breath(rhythm, n, first=number == 0):
                return
            kept = self._is_kept(number, begin, rhythm.start(n + 1))
            count = 1
            if self._is_calm(rhythm, n):
                most = min(longest, cut - number) if number < cut else longest
                if self.is_even:
                    count = max(1, min(most, self._last(rhythm) - n))
                while (
                    not self.is_even
                    and count < most
                    and self._goes_on(rhythm, n + count, number + count, kept=kept)
                ):
                    count += 1
                pieces = (self._calm_piece(rhythm, n, count),)
            else:
                pieces = tuple(self._pieces(rhythm, n))
            yield Block(number, pieces, rhythm.timing(n, count), kept)
            number, n = number + count, n + count

    @property
    def is_even(self) -> bool:
        """Whether all breaths are alike, so that none has to be looked at by itself."""
        return not self.schedule.changes and isinstance(self.keeps, bool)

    def _last(self, rhythm: _Rhythm) -> int:
        """Number of breaths of a rhythm that the duration has room for."""
        fit = (self.duration - rhythm.origin) / rhythm.period
        return math.floor(fit * (1.0 + 1e-12)) if self.whole else math.ceil(fit - _NEARLY)

    def _has_breath(self, rhythm: _Rhythm, n: int, *, first: bool) -> bool:
        return (first and not self.whole) or self._last(rhythm) > n

    def _is_kept(self, number: int, start: float, end: float) -> bool:
        return self.keeps if isinstance(self.keeps, bool) else self.keeps(number, start, end)

    def _stop(self, rhythm: _Rhythm, last: int) -> float:
        """When to stop if `last` is the last breath: never inside a breath that counts as whole."""
        end = rhythm.start(last + 1)
        return math.inf if self.whole or self.duration >= end - _NEARLY * rhythm.period else self.duration

    def _jumps(self, rhythm: _Rhythm, n: int) -> list[float]:
        """Instants inside a breath at which parts jump."""
        nearly = _NEARLY * rhythm.period
        instants = self.schedule.instants
        low = bisect.bisect_right(instants, rhythm.start(n) + nearly)
        high = bisect.bisect_left(instants, rhythm.start(n + 1) - nearly)
        return list(instants[low:high])

    def _is_calm(self, rhythm: _Rhythm, n: int) -> bool:
        ramps = self.schedule.ramps_between(rhythm.start(n), rhythm.start(n + 1))
        return not ramps and not self._jumps(rhythm, n)

    def _goes_on(self, rhythm: _Rhythm, n: int, number: int, *, kept: bool) -> bool:
        """Whether breath n is just like the one before it."""
        begin, nearly = rhythm.start(n), _NEARLY * rhythm.period
        return (
            self._has_breath(rhythm, n, first=False)
            and self.schedule.settings_at(begin + nearly) is rhythm.settings
            and self.schedule.circuit_at(begin + nearly) is self.schedule.circuit_at(begin - 0.5 * rhythm.period)
            and self._is_calm(rhythm, n)
            and self._is_kept(number, begin, rhythm.start(n + 1)) == kept
        )

    def _calm_piece(self, rhythm: _Rhythm, n: int, count: int) -> Piece:
        circuit = self.schedule.circuit_at(rhythm.start(n) + _NEARLY * rhythm.period)
        stop = self._stop(rhythm, n + count - 1)
        alike = span(origin=rhythm.origin, first_breath=n, n_breaths=count, stop=stop)
        return Piece(circuit, rhythm.settings, alike)

    def _pieces(self, rhythm: _Rhythm, n: int) -> Iterator[Piece]:
        """The pieces of a breath in which something changes.

        Steps happen at the limits of pieces. What ramps has its value of the middle of a piece.
        """
        begin, end = rhythm.start(n), rhythm.start(n + 1)
        cuts = self._jumps(rhythm, n)
        if self.schedule.ramps_between(begin, end):
            cuts += [begin + rhythm.period * k / self.updates for k in range(1, self.updates)]
        final = self._stop(rhythm, n)
        edges = [begin, *sorted({cut for cut in cuts if cut < final}), min(end, final)]
        for k in range(len(edges) - 1):
            circuit = self.schedule.circuit_at(0.5 * (edges[k] + edges[k + 1]))
            resumed = -math.inf if k == 0 else edges[k]
            stop = final if k == len(edges) - 2 else edges[k + 1]
            one = span(origin=rhythm.origin, first_breath=n, n_breaths=1, resumed=resumed, stop=stop)
            yield Piece(circuit, rhythm.settings, one)
