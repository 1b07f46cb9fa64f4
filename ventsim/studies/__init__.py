"""Questions that are asked of many runs: what a ventilator cannot see.

>>> from ventsim.studies import blind_spots
>>> blind_spots.__name__
'blind_spots'
"""

from ventsim.studies.blind_spots import blind_spots, blind_spots_table
from ventsim.studies.faults import both_modes, equivalent_settings, standard_faults

__all__ = ["blind_spots", "blind_spots_table", "both_modes", "equivalent_settings", "standard_faults"]
