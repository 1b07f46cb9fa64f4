"""The table of quantities: unit, limits, usual range, likely slips of unit and meaning of each number, once.

Fields of descriptions, arguments of functions and messages take what they say of a number from here:
:func:`quantity` for a field, :func:`check` for arguments.
"""

import dataclasses
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence, Set, Sized
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any, TypeVar, get_args, get_origin

import numpy as np
from numpy.typing import ArrayLike
from pydantic import GetCoreSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from ventsim.errors import (
    LARGEST,
    InputError,
    PlausibilityWarning,
    is_number,
    numbers_in,
    shown,
    warn_caller,
)
from ventsim.units import FloatArray, convert

SMALLEST = 1e-15
"""Smallest size of a number that may not be 0; the largest of any is :data:`ventsim.errors.LARGEST`."""

# Other units in which people give a quantity of each unit, the likeliest first; those that `units.convert` does
# not know have their factor here.
_OTHER_UNITS: Mapping[str, tuple[str, ...]] = {
    "mm": ("m", "cm"),
    "m": ("cm", "mm"),
    "cm": ("m", "mm", "inch"),
    "mL/cmH2O": ("L/cmH2O", "mL/kPa", "m³/Pa"),
    "L/s": ("L/min", "mL/s", "mL/min"),
    "L/min": ("L/s", "mL/min"),
    "cmH2O": ("kPa", "Pa", "hPa", "mmHg"),
    "cmH2O·s/L": ("kPa·s/L", "Pa·s/m³"),
    "cmH2O·s²/L²": ("kPa·s²/L²", "Pa·s²/m⁶", "cmH2O·min²/L²"),
    "cmH2O·(s/L)ⁿ": ("kPa·(s/L)ⁿ",),
    "s": ("ms",),
    "mL": ("L", "m³"),
    "1/min": ("1/s",),
    "kg": ("g",),
    "kg/m³": ("g/m³", "g/cm³"),
    "µPa·s": ("Pa·s", "mPa·s"),
    "1/cmH2O": ("1/kPa",),
    "cmH2O/mL": ("cmH2O/L",),
    "cmH2O/mL²": ("cmH2O/L²",),
    "%": ("1",),
    "°C": ("K",),
}
_FACTORS = {
    "kPa·s²/L²": 10.197162129779283, "cmH2O·min²/L²": 3600.0, "kPa·(s/L)ⁿ": 10.197162129779283, "g": 1e-3,
    "g/m³": 1e-3, "g/cm³": 1e3, "Pa·s": 1e6, "mPa·s": 1e3, "1/kPa": 0.0980665, "cmH2O/L": 1e-3, "cmH2O/L²": 1e-6,
    "1": 100.0, "%": 0.01, "inch": 2.54,
}  # fmt: skip
_ZERO_CELSIUS = 273.15  # [K]
_WRITTEN_RATIO = re.compile(r"\s*(\d+(?:\.\d+)?)\s*[:/]\s*(\d+(?:\.\d+)?)\s*")


def _converted(value: float, other: str, unit: str) -> float:
    """A number in another unit, in this one."""
    if other == "K":
        return value - _ZERO_CELSIUS
    return value * (_FACTORS[other] if other in _FACTORS else float(convert(1.0, source=other, target=unit)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Unit, limits and meaning of a number.

    In the ``Annotated`` type of a field it checks what the field holds: a number, a list of them
    (``tuple[float, ...]``), or rows of lists (``tuple[tuple[float, ...], ...]``).

    Parameters
    ----------
    unit : str
        Unit of the number; ``"1"`` for a ratio or a count.
    meaning : str
        What the number says, in a few words.
    above, at_least, below, at_most : float or None
        Limits outside which the number is impossible. [unit]
    plausible : tuple of two floats or None
        Range outside which the number is unlikely. [unit]
    whole : bool, default False
        Whether only whole numbers are allowed.
    ratio : tuple of two str or None, default None
        What is divided by what, if people are likely to turn the ratio round or to write it as ``"1:2"``.
    percent : bool, default False
        Whether people are likely to give it in percent.
    any_size : bool, default False
        Whether it may be smaller than :data:`SMALLEST` or larger than :data:`LARGEST`.

    Examples
    --------
    >>> pressure = Quantity(unit="cmH2O", meaning="pressure", plausible=(1.0, 60.0))
    >>> pressure.unlikely(1471.0)
    'is outside 1 to 60.\\n  Did you mean 15 (1471 Pa)?'
    """

    unit: str
    meaning: str = field(repr=False)  # kept out of the repr, so that signatures of descriptions stay readable
    above: float | None = field(default=None, repr=False)
    at_least: float | None = field(default=None, repr=False)
    below: float | None = field(default=None, repr=False)
    at_most: float | None = field(default=None, repr=False)
    plausible: tuple[float, float] | None = field(default=None, repr=False)
    whole: bool = field(default=False, repr=False)
    ratio: tuple[str, str] | None = field(default=None, repr=False)
    percent: bool = field(default=False, repr=False)
    any_size: bool = field(default=False, repr=False)

    @property
    def bounds(self) -> str:
        """The hard limits in words; empty if there are none."""
        limits = {"above": self.above, "at least": self.at_least, "below": self.below, "at most": self.at_most}
        return " and ".join(f"{word} {_short(limit)}" for word, limit in limits.items() if limit is not None)

    def text(self, value: float | tuple[float, ...]) -> str:
        """The number with its unit.

        Parameters
        ----------
        value : float or tuple of float
            The number, or a row of numbers. [unit]

        Returns
        -------
        str
            Six digits, and the unit unless it is ``"1"``; the numbers of a row with strokes between.
        """
        digits = " / ".join(map(_short, value)) if isinstance(value, tuple) else _short(value)
        return digits if self.unit == "1" else f"{digits} {self.unit}"

    def fault(self, value: object) -> str:
        """Why a value is impossible.

        Parameters
        ----------
        value : object
            What was given.

        Returns
        -------
        str
            One sentence; empty if the value is possible.
        """
        if type(value) is not float and not is_number(value):
            return f"{shown(value)} is not a number."
        try:
            number = float(value)  # type: ignore[arg-type]
        except OverflowError:  # a whole number beyond the range of floats
            number = math.inf
        broken = (
            not math.isfinite(number)
            or (not SMALLEST <= abs(number) <= LARGEST and self._beyond(number) != "")
            or (self.above is not None and number <= self.above)
            or (self.at_least is not None and number < self.at_least)
            or (self.below is not None and number >= self.below)
            or (self.at_most is not None and number > self.at_most)
            or (self.whole and number != round(number))
        )
        return f"{self.text(number)} is not allowed." if broken else ""

    def _beyond(self, number: float) -> str:
        """The limit of size that a number breaks, in words: none are so small, where 0 is none, or so large."""
        if self.any_size:
            return ""
        if self.above == 0.0 and 0.0 < number < SMALLEST:
            return f" and at least {_short(SMALLEST)}"
        has_limit = self.at_most is not None or self.below is not None if number > 0 else self.at_least is not None
        return "" if abs(number) <= LARGEST or has_limit else f" and at most {_short(LARGEST)} in size"

    def allowed(self, value: float | None = None) -> str:
        """What is allowed and what is usual.

        Parameters
        ----------
        value : float or None, default None
            A number that is not allowed: the limits of size are named if it is beyond them. [unit]

        Returns
        -------
        str
            One line.
        """
        unit = "" if self.unit == "1" else f" {self.unit}"
        kind = "whole number" if self.whole else "finite number"
        hard = f"{kind} {self.bounds}{unit}" if self.whole else f"{self.bounds or kind}{unit}"
        hard += "" if value is None else self._beyond(value)
        if self.plausible is None:
            return f"Allowed: {hard}."
        return f"Allowed: {hard}; usual: {_short(self.plausible[0])} to {_short(self.plausible[1])}{unit}."

    def remedy(self, value: Any) -> str:
        """What to write in place of an impossible value.

        Parameters
        ----------
        value : object
            What was given.

        Returns
        -------
        str
            The number that a text such as ``"1:2"`` stands for, where the quantity is a ratio; else the value in
            the right unit where another unit explains it, and what is allowed.

        Examples
        --------
        >>> quantity("ie_ratio").remedy("1:2")
        'Write 0.5, inspiration divided by expiration.'
        """
        match = _WRITTEN_RATIO.fullmatch(value) if self.ratio is not None and isinstance(value, str) else None
        if match is None or float(match[2]) == 0.0:
            # Compared before it becomes a float, for which a whole number may be too long.
            number = value if is_number(value) and value == value else None
            meant = self.meant(float(number)) if number is not None and abs(number) <= LARGEST else ""
            return f"{meant} {self.allowed(number)}".lstrip()
        return f"Write {_rounded(float(match[1]) / float(match[2]))}, {' divided by '.join(self.ratio or ())}."

    def unlikely(self, value: float) -> str:
        """Why a possible value is unlikely, and which value was probably meant.

        Parameters
        ----------
        value : float
            A possible value. [unit]

        Returns
        -------
        str
            Two lines; empty if the value is plausible.
        """
        if self.plausible is None or self.plausible[0] <= value <= self.plausible[1]:
            return ""
        low, high = self.plausible
        if self.ratio is not None and value > high:
            over, under = self.ratio
            return (
                f"is {over} {_short(value)} : {under} 1.\n"
                f"  For 1:{_short(value)} write {_rounded(1.0 / value)}; for {_short(value)}:1 leave it."
            )
        first = f"is outside {_short(low)} to {_short(high)}."
        return f"{first}\n  {self.meant(value) or 'Check the number and its unit.'}"

    def meant(self, value: float) -> str:
        """Which value in the right unit was probably meant.

        Parameters
        ----------
        value : float
            A value that is impossible or unlikely. [unit]

        Returns
        -------
        str
            One question; empty if no other unit explains the value.
        """
        low, high = self.plausible or (-math.inf, math.inf)
        others = (*_OTHER_UNITS.get(self.unit, ()), *(("%",) if self.percent else ()))
        for other in others:
            number = _converted(value, other, self.unit)
            if low <= number <= high and not self.fault(number):
                return f"Did you mean {_rounded(number)} ({_short(value)} {other})?"
        return ""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        depth = _depth(source)

        def read(value: object, depth: int = depth) -> Any:
            if depth == 0:
                fault = self.fault(value)
                if fault:
                    raise _complaint(f"{fault}\n  {self.remedy(value)}")
                number: Any = value
                return int(number) if self.whole else float(number)
            is_other = isinstance(value, str | bytes | Mapping | Set) or not getattr(value, "ndim", 1)
            # What is read while it is made may never end.
            if is_other or not isinstance(value, Iterable) or not isinstance(value, Sized):
                what = "a list of numbers" if depth == 1 else "a list of rows of numbers"
                raise _complaint(f"{shown(value)} is not {what}.\n  {self.allowed()}")
            items = []
            for number, item in enumerate(value, start=1):
                try:
                    items.append(read(item, depth - 1))
                except PydanticCustomError as error:
                    raise _complaint(f"{'' if depth == 1 else f'row {number}: '}{error.message()}") from None
            return tuple(items)

        return core_schema.no_info_plain_validator_function(read)


def _complaint(text: str) -> PydanticCustomError:
    return PydanticCustomError("quantity", "{text}", {"text": text})


def _depth(source: Any) -> int:
    """How many lists a type nests: 0 for a number."""
    return 1 + _depth(get_args(source)[0]) if get_origin(source) in (tuple, Sequence) else 0


def _short(number: float) -> str:
    return f"{number:.6g}"


def _rounded(number: float) -> str:
    """Three digits, and no power of ten below a million."""
    return f"{float(f'{number:.3g}'):g}"


_LATEST = 1e7  # [s]
# No muscles of a chest do more than the limits, strained against a shut mouth [cmH2O].
_MUSCLES: dict[str, Any] = {"plausible": (-60.0, 60.0), "at_least": -200.0, "at_most": 200.0}
_FARTHEST = 100.0  # on a floor plan [m]


def _q(unit: str, meaning: str, plausible: tuple[float, float] | None = None, **limits: Any) -> Quantity:
    return Quantity(unit=unit, meaning=meaning, plausible=plausible, **limits)


_above_0, _from_0 = partial(_q, above=0.0), partial(_q, at_least=0.0)

_TABLE: dict[str, Quantity] = {
    # Unit, meaning, the usual range where there is one, and the other limits.
    # Lungs and their laws.
    "compliance": _above_0("mL/cmH2O", "volume gained for each unit of pressure", (0.2, 300.0)),
    "chest_wall_compliance": _above_0(
        "mL/cmH2O", "compliance of a chest wall in series with the lung; None: part of the compliance",
        (0.5, 1000.0),
    ),
    "resistance": _from_0("cmH2O·s/L", "pressure drop for each unit of flow", (0.0, 2000.0)),
    "expiratory_resistance": _above_0(
        "cmH2O·s/L", "the same in expiration; None: as in inspiration", (0.5, 300.0)
    ),
    "collateral_resistance": _above_0(
        "cmH2O·s/L", "resistance of a path from each region to the next; None: no such path", (0.5, 1e5)
    ),
    "relaxation_volume": _from_0("mL", "gas in the lungs at zero pressure (default illustrative)", (5.0, 8000.0)),
    "predicted_body_weight": _above_0("kg", "predicted body weight; None: unknown", (0.3, 150.0)),
    "vital_capacity": _above_0("mL", "volume between lower and upper asymptote", (10.0, 10000.0)),
    "inflection_pressure": _q(
        "cmH2O", "pressure of the highest compliance", (-20.0, 60.0), at_least=-200.0, at_most=200.0
    ),
    "width": _q("cmH2O", "pressure over which the curve bends", (1.0, 40.0), at_least=0.2, at_most=200.0),
    "largest_volume": _above_0("mL", "volume that is never reached, above the relaxation volume", (10.0, 10000.0)),
    "pressure_rate": _q(
        "1/cmH2O", "how fast the curve nears the largest volume", (0.005, 0.5), at_least=1e-4, at_most=5.0
    ),
    "elastance": _above_0("cmH2O/mL", "elastance at the relaxation volume", (0.003, 5.0)),
    "volume_elastance": _from_0("cmH2O/mL²", "elastance gained for each unit of volume", (0.0, 0.1)),
    # Efforts.
    "amplitude": _q("cmH2O", "highest pressure of the muscles; positive breathes in", **_MUSCLES),
    "muscle_pressures": _q("cmH2O", "pressure of the muscles at these times; positive breathes in", **_MUSCLES),
    "effort_duration": _above_0("s", "how long one effort lasts", (0.1, 10.0)),
    "effort_rate": _above_0("1/min", "efforts of the patient for each minute", (1.0, 150.0)),
    "effort_delay": _from_0("s", "start of the first effort"),
    "times": _from_0("s", "times within a period, rising"),
    "effort_period": _above_0("s", "time from one effort to the next", (0.4, 60.0)),
    # Flow laws.
    "linear": _from_0("cmH2O·s/L", "linear part of the resistance", (0.0, 1e5)),
    "quadratic": _from_0("cmH2O·s²/L²", "quadratic part of the resistance", (0.0, 1e7)),
    "coefficient": _above_0("cmH2O·(s/L)ⁿ", "pressure drop at 1 L/s", (1.0, 500.0)),
    "exponent": _q("1", "power of the flow", (1.0, 2.0), at_least=1.0, at_most=2.0),
    "laminar_flow": _above_0("L/s", "flow below which the law is rounded", (0.001, 10.0)),
    "flows": _above_0("L/s", "measured flows, rising, without the point of rest", (0.001, 5.0)),
    "pressure_drops": _above_0("cmH2O", "pressure drop at each of the flows, rising", (0.001, 500.0)),
    "openings": _q("1", "settings at which it was measured, rising from narrow to wide"),
    "opening": _q("1", "the setting in use, within the openings"),
    "bore": _above_0("mm", "inner diameter", (0.5, 60.0)),
    "bore_deviation": _q("mm", "true diameter minus bore", (-1.0, 1.0)),
    "tube_bore": _above_0("mm", "inner diameter of the tube before and behind", (2.5, 40.0)),
    "inner_diameter": _above_0("mm", "size, the inner diameter when clean", (2.0, 12.0)),
    "obstructed_fraction": _from_0(
        "1", "part of the inner diameter that secretions take", (0.0, 0.6), below=1.0, percent=True
    ),
    "length": _from_0("m", "length", (0.0, 20.0)),
    "density": _above_0("kg/m³", "density of the gas (default: dry air of 20 °C)", (0.1, 3.0)),
    "viscosity": _above_0("µPa·s", "viscosity of the gas (default: dry air of 20 °C)", (5.0, 40.0)),
    "corrugated_friction": _above_0("1", "friction factor of a corrugated wall in fully rough flow", (0.02, 0.3)),
    "curvature": _from_0("1/m", "one over the radius of the bend; 0: straight", (0.0, 30.0)),
    "relative_curvature": _from_0("1", "bore over the diameter of the bend; 0: straight", at_most=0.05),
    "loss_coefficient": _from_0("1", "dynamic heads lost at entrance, bends and exit", (0.0, 20.0)),
    "expiratory_loss_coefficient": _from_0("1", "heads lost in expiration; None: as in inspiration", (0.0, 20.0)),
    "discharge_coefficient": _above_0("1", "real over ideal flow; thin edge only", (0.5, 1.0), at_most=1.0),
    "pressure_drop": _above_0("cmH2O", "wanted loss", (0.01, 1000.0)),
    "wanted_flow": _above_0("L/s", "flow at which it is wanted", (0.001, 10.0)),
    "reynolds": _above_0("1", "Reynolds number"),
    # Parts.
    "gas_volume": _from_0("mL", "gas inside", (0.0, 1000.0)),
    "wall_compliance": _from_0("mL/cmH2O", "compliance of the wall; None: from length and bore", (0.0, 20.0)),
    "opening_pressure": _from_0("cmH2O", "pressure difference at which it begins to open", (0.0, 30.0)),
    "back_leak": _from_0(
        "mL/min per cmH2O", "flow past the seat for each unit of pressure difference", (0.0, 200.0)
    ),
    "outlets": _q("1", "number of outlets", at_least=1.0, at_most=64.0, whole=True),
    # Breath settings and the machine.
    "rate": _above_0("1/min", "breaths in one minute", (3.0, 150.0)),
    "peep": _from_0("cmH2O", "positive end-expiratory pressure", (0.0, 30.0)),
    "inspiratory_time": _above_0("s", "length of the inspiratory phase, pause included", (0.1, 10.0)),
    "ie_ratio": _above_0(
        "1", "length of inspiration divided by that of expiration; 0.5 for 1:2", (0.1, 1.0),
        ratio=("inspiration", "expiration"),
    ),
    "inspiratory_pressure": _from_0("cmH2O", "set pressure above PEEP", (2.0, 60.0)),
    "rise_time": _from_0("s", "time from PEEP to the set pressure", (0.0, 2.0)),
    "tidal_volume": _above_0("mL", "set volume that leaves the ventilator in one breath", (2.0, 8000.0)),
    "pause_time": _from_0("s", "end-inspiratory pause", (0.0, 5.0)),
    "end_flow_ratio": _from_0(
        "1", "end flow of a decelerating pattern divided by its first flow", at_most=1.0, percent=True
    ),
    "source_resistance": _from_0(
        "cmH2O·s/L", "resistance between pressure source and inspiratory port (default illustrative)", (0.0, 50.0)
    ),
    "exhalation_resistance": _from_0("cmH2O·s/L", "resistance of the open exhalation valve", (0.0, 50.0)),
    "flow_limit": _above_0("L/s", "largest flow that the source gives; None: no limit", (0.05, 10.0)),
    "internal_volume": _from_0("mL", "gas in the machine before its inspiratory port", (0.0, 4000.0)),
    "humidifier_volume": _from_0("mL", "gas in a humidifier; 0: there is none", (0.0, 1000.0)),
    "largest_tidal_volume": _above_0("mL", "largest tidal volume that can be set; None: no limit", (20.0, 8000.0)),
    "relief_pressure": _above_0(
        "cmH2O", "pressure above which the inspiratory port vents; None: no relief", (10.0, 150.0)
    ),
    # Floor plans.
    "extra_length": _q("1", "tube for each metre of straight way", (1.0, 3.0), at_least=1.0, at_most=10.0),
    "height": _from_0("m", "tube from the place of a bed up to the airway", (0.0, 3.0), at_most=_FARTHEST),
    "distance": _above_0("m", "distance on the floor", at_most=_FARTHEST),
    "coordinate": _q("m", "place on the floor", at_least=-_FARTHEST, at_most=_FARTHEST),
    "stock_length": _q(
        "m", "lengths in which tube is sold; None: cut to length", (0.3, 10.0), at_least=0.05, at_most=_FARTHEST
    ),
    # Changes and runs.
    "at": _from_0("s", "when it begins", at_most=_LATEST),
    "until": _above_0("s", "when it ends; None: a step, or for good", at_most=_LATEST),
    "factor": _q("1", "the value afterwards over the one before"),
    "value": _q("1", "value at a path, whose unit is there"),
    "time": _from_0("s", "time"),
    "frequency": _from_0("Hz", "frequency of the flow"),
    "duration": _q("s", "how long to run", at_least=1e-3, at_most=_LATEST),
    "sample_interval": _q("s", "distance of samples", at_least=1e-6),
    "tolerance": _q("1", "relative error allowed per step", at_least=1e-12, at_most=1e-3),
    "waveform_every": _q("1", "waveforms of every n-th breath are kept", at_least=1.0, whole=True),
    "ramp_updates": _q("1", "how often in a breath a ramp moves a part", at_least=1.0, at_most=1000.0, whole=True),
    "threads": _q("1", "number of threads", at_least=1.0, at_most=1024.0, whole=True),
    # Display, sensors and alarms.
    "circuit_compliance": _from_0(
        "mL/cmH2O", "compliance of the circuit that the ventilator subtracts", (0.0, 10.0)
    ),
    "high_pressure": _above_0("cmH2O", "highest peak pressure; None: off", (10.0, 120.0)),
    "low_pressure": _above_0("cmH2O", "lowest peak pressure; None: off", (1.0, 80.0)),
    "high_expired_volume": _above_0("mL", "highest expired tidal volume; None: off", (1.0, 10000.0)),
    "low_expired_volume": _above_0("mL", "lowest expired tidal volume; None: off", (1.0, 10000.0)),
    "high_minute_volume": _above_0("L/min", "highest expired minute volume; None: off", (0.05, 150.0)),
    "low_minute_volume": _above_0("L/min", "lowest expired minute volume; None: off", (0.05, 150.0)),
    "peep_rise": _above_0("cmH2O", "how far displayed PEEP may rise above set PEEP; None: off", (0.5, 30.0)),
    "peep_loss": _above_0("cmH2O", "how far displayed PEEP may fall below set PEEP; None: off", (0.5, 30.0)),
    "alarm_delay": _from_0("s", "how long a condition must last until its alarm is raised", (0.0, 180.0)),
    "disconnection": _above_0(
        "1", "part of the inspired volume below which the expired one may not fall; None: off", (0.1, 0.95),
        at_most=1.0, percent=True,
    ),
    "margin": _above_0("1", "part of the displayed volumes", below=1.0, percent=True),
    "pressure_margin": _above_0("cmH2O", "above and below the peak"),
    "gain_error": _q("1", "relative error; 0.05 reads 5 % too much", (-0.5, 0.5), above=-1.0, percent=True),
    "volume_offset": _q("mL", "error of volume that does not depend on the volume", (-100.0, 100.0)),
    "pressure_offset": _q("cmH2O", "error of pressure that does not depend on the pressure", (-10.0, 10.0)),
    "volume_standard_deviation": _from_0("mL", "standard deviation of volume from breath to breath", (0.0, 100.0)),
    "pressure_standard_deviation": _from_0(
        "cmH2O", "standard deviation of pressure from breath to breath", (0.0, 5.0)
    ),
    "seed": _from_0("1", "which random numbers are drawn", at_most=1e9, whole=True),
    # Studies.
    "drill": _above_0("mm", "bore of a drill", (0.3, 40.0)),
    "bore_tolerance": _above_0("mm", "how far a hole may be off", at_most=2.0),
    "count": _q("1", "number of values", at_least=2.0, at_most=10_000.0, whole=True),
    "harm": _from_0("1", "relative change of volume that counts as harm", (0.0, 2.0), percent=True),
    "pressure_harm": _from_0("cmH2O", "rise of pressure that counts as harm", (0.0, 60.0)),
    "step": _q("1", "relative change of a value", at_least=1e-3, at_most=0.1, percent=True),
    "target_volume": _above_0("mL", "inspired tidal volume", (1.0, 3000.0)),
    "target_pressure": _above_0("cmH2O", "pressure", (0.5, 100.0)),
    "search_tolerance": _q("1", "relative miss allowed of a target", at_least=1e-8, at_most=1e-2),
    # Recordings: the largest number of a signal.
    "recorded_flow": _from_0("L/s", "largest flow of a recording", (0.0, 5.0)),
    "recorded_pressure": _from_0("cmH2O", "largest pressure of a recording", (0.0, 150.0)),
    # Persons and the gas they breathe.
    "body_height": _q("cm", "body height", (120.0, 250.0), at_least=120.0, at_most=250.0),
    "oxygen_fraction": _q("1", "oxygen in dry gas", at_least=0.2, at_most=1.0, percent=True),
    "temperature": _from_0("°C", "temperature", at_most=60.0),
    "humidity": _from_0("1", "relative humidity", at_most=1.0, percent=True),
    "polytropic_exponent": _q(
        "1", "exponent of compression: 1 isothermal, 1.4 adiabatic", (1.0, 1.4), at_least=1.0, at_most=1.4
    ),
    "ambient_pressure": _q("cmH2O", "absolute pressure", (500.0, 1100.0), at_least=500.0, at_most=1600.0),
}  # fmt: skip
QUANTITIES: Mapping[str, Quantity] = MappingProxyType(_TABLE)
"""Every quantity by its name."""


def quantity(name: str, meaning: str | None = None, **limits: Any) -> Quantity:
    """A quantity of the table, with what is different at one place.

    Parameters
    ----------
    name : str
        A key of :data:`QUANTITIES`.
    meaning : str or None, default None
        What the number says at this place; None: as in the table.
    **limits
        Limits that differ, as of :class:`Quantity`.

    Returns
    -------
    Quantity
        For a field or a check.

    Examples
    --------
    >>> quantity("bore", "diameter of the hole", plausible=(1.0, 30.0)).allowed()
    'Allowed: above 0 mm; usual: 1 to 30 mm.'
    """
    changes = limits if meaning is None else {"meaning": meaning, **limits}
    return dataclasses.replace(QUANTITIES[name], **changes) if changes else QUANTITIES[name]


def check(
    where: str,
    values: Mapping[str, Any],
    *,
    error: type[InputError] = InputError,
    warn: bool = True,
    **other: Quantity,
) -> None:
    """Refuse impossible numbers, and warn of unlikely ones.

    Parameters
    ----------
    where : str
        What the message begins with: the function or description; empty: nothing.
    values : mapping of str to object
        Numbers by the names of their arguments, keys of :data:`QUANTITIES` unless `other` has them.
    error : type, default InputError
        What is raised.
    warn : bool, default True
        Whether to warn of unlikely ones; not where the values may be those of a description, which has warned.
    **other : Quantity
        Quantities of arguments whose names the table does not have, or for which they mean something else.

    Raises
    ------
    InputError
        If a value is no number or outside its limits.

    Examples
    --------
    >>> check("tube_inertance", {"bore": 22.0, "length": -1.0})
    Traceback (most recent call last):
    ventsim.errors.InputError: tube_inertance: length -1 m is not allowed.
      Allowed: at least 0 m; usual: 0 to 20 m.
    """
    before = f"{where}: " if where else ""
    for name, value in values.items():
        here = other.get(name) or QUANTITIES[name]
        fault = here.fault(value)
        if fault:
            raise error(f"{before}{name} {fault}\n  {here.remedy(value)}")
        if warn:
            warn_of_unlikely(f"{before}{name}", here, [float(value)])


def rule(name: str) -> Callable[[Any, str], str]:
    """A quantity of the table for the annotation of an argument: what is wrong with a number, in two lines.

    Parameters
    ----------
    name : str
        A key of :data:`QUANTITIES`.

    Returns
    -------
    callable
        Of a value and the name that messages give it; empty text if nothing is wrong.
    """

    def fault_of(value: Any, called: str) -> str:
        fault = QUANTITIES[name].fault(value)
        return f"{called} {fault}\n  {QUANTITIES[name].remedy(value).rstrip('.')}" if fault else ""

    return fault_of


def warn_of_unlikely(name: str, here: Quantity, values: Iterable[float]) -> None:
    """Warn of the first unlikely one of several numbers.

    Parameters
    ----------
    name : str
        What the message begins with: what the numbers are.
    here : Quantity
        Their quantity.
    values : iterable of float
        Possible numbers. [unit]

    Warns
    -----
    PlausibilityWarning
        With the value that was probably meant.
    """
    for value in values:
        if found := here.unlikely(value):
            warn_caller(PlausibilityWarning(f"{name} {here.text(value)} {found}"))
            return


def finite_array(where: str, name: str, values: ArrayLike, *, unit: str) -> FloatArray:
    """Numbers as an array, all of them finite.

    Parameters
    ----------
    where : str
        The function, for the message; empty: none.
    name : str
        Name of the argument.
    values : float or array of shape (n,)
        Numbers of either sign. [unit]
    unit : str
        Their unit.

    Returns
    -------
    array of shape (n,) or ()
        The same numbers. [unit]

    Raises
    ------
    InputError
        If one is no finite number.

    Examples
    --------
    >>> finite_array("tube_pressure_drop", "flow", [0.5, 1.0], unit="L/s")
    array([0.5, 1. ])
    """
    before = f"{where}: " if where else ""
    try:
        array = numbers_in(values)
    except (TypeError, ValueError):
        raise InputError(f"{before}{name} {shown(values)} is not a number.\n  Give numbers in {unit}.") from None
    if not np.isfinite(array).all():
        wrong = float(array[~np.isfinite(array)].flat[0])
        raise InputError(f"{before}{name} {wrong:g} {unit} is not allowed.\n  Allowed: finite numbers in {unit}.")
    return array


Mark = TypeVar("Mark")


def mark_of(info: FieldInfo, kind: type[Mark]) -> Mark | None:
    """What stands in the ``Annotated`` type of a field, also of an optional one; None if it is not there.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo
        A field of a description.
    kind : type
        Class of what is looked for.

    Returns
    -------
    object or None
        The first one.
    """
    marks = list(info.metadata)
    for inner in get_args(info.annotation):
        marks += get_args(inner)[1:]
    return next((mark for mark in marks if isinstance(mark, kind)), None)


def quantity_of(info: FieldInfo) -> Quantity | None:
    """The :class:`Quantity` of a field, also of an optional one; None if the field is not a number.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo
        A field of a description.

    Returns
    -------
    Quantity or None
        Unit and limits.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> quantity_of(Lung.model_fields["expiratory_resistance"]).unit
    'cmH2O·s/L'
    """
    return mark_of(info, Quantity)
