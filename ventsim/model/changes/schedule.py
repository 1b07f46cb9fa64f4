"""Circuit and breath settings at any time of a run."""

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any

from ventsim.errors import InputError, PlausibilityWarning, fault_of_any_number, warn_caller
from ventsim.model.changes.descriptions import AnyChange, Fault
from ventsim.model.changes.faults import with_faults
from ventsim.model.changes.over_time import ValueChange, ValueOverTime, in_order
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import circuit_of
from ventsim.model.descriptions import shown
from ventsim.model.paths import SETTINGS, VENTILATOR, Steps, Value, circuit_with, settings_with
from ventsim.model.ventilator import BreathSettings, check_settings
from ventsim.parameters import public

# Circuits and settings that are kept in order to be returned again.
_KEPT = 16


def listed(changes: Any) -> tuple[Any, ...]:
    """Changes as a tuple; what is no list of anything is refused."""
    if isinstance(changes, str) or not isinstance(changes, Sequence):
        raise InputError(f"changes: {shown(changes)} is not a list of changes.\n  Give (Change(...), ...).")
    return tuple(changes)


@public
@dataclass(frozen=True, eq=False)
class Schedule:
    """A circuit, its breath settings, and what changes while a run goes on.

    Everything is checked when it is made: circuit and settings are built at every time at which a change begins
    or ends, and half-way between. Values of a part may change while it is clamped, at an open joint or at a lung
    that is taken off. Ends, caps and leaks that faults put into the circuit cannot be named by changes.

    Parameters
    ----------
    circuit : Circuit
        The circuit at the beginning.
    settings : PressureControl or VolumeControl
        The breath settings at the beginning.
    changes : tuple of Change, Disconnection, LungRemoval, Clamp or LeakOnset, default ()
        What changes, in any order.

    Raises
    ------
    InputError
        If a path, joint, lung or part does not exist, two changes contradict each other, or a value is
        impossible at some time; the message has the number of the change, counted from 1.

    Warns
    -----
    PlausibilityWarning
        If a value becomes unlikely.

    Examples
    --------
    >>> from ventsim.model.changes import Change
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> stiffening = Change(path="lungs.a.compliance", to=30.0, at=60.0, until=120.0)
    >>> schedule = Schedule(circuit, settings, changes=(stiffening,))
    >>> schedule.circuit_at(90.0).lungs["a"].compliance
    40.0
    >>> schedule.circuit_at(30.0) is circuit
    True
    """

    circuit: Circuit
    settings: BreathSettings
    changes: Sequence[AnyChange] = ()

    def __post_init__(self) -> None:
        settings = "PressureControl(...) or VolumeControl(...)"
        for name, wanted, given in (("circuit", Circuit, "a Circuit"), ("settings", BreathSettings, settings)):
            value = getattr(self, name)
            if not isinstance(value, wanted):
                raise InputError(f"schedule: {name} {shown(value)} is of the wrong type.\n  Give {given}.")
        object.__setattr__(self, "changes", listed(self.changes))
        for text in self._unlikely:
            warn_caller(PlausibilityWarning(text))

    @cached_property
    def _in_order(self) -> tuple[tuple[ValueOverTime, ...], tuple[Fault, ...]]:
        """Values over time, and faults; where nothing changes there is nothing to put in order."""
        return in_order(self.circuit, self.settings, self.changes) if self.changes else ((), ())

    @cached_property
    def _unlikely(self) -> tuple[str, ...]:
        """Build circuit and settings at, before and between all knots; the warnings of their values."""
        if not any(self._in_order):
            return ()
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            for knot, following in zip(self.knots, (*self.knots[1:], None), strict=True):
                last = self._tried(knot, before=True) if knot > 0.0 else None
                now = self._tried(knot)
                self._check_together(knot, *now)
                if last is not None:
                    self._check_together(knot, *last, before=True)
                    # The breath that is going on keeps its settings.
                    self._check_together(knot, now[0], last[1])
                if following is not None:
                    middle = 0.5 * (knot + following)
                    self._check_together(middle, *self._tried(middle))
        texts = [str(item.message) for item in caught if issubclass(item.category, PlausibilityWarning)]
        return tuple(dict.fromkeys(texts))

    def _tried(self, time: float, *, before: bool = False) -> tuple[Circuit, BreathSettings]:
        """Circuit and settings, or a complaint that names change and time."""
        values, faults = self._differing(time, before=before), self._faults_at(time, before=before)
        try:
            circuit = with_faults(circuit_with(self.circuit, values), faults)
            return circuit, settings_with(self.settings, values)
        except InputError as error:
            one = self._culprit(values, time, before=before)
            raise type(error)(f"changes.{one.number}: {one.change.what}: at {time:.10g} s {error}") from None

    def _culprit(self, values: dict[Steps, Value], time: float, *, before: bool) -> ValueChange:
        """The latest change without which the values would be possible; if there is none, the latest of all."""
        begun = [
            (one.begun(time, before=before)[-1], one.steps) for one in self._in_order[0] if one.steps in values
        ]
        begun.sort(key=lambda item: (item[0].change.at, item[0].number), reverse=True)
        for one, own in begun:
            others = {steps: value for steps, value in values.items() if steps != own}
            try:
                circuit_with(self.circuit, others)
                settings_with(self.settings, others)
            except InputError:
                continue
            return one
        return begun[0][0]

    def _check_together(
        self, time: float, circuit: Circuit, settings: BreathSettings, *, before: bool = False
    ) -> None:
        """Refuse settings that the ventilator of that time cannot carry out."""
        try:
            check_settings(circuit.ventilator, settings)
        except InputError as error:
            relevant = [one for one in self._in_order[0] if one.steps[0] in (SETTINGS, VENTILATOR)]
            begun = [one for value in relevant for one in value.begun(time, before=before)]
            if not begun:  # nothing has changed yet: the complaint is about circuit and settings themselves
                raise
            last = max(begun, key=lambda one: (one.change.at, one.number))
            raise type(error)(
                f"changes.{last.number}: {last.change.what}: at {time:.10g} s {error}\n"
                "  Settings change with the next breath, the ventilator at once."
            ) from None

    def _differing(self, time: float, *, before: bool = False) -> dict[Steps, Value]:
        """Values that differ from those at the beginning."""
        found = ((one, one.value(time, before=before)) for one in self._in_order[0])
        return {one.steps: value for one, value in found if value != one.base}

    def _faults_at(self, time: float, *, before: bool = False) -> tuple[Fault, ...]:
        """Faults at work at a time, or just before it."""
        faults = self._in_order[1]
        return tuple(one for one in faults if (one.at < time <= one.end if before else one.at <= time < one.end))

    @cached_property
    def _made(self) -> dict[Any, Any]:
        """Some circuits and settings by their state, to be returned again; the only thing that changes here."""
        return {}

    @public
    def circuit_at(self, time: float) -> Circuit:
        """The circuit with its ventilator as it is at a time.

        At the time of a step it is the circuit after it; while a value moves bit by bit it is the one of that very
        time.

        Parameters
        ----------
        time : float
            Since the beginning of the run. [s]

        Returns
        -------
        Circuit
            The same object as long as nothing differs; the circuit itself if nothing differs from it.
        """
        faults, values = self._faults_at(time), self._differing(time)
        values = {steps: value for steps, value in values.items() if steps[0] != SETTINGS}
        if not values and not faults:
            return self.circuit
        key = ("circuit", tuple(values.items()), faults)
        return self._kept(key, lambda: with_faults(circuit_with(self.circuit, values), faults))

    @public
    def settings_at(self, time: float) -> BreathSettings:
        """The breath settings for a breath that starts at a time.

        Parameters
        ----------
        time : float
            Since the beginning of the run. [s]

        Returns
        -------
        BreathSettings
            The same object as long as nothing differs; the settings themselves if nothing differs from them.
        """
        values = {steps: value for steps, value in self._differing(time).items() if steps[0] == SETTINGS}
        if not values:
            return self.settings
        return self._kept(("settings", tuple(values.items())), lambda: settings_with(self.settings, values))

    def _kept(self, key: tuple[Any, ...], make: Callable[[], Any]) -> Any:
        """What was made of the same state before, or what is made now.

        Unlikely values were warned of when the schedule was made. Values between likely ones are likely, so all
        other schedules get by without the filters of warnings, which are not safe in threads.
        """
        found = self._made.pop(key, None)
        if found is None and self._unlikely:
            with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
                found = make()
        elif found is None:
            found = make()
        self._made[key] = found  # the last in line
        if len(self._made) > _KEPT:
            del self._made[next(iter(self._made))]
        return found

    @cached_property
    def _of_circuit(self) -> list[ValueChange]:
        return [one for value in self._in_order[0] if value.steps[0] != SETTINGS for one in value.steps_and_ramps]

    @cached_property
    def instants(self) -> tuple[float, ...]:
        """Times above 0 at which the circuit jumps, rising; breath settings are not looked at. [s]"""
        steps = {one.change.at for one in self._of_circuit if one.change.until is None}
        edges = {time for fault in self._in_order[1] for time in (fault.at, fault.end)}
        return tuple(sorted(time for time in steps | edges if 0.0 < time < math.inf))

    @cached_property
    def knots(self) -> tuple[float, ...]:
        """0, and every time at which a change of any kind begins or ends, rising. [s]"""
        times = {time for change in self.changes for time in (change.at, change.end)}
        return tuple(sorted(time for time in times | {0.0} if time < math.inf))

    @public
    def ramps_between(self, start: float, end: Annotated[float, fault_of_any_number]) -> bool:
        """Whether a value of the circuit moves bit by bit at some time between two others.

        Parameters
        ----------
        start, end : float
            Limits of the open interval. [s]

        Returns
        -------
        bool
            True if the circuit may differ at every time between.
        """
        return any(one.is_ramp and one.change.at < end and one.change.end > start for one in self._of_circuit)

    @public
    def unreached(self, duration: float) -> tuple[AnyChange, ...]:
        """Changes that begin when a run is already over.

        Parameters
        ----------
        duration : float
            Length of the run. [s]

        Returns
        -------
        tuple of Change, Disconnection, LungRemoval, Clamp or LeakOnset
            Those that begin at or after its end.
        """
        return tuple(change for change in self.changes if change.at >= duration)


def schedule_of(scenario: Any, settings: Any = None, changes: Any = None, *, where: str) -> Schedule:
    """The schedule of a scenario, or that of a circuit and settings with some changes.

    Parameters
    ----------
    scenario : Scenario, Schedule, Circuit or Layout
        What the user gave first.
    settings : BreathSettings or None, default None
        What the user gave second: needed with a circuit.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset, or None, default None
        None: as the scenario has them.
    where : str
        The verb, for messages.

    Returns
    -------
    Schedule
        Checked.

    Raises
    ------
    InputError
        If one of the three is of the wrong type, or as for :class:`Schedule`.
    """
    circuit = circuit_of(scenario, settings, where=where)
    whole = getattr(scenario, "schedule", scenario)  # of a scenario
    if not isinstance(whole, Schedule):
        return Schedule(circuit, settings, listed(() if changes is None else changes))
    return whole if changes is None else Schedule(circuit, whole.settings, listed(changes))


@public
def with_changes(
    scenario: Any, settings: BreathSettings | None = None, changes: Sequence[AnyChange] | None = None
) -> Any:
    """Circuit and breath settings after all changes, for the steady breath that follows them.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        What there is at the beginning.
    settings : BreathSettings, optional
        The breath at the beginning, where a circuit comes first; a scenario has its own.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset, optional
        What changes, by default as the scenario says; what ends is over.

    Returns
    -------
    Scenario, or tuple of (Circuit, BreathSettings)
        As they are from then on: a scenario without changes where one was given.

    Raises
    ------
    InputError
        As for :class:`Schedule`.

    Examples
    --------
    >>> from ventsim.model.changes import Change
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> after = with_changes(circuit, settings, [Change(path="settings.peep", to=8.0, at=60.0)])
    >>> after[1].peep
    8.0
    """
    schedule = schedule_of(scenario, settings, changes, where="with_changes")
    last = schedule.knots[-1]
    circuit, breath = schedule.circuit_at(last), schedule.settings_at(last)
    if not hasattr(scenario, "schedule"):
        return circuit, breath
    return scenario.changed(circuit=circuit, settings=breath, changes=())
