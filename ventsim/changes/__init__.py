"""What changes while a run goes on: values, joints, lungs, leaks; and circuit and settings at any time.

>>> from ventsim.changes import Change, Disconnection
>>> Change(path="lungs.b.compliance", to=20.0, at=7200.0, until=10800.0).kind
'change'
>>> Disconnection(joint="b.airway", at=120.0, until=180.0).joint
'b.airway'
"""

from ventsim.changes.descriptions import (
    CHANGE_KINDS,
    AddedLeak,
    AnyChange,
    Change,
    Clamp,
    Disconnection,
    Fault,
    TakenOff,
    TimedChange,
)
from ventsim.changes.faults import Clamped, with_faults
from ventsim.changes.listing import ChangeRow
from ventsim.changes.paths import value_at, with_values
from ventsim.changes.schedule import Schedule, changes_table, with_changes

__all__ = [
    "CHANGE_KINDS",
    "AddedLeak",
    "AnyChange",
    "Change",
    "ChangeRow",
    "Clamp",
    "Clamped",
    "Disconnection",
    "Fault",
    "Schedule",
    "TakenOff",
    "TimedChange",
    "changes_table",
    "value_at",
    "with_changes",
    "with_faults",
    "with_values",
]
