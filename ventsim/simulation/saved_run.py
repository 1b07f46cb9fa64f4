"""A long run as a value: measures, waveforms that were kept and the last state; and as a file."""

import math
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
import xarray as xr

from ventsim.errors import FileError, SchemaError
from ventsim.files import netcdf, read_datasets, write_file
from ventsim.parameters import public
from ventsim.results.points import node_of_points, points_of_nodes, with_points
from ventsim.results.schema import check_dataset, label

# A file of a run that goes on is written anew after this time [s], or later if writing takes long.
_SECONDS_BETWEEN, _WORTH = 5.0, 20.0


@public
@dataclass(frozen=True, eq=False, kw_only=True)
class LongRun:
    """What a long run yields.

    Parameters
    ----------
    measures : xarray.Dataset
        Measures of every breath; the attribute ``status`` says whether the run went to its end.
    waveforms : xarray.Dataset or None
        Waveforms of the breaths that were to be kept; None: of none.
    state : xarray.Dataset
        The last state, from which :func:`ventsim.simulate_long` goes on.

    Examples
    --------
    ``run.save("night.nc")`` writes a file that ``xarray.open_dataset`` opens as the measures, with groups
    ``waveforms`` and ``state``; ``LongRun.read("night.nc")`` reads all of it.
    """

    measures: xr.Dataset
    waveforms: xr.Dataset | None
    state: xr.Dataset

    @public
    def save(self, path: str | Path) -> None:
        """Write a NetCDF file in one step, so that no part of it is ever seen; one that exists is replaced.

        Parameters
        ----------
        path : str or Path
            The file.

        Raises
        ------
        FileError
            If it cannot be written, or another run is writing it; what was there before is whole.
        """
        groups = {"": self.measures, "waveforms": self.waveforms, "state": self.state}
        write_file(path, netcdf({name: dataset for name, dataset in groups.items() if dataset is not None}))

    @classmethod
    @public
    def read(cls, path: str | Path) -> Self:
        """Read what :meth:`save` has written.

        Parameters
        ----------
        path : str or Path
            The file.

        Returns
        -------
        LongRun
            All in memory; the file is closed.

        Raises
        ------
        SchemaError
            If it is damaged, or no file of a long run; the message says what of it can be read, and how.
        """
        if not isinstance(path, str | os.PathLike):
            raise SchemaError(
                f"got {type(path).__name__}; a long run or the name of its file is needed here.\n"
                "  Give what simulate_long returned, or a file that a long run of ventsim has written."
            )
        found = read_datasets(path)
        if fault := _fault(found[""], found.get("state")):
            raise SchemaError(f"'{path}' {fault}")
        waveforms = with_points(found["waveforms"]) if "waveforms" in found else None
        return cls(measures=found[""], waveforms=waveforms, state=found["state"])


def _fault(measures: xr.Dataset, state: xr.Dataset | None) -> str:
    """Why a run cannot go on, and what to do; empty if it can."""
    if state is None and "time" in measures.dims and "node_pressure" in measures:
        return (
            "is the result of a short run, which keeps no state; only long runs can go on.\n"
            "  Run its scenario again, for longer; or begin a new run where it ended: start=... of simulate_long."
        )
    remedy = "Give a file that a long run of ventsim has written."
    if state is None:
        return f"holds no run that can go on.\n  {remedy}"
    try:
        check_dataset(measures, "measures")
    except SchemaError as error:
        return f"holds no measures of a long run: {error}"
    numbers = [state.attrs.get(name) for name in ("breaths", "circuit_time_s", "settings_time_s")]
    is_whole = all(state[name].dtype == float and state[name].ndim == 1 for name in _STATE if name in state)
    if not is_whole or not set(_STATE) <= set(state) or not all(map(_is_number, numbers)):
        return f"holds no state from which a run can go on.\n  {remedy}"
    if not measures.sizes["breath"] or measures["breath"].values[-1] != state.attrs["breaths"]:
        return f"holds measures of other breaths than those of its state.\n  {remedy}"
    missing = [name for name in ("status", "scenario") if not isinstance(measures.attrs.get(name), str)]
    return f"has no attribute {missing[0]!r}.\n  {remedy}" if missing else ""


_STATE = ("solver", "held_at_start")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float | np.integer | np.floating) and math.isfinite(value)


def joined(before: LongRun, after: LongRun) -> LongRun:
    """Two halves of a run as one."""
    measures = _in_turn(before.measures, after.measures)
    waveforms = after.waveforms
    if before.waveforms is not None:
        waveforms = before.waveforms.assign_attrs(after.measures.attrs)
        if after.waveforms is not None:
            waveforms = _in_turn(before.waveforms, after.waveforms)
    return LongRun(measures=measures, waveforms=waveforms, state=after.state)


def _in_turn(first: xr.Dataset, second: xr.Dataset) -> xr.Dataset:
    """Two Datasets one after the other along time and breath; points that one has not are NaN in it."""
    points = {}
    if "points" in second.coords:
        points = node_of_points(first) | node_of_points(second)
        first, second = first.drop_vars("points"), second.drop_vars("points")
    for name in ("node", "branch"):
        if name in first.coords:
            every = list(dict.fromkeys([*first[name].values.tolist(), *second[name].values.tolist()]))
            # Only a plain index can be filled up.
            both = (one.drop_indexes(name).set_xindex(name) for one in (first, second))
            first, second = (one.reindex({name: every}) for one in both)
    parts = {}
    for variable, later in second.data_vars.items():
        # Coordinates along other dimensions may differ where the circuit has changed; the later ones stay.
        along = [dim for dim in ("time", "breath") if dim in later.dims]
        parts[variable] = xr.concat([first[variable], later], dim=along[0]) if along else later
    joined = xr.Dataset(parts, attrs=second.attrs)
    if points:
        joined = joined.assign_coords(points=("node", points_of_nodes(joined["node"].values.tolist(), points)))
    return label(joined)


class Saver:
    """Writes the file of a run now and then while it goes on, and at its end.

    Parameters
    ----------
    path : str, Path or None
        The file, which the run has reserved; None: nothing is written.
    """

    def __init__(self, path: str | Path | None) -> None:
        self._path = path
        self._due = time.monotonic() + _SECONDS_BETWEEN

    def now_and_then(self, result: Callable[[], LongRun]) -> None:
        """Write the run so far if the last time was long ago."""
        if self._path is not None and time.monotonic() >= self._due:
            began = time.monotonic()
            self.write(result())
            took = time.monotonic() - began
            self._due = time.monotonic() + max(_SECONDS_BETWEEN, _WORTH * took)

    def write(self, run: LongRun) -> None:
        """Write the run; an error has it as ``finished``."""
        if self._path is not None:
            try:
                run.save(self._path)
            except FileError as error:
                error.finished = run
                raise
