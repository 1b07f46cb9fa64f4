"""Which alarms the ventilator raises."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import InputError, SchemaError
from ventsim.results.monitor.limits import AlarmLimits
from ventsim.results.schema import TIME_ROUNDING, check_dataset, label

BoolArray = NDArray[np.bool_]

ALARMS = (
    "high_pressure",
    "low_pressure",
    "high_expired_volume",
    "low_expired_volume",
    "high_minute_volume",
    "low_minute_volume",
    "peep_rise",
    "peep_loss",
    "disconnection",
)
"""Names of the alarms, those of the fields of :class:`AlarmLimits`."""

_TIMING = ("breath_start", "flow_end", "inspiration_end", "breath_end")


def alarms(displayed: xr.Dataset, limits: AlarmLimits) -> xr.Dataset:
    """Which alarms the ventilator raises on what it displays.

    Conditions are judged at the end of each breath. An alarm goes off by itself when its condition is over.

    Parameters
    ----------
    displayed : xarray.Dataset
        Result of :func:`displayed_values`.
    limits : AlarmLimits
        The limits.

    Returns
    -------
    xarray.Dataset
        ``alarm_condition`` and ``alarm_raised`` with dims (breath, alarm); ``first_raised`` [s] with dims
        (alarm,), NaN for alarms that were never raised; the times of the breaths. Alarms that are off are there
        too, and never raised. The attribute ``alarm_limits`` holds the limits.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema.
    InputError
        If the limits are no AlarmLimits.

    Notes
    -----
    High and low limits are broken by numbers above and below them, not by equal ones. ``peep_rise`` and
    ``peep_loss``: displayed PEEP further above or below set PEEP than the limit. ``disconnection``: expired
    volume below the given fraction of inspired volume, and in the same breath peak pressure below
    ``low_pressure`` or PEEP lost by more than ``peep_loss`` (common practice, no source; machines differ). What
    is NaN breaks no limit.

    An alarm is raised at the end of a breath if its condition has held in this breath and in all breaths since one
    that ended at least ``delay`` earlier; without a delay, at the end of the first. A breath that is missing from
    the Dataset interrupts a condition, so join the pieces of a run (``xarray.concat``) before.

    In a real machine the high pressure limit also ends the inspiration; here it only alarms.

    Examples
    --------
    >>> import ventsim as vs
    >>> from ventsim.results.monitor import displayed_values
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> displayed = displayed_values(vs.simulate_breaths(circuit, settings, duration=60))
    >>> raised = alarms(displayed, AlarmLimits(high_pressure=18.0, delay=10.0))
    >>> float(raised.first_raised.sel(alarm="high_pressure"))
    16.0
    """
    if not isinstance(displayed, xr.Dataset):
        raise SchemaError(
            f"displayed: got {type(displayed).__name__}, but a Dataset is needed.\n"
            "  Use the result of displayed_values."
        )
    check_dataset(displayed, "displayed")
    if not isinstance(limits, AlarmLimits):
        raise InputError(f"limits: got {type(limits).__name__}, but AlarmLimits is needed.")
    broken = _conditions(displayed, limits)
    condition = np.stack([broken[name] for name in ALARMS], axis=-1)
    end = displayed["breath_end"].values
    raised = _raised(condition, end=end, number=displayed["breath"].values, delay=limits.delay)
    first = np.min(np.where(raised, end[:, None], np.inf), axis=0, initial=np.inf)
    variables = {name: ("breath", displayed[name].values) for name in _TIMING if name in displayed} | {
        "alarm_condition": (("breath", "alarm"), condition),
        "alarm_raised": (("breath", "alarm"), raised),
        "first_raised": ("alarm", np.where(np.isfinite(first), first, np.nan)),
    }
    coords = {"breath": displayed["breath"].values, "alarm": list(ALARMS)}
    attrs = {**displayed.attrs, "alarm_limits": limits.model_dump_json()}
    return label(xr.Dataset(variables, coords=coords, attrs=attrs))


def _conditions(displayed: xr.Dataset, limits: AlarmLimits) -> dict[str, BoolArray]:
    """For each alarm the breaths in which its condition holds, shape (n_breaths,)."""
    value = {str(name).removeprefix("displayed_"): displayed[name].values for name in displayed.data_vars}
    # A limit that is off lies where nothing reaches it.
    low = {name: -np.inf if limit is None else limit for name, limit in limits}
    high = {name: np.inf if limit is None else limit for name, limit in limits}
    rise = value["peep"] - value["set_peep"]
    low_pressure = value["peak_pressure"] < low["low_pressure"]
    peep_loss = -rise > high["peep_loss"]
    # Volumes are never negative, so that 0 switches this off.
    little = value["expired_tidal_volume"] < (limits.disconnection or 0.0) * value["inspired_tidal_volume"]
    return {
        "high_pressure": value["peak_pressure"] > high["high_pressure"],
        "low_pressure": low_pressure,
        "high_expired_volume": value["expired_tidal_volume"] > high["high_expired_volume"],
        "low_expired_volume": value["expired_tidal_volume"] < low["low_expired_volume"],
        "high_minute_volume": value["minute_volume"] > high["high_minute_volume"],
        "low_minute_volume": value["minute_volume"] < low["low_minute_volume"],
        "peep_rise": rise > high["peep_rise"],
        "peep_loss": peep_loss,
        "disconnection": little & (low_pressure | peep_loss),
    }


def _raised(
    condition: BoolArray, *, end: NDArray[np.float64], number: NDArray[np.integer], delay: float
) -> BoolArray:
    """Breaths and alarms whose condition has lasted for the delay, shape (n_breaths, n_alarms)."""
    before = np.zeros_like(condition)
    before[1:] = condition[:-1] & (np.diff(number) == 1)[:, None]
    begins = condition & ~before
    row = np.arange(len(condition))[:, None]
    since = np.maximum.accumulate(np.where(begins, row, 0), axis=0)
    return condition & (end[:, None] - end[since] >= delay - TIME_ROUNDING)
