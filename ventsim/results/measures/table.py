"""Measures of one breath as a table."""

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.results.measures.kernel import PORT_MEASURES, TIMING
from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset
from ventsim.tables import Section, Table, fixed

_OF_LUNGS = (
    "inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "tidal_volume_per_weight",
    "peak_airway_pressure", "mean_airway_pressure", "end_inspiratory_alveolar_pressure", "plateau_pressure",
    "driving_pressure", "total_peep", "auto_peep", "minute_volume", "mechanical_power",
)  # fmt: skip
_SUMMED = ("inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "minute_volume")


def breath_table(measures: xr.Dataset, *, breath: int = -1) -> Table:
    """Measures of one breath: a row for each lung, their total, and the ports of the ventilator.

    Measures that are unknown for every lung are left out.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`breath_measures`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]

    Returns
    -------
    Table
        Its DataFrames are ``"lungs"``, with a row for each lung, and ``"ports"``, with one row.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or has no such breath.

    Examples
    --------
    ``print(breath_table(breath_measures(waveforms)))`` prints the last breath of a simulation;
    ``breath_table(measures).frame["inspired_tidal_volume"]["a"]`` is one number of it.
    """
    check_dataset(measures, "measures")
    one = measures.isel(breath=breath_position(measures, breath))
    start, _, held, end, peep = (float(one[name]) for name in TIMING)
    known = "" if np.isnan(peep) else f", set PEEP {fixed(peep, 2)} cmH2O"
    times = f"{fixed(start, 3)} to {fixed(end, 3)} s, inspiration {fixed(held - start, 3)} s"
    index = pd.Index(one["lung"].values.tolist(), name="lung")
    lungs = pd.DataFrame({name: one[name].values for name in _OF_LUNGS}, index=index).dropna(
        axis="columns", how="all"
    )
    ports = pd.DataFrame({name: [float(one[name])] for name in PORT_MEASURES if name in one}).dropna(
        axis="columns"
    )
    sections = [
        Section(
            name="lungs", frame=lungs, columns={name: VARIABLES[str(name)].column for name in lungs},
            total=[name for name in _SUMMED if name in lungs],
        ),
        Section(
            name="ports", frame=ports, columns={name: VARIABLES[str(name)].column for name in ports},
            title="ventilator and circuit", is_upright=True,
        ),
    ]  # fmt: skip
    return Table(title=f"Breath {int(one['breath'])}: {times}{known}", sections=sections, caution=CAUTION)
