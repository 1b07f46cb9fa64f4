"""Every result variable in one table: name, dimensions, unit, sign, meaning; and what holds data to it.

Five kinds of Dataset fit the table. ``"waveforms"`` is what a simulation returns, with every waveform variable.
``"recording"`` is the same with fewer variables: airway pressure, flow and the times of the breaths will do.
``"measures"`` holds one number per breath, or per breath and lung; its port variables may be absent.
``"displayed"`` is what the ventilator itself would show of each breath, and ``"alarms"`` which of its alarms.

The time axis of waveforms is strictly increasing. Where a source jumps, at ``t``, it has both limits: the sample
at ``numpy.nextafter(t, -inf)`` is the last value before, and the sample at ``t`` the first value after.

The attributes ``units``, ``long_name`` and ``positive`` come from this table alone, through :func:`label`,
because arithmetic on labelled arrays keeps or loses them without regard to the meaning of the result.
"""

from ventsim.results.schema.check import check_dataset
from ventsim.results.schema.points import BETWEEN_POINTS, pressure_at
from ventsim.results.schema.table import (
    CAUTION,
    COORDINATES,
    ORIGIN,
    RECORDING_NEEDS,
    TIME_ROUNDING,
    VARIABLES,
    Kind,
    Variable,
    breath_position,
    label,
    nomenclature,
)

__all__ = [
    "BETWEEN_POINTS",
    "CAUTION",
    "COORDINATES",
    "ORIGIN",
    "RECORDING_NEEDS",
    "TIME_ROUNDING",
    "VARIABLES",
    "Kind",
    "Variable",
    "breath_position",
    "check_dataset",
    "label",
    "nomenclature",
    "pressure_at",
]
