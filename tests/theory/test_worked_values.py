"""Closed forms give the numbers worked out or published elsewhere, to every digit that is written there."""

import math

import numpy as np
import pytest

from theory.worked_values import PARALLEL_ROWS, PRESSURE_ROWS, VOLUME_ROWS, agrees
from ventsim.theory import (
    constant_flow_split,
    fraction_complete,
    mechanical_power_becher_2019,
    mechanical_power_gattinoni_2016,
    mechanical_power_giosa_2019,
    mechanical_power_simplified_gattinoni_2016,
    parallel_lungs,
    pressure_control,
    time_constant,
    two_compartment_effective,
    volume_control,
)


def check(found, expected):
    """Compare named values with texts."""
    wrong = {name: (found[name], text) for name, text in expected.items() if not agrees(found[name], text)}
    assert not wrong


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
    breath = pressure_control(
        inspiratory_pressure=step, peep=5.0, compliance=compliance, resistance=resistance, rate=20.0,
        inspiratory_time=1.0,
    )  # fmt: skip
    assert agrees(breath.tidal_volume_at_low_rate, expected)


@pytest.mark.parametrize(("arguments", "expected"), VOLUME_ROWS.values(), ids=VOLUME_ROWS)
def test_volume_control_rows(arguments, expected):
    breath = volume_control(**arguments)
    found = vars(breath) | {"plateau_pressure": breath.plateau_pressure}
    check(found | {"peak_flow_per_minute": 60 * breath.peak_inspiratory_flow}, expected)


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
    lung = two_compartment_effective(frequency=frequency, compliance=[50.0, 50.0], resistance=[5.0, 25.0])
    assert agrees(lung.compliance / 1000, compliance)
    assert agrees(lung.resistance, resistance)


@pytest.mark.parametrize(("arguments", "tidal", "top", "bottom"), PARALLEL_ROWS.values(), ids=PARALLEL_ROWS)
def test_parallel_lungs_rows(arguments, tidal, top, bottom):
    breath = parallel_lungs(**arguments)
    for values, texts in (
        (breath.tidal_volume, tidal),
        (breath.end_inspiratory_alveolar_pressure, top),
        (breath.end_expiratory_alveolar_pressure, bottom),
    ):
        assert all(agrees(v, t) for v, t in zip(values, texts.split(), strict=True)), (values, texts)


# Worked values.
@pytest.mark.parametrize(
    ("compliance", "resistance", "expected"),
    [
        ([50.0, 25.0], [10.0, 10.0], "0.613877 0.386123"),
        ([50.0, 50.0], [5.0, 20.0], "0.649644 0.350356"),
    ],
)
def test_constant_flow_split_rows(compliance, resistance, expected):
    split = constant_flow_split(time=1.0, flow=1.0, compliance=compliance, resistance=resistance)
    assert all(agrees(v / 1000, t) for v, t in zip(split.inspired_volume, expected.split(), strict=True))


def test_circuit_compliance_row():
    """Worked value: 0.46485 L of 0.5 L reach the lung."""
    split = constant_flow_split(time=1.0, flow=0.5, compliance=50.0, circuit_compliance=2.5, resistance=10.0)
    assert agrees(split.inspired_volume[0] / 1000, "0.46485")


# Worked values: 1 - exp(-n).
@pytest.mark.parametrize(
    ("number", "expected"), [(1, "0.63212"), (2, "0.86466"), (3, "0.95021"), (4, "0.98168"), (5, "0.99326")]
)
def test_fraction_complete_rows(number, expected):
    tau = time_constant(compliance=30.0, resistance=20.0)
    assert agrees(fraction_complete(time=number * tau, time_constant=tau), expected)


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


def measures(breath):
    """The numbers of a breath by name."""
    return {name: value for name, value in vars(breath).items() if name != "given"}


def test_arrays_broadcast_and_give_the_same_numbers_as_single_values():
    """A table of compliance and resistance gives bit for bit what each pair gives alone."""
    compliances, resistances = np.array([[20.0], [50.0]]), np.array([5.0, 10.0, 20.0])
    common = {"peep": 5.0, "rate": 15.0, "inspiratory_time": 1.2}
    for form, own in (
        (pressure_control, {"inspiratory_pressure": 15.0}),
        (volume_control, {"tidal_volume": 400.0, "flow_pattern": "sine"}),
    ):
        table = measures(form(compliance=compliances, resistance=resistances, **common, **own))
        assert all(values.shape == (2, 3) for values in table.values())
        for row, column in np.ndindex(2, 3):
            one = form(compliance=compliances[row, 0], resistance=resistances[column], **common, **own)
            assert all(table[name][row, column] == value for name, value in measures(one).items())
