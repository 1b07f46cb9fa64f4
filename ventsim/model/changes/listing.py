"""What changes, row by row, as text."""

from dataclasses import dataclass
from typing import Any

from ventsim.model.changes.descriptions import Clamp, Disconnection, Fault, LeakOnset, LungRemoval, TimedChange
from ventsim.model.changes.faults import place_of
from ventsim.model.changes.plan import Plan
from ventsim.model.laws.flow import flow_law
from ventsim.model.paths import value_text


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One line of the table of changes, all as text.

    Attributes
    ----------
    when, where, before, after : str
        Time or times in s, the path or place, and the values or states with their units.
    """

    when: str
    where: str
    before: str
    after: str


def rows_of(plan: Plan) -> tuple[ChangeRow, ...]:
    """What changes, when and from what to what.

    Parameters
    ----------
    plan : Plan
        All changes in order.

    Returns
    -------
    tuple of ChangeRow
        In order of time.
    """
    found: list[tuple[float, int, ChangeRow]] = []
    for course in plan.courses:
        for stretch in course.stretches:
            change = stretch.change
            before = value_text(plan.circuit, plan.settings, change.path, stretch.start)
            after = value_text(plan.circuit, plan.settings, change.path, stretch.end)
            found.append((change.at, stretch.number, ChangeRow(_when(change), change.path, before, after)))
    for number, fault in plan.faults:
        row = ChangeRow(_when(fault), _where(plan, fault), *_states(fault))
        found.append((fault.at, number, row))
    return tuple(row for _, _, row in sorted(found, key=lambda item: item[:2]))


def _when(change: TimedChange) -> str:
    return f"{change.at:.10g}" if change.until is None else f"{change.at:.10g} to {change.until:.10g}"


def _where(plan: Plan, fault: Fault) -> str:
    if isinstance(fault, LungRemoval):
        return f"lung {fault.lung}"
    place = place_of(plan.circuit, fault)
    return f"part {place}" if isinstance(place, str) else f"joint {place[0]} - {place[1]}"


def _states(fault: Fault) -> tuple[str, str]:
    """Before and at work."""
    match fault:
        case Disconnection():
            return "joined", "open to the room"
        case LungRemoval():
            return "on", "off, the circuit capped"
        case Clamp():
            return "open", "closed"
        case LeakOnset():
            return "tight", f"leak of {_law_text(fault.resistance)}"


def _law_text(resistance: Any) -> str:
    """A resistance as the table shows it."""
    if isinstance(resistance, float):
        return f"{resistance:.6g} cmH2O·s/L"
    coefficients = flow_law(resistance).coefficients
    if coefficients is None:
        return f"a law of the kind '{getattr(resistance, 'kind', type(resistance).__name__)}'"
    units = ("cmH2O·s/L", "cmH2O·s²/L²")
    return " and ".join(f"{k:.6g} {unit}" for k, unit in zip(coefficients, units, strict=True) if k)
