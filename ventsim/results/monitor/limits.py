"""Limits beyond which the ventilator alarms, and the alarms that they raise."""

from functools import partial
from typing import Annotated, ClassVar, Self

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from pydantic import model_validator

from ventsim.errors import InputError, SchemaError
from ventsim.model.descriptions import Description
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.results.schema import CAUTION, TIME_ROUNDING, VARIABLES, breath_position, check_dataset, label
from ventsim.tables import Column, Section, Table, clock, in_words
from ventsim.units import FloatArray

# What has a low and a high limit, and what of it is displayed.
_PAIRS = {"pressure": "peak_pressure", "expired_volume": "expired_tidal_volume", "minute_volume": "minute_volume"}


class AlarmLimits(Description):
    """Limits beyond which the ventilator alarms; None switches an alarm off.

    All defaults are common practice, no source. Volumes have none, because they depend on how many lungs are
    ventilated: set them around what is displayed (:meth:`around`), as a user at the bedside does. In a real
    machine the high pressure limit also ends the inspiration; here it only alarms.

    Parameters
    ----------
    high_pressure : float or None, default 40
        Highest peak pressure. [cmH2O]
    low_pressure : float or None, default 5
        Lowest peak pressure. [cmH2O]
    high_expired_volume, low_expired_volume : float or None, default None
        Highest and lowest expired tidal volume. [mL]
    high_minute_volume, low_minute_volume : float or None, default None
        Highest and lowest expired minute volume. [L/min]
    peep_rise : float or None, default 5
        How far displayed PEEP may rise above set PEEP. [cmH2O]
    peep_loss : float or None, default 3
        How far displayed PEEP may fall below set PEEP; no loss is seen if set PEEP is not above this. [cmH2O]
    disconnection : float or None, default 0.5
        Fraction of the inspired volume below which the expired volume must fall, with low pressure or loss of PEEP
        at the same time, for the machine to call it a disconnection. [1]
    delay : float, default 0
        How long a condition must last until its alarm is raised, from the end of the first breath in which it
        held. [s]

    Raises
    ------
    InputError
        If a value is impossible, a low limit is not below its high one, or disconnection is asked for without
        `low_pressure` and `peep_loss`, on which it depends.

    Examples
    --------
    >>> AlarmLimits(high_pressure=35.0, low_expired_volume=300.0, delay=10.0).peep_loss
    3.0
    """

    kind: ClassVar[str] = "alarm limits"

    high_pressure: Annotated[float, quantity("high_pressure")] | None = 40.0
    low_pressure: Annotated[float, quantity("low_pressure")] | None = 5.0
    high_expired_volume: Annotated[float, quantity("high_expired_volume")] | None = None
    low_expired_volume: Annotated[float, quantity("low_expired_volume")] | None = None
    high_minute_volume: Annotated[float, quantity("high_minute_volume")] | None = None
    low_minute_volume: Annotated[float, quantity("low_minute_volume")] | None = None
    peep_rise: Annotated[float, quantity("peep_rise")] | None = 5.0
    peep_loss: Annotated[float, quantity("peep_loss")] | None = 3.0
    disconnection: Annotated[float, quantity("disconnection")] | None = 0.5
    delay: Annotated[float, quantity("alarm_delay")] = 0.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name, shown in _PAIRS.items():
            low, high, unit = f"low_{name}", f"high_{name}", VARIABLES[f"displayed_{shown}"].units
            lowest, highest = getattr(self, low), getattr(self, high)
            if lowest is not None and highest is not None and lowest >= highest:
                raise InputError(
                    f"{self.kind}: {low} {lowest:.6g} {unit} is not below {high} {highest:.6g} {unit}.\n"
                    f"  Allowed: below {highest:.6g} {unit}. Lower {low} or raise {high}."
                )
        if self.disconnection is not None and self.low_pressure is None and self.peep_loss is None:
            raise InputError(
                f"{self.kind}: disconnection {self.disconnection:.6g} is on, but it depends on low_pressure and "
                "peep_loss, which are both None.\n  Give one of them in cmH2O, or disconnection=None."
            )
        return self

    @classmethod
    def off(cls) -> Self:
        """All alarms off.

        Returns
        -------
        AlarmLimits
            Every limit None, no delay.

        Examples
        --------
        >>> AlarmLimits.off().changed({"high_pressure": 35.0}).peep_loss is None
        True
        """
        return cls.from_dict({name: None for name in cls.model_fields if name != "delay"})

    @classmethod
    @public
    def around(
        cls, displayed: xr.Dataset, *, breath: int = -1, margin: float = 0.3, pressure_margin: float = 10.0,
        delay: float = 0.0,
    ) -> Self:  # fmt: skip
        """Limits around what is displayed of one breath, as a user at the bedside sets them.

        Volumes and minute volume may differ by `margin`, peak pressure may rise by `pressure_margin` and may fall
        by as much, but not below the middle between PEEP and peak; PEEP and disconnection keep their defaults. All
        of this is common practice, no source.

        Parameters
        ----------
        displayed : xarray.Dataset
            Result of :func:`displayed_values`.
        breath : int, default -1
            Number of the breath, or -1 for the last one. [1]
        margin : float, default 0.3
            Part of the displayed volumes, above 0 and below 1. [1]
        pressure_margin : float, default 10
            Above 0. [cmH2O]
        delay : float, default 0
            As the field of that name. [s]

        Returns
        -------
        AlarmLimits
            Limits that the breath itself does not break, unless its PEEP is off or half of its gas is lost.

        Raises
        ------
        SchemaError
            If the Dataset does not fit the schema, or has no such breath.
        InputError
            If a margin is out of range, or nothing is displayed of the breath that limits could be set around.

        Examples
        --------
        >>> import ventsim as vs
        >>> from ventsim.results.monitor import displayed_values
        >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
        >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
        >>> displayed = displayed_values(vs.breath_measures(vs.steady_breath(circuit, settings)))
        >>> limits = AlarmLimits.around(displayed)
        >>> limits.low_expired_volume, limits.high_pressure, limits.low_pressure
        (486.3, 30.0, 12.5)
        """
        check_dataset(displayed, "displayed")
        check(cls.kind, {"margin": margin, "pressure_margin": pressure_margin})
        one = displayed.isel(breath=breath_position(displayed, breath))
        names = ("peak_pressure", "peep", "expired_tidal_volume", "minute_volume")
        peak, peep, expired, minute = (_displayed_number(one, name) for name in names)
        low = max(peak - pressure_margin, 0.5 * (peak + peep))
        return cls(
            high_pressure=peak + pressure_margin,
            low_pressure=low if 0.0 < low < peak else None,
            high_expired_volume=(1.0 + margin) * expired,
            low_expired_volume=(1.0 - margin) * expired,
            high_minute_volume=(1.0 + margin) * minute,
            low_minute_volume=(1.0 - margin) * minute,
            delay=delay,
        )


def _displayed_number(one: xr.Dataset, name: str) -> float:
    """A displayed number of one breath that limits can be set around."""
    value = float(one[f"displayed_{name}"])
    if not np.isfinite(value) or (name != "peep" and value <= 0.0):
        row = VARIABLES[f"displayed_{name}"]
        raise InputError(
            f"alarm limits: breath {int(one['breath'])} has a {row.long_name} of {value:.6g} {row.units}, around "
            "which no limits can be set.\n  Use a breath in which the lungs are ventilated."
        )
    return value


BoolArray = NDArray[np.bool_]

ALARMS = tuple(name for name in AlarmLimits.model_fields if name != "delay")
"""Names of the alarms, those of the fields of :class:`AlarmLimits`."""


@public
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
    >>> displayed = displayed_values(vs.simulate_long(circuit, settings, duration=60).measures)
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
    broken = _conditions(displayed, limits)
    condition = np.stack([broken[name] for name in ALARMS], axis=-1)
    end = displayed["breath_end"].values
    raised = _raised(condition, end=end, number=displayed["breath"].values, delay=limits.delay)
    first = np.min(np.where(raised, end[:, None], np.inf), axis=0, initial=np.inf)
    times = [str(name) for name in displayed.data_vars if "alarms" in VARIABLES[str(name)].kinds]
    variables = {name: ("breath", displayed[name].values) for name in times} | {
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
    found = {"peep_rise": rise > high["peep_rise"], "peep_loss": -rise > high["peep_loss"]}
    for name, shown in _PAIRS.items():
        found[f"high_{name}"] = value[shown] > high[f"high_{name}"]
        found[f"low_{name}"] = value[shown] < low[f"low_{name}"]
    # Volumes are never negative, so that 0 switches this off.
    little = value["expired_tidal_volume"] < (limits.disconnection or 0.0) * value["inspired_tidal_volume"]
    return found | {"disconnection": little & (found["low_pressure"] | found["peep_loss"])}


def _raised(condition: BoolArray, *, end: FloatArray, number: NDArray[np.integer], delay: float) -> BoolArray:
    """Breaths and alarms whose condition has lasted for the delay, shape (n_breaths, n_alarms)."""
    before = np.zeros_like(condition)
    before[1:] = condition[:-1] & (np.diff(number) == 1)[:, None]
    begins = condition & ~before
    row = np.arange(len(condition))[:, None]
    since = np.maximum.accumulate(np.where(begins, row, 0), axis=0)
    return condition & (end[:, None] - end[since] >= delay - TIME_ROUNDING)


_OF_ALARMS = {
    "first_raised": Column(heading="first raised", unit="s", show=partial(clock, digits=1), shown_unit="h:min:s"),
    "breaths_raised": Column(heading="raised in", unit="breaths"),
    "breaths_with_condition": Column(heading="condition in", unit="breaths"),
}


@public
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
