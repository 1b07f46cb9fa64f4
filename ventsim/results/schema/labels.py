"""Labels of a Dataset: attributes from the table, and breaths by their number."""

import numpy as np
import xarray as xr

from ventsim.errors import SchemaError, suggestion
from ventsim.results.schema.table import COORDINATES, VARIABLES, Variable


def label(dataset: xr.Dataset) -> xr.Dataset:
    """A copy whose variables carry the unit, meaning and sign of the table.

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
    labelled = dataset.copy(deep=False)
    for name in labelled.data_vars:
        if name not in VARIABLES:
            raise SchemaError(
                f"variable '{name}' is not in the table of result variables.\n  {suggestion(str(name), VARIABLES)}"
            )
        labelled[name].attrs = _attrs(VARIABLES[name])
    for name in labelled.coords:
        if name in COORDINATES:
            labelled[name].attrs = _attrs(COORDINATES[name])
    return labelled


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


def _attrs(row: Variable) -> dict[str, str]:
    units = {"units": row.units} if row.units else {}
    return {**units, "long_name": row.long_name, "positive": row.positive}
