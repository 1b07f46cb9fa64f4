"""Laws of lungs that stiffen: published numbers, inverses, slopes, and what they refuse."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventsim.errors import InputError, PartError
from ventsim.model.laws import (
    ElasticSum,
    Exponential,
    Sigmoid,
    VolumeDependent,
    elastic_law,
    overdistension_index,
    series_compliance,
)

# The curves of which values were computed by hand from the published forms: b 2 L, c 15, d 5; Vmax 6 L, k 0.12.
SIGMOID = Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0)
EXPONENTIAL = Exponential(largest_volume=6000.0, pressure_rate=0.12)
VOLUME_DEPENDENT = VolumeDependent(elastance=0.02, volume_elastance=1e-5)


class Cubic:
    """A law of a user's own: 0.02 v + 1e-9 v³."""

    floor, capacity = -1e4, 1e4

    def pressure(self, volume):
        return 0.02 * volume + 1e-9 * volume**3


# --- values ---------------------------------------------------------------------------------------------------


def test_sigmoid_values():
    """b / (1 + exp(-(P - c) / d)) by hand, in litres to four digits: 0.2384, 0.5379, 1, 1.4621, 1.9051."""
    volume = SIGMOID.volume(np.array([5.0, 10.0, 15.0, 20.0, 30.0])) - SIGMOID.floor
    assert volume == pytest.approx([238.4, 537.9, 1000.0, 1462.1, 1905.1], abs=0.051)
    assert volume[0] == pytest.approx(2000.0 / (1.0 + np.e**2), rel=1e-13)
    assert SIGMOID.volume(0.0) == pytest.approx(0.0, abs=1e-12)  # counted from the relaxation volume
    assert SIGMOID.capacity == pytest.approx(2000.0 - 2000.0 / (1.0 + np.e**3), rel=1e-14)


def test_sigmoid_slope():
    """Highest compliance b / 4d = 100; 78.64 mL/cmH2O at 10 cmH2O, by hand."""
    assert SIGMOID.compliance(15.0) == pytest.approx(100.0, rel=1e-14)
    assert SIGMOID.compliance(10.0) == pytest.approx(78.64, abs=0.0051)


def test_exponential_values():
    """Vmax (1 - exp(-kP)) by hand, in litres: 2.7071, 4.1928, 5.4557, 5.8361; slope at 10: 0.21686."""
    volume = EXPONENTIAL.volume(np.array([5.0, 10.0, 20.0, 30.0]))
    assert volume == pytest.approx([2707.1, 4192.8, 5455.7, 5836.1], abs=0.051)
    assert EXPONENTIAL.compliance(10.0) == pytest.approx(216.86, abs=0.0051)
    assert EXPONENTIAL.compliance(0.0) == pytest.approx(720.0, rel=1e-14)  # k Vmax
    assert EXPONENTIAL.capacity == 6000.0


def test_volume_dependent_values():
    """(0.02 + 1e-5 x 500) x 500 = 12.5 and 5e-3 / 0.025 = 0.2, by hand; the curve turns back at -1000 mL."""
    assert VOLUME_DEPENDENT.pressure(500.0) == pytest.approx(12.5)
    assert VOLUME_DEPENDENT.floor == pytest.approx(-1000.0, rel=1e-14)
    assert overdistension_index(500.0, elastance=0.02, volume_elastance=1e-5) == pytest.approx(0.2)
    assert overdistension_index(500.0, elastance=0.02, volume_elastance=-1e-5) == pytest.approx(-1.0 / 3.0)


def test_series_of_lung_and_chest_wall():
    """200 and 200 in series are 100; a stiff chest wall decides (textbook rule, elastances add)."""
    assert series_compliance(200.0, 200.0) == pytest.approx(100.0, rel=1e-15)
    assert series_compliance(1e9, 40.0) == pytest.approx(40.0, rel=1e-6)


def test_bodies_of_one_volume_add_their_pressures():
    """By hand at 500 mL: 12.5 + 500/200, and a user's own law 10 + 0.125; the bounds are the narrowest."""
    both = VOLUME_DEPENDENT + 200.0
    assert isinstance(both, ElasticSum) and both.pressure(500.0) == pytest.approx(15.0, rel=1e-14)
    own = SIGMOID + Cubic()
    assert own.pressure(500.0) == pytest.approx(float(SIGMOID.pressure(500.0)) + 10.125, rel=1e-14)
    assert (own.floor, own.capacity) == (SIGMOID.floor, SIGMOID.capacity)
    assert own.terms is None and both.terms.linear == pytest.approx(0.025, rel=1e-14)
    assert (SIGMOID + EXPONENTIAL + 200.0).laws == (SIGMOID, EXPONENTIAL, elastic_law(200.0))
    assert ElasticSum(laws=(SIGMOID, 200)) == SIGMOID + 200.0
    assert (EXPONENTIAL + VOLUME_DEPENDENT).floor == pytest.approx(-1000.0, rel=1e-14)


def test_points_of_the_sigmoid():
    """The tangent at the inflection meets the asymptotes at c ± 2d; there the slope is b / 4d."""
    low, high = SIGMOID.corner_pressures
    assert (low, high) == (5.0, 25.0)
    assert 1000.0 + 100.0 * (low - 15.0) == 0.0 and 1000.0 + 100.0 * (high - 15.0) == 2000.0


def test_the_slope_changes_fastest_at_the_bending_points():
    """Second differences of the compliance on a fine grid, extreme within its spacing; 1.317 d from memory."""
    grid = np.linspace(0.0, 30.0, 30001)
    change = np.gradient(SIGMOID.compliance(grid), grid)
    low, high = SIGMOID.bending_pressures
    assert grid[np.argmax(change)] == pytest.approx(low, abs=1e-3)
    assert grid[np.argmin(change)] == pytest.approx(high, abs=1e-3)
    assert high - 15.0 == pytest.approx(1.317 * 5.0, rel=1e-4)


# --- inverses, slopes and limits ------------------------------------------------------------------------------

SIGMOIDS = st.builds(
    Sigmoid,
    vital_capacity=st.floats(10.0, 1e4),
    inflection_pressure=st.floats(-20.0, 60.0),
    width=st.floats(1.0, 40.0),
)


@given(share=st.floats(0.01, 0.99), law=SIGMOIDS)
def test_sigmoid_is_inverted(share, law):
    volume = law.floor + share * law.vital_capacity
    assert law.volume(law.pressure(volume)) == pytest.approx(volume, rel=1e-9, abs=1e-9 * law.vital_capacity)


@given(pressure=st.floats(-30.0, 80.0), largest=st.floats(10.0, 1e4), rate=st.floats(0.005, 0.3))
def test_exponential_is_inverted(pressure, largest, rate):
    law = Exponential(largest_volume=largest, pressure_rate=rate)
    # Near the largest volume digits are lost.
    assert law.pressure(law.volume(pressure)) == pytest.approx(pressure, abs=1e-4)


@given(volume=st.floats(0.0, 3000.0), elastance=st.floats(0.003, 1.0), gained=st.floats(0.0, 1e-3))
def test_volume_dependent_is_inverted(volume, elastance, gained):
    law = VolumeDependent(elastance=elastance, volume_elastance=gained)
    assert law.volume(law.pressure(volume)) == pytest.approx(volume, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("law", [SIGMOID + 200.0, EXPONENTIAL + VOLUME_DEPENDENT, elastic_law(Cubic())])
def test_any_other_law_is_inverted_by_bisection(law):
    for volume in (-90.0, 0.0, 250.0, 1500.0):
        assert law.volume(law.pressure(volume)) == pytest.approx(volume, rel=1e-9, abs=1e-9)


def test_compliances_are_the_slopes():
    """Central differences over 0.002 cmH2O; their error is of order 1e-7 of the slope."""
    for law in (SIGMOID, EXPONENTIAL):
        for pressure in (-5.0, 0.0, 12.0, 30.0):
            slope = np.diff(law.volume(np.array([pressure - 1e-3, pressure + 1e-3])))[0] / 2e-3
            assert law.compliance(pressure) == pytest.approx(slope, rel=1e-6)


def test_far_from_the_middle_nothing_overflows():
    """The asymptotes, at pressures where the exponential itself would overflow."""
    assert SIGMOID.volume(np.array([-1e5, 1e5])).tolist() == [SIGMOID.floor, SIGMOID.capacity]


@pytest.mark.parametrize("law", [SIGMOID, EXPONENTIAL, VOLUME_DEPENDENT, SIGMOID + 200.0])
def test_laws_rise_from_rest(law):
    low = max(law.floor, -500.0) if math.isfinite(law.floor) else -500.0
    pressure = law.pressure(np.linspace(low, min(law.capacity, 3000.0), 102)[1:-1])
    assert np.all(np.diff(pressure) > 0.0) and law.pressure(0.0) == pytest.approx(0.0, abs=1e-12)


# --- refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: SIGMOID.pressure(2000.0),
            r"sigmoid: volume 2000 mL cannot be held.*\n  Allowed: above -94\.8517 and below 1905\.15 mL",
        ),
        (lambda: SIGMOID.pressure([5.0, -94.86]), r"volume -94\.86 mL cannot be held.*\n  Allowed: above"),
        (lambda: EXPONENTIAL.pressure(6000.0), r"volume 6000 mL .*\n  Allowed: below 6000 mL"),
        (lambda: (SIGMOID + 200.0).pressure(2000.0), r"sum: volume 2000 mL .*\n  Allowed: above .* below 1905"),
        (
            lambda: VOLUME_DEPENDENT.volume(-10.0),
            r"pressure -10 cmH2O is not reached(.|\n)*above -10 cmH2O",
        ),
        (lambda: SIGMOID.changed(width=0.0), r"width 0 cmH2O .*\n  Allowed: at least 0\.2 and"),
        (lambda: SIGMOID.changed(width=True), r"width True is not a number"),
        (lambda: SIGMOID.changed(vital_capacity=-1.0), r"vital_capacity -1 mL is not allowed"),
        (lambda: SIGMOID.changed(inflection_pressure=np.nan), r"inflection_pressure nan cmH2O is not allowed"),
        (lambda: SIGMOID.volume([1.0, np.inf]), r"pressure inf cmH2O is not allowed"),
        (lambda: SIGMOID.volume("five"), r"pressure 'five' is not a number"),
        (lambda: EXPONENTIAL.changed(pressure_rate=0.0), r"pressure_rate 0 1/cmH2O is not allowed"),
        (lambda: series_compliance(200.0, 0.0), r"chest_wall 0 mL/cmH2O is not allowed"),
        (lambda: ElasticSum(laws=()), r"^sum: laws holds none\.\n  Give at least one, such as laws\.Sigmoid"),
        (lambda: SIGMOID + True, r"volume gained for each unit of pressure: True is not a number"),
        (
            lambda: ElasticSum(laws=(0, SIGMOID)),
            r"laws: number 1: .*: 0 mL/cmH2O is not allowed\.\n  Allowed: above 0",
        ),
        (
            lambda: SIGMOID + "stiff",
            r"'stiff' is neither a number nor a pressure-volume law\.\n  Give a number, or laws\.Sigmoid",
        ),
        (
            lambda: overdistension_index(5000.0, elastance=0.02, volume_elastance=-1e-5),
            r"elastance fall to -0\.03 cmH2O/mL at 5000 mL\.\n  Allowed: above -4e-06",
        ),
    ],
)
def test_impossible_input(call, message):
    with pytest.raises((InputError, PartError), match=message):
        call()
