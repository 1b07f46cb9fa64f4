"""Closed forms of the equation of motion: what a linear lung does, without solving anything step by step.

They know nothing of the engine, so that each can check the other. All of them hold for linear resistances and
compliances and passive lungs. Each takes descriptions, or plain numbers by keyword, which may be arrays and go
before those of the descriptions. Units are those of the house: pressure cmH2O, volume mL, flow L/s, time s.

>>> from ventsim import Lung, PressureControl
>>> from ventsim.theory import pressure_control
>>> lung = Lung(compliance=50.0, resistance=10.0)
>>> settings = PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, ie_ratio=0.5)
>>> pressure_control(lung, settings).tidal_volume
694.751
>>> pressure_control(lung, settings, rate=[15.0, 20.0]).minute_volume.tolist()
[10.421, 13.493]
"""

from ventsim.theory.one_lung import (
    ApproachBreath,
    PressureControlBreath,
    VolumeControlBreath,
    pressure_control,
    volume_control,
)
from ventsim.theory.parallel import ParallelLungsBreath, parallel_lungs
from ventsim.theory.power import (
    mechanical_power_becher_2019,
    mechanical_power_gattinoni_2016,
    mechanical_power_giosa_2019,
    mechanical_power_simplified_gattinoni_2016,
)
from ventsim.theory.responses import (
    EffectiveMechanics,
    FlowSplit,
    constant_flow_split,
    fraction_complete,
    lung_tidal_volume,
    pressure_rise_from_rest,
    time_constant,
    two_compartment_effective,
)
from ventsim.theory.steady import BreathWaveform

__all__ = [
    "ApproachBreath",
    "BreathWaveform",
    "EffectiveMechanics",
    "FlowSplit",
    "ParallelLungsBreath",
    "PressureControlBreath",
    "VolumeControlBreath",
    "constant_flow_split",
    "fraction_complete",
    "lung_tidal_volume",
    "mechanical_power_becher_2019",
    "mechanical_power_gattinoni_2016",
    "mechanical_power_giosa_2019",
    "mechanical_power_simplified_gattinoni_2016",
    "parallel_lungs",
    "pressure_control",
    "pressure_rise_from_rest",
    "time_constant",
    "two_compartment_effective",
    "volume_control",
]
