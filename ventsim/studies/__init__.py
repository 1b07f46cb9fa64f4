"""Questions asked of many runs: sweeps, sizing, how lungs act on each other, what a ventilator cannot see.

>>> from ventsim.studies import blind_spots
>>> blind_spots.__name__
'blind_spots'
"""

from ventsim.studies.blind_spots import blind_spots
from ventsim.studies.faults import equivalent_modes, equivalent_settings, standard_faults
from ventsim.studies.interaction import interaction
from ventsim.studies.sizing import size
from ventsim.studies.sizing_restrict import restrict
from ventsim.studies.sweep import sweep
from ventsim.studies.tables import blind_spots_table, sizing_table, sweep_table

__all__ = [
    "blind_spots",
    "blind_spots_table",
    "equivalent_modes",
    "equivalent_settings",
    "interaction",
    "restrict",
    "size",
    "sizing_table",
    "standard_faults",
    "sweep",
    "sweep_table",
]
