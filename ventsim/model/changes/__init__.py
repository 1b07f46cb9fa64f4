"""What changes while a run goes on: values, joints, lungs, leaks; and circuit and settings at any time.

>>> from ventsim.model.changes import Change, Disconnection
>>> Change(path="lungs.b.compliance", to=20.0, at=7200.0, until=10800.0).kind
'change'
>>> Disconnection(joint="b.airway", at=120.0, until=180.0).joint
'b.airway'
"""

from ventsim.model.changes.descriptions import (
    CHANGE_KINDS,
    CHANGES,
    AnyChange,
    Change,
    Clamp,
    Disconnection,
    Fault,
    LeakOnset,
    LungRemoval,
    TimedChange,
)
from ventsim.model.changes.faults import Clamped, with_faults
from ventsim.model.changes.schedule import Schedule, with_changes
from ventsim.model.changes.table import changes_table

__all__ = [
    "CHANGES",
    "CHANGE_KINDS",
    "AnyChange",
    "Change",
    "Clamp",
    "Clamped",
    "Disconnection",
    "Fault",
    "LeakOnset",
    "LungRemoval",
    "Schedule",
    "TimedChange",
    "changes_table",
    "with_changes",
    "with_faults",
]
