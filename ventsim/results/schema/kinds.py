"""Which kind of Dataset of the table is it? For messages to those who hand in another one than is needed."""

from typing import get_args

import xarray as xr

from ventsim.errors import SchemaError
from ventsim.results.schema.table import VARIABLES, Kind

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
