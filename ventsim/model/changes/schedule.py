"""Circuit and breath settings at any time of a run."""

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import pandas as pd

from ventsim.errors import InputError, PlausibilityWarning, warn_caller
from ventsim.model.changes.descriptions import (
    CHANGES,
    AnyChange,
    Change,
    Clamp,
    Disconnection,
    Fault,
    LeakOnset,
    LungRemoval,
)
from ventsim.model.changes.faults import site_of
from ventsim.model.changes.plan import Plan, checked_plan
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.laws.flow import flow_law
from ventsim.model.paths import text_of, value_text
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import QUANTITIES
from ventsim.tables import MISSING, Column, Section, Table, significant

_TIME = partial(significant, digits=10)
_COLUMNS = {
    "at": Column(heading="from", unit="s", show=_TIME),
    "until": Column(heading="until", unit="s", show=_TIME),
    "where": Column(heading="where"),
    "before": Column(heading="before"),
    "after": Column(heading="after"),
}


def _rows_of_plan(plan: Plan) -> list[tuple[Any, ...]]:
    """Number and change; where, before and after in words."""
    rows: list[tuple[Any, ...]] = []
    for changing in plan.changing_values:
        for one in changing.steps_and_ramps:
            values = (one.start, one.end)
            texts = (value_text(plan.circuit, plan.settings, one.change.path, value) for value in values)
            rows.append((one.number, one.change, one.change.path, *texts))
    return rows + [(number, fault, _where(plan, fault), *_states(fault)) for number, fault in plan.faults]


def _rows_of_list(changes: Any) -> list[tuple[Any, ...]]:
    """The same of changes without a circuit, in which no value is looked up."""
    rows: list[tuple[Any, ...]] = []
    for number, change in enumerate(_listed(changes), start=1):
        change = CHANGES.read(change)
        if not isinstance(change, Change):
            rows.append((number, change, _where(None, change), *_states(change)))
            continue
        after = change.to if change.factor is None else f"{change.factor:.6g} times as much"
        quantity = QUANTITIES.get(change.path.rpartition(".")[2])
        rows.append((number, change, change.path, MISSING, text_of(after, quantity)))
    return rows


def _table_of(rows: list[tuple[Any, ...]]) -> Table:
    """What changes, when and from what to what, in order of time."""
    rows.sort(key=lambda row: (row[1].at, row[0]))
    frame = pd.DataFrame([(change.at, change.until, *texts) for _, change, *texts in rows], columns=list(_COLUMNS))
    frame["until"] = frame["until"].astype(float)  # None becomes NaN
    changes = Section(name="changes", frame=frame, columns=_COLUMNS)
    return Table(title="" if rows else "Nothing changes.", sections=[changes])


def _where(plan: Plan | None, fault: Fault) -> str:
    if isinstance(fault, LungRemoval):
        return f"lung {fault.lung}"
    if isinstance(fault, Clamp):
        return f"part {fault.part}"
    return f"joint {fault.joint if plan is None else ' - '.join(site_of(plan.circuit, fault))}"


_STATES = {
    Disconnection.kind: ("joined", "open to the room"),
    LungRemoval.kind: ("on", "off, the circuit capped"),
    Clamp.kind: ("open", "closed"),
}


def _states(fault: Fault) -> tuple[str, str]:
    """Before and at work."""
    if isinstance(fault, LeakOnset):
        return "tight", f"leak of {_law_text(fault.resistance)}"
    return _STATES[fault.kind]


def _law_text(resistance: Any) -> str:
    """A resistance as the table shows it."""
    if isinstance(resistance, float):
        return f"{resistance:.6g} cmH2O·s/L"
    coefficients = flow_law(resistance).coefficients
    if coefficients is None:
        return f"a law of the kind '{getattr(resistance, 'kind', type(resistance).__name__)}'"
    units = ("cmH2O·s/L", "cmH2O·s²/L²")
    return " and ".join(f"{k:.6g} {unit}" for k, unit in zip(coefficients, units, strict=True) if k)


def _listed(changes: Any) -> tuple[Any, ...]:
    if isinstance(changes, str) or not isinstance(changes, Sequence):
        raise InputError(f"changes: {shown(changes)} is not a list of changes.\n  Give (Change(...), ...).")
    return tuple(changes)


# Circuits and settings that are kept in order to be returned again.
_KEPT = 16


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
    changes: tuple[AnyChange, ...] = ()

    def __post_init__(self) -> None:
        settings = "PressureControl(...) or VolumeControl(...)"
        for name, wanted, given in (("circuit", Circuit, "a Circuit"), ("settings", BreathSettings, settings)):
            value = getattr(self, name)
            if not isinstance(value, wanted):
                raise InputError(f"schedule: {name} {shown(value)} is of the wrong type.\n  Give {given}.")
        object.__setattr__(self, "changes", _listed(self.changes))
        for text in self._checked[1]:
            warn_caller(PlausibilityWarning(text))

    @cached_property
    def _checked(self) -> tuple[Plan, tuple[str, ...]]:
        """The changes in order, and what is unlikely about their values."""
        return checked_plan(self.circuit, self.settings, self.changes)

    @property
    def _plan(self) -> Plan:
        """The changes in order."""
        return self._checked[0]

    @cached_property
    def _made(self) -> dict[Any, Any]:
        """Some circuits and settings by their state, to be returned again; the only thing that changes here."""
        return {}

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
        values, faults = state = self._plan.circuit_state(time)
        if not values and not faults:
            return self.circuit
        return self._kept(("circuit", tuple(values.items()), faults), self._plan.make_circuit, state)

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
        values = self._plan.settings_state(time)
        if not values:
            return self.settings
        return self._kept(("settings", tuple(values.items())), self._plan.make_settings, values)

    def _kept(self, key: tuple[Any, ...], make: Callable[[Any], Any], state: Any) -> Any:
        """What was made of the same state before, or what is made now."""
        found = self._made.pop(key, None)
        if found is None:
            found = self._quietly(make, state) if self._checked[1] else make(state)
        self._made[key] = found  # the last in line
        if len(self._made) > _KEPT:
            del self._made[next(iter(self._made))]
        return found

    def _quietly(self, make: Callable[[Any], Any], state: Any) -> Any:
        """Make something whose unlikely values were warned of when the schedule was made.

        Values between likely ones are likely, so all other schedules get by without the filters of warnings,
        which are not safe in threads.
        """
        with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
            return make(state)

    @property
    def instants(self) -> tuple[float, ...]:
        """Times above 0 at which the circuit jumps, rising; breath settings are not looked at. [s]"""
        return self._plan.instants

    @property
    def knots(self) -> tuple[float, ...]:
        """0, and every time at which a change of any kind begins or ends, rising. [s]"""
        return self._plan.knots

    def ramps_between(self, start: float, end: float) -> bool:
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
        return any(first < end and last > start for first, last in self._plan.ramps)

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


def changes_table(changes: Any) -> Table:
    """What changes, when and from what to what.

    Parameters
    ----------
    changes : Scenario, Schedule, or sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset
        Of changes alone, without a circuit, the values before are not known.

    Returns
    -------
    Table
        Its DataFrame has a row for each change, in order of time: ``at`` and ``until`` [s], NaN for a step or for
        good, and texts: ``where``, ``before``, ``after``.

    Raises
    ------
    InputError
        If it is none of these.

    Examples
    --------
    >>> from ventsim.model.changes import LungRemoval
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> removal = LungRemoval(lung="a", at=60.0, until=90.0)
    >>> print(changes_table(Schedule(circuit, settings, (removal,))))
    from  until  where   before  after
     [s]    [s]
      60     90  lung a  on      off, the circuit capped
    >>> changes_table([removal]).frame.equals(changes_table(Schedule(circuit, settings, (removal,))).frame)
    True
    """
    schedule = getattr(changes, "schedule", changes)  # of a scenario
    return _table_of(_rows_of_plan(schedule._plan) if isinstance(schedule, Schedule) else _rows_of_list(schedule))


def with_changes(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[AnyChange]
) -> tuple[Circuit, BreathSettings]:
    """Circuit and breath settings after all changes, for the steady breath that follows them.

    Parameters
    ----------
    circuit : Circuit
        The circuit at the beginning.
    settings : PressureControl or VolumeControl
        The breath settings at the beginning.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset
        What changes; what ends is over.

    Returns
    -------
    tuple of (Circuit, BreathSettings)
        As they are from then on.

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
    schedule = Schedule(circuit, settings, tuple(changes))
    last = schedule.knots[-1]
    return schedule.circuit_at(last), schedule.settings_at(last)
