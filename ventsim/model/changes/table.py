"""What changes, as a table: when and from what to what."""

from collections.abc import Sequence
from functools import partial
from typing import Any

import pandas as pd

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
from ventsim.model.changes.over_time import ValueChange, in_order
from ventsim.model.changes.schedule import listed, schedule_of
from ventsim.model.circuit import Circuit
from ventsim.model.laws.flow import flow_law
from ventsim.model.paths import text_of, value_text
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
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
_STATES = {
    Disconnection.kind: ("joined", "open to the room"),
    LungRemoval.kind: ("on", "off, the circuit capped"),
    Clamp.kind: ("open", "closed"),
}


@public
def changes_table(
    scenario: Any, settings: BreathSettings | None = None, *, changes: Sequence[AnyChange] | None = None
) -> Table:
    """What changes, when and from what to what.

    Parameters
    ----------
    scenario : Scenario, Schedule, Circuit, Layout, or sequence of changes
        Of changes alone, without a circuit, the values before are not known.
    settings : BreathSettings, optional
        The breath, where a circuit comes first; a scenario has its own.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp or LeakOnset, optional
        What changes; by default as the scenario says.

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
    >>> table = changes_table(circuit, settings, changes=[removal])
    >>> print(table)
    from  until  where   before  after
     [s]    [s]
      60     90  lung a  on      off, the circuit capped
    >>> changes_table([removal]).frame.equals(table.frame)
    True
    """
    circuit: Any = None
    values: dict[int, ValueChange] = {}  # by number of the change
    if hasattr(scenario, "circuit") or settings is not None or changes is not None:
        schedule = schedule_of(scenario, settings, changes, where="changes_table")
        circuit = schedule.circuit
        over_time, _ = in_order(circuit, schedule.settings, schedule.changes)
        # Of a value of all limbs, as it is in those of the first lung.
        values = {one.number: one for value in reversed(over_time) for one in value.steps_and_ramps}
        given = schedule.changes
    else:
        given = tuple(CHANGES.read(change) for change in listed(scenario))
    rows: list[tuple[Any, ...]] = []
    for number, change in enumerate(given, start=1):
        if not isinstance(change, Change):
            rows.append((change, *_fault_texts(change, circuit)))
        elif number in values:
            ends = (values[number].start, values[number].end)
            texts = (value_text(circuit, schedule.settings, change.path, end) for end in ends)
            rows.append((change, change.path, *texts))
        else:  # without a circuit no value is looked up
            after = change.to if change.factor is None else f"{change.factor:.6g} times as much"
            text = text_of(after, QUANTITIES.get(change.path.rpartition(".")[2]))
            rows.append((change, change.path, MISSING, text))
    rows.sort(key=lambda row: row[0].at)
    frame = pd.DataFrame([(change.at, change.until, *texts) for change, *texts in rows], columns=list(_COLUMNS))
    frame["until"] = frame["until"].astype(float)  # None becomes NaN
    section = Section(name="changes", frame=frame, columns=_COLUMNS)
    return Table(title="" if rows else "Nothing changes.", sections=[section])


def _fault_texts(fault: Fault, circuit: Circuit | None = None) -> tuple[str, ...]:
    """Where, before and at work."""
    if isinstance(fault, LungRemoval):
        where = f"lung {fault.lung}"
    elif isinstance(fault, Clamp):
        where = f"part {fault.part}"
    else:
        where = f"joint {fault.joint if circuit is None else ' - '.join(site_of(circuit, fault))}"
    if isinstance(fault, LeakOnset):
        return where, "tight", f"leak of {_law_text(fault.resistance)}"
    return where, *_STATES[fault.kind]


def _law_text(resistance: Any) -> str:
    """A resistance as the table shows it."""
    if isinstance(resistance, float):
        return f"{resistance:.6g} cmH2O·s/L"
    coefficients = flow_law(resistance).coefficients
    if coefficients is None:
        return f"a law of the kind '{getattr(resistance, 'kind', type(resistance).__name__)}'"
    units = ("cmH2O·s/L", "cmH2O·s²/L²")
    return " and ".join(f"{k:.6g} {unit}" for k, unit in zip(coefficients, units, strict=True) if k)
