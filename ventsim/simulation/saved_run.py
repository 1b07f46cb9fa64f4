"""A long run as a value: measures, waveforms that were kept and the last state; and as a file."""

import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self

import xarray as xr

from ventsim.errors import InputError, SchemaError
from ventsim.parameters import public
from ventsim.results.points import node_of_points, points_of_nodes, with_points
from ventsim.results.schema import label

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
        """Write a NetCDF file; one that exists is replaced in a single operation, so that no half of it is seen.

        Parameters
        ----------
        path : str or Path
            The file.

        Raises
        ------
        InputError
            If it cannot be written.
        """
        path = Path(path)
        draft = path.with_name(f".{path.name}.draft")
        try:
            for group, dataset in ((None, self.measures), ("waveforms", self.waveforms), ("state", self.state)):
                if dataset is not None:
                    mode: Literal["w", "a"] = "w" if group is None else "a"
                    encoding = {str(name): {"zlib": True, "complevel": 1} for name in dataset.data_vars}
                    dataset.to_netcdf(str(draft), mode=mode, group=group, engine="h5netcdf", encoding=encoding)
            os.replace(draft, path)
        except (OSError, ValueError) as error:
            raise InputError(
                f"cannot write '{path}': {getattr(error, 'strerror', None) or error}.\n"
                "  Give a file in a folder that can be written to, with room for it."
            ) from None
        finally:
            # Gone already after a success; after an error, or a second Ctrl-C, no half of a file is left.
            with suppress(OSError):
                draft.unlink(missing_ok=True)

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
            If it cannot be read or is no such file.
        """
        if not isinstance(path, str | os.PathLike):
            raise SchemaError(
                f"got {type(path).__name__}; a long run or the name of its file is needed here.\n"
                "  Give what simulate_long returned, or a file that a long run of ventsim has written."
            )
        try:
            measures = xr.load_dataset(path, engine="h5netcdf")
        except (OSError, ValueError, KeyError) as error:
            missing = "there is no such file" if isinstance(error, FileNotFoundError) else str(error)
            raise SchemaError(
                f"cannot read a long run from '{path}': {missing}.\n"
                "  Give a file that a long run of ventsim has written."
            ) from None
        state = _read_group(path, "state")
        if state is None and "time" in measures.dims and "node_pressure" in measures:
            raise SchemaError(
                f"'{path}' is the result of a short run, which keeps no state; only long runs can go on.\n"
                "  Run its scenario again, for longer; or begin a new run where it ended: start=... of "
                "simulate_long."
            )
        if state is None:
            remedy = "Give a file that a long run of ventsim has written."
            raise SchemaError(f"'{path}' holds no run that can go on.\n  {remedy}")
        return cls(measures=measures, waveforms=_read_group(path, "waveforms"), state=state)


def _read_group(path: str | Path, group: str) -> xr.Dataset | None:
    try:
        return with_points(xr.load_dataset(path, engine="h5netcdf", group=group))
    except (OSError, ValueError, KeyError):
        return None


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
        The file; None: nothing is written.
    """

    def __init__(self, path: str | Path | None) -> None:
        self._path = None if path is None else Path(path)
        self._due = time.monotonic() + _SECONDS_BETWEEN

    def check(self) -> None:
        """Refuse a file that cannot be written, before anything is run."""
        if self._path is None:
            return
        folder = self._path.parent
        if self._path.is_dir() or not folder.is_dir() or not os.access(folder, os.W_OK):
            raise InputError(
                f"save: '{self._path}' cannot be written.\n  Give the name of a file in a folder that exists."
            )

    def now_and_then(self, result: Callable[[], LongRun]) -> None:
        """Write the run so far if the last time was long ago."""
        if self._path is not None and time.monotonic() >= self._due:
            began = time.monotonic()
            result().save(self._path)
            took = time.monotonic() - began
            self._due = time.monotonic() + max(_SECONDS_BETWEEN, _WORTH * took)

    def at_end(self, run: LongRun) -> None:
        """Write the whole run."""
        if self._path is not None:
            run.save(self._path)
