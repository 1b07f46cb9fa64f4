"""What a circuit is made of: frozen descriptions of lungs, tubes, fittings, valves and filters."""

from types import MappingProxyType

from ventsim.parts.adjustable import AdjustableRestrictor
from ventsim.parts.base import Description, Part
from ventsim.parts.bench_curve import MonotoneFit, fit_monotone
from ventsim.parts.bench_fit import RohrerFit, fit_rohrer
from ventsim.parts.compartment_lung import CompartmentLung, Region
from ventsim.parts.cones import Cone, cones_of
from ventsim.parts.curve_law import tabulated_pressure_drop
from ventsim.parts.curves import ElasticCurve, ExponentialCurve, SigmoidCurve, VolumeDependentCurve
from ventsim.parts.effort import Effort, HalfSineEffort, SampledEffort
from ventsim.parts.elastic_lung import ElasticLung
from ventsim.parts.elements import Element, Passage, Rohrer, Store
from ventsim.parts.ends import Cap, OpenEnd
from ventsim.parts.equivalent_bore import EquivalentBore
from ventsim.parts.fittings import Adapter, TPiece, YPiece
from ventsim.parts.inline import Filter, OneWayValve, Restrictor
from ventsim.parts.leak import Leak
from ventsim.parts.lung import Lung, LungPart
from ventsim.parts.measured import MeasuredPart
from ventsim.parts.moisture import moisture_exchanger, moisture_exchanger_names
from ventsim.parts.orifice import Orifice
from ventsim.parts.orifice_laws import orifice_bore, orifice_coefficient, orifice_pressure_drop
from ventsim.parts.peep_valve import PeepValve
from ventsim.parts.presets import predicted_body_weight, preset, preset_names, preset_source
from ventsim.parts.printed_bores import PrintedBore, printed_bore
from ventsim.parts.quantity import FieldRow, Quantity, field_table
from ventsim.parts.tracheal_laws import tracheal_tube_length, tracheal_tube_pressure_drop
from ventsim.parts.tracheal_tube import TrachealTube
from ventsim.parts.tube import Tube
from ventsim.parts.tube_laws import (
    friction_factor,
    power_law_pressure_drop,
    reynolds_number,
    tube_inertance,
    tube_pressure_drop,
    tube_volume,
)

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
    "moisture_exchanger",
    "moisture_exchanger_names",
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
