"""Exception and warning types; and what messages are made of: values in short, kinds of values, nearest names.

Every message has five parts: what is wrong, where, the value with its unit, what is allowed, and the next
step. Wrong input raises an :class:`InputError`, which is also a ``ValueError``; a failed calculation raises a
:class:`SolverError`, which is also a ``RuntimeError``. Catch :class:`VentsimError` for both.
"""

import difflib
import math
import numbers
import re
import sys
import warnings
from collections.abc import Collection, Iterable, Mapping
from types import FrameType
from typing import Any

import numpy as np

__all__ = [
    "CircuitError",
    "CircuitWarning",
    "InputError",
    "PartError",
    "PlausibilityWarning",
    "ScenarioError",
    "SchemaError",
    "SettingsError",
    "SolverError",
    "StoppedEarlyWarning",
    "VentsimError",
]


class VentsimError(Exception):
    """Base of every error that ventsim raises itself.

    Where it breaks off a run, the attribute ``finished`` holds what was finished before; otherwise it is None.
    """

    finished: object = None

    @property
    def has_remedy(self) -> bool:
        """Whether the message goes on with what is allowed or what to do."""
        return any(line.startswith("  ") for line in str(self).split("\n")[1:2])

    def __str__(self) -> str:
        """The message, with names from outside made short and fit to be printed."""
        return _printable(super().__str__())


class InputError(VentsimError, ValueError):
    """A value handed to ventsim is impossible, missing or unknown."""


class PartError(InputError):
    """The description of a part (lung, tube, valve, fitting) is impossible."""


class CircuitError(InputError):
    """The parts do not join up to a circuit that can ventilate every lung."""


class SettingsError(InputError):
    """The breath settings contradict each other or the ventilator's limits."""


class ScenarioError(InputError):
    """A scenario, or the file that holds it, cannot be read or is incomplete."""


class SchemaError(InputError):
    """A Dataset does not have the variables, dimensions or units that the schema asks for."""


class FileError(InputError):
    """A file cannot be written; what was there before is whole."""


class SolverError(VentsimError, RuntimeError):
    """The calculation could not be completed to the requested accuracy."""


class PlausibilityWarning(UserWarning):
    """A value is possible but unlikely; often a slip of units."""


class CircuitWarning(UserWarning):
    """A circuit is complete but probably joined in another way than was meant."""


class StoppedEarlyWarning(UserWarning):
    """A run was stopped before its end; what was finished is kept."""


_LONGEST_WORD = 1000  # characters of a name in a message
LARGEST = 1e15
"""Largest size of numbers: beyond it their powers leave the range of floats."""

_LONGEST = 80  # characters of a wrong value in a message
_MOST_NAMES = 100  # in a message
_SHORTEST_PIECE = 4  # letters from which a part of a longer name counts as a hint to it


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


def fault_of_numbers(value: Any, name: str, *, missing: bool = False, any_size: bool = False) -> str:
    """What is wrong with what should be a number, or an array or list of them.

    Parameters
    ----------
    value : object
        What was given.
    name : str
        How the message calls it.
    missing : bool, default False
        Whether NaN stands for one that is missing.
    any_size : bool, default False
        Whether numbers may be beyond :data:`LARGEST`, and infinite.

    Returns
    -------
    str
        Two lines without the last full stop; empty if nothing is wrong.
    """
    try:
        array = numbers_in(value)
    except (TypeError, ValueError):
        return f"{name} {shown(value)} is not a number.\n  Give finite numbers"
    wrong = np.zeros(array.shape, bool) if missing else np.isnan(array)
    if not any_size:
        wrong |= np.abs(array) > LARGEST
    if not wrong.any():
        return ""
    return f"{name} {array[wrong].flat[0]:g} is not allowed.\n  Give finite numbers of at most {LARGEST:g} in size"


def fault_of_number(value: Any, name: str, *, any_size: bool = False) -> str:
    """As :func:`fault_of_numbers`, of one number."""
    if not is_number(value):
        how = "; .item() is the number of an array" if hasattr(value, "item") else ""
        return f"{name} {shown(value)} is not a number{how}.\n  Give a finite number"
    if abs(value) <= LARGEST or (any_size and (abs(value) <= sys.float_info.max or abs(value) == math.inf)):
        return ""
    return f"{name} {shown(value)} is not allowed.\n  Give a finite number of at most {LARGEST:g} in size"


def fault_of_any_number(value: Any, name: str) -> str:
    """As :func:`fault_of_number`, of any size: for an annotation."""
    return fault_of_number(value, name, any_size=True)


def fault_of_any_numbers(value: Any, name: str) -> str:
    """As :func:`fault_of_numbers`, of any size: for an annotation."""
    return fault_of_numbers(value, name, any_size=True)


def fault_of_name(value: Any, name: str) -> str:
    """As :func:`fault_of_numbers`, of what should be one line of text, such as the name of a lung."""
    if not isinstance(value, str):
        return f"{name} {shown(value)} is not text.\n  Give text in quotes"
    if value.isprintable():
        return ""
    return f"{name} {shown(value)} has characters that cannot be printed.\n  Give text without them"


def fault_of_text(value: Any, name: str) -> str:
    """As :func:`fault_of_name`, of any characters that a file can hold."""
    if isinstance(value, str) and not any("\ud800" <= letter <= "\udfff" for letter in value):
        return ""
    return fault_of_name(value, name)


def nearest_names(name: str, options: Iterable[str], *, limit: int = 3) -> list[str]:
    """Names that resemble a wrong one, most similar first, then those that contain it.

    Letter case is ignored, and so is the difference between a space, a hyphen and an underscore.

    Parameters
    ----------
    name : str
        The name that was not found.
    options : iterable of str
        The names that exist.
    limit : int, default 3
        How many names to return at most. [1]

    Returns
    -------
    list of str
        Between none and `limit` of the options.

    Examples
    --------
    >>> nearest_names("complience", ["resistance", "compliance", "relaxation_volume"])
    ['compliance']
    >>> nearest_names("volume", ["resistance", "compliance", "relaxation_volume"])
    ['relaxation_volume']
    """
    by_plain: dict[str, list[str]] = {}
    for option in options:
        by_plain.setdefault(_plain(option), []).append(option)
    wanted = _plain(name)
    close = difflib.get_close_matches(wanted, list(by_plain), n=limit, cutoff=0.6)
    if len(wanted) >= _SHORTEST_PIECE:
        close += [plain for plain in by_plain if wanted in plain and plain not in close]
    return [option for plain in close for option in by_plain[plain]][:limit]


def suggestion(name: str, options: Iterable[str]) -> str:
    """Last line of a message about a wrong name: the nearest names, or else all of them.

    Parameters
    ----------
    name : str
        The name that was not found.
    options : iterable of str
        The names that exist.

    Returns
    -------
    str
        One sentence without a line break.

    Examples
    --------
    >>> suggestion("complience", ["resistance", "compliance"])
    "Did you mean 'compliance'?"
    >>> suggestion("colour", ["resistance", "compliance"])
    "Allowed: 'resistance', 'compliance'."
    """
    known = list(dict.fromkeys(options))
    close = nearest_names(name, known)
    if close:
        return f"Did you mean {' or '.join(map(repr, close))}?"
    if known:
        more = f" and {len(known) - _MOST_NAMES} more" if len(known) > _MOST_NAMES else ""
        return f"Allowed: {', '.join(map(repr, known[:_MOST_NAMES]))}{more}."
    return "There is none to choose from."


def check_name(
    name: object, options: Collection[str], *, wrong: str, error: type[VentsimError] = InputError
) -> None:
    """Refuse a name that is none of the options, and say the nearest ones.

    Parameters
    ----------
    name : object
        The name that was given.
    options : collection of str
        The names that exist.
    wrong : str
        What is wrong, without a full stop.
    error : type, default InputError
        What is raised.

    Raises
    ------
    VentsimError
        Of the type `error`, if the name is not among the options.

    Examples
    --------
    >>> check_name("complience", ["resistance", "compliance"], wrong="there is no 'complience'")
    Traceback (most recent call last):
    ventsim.errors.InputError: there is no 'complience'.
      Did you mean 'compliance'?
    """
    if not isinstance(name, str) or name not in list(options):
        raise error(f"{wrong}.\n  {suggestion(name if isinstance(name, str) else shown(name), options)}")


def warn_caller(warning: Warning) -> None:
    """Issue a warning that points at the line outside ventsim that led to it.

    Parameters
    ----------
    warning : Warning
        The warning with its text.

    Examples
    --------
    >>> import warnings
    >>> with warnings.catch_warnings(record=True) as caught:
    ...     warnings.simplefilter("always")
    ...     warn_caller(PlausibilityWarning("compliance 0.05 mL/cmH2O is outside 0.2 to 300."))
    >>> len(caught)
    1
    """
    level = 2
    frame: FrameType | None = sys._getframe(1)
    inside = ("ventsim", "pydantic", "functools", "contextlib", "numpy")
    while frame is not None and frame.f_globals.get("__name__", "").partition(".")[0] in inside:
        level, frame = level + 1, frame.f_back
    warnings.warn(warning, stacklevel=level)


_ENDLESS = re.compile(rf"[^\s'\"]{{{_LONGEST_WORD},}}")


def _printable(text: str) -> str:
    if not text.replace("\n", "").isprintable():
        text = "".join(one if one == "\n" or one.isprintable() else repr(one)[1:-1] for one in text)
    return _ENDLESS.sub(lambda word: f"{word[0][:_LONGEST_WORD]}...", text)


def _plain(name: str) -> str:
    return name.casefold().replace("_", " ").replace("-", " ")
