"""The search for the values that meet the targets, or come nearest to them within the limits."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ventsim.errors import SolverError
from ventsim.simulation.batch import PieceResult
from ventsim.studies.sizing.problem import Problem
from ventsim.units import FloatArray

# On the even scale, where 1 is about a factor of e:
_DIFFERENCE = 1e-4  # step of the difference quotients, far above the noise of the steady breath
_FIRST_RADIUS, _LARGEST_RADIUS, _SMALLEST_RADIUS = 1.0, 8.0, 1e-8

_SAME_SQUARES, _ENOUGH_AGREE = 1e-4, 2
_MOST_STEPS = 60
# A step is worth taking if the sum of squares falls by this part of what the straight lines promise.
_LEAST_GAIN, _GOOD_GAIN = 0.05, 0.7
# How far below the tolerance the search tries to come.
_AIM = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Where a search ended.

    `slopes` holds the change of each relative miss with each place of the even scale, shape (n, n).
    """

    places: FloatArray
    miss: FloatArray
    slopes: FloatArray
    breaths_run: int

    @property
    def worst(self) -> float:
        """The largest relative miss. [1]"""
        return float(np.abs(self.miss).max())

    @property
    def squares(self) -> float:
        """Sum of the squares of the relative misses."""
        return float(self.miss @ self.miss)


class _Counter:
    """Runs trials and counts them; keeps why one had no breath."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.count, self.reason = problem, 0, ""

    def miss(self, places: FloatArray) -> FloatArray:
        """Relative misses, shape (n_places, n_targets)."""
        problem = self.problem
        result: PieceResult = problem.run([problem.case(problem.values(row)) for row in places])
        self.count += len(places)
        self.reason = self.reason or next(filter(None, result.reason), "")
        return problem.miss(result)


def search(problem: Problem, *, tolerance: float) -> Found:
    """The values that meet all targets to a relative `tolerance`, or else come nearest.

    From each of several starts: steps of Gauss and Newton, held within the limits and within a radius that
    follows the success of the steps (Levenberg's idea with a box in place of a ball).

    Parameters
    ----------
    problem : Problem
        The question.
    tolerance : float
        Relative miss that is allowed. [1]

    Returns
    -------
    Found
        The end of the best search.

    Raises
    ------
    SolverError
        If no start has a steady breath.
    """
    trials = _Counter(problem)
    best: Found | None = None
    agreed = 0
    for start in _starts(problem):
        found = _descend(trials, start, tolerance=tolerance)
        if found is None:
            continue
        same = best is not None and abs(found.squares - best.squares) <= _SAME_SQUARES * best.squares
        agreed = agreed + 1 if same else 0
        if best is None or found.squares < best.squares:
            best = found
        # Three starts in turn that come equally near have shown that nothing better is to be found.
        if best.worst <= tolerance or agreed == _ENOUGH_AGREE:
            break
    if best is None:
        raise SolverError(
            "sizing: at none of the starts within the limits there is a steady breath.\n"
            f"  Narrow the limits. The first failure: {trials.reason}"
        )
    return replace(best, breaths_run=trials.count)


def _starts(problem: Problem) -> Iterator[FloatArray]:
    """Middle of the scales, values as they are, and places towards the ends."""
    low, high = problem.scale_limits
    yield 0.5 * (low + high)
    now = [min(max(unknown.now, unknown.low), unknown.high) for unknown in problem.unknowns]
    yield np.array([unknown.to_scale(value) for unknown, value in zip(problem.unknowns, now, strict=True)])
    turn = np.arange(len(low)) % 2
    for shares in (0.2, 0.8, np.where(turn, 0.2, 0.8), np.where(turn, 0.8, 0.2)):
        yield low + shares * (high - low)


def _descend(trials: _Counter, start: FloatArray, *, tolerance: float) -> Found | None:
    """From one start to the bottom of its valley; None if the start has no breath."""
    low, high = trials.problem.scale_limits
    places, radius = start, _FIRST_RADIUS
    miss = trials.miss(places[None])[0]
    if not np.isfinite(miss).all():
        return None
    slopes = _slopes(trials, places, miss)
    is_last = False
    for _ in range(_MOST_STEPS):
        if slopes is None or np.abs(miss).max() <= _AIM * tolerance or is_last:
            break
        step, promised = _step(slopes, miss, low=low - places, high=high - places, radius=radius)
        before = float(miss @ miss)
        # What the sum of squares may change by without a reason.
        noise = 2.0 * math.sqrt(before) * trials.problem.solver_tolerance
        is_last = promised <= noise
        if is_last:  # a plateau or the bottom: one look as far as the limits
            step, promised = _step(slopes, miss, low=low - places, high=high - places, radius=_LARGEST_RADIUS)
        trial = np.clip(places + step, low, high)
        there = trials.miss(trial[None])[0]
        left = float(there @ there) if np.isfinite(there).all() else math.inf
        length = float(np.abs(step).max())
        if is_last:
            if left > before + noise:
                break
            is_last, radius = before - left <= noise, _FIRST_RADIUS
        elif (before - left) / promised < _LEAST_GAIN:
            radius = 0.3 * length
            if radius < _SMALLEST_RADIUS:
                break
            continue
        elif (before - left) / promised > _GOOD_GAIN and length > 0.99 * radius:
            radius = min(3.0 * radius, _LARGEST_RADIUS)
        places, miss = trial, there
        slopes = _slopes(trials, places, miss)
    kept = np.zeros((miss.size, places.size)) if slopes is None else slopes
    return Found(places=places, miss=miss, slopes=kept, breaths_run=0)


def _slopes(trials: _Counter, places: FloatArray, miss: FloatArray) -> FloatArray | None:
    """Difference quotients towards the inside of the limits; None if one has no breath."""
    _, high = trials.problem.scale_limits
    steps = np.where(places + _DIFFERENCE <= high, _DIFFERENCE, -_DIFFERENCE)
    there = trials.miss(places + np.diag(steps))
    return ((there - miss) / steps[:, None]).T if np.isfinite(there).all() else None


def _step(
    slopes: FloatArray, miss: FloatArray, *, low: FloatArray, high: FloatArray, radius: float
) -> tuple[FloatArray, float]:
    """The step that makes the sum of squares least, and by how much, if all were straight lines."""
    from scipy.optimize import lsq_linear

    inside = (np.minimum(np.maximum(low, -radius), 0.0), np.maximum(np.minimum(high, radius), 0.0))
    # An end that is reached leaves a crack, because both bounds must differ.
    bounds = (inside[0] - 1e-14, inside[1] + 1e-14)
    step = lsq_linear(slopes, -miss, bounds=bounds, method="bvls").x
    left = miss + slopes @ step
    return step, float(miss @ miss - left @ left)
