"""Measures of one breath as a table."""

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.results.measures.kernel import PORT_MEASURES, TIMING
from ventsim.results.measures.remarks import LIMITED_SHARE
from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset
from ventsim.tables import Section, Table, fixed

_OF_LUNGS = (
    "inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "tidal_volume_per_weight",
    "peak_airway_pressure", "mean_airway_pressure", "end_inspiratory_alveolar_pressure", "plateau_pressure",
    "driving_pressure", "total_peep", "auto_peep", "minute_volume", "mechanical_power",
)  # fmt: skip
_WHERE_LIMITED = ("port_limited_fraction", "port_missed_pressure", "port_missed_volume")
_OF_PORTS = PORT_MEASURES.names or ()
_SUMMED = ("inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "minute_volume")


def breath_table(measures: xr.Dataset, *, breath: int = -1) -> Table:
    """Measures of one breath: a row for each lung, their total, and the ports of the ventilator.

    Measures that are unknown for every lung are left out, and those of the flow limit where it hardly acts.

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
    at = breath_position(measures, breath)
    one = {
        str(name): variable.isel(breath=at, missing_dims="ignore").values
        for name, variable in measures.variables.items()
    }
    start, _, held, end, peep = (float(one[name]) for name in TIMING.names or ())
    set_peep = "" if np.isnan(peep) else f", set PEEP {fixed(peep, 2)} cmH2O"
    times = f"{fixed(start, 3)} to {fixed(end, 3)} s, inspiration {fixed(held - start, 3)} s"
    limited = one.get("port_limited_fraction", np.zeros(())) > LIMITED_SHARE
    idle = [name for name in _WHERE_LIMITED if not (limited and one[name] > 0.0)]
    known = {
        name: np.atleast_1d(values)
        for name, values in one.items()
        if name in VARIABLES and name not in idle and not np.isnan(values).all()
    }
    lungs, ports = ({name: known[name] for name in names if name in known} for names in (_OF_LUNGS, _OF_PORTS))
    sections = [
        Section(
            name="lungs", frame=pd.DataFrame(lungs, index=pd.Index(one["lung"].tolist(), name="lung")),
            columns={name: VARIABLES[name].column for name in lungs},
            total=[name for name in _SUMMED if name in lungs],
        ),
        Section(
            name="ports", frame=pd.DataFrame(ports), columns={name: VARIABLES[name].column for name in ports},
            title="ventilator and circuit", is_upright=True,
        ),
    ]  # fmt: skip
    return Table(title=f"Breath {int(one['breath'])}: {times}{set_peep}", sections=sections, caution=CAUTION)
