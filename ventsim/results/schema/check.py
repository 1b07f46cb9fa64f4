"""Does a Dataset fit the table?"""

import itertools
from collections.abc import Iterable
from typing import get_args

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError, suggestion
from ventsim.results.schema.table import COORDINATES, RECORDING_NEEDS, TIME_ROUNDING, VARIABLES, Kind, Variable

_CALLED = {
    "waveforms": "waveforms",
    "recording": "waveforms or a recording",
    "measures": "measures of breaths",
    "displayed": "displayed values",
    "alarms": "alarms",
    "blind spots": "a study of blind spots",
}
_MADE_BY = {
    "waveforms": "ventsim.simulate and ventsim.steady_breath return waveforms",
    "recording": "ventsim.simulate and ventsim.steady_breath return waveforms",
    "measures": "ventsim.breath_measures(waveforms) makes measures",
    "displayed": "ventsim.monitor.displayed_values(measures) makes displayed values",
    "alarms": "ventsim.monitor.alarms(displayed, limits) makes alarms",
    "blind spots": "ventsim.studies.blind_spots makes one",
}
# What a user who hands in the first where the second is needed most likely wants to know.
_ALREADY = {
    ("measures", "recording"): "Use them as they are, for instance ventsim.breath_table(measures)",
    ("displayed", "measures"): "ventsim.monitor.displayed_table prints displayed values",
}


def kind_of(dataset: xr.Dataset) -> Kind | None:
    """The kind of a Dataset, by the variables that only this kind has.

    Parameters
    ----------
    dataset : xarray.Dataset
        Any Dataset.

    Returns
    -------
    str or None
        One of the kinds; None if its variables are of no kind, or of several.

    Examples
    --------
    >>> import xarray as xr
    >>> kind_of(xr.Dataset({"tidal_volume_fraction": (("breath", "lung"), [[1.0]])}))
    'measures'
    """
    found = {VARIABLES[str(name)].kinds for name in dataset.data_vars if name in VARIABLES}
    common = [kind for kind in get_args(Kind) if found and all(kind in kinds for kinds in found)]
    if common == ["waveforms", "recording"]:
        return "waveforms" if "inspired_volume" in dataset else "recording"
    return common[0] if len(common) == 1 else None


def refuse_other_kind(dataset: xr.Dataset, kind: Kind) -> None:
    """Raise an error that names both kinds if a Dataset is clearly of another kind than is needed.

    Parameters
    ----------
    dataset : xarray.Dataset
        What was handed in.
    kind : {"waveforms", "recording", "measures", "displayed", "alarms", "blind spots"}
        What is needed.

    Raises
    ------
    SchemaError
        If it is no Dataset, or one of another kind.

    Examples
    --------
    >>> import xarray as xr
    >>> refuse_other_kind(xr.Dataset({"tidal_volume_fraction": (("breath", "lung"), [[1.0]])}), "recording")
    Traceback (most recent call last):
    ventsim.errors.SchemaError: these are measures of breaths already; waveforms or a recording is needed here.
      Use them as they are, for instance ventsim.breath_table(measures).
    """
    if not isinstance(dataset, xr.Dataset):
        remedy = "Give the whole Dataset" if isinstance(dataset, xr.DataArray) else _MADE_BY[kind]
        raise SchemaError(
            f"got {type(dataset).__name__}; a Dataset with {_CALLED[kind]} is needed here.\n  {remedy}."
        )
    found = kind_of(dataset)
    if found is None or found == kind or {found, kind} == {"waveforms", "recording"}:
        return
    remedy = _ALREADY.get((found, kind))
    already = " already" if remedy else ""
    plural = "this is" if found == "blind spots" else "these are"
    name = "waveforms" if found == "recording" else _CALLED[found]
    needed = "is" if kind in ("recording", "blind spots") else "are"
    raise SchemaError(
        f"{plural} {name}{already}; {_CALLED[kind]} {needed} needed here.\n  {remedy or _MADE_BY[kind]}."
    )


_TIMING = ("breath_start", "flow_end", "inspiration_end", "breath_end")


def check_dataset(dataset: xr.Dataset, kind: Kind, *, extra_dims: Iterable[str] = ()) -> None:
    """Raise an error that says what to do if a Dataset does not fit the table.

    Looks at names, dimensions, units, coordinates and the order of the breath times; the numbers of the
    waveforms are not judged, so that a failed run, marked by NaN, still fits.

    Parameters
    ----------
    dataset : xarray.Dataset
        What to check.
    kind : {"waveforms", "recording", "measures", "displayed", "alarms", "blind spots"}
        Kind of Dataset that it should be.
    extra_dims : iterable of str, optional
        Further dimensions that variables may have, such as the swept parameters of a study.

    Raises
    ------
    SchemaError
        If it is another kind of Dataset or none at all; if a variable or coordinate is missing, unknown, has
        other dimensions or another unit, if time does not increase, or if breath times are out of order.

    Examples
    --------
    >>> import xarray as xr
    >>> check_dataset(xr.Dataset({"flwo": ("time", [0.5])}), "recording")
    Traceback (most recent call last):
    ventsim.errors.SchemaError: variable 'flwo' is not in the table of a 'recording' Dataset.
      Did you mean 'flow'?
    """
    if kind not in get_args(Kind):
        raise SchemaError(f"unknown kind of Dataset: {kind!r}.\n  {suggestion(str(kind), get_args(Kind))}")
    refuse_other_kind(dataset, kind)
    of_kind = f"{'an' if kind == 'alarms' else 'a'} '{kind}' Dataset"
    allowed = {name: row for name, row in VARIABLES.items() if kind in row.kinds}
    for name in dataset.data_vars:
        if name not in allowed:
            raise SchemaError(
                f"variable '{name}' is not in the table of {of_kind}.\n  {suggestion(str(name), allowed)}"
            )
    for name in _required(kind):
        if name not in dataset.data_vars:
            raise SchemaError(
                f"variable '{name}' is missing from {of_kind}.\n"
                f"  It has {_listed(dataset.data_vars)}.\n"
                f"  Add '{name}' with dims {VARIABLES[name].dims} [{VARIABLES[name].units}]."
            )
    extra = frozenset(extra_dims)
    for name in dataset.data_vars:
        _check_variable(dataset.variables[name], VARIABLES[str(name)], extra=extra)
    for name in sorted({dim for variable in dataset.data_vars for dim in VARIABLES[str(variable)].dims}):
        if name not in dataset.coords:
            raise SchemaError(
                f"coordinate '{name}' is missing: dimension '{name}' has no labels.\n"
                f"  Add it with dataset.assign_coords({name}=...)."
            )
    if kind in ("waveforms", "recording"):
        _check_time(dataset["time"])
    _check_labels(dataset)
    if kind != "blind spots":
        _check_breath_numbers(dataset["breath"].values)
        _check_breath_times(dataset)
    if "predicted_body_weight" in dataset:
        _check_body_weight(dataset["predicted_body_weight"])


def _required(kind: Kind) -> tuple[str, ...]:
    if kind == "recording":
        return RECORDING_NEEDS
    rows = [row for row in VARIABLES.values() if kind in row.kinds]
    if kind == "measures":  # a bench recording often has no ports
        rows = [row for row in rows if "lung" in row.dims or "waveforms" in row.kinds]
    return tuple(row.name for row in rows)


def _check_variable(variable: xr.Variable, row: Variable, *, extra: frozenset[str]) -> None:
    dims = tuple(dim for dim in variable.dims if dim not in extra)
    if sorted(map(str, dims)) != sorted(row.dims):
        raise SchemaError(
            f"variable '{row.name}' has dims {variable.dims}; its dims are {row.dims}.\n"
            f"  Rename or add dimensions (dataset.rename, .expand_dims), or select along the others."
        )
    found = variable.attrs.get("units")
    if not row.units:
        return  # it holds texts
    if found is None:
        raise SchemaError(
            f"variable '{row.name}' has no attribute 'units'; its unit is {row.units}.\n"
            f"  If the numbers are in {row.units}, use ventsim.schema.label(dataset)."
        )
    _check_unit(f"variable '{row.name}'", found=found, wanted=row.units)


def _check_unit(where: str, *, found: str, wanted: str) -> None:
    if found != wanted:
        raise SchemaError(
            f"{where} is in {found!r}; its unit is {wanted!r}.\n"
            f"  Convert the numbers with ventsim.units.convert, then use ventsim.schema.label(dataset)."
        )


def _check_time(time: xr.DataArray) -> None:
    _check_unit("coordinate 'time'", found=time.attrs.get("units", "s"), wanted="s")
    if time.size < 2 or time.dtype != np.float64 or not np.isfinite(time.values).all():
        raise SchemaError(
            f"coordinate 'time' must hold two or more finite numbers of type float64 [s]; it has {time.size} "
            f"of type {time.dtype}.\n  Give the seconds since the start of the recording."
        )
    back = np.flatnonzero(np.diff(time.values) <= 0)
    if back.size:
        before, after = time.values[back[0] : back[0] + 2]
        raise SchemaError(
            f"coordinate 'time' must increase; after {before:.6g} s comes {after:.6g} s.\n"
            "  Sort the samples (dataset.sortby('time')) and remove repeated ones."
        )


def _check_labels(dataset: xr.Dataset) -> None:
    for name in ("lung", "node", "branch", "alarm", "mode", "fault"):
        values = np.atleast_1d(dataset[name].values).tolist() if name in dataset.coords else []
        if not all(isinstance(value, str) for value in values) or len(set(values)) < len(values):
            raise SchemaError(
                f"coordinate '{name}' must hold different names; it holds {_listed(values)}.\n"
                f"  Give each {COORDINATES[name].long_name} a name of its own."
            )


def _check_breath_numbers(numbers: NDArray[np.int64]) -> None:
    if numbers.dtype.kind not in "iu" or (numbers < 1).any() or (np.diff(numbers) < 1).any():
        raise SchemaError(
            "coordinate 'breath' must hold increasing whole numbers from 1; it holds "
            f"{_listed(numbers.tolist())}.\n  Number the breaths 1, 2, 3, ..."
        )


def _check_breath_times(dataset: xr.Dataset) -> None:
    """The times of one breath follow each other, and a breath starts when the last one has ended."""
    times = dataset.variables
    names = [name for name in _TIMING if name in times]
    for earlier, later in itertools.pairwise(names):
        gap = times[later] - times[earlier]
        wrong = gap < 0 if earlier == "flow_end" else gap <= 0  # no pause: they meet
        if wrong.any():
            number = int(times["breath"].where(wrong).min())
            raise SchemaError(
                f"breath {number}: '{earlier}' ({_listed_times(dataset[earlier], number)}) is not before "
                f"'{later}' ({_listed_times(dataset[later], number)}).\n  The order is {', '.join(names)}."
            )
    overlap = times["breath_start"] < times["breath_end"].shift(breath=1) - TIME_ROUNDING
    if overlap.any():
        number = int(times["breath"].where(overlap).min())
        start = _listed_times(dataset["breath_start"], number)
        raise SchemaError(
            f"breath {number} starts ({start}) before the last one has ended.\n  Breaths may not overlap."
        )


def _check_body_weight(weight: xr.DataArray) -> None:
    wrong = (weight <= 0) | np.isinf(weight)
    if wrong.any():
        name = str(weight["lung"].values[int(np.argwhere(wrong.transpose("lung", ...).values)[0][0])])
        raise SchemaError(
            f"lung '{name}': body weight {weight.sel(lung=name).values} kg is impossible.\n"
            "  Give a weight above 0 kg, or NaN if it is unknown."
        )


def _listed_times(times: xr.DataArray, number: int) -> str:
    return ", ".join(f"{time:.6g} s" for time in np.atleast_1d(times.sel(breath=number).values).ravel()[:3])


def _listed(names: Iterable[object]) -> str:
    shown = [repr(name) if isinstance(name, str) else str(name) for name in names]
    more = f" and {len(shown) - 8} more" if len(shown) > 8 else ""
    return ", ".join(shown[:8]) + more if shown else "none"
