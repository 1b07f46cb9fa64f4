"""Checks of the numbers handed to the closed forms, in one table, and the types they share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError

FloatArray = NDArray[np.float64]
Floats = float | FloatArray

# Beyond this a number is a mistake, and products of several could overflow into infinity or NaN.
LARGEST = 1e12
SMALLEST = 1e-12


@dataclass(frozen=True, kw_only=True)
class Allowed:
    """What a number may be: its unit, its bounds, and a value that makes sense.

    Attributes
    ----------
    unit : str
        Unit of the number, empty if it has none.
    example : float
        A usual value, shown as the next step of a message. [unit]
    above : float or None
        Values must be larger than this. [unit]
    at_least : float or None
        Values must not be smaller than this. [unit]
    below : float or None
        Values must be smaller than this. [unit]
    at_most : float or None
        Values must not be larger than this. [unit]
    infinite : bool
        Whether infinity is allowed too.
    """

    unit: str
    example: float
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None
    infinite: bool = False


_COMPLIANCE = Allowed(unit="mL/cmH2O", example=50.0, above=0.0)
_RESISTANCE = Allowed(unit="cmH2O·s/L", example=10.0, above=0.0)
_SHARED_RESISTANCE = Allowed(unit="cmH2O·s/L", example=5.0, at_least=0.0)

ALLOWED: Mapping[str, Allowed] = {
    "inspiratory_pressure": Allowed(unit="cmH2O", example=15.0, above=0.0),
    "peep": Allowed(unit="cmH2O", example=5.0, at_least=0.0),
    "plateau_pressure": Allowed(unit="cmH2O", example=15.0, at_least=0.0),
    "peak_pressure": Allowed(unit="cmH2O", example=20.0, at_least=0.0),
    "compliance": _COMPLIANCE,
    "compliances": _COMPLIANCE,
    "circuit_compliance": Allowed(unit="mL/cmH2O", example=2.0, above=0.0),
    "resistance": _RESISTANCE,
    "resistances": _RESISTANCE,
    "expiratory_resistance": _RESISTANCE,
    "expiratory_resistances": _RESISTANCE,
    "shared_resistance": _SHARED_RESISTANCE,
    "expiratory_shared_resistance": _SHARED_RESISTANCE,
    "tidal_volume": Allowed(unit="mL", example=500.0, above=0.0),
    "flow": Allowed(unit="L/s", example=0.5, above=0.0),
    "rate": Allowed(unit="/min", example=15.0, above=0.0),
    "inspiratory_time": Allowed(unit="s", example=1.0, above=0.0),
    "pause_time": Allowed(unit="s", example=0.3, at_least=0.0),
    "rise_time_constant": Allowed(unit="s", example=0.1, above=0.0),
    "time_constant": Allowed(unit="s", example=0.5, above=0.0),
    "time": Allowed(unit="s", example=1.0, at_least=0.0),
    "time of the cycle": Allowed(unit="s", example=1.0),
    "duty_cycle": Allowed(unit="", example=1 / 3, above=0.0, below=1.0),
    "ie_ratio": Allowed(unit="", example=0.5, above=0.0),
    "end_flow_ratio": Allowed(unit="", example=0.5, at_least=0.0, at_most=1.0),
    "frequency": Allowed(unit="Hz", example=0.25, at_least=0.0, infinite=True),
    "breath": Allowed(unit="", example=1.0, at_least=1.0),
}


def _text(allowed: Allowed, value: float) -> str:
    """A value with its unit."""
    return f"{value:.6g} {allowed.unit}".rstrip()


def _range_text(allowed: Allowed) -> str:
    """The bounds in words."""
    bounds = (
        ("above", allowed.above),
        ("at least", allowed.at_least),
        ("below", allowed.below),
        ("at most", allowed.at_most),
    )
    words = [f"{word} {_text(allowed, bound)}" for word, bound in bounds if bound is not None]
    return " and ".join(words) if words else "any number"


def _outside(allowed: Allowed, value: FloatArray) -> NDArray[np.bool_]:
    """True where a value is outside the bounds or not a number."""
    bad = np.isnan(value)
    if allowed.above is not None:
        bad |= value <= allowed.above
    if allowed.at_least is not None:
        bad |= value < allowed.at_least
    if allowed.below is not None:
        bad |= value >= allowed.below
    if allowed.at_most is not None:
        bad |= value > allowed.at_most
    return bad


def _extreme(allowed: Allowed, value: FloatArray) -> NDArray[np.bool_]:
    """True where a value is so large, or a divisor so small, that results could overflow."""
    bad = np.abs(value) > (np.inf if allowed.infinite else LARGEST)
    if allowed.above is not None:
        bad |= value < SMALLEST
    return bad


def checked(where: str, value: Floats | Sequence[float] | None, *, name: str) -> FloatArray:
    """A number or array as floats, or an error that says what is allowed.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    value : float or array
        What the caller gave. [unit of the parameter]
    name : str
        Name of the parameter, a key of the table of what is allowed.

    Returns
    -------
    array of the shape of `value`
        The same numbers. [unit of the parameter]

    Raises
    ------
    InputError
        If it is no number, NaN, or outside its bounds.
    """
    allowed = ALLOWED[name]
    shown = f"{where}: {name.partition(' ')[0]}"
    example = f"Give for example {_text(allowed, allowed.example)}."
    try:
        # numpy would turn None into NaN.
        array = np.asarray("None" if value is None else value, dtype=np.float64)
    except (TypeError, ValueError):
        raise InputError(
            f"{shown} {value!r} is not a number.\n"
            f"  Allowed: a number or array [{allowed.unit or '1'}], {_range_text(allowed)}.\n  {example}"
        ) from None
    outside = _outside(allowed, array)
    if np.any(outside):
        first = _text(allowed, float(array[outside][0]))
        raise InputError(f"{shown} {first} is not possible.\n  Allowed: {_range_text(allowed)}.\n  {example}")
    extreme = _extreme(allowed, array)
    if np.any(extreme):
        first = _text(allowed, float(array[extreme][0]))
        raise InputError(
            f"{shown} {first} is too large or too small to calculate with.\n"
            f"  Allowed: {_range_text(allowed)}, in size from {SMALLEST:.0e} to {LARGEST:.0e}.\n  {example}"
        )
    return array


def checked_together(where: str, values: Mapping[str, Floats]) -> list[FloatArray]:
    """Check several numbers or arrays and bring them to one shape.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    values : mapping of str to float or array
        Numbers by the name of their parameter.

    Returns
    -------
    list of array
        The same numbers in the same order, all of one shape.

    Raises
    ------
    InputError
        If a number is impossible, or the shapes do not fit each other.
    """
    arrays = [checked(where, value, name=name) for name, value in values.items()]
    try:
        return list(np.broadcast_arrays(*arrays))
    except ValueError:
        shapes = ", ".join(f"{name} {a.shape}" for name, a in zip(values, arrays, strict=True) if a.shape)
        raise InputError(
            f"{where}: shapes of the arrays do not fit: {shapes}.\n"
            "  Allowed: single numbers, and arrays whose shapes broadcast as in numpy.\n"
            "  Give all arrays the same shape."
        ) from None


def checked_lungs(where: str, values: Mapping[str, Sequence[float] | FloatArray]) -> list[FloatArray]:
    """Check values given one per lung: a row of numbers each, all of the same length.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    values : mapping of str to sequence of float
        Rows of numbers by the name of their parameter.

    Returns
    -------
    list of array of shape (lung,)
        The same numbers in the same order.

    Raises
    ------
    InputError
        If a number is impossible, a row is empty, or the rows differ in length.
    """
    arrays = [checked(where, value, name=name) for name, value in values.items()]
    if any(a.ndim != 1 for a in arrays) or len({a.size for a in arrays}) != 1 or arrays[0].size == 0:
        found = ", ".join(f"{name} has shape {a.shape}" for name, a in zip(values, arrays, strict=True))
        raise InputError(
            f"{where}: not one value for each lung: {found}.\n"
            "  Allowed: lists of numbers, all of the same length, at least one.\n"
            "  Give one number for each lung in each list."
        )
    return arrays


def checked_times(where: str, *, rate: FloatArray, inspiratory_time: FloatArray) -> FloatArray:
    """Period of the breath, after a check that time is left for expiration.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    rate : array of any shape
        Breaths each minute. [1/min]
    inspiratory_time : array of the same shape
        Duration of inspiration. [s]

    Returns
    -------
    array of the same shape
        Period of the breath. [s]

    Raises
    ------
    InputError
        If inspiration fills the whole period.
    """
    period = 60.0 / rate
    bad = inspiratory_time >= period
    if np.any(bad):
        time, whole, often = (float(np.asarray(a)[bad][0]) for a in (inspiratory_time, period, rate))
        raise InputError(
            f"{where}: inspiratory_time {time:.6g} s leaves no time for expiration "
            f"at a rate of {often:.6g} /min.\n"
            f"  Allowed: less than the period of {whole:.6g} s.\n  Shorten inspiratory_time or lower rate."
        )
    return period


def checked_two_lungs(where: str, values: Mapping[str, Sequence[float] | FloatArray]) -> list[FloatArray]:
    """As :func:`checked_lungs`, for the laws that hold for exactly two lungs.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    values : mapping of str to sequence of float
        Rows of two numbers by the name of their parameter.

    Returns
    -------
    list of array of shape (2,)
        The same numbers in the same order.

    Raises
    ------
    InputError
        If a number is impossible, or there are not two in each row.
    """
    arrays = checked_lungs(where, values)
    if arrays[0].size != 2:
        raise InputError(
            f"{where}: values for {arrays[0].size} lungs given.\n  Allowed: two lungs.\n"
            f"  Give two numbers in each of {', '.join(values)}."
        )
    return arrays


def unboxed(value: FloatArray) -> Floats:
    """A float for an array without dimensions, else the array itself.

    Parameters
    ----------
    value : array of any shape
        Result of a calculation. [any]

    Returns
    -------
    float or array
        The same numbers. [any]
    """
    array = np.asarray(value)
    return float(array) if array.ndim == 0 else array
