"""Changes put in order: the value of every path over time, and the faults at work at a time."""

import bisect
import itertools
import math
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from ventsim.errors import InputError, PlausibilityWarning
from ventsim.model.changes.descriptions import AnyChange, Change, Fault, TimedChange
from ventsim.model.changes.faults import site_of, with_faults
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.paths import (
    NO_VALUE,
    SETTINGS,
    VENTILATOR,
    Steps,
    Value,
    canonical,
    circuit_with,
    may_be_none,
    settings_with,
    single_value,
    value_text,
)
from ventsim.model.ventilator import BreathSettings, check_settings


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


@dataclass(frozen=True)
class ValueOverTime:
    """The value at one path over time; `steps_and_ramps` are in order of time and do not overlap."""

    steps: Steps
    base: Value
    steps_and_ramps: tuple[ValueChange, ...]

    @cached_property
    def _begins(self) -> tuple[float, ...]:
        return tuple(one.change.at for one in self.steps_and_ramps)

    def value(self, time: float, *, before: bool = False) -> Value:
        """The value at a time, or just before it."""
        find = bisect.bisect_left if before else bisect.bisect_right
        index = find(self._begins, time) - 1
        return self.base if index < 0 else self.steps_and_ramps[index].value(time)


@dataclass(frozen=True, eq=False)
class Plan:
    """All changes of a circuit and its settings, in order.

    `faults` have the numbers of their changes, from 1.
    """

    circuit: Circuit
    settings: BreathSettings
    changing_values: tuple[ValueOverTime, ...]
    faults: tuple[tuple[int, Fault], ...]

    @cached_property
    def of_settings(self) -> tuple[ValueOverTime, ...]:
        """Courses of breath settings."""
        return tuple(changing for changing in self.changing_values if changing.steps[0] == SETTINGS)

    @cached_property
    def of_circuit(self) -> tuple[ValueOverTime, ...]:
        """Courses of values of the parts and the ventilator."""
        return tuple(changing for changing in self.changing_values if changing.steps[0] != SETTINGS)

    @cached_property
    def ramps(self) -> tuple[tuple[float, float], ...]:
        """Begin and end of every change of the circuit bit by bit. [s]"""
        return tuple((one.change.at, one.change.end) for one in _one_by_one(self.of_circuit) if one.is_ramp)

    @cached_property
    def instants(self) -> tuple[float, ...]:
        """Times above 0 at which the circuit jumps, rising. [s]"""
        steps = {one.change.at for one in _one_by_one(self.of_circuit) if one.change.until is None}
        edges = {time for _, fault in self.faults for time in (fault.at, fault.end)}
        return tuple(sorted(time for time in steps | edges if 0.0 < time < math.inf))

    @cached_property
    def knots(self) -> tuple[float, ...]:
        """0, and every time at which a change begins or ends, rising. [s]"""
        changes: list[TimedChange] = [one.change for one in _one_by_one(self.changing_values)]
        changes += [fault for _, fault in self.faults]
        times = {time for change in changes for time in (change.at, change.end)}
        return tuple(sorted(time for time in times | {0.0} if time < math.inf))

    def circuit_state(self, time: float, *, before: bool = False) -> tuple[dict[Steps, Value], tuple[Fault, ...]]:
        """Values that differ from those of the circuit, and faults at work, at a time or just before it."""
        return _differing(self.of_circuit, time, before=before), tuple(
            fault
            for _, fault in self.faults
            if (fault.at < time <= fault.end if before else fault.at <= time < fault.end)
        )

    def settings_state(self, time: float, *, before: bool = False) -> dict[Steps, Value]:
        """Values that differ from those of the settings, at a time or just before it."""
        return _differing(self.of_settings, time, before=before)

    def make_circuit(self, state: tuple[dict[Steps, Value], tuple[Fault, ...]]) -> Circuit:
        """The circuit of a state."""
        values, faults = state
        return with_faults(circuit_with(self.circuit, values), faults)

    def make_settings(self, state: dict[Steps, Value]) -> BreathSettings:
        """The settings of a state."""
        return settings_with(self.settings, state)


def _one_by_one(changing_values: Sequence[ValueOverTime]) -> Iterator[ValueChange]:
    """Their changes, value by value."""
    return (one for changing in changing_values for one in changing.steps_and_ramps)


def _differing(changing_values: Sequence[ValueOverTime], time: float, *, before: bool) -> dict[Steps, Value]:
    values = [changing.value(time, before=before) for changing in changing_values]
    pairs = zip(changing_values, values, strict=True)
    return {changing.steps: value for changing, value in pairs if value != changing.base}


def checked_plan(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[AnyChange]
) -> tuple[Plan, tuple[str, ...]]:
    """All changes in order, after everything has been built once at the times that matter.

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
    tuple of (Plan, tuple of str)
        The plan, and a warning of each value that is possible but unlikely.

    Raises
    ------
    InputError
        With the number of the change, counted from 1.
    """
    for number, change in enumerate(changes, start=1):
        if not isinstance(change, TimedChange):
            raise InputError(
                f"changes.{number}: {shown(change)} is not a change.\n"
                "  Give Change(path=..., to=..., at=...), Disconnection, LungRemoval, Clamp or LeakOnset."
            )
    numbered = list(enumerate(changes, start=1))
    changing_values = _changing_values(circuit, settings, [(n, c) for n, c in numbered if isinstance(c, Change)])
    faults = tuple((n, c) for n, c in numbered if not isinstance(c, Change))
    _check_faults(circuit, faults)
    plan = Plan(circuit, settings, changing_values, faults)
    return plan, _try_everything(plan)


def _changing_values(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[tuple[int, Change]]
) -> tuple[ValueOverTime, ...]:
    """Changes sorted by path and time."""
    of_path: dict[Steps, list[tuple[int, Change]]] = {}
    bases: dict[Steps, Value] = {}
    for number, change in changes:
        try:
            base = single_value(circuit, settings, change.path)
        except InputError as error:
            raise InputError(f"changes.{number}.{error}") from None
        if isinstance(base, bool):
            raise InputError(
                f"changes.{number}.path {change.path!r} says how to calculate, which stays for the whole run.\n"
                "  Give it its value in the circuit."
            )
        steps = canonical(change.path)
        of_path.setdefault(steps, []).append((number, change))
        bases[steps] = base
    changing_values = []
    for steps, items in of_path.items():
        items.sort(key=lambda item: item[1].at)
        for (_, first), (number, second) in itertools.pairwise(items):
            if second.at == first.at or second.at < (first.until or 0.0):
                raise _contradiction(number, first, second)
        steps_and_ramps: list[ValueChange] = []
        before = bases[steps]
        for number, change in items:
            after = _target(circuit, settings, number, change, before)
            steps_and_ramps.append(ValueChange(number, change, before, after))
            before = after
        changing_values.append(ValueOverTime(steps, bases[steps], tuple(steps_and_ramps)))
    return tuple(changing_values)


def _target(circuit: Circuit, settings: BreathSettings, number: int, change: Change, before: Value) -> Value:
    """The value after a change."""
    where = f"changes.{number}"
    shown = value_text(circuit, settings, change.path, before)
    has_number = isinstance(before, float | int)
    if change.factor is not None:
        if not has_number:
            raise InputError(
                f"{where}.factor {change.factor:.6g}: the value of '{change.path}' is {shown} at {_at(change)}, "
                "not a number.\n  Give to, the value afterwards."
            )
        after = before * change.factor
    elif change.to == NO_VALUE and may_be_none(circuit, settings, change.path):
        after = None
    else:
        after = change.to
    if change.until is not None and not has_number:
        raise InputError(
            f"{where}.until {change.until:.10g} s: the value of '{change.path}' is {shown} at {_at(change)}, from "
            "where it cannot move bit by bit.\n  Leave until out for a step, or give it a number before."
        )
    return after


def _at(change: TimedChange) -> str:
    return f"{change.at:.10g} s"


def _span(change: TimedChange) -> str:
    if change.until is not None:
        return f"{change.at:.10g} to {change.until:.10g} s"
    return f"at {_at(change)}" if isinstance(change, Change) else f"from {_at(change)} on"


def _contradiction(number: int, first: TimedChange, second: TimedChange) -> InputError:
    return InputError(
        f"changes.{number}: {second.what} ({_span(second)}) contradicts {first.what} ({_span(first)}).\n"
        "  Allowed: one change of a value or place at a time. Begin the second when the first is over."
    )


def _check_faults(circuit: Circuit, faults: Sequence[tuple[int, Fault]]) -> None:
    """Refuse faults without a place, and two at one place at one time."""
    by_place: dict[object, list[tuple[int, Fault]]] = {}
    for number, fault in faults:
        try:
            place = site_of(circuit, fault)
        except InputError as error:
            raise InputError(f"changes.{number}.{error}") from None
        by_place.setdefault(place, []).append((number, fault))
    for items in by_place.values():
        items.sort(key=lambda item: item[1].at)
        for (_, first), (number, second) in itertools.pairwise(items):
            if second.at < first.end:
                raise _contradiction(number, first, second)


def _try_everything(plan: Plan) -> tuple[str, ...]:
    """Build circuit and settings at, before and between all knots; returns the warnings of their values."""
    if not plan.changing_values and not plan.faults:
        return ()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        for knot, following in zip(plan.knots, (*plan.knots[1:], None), strict=True):
            last = _built(plan, knot, before=True) if knot > 0.0 else None
            now = _built(plan, knot)
            _check_together(plan, knot, *now)
            if last is not None:
                _check_together(plan, knot, *last, before=True)
                # The breath that is going on keeps its settings.
                _check_together(plan, knot, now[0], last[1])
            if following is not None:
                middle = 0.5 * (knot + following)
                _check_together(plan, middle, *_built(plan, middle))
    texts = [str(item.message) for item in caught if issubclass(item.category, PlausibilityWarning)]
    return tuple(dict.fromkeys(texts))


def _built(plan: Plan, time: float, *, before: bool = False) -> tuple[Circuit, BreathSettings]:
    """Circuit and settings, or a complaint that names change and time."""
    of_circuit = plan.circuit_state(time, before=before)
    of_settings = plan.settings_state(time, before=before)
    try:
        return plan.make_circuit(of_circuit), plan.make_settings(of_settings)
    except InputError as error:
        one = _culprit(plan, of_circuit[0] | of_settings, time, before=before)
        raise type(error)(f"changes.{one.number}: {one.change.what}: at {time:.10g} s {error}") from None


def _begun(changing: ValueOverTime, time: float, *, before: bool) -> list[ValueChange]:
    return [s for s in changing.steps_and_ramps if (s.change.at < time if before else s.change.at <= time)]


def _culprit(plan: Plan, values: dict[Steps, Value], time: float, *, before: bool) -> ValueChange:
    """The latest change without which the values would be possible; if there is none, the latest of all."""
    begun = [
        (_begun(changing, time, before=before)[-1], changing.steps)
        for changing in plan.changing_values
        if changing.steps in values
    ]
    begun.sort(key=lambda item: (item[0].change.at, item[0].number), reverse=True)
    for one, own in begun:
        others = {steps: value for steps, value in values.items() if steps != own}
        try:
            circuit_with(plan.circuit, {k: v for k, v in others.items() if k[0] != SETTINGS})
            settings_with(plan.settings, {k: v for k, v in others.items() if k[0] == SETTINGS})
        except InputError:
            continue
        return one
    return begun[0][0]


def _check_together(
    plan: Plan, time: float, circuit: Circuit, settings: BreathSettings, *, before: bool = False
) -> None:
    """Refuse settings that the ventilator of that time cannot carry out."""
    try:
        check_settings(circuit.ventilator, settings)
    except InputError as error:
        relevant = [one for one in plan.changing_values if one.steps[0] in (SETTINGS, VENTILATOR)]
        begun = [one for changing in relevant for one in _begun(changing, time, before=before)]
        if not begun:  # nothing has changed yet: the complaint is about circuit and settings themselves
            raise
        last = max(begun, key=lambda one: (one.change.at, one.number))
        raise type(error)(
            f"changes.{last.number}: {last.change.what}: at {time:.10g} s {error}\n"
            "  Settings change with the next breath, the ventilator at once."
        ) from None
