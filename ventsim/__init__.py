"""Breathing in the time domain when one ventilator drives one, two, four or more lungs.

For research, teaching and engineering; not for deciding about a patient.
"""

from ventsim import errors, studies, theory, units
from ventsim.model import changes, gas, laws, layouts, parts
from ventsim.model.changes import Change, Clamp, Disconnection, LeakOnset, LungRemoval, changes_table
from ventsim.model.circuit import Circuit, connector_mismatches, parts_list
from ventsim.model.laws import fit_monotone, fit_rohrer, orifice_bore, printed_bore
from ventsim.model.layouts import Branch
from ventsim.model.parts import (
    Adapter,
    AdjustableRestrictor,
    Cap,
    CompartmentLung,
    ElasticLung,
    ExponentialCurve,
    Filter,
    HalfSineEffort,
    Leak,
    Lung,
    MeasuredPart,
    OneWayValve,
    OpenEnd,
    Orifice,
    PeepValve,
    Region,
    Restrictor,
    SampledEffort,
    SigmoidCurve,
    TPiece,
    TrachealTube,
    Tube,
    VolumeDependentCurve,
    YPiece,
    heat_moisture_exchanger,
    heat_moisture_exchanger_names,
    predicted_body_weight,
    preset,
    preset_names,
    preset_source,
)
from ventsim.model.scenario import Scenario, builtin, builtin_names
from ventsim.model.ventilator import PressureControl, Ventilator, VolumeControl
from ventsim.results import monitor, schema
from ventsim.results.measures import breath_measures, breath_table
from ventsim.simulation import (
    LongRun,
    continue_long,
    numerical_error,
    simulate,
    simulate_breaths,
    simulate_long,
    simulate_scenario,
    steady_breath,
)
from ventsim.view import panel, plot
from ventsim.wrong_names import answer_wrong_names

__version__ = "0.1.0"

__all__ = [
    "Adapter",
    "AdjustableRestrictor",
    "Branch",
    "Cap",
    "Change",
    "Circuit",
    "Clamp",
    "CompartmentLung",
    "Disconnection",
    "ElasticLung",
    "ExponentialCurve",
    "Filter",
    "HalfSineEffort",
    "Leak",
    "LeakOnset",
    "LongRun",
    "Lung",
    "LungRemoval",
    "MeasuredPart",
    "OneWayValve",
    "OpenEnd",
    "Orifice",
    "PeepValve",
    "PressureControl",
    "Region",
    "Restrictor",
    "SampledEffort",
    "Scenario",
    "SigmoidCurve",
    "TPiece",
    "TrachealTube",
    "Tube",
    "Ventilator",
    "VolumeControl",
    "VolumeDependentCurve",
    "YPiece",
    "breath_measures",
    "breath_table",
    "builtin",
    "builtin_names",
    "changes",
    "changes_table",
    "connector_mismatches",
    "continue_long",
    "errors",
    "fit_monotone",
    "fit_rohrer",
    "gas",
    "heat_moisture_exchanger",
    "heat_moisture_exchanger_names",
    "layouts",
    "monitor",
    "numerical_error",
    "orifice_bore",
    "panel",
    "parts_list",
    "plot",
    "predicted_body_weight",
    "preset",
    "preset_names",
    "preset_source",
    "printed_bore",
    "schema",
    "simulate",
    "simulate_breaths",
    "simulate_long",
    "simulate_scenario",
    "steady_breath",
    "studies",
    "theory",
]

answer_wrong_names()
