"""What the ventilator itself displays and alarms on: it sees its own ports and nothing else.

From the port measures of each breath (:func:`ventsim.breath_measures`) :func:`displayed_values` makes the
numbers on the screen, with the errors of the :class:`Sensors` if they are given, and :func:`alarms` tells which
:class:`AlarmLimits` they break. What happens in the lungs behind the ports may be another matter: two lungs that
share a ventilator can swap their volumes without a change on the screen.

Limits of the model: every number belongs to one breath, whereas real machines often average over several; and in a
real machine the high pressure limit also ends the inspiration, whereas here it only alarms.
"""

from ventsim.results.monitor.display import SENSOR_BANDS, SensorBand, Sensors, displayed_table, displayed_values
from ventsim.results.monitor.limits import ALARMS, AlarmLimits, alarms, alarms_table

__all__ = [
    "ALARMS",
    "SENSOR_BANDS",
    "AlarmLimits",
    "SensorBand",
    "Sensors",
    "alarms",
    "alarms_table",
    "displayed_table",
    "displayed_values",
]
