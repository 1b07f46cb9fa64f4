"""Closed forms give the numbers worked out or published elsewhere, to every digit that is written there.

"Worked values" were computed outside this library from the same textbook equations; N3 was also found by
integration and by a general circuit simulator on the electrical analogue.
"""

import math
from decimal import Decimal

import numpy as np
import pytest

from ventsim.theory import (
    circuit_compliance_split,
    constant_flow_split,
    fraction_complete,
    mechanical_power_becher_2019,
    mechanical_power_gattinoni_2016,
    mechanical_power_giosa_2019,
    mechanical_power_simplified_gattinoni_2016,
    parallel_lungs_pressure_control,
    pressure_control,
    pressure_control_fully_emptied,
    time_constant,
    two_compartment_effective,
    volume_control,
)


def agrees(value, text):
    """Whether a value, rounded to the digits that are written, is the number that is written."""
    written = Decimal(text)
    half = 0.5 * 10.0 ** written.as_tuple().exponent
    return abs(float(value) - float(written)) <= half * (1 + 1e-6)


def check(found, expected):
    """Compare named values with texts."""
    wrong = {name: (found[name], text) for name, text in expected.items() if not agrees(found[name], text)}
    assert not wrong


def pressure_row(step, peep, compliance, r_in, r_out, rate, duty, expected):
    arguments = {
        "inspiratory_pressure": step,
        "peep": peep,
        "compliance": compliance,
        "resistance": r_in,
        "expiratory_resistance": r_out,
        "rate": rate,
        "inspiratory_time": duty * 60.0 / rate,
    }
    names = (
        "tidal_litres", "auto_peep", "end_inspiratory_alveolar_pressure", "mean_alveolar_pressure",
        "minute_volume", "peak_inspiratory_flow", "peak_expiratory_flow",
    )  # fmt: skip
    return arguments, dict(zip(names, expected.split(), strict=True))


# Worked values of the steady breath (formulas of Marini, Crooke, Truwit, J Appl Physiol 1989;67:1081-1092,
# from memory).
PRESSURE_ROWS = {
    "PC1": pressure_row(
        15.0, 5.0, 50.0, 10.0, 10.0, 15.0, 1 / 3,
        "0.69475 0.06741 18.96243 10.00000 10.42127 1.49326 1.39624",
    ),
    "PC2": pressure_row(
        15.0, 5.0, 50.0, 10.0, 15.0, 20.0, 1 / 2,
        "0.62039 1.94205 19.34988 13.53399 12.40784 1.30580 0.95666",
    ),
    "PC3": pressure_row(
        20.0, 5.0, 60.0, 15.0, 25.0, 20.0, 1 / 3,
        "0.64911 3.87249 19.69094 13.83036 12.98214 1.07517 0.58764",
    ),
    "PC4": pressure_row(
        14.0, 12.0, 30.0, 10.0, 10.0, 24.0, 0.4,
        "0.40238 0.09099 25.50381 17.60000 9.65723 1.39090 1.35038",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("arguments", "expected"), PRESSURE_ROWS.values(), ids=PRESSURE_ROWS)
def test_pressure_control_rows(arguments, expected):
    breath = pressure_control(**arguments)
    check(vars(breath) | {"tidal_litres": breath.tidal_volume / 1000}, expected)


# Worked values; lungs of the pressure-control test of ISO 80601-2-12 (from memory, not checked in its text).
@pytest.mark.parametrize(
    ("compliance", "resistance", "step", "expected"),
    [
        (50.0, 5.0, 10.0, "491"), (50.0, 20.0, 15.0, "474"), (20.0, 5.0, 25.0, "500"),
        (20.0, 20.0, 25.0, "459"), (20.0, 20.0, 15.0, "275"),
        (20.0, 50.0, 25.0, "316"), (10.0, 50.0, 30.0, "259"),
    ],
)  # fmt: skip
def test_fully_emptied_rows(compliance, resistance, step, expected):
    volume = pressure_control_fully_emptied(
        inspiratory_pressure=step, compliance=compliance, resistance=resistance, inspiratory_time=1.0
    )
    assert agrees(volume, expected)


VOLUME_ROWS = {
    # Crit Care 2013 (cc12561), Table 1: true plateau pressures 13 and 9.78; the rest is worked.
    "published A": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 50.0, "resistance": 5.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "13", "auto_peep": "0.0009", "peak_airway_pressure": "15.50"},
    ),
    "published A, worked": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 50.0, "resistance": 5.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "13.0009"},
    ),
    "published B": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 95.0, "resistance": 21.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "9.78", "auto_peep": "2.9364", "peak_airway_pressure": "20.28"},
    ),
    "published B, worked": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 95.0, "resistance": 21.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "9.7785"},
    ),
    # Worked values.
    "no pause": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0},
        {"auto_peep": "0.02485", "peak_airway_pressure": "20.02485", "plateau_pressure": "15.02485",
         "mean_airway_pressure": "7.50621", "mean_alveolar_pressure": "7.50621"},
    ),
    "pause": (
        {"tidal_volume": 420.0, "peep": 10.0, "compliance": 30.0, "resistance": 12.0, "rate": 24.0,
         "inspiratory_time": 1.0, "pause_time": 0.2},
        {"auto_peep": "0.22047", "peak_airway_pressure": "30.52047", "plateau_pressure": "24.22047",
         "mean_airway_pressure": "15.46419", "mean_alveolar_pressure": "15.46419"},
    ),
    "two resistances": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 60.0, "resistance": 15.0,
         "expiratory_resistance": 25.0, "rate": 20.0, "inspiratory_time": 1.0},
        {"auto_peep": "2.98294", "peak_airway_pressure": "23.81627", "plateau_pressure": "16.31627",
         "mean_alveolar_pressure": "11.54987", "mean_airway_pressure": "9.88320"},
    ),
    "ramp to zero": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0, "flow_pattern": "decelerating"},
        {"peak_airway_pressure_time": "0.50000", "peak_airway_pressure": "17.52485",
         "plateau_pressure": "15.02485",
         "mean_alveolar_pressure": "7.92288", "peak_inspiratory_flow": "1.00000"},
    ),
    "ramp to one half": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0, "flow_pattern": "decelerating", "end_flow_ratio": 0.5},
        {"peak_airway_pressure_time": "1.00000", "peak_airway_pressure": "18.35818",
         "mean_alveolar_pressure": "7.64510", "peak_flow_per_minute": "40.00000"},
    ),
    # Set-up of a bench study (PMC10905385, Table 2: PEEP 16.0 to 16.2 measured for 10 set); worked value.
    "bench, obstructed": (
        {"tidal_volume": 720.0, "peep": 10.0, "compliance": 50.0, "resistance": 20.0, "rate": 24.0,
         "inspiratory_time": 1.25},
        {"auto_peep": "5.78"},
    ),
}  # fmt: skip


@pytest.mark.parametrize(("arguments", "expected"), VOLUME_ROWS.values(), ids=VOLUME_ROWS)
def test_volume_control_rows(arguments, expected):
    breath = volume_control(**arguments)
    check(vars(breath) | {"peak_flow_per_minute": 60 * breath.peak_inspiratory_flow}, expected)


def test_half_sine_derived_by_hand():
    """Peak flow pi VT / (2 t), peak pressure p_ee + VT/(2C) (1 + sqrt(1 + (pi R C / t)^2)), from calculus."""
    breath = volume_control(
        tidal_volume=500.0, peep=5.0, compliance=50.0, resistance=10.0, rate=15.0, inspiratory_time=1.0,
        flow_pattern="sine",
    )  # fmt: skip
    total_peep = 5.0 + 10.0 / (math.exp(6.0) - 1.0)
    assert breath.peak_inspiratory_flow == pytest.approx(math.pi * 0.5 / 2.0, rel=1e-14)
    assert breath.peak_airway_pressure == pytest.approx(
        total_peep + 5.0 * (1.0 + math.sqrt(1.0 + (math.pi * 0.5) ** 2)), rel=1e-14
    )
    assert breath.end_flow_airway_pressure == pytest.approx(breath.plateau_pressure, rel=1e-14)
    assert breath.onset_pressure_step == 0.0


# Worked values of the form of Otis et al., J Appl Physiol 1956;8:427-443 (from memory).
@pytest.mark.parametrize(
    ("frequency", "compliance", "resistance"),
    [
        (0.0, "0.100000", "7.500000"), (0.1, "0.092527", "6.894288"), (0.25, "0.079471", "5.562586"),
        (0.5, "0.072642", "4.675444"), (1.0, "0.070161", "4.310304"), (math.inf, "0.0692308", "4.1666667"),
    ],
)  # fmt: skip
def test_two_compartment_rows(frequency, compliance, resistance):
    lung = two_compartment_effective(frequency, compliances=[50.0, 50.0], resistances=[5.0, 25.0])
    assert agrees(lung.compliance / 1000, compliance)
    assert agrees(lung.resistance, resistance)


N2 = {
    "inspiratory_pressure": 15.0, "peep": 5.0, "rate": 15.0, "inspiratory_time": 4 / 3,
    "compliances": [50.0, 25.0], "resistances": [10.0, 10.0],
}  # fmt: skip
# Worked values: tidal volume [mL], end-inspiratory and end-expiratory alveolar pressure [cmH2O] of each lung.
PARALLEL_ROWS = {
    "N2": (N2, "694.751 373.181", "18.9624 19.9276", "5.0674 5.0003"),
    "N3": (N2 | {"shared_resistance": 5.0}, "566.842 321.477", "16.8567 18.1521", "5.5199 5.2930"),
    "N4": (
        {"inspiratory_pressure": 10.0, "peep": 15.0, "rate": 20.0, "inspiratory_time": 1.0,
         "compliances": [50.0, 50.0], "resistances": [5.0, 20.0], "shared_resistance": 3.0},
        "417.539 221.782", "23.6359 20.7374", "15.2851 16.3018",
    ),
    "N5": (
        {"inspiratory_pressure": 15.0, "peep": 5.0, "rate": 10.0, "inspiratory_time": 2.0,
         "compliances": [20.0, 30.0, 40.0, 50.0], "resistances": [10.0] * 4, "shared_resistance": 3.0},
        "281.498 416.746 545.061 663.751", "19.1447 18.9746 18.7291 18.4080", "5.0698 5.0830 5.1026 5.1330",
    ),
    "N7": (
        N2 | {"resistances": [30.0, 10.0], "expiratory_resistances": [10.0, 10.0]},
        "440.408 373.181", "13.8509 19.9276", "5.0427 5.0003",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("arguments", "tidal", "top", "bottom"), PARALLEL_ROWS.values(), ids=PARALLEL_ROWS)
def test_parallel_lungs_rows(arguments, tidal, top, bottom):
    breath = parallel_lungs_pressure_control(**arguments)
    for values, texts in (
        (breath.tidal_volume, tidal),
        (breath.end_inspiratory_alveolar_pressure, top),
        (breath.end_expiratory_alveolar_pressure, bottom),
    ):
        assert all(agrees(v, t) for v, t in zip(values, texts.split(), strict=True)), (values, texts)


# Worked values.
@pytest.mark.parametrize(
    ("compliances", "resistances", "expected"),
    [
        ([50.0, 25.0], [10.0, 10.0], "0.613877 0.386123"),
        ([50.0, 50.0], [5.0, 20.0], "0.649644 0.350356"),
    ],
)
def test_constant_flow_split_rows(compliances, resistances, expected):
    split = constant_flow_split(1.0, flow=1.0, compliances=compliances, resistances=resistances)
    assert all(agrees(v / 1000, t) for v, t in zip(split.inspired_volume, expected.split(), strict=True))


def test_circuit_compliance_row():
    """Worked value: 0.46485 L of 0.5 L reach the lung."""
    split = circuit_compliance_split(1.0, flow=0.5, compliance=50.0, circuit_compliance=2.5, resistance=10.0)
    assert agrees(split.lung_volume / 1000, "0.46485")


# Worked values: 1 - exp(-n).
@pytest.mark.parametrize(
    ("number", "expected"), [(1, "0.63212"), (2, "0.86466"), (3, "0.95021"), (4, "0.98168"), (5, "0.99326")]
)
def test_fraction_complete_rows(number, expected):
    tau = time_constant(compliance=30.0, resistance=20.0)
    assert agrees(fraction_complete(number * tau, time_constant=tau), expected)


# Worked values. First and second row: both forms of Gattinoni et al. 2016, and Giosa et al. 2019.
@pytest.mark.parametrize(
    ("rate", "volume", "compliance", "resistance", "peep", "gattinoni", "giosa"),
    [(20.0, 500.0, 50.0, 10.0, 5.0, "14.70", "15.00"), (24.0, 420.0, 30.0, 12.0, 10.0, "22.768", "22.724")],
)
def test_mechanical_power_rows(rate, volume, compliance, resistance, peep, gattinoni, giosa):
    flow = volume / 1000 * rate * 3 / 60  # inspiration takes a third of the period
    plateau = peep + volume / compliance
    peak = plateau + resistance * flow
    full = mechanical_power_gattinoni_2016(
        tidal_volume=volume, compliance=compliance, resistance=resistance, rate=rate, ie_ratio=0.5, peep=peep
    )
    simplified = mechanical_power_simplified_gattinoni_2016(
        tidal_volume=volume, rate=rate, peak_pressure=peak, plateau_pressure=plateau, peep=peep
    )
    surrogate = mechanical_power_giosa_2019(
        tidal_volume=volume, rate=rate, peak_pressure=peak, peep=peep, flow=flow
    )
    assert agrees(full, gattinoni)
    assert agrees(simplified, gattinoni)
    assert agrees(surrogate, giosa)


def test_mechanical_power_of_pressure_control_row():
    """Worked value of the simplified form of Becher et al. 2019: 17.64 J/min."""
    power = mechanical_power_becher_2019(tidal_volume=450.0, rate=20.0, inspiratory_pressure=15.0, peep=5.0)
    assert agrees(power, "17.64")


def test_arrays_broadcast_and_give_the_same_numbers_as_single_values():
    """A table of compliance and resistance gives bit for bit what each pair gives alone."""
    compliances, resistances = np.array([[20.0], [50.0]]), np.array([5.0, 10.0, 20.0])
    settings = {"peep": 5.0, "rate": 15.0, "inspiratory_time": 1.2}
    table = pressure_control(inspiratory_pressure=15.0, compliance=compliances, resistance=resistances, **settings)
    volumes = volume_control(
        tidal_volume=400.0, compliance=compliances, resistance=resistances, flow_pattern="sine", **settings
    )
    assert all(value.shape == (2, 3) for breath in (table, volumes) for value in vars(breath).values())
    for row, column in np.ndindex(2, 3):
        lung = {"compliance": float(compliances[row, 0]), "resistance": float(resistances[column])}
        one = pressure_control(inspiratory_pressure=15.0, **lung, **settings)
        two = volume_control(tidal_volume=400.0, flow_pattern="sine", **lung, **settings)
        assert all(vars(table)[name][row, column] == value for name, value in vars(one).items())
        assert all(vars(volumes)[name][row, column] == value for name, value in vars(two).items())
