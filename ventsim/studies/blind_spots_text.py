"""A blind-spot study as text."""

import numpy as np
import xarray as xr

from ventsim.results.schema import check_dataset

NOT_RUN = "not run"
"""How the reason begins where a fault was not tried."""


def blind_spots_table(found: xr.Dataset, *, caution: bool = True) -> str:
    """A blind-spot study as text: for each fault the change in each lung, what was displayed, and the first alarm.

    Parameters
    ----------
    found : xarray.Dataset
        Result of :func:`blind_spots`.
    caution : bool, default True
        Whether to end with a line of caution; False: for text in which it stands already.

    Returns
    -------
    str
        Lines of fixed-width text; ``!`` marks a lung with harm that no alarm has shown.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema.

    Examples
    --------
    ``print(blind_spots_table(blind_spots(circuit, settings)))``
    """
    check_dataset(found, "blind spots")
    lungs = [str(name) for name in found.lung.values]
    width = max(12, *(len(str(name)) for name in found.fault.values)) + 2
    cell = max(7, *(len(name) + 5 for name in lungs)) + 2
    lines: list[str] = []
    for mode in found.mode.values:
        one = found.sel(mode=mode)
        lines += [str(mode), ""]
        heads = "".join(f"lung {name}".rjust(cell) for name in lungs)
        lines += [
            " " * (width + cell * len(lungs)) + "   displayed at the end",
            " " * width + heads + "  expired vol.         peak   first alarm,",
            f"{' ' * width}{'[%]'.rjust(cell) * len(lungs)}{'[%]':>14}{'[cmH2O]':>13}   from the fault on",
        ]
        for fault in one.fault.values:
            lines.append(_row(one.sel(fault=fault), str(fault).ljust(width), cell=cell))
        lines.append("")
    harm, pressure = found.attrs["harm"], found.attrs["pressure_harm_cmH2O"]
    lines += [
        f"Change of each lung's tidal volume. ! = harm without an alarm: more than {100 * harm:.0f} % of volume,",
        f"or more than {pressure:g} cmH2O of end-inspiratory pressure (both invented, to be chosen).",
        f"Changes are of the last breath, {found.attrs['duration_s']:g} s after the fault began. Alarms count",
        "from its first breath on, so one may have been raised by a display that is as before in the end.",
    ]
    return "\n".join([*lines, "", str(found.attrs["caution"])] if caution else lines)


def _row(one: xr.Dataset, name: str, *, cell: int) -> str:
    reason = str(one.reason.item())
    if reason:
        told = reason.splitlines()[0]
        return f"{name}  {told}" if told.startswith(NOT_RUN) else f"{name}  run failed: {told}"
    cells = [
        f"{_signed(float(change), 1).rjust(cell - 2)}{'!' if unseen else ' '} "
        for change, unseen in zip(one.tidal_volume_change.values, one.unseen.values, strict=True)
    ]
    before = float(one.displayed_expired_tidal_volume_before)
    percent = 100.0 * float(one.displayed_expired_tidal_volume_change) / before if before > 0.0 else np.nan
    peak = float(one.displayed_peak_pressure_change)
    return (
        f"{name}{''.join(cells)}{_signed(percent, 1):>14}{_signed(peak, 2):>13}   {_first_alarm(one.raised_after)}"
    )


def _signed(change: float, decimals: int) -> str:
    """A change with its sign, which what is rounded to zero has not; a dash for what is unknown."""
    if not np.isfinite(change):
        return "–"
    rounded = round(change, decimals)
    return f"{rounded:+.{decimals}f}" if rounded else f"{0.0:.{decimals}f}"


def _first_alarm(raised_after: xr.DataArray) -> str:
    """The alarm that was raised first, in words."""
    values = raised_after.values
    if not np.isfinite(values).any():
        return "none"
    k = int(np.nanargmin(values))
    return f"{str(raised_after.alarm.values[k]).replace('_', ' ')} after {values[k]:.0f} s"
