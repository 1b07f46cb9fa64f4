"""Fields of a scenario that tell what changes in its course, and of which stretches waveforms are kept."""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import SerializationInfo

from ventsim.errors import ScenarioError, suggestion
from ventsim.model.changes import CHANGE_KINDS, AnyChange, Change, TimedChange
from ventsim.model.wording import named, shown
from ventsim.quantities import quantity

_TIME = quantity("time")


def read_changes(value: object) -> tuple[AnyChange, ...]:
    """Changes from themselves or from plain values, which may leave out the kind of a change of a value.

    Parameters
    ----------
    value : object
        A list of changes or of mappings.

    Returns
    -------
    tuple of Change, Disconnection, LungRemoval, Clamp or LeakOnset
        In the same order.

    Raises
    ------
    InputError
        If an item is none, or a value is impossible.
    """
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise ScenarioError(f"{shown(value)} is not a list of changes.\n  Give (Change(...), ...).")
    changes = []
    for number, item in enumerate(value, start=1):
        if isinstance(item, Mapping):
            kind = item.get("kind", Change.kind)
            if not isinstance(kind, str) or kind not in CHANGE_KINDS:
                raise ScenarioError(
                    f"number {number}: there is no kind {kind!r}.\n  {suggestion(str(kind), CHANGE_KINDS)}"
                )
            with named(str(number)):
                item = CHANGE_KINDS[kind].from_dict(item)
        if not isinstance(item, TimedChange):
            raise ScenarioError(f"number {number}, {shown(item)}, is not a change.\n  Give Change(...).")
        changes.append(item)
    return tuple(changes)


def dump_changes(changes: tuple[AnyChange, ...], info: SerializationInfo) -> list[dict[str, Any]]:
    """Plain values of changes; the inverse of :func:`read_changes`.

    Parameters
    ----------
    changes : tuple of Change, Disconnection, LungRemoval, Clamp or LeakOnset
        The changes.
    info : pydantic.SerializationInfo
        What the caller of ``model_dump`` asked for.

    Returns
    -------
    list of dict of str to object
        Each with its ``kind``.
    """
    return [change.model_dump(mode=info.mode, exclude_none=info.exclude_none) for change in changes]


def read_windows(value: object) -> tuple[tuple[float, float], ...]:
    """Stretches of time as pairs.

    Parameters
    ----------
    value : object
        A list of pairs. [s]

    Returns
    -------
    tuple of (float, float)
        Start and end of each. [s]

    Raises
    ------
    ScenarioError
        If an item is no pair of times, or ends before it begins.
    """
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise ScenarioError(f"{value!r} is not a list of stretches of time.\n  Give [[start, end], ...] in s.")
    windows = []
    for number, item in enumerate(value, start=1):
        is_pair = isinstance(item, Sequence) and not isinstance(item, str) and len(item) == 2
        if not is_pair or any(_TIME.fault(time) for time in item):
            raise ScenarioError(
                f"number {number}, {item!r}, is not a stretch of time.\n  Give [start, end] in s, both at least 0."
            )
        start, end = float(item[0]), float(item[1])
        if not start < end:
            raise ScenarioError(
                f"number {number}, {start:.10g} to {end:.10g} s, ends before it begins.\n"
                f"  Allowed: an end above {start:.10g} s."
            )
        windows.append((start, end))
    return tuple(windows)
