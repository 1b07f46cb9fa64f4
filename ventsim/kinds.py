"""Of what kind a value is: number, numbers, text; and how messages show one that is wrong."""

import math
import numbers
import sys
from collections.abc import Mapping
from typing import Any

import numpy as np

LARGEST = 1e15
"""Largest size of any number: powers of a larger one leave the range of floats."""

_LONGEST = 80  # characters of a wrong value in a message


def shown(value: object) -> str:
    """A wrong value as messages show it: descriptions without all their numbers, anything else shortened.

    Parameters
    ----------
    value : object
        What was given.

    Returns
    -------
    str
        One line that can be printed.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> shown(Tube(length=1.5)), shown(Tube), shown("tube")
    ('Tube(...)', 'the class Tube', "'tube'")
    """
    if isinstance(value, type):
        return f"the class {value.__name__}"
    if hasattr(type(value), "model_fields") or type(value).__repr__ is object.__repr__:
        return f"{type(getattr(value, 'wrapped', value)).__name__}(...)"
    home = type(value).__module__.partition(".")[0]
    if home in ("xarray", "pandas"):
        return f"a {type(value).__name__}"
    if isinstance(value, Mapping):
        pairs = (f"{shown(name)}: {shown(item)}" for name, item in value.items())
        text = f"{{{', '.join(pairs)}}}"
    elif isinstance(value, list | tuple) and any(hasattr(type(item), "model_fields") for item in value):
        text = f"[{', '.join(map(shown, value))}]"
    else:
        try:
            text = repr(value)
        except ValueError:  # a whole number with more digits than Python writes
            text = f"a {type(value).__name__}"
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def is_number(value: object) -> bool:
    """Whether a value is one real number: an int, a float, a Fraction or a scalar of numpy.

    Parameters
    ----------
    value : object
        What was given. True and False are none, nor are times, text, and arrays without dimensions, of which
        ``.item()`` is the number.

    Returns
    -------
    bool
        True also for one that is not finite.

    Examples
    --------
    >>> is_number(3), is_number(np.float64(3.0)), is_number(True), is_number(np.array(3.0))
    (True, True, False, False)
    """
    return isinstance(value, numbers.Real) and not isinstance(value, bool | np.bool_ | np.timedelta64)


def numbers_in(values: Any) -> Any:
    """Numbers as an array of floats.

    Parameters
    ----------
    values : float, sequence or array of any shape
        What was given.

    Returns
    -------
    array of the shape of `values`
        The same numbers, of which some may not be finite.

    Raises
    ------
    TypeError or ValueError
        If one is no number.

    Examples
    --------
    >>> numbers_in([1, 2.5])
    array([1. , 2.5])
    """
    array = np.asarray(values)
    kind = array.dtype.kind
    if kind == "O":
        array = np.vectorize(_float, otypes=[float])(array) if array.size else array.astype(float)
    elif kind not in "iuf":
        raise TypeError(f"not numbers, but {array.dtype}")
    return array.astype(float, copy=False)


def _float(value: Any) -> float:
    if not is_number(value):
        raise TypeError(f"{shown(value)} is not a number")
    return math.inf if isinstance(value, int) and abs(value) > sys.float_info.max else float(value)


def fault_of_numbers(value: Any, name: str) -> str:
    """What is wrong with what should be a finite number, or an array or list of them.

    Parameters
    ----------
    value : object
        What was given.
    name : str
        How the message calls it.

    Returns
    -------
    str
        Two lines without the last full stop; empty if nothing is wrong.
    """
    try:
        array = numbers_in(value)
    except (TypeError, ValueError):
        return f"{name} {shown(value)} is not a number.\n  Give finite numbers"
    allowed = np.abs(array) <= LARGEST
    if allowed.all():
        return ""
    return f"{name} {array[~allowed].flat[0]:g} is not allowed.\n  Give finite numbers up to {LARGEST:g}"


def fault_of_number(value: Any, name: str) -> str:
    """What is wrong with what should be a finite number.

    Parameters
    ----------
    value : object
        What was given.
    name : str
        How the message calls it.

    Returns
    -------
    str
        Two lines without the last full stop; empty if nothing is wrong.
    """
    if not is_number(value):
        how = "; .item() is the number of an array" if hasattr(value, "item") else ""
        return f"{name} {shown(value)} is not a number{how}.\n  Give a finite number"
    is_allowed = abs(value) <= LARGEST
    return "" if is_allowed else f"{name} {shown(value)} is not allowed.\n  Give a finite number up to {LARGEST:g}"


def fault_of_text(value: Any, name: str) -> str:
    """What is wrong with what should be text, such as the name of a lung.

    Parameters
    ----------
    value : object
        What was given.
    name : str
        How the message calls it.

    Returns
    -------
    str
        Two lines without the last full stop; empty if nothing is wrong.
    """
    if not isinstance(value, str):
        return f"{name} {shown(value)} is not text.\n  Give text in quotes"
    if value.isprintable() or all(letter.isprintable() or letter in "\n\r\t" for letter in value):
        return ""
    return f"{name} {shown(value)} has characters that cannot be printed.\n  Give text without them"
