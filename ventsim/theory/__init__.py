"""Closed forms of the equation of motion: what a linear lung does, without solving anything step by step.

They know nothing of the engine, so that each can check the other. All of them hold for linear resistances and
compliances and passive lungs. Units are those of the house: pressure cmH2O, volume mL, flow L/s, time s.

>>> from ventsim.theory import pressure_control
>>> breath = pressure_control(
...     inspiratory_pressure=15.0, peep=5.0, compliance=50.0, resistance=10.0, rate=15.0,
...     inspiratory_time=4 / 3,
... )
>>> breath.tidal_volume
694.751
"""

from ventsim.theory.frequency import EffectiveMechanics, two_compartment_effective
from ventsim.theory.parallel import (
    ParallelLungsBreath,
    ParallelLungsWaveform,
    parallel_lungs_pressure_control,
    parallel_lungs_waveform,
)
from ventsim.theory.power import (
    mechanical_power_becher_2019,
    mechanical_power_gattinoni_2016,
    mechanical_power_giosa_2019,
    mechanical_power_simplified_gattinoni_2016,
)
from ventsim.theory.pressure import PressureControlBreath, pressure_control, pressure_control_waveform
from ventsim.theory.pressure_limits import (
    RateCeiling,
    pressure_control_fully_emptied,
    pressure_control_rate_ceiling,
)
from ventsim.theory.pressure_start import ApproachBreath, pressure_control_approach, pressure_rise_from_rest
from ventsim.theory.splits import (
    CircuitComplianceSplit,
    FlowSplit,
    circuit_compliance_split,
    constant_flow_split,
    lung_tidal_volume,
)
from ventsim.theory.time_constants import fraction_complete, time_constant
from ventsim.theory.volume import VolumeControlBreath, volume_control, volume_control_waveform
from ventsim.theory.waveform import BreathWaveform

__all__ = [
    "ApproachBreath",
    "BreathWaveform",
    "CircuitComplianceSplit",
    "EffectiveMechanics",
    "FlowSplit",
    "ParallelLungsBreath",
    "ParallelLungsWaveform",
    "PressureControlBreath",
    "RateCeiling",
    "VolumeControlBreath",
    "circuit_compliance_split",
    "constant_flow_split",
    "fraction_complete",
    "lung_tidal_volume",
    "mechanical_power_becher_2019",
    "mechanical_power_gattinoni_2016",
    "mechanical_power_giosa_2019",
    "mechanical_power_simplified_gattinoni_2016",
    "parallel_lungs_pressure_control",
    "parallel_lungs_waveform",
    "pressure_control",
    "pressure_control_approach",
    "pressure_control_fully_emptied",
    "pressure_control_rate_ceiling",
    "pressure_control_waveform",
    "pressure_rise_from_rest",
    "time_constant",
    "two_compartment_effective",
    "volume_control",
    "volume_control_waveform",
]
