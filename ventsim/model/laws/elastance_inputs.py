"""Checks of what is handed to the laws of elastance."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError

FloatArray = NDArray[np.float64]


def check_numbers(values: Mapping[str, tuple[float, str, bool]]) -> None:
    """Refuse parameters that are not finite, or not above 0 where they have to be.

    Parameters
    ----------
    values : mapping of str to (float, str, bool)
        Value by name, its unit, and whether it has to be above 0.

    Raises
    ------
    InputError
        With name, value, unit and what is allowed.

    Examples
    --------
    >>> check_numbers({"width": (0.0, "cmH2O", True)})
    Traceback (most recent call last):
    ventsim.errors.InputError: width 0 cmH2O is not allowed.
      Allowed: above 0 cmH2O.
    """
    for name, (value, unit, must_be_positive) in values.items():
        is_number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
        if not is_number or not np.isfinite(value) or (must_be_positive and value <= 0.0):
            shown = f"{value:.6g} {unit}" if is_number else repr(value)
            allowed = f"above 0 {unit}" if must_be_positive else f"any finite number, in {unit}"
            raise InputError(f"{name} {shown} is not allowed.\n  Allowed: {allowed}.")


def finite_array(name: str, value: float | FloatArray, *, unit: str) -> FloatArray:
    """Numbers as an array, all of them finite.

    Parameters
    ----------
    name : str
        What they are called, for the message.
    value : float or array of any shape
        The numbers. [unit]
    unit : str
        Their unit.

    Returns
    -------
    array of the same shape
        The numbers. [unit]

    Raises
    ------
    InputError
        With name, value and unit.

    Examples
    --------
    >>> finite_array("volume", [1, 2], unit="mL")
    array([1., 2.])
    """
    try:
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} {value!r} is not a number.\n  Give a number or an array, in {unit}.") from None
    if not np.isfinite(array).all():
        wrong = array[~np.isfinite(array)].flat[0]
        raise InputError(f"{name} {wrong} {unit} is not allowed.\n  Allowed: finite numbers, in {unit}.")
    return array


def check_within(volume: FloatArray, *, low: float, high: float) -> None:
    """Refuse volumes that the curve cannot hold.

    Parameters
    ----------
    volume : array of any shape
        The volumes. [mL]
    low, high : float
        Volumes between which all have to lie. [mL]

    Raises
    ------
    InputError
        With the first volume outside and the limits.

    Examples
    --------
    >>> check_within(np.array([2100.0]), low=0.0, high=2000.0)
    Traceback (most recent call last):
    ventsim.errors.InputError: volume 2100 mL cannot be held: the curve has no pressure for it.
      Allowed: above 0 and below 2000 mL. Lower the volume, or give the lung a larger capacity.
    """
    outside = (volume <= low) | (volume >= high)
    if outside.any():
        wrong = float(np.extract(outside, volume)[0])
        bounds = [f"above {low:.6g}"] if np.isfinite(low) else []
        bounds += [f"below {high:.6g}"] if np.isfinite(high) else []
        raise InputError(
            f"volume {wrong:.6g} mL cannot be held: the curve has no pressure for it.\n"
            f"  Allowed: {' and '.join(bounds)} mL. Lower the volume, or give the lung a larger capacity."
        )
