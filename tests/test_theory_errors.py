"""Closed forms refuse impossible input, and say what is wrong, where, what is allowed and what to do."""

import math

import numpy as np
import pytest

from ventsim.errors import InputError
from ventsim.theory import (
    circuit_compliance_split,
    constant_flow_split,
    fraction_complete,
    lung_tidal_volume,
    mechanical_power_becher_2019,
    mechanical_power_gattinoni_2016,
    mechanical_power_giosa_2019,
    mechanical_power_simplified_gattinoni_2016,
    parallel_lungs_pressure_control,
    parallel_lungs_waveform,
    pressure_control,
    pressure_control_approach,
    pressure_control_rate_ceiling,
    pressure_control_waveform,
    pressure_rise_from_rest,
    time_constant,
    two_compartment_effective,
    volume_control,
    volume_control_waveform,
)

PRESSURE = {
    "inspiratory_pressure": 15.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
    "inspiratory_time": 1.0,
}  # fmt: skip
VOLUME = {
    "tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
    "inspiratory_time": 1.0,
}  # fmt: skip
GROUP = {
    "inspiratory_pressure": 15.0, "peep": 5.0, "compliances": [50.0, 25.0], "resistances": [10.0, 10.0],
    "rate": 15.0, "inspiratory_time": 1.0,
}  # fmt: skip
TWO = {"compliances": [50.0, 25.0], "resistances": [10.0, 10.0]}
RISE = {
    "inspiratory_pressure": 15.0, "peep": 5.0, "rise_time_constant": 0.1, "compliance": 50.0,
    "resistance": 10.0,
}  # fmt: skip
BALANCE = {"tidal_volume": 500.0, "circuit_compliance": 2.0, "peak_pressure": 25.0, "peep": 5.0}
SIMPLIFIED = {
    "tidal_volume": 500.0,
    "rate": 20.0,
    "peak_pressure": 20.0,
    "plateau_pressure": 15.0,
    "peep": 5.0,
}
CIRCUIT = {"flow": 0.5, "compliance": 50.0, "circuit_compliance": 2.0, "resistance": 10.0}


def at(function, time):
    """The same function with its positional argument filled in."""
    return lambda **arguments: function(time, **arguments)


REFUSED = [
    (pressure_control, PRESSURE | {"compliance": 0.0}, r"compliance 0 mL/cmH2O is not possible"),
    (
        pressure_control,
        PRESSURE | {"compliance": 0.0},
        r"Allowed: above 0 mL/cmH2O\.\n  Give for example 50 mL",
    ),
    (pressure_control, PRESSURE | {"resistance": -1.0}, r"resistance -1 cmH2O·s/L is not possible"),
    (pressure_control, PRESSURE | {"expiratory_resistance": 0.0}, r"expiratory_resistance 0 cmH2O·s/L"),
    (
        pressure_control,
        PRESSURE | {"inspiratory_pressure": math.nan},
        r"inspiratory_pressure nan cmH2O is not",
    ),
    (
        pressure_control,
        PRESSURE | {"peep": -0.5},
        r"peep -0\.5 cmH2O is not possible.\n  Allowed: at least 0 cmH2O",
    ),
    (pressure_control, PRESSURE | {"rate": math.inf}, r"rate inf /min is too large or too small"),
    (
        pressure_control,
        PRESSURE | {"compliance": 1e-13},
        r"compliance 1e-13 mL/cmH2O is too large or too small",
    ),
    (pressure_control, PRESSURE | {"rate": "fast"}, r"rate 'fast' is not a number"),
    (pressure_control, PRESSURE | {"peep": None}, r"peep None is not a number"),
    (
        pressure_control,
        PRESSURE | {"inspiratory_time": 4.0},
        r"inspiratory_time 4 s leaves no time for expiration",
    ),
    (pressure_control, PRESSURE | {"rate": 120.0}, r"less than the period of 0\.5 s"),
    (pressure_control, PRESSURE | {"rate": np.array([15.0, 90.0])}, r"at a rate of 90 /min"),
    (
        pressure_control,
        PRESSURE | {"rate": np.array([15.0, 20.0]), "compliance": np.array([30.0, 40.0, 50.0])},
        r"do not fit: compliance \(3,\), rate \(2,\)",
    ),
    (
        at(pressure_control_waveform, math.nan),
        PRESSURE,
        r"pressure_control_waveform: time nan s is not possible",
    ),
    (at(pressure_control_approach, 0), PRESSURE, r"breath 0 is not possible.\n  Allowed: at least 1"),
    (at(pressure_control_approach, 1.5), PRESSURE, r"breath 1\.5 is not a whole number"),
    (at(pressure_rise_from_rest, -0.1), RISE, r"time -0\.1 s is not possible"),
    (at(pressure_rise_from_rest, 1.0), RISE | {"rise_time_constant": 0.0}, r"rise_time_constant 0 s is not"),
    (
        pressure_control_rate_ceiling,
        {"inspiratory_pressure": 15.0, "peep": 5.0, "resistance": 10.0, "duty_cycle": 1.0},
        r"duty_cycle 1 is not possible.\n  Allowed: above 0 and below 1",
    ),
    (volume_control, VOLUME | {"tidal_volume": 0.0}, r"tidal_volume 0 mL is not possible"),
    (volume_control, VOLUME | {"pause_time": 1.0}, r"pause_time 1 s leaves no time for flow"),
    (volume_control, VOLUME | {"pause_time": -0.1}, r"pause_time -0\.1 s is not possible"),
    (
        volume_control,
        VOLUME | {"inspiratory_time": 5.0},
        r"volume_control: inspiratory_time 5 s leaves no time",
    ),
    (
        volume_control,
        VOLUME | {"flow_pattern": "decelerate"},
        r"'decelerate' is unknown[^?]*Did you mean 'decelerating'\?",
    ),
    (
        volume_control,
        VOLUME | {"end_flow_ratio": 0.5},
        r"end_flow_ratio 0\.5 has no meaning for flow_pattern 'const",
    ),
    (
        volume_control,
        VOLUME | {"flow_pattern": "decelerating", "end_flow_ratio": 1.1},
        r"end_flow_ratio 1\.1 is not possible.\n  Allowed: at least 0 and at most 1",
    ),
    (at(volume_control_waveform, "now"), VOLUME, r"time 'now' is not a number"),
    (
        parallel_lungs_pressure_control,
        GROUP | {"resistances": [10.0]},
        r"compliances has shape \(2,\), resistances has",
    ),
    (
        parallel_lungs_pressure_control,
        GROUP | {"compliances": [], "resistances": []},
        r"not one value for each lung",
    ),
    (parallel_lungs_pressure_control, GROUP | {"compliances": [50.0, -1.0]}, r"compliances -1 mL/cmH2O"),
    (parallel_lungs_pressure_control, GROUP | {"shared_resistance": -1.0}, r"shared_resistance -1 cmH2O·s/L"),
    (
        parallel_lungs_pressure_control,
        GROUP | {"peep": [5.0, 6.0]},
        r"peep has shape \(2,\).\n  Allowed: one number",
    ),
    (parallel_lungs_pressure_control, GROUP | {"inspiratory_time": 4.0}, r"leaves no time for expiration"),
    (
        parallel_lungs_pressure_control,
        GROUP | {"compliances": [50.0, 1e-9]},
        r"time constants of the lungs differ",
    ),
    (at(parallel_lungs_waveform, math.inf), GROUP, r"time inf s is too large"),
    (at(two_compartment_effective, -1.0), TWO, r"frequency -1 Hz is not possible"),
    (
        at(two_compartment_effective, 1.0),
        TWO | {"compliances": [50.0, 25.0, 25.0]},
        r"not one value for each lung",
    ),
    (
        at(two_compartment_effective, 1.0),
        {"compliances": [50.0] * 3, "resistances": [10.0] * 3},
        r"values for 3 lungs given.\n  Allowed: two lungs",
    ),
    (at(constant_flow_split, 1.0), TWO | {"flow": 0.0}, r"flow 0 L/s is not possible"),
    (
        at(circuit_compliance_split, 1.0),
        CIRCUIT | {"circuit_compliance": 0.0},
        r"circuit_compliance 0 mL/cmH2O",
    ),
    (lung_tidal_volume, BALANCE | {"peak_pressure": 4.0}, r"peak_pressure 4 cmH2O is below peep 5 cmH2O"),
    (
        lung_tidal_volume,
        BALANCE | {"circuit_compliance": 100.0},
        r"the circuit would keep 2000 mL of tidal_volume 500",
    ),
    (at(fraction_complete, 1.0), {"time_constant": 0.0}, r"time_constant 0 s is not possible"),
    (time_constant, {"compliance": 50.0, "resistance": 0.0}, r"time_constant: resistance 0 cmH2O·s/L"),
    (
        mechanical_power_simplified_gattinoni_2016,
        SIMPLIFIED | {"plateau_pressure": 21.0},
        r"peak_pressure 20 cmH2O is below",
    ),
    (
        mechanical_power_simplified_gattinoni_2016,
        SIMPLIFIED | {"peep": 16.0},
        r"plateau_pressure 15 cmH2O is below peep",
    ),
    (
        mechanical_power_giosa_2019,
        {"tidal_volume": 500.0, "rate": 20.0, "peak_pressure": 4.0, "peep": 5.0, "flow": 0.5},
        r"peak_pressure 4 cmH2O is below peep",
    ),
    (
        mechanical_power_gattinoni_2016,
        {
            "tidal_volume": 500.0,
            "compliance": 50.0,
            "resistance": 10.0,
            "rate": 20.0,
            "ie_ratio": 0.0,
            "peep": 5.0,
        },
        r"ie_ratio 0 is not possible",
    ),
    (
        mechanical_power_becher_2019,
        {"tidal_volume": 500.0, "rate": 20.0, "inspiratory_pressure": 0.0, "peep": 5.0},
        r"inspiratory_pressure 0 cmH2O is not possible",
    ),
]


@pytest.mark.parametrize(("function", "arguments", "message"), REFUSED, ids=range(len(REFUSED)))
def test_impossible_input_is_refused(function, arguments, message):
    with pytest.raises(InputError, match=message):
        function(**arguments)
