"""Measures of one breath as text."""

import numpy as np
import xarray as xr

from ventsim.results.measures.kernel import PORT_MEASURES, TIMING
from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset

# Columns of the table of lungs: measure, two lines of heading, factor, unit, decimals.
_COLUMNS = (
    ("inspired_tidal_volume", "inspired", "volume", 1.0, "mL", 1),
    ("expired_tidal_volume", "expired", "volume", 1.0, "mL", 1),
    ("tidal_volume_fraction", "share", "of all", 100.0, "%", 1),
    ("tidal_volume_per_weight", "volume", "/weight", 1.0, "mL/kg", 2),
    ("peak_airway_pressure", "peak", "airway", 1.0, "cmH2O", 2),
    ("mean_airway_pressure", "mean", "airway", 1.0, "cmH2O", 2),
    ("end_inspiratory_alveolar_pressure", "end-insp.", "alveolar", 1.0, "cmH2O", 2),
    ("plateau_pressure", "", "plateau", 1.0, "cmH2O", 2),
    ("driving_pressure", "", "driving", 1.0, "cmH2O", 2),
    ("total_peep", "total", "PEEP", 1.0, "cmH2O", 2),
    ("auto_peep", "auto-", "PEEP", 1.0, "cmH2O", 2),
    ("minute_volume", "minute", "volume", 1.0, "L/min", 2),
    ("mechanical_power", "mech.", "power", 1.0, "J/min", 2),
)
_SUMMED = ("inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "minute_volume")
_DECIMALS = {"mL": 1, "cmH2O": 2}


def breath_table(measures: xr.Dataset, *, breath: int = -1, caution: bool = True) -> str:
    """Measures of one breath as text: a row for each lung, their total, and the ports of the ventilator.

    Columns that are unknown for every lung are left out.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`breath_measures`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]
    caution : bool, default True
        Whether to end with a line of caution; False: for text in which it stands already.

    Returns
    -------
    str
        Lines of fixed-width text.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or has no such breath.

    Examples
    --------
    ``print(breath_table(breath_measures(waveforms)))`` prints the last breath of a simulation.
    """
    check_dataset(measures, "measures")
    one = measures.isel(breath=breath_position(measures, breath))
    start, _, held, end, peep = (float(one[name]) for name in TIMING.names)
    known = "" if np.isnan(peep) else f", set PEEP {peep:.2f} cmH2O"
    title = f"Breath {int(one.breath)}: {start:.3f} to {end:.3f} s, inspiration {held - start:.3f} s{known}"
    columns = [["", "lung", "", *one.lung.values.tolist(), "total"]]
    for name, upper, lower, factor, unit, decimals in _COLUMNS:
        numbers = factor * one[name].values
        if not np.isnan(numbers).all():
            total = _shown(numbers.sum(), decimals) if name in _SUMMED else ""
            columns.append([upper, lower, f"[{unit}]", *(_shown(x, decimals) for x in numbers), total])
    widths = [max(map(len, column)) for column in columns]
    lines = [title, ""]
    for cells in zip(*columns, strict=True):
        rest = [cell.rjust(width) for cell, width in zip(cells[1:], widths[1:], strict=True)]
        lines.append("  ".join([cells[0].ljust(widths[0]), *rest]).rstrip())
    ports = [name for name in PORT_MEASURES.names if name in one and not np.isnan(float(one[name]))]
    if ports:
        lines += ["", "ventilator and circuit"]
        meanings = [VARIABLES[name].long_name for name in ports]
        texts = [_shown(float(one[name]), _DECIMALS[VARIABLES[name].units]) for name in ports]
        for name, meaning, text in zip(ports, meanings, texts, strict=True):
            space = max(map(len, meanings)) + 2 + max(map(len, texts)) - len(meaning)
            lines.append(f"{meaning}{text.rjust(space)} {VARIABLES[name].units}")
    return "\n".join([*lines, "", CAUTION] if caution else lines)


def _shown(number: float, decimals: int) -> str:
    if np.isnan(number):
        return "-"
    return f"{round(number, decimals) + 0.0:.{decimals}f}"  # adding zero makes minus zero plain
