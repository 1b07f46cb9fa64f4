"""The steady breath: the fixed point of the map from one breath's start to the next.

With slow lungs waiting takes many breaths.  The fixed point is found instead with a multi-secant quasi-Newton
method on the pressures at the start of a breath: D. G. Anderson, Iterative procedures for nonlinear integral
equations, J. ACM 12 (1965) 547-560.  It needs no derivatives, and what decays within one breath (the gas in the
tubes) costs it nothing.  Where it fails to converge, breaths are simply repeated.
"""

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import NOW, Demands, Network, new_record, new_run, rest
from ventsim.engine.compiling import compiled, entry
from ventsim.engine.phases import FINISHED, run_breaths
from ventsim.units import FloatArray

# Differences kept by the quasi-Newton method, beyond one per lung, and the number of breaths it may use.
SPARE_DIFFERENCES, SHOOTING_BREATHS = 2, 60
# A difference counts as new only by what is not in the others, by more than this part of the largest one; below
# that there is the noise of the step control.
NOISE = 1e-6
# A residual that grows by this much over the best one means that the method has failed.
FAILING = 1e3
# How the start was found.
SHOOTING, REPETITION = range(2)
METHODS = ("shooting", "repetition")


@dataclass(frozen=True)
class SteadyStart:
    """Where the steady breath starts and how that was found.

    Attributes
    ----------
    pressure : array of shape (n_nodes,)
        Pressure of each node at the start of the breath. [cmH2O]
    residual : float
        Largest change of the pressure of a store over the breath. [cmH2O]
    breaths : int
        Breaths run to find it.
    method : {"shooting", "repetition"}
        How it was found.
    status : int
        As of `breathing.run_breaths`.
    """

    pressure: FloatArray
    residual: float
    breaths: int
    method: str
    status: int


class Search(NamedTuple):
    """What the search for a steady breath works on; nodes that store nothing stay 0."""

    start: FloatArray  # (n_nodes,) pressures from which the next breath sets out
    change: FloatArray  # (n_nodes,) over the last breath
    last_change: FloatArray  # (n_nodes,)
    last_move: FloatArray  # (n_nodes,)
    moves: FloatArray  # (n_differences, n_nodes), the oldest overwritten by the newest
    bends: FloatArray  # (n_differences, n_nodes), differences of the changes that belong to the moves
    basis: FloatArray  # (n_differences, n_nodes), orthonormal, of the bends
    upper: FloatArray  # (n_differences, n_differences), the bends in that basis
    weight: FloatArray  # (n_differences,)
    taken: NDArray[np.int64]  # (n_differences,) the bends behind the basis
    first_step: FloatArray  # (n_segments,) [s]


def new_search(net: Network, n_segments: int) -> Search:
    """Room for a search."""
    n, most = len(net.node), len(net.lung) + SPARE_DIFFERENCES
    room: list[Any] = [np.zeros(n) for _ in range(4)] + [np.zeros((most, n)) for _ in range(3)]
    room += [np.zeros((most, most)), np.zeros(most), np.zeros(most, dtype=np.int64), np.zeros(n_segments)]
    return Search(*room)


def find_steady_start(
    net: Network, segments: NDArray[np.void], pressure: FloatArray, demands: Demands, *, tolerance: float,
    most_breaths: int,
) -> SteadyStart:  # fmt: skip
    """Find the pressures from which a breath leads back to itself.

    Parameters
    ----------
    net : Network
        The compiled circuit.
    segments : array of shape (n_segments,)
        The breath.
    pressure : array of shape (n_nodes,)
        First guess. [cmH2O]
    demands : Demands
        Tolerances of the stepper.
    tolerance : float
        Change over one breath that counts as none. [cmH2O]
    most_breaths : int
        Limit for shooting and repetition together.

    Returns
    -------
    SteadyStart
        With a residual above `tolerance` if the limit was reached.
    """
    run = new_run(net, len(segments), pressure, demands)
    record = new_record(net, 0, every_part=False)
    search = new_search(net, len(segments))
    search.start[:] = pressure
    found = search_steady_start(net, segments, demands, tolerance, most_breaths, run, record, search)
    status, residual, breaths, method = found
    return SteadyStart(search.start, residual, breaths, METHODS[method], status)


@compiled
def _breathe(net, segments, demands, number, run, record, search):
    """Run one breath from the start pressures; the change goes into the search. Returns status and residual.

    The first steps of the second breath on serve for all, so that the map does not depend on its past.
    """
    rest(net, search.start, run)
    if number > 0:
        for index in range(run.first_step.shape[0]):
            run.first_step[index] = search.first_step[index]
    status = run_breaths(net, segments, 1, math.inf, demands, 1.0, run, record)
    if number <= 1:
        for index in range(run.first_step.shape[0]):
            search.first_step[index] = run.first_step[index]
    residual = 0.0
    for i in range(net.node.shape[0]):
        search.change[i] = 0.0
        if net.node[i].compliance > 0.0:
            search.change[i] = run.node_at[NOW, i].pressure - search.start[i]
            if not abs(search.change[i]) <= residual:  # so that NaN is not lost
                residual = abs(search.change[i])
    return status, residual


@compiled
def _set_out_where_it_ended(net, run, search):
    for i in range(net.node.shape[0]):
        search.start[i] = run.node_at[NOW, i].pressure


@entry
def search_steady_start(net, segments, demands, tolerance, most_breaths, run, record, search):
    """Search from `search.start` for the pressures at which a steady breath starts, and leave them there.

    Returns how it ended: status, residual [cmH2O], number of breaths, method.
    """
    status, residual = _breathe(net, segments, demands, 0, run, record, search)
    _set_out_where_it_ended(net, run, search)
    breaths, best, n_differences = 1, math.inf, 0
    while breaths < min(SHOOTING_BREATHS, most_breaths) and status == FINISHED:
        status, residual = _breathe(net, segments, demands, breaths, run, record, search)
        breaths += 1
        if not residual > tolerance or status != FINISHED:
            _set_out_where_it_ended(net, run, search)
            return status, residual, breaths, SHOOTING
        if residual > FAILING * best:
            break
        best = min(best, residual)
        if breaths > 2:
            row = n_differences % search.moves.shape[0]
            n_differences += 1
            for i in range(search.start.shape[0]):
                search.moves[row, i] = search.last_move[i]
                search.bends[row, i] = search.change[i] - search.last_change[i]
        _weigh(min(n_differences, search.moves.shape[0]), n_differences, search)
        _set_out_where_it_ended(net, run, search)
        _extrapolate(min(n_differences, search.moves.shape[0]), search)
    while residual > tolerance and status == FINISHED and breaths < most_breaths:
        status, residual = _breathe(net, segments, demands, breaths, run, record, search)
        _set_out_where_it_ended(net, run, search)
        breaths += 1
    return status, residual, breaths, REPETITION


@compiled
def _weigh(n, newest, search):
    """Weights of the differences that together come closest to the present change (least squares).

    By orthogonalisation, the newest difference first; one that says nothing new gets no weight.
    """
    largest = 0.0
    for j in range(n):
        search.weight[j] = 0.0
        largest = max(largest, math.sqrt(_dot(search.bends[j], search.bends[j])))
    used = 0
    for k in range(n):
        j = (newest - 1 - k) % search.moves.shape[0]
        vector = search.basis[used]
        for i in range(vector.shape[0]):
            vector[i] = search.bends[j, i]
        for q in range(used):
            search.upper[q, used] = 0.0
        for _ in range(2):  # a second time, for what rounding has left
            for q in range(used):
                part = _dot(search.basis[q], vector)
                search.upper[q, used] += part
                for i in range(vector.shape[0]):
                    vector[i] -= part * search.basis[q, i]
        size = math.sqrt(_dot(vector, vector))
        if size <= NOISE * largest:
            continue
        for i in range(vector.shape[0]):
            vector[i] /= size
        search.upper[used, used] = size
        search.taken[used] = j
        used += 1
    for q in range(used - 1, -1, -1):
        value = _dot(search.basis[q], search.change)
        for later in range(q + 1, used):
            value -= search.upper[q, later] * search.weight[search.taken[later]]
        search.weight[search.taken[q]] = value / search.upper[q, q]


@compiled
def _dot(a, b):
    total = 0.0
    for i in range(a.shape[0]):
        total += a[i] * b[i]
    return total


@compiled
def _extrapolate(n, search):
    """Move on from where the breath ended by what the differences tell."""
    for i in range(search.start.shape[0]):
        move = search.change[i]
        for j in range(n):
            move -= (search.moves[j, i] + search.bends[j, i]) * search.weight[j]
        search.start[i] += move - search.change[i]
        search.last_change[i], search.last_move[i] = search.change[i], move
