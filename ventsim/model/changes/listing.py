"""What changes, row by row, as a table."""

from functools import partial
from typing import Any

import pandas as pd

from ventsim.model.changes.descriptions import Clamp, Disconnection, Fault, LeakOnset, LungRemoval
from ventsim.model.changes.faults import place_of
from ventsim.model.changes.paths import roots
from ventsim.model.changes.plan import Plan
from ventsim.model.changes.walking import value_text
from ventsim.tables import Column, Section, Table, significant

_TIME = partial(significant, digits=10)
_COLUMNS = {
    "at": Column(heading="from", unit="s", show=_TIME),
    "until": Column(heading="until", unit="s", show=_TIME),
    "where": Column(heading="where"),
    "before": Column(heading="before"),
    "after": Column(heading="after"),
}


def table_of(plan: Plan) -> Table:
    """What changes, when and from what to what, in order of time."""
    rows: list[tuple[Any, ...]] = []
    root = roots(plan.circuit, plan.settings)
    for course in plan.courses:
        for stretch in course.stretches:
            texts = (value_text(root, course.steps, value=value) for value in (stretch.start, stretch.end))
            rows.append((stretch.number, stretch.change, stretch.change.path, *texts))
    rows += [(number, fault, _where(plan, fault), *_states(fault)) for number, fault in plan.faults]
    rows.sort(key=lambda row: (row[1].at, row[0]))
    frame = pd.DataFrame([(change.at, change.until, *texts) for _, change, *texts in rows], columns=list(_COLUMNS))
    frame["until"] = frame["until"].astype(float)  # None becomes NaN
    changes = Section(name="changes", frame=frame, columns=_COLUMNS)
    return Table(title="" if rows else "Nothing changes.", sections=[changes])


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
            linear, quadratic = fault.linear_resistance, fault.quadratic_resistance
            texts = [f"{linear:.6g} cmH2O·s/L"] if linear else []
            texts += [f"{quadratic:.6g} cmH2O·s²/L²"] if quadratic else []
            return "tight", f"leak of {' and '.join(texts)}"
