"""Changes put in order: the value of every path over time, and faults that do not contradict each other."""

import bisect
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from ventsim.errors import InputError
from ventsim.model.changes.descriptions import AnyChange, Change, Fault, TimedChange
from ventsim.model.changes.faults import site_of
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.paths import NO_VALUE, Steps, Value, canonical, may_be_none, single_value, value_text
from ventsim.model.ventilator import BreathSettings


@dataclass(frozen=True, slots=True)
class ValueChange:
    """One change of a value, with the values before and after."""

    number: int  # of the change, from 1
    change: Change
    start: Value
    end: Value

    @property
    def is_ramp(self) -> bool:
        """Whether the value moves bit by bit."""
        return self.change.until is not None and self.start != self.end

    def value(self, time: float) -> Value:
        """The value at a time that is not before the beginning."""
        first, last = self.change.at, self.change.until
        if last is None or time >= last:
            return self.end
        moved = self.start + (self.end - self.start) * ((time - first) / (last - first))
        low, high = sorted((self.start, self.end))
        return min(max(moved, low), high)  # rounding must not lead beyond the ends


@dataclass(frozen=True, slots=True)
class ValueOverTime:
    """The value at one path over time; `steps_and_ramps` are in order of time and do not overlap."""

    steps: Steps
    base: Value
    steps_and_ramps: tuple[ValueChange, ...]

    def begun(self, time: float, *, before: bool = False) -> tuple[ValueChange, ...]:
        """Those that have begun at a time, or before it."""
        find = bisect.bisect_left if before else bisect.bisect_right
        return self.steps_and_ramps[: find(self.steps_and_ramps, time, key=lambda one: one.change.at)]

    def value(self, time: float, *, before: bool = False) -> Value:
        """The value at a time, or just before it."""
        begun = self.begun(time, before=before)
        return begun[-1].value(time) if begun else self.base


def in_order(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[AnyChange]
) -> tuple[tuple[ValueOverTime, ...], tuple[Fault, ...]]:
    """Changes of values sorted by path and time, and faults.

    Parameters
    ----------
    circuit : Circuit
        The circuit at the beginning.
    settings : BreathSettings
        The settings at the beginning.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset
        What changes.

    Returns
    -------
    values : tuple of ValueOverTime
        All values that change.
    faults : tuple of Disconnection, LungRemoval, Clamp and LeakOnset
        As they are given.

    Raises
    ------
    InputError
        If something is no change, there is no such value or place, or two changes contradict each other; with
        the number of the change, counted from 1.
    """
    for number, change in enumerate(changes, start=1):
        if not isinstance(change, TimedChange):
            raise InputError(
                f"changes.{number}: {shown(change)} is not a change.\n"
                "  Give Change(path=..., to=..., at=...), Disconnection, LungRemoval, Clamp or LeakOnset."
            )
    numbered = list(enumerate(changes, start=1))
    values = [(number, change) for number, change in numbered if isinstance(change, Change)]
    faults = [(number, change) for number, change in numbered if not isinstance(change, Change)]
    by_steps = _by_place(values, lambda change: _values_of(circuit, settings, change))
    over_time = tuple(_over_time(circuit, settings, steps, items) for steps, items in by_steps.items())
    _by_place(faults, lambda fault: (site_of(circuit, fault),))
    return over_time, tuple(fault for _, fault in faults)


def _by_place(
    changes: Sequence[tuple[int, Any]], places_of: Callable[[Any], tuple[Any, ...]]
) -> dict[Any, list[tuple[int, Any]]]:
    """Numbered changes by what they change, in order of time; two of one place at one time are refused."""
    by_place: dict[Any, list[tuple[int, Any]]] = {}
    for number, change in changes:
        try:
            places = places_of(change)
        except InputError as error:
            raise InputError(f"changes.{number}.{error}") from None
        for place in places:
            by_place.setdefault(place, []).append((number, change))
    for items in by_place.values():
        items.sort(key=lambda item: item[1].at)
        for (_, first), (number, second) in itertools.pairwise(items):
            is_step = isinstance(first, Change) and first.until is None
            if second.at == first.at or (second.at < first.end and not is_step):
                raise InputError(
                    f"changes.{number}: {second.what} ({_span(second)}) contradicts {first.what} "
                    f"({_span(first)}).\n"
                    "  Allowed: one change of a value or place at a time. Begin the second when the first is over."
                )
    return by_place


def _values_of(circuit: Circuit, settings: BreathSettings, change: Change) -> tuple[Steps, ...]:
    if isinstance(single_value(circuit, settings, change.path), bool):
        raise InputError(
            f"path {change.path!r} says how to calculate, which stays for the whole run.\n"
            "  Give it its value in the circuit."
        )
    return canonical(circuit, change.path)


def _over_time(
    circuit: Circuit, settings: BreathSettings, steps: Steps, changes: Sequence[tuple[int, Change]]
) -> ValueOverTime:
    base = before = single_value(circuit, settings, ".".join(steps))
    steps_and_ramps = []
    for number, change in changes:
        text = value_text(circuit, settings, change.path, before)
        what = f"the value of '{change.path}' is {text} at {change.at:.10g} s"
        has_number = isinstance(before, float | int)
        if change.factor is not None and not has_number:
            hint = "Give to, the value afterwards."
            raise InputError(f"changes.{number}.factor {change.factor:.6g}: {what}, not a number.\n  {hint}")
        if change.until is not None and not has_number:
            raise InputError(
                f"changes.{number}.until {change.until:.10g} s: {what}, from where it cannot move bit by bit.\n"
                "  Leave until out for a step, or give it a number before."
            )
        after = change.to if change.factor is None else before * change.factor
        if after == NO_VALUE and may_be_none(circuit, settings, change.path):
            after = None
        steps_and_ramps.append(ValueChange(number, change, before, after))
        before = after
    return ValueOverTime(steps, base, tuple(steps_and_ramps))


def _span(change: TimedChange) -> str:
    if change.until is not None:
        return f"{change.at:.10g} to {change.until:.10g} s"
    return f"at {change.at:.10g} s" if isinstance(change, Change) else f"from {change.at:.10g} s on"
