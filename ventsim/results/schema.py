"""Every result variable in one table: name, dimensions, unit, sign, meaning; and what holds data to it.

Five kinds of Dataset fit the table. ``"waveforms"`` is what a simulation returns, with every waveform variable.
``"recording"`` is the same with fewer variables: airway pressure, flow and the times of the breaths will do.
``"measures"`` holds one number per breath, or per breath and lung; its port variables may be absent.
``"displayed"`` is what the ventilator itself would show of each breath, and ``"alarms"`` which of its alarms.

The time axis of waveforms is strictly increasing. Where a source jumps, at ``t``, it has both limits: the sample
at ``numpy.nextafter(t, -inf)`` is the last value before, and the sample at ``t`` the first value after.

The attributes ``units``, ``long_name`` and ``positive`` come from this table alone, through :func:`label`,
because arithmetic on labelled arrays keeps or loses them without regard to the meaning of the result.
"""

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Literal, get_args

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError, shown, suggestion
from ventsim.parameters import public
from ventsim.quantities import check
from ventsim.results.points import pressure_at, with_points
from ventsim.results.variables import COORDINATE_ROWS, GROUPS
from ventsim.tables import Column, percent

__all__ = [
    "CAUTION",
    "COORDINATES",
    "ORIGIN",
    "RECORDING_NEEDS",
    "TIME_ROUNDING",
    "VARIABLES",
    "Kind",
    "Variable",
    "breath_position",
    "check_dataset",
    "label",
    "nomenclature",
    "pressure_at",
]

Kind = Literal["waveforms", "recording", "measures", "displayed", "alarms", "blind spots"]


@dataclass(frozen=True, kw_only=True)
class Variable:
    """One row of the table of result variables.

    Parameters
    ----------
    name : str
        Name in a Dataset.
    symbol : str
        Symbol in equations.
    dims : tuple of str
        Dimensions, in the order in which ventsim writes them.
    units : str
        Unit, empty for a variable that holds names.
    long_name : str
        Meaning, in a few words that suit the axis of a plot.
    positive : str
        What a positive value means.
    kinds : tuple of str
        Kinds of Dataset in which it may occur.
    heading : str
        Meaning in still fewer words, for a column of a table.

    Examples
    --------
    >>> VARIABLES["flow"].units, VARIABLES["flow"].positive
    ('L/s', 'into the lung')
    """

    name: str
    symbol: str
    dims: tuple[str, ...]
    units: str
    long_name: str
    positive: str
    kinds: tuple[str, ...]
    heading: str

    @property
    def column(self) -> Column:
        """How a table shows it: ratios in percent, other numbers with the decimals of their unit."""
        if self.units == "1":
            return Column(heading=self.heading, unit="1", show=percent, shown_unit="%")
        return Column(heading=self.heading, unit=self.units)


def _row(dims: tuple[str, ...], kinds: tuple[str, ...], *cells: str) -> Variable:
    row = dict(zip(("name", "symbol", "units", "long_name", "positive", "heading"), cells, strict=False))
    return Variable(dims=dims, kinds=kinds, **{"heading": row["long_name"], **row})


COORDINATES: dict[str, Variable] = {
    name: _row(("node",) if name == "points" else (name,), kinds, name, *rest)
    for name, (*rest, kinds) in COORDINATE_ROWS.items()
}
"""Coordinates of the results, by name."""

VARIABLES: dict[str, Variable] = {row[0]: _row(dims, kinds, *row) for dims, kinds, rows in GROUPS for row in rows}
"""Variables of the results, by name."""

CAUTION = "For research, teaching and engineering; not for deciding about a patient."
"""Attribute ``caution`` of every result, and last line of every table."""

ORIGIN = {"source": f"ventsim {version('ventsim')}", "caution": CAUTION}
"""Attributes of every result."""

RECORDING_NEEDS = ("airway_pressure", "flow", "breath_start", "inspiration_end", "breath_end")
"""Variables that a recording must have; every other variable of waveforms may be added."""

TIME_ROUNDING = 1e-9
"""Times of breaths that differ by less than this count as equal. [s]"""


def nomenclature() -> tuple[dict[str, str], ...]:
    """Rows of the table of names, for the documentation.

    Returns
    -------
    tuple of dict of str to str
        One dict per coordinate and variable: ``name``, ``symbol``, ``dims``, ``units``, ``positive``,
        ``meaning``, ``kinds``.

    Examples
    --------
    >>> [row["units"] for row in nomenclature() if row["name"] == "mechanical_power"]
    ['J/min']
    """
    return tuple(
        {"name": row.name, "symbol": row.symbol, "dims": ", ".join(row.dims), "units": row.units,
         "positive": row.positive, "meaning": row.long_name, "kinds": ", ".join(row.kinds)}
        for row in (*COORDINATES.values(), *VARIABLES.values())
    )  # fmt: skip


@public
def label(dataset: xr.Dataset) -> xr.Dataset:
    """A copy whose variables carry the unit, meaning and sign of the table, and whose nodes answer to all points.

    The numbers must already be in the units of the table; none is changed. Attributes that a variable had are
    replaced, those of the Dataset itself are kept.

    Parameters
    ----------
    dataset : xarray.Dataset
        Any kind of Dataset of the table.

    Returns
    -------
    xarray.Dataset
        The same numbers, labelled.

    Raises
    ------
    SchemaError
        If a variable is not in the table.

    Examples
    --------
    >>> import xarray as xr
    >>> label(xr.Dataset({"flow": (("time", "lung"), [[0.5]])})).flow.attrs["units"]
    'L/s'
    """
    labelled = with_points(dataset.copy(deep=False))
    for name in labelled.data_vars:
        if name not in VARIABLES:
            raise SchemaError(
                f"variable '{name}' is not in the table of result variables.\n  {suggestion(str(name), VARIABLES)}"
            )
    rows = [VARIABLES[str(name)] for name in labelled.data_vars]
    for row in rows + [COORDINATES[str(name)] for name in labelled.coords if name in COORDINATES]:
        attrs = {"units": row.units, "long_name": row.long_name, "positive": row.positive}
        labelled.variables[row.name].attrs = {key: text for key, text in attrs.items() if text}
    return labelled


@public
def breath_position(dataset: xr.Dataset, breath: int) -> int:
    """Position of a breath along dimension ``breath``.

    Parameters
    ----------
    dataset : xarray.Dataset
        Any Dataset with coordinate ``breath``.
    breath : int
        Number of the breath as in the coordinate, or -1 for the last, -2 for the one before. [1]

    Returns
    -------
    int
        Position, from 0. [1]

    Raises
    ------
    SchemaError
        If there is no such breath.

    Examples
    --------
    >>> import xarray as xr
    >>> breath_position(xr.Dataset(coords={"breath": [4, 5, 6]}), -1)
    2
    """
    if "breath" not in dataset.coords:
        raise SchemaError("coordinate 'breath' is missing.\n  Use waveforms, a recording or measures.")
    numbers = np.atleast_1d(dataset["breath"].values).tolist()
    if breath < 0 and -breath <= len(numbers):
        return len(numbers) + breath
    if breath in numbers:
        return numbers.index(breath)
    have = f"It has breaths {numbers[0]} to {numbers[-1]}" if numbers else "It has none"
    raise SchemaError(f"breath {breath} is not in the Dataset.\n  {have}; -1 is the last one.")


_WAVEFORMS_FROM = "ventsim.simulate and ventsim.steady_breath return waveforms"
# Of each kind what it is, what is needed, and what makes it.
_IN_WORDS: dict[Kind, tuple[str, str, str]] = {
    "waveforms": ("these are waveforms", "waveforms are", _WAVEFORMS_FROM),
    "recording": ("these are waveforms", "waveforms or a recording is", _WAVEFORMS_FROM),
    "measures": (
        "these are measures of breaths", "measures of breaths are",
        "ventsim.breath_measures(waveforms) makes measures",
    ),
    "displayed": (
        "these are displayed values", "displayed values are",
        "ventsim.monitor.displayed_values(measures) makes displayed values",
    ),
    "alarms": ("these are alarms", "alarms are", "ventsim.monitor.alarms(displayed, limits) makes alarms"),
    "blind spots": (
        "this is a study of blind spots", "a study of blind spots is", "ventsim.studies.blind_spots makes one",
    ),
}  # fmt: skip
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
    _, needed, made_by = _IN_WORDS[kind]
    if not isinstance(dataset, xr.Dataset):
        remedy = "Give the whole Dataset" if isinstance(dataset, xr.DataArray) else made_by
        wanted = needed.rpartition(" ")[0]
        raise SchemaError(f"got {type(dataset).__name__}; a Dataset with {wanted} is needed here.\n  {remedy}.")
    found = kind_of(dataset)
    if found is None or found == kind or {found, kind} == {"waveforms", "recording"}:
        return
    remedy = _ALREADY.get((found, kind))
    already = " already" if remedy else ""
    raise SchemaError(f"{_IN_WORDS[found][0]}{already}; {needed} needed here.\n  {remedy or made_by}.")


_TIMING = ("breath_start", "flow_end", "inspiration_end", "breath_end")


@public
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
        raise SchemaError(f"unknown kind of Dataset: {shown(kind)}.\n  {suggestion(str(kind), get_args(Kind))}")
    refuse_other_kind(dataset, kind)
    of_kind = f"{'an' if kind == 'alarms' else 'a'} '{kind}' Dataset"
    allowed = {name: row for name, row in VARIABLES.items() if kind in row.kinds}
    for name in dataset.data_vars:
        if name not in allowed:
            raise SchemaError(
                f"variable '{name}' is not in the table of {of_kind}.\n  {suggestion(str(name), allowed)}"
            )
    for name in RECORDING_NEEDS if kind == "recording" else allowed:
        # A bench recording often has no ports, of which there are then no measures.
        is_of_ports = (
            kind == "measures" and allowed[name].kinds == ("measures",) and "lung" not in allowed[name].dims
        )
        if name not in dataset.data_vars and not is_of_ports:
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
        _check_breaths(dataset)
    if "predicted_body_weight" in dataset:
        _check_body_weight(dataset["predicted_body_weight"])


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


def _check_breaths(dataset: xr.Dataset) -> None:
    """Breaths are counted; the times of one follow each other, and it starts when the last one has ended."""
    numbers: NDArray[np.int64] = dataset["breath"].values
    if numbers.dtype.kind not in "iu" or (numbers < 1).any() or (np.diff(numbers) < 1).any():
        raise SchemaError(
            "coordinate 'breath' must hold increasing whole numbers from 1; it holds "
            f"{_listed(numbers.tolist())}.\n  Number the breaths 1, 2, 3, ..."
        )
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
    for name in weight["lung"].values:
        known = weight.sel(lung=name).values
        for value in known[~np.isnan(known)]:
            check(f"lung '{name}'", {"predicted_body_weight": value}, error=SchemaError, warn=False)


def _listed_times(times: xr.DataArray, number: int) -> str:
    return ", ".join(f"{time:.6g} s" for time in np.atleast_1d(times.sel(breath=number).values).ravel()[:3])


def _listed(names: Iterable[object]) -> str:
    shown = [repr(name) if isinstance(name, str) else str(name) for name in names]
    more = f" and {len(shown) - 8} more" if len(shown) > 8 else ""
    return ", ".join(shown[:8]) + more if shown else "none"
