"""Breathing in the time domain when one ventilator drives one, two, four or more lungs.

For research, teaching and engineering; not for deciding about a patient.
"""

from ventsim import layouts, plot, theory
from ventsim.circuit import Circuit
from ventsim.layouts import Branch
from ventsim.metrics import breath_measures, breath_table
from ventsim.parts import Adapter, Filter, Lung, OneWayValve, Restrictor, TPiece, Tube, YPiece
from ventsim.scenario import Scenario, builtin, builtin_names
from ventsim.simulation import numerical_error, simulate, simulate_breaths, simulate_scenario, steady_breath
from ventsim.ventilator import PressureControl, Ventilator, VolumeControl

__version__ = "0.1.0"

__all__ = [
    "Adapter",
    "Branch",
    "Circuit",
    "Filter",
    "Lung",
    "OneWayValve",
    "PressureControl",
    "Restrictor",
    "Scenario",
    "TPiece",
    "Tube",
    "Ventilator",
    "VolumeControl",
    "YPiece",
    "breath_measures",
    "breath_table",
    "builtin",
    "builtin_names",
    "layouts",
    "numerical_error",
    "plot",
    "simulate",
    "simulate_breaths",
    "simulate_scenario",
    "steady_breath",
    "theory",
]
