"""What the finished breaths of a long run have left, and the results made of it at any time."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ventsim.engine.arrays import new_run
from ventsim.engine.state import restore, state_vector
from ventsim.results.kernel import Measures, variables_of
from ventsim.results.schema import label
from ventsim.simulation.blocks import Block, Piece
from ventsim.simulation.integration import Integration
from ventsim.simulation.problem import Problem
from ventsim.simulation.waveforms import Recorded, held_by_node, measures_of, numerics, waveforms_dataset
from ventsim.units import FloatArray


class _Finished(NamedTuple):
    """What one block of breaths has left."""

    number: int
    measures: Measures
    waveforms: Recorded
    final: Mapping[str, float]


class _Reached(NamedTuple):
    """How far the run has come."""

    n_blocks: int
    n_breaths: int
    problem: Problem
    piece: Piece
    state: FloatArray


class FinishedBreaths:
    """Measures of all breaths so far, waveforms of those that are kept, and the last state.

    A block counts only once it has been added as a whole, so that a run that is stopped at any time leaves whole
    breaths.
    """

    def __init__(self) -> None:
        self._all: list[_Finished] = []
        self._reached: _Reached | None = None

    @property
    def n_breaths(self) -> int:
        """Number of breaths so far."""
        return 0 if self._reached is None else self._reached.n_breaths

    def add(self, block: Block, recorded: Recorded, integration: Integration) -> None:
        """Measure the breaths of a block that has just been run, and keep what is to be kept."""
        problem, run = integration.problem, integration.run
        measures = measures_of(recorded, held_at_start=integration.held_at_start)
        kept, final = (recorded, held_by_node(problem, run)) if block.kept else ([], {})
        self._all.append(_Finished(block.number, measures, kept, final))
        n_breaths = self.n_breaths + len(measures.timing)
        # The one operation that makes the block count.
        self._reached = _Reached(len(self._all), n_breaths, problem, integration.piece, state_vector(run))

    @property
    def _last(self) -> _Reached:
        """How far the run has come, once there is a block."""
        assert self._reached is not None
        return self._reached

    @property
    def _blocks(self) -> list[_Finished]:
        """The blocks that count."""
        return [] if self._reached is None else self._all[: self._reached.n_blocks]

    def measures(self, attrs: Mapping[str, Any], *, held_at_start: FloatArray) -> xr.Dataset:
        """Measures of all breaths so far."""
        last, blocks = self._last, self._blocks
        parts = zip(*(finished.measures for finished in blocks), strict=True)
        timing, lungs, ports = map(np.concatenate, parts)
        first = blocks[0].number
        variables = variables_of(timing, "breath") | variables_of(lungs, "breath", "lung")
        variables |= variables_of(ports, "breath")
        coords = {
            "breath": np.arange(first + 1, first + 1 + len(timing)),
            "lung": list(last.problem.compiled.lungs),
        }
        problem = last.problem
        network, n_segments = problem.compiled.network, len(problem.segments)
        run = new_run(network, n_segments, problem.resting_pressure(), problem.demands)
        restore(run, last.state)
        numbers = numerics(problem, run, held_at_start=held_at_start)
        return label(xr.Dataset(variables, coords=coords, attrs={**attrs, **numbers}))

    def waveforms(self, attrs: Mapping[str, Any], *, held_at_start: FloatArray) -> xr.Dataset | None:
        """Waveforms of the breaths that were kept, or None."""
        kept = [finished for finished in self._blocks if finished.waveforms]
        if not kept:
            return None
        numbers = [finished.number + 1 + np.arange(len(finished.measures.timing)) for finished in kept]
        return waveforms_dataset(
            [part for finished in kept for part in finished.waveforms],
            kept[-1].final,
            held_at_start=held_at_start,
            timing=np.concatenate([finished.measures.timing for finished in kept]),
            numbers=np.concatenate(numbers),
            attrs=attrs,
        )

    def state(self, *, held_at_start: FloatArray) -> xr.Dataset:
        """The last state, from which the run can go on to the last bit; with the times of circuit and settings."""
        last, end = self._last, self._blocks[-1]
        return xr.Dataset(
            {"solver": ("entry", last.state), "held_at_start": ("holder", held_at_start)},
            attrs={
                "breaths": end.number + len(end.measures.timing),
                "circuit_time_s": last.piece.circuit_time,
                "settings_time_s": last.piece.settings_time,
            },
        )
