"""Which breaths are run next: with which circuit and settings, and how many without an interruption.

Nothing is run or compiled here.  A **piece** is a part of a run in which circuit and settings stay as they are; a
**block** is made of the pieces of some whole breaths (the last breath of a run may be cut off).  Breaths that end
by time are planned ahead; when a breath has really ended, the clock of the run says.
"""

import bisect
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings

# Instants closer to the start of a breath than this part of its period count as being there.
_NEARLY = 1e-9


def period_of(settings: BreathSettings) -> float:
    """Duration of a breath that ends by time, added up as the engine does it, to the last bit. [s]"""
    return float(sum(segment.duration for segment in settings.segments()))


class Position(NamedTuple):
    """How far a run has come, as the clock of the engine has it."""

    breaths: int = 0  # that have ended
    now: float = 0.0  # [s]
    origin: float = 0.0  # start of a breath, from which those that end by time come in equal distances [s]
    turn: int = 0  # how many of these have ended
    settings: BreathSettings | None = None


@dataclass(frozen=True, eq=False)
class Piece:
    """A part of a run without a change: so many breaths, but not beyond a time.

    Circuit and settings are those that the schedule has at two times.
    """

    circuit: Circuit
    settings: BreathSettings
    n_breaths: int
    stop: float
    circuit_time: float
    settings_time: float


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive breaths that are run and measured together.

    `number` counts the first breath from 0; `kept` says whether waveforms are kept.
    """

    number: int
    pieces: tuple[Piece, ...]
    kept: bool

    @property
    def n_breaths(self) -> int:
        """How many breaths are planned."""
        return self.pieces[0].n_breaths


@dataclass(frozen=True, eq=False)
class _Rhythm:
    """Breaths of one length: number n of them starts n periods after the origin, unless one before ends early."""

    settings: BreathSettings
    settings_time: float
    origin: float
    period: float

    def start(self, n: int) -> float:
        return self.origin + n * self.period


@dataclass(frozen=True, eq=False)
class Blocks:
    """Everything that decides which breaths a run consists of.

    `whole` says whether a breath that is not over by `duration` is left out; otherwise it is cut off. Waveforms
    are kept of every n-th breath from the first on (`every`; None: of none) and of those that lie in a window of
    time (`windows`), if only in part. While something ramps, it moves `updates` times in a breath.
    """

    schedule: Schedule
    duration: float
    whole: bool
    windows: Sequence[tuple[float, float]] = ()
    every: int | None = 1
    updates: int = 1

    def after(self, position: Position, *, longest: int) -> Block | None:
        """The next block, of at most `longest` breaths; None at the end of the run."""
        number, begin = position.breaths, position.now
        # The rhythm of the breath that begins there.
        time = begin + _NEARLY * self.schedule.settings_at(begin).period
        settings = self.schedule.settings_at(time)
        origin, n = (position.origin, position.turn) if settings is position.settings else (begin, 0)
        rhythm = _Rhythm(settings, time, origin, period_of(settings))
        is_over = begin >= self.duration and not self.whole
        if is_over or not self._has_breath(rhythm, n, first=number == 0):
            return None
        kept = self._is_kept(number, begin, rhythm.start(n + 1))
        if not self._is_calm(rhythm, n):
            return Block(number, tuple(self._pieces(rhythm, n)), kept)
        count, most = 1, 1 if settings.segments()[-1].can_end_early else longest
        while count < most and self._goes_on(rhythm, n + count, number + count, kept=kept):
            count += 1
        time, stop = rhythm.start(n) + _NEARLY * rhythm.period, self._stop(rhythm, n + count - 1)
        return Block(number, (self._piece(rhythm, time=time, n_breaths=count, stop=stop),), kept)

    def _has_breath(self, rhythm: _Rhythm, n: int, *, first: bool = False) -> bool:
        """Whether the duration has room for breath n of a rhythm; what is cut off begins with a breath anyway."""
        fit = (self.duration - rhythm.origin) / rhythm.period
        room = math.floor(fit * (1.0 + 1e-12)) if self.whole else math.ceil(fit - _NEARLY)
        return room > n or (first and not self.whole)

    def _is_kept(self, number: int, start: float, end: float) -> bool:
        at_turn = self.every is not None and number % self.every == 0
        return at_turn or any(first < end and start < last for first, last in self.windows)

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
            self._has_breath(rhythm, n)
            and self.schedule.settings_at(begin + nearly) is rhythm.settings
            and self.schedule.circuit_at(begin + nearly) is self.schedule.circuit_at(begin - 0.5 * rhythm.period)
            and self._is_calm(rhythm, n)
            and self._is_kept(number, begin, rhythm.start(n + 1)) == kept
        )

    def _piece(self, rhythm: _Rhythm, *, time: float, n_breaths: int, stop: float) -> Piece:
        circuit = self.schedule.circuit_at(time)
        return Piece(circuit, rhythm.settings, n_breaths, float(stop), time, rhythm.settings_time)

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
        for start, stop in itertools.pairwise(edges):
            time = 0.5 * (start + stop)
            yield self._piece(rhythm, time=time, n_breaths=1, stop=final if stop == edges[-1] else stop)
