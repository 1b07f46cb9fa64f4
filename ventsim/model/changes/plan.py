"""Changes put in order: the value of every path over time, and the faults at work at a time."""

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from ventsim.model.changes.descriptions import Change, Fault, TimedChange
from ventsim.model.changes.faults import with_faults
from ventsim.model.circuit import Circuit
from ventsim.model.paths import SETTINGS, Steps, Value, circuit_with, settings_with
from ventsim.model.ventilator import BreathSettings


@dataclass(frozen=True, slots=True)
class Stretch:
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
class ValueCourse:
    """The value at one path over time; `stretches` are in order of time and do not overlap."""

    steps: Steps
    base: Value
    stretches: tuple[Stretch, ...]

    @cached_property
    def _begins(self) -> tuple[float, ...]:
        return tuple(stretch.change.at for stretch in self.stretches)

    def value(self, time: float, *, before: bool = False) -> Value:
        """The value at a time, or just before it."""
        find = bisect.bisect_left if before else bisect.bisect_right
        index = find(self._begins, time) - 1
        return self.base if index < 0 else self.stretches[index].value(time)


@dataclass(frozen=True, eq=False)
class Plan:
    """All changes of a circuit and its settings, in order.

    `faults` have the numbers of their changes, from 1.
    """

    circuit: Circuit
    settings: BreathSettings
    courses: tuple[ValueCourse, ...]
    faults: tuple[tuple[int, Fault], ...]

    @cached_property
    def of_settings(self) -> tuple[ValueCourse, ...]:
        """Courses of breath settings."""
        return tuple(course for course in self.courses if course.steps[0] == SETTINGS)

    @cached_property
    def of_circuit(self) -> tuple[ValueCourse, ...]:
        """Courses of values of the parts and the ventilator."""
        return tuple(course for course in self.courses if course.steps[0] != SETTINGS)

    @cached_property
    def ramps(self) -> tuple[tuple[float, float], ...]:
        """Begin and end of every change of the circuit bit by bit. [s]"""
        return tuple(
            (stretch.change.at, stretch.change.end)
            for course in self.of_circuit
            for stretch in course.stretches
            if stretch.is_ramp
        )

    @cached_property
    def instants(self) -> tuple[float, ...]:
        """Times above 0 at which the circuit jumps, rising. [s]"""
        steps = {
            stretch.change.at
            for course in self.of_circuit
            for stretch in course.stretches
            if stretch.change.until is None
        }
        edges = {time for _, fault in self.faults for time in (fault.at, fault.end)}
        return tuple(sorted(time for time in steps | edges if 0.0 < time < math.inf))

    @cached_property
    def knots(self) -> tuple[float, ...]:
        """0, and every time at which a change begins or ends, rising. [s]"""
        changes: list[TimedChange] = [stretch.change for course in self.courses for stretch in course.stretches]
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


def _differing(courses: Sequence[ValueCourse], time: float, *, before: bool) -> dict[Steps, Value]:
    values = {course.steps: course.value(time, before=before) for course in courses}
    return {course.steps: values[course.steps] for course in courses if values[course.steps] != course.base}
