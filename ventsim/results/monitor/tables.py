"""What the ventilator displays, and its alarms, as tables."""

from functools import partial

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset
from ventsim.tables import Column, Section, Table, clock, fixed, in_words

_DISPLAYED = (
    "displayed_inspired_tidal_volume", "displayed_expired_tidal_volume", "displayed_minute_volume",
    "displayed_rate", "displayed_peak_pressure", "displayed_plateau_pressure", "displayed_mean_pressure",
    "displayed_peep", "displayed_dynamic_compliance", "displayed_static_compliance",
)  # fmt: skip
_OF_ALARMS = {
    "first_raised": Column(
        heading="first raised", unit="s", show=partial(clock, digits=1), shown_unit="h:min:s"
    ),
    "breaths_raised": Column(heading="raised in", unit="breaths"),
    "breaths_with_condition": Column(heading="condition in", unit="breaths"),
}  # fmt: skip


def displayed_table(displayed: xr.Dataset, *, breath: int = -1) -> Table:
    """What the ventilator displays of one breath.

    Parameters
    ----------
    displayed : xarray.Dataset
        Result of :func:`displayed_values`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]

    Returns
    -------
    Table
        Its DataFrame has one row; shown with a dash for what is unknown.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or has no such breath.

    Examples
    --------
    ``print(displayed_table(displayed_values(measures)))`` prints what the ventilator displays of the last breath.
    """
    check_dataset(displayed, "displayed")
    one = displayed.isel(breath=breath_position(displayed, breath))
    start, end, peep = (float(one[name]) for name in ("breath_start", "breath_end", "set_peep"))
    known = "" if np.isnan(peep) else f", set PEEP {fixed(peep, 2)} cmH2O"
    columns = {
        name: Column(heading=VARIABLES[name].long_name.removeprefix("displayed "), unit=VARIABLES[name].units)
        for name in _DISPLAYED
    }
    frame = pd.DataFrame({name: [float(one[name])] for name in _DISPLAYED})
    times = f"{fixed(start, 3)} to {fixed(end, 3)} s{known}"
    return Table(
        title=f"Displayed by the ventilator, breath {int(one['breath'])}: {times}",
        sections=[Section(name="displayed", frame=frame, columns=columns, is_upright=True)], caution=CAUTION,
    )  # fmt: skip


def alarms_table(alarms: xr.Dataset) -> Table:
    """Alarms of a run: which ones, when each was raised first, and in how many breaths.

    Alarms whose condition never held are left out. One whose condition held, but never long enough, has a dash in
    place of the time.

    Parameters
    ----------
    alarms : xarray.Dataset
        Result of :func:`alarms`.

    Returns
    -------
    Table
        Its DataFrame has a row for each alarm; times are shown as hours:minutes:seconds of the run.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema.

    Examples
    --------
    ``print(alarms_table(alarms(displayed, AlarmLimits.around(displayed, breath=1))))`` prints what has changed so
    much since the first breath that the ventilator alarms.
    """
    check_dataset(alarms, "alarms")
    counts = {
        "breaths_raised": alarms["alarm_raised"].astype(bool).sum("breath"),
        "breaths_with_condition": alarms["alarm_condition"].astype(bool).sum("breath"),
    }
    frame = alarms[["first_raised"]].assign(counts).to_dataframe().rename(index=in_words)
    frame = frame[frame["breaths_with_condition"] > 0]
    count = alarms.sizes["breath"]
    title = f"Alarms of the ventilator in {count} breath{'' if count == 1 else 's'}"
    return Table(
        title=title if len(frame) else f"{title}: none",
        sections=[Section(name="alarms", frame=frame, columns=_OF_ALARMS)], caution=CAUTION,
    )  # fmt: skip
