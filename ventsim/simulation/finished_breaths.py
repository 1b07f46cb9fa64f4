"""Gathers what a long run yields, breath by breath, and makes the results of it at any time."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.arrays import Record, new_run
from ventsim.engine.carry import restore, state_vector
from ventsim.results.measures import Measures, measured, variables_of
from ventsim.results.schema import label
from ventsim.simulation.course import Block
from ventsim.simulation.prepare import Prepared
from ventsim.simulation.runner import Runner
from ventsim.simulation.signals import (
    body_weights,
    held_by_node,
    numerics,
    samples_of,
    waveforms_dataset,
)

FloatArray = NDArray[np.float64]


class _Finished(NamedTuple):
    """What one block of breaths has left."""

    number: int
    measures: Measures
    waveforms: tuple[tuple[Prepared, Record], ...]
    final: Mapping[str, float]


class _Reached(NamedTuple):
    """How far the run has come."""

    n_blocks: int
    n_breaths: int
    prepared: Prepared
    state: FloatArray


class Collector:
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

    def add(self, block: Block, recorded: list[tuple[Prepared, Record]], runner: Runner) -> None:
        """Measure the breaths of a block that has just been run, and keep what is to be kept."""
        measures = measures_of(block, recorded, runner.held_at_start)
        final = held_by_node(runner.prepared, runner.run) if block.kept else {}
        kept = tuple(recorded) if block.kept else ()
        state, n_breaths = state_vector(runner.run), self.n_breaths + block.n_breaths
        self._all.append(_Finished(block.number, measures, kept, final))
        # The one operation that makes the block count.
        self._reached = _Reached(len(self._all), n_breaths, runner.prepared, state)

    @property
    def _blocks(self) -> list[_Finished]:
        """The blocks that count."""
        return [] if self._reached is None else self._all[: self._reached.n_blocks]

    def measures(self, attrs: Mapping[str, Any], *, held_at_start: FloatArray) -> xr.Dataset:
        """Measures of all breaths so far."""
        last, blocks = self._reached, self._blocks
        parts = zip(*(finished.measures for finished in blocks), strict=True)
        timing, lungs, ports = map(np.concatenate, parts)
        first = blocks[0].number
        variables = variables_of(timing, "breath") | variables_of(lungs, "breath", "lung")
        variables |= variables_of(ports, "breath")
        coords = {
            "breath": np.arange(first + 1, first + 1 + len(timing)),
            "lung": list(last.prepared.compiled.lungs),
        }
        prepared = last.prepared
        network, n_segments = prepared.compiled.network, len(prepared.segments)
        run = new_run(network, n_segments, prepared.resting_pressure(), prepared.demands)
        restore(run, last.state)
        numbers = numerics(last.prepared, run, held_at_start=held_at_start)
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
        """The last state, from which the run can go on to the last bit."""
        last, end = self._reached, self._blocks[-1]
        return xr.Dataset(
            {"solver": ("entry", last.state), "held_at_start": ("holder", held_at_start)},
            attrs={"breaths": end.number + len(end.measures.timing)},
        )


def measures_of(block: Block, recorded: list[tuple[Prepared, Record]], held_at_start: FloatArray) -> Measures:
    """Measures of the breaths of a block."""
    return measured(samples_of(recorded, held_at_start=held_at_start), block.timing, body_weights(recorded[-1][0]))
