"""What a circuit is made of: frozen descriptions of lungs, tubes, fittings, valves and filters."""

from types import MappingProxyType

from ventsim.model.parts.cones import Cone, cones_of
from ventsim.model.parts.fittings import ADULT_BORE, Adapter, Cap, OpenEnd, TPiece, TrachealTube, Tube, YPiece
from ventsim.model.parts.inline import (
    Filter,
    Leak,
    Restrictor,
    heat_moisture_exchanger,
    heat_moisture_exchanger_names,
)
from ventsim.model.parts.lung import EFFORTS, HalfSineEffort, Lung, LungPart, Region, SampledEffort
from ventsim.model.parts.part import (
    PARTS,
    Atmosphere,
    ElasticStore,
    Element,
    Inertia,
    MuscleEffort,
    Part,
    Passage,
    Store,
    gas_stores,
)
from ventsim.model.parts.presets import predicted_body_weight, preset, preset_names, preset_source
from ventsim.model.parts.valves import NEVER, OneWayValve, PeepValve

__all__ = [
    "ADULT_BORE",
    "EFFORTS",
    "NEVER",
    "PARTS",
    "PART_KINDS",
    "Adapter",
    "Atmosphere",
    "Cap",
    "Cone",
    "ElasticStore",
    "Element",
    "Filter",
    "HalfSineEffort",
    "Inertia",
    "Leak",
    "Lung",
    "LungPart",
    "MuscleEffort",
    "OneWayValve",
    "OpenEnd",
    "Part",
    "Passage",
    "PeepValve",
    "Region",
    "Restrictor",
    "SampledEffort",
    "Store",
    "TPiece",
    "TrachealTube",
    "Tube",
    "YPiece",
    "cones_of",
    "gas_stores",
    "heat_moisture_exchanger",
    "heat_moisture_exchanger_names",
    "predicted_body_weight",
    "preset",
    "preset_names",
    "preset_source",
]

PART_KINDS = MappingProxyType(PARTS.kinds)
"""The class of each kind of part, by the word that files use for it."""
