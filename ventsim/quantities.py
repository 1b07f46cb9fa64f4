"""A number with its unit, limits and likely slips of units; the table of such numbers for documentation."""

import math
import numbers
import re
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from typing import Any, get_args

from pydantic import BaseModel, GetCoreSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from ventsim.units import convert


def _slips(target: str, *others: str) -> tuple[tuple[str, float], ...]:
    return tuple((other, float(convert(1.0, source=other, target=target))) for other in others)


# Other units in which people give a quantity, each with the factor to the house unit; the likeliest first.
BORE_SLIPS = _slips("mm", "m", "cm")
COMPLIANCE_SLIPS = _slips("mL/cmH2O", "L/cmH2O", "mL/kPa", "m³/Pa")
FLOW_SLIPS = _slips("L/s", "L/min", "mL/s", "mL/min")
LENGTH_SLIPS = _slips("m", "cm", "mm")
PRESSURE_SLIPS = _slips("cmH2O", "kPa", "Pa")
QUADRATIC_SLIPS = (
    ("kPa·s²/L²", float(convert(1000.0, source="Pa", target="cmH2O"))),
    *_slips("cmH2O·s²/L²", "Pa·s²/m⁶"),
    ("cmH2O·min²/L²", 3600.0),
)
RESISTANCE_SLIPS = _slips("cmH2O·s/L", "kPa·s/L", "Pa·s/m³")
TIME_SLIPS = _slips("s", "ms")
VOLUME_SLIPS = _slips("mL", "L", "m³")

_NUMBER = r"(\d+(?:\.\d+)?)"
_WRITTEN_RATIO = re.compile(rf"\s*{_NUMBER}\s*[:/]\s*{_NUMBER}\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Unit, limits and meaning of a numeric field; stands in the ``Annotated`` type of the field.

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
    slips : tuple of (str, float)
        Other units in which people give this quantity, each with the factor to `unit`. [unit per other unit]
    whole : bool, default False
        Whether only whole numbers are allowed.
    many : bool, default False
        Whether the field is a list of such numbers, which becomes a tuple.
    rows : bool, default False
        Whether the field is a list of such lists, which becomes a tuple of tuples.
    ratio : tuple of two str or None, default None
        What is divided by what, if people are likely to turn the ratio round or to write it as ``"1:2"``.

    Examples
    --------
    >>> pressure = Quantity(unit="cmH2O", meaning="pressure", plausible=(1.0, 60.0), slips=PRESSURE_SLIPS)
    >>> pressure.doubt(1471.0)
    'is outside 1 to 60.\\n  Did you mean 15 (1471 Pa)?'
    """

    unit: str
    meaning: str = field(repr=False)  # kept out of the repr, so that signatures of descriptions stay readable
    above: float | None = field(default=None, repr=False)
    at_least: float | None = field(default=None, repr=False)
    below: float | None = field(default=None, repr=False)
    at_most: float | None = field(default=None, repr=False)
    plausible: tuple[float, float] | None = field(default=None, repr=False)
    slips: tuple[tuple[str, float], ...] = field(default=(), repr=False)
    whole: bool = field(default=False, repr=False)
    many: bool = field(default=False, repr=False)
    rows: bool = field(default=False, repr=False)
    ratio: tuple[str, str] | None = field(default=None, repr=False)

    @property
    def bounds(self) -> str:
        """The hard limits in words; empty if there are none."""
        limits = {
            "above": self.above, "at least": self.at_least, "below": self.below, "at most": self.at_most
        }  # fmt: skip
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

    def numbers(self, given: Any) -> tuple[float, ...]:
        """The single numbers of a field's value.

        Parameters
        ----------
        given : float, tuple of float or tuple of tuple of float
            Value of a field with this quantity. [unit]

        Returns
        -------
        tuple of float
            One number, those of the list, or those of all its rows. [unit]
        """
        if self.rows:
            return tuple(value for row in given for value in row)
        return given if self.many else (given,)

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
        if isinstance(value, bool) or not isinstance(value, numbers.Real):
            return f"{value!r} is not a number."
        try:
            number = float(value)
        except OverflowError:  # a whole number beyond the range of floats
            number = math.inf
        broken = (
            not math.isfinite(number)
            or (self.above is not None and number <= self.above)
            or (self.at_least is not None and number < self.at_least)
            or (self.below is not None and number >= self.below)
            or (self.at_most is not None and number > self.at_most)
            or (self.whole and number != round(number))
        )
        return f"{self.text(number)} is not allowed." if broken else ""

    def allowed(self) -> str:
        """What is allowed and what is usual.

        Returns
        -------
        str
            One line.
        """
        unit = "" if self.unit == "1" else f" {self.unit}"
        kind = "whole number" if self.whole else "finite number"
        hard = f"{kind} {self.bounds}{unit}" if self.whole else f"{self.bounds or kind}{unit}"
        if self.plausible is None:
            return f"Allowed: {hard}."
        return f"Allowed: {hard}; usual: {_short(self.plausible[0])} to {_short(self.plausible[1])}{unit}."

    def remedy(self, value: object) -> str:
        """What to write in place of an impossible value.

        Parameters
        ----------
        value : object
            What was given.

        Returns
        -------
        str
            The number that a text such as ``"1:2"`` stands for, where the quantity is a ratio; else what is
            allowed.

        Examples
        --------
        >>> Quantity(unit="1", meaning="ratio", ratio=("inspiration", "expiration")).remedy("1:2")
        'Write 0.5, inspiration divided by expiration.'
        """
        match = _WRITTEN_RATIO.fullmatch(value) if self.ratio is not None and isinstance(value, str) else None
        if match is None or float(match[2]) == 0.0:
            return self.allowed()
        return f"Write {_rounded(float(match[1]) / float(match[2]))}, {' divided by '.join(self.ratio)}."

    def doubt(self, value: float) -> str:
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
        for unit, factor in self.slips:
            if low <= value * factor <= high:
                return f"{first}\n  Did you mean {_rounded(value * factor)} ({_short(value)} {unit})?"
        return f"{first}\n  Check the number and its unit."

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def refuse(fault: str, value: object = None) -> PydanticCustomError:
            return PydanticCustomError("quantity", "{text}", {"text": f"{fault}\n  {self.remedy(value)}"})

        def check(value: object) -> float | int:
            fault = self.fault(value)
            if fault:
                raise refuse(fault, value)
            return int(value) if self.whole else float(value)

        def check_each(values: object) -> tuple[float | int, ...]:
            if isinstance(values, str | bytes | Mapping | Set) or not isinstance(values, Iterable):
                raise refuse(f"{values!r} is not a list of numbers.")
            return tuple(check(value) for value in values)

        def check_rows(rows: object) -> tuple[tuple[float | int, ...], ...]:
            if isinstance(rows, str | bytes | Mapping | Set) or not isinstance(rows, Iterable):
                raise refuse(f"{rows!r} is not a list of rows of numbers.")
            checked = []
            for number, row in enumerate(rows, start=1):
                try:
                    checked.append(check_each(row))
                except PydanticCustomError as error:
                    told = {"text": f"row {number}: {error.message()}"}
                    raise PydanticCustomError("quantity", "{text}", told) from None
            return tuple(checked)

        read = check_rows if self.rows else check_each if self.many else check
        return core_schema.no_info_plain_validator_function(read)


def _short(number: float) -> str:
    return f"{number:.6g}"


def _rounded(number: float) -> str:
    """Three digits, and no power of ten below a million."""
    return f"{float(f'{number:.3g}'):g}"


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
    candidates = list(info.metadata)
    for inner in get_args(info.annotation):
        candidates.extend(get_args(inner)[1:])
    return next((item for item in candidates if isinstance(item, Quantity)), None)


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One line of the table of a description's fields, all as text.

    Attributes
    ----------
    name, unit, bounds, plausible, default, meaning : str
        As in the field's :class:`Quantity`; `bounds` lists the choices of a field that is not a number.
    """

    name: str
    unit: str
    bounds: str
    plausible: str
    default: str
    meaning: str


def field_table(cls: type[BaseModel]) -> tuple[FieldRow, ...]:
    """Names, units, limits and defaults of a description's fields, for documentation.

    Parameters
    ----------
    cls : type
        A subclass of :class:`Description`.

    Returns
    -------
    tuple of FieldRow
        In the order of the fields.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> row = field_table(Lung)[0]
    >>> row.name, row.unit, row.bounds, row.plausible, row.default
    ('compliance', 'mL/cmH2O', 'above 0', '0.2 to 300', 'required')
    """
    return tuple(_row(name, info) for name, info in cls.model_fields.items())


def _row(name: str, info: FieldInfo) -> FieldRow:
    quantity = quantity_of(info)
    default = "required" if info.is_required() else f"{info.get_default(call_default_factory=True)}"
    if quantity is None:
        choices = ", ".join(str(choice) for choice in get_args(info.annotation) if isinstance(choice, str))
        return FieldRow(name, "", choices, "", default, info.description or "")
    low_high = "" if quantity.plausible is None else " to ".join(map(_short, quantity.plausible))
    return FieldRow(name, quantity.unit, quantity.bounds, low_high, default, quantity.meaning)
