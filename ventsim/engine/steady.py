"""The steady breath: the fixed point of the map from one breath's start to the next.

With slow lungs waiting takes many breaths.  The fixed point is found instead with a multi-secant quasi-Newton
method on the pressures at the start of a breath: D. G. Anderson, Iterative procedures for nonlinear integral
equations, J. ACM 12 (1965) 547-560.  It needs no derivatives, and what decays within one breath (the gas in the
tubes) costs it nothing.  Where it fails to converge, breaths are simply repeated.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import NOW, Demands, Network, new_record, new_run
from ventsim.engine.breathing import FINISHED, run_breaths

FloatArray = NDArray[np.float64]

# Differences kept by the quasi-Newton method, beyond one per lung, and the number of breaths it may use.
SPARE_DIFFERENCES, SHOOTING_BREATHS = 2, 60
# Singular values below this part of the largest one are taken as noise of the step control.
NOISE = 1e-6


@dataclass(frozen=True)
class SteadyStart:
    """Where the steady breath starts and how that was found.

    Attributes
    ----------
    pressure : array of shape (n_nodes,)
        Pressure of each node at the start of the breath. [cmH2O]
    residual : float
        Largest change of a storing node's pressure over the breath. [cmH2O]
    breaths : int
        Breaths that were run. [1]
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


class _BreathMap:
    """Start pressures to the start pressures of the next breath, with the same first steps every time."""

    def __init__(self, net: Network, segments: NDArray[np.void], demands: Demands) -> None:
        self._net, self._segments, self._demands = net, segments, demands
        self._first_step: FloatArray | None = None
        self.stores = net.node["compliance"] > 0
        self.breaths, self.status = 0, FINISHED

    def __call__(self, pressure: FloatArray) -> FloatArray:
        run = new_run(self._net, len(self._segments), pressure, self._demands)
        if self._first_step is not None:
            run.first_step[:] = self._first_step
        record = new_record(self._net, 0, every_part=False)
        self.status = run_breaths(self._net, self._segments, 0, 1, np.inf, self._demands, 1.0, run, record)
        self.breaths += 1
        # The first steps of the second breath on serve for all, so that the map does not depend on its past.
        if self.breaths <= 2:
            self._first_step = run.first_step.copy()
        return run.node_at[NOW]["pressure"].copy()


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
    step = _BreathMap(net, segments, demands)
    found, residual = _shoot(step, step(pressure), tolerance, min(SHOOTING_BREATHS, most_breaths), len(net.lung))
    method = "shooting"
    while residual > tolerance and step.status == FINISHED and step.breaths < most_breaths:
        method = "repetition"
        after = step(found)
        residual = float(np.abs(after - found)[step.stores].max())
        found = after
    return SteadyStart(found, residual, step.breaths, method, step.status)


def _shoot(
    step: _BreathMap, pressure: FloatArray, tolerance: float, most_breaths: int, n_lungs: int
) -> tuple[FloatArray, float]:
    """Quasi-Newton iteration; returns the last start pressures and their residual."""
    stores = step.stores
    moves: list[FloatArray] = []
    bends: list[FloatArray] = []
    last_change: FloatArray | None = None
    last_move: FloatArray | None = None
    best = np.inf
    while step.breaths < most_breaths:
        after = step(pressure)
        change = (after - pressure)[stores]
        residual = float(np.abs(change).max())
        if not residual > tolerance or step.status != FINISHED:
            return after, residual
        if residual > 1e3 * best:
            break
        best = min(best, residual)
        if last_change is not None:
            moves.append(last_move)
            bends.append(change - last_change)
            del moves[: -(n_lungs + SPARE_DIFFERENCES)], bends[: -(n_lungs + SPARE_DIFFERENCES)]
        move = change
        if moves:
            weights = np.linalg.lstsq(np.column_stack(bends), change, rcond=NOISE)[0]
            move = change - np.column_stack([m + b for m, b in zip(moves, bends, strict=True)]) @ weights
        last_change, last_move = change, move
        pressure = after.copy()
        pressure[stores] += move - change
    return pressure, np.inf
