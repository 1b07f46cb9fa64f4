"""What a circuit is made of: frozen descriptions of lungs, tubes, fittings, valves and filters."""

from types import MappingProxyType

from ventsim.model.descriptions import Description
from ventsim.model.field_table import FieldRow, field_table
from ventsim.model.laws.bench_curve import MonotoneFit, fit_monotone
from ventsim.model.laws.bench_fit import RohrerFit, fit_rohrer
from ventsim.model.laws.curves import ElasticCurve, ExponentialCurve, SigmoidCurve, VolumeDependentCurve
from ventsim.model.laws.equivalent_bore import EquivalentBore
from ventsim.model.laws.measured import tabulated_pressure_drop
from ventsim.model.laws.orifice import orifice_bore, orifice_coefficient, orifice_pressure_drop
from ventsim.model.laws.printed_bores import PrintedBore, printed_bore
from ventsim.model.laws.tracheal import tracheal_tube_length, tracheal_tube_pressure_drop
from ventsim.model.laws.tube_friction import (
    friction_factor,
    power_law_pressure_drop,
    reynolds_number,
    tube_inertance,
    tube_pressure_drop,
    tube_volume,
)
from ventsim.model.parts.adjustable import AdjustableRestrictor
from ventsim.model.parts.compartment_lung import CompartmentLung, Region
from ventsim.model.parts.cones import Cone, cones_of
from ventsim.model.parts.effort import Effort, HalfSineEffort, SampledEffort
from ventsim.model.parts.elastic_lung import ElasticLung
from ventsim.model.parts.elements import Element, Passage, Rohrer, Store
from ventsim.model.parts.ends import Cap, OpenEnd
from ventsim.model.parts.fittings import Adapter, TPiece, YPiece
from ventsim.model.parts.inline import Filter, OneWayValve, Restrictor
from ventsim.model.parts.leak import Leak
from ventsim.model.parts.lung import Lung, LungPart
from ventsim.model.parts.measured import MeasuredPart
from ventsim.model.parts.moisture import heat_moisture_exchanger, heat_moisture_exchanger_names
from ventsim.model.parts.orifice import Orifice
from ventsim.model.parts.part import Part
from ventsim.model.parts.peep_valve import PeepValve
from ventsim.model.parts.presets import predicted_body_weight, preset, preset_names, preset_source
from ventsim.model.parts.tracheal_tube import TrachealTube
from ventsim.model.parts.tube import Tube
from ventsim.quantities import Quantity

__all__ = [
    "LUNG_KINDS",
    "PART_KINDS",
    "Adapter",
    "AdjustableRestrictor",
    "Cap",
    "CompartmentLung",
    "Cone",
    "Description",
    "Effort",
    "ElasticCurve",
    "ElasticLung",
    "Element",
    "EquivalentBore",
    "ExponentialCurve",
    "FieldRow",
    "Filter",
    "HalfSineEffort",
    "Leak",
    "Lung",
    "LungPart",
    "MeasuredPart",
    "MonotoneFit",
    "OneWayValve",
    "OpenEnd",
    "Orifice",
    "Part",
    "Passage",
    "PeepValve",
    "PrintedBore",
    "Quantity",
    "Region",
    "Restrictor",
    "Rohrer",
    "RohrerFit",
    "SampledEffort",
    "SigmoidCurve",
    "Store",
    "TPiece",
    "TrachealTube",
    "Tube",
    "VolumeDependentCurve",
    "YPiece",
    "cones_of",
    "field_table",
    "fit_monotone",
    "fit_rohrer",
    "friction_factor",
    "heat_moisture_exchanger",
    "heat_moisture_exchanger_names",
    "orifice_bore",
    "orifice_coefficient",
    "orifice_pressure_drop",
    "power_law_pressure_drop",
    "predicted_body_weight",
    "preset",
    "preset_names",
    "preset_source",
    "printed_bore",
    "reynolds_number",
    "tabulated_pressure_drop",
    "tracheal_tube_length",
    "tracheal_tube_pressure_drop",
    "tube_inertance",
    "tube_pressure_drop",
    "tube_volume",
]

PART_KINDS = MappingProxyType(
    {
        "lung": Lung,
        "elastic lung": ElasticLung,
        "compartment lung": CompartmentLung,
        "tube": Tube,
        "tracheal tube": TrachealTube,
        "t-piece": TPiece,
        "y-piece": YPiece,
        "adapter": Adapter,
        "one-way valve": OneWayValve,
        "peep valve": PeepValve,
        "restrictor": Restrictor,
        "orifice": Orifice,
        "measured part": MeasuredPart,
        "adjustable restrictor": AdjustableRestrictor,
        "filter": Filter,
        "leak": Leak,
        "open end": OpenEnd,
        "cap": Cap,
    }
)
"""The class of each kind of part, by the word that files use for it."""

LUNG_KINDS = MappingProxyType({kind: cls for kind, cls in PART_KINDS.items() if issubclass(cls, LungPart)})
"""The class of each kind of lung, by the same words."""
