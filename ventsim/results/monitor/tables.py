"""What the ventilator displays, and its alarms, as text."""

from collections.abc import Sequence

import numpy as np
import xarray as xr

from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset

# Variables of the table, with their decimals.
_ROWS = {
    "displayed_inspired_tidal_volume": 1,
    "displayed_expired_tidal_volume": 1,
    "displayed_minute_volume": 2,
    "displayed_rate": 1,
    "displayed_peak_pressure": 2,
    "displayed_plateau_pressure": 2,
    "displayed_mean_pressure": 2,
    "displayed_peep": 2,
    "displayed_dynamic_compliance": 1,
    "displayed_static_compliance": 1,
}


def displayed_table(displayed: xr.Dataset, *, breath: int = -1, caution: bool = True) -> str:
    """What the ventilator displays of one breath, as text.

    Parameters
    ----------
    displayed : xarray.Dataset
        Result of :func:`displayed_values`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]
    caution : bool, default True
        Whether to end with a line of caution; False: for text in which it stands already.

    Returns
    -------
    str
        Lines of fixed-width text; a dash for what is unknown.

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
    known = "" if np.isnan(peep) else f", set PEEP {peep:.2f} cmH2O"
    title = f"Displayed by the ventilator, breath {int(one['breath'])}: {start:.3f} to {end:.3f} s{known}"
    cells = [
        (
            VARIABLES[name].long_name.removeprefix("displayed "),
            _shown(float(one[name]), decimals),
            VARIABLES[name].units,
        )
        for name, decimals in _ROWS.items()
    ]
    lines = [title, "", *_aligned(cells, left=(0, 2))]
    return "\n".join([*lines, "", CAUTION] if caution else lines)


def alarms_table(alarms: xr.Dataset, *, caution: bool = True) -> str:
    """Alarms of a run as text: which ones, when each was raised first, and in how many breaths.

    Alarms whose condition never held are left out. One whose condition held, but never long enough, has a dash in
    place of the time.

    Parameters
    ----------
    alarms : xarray.Dataset
        Result of :func:`alarms`.
    caution : bool, default True
        Whether to end with a line of caution; False: for text in which it stands already.

    Returns
    -------
    str
        Lines of fixed-width text; times as hours:minutes:seconds of the run.

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
    held = alarms["alarm_condition"].transpose("breath", "alarm").values.astype(bool).sum(axis=0)
    raised = alarms["alarm_raised"].transpose("breath", "alarm").values.astype(bool).sum(axis=0)
    count = alarms.sizes["breath"]
    title = f"Alarms of the ventilator in {count} breath{'' if count == 1 else 's'}"
    rows = [
        (str(name).replace("_", " ").replace("peep", "PEEP"), _clock(float(first)), str(n_raised), str(n_held))
        for name, first, n_raised, n_held in zip(
            alarms["alarm"].values, alarms["first_raised"].values, raised, held, strict=True
        )
        if n_held > 0
    ]
    lines = [title, ""] if rows else [f"{title}: none"]
    if rows:
        heading = [
            ("", "first raised", "raised in", "condition in"),
            ("alarm", "[h:min:s]", "[breaths]", "[breaths]"),
        ]
        lines += _aligned([*heading, *rows], left=(0,))
    return "\n".join([*lines, "", CAUTION] if caution else lines)


def _aligned(rows: Sequence[Sequence[str]], *, left: Sequence[int]) -> list[str]:
    """Rows in columns; those of `left` begin at one place, the others end at one."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _shown(number: float, decimals: int) -> str:
    if np.isnan(number):
        return "-"
    return f"{round(number, decimals) + 0.0:.{decimals}f}"  # adding zero makes minus zero plain


def _clock(seconds: float) -> str:
    """Time as hours, minutes and seconds with a tenth."""
    if np.isnan(seconds):
        return "-"
    minutes, tenths = divmod(round(10.0 * seconds), 600)
    return f"{minutes // 60}:{minutes % 60:02d}:{tenths // 10:02d}.{tenths % 10}"
