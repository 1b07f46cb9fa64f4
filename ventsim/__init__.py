"""Breathing in the time domain when one ventilator drives one, two, four or more lungs.

For research, teaching and engineering; not for deciding about a patient.
"""

import sys

import ventsim.starting  # noqa: F401  first of all: it answers Ctrl-C while the rest is imported
from ventsim import errors, studies, theory, units
from ventsim.model import changes, gas, laws, layouts, parts
from ventsim.model.changes import Change, Clamp, Disconnection, LeakOnset, LungRemoval, changes_table
from ventsim.model.circuit import Circuit, connector_mismatches, parts_list
from ventsim.model.laws import fit_monotone, fit_rohrer, orifice_bore, printed_bore
from ventsim.model.layouts import PatientLimbs
from ventsim.model.parts import (
    Adapter,
    Cap,
    Filter,
    HalfSineEffort,
    Leak,
    Lung,
    OneWayValve,
    OpenEnd,
    PeepValve,
    Region,
    Restrictor,
    SampledEffort,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
    heat_moisture_exchanger,
    heat_moisture_exchanger_names,
    predicted_body_weight,
    preset,
    preset_names,
    preset_source,
)
from ventsim.model.scenario import Scenario, builtin, builtin_names
from ventsim.model.ventilator import BreathSettings, PressureControl, Segment, Ventilator, VolumeControl
from ventsim.results import monitor, schema
from ventsim.results.measures import breath_measures, breath_table, integrate_recording
from ventsim.results.points import pressure_at
from ventsim.simulation import LongRun, numerical_error, simulate, simulate_long, steady_breath
from ventsim.view import panel, plot

__version__ = "0.1.0"

__all__ = [
    "Adapter",
    "BreathSettings",
    "Cap",
    "Change",
    "Circuit",
    "Clamp",
    "Disconnection",
    "Filter",
    "HalfSineEffort",
    "Leak",
    "LeakOnset",
    "LongRun",
    "Lung",
    "LungRemoval",
    "OneWayValve",
    "OpenEnd",
    "PatientLimbs",
    "PeepValve",
    "PressureControl",
    "Region",
    "Restrictor",
    "SampledEffort",
    "Scenario",
    "Segment",
    "TPiece",
    "TrachealTube",
    "Tube",
    "Ventilator",
    "VolumeControl",
    "YPiece",
    "breath_measures",
    "breath_table",
    "builtin",
    "builtin_names",
    "changes",
    "changes_table",
    "connector_mismatches",
    "errors",
    "fit_monotone",
    "fit_rohrer",
    "gas",
    "heat_moisture_exchanger",
    "heat_moisture_exchanger_names",
    "integrate_recording",
    "laws",
    "layouts",
    "monitor",
    "numerical_error",
    "orifice_bore",
    "panel",
    "parts",
    "parts_list",
    "plot",
    "predicted_body_weight",
    "preset",
    "preset_names",
    "preset_source",
    "pressure_at",
    "printed_bore",
    "schema",
    "simulate",
    "simulate_long",
    "steady_breath",
    "studies",
    "theory",
    "units",
]

# Namespaces are imported by the names under which they are shown: from ventsim.layouts import shared. What type
# checkers see of them is in the stubs beside this file.
for _module in (changes, gas, laws, layouts, monitor, panel, parts, plot, schema):
    sys.modules[f"{__name__}.{_module.__name__.rpartition('.')[2]}"] = _module


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
