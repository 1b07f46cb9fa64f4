"""Laws of lungs that stiffen: published numbers, inverses, slopes, and what they refuse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ventsim.model.laws.elastance import (
    exponential_compliance,
    exponential_pressure,
    exponential_volume,
    volume_dependent_pressure,
    volume_dependent_volume,
)
from ventsim.model.laws.sigmoid import (
    sigmoid_bending_points,
    sigmoid_compliance,
    sigmoid_corners,
    sigmoid_pressure,
    sigmoid_volume,
)

from ventsim.errors import InputError
from ventsim.model.laws import Exponential, Sigmoid, VolumeDependent, overdistension_index, series_compliance

# The curves of which values were computed by hand from the published forms: b 2 L, c 15, d 5; Vmax 6 L, k 0.12.
SIGMOID = {"vital_capacity": 2000.0, "inflection": 15.0, "width": 5.0}
EXPONENTIAL = {"largest_volume": 6000.0, "rate": 0.12}

# --- values ---------------------------------------------------------------------------------------------------


def test_sigmoid_values():
    """b / (1 + exp(-(P - c) / d)) by hand, in litres to four digits: 0.2384, 0.5379, 1, 1.4621, 1.9051."""
    volume = sigmoid_volume(np.array([5.0, 10.0, 15.0, 20.0, 30.0]), **SIGMOID)
    assert volume == pytest.approx([238.4, 537.9, 1000.0, 1462.1, 1905.1], abs=0.051)
    assert volume[0] == pytest.approx(2000.0 / (1.0 + np.e**2), rel=1e-14)
    assert sigmoid_volume(15.0, **SIGMOID, lower_asymptote=300.0) == pytest.approx(1300.0, rel=1e-15)


def test_sigmoid_slope():
    """Highest compliance b / 4d = 100; 78.64 mL/cmH2O at 10 cmH2O, by hand."""
    assert sigmoid_compliance(15.0, **SIGMOID) == pytest.approx(100.0, rel=1e-14)
    assert sigmoid_compliance(10.0, **SIGMOID) == pytest.approx(78.64, abs=0.0051)


def test_exponential_values():
    """Vmax (1 - exp(-kP)) by hand, in litres: 2.7071, 4.1928, 5.4557, 5.8361; slope at 10: 0.21686."""
    volume = exponential_volume(np.array([5.0, 10.0, 20.0, 30.0]), **EXPONENTIAL)
    assert volume == pytest.approx([2707.1, 4192.8, 5455.7, 5836.1], abs=0.051)
    assert exponential_compliance(10.0, **EXPONENTIAL) == pytest.approx(216.86, abs=0.0051)
    assert exponential_compliance(0.0, **EXPONENTIAL) == pytest.approx(720.0, rel=1e-14)  # k Vmax


def test_volume_dependent_values():
    """(0.02 + 1e-5 x 500) x 500 = 12.5 and 5e-3 / 0.025 = 0.2, by hand."""
    assert volume_dependent_pressure(500.0, elastance=0.02, volume_elastance=1e-5) == pytest.approx(12.5)
    assert overdistension_index(500.0, elastance=0.02, volume_elastance=1e-5) == pytest.approx(0.2)
    assert overdistension_index(500.0, elastance=0.02, volume_elastance=-1e-5) == pytest.approx(-1.0 / 3.0)


def test_series_of_lung_and_chest_wall():
    """200 and 200 in series are 100; a stiff chest wall decides (textbook rule, elastances add)."""
    assert series_compliance(200.0, 200.0) == pytest.approx(100.0, rel=1e-15)
    assert series_compliance(1e9, 40.0) == pytest.approx(40.0, rel=1e-6)


def test_points_of_the_sigmoid():
    """The tangent at the inflection meets the asymptotes at c ± 2d; there the slope is b / 4d."""
    low, high = sigmoid_corners(15.0, width=5.0)
    assert (low, high) == (5.0, 25.0)
    assert 1000.0 + 100.0 * (low - 15.0) == 0.0 and 1000.0 + 100.0 * (high - 15.0) == 2000.0


def test_the_slope_changes_fastest_at_the_bending_points():
    """Second differences of the compliance on a fine grid, extreme within its spacing; 1.317 d from memory."""
    grid = np.linspace(0.0, 30.0, 30001)
    change = np.gradient(sigmoid_compliance(grid, **SIGMOID), grid)
    low, high = sigmoid_bending_points(15.0, width=5.0)
    assert grid[np.argmax(change)] == pytest.approx(low, abs=1e-3)
    assert grid[np.argmin(change)] == pytest.approx(high, abs=1e-3)
    assert high - 15.0 == pytest.approx(1.317 * 5.0, rel=1e-4)


# --- inverses, slopes and limits ------------------------------------------------------------------------------

WIDTHS, CENTRES = st.floats(1.0, 40.0), st.floats(-20.0, 60.0)


@given(
    share=st.floats(0.01, 0.99),
    vital=st.floats(10.0, 1e4),
    centre=CENTRES,
    width=WIDTHS,
    lower=st.floats(0.0, 3e3),
)
def test_sigmoid_is_inverted(share, vital, centre, width, lower):
    curve = {"vital_capacity": vital, "inflection": centre, "width": width, "lower_asymptote": lower}
    volume = lower + share * vital
    assert sigmoid_volume(sigmoid_pressure(volume, **curve), **curve) == pytest.approx(volume, rel=1e-9)


@given(pressure=st.floats(-30.0, 80.0), largest=st.floats(10.0, 1e4), rate=st.floats(0.005, 0.3))
def test_exponential_is_inverted(pressure, largest, rate):
    curve = {"largest_volume": largest, "rate": rate}
    back = exponential_pressure(exponential_volume(pressure, **curve), **curve)
    assert back == pytest.approx(pressure, abs=1e-4)  # near the largest volume digits are lost


@given(volume=st.floats(0.0, 3000.0), elastance=st.floats(0.003, 1.0), gained=st.floats(0.0, 1e-3))
def test_volume_dependent_is_inverted(volume, elastance, gained):
    law = {"elastance": elastance, "volume_elastance": gained}
    back = volume_dependent_volume(volume_dependent_pressure(volume, **law), **law)
    assert back == pytest.approx(volume, rel=1e-9, abs=1e-9)


def test_compliances_are_the_slopes():
    """Central differences over 0.002 cmH2O; their error is of order 1e-7 of the slope."""
    for pressure in (-5.0, 0.0, 12.0, 30.0):
        ends = np.array([pressure - 1e-3, pressure + 1e-3])
        sigmoid = np.diff(sigmoid_volume(ends, **SIGMOID))[0] / 2e-3
        exponential = np.diff(exponential_volume(ends, **EXPONENTIAL))[0] / 2e-3
        assert sigmoid_compliance(pressure, **SIGMOID) == pytest.approx(sigmoid, rel=1e-6)
        assert exponential_compliance(pressure, **EXPONENTIAL) == pytest.approx(exponential, rel=1e-6)


def test_far_from_the_middle_nothing_overflows():
    """Asymptotes 0 and 2000 mL at pressures where the exponential itself would overflow."""
    assert sigmoid_volume(np.array([-1e5, 1e5]), **SIGMOID).tolist() == [0.0, 2000.0]


def test_falling_elastance_is_used_on_its_rising_side():
    """E1 0.02, E2 -1e-5: turns back at 1000 mL and 10 cmH2O, by hand."""
    law = {"elastance": 0.02, "volume_elastance": -1e-5}
    assert volume_dependent_volume(9.0, **law) < 1000.0
    with pytest.raises(InputError, match=r"volume 1000 mL cannot be held(.|\n)*Allowed: below 1000 mL"):
        volume_dependent_pressure(1000.0, **law)
    with pytest.raises(InputError, match=r"pressure 11 cmH2O is not reached(.|\n)*Allowed: below 10 cmH2O"):
        volume_dependent_volume([5.0, 11.0], **law)
    with pytest.raises(InputError, match=r"-10 cmH2O\.\n  Allowed: above -10 cmH2O"):
        volume_dependent_volume(-10.0, elastance=0.02, volume_elastance=1e-5)


# --- the same laws in the parts -------------------------------------------------------------------------------


def test_parts_follow_the_laws():
    """Volumes of a part are above those at no pressure; the laws agree to rounding."""
    volume = np.array([-100.0, 1.0, 400.0, 1500.0])
    relaxed = float(sigmoid_volume(0.0, **SIGMOID))
    wanted = sigmoid_pressure(volume[1:] + relaxed, **SIGMOID)
    assert Sigmoid().law().pressure(volume[1:]) == pytest.approx(wanted, rel=1e-9)
    assert Sigmoid().law().capacity == pytest.approx(2000.0 - relaxed, rel=1e-12)
    wanted = exponential_pressure(volume, **EXPONENTIAL)
    assert Exponential().law().pressure(volume) == pytest.approx(wanted, rel=1e-12)
    law = {"elastance": 0.02, "volume_elastance": 1e-5}
    wanted = volume_dependent_pressure(volume, **law)
    assert VolumeDependent().law().pressure(volume) == pytest.approx(wanted, rel=1e-12)


# --- refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: sigmoid_pressure(2000.0, **SIGMOID),
            r"volume 2000 mL cannot be held.*\n  Allowed: above 0 and bel",
        ),
        (lambda: sigmoid_pressure([5.0, 0.0], **SIGMOID), r"volume 0 mL cannot be held.*\n  Allowed: above 0 and"),
        (
            lambda: sigmoid_pressure(100.0, **SIGMOID, lower_asymptote=300.0),
            r"volume 100 mL cannot be held.*\n  Allowed: above 300 and below 2300 mL",
        ),
        (lambda: exponential_pressure(6000.0, **EXPONENTIAL), r"volume 6000 mL .*\n  Allowed: below 6000 mL"),
        (lambda: sigmoid_volume(5.0, **{**SIGMOID, "width": 0.0}), r"width 0 cmH2O .*\n  Allowed: above 0 cmH2O"),
        (
            lambda: sigmoid_volume(5.0, **{**SIGMOID, "vital_capacity": -1.0}),
            r"vital_capacity -1 mL is not allowed",
        ),
        (
            lambda: sigmoid_volume(5.0, **{**SIGMOID, "inflection": np.nan}),
            r"inflection nan cmH2O .*\n.*any finite",
        ),
        (lambda: sigmoid_volume([1.0, np.inf], **SIGMOID), r"pressure inf cmH2O is not allowed"),
        (lambda: sigmoid_volume("five", **SIGMOID), r"pressure 'five' is not a number"),
        (lambda: sigmoid_corners(15.0, width=True), r"width True is not allowed"),
        (lambda: exponential_volume(5.0, largest_volume=6000.0, rate=0.0), r"rate 0 1/cmH2O is not allowed"),
        (lambda: series_compliance(200.0, 0.0), r"chest_wall 0 mL/cmH2O is not allowed"),
        (
            lambda: overdistension_index(5000.0, elastance=0.02, volume_elastance=-1e-5),
            r"elastance fall to -0\.03 cmH2O/mL at 5000 mL\.\n  Allowed: above -4e-06",
        ),
    ],
)
def test_impossible_input(call, message):
    with pytest.raises(InputError, match=message):
        call()
