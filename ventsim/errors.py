"""Exception and warning types, and the search for the name that was probably meant.

Every message has five parts: what is wrong, where, the value with its unit, what is allowed, and the next
step. Wrong input raises an :class:`InputError`, which is also a ``ValueError``; a failed calculation raises a
:class:`SolverError`, which is also a ``RuntimeError``. Catch :class:`VentsimError` for both.
"""

import difflib
import re
import sys
import warnings
from collections.abc import Collection, Iterable
from types import FrameType

from ventsim.kinds import shown

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


class SolverError(VentsimError, RuntimeError):
    """The calculation could not be completed to the requested accuracy."""


class PlausibilityWarning(UserWarning):
    """A value is possible but unlikely; often a slip of units."""


class CircuitWarning(UserWarning):
    """A circuit is complete but probably joined in another way than was meant."""


class StoppedEarlyWarning(UserWarning):
    """A run was stopped before its end; what was finished is kept."""


_LONGEST_WORD = 200  # characters of a name in a message
_SHORTEST_PIECE = 4  # letters from which a part of a longer name counts as a hint to it


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
    known = list(options)
    close = nearest_names(name, known)
    if close:
        return f"Did you mean {' or '.join(map(repr, close))}?"
    if known:
        return f"Allowed: {', '.join(map(repr, known))}."
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
    inside = ("ventsim", "pydantic", "functools")
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
