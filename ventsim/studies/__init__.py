"""Questions that take many runs: sweeps, sensitivities, sizing of restrictors, faults and what is seen of them."""

from ventsim.studies.blind_spots import blind_spots
from ventsim.studies.faults import standard_faults
from ventsim.studies.modes import equivalent_modes, equivalent_settings
from ventsim.studies.sensitivity import sensitivity_matrix
from ventsim.studies.sizing import Sizing, add_restrictor, size_restrictors
from ventsim.studies.sweep import sweep
from ventsim.studies.tables import blind_spots_table, sizing_table, sweep_table

__all__ = [
    "Sizing",
    "add_restrictor",
    "blind_spots",
    "blind_spots_table",
    "equivalent_modes",
    "equivalent_settings",
    "sensitivity_matrix",
    "size_restrictors",
    "sizing_table",
    "standard_faults",
    "sweep",
    "sweep_table",
]
