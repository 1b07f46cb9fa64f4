"""Laws of flow in tubes and through measured points: formulas, a library of fluid flow, and limits."""

import math

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from ventsim.errors import InputError
from ventsim.model.laws import (
    MeasuredCurve,
    PowerLaw,
    TubeFriction,
    friction_factor,
    reynolds_number,
    tube_inertance,
    tube_volume,
)
from ventsim.model.laws.tube_friction import AIR_DENSITY, AIR_VISCOSITY
from ventsim.model.parts import Tube


def tube_pressure_drop(flow, **options):
    """Loss of a smooth tube unless the options say otherwise. [cmH2O]"""
    return TubeFriction(**{"wall": "smooth", **options}).pressure_drop(flow)


def power_law_pressure_drop(flow, **options):
    """Loss by a power law. [cmH2O]"""
    return PowerLaw(**options).pressure_drop(flow)


def tabulated_pressure_drop(flow, *, flows, drops):
    """Loss by points. [cmH2O]"""
    return MeasuredCurve(flows=flows, pressure_drops=drops).pressure_drop(flow)


DENSITY, VISCOSITY = 1.2046, 18.206  # dry air of 20 °C in CoolProp 8.0.0 [kg/m³, µPa·s]
FLOWS = np.concatenate([[0.0], np.geomspace(1e-4, 5.0, 4001)])  # [L/s]
BORES = [2.5, 4.0, 6.0, 8.0, 10.0, 15.0, 22.0, 30.0]  # [mm]


def test_default_gas_is_air():
    """Dry air of 20 °C in CoolProp 8.0.0, to 0.1 %."""
    assert pytest.approx(DENSITY, rel=1e-3) == AIR_DENSITY
    assert pytest.approx(VISCOSITY, rel=1e-3) == AIR_VISCOSITY


@pytest.mark.parametrize(
    ("bore", "laminar", "turbulent"),
    [
        # Flow at Reynolds 2000 and 4000 in dry air of 20 °C [L/s], computed from Re = 4 ρ Q / (π D µ).
        (3.0, 0.071, 0.142),
        (8.0, 0.190, 0.380),
        (15.0, 0.356, 0.712),
        (22.0, 0.522, 1.045),
    ],
)
def test_reynolds_number(bore, laminar, turbulent):
    gas = {"density": DENSITY, "viscosity": VISCOSITY}
    assert reynolds_number([laminar, -turbulent], bore=bore, **gas) == pytest.approx([2000, 4000], rel=5e-3)


# --- friction -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reynolds", [1.0, 100.0, 1000.0, 2000.0])
def test_laminar_friction_against_a_library(reynolds):
    """fluids 1.3.1, 64/Re; limit 1e-12."""
    assert float(friction_factor(reynolds)) == pytest.approx(fluids.friction.friction_laminar(reynolds), rel=1e-12)


@pytest.mark.parametrize("reynolds", [4000.0, 1e4, 3e4, 1e5])
def test_turbulent_friction_against_a_library(reynolds):
    """fluids 1.3.1: Blasius' formula to 1e-3; its best formula for smooth pipes to 3 %, achieved 2.5 %."""
    ours = float(friction_factor(reynolds))
    assert ours == pytest.approx(fluids.friction.Blasius(reynolds), rel=1e-3)
    assert ours == pytest.approx(fluids.friction_factor(Re=reynolds), rel=0.03)


@given(reynolds=st.floats(2000.0, 4000.0))
def test_friction_of_the_transition_lies_between_both_formulas(reynolds):
    low, high = 64.0 / reynolds, 0.3164 / reynolds**0.25
    assert low * (1 - 1e-12) <= float(friction_factor(reynolds)) <= high * (1 + 1e-12)


@pytest.mark.parametrize("edge", [2000.0, 4000.0])
def test_friction_has_neither_jump_nor_corner(edge):
    """Slope and curvature of the drop over the Reynolds number agree before and behind the edges of the blend."""
    drop = friction_factor(edge + np.arange(-3.0, 4.0)) * (edge + np.arange(-3.0, 4.0)) ** 2
    slope = np.diff(drop)
    bend = np.diff(slope)
    assert slope == pytest.approx(slope[3], rel=1e-3)
    assert bend == pytest.approx(bend[2], abs=1e-4 * slope[3])


def test_corrugation_raises_turbulent_friction_alone():
    """By its factor from Reynolds 4000, not at all to 2000."""
    plain, corrugated = friction_factor([1000.0, 2e4]), friction_factor([1000.0, 2e4], corrugation_factor=3.0)
    assert corrugated / plain == pytest.approx([1.0, 3.0], rel=1e-12)


# --- pressure drop --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("loss_coefficient", [0.0, 1.5])
@pytest.mark.parametrize("factor", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("bore", BORES)
def test_pressure_drop_rises_over_the_whole_range(bore, factor, loss_coefficient):
    """0 to 5 L/s: strictly, from 0, with a finite slope above 0 at rest, which is Poiseuille's."""
    options = {"bore": bore, "length": 0.5, "wall": "corrugated", "corrugation_factor": factor}
    drop = tube_pressure_drop(FLOWS, **options, loss_coefficient=loss_coefficient)
    assert drop[0] == 0.0 and np.all(np.diff(drop) > 0.0)
    poiseuille = 128 * AIR_VISCOSITY * 1e-6 * 0.5 / (math.pi * (bore * 1e-3) ** 4) * 1e-3 / 98.0665
    at_rest = float(tube_pressure_drop(1e-9, **options, loss_coefficient=loss_coefficient)) / 1e-9
    assert at_rest == pytest.approx(poiseuille, rel=1e-5)


@pytest.mark.parametrize(
    ("bore", "length", "flow", "expected", "rtol"),
    [
        # Blasius' formula in smooth tubes with dry air of 20 °C, computed from 0.241434 ρ^0.75 µ^0.25 L
        # Q^1.75 D^-4.75.
        (22.0, 1.5, 2.0, 0.392, 2e-3),
        (15.0, 0.5, 1.0, 0.240, 2e-3),
        (8.0, 0.33, 1.0, 3.13, 2e-3),
        # At Reynolds 3830 the blend lies 1 % below the 0.117 cmH2O of the turbulent formula.
        (22.0, 1.5, 1.0, 0.117, 0.01),
        # Poiseuille: 0.0323 cmH2O·s/L for each metre of 22 mm, so 0.024 cmH2O at 30 L/min.
        (22.0, 1.5, 0.5, 0.0242, 2e-3),
    ],
)
def test_pressure_drop_values(bore, length, flow, expected, rtol):
    drop = tube_pressure_drop(flow, bore=bore, length=length, density=DENSITY, viscosity=VISCOSITY)
    assert float(drop) == pytest.approx(expected, rel=rtol)


@given(flow=st.floats(-5.0, 5.0), bore=st.floats(2.5, 30.0), length=st.floats(0.0, 3.0))
def test_pressure_drop_is_odd_and_grows_with_length(flow, bore, length):
    drop = float(tube_pressure_drop(flow, bore=bore, length=length))
    assert float(tube_pressure_drop(-flow, bore=bore, length=length)) == -drop
    double = float(tube_pressure_drop(flow, bore=bore, length=2 * length))
    assert double == pytest.approx(2 * drop, rel=1e-12)


def test_dynamic_heads_stand_alone_without_length():
    """K ρ/2 V²: 1.5 heads of 8 mm at 1 L/s, V = 19.894 m/s, 1.5 x 238.4 Pa = 3.646 cmH2O, by hand."""
    drop = tube_pressure_drop([1.0, 2.0], bore=8.0, length=0.0, density=DENSITY, loss_coefficient=1.5)
    assert drop == pytest.approx([3.646, 4 * 3.646], rel=1e-3)


def test_density_and_viscosity_scale_as_the_formulas_say():
    """Blasius: ρ^0.75 µ^0.25; Poiseuille: µ alone."""
    tube = {"bore": 8.0, "length": 0.33}
    for flow, powers in ((1.0, (0.75, 0.25)), (0.05, (0.0, 1.0))):
        plain = tube_pressure_drop(flow, **tube, density=1.2, viscosity=18.0)
        changed = tube_pressure_drop(flow, **tube, density=1.1, viscosity=19.0)
        expected = (1.1 / 1.2) ** powers[0] * (19.0 / 18.0) ** powers[1]
        assert float(changed / plain) == pytest.approx(expected, rel=1e-12)


def test_inertance_and_volume():
    """ρL/A: 0.0485 and 0.0806 cmH2O·s²/L; π D² L / 4: 16.6 mL for 8 mm x 0.33 m; computed."""
    assert tube_inertance(22.0, 1.5, density=DENSITY) == pytest.approx(0.0485, abs=5e-5)
    assert tube_inertance(8.0, 0.33, density=DENSITY) == pytest.approx(0.0806, abs=5e-5)
    assert tube_volume(8.0, 0.33) == pytest.approx(16.6, abs=0.05)


def test_law_of_a_part_is_the_function():
    options = {"bore": 8.0, "length": 0.3, "density": 1.2, "viscosity": 18.0, "loss_coefficient": 1.0}
    law = Tube(**options, wall="smooth").flow_law
    assert law.pressure_drop(FLOWS) == pytest.approx(tube_pressure_drop(FLOWS, **options), rel=1e-15)


# --- power law ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("exponent", [1.0, 1.5, 1.94, 2.0])
def test_power_law_meets_its_parabola(exponent):
    """The power itself from 0.05 L/s on; value and slope agree there, and the curve rises."""
    law = {"coefficient": 6.0, "exponent": exponent}
    above = FLOWS[FLOWS >= 0.05]
    assert power_law_pressure_drop(above, **law) == pytest.approx(6.0 * above**exponent, rel=1e-14)
    step = 1e-7
    drop = power_law_pressure_drop(0.05 + step * np.array([-1.0, 0.0, 1.0]), **law)
    assert drop[2] - drop[1] == pytest.approx(drop[1] - drop[0], rel=1e-4)
    assert np.all(np.diff(power_law_pressure_drop(FLOWS, **law)) > 0.0)


def test_power_law_slope_at_rest():
    """K q0^(n-1) (2 - n), by hand: 6 x 0.05^0.5 x 0.5 = 0.6708 cmH2O·s/L."""
    assert float(power_law_pressure_drop(1e-9, coefficient=6.0, exponent=1.5)) / 1e-9 == pytest.approx(
        0.6708, rel=1e-4
    )


# --- measured points ------------------------------------------------------------------------------------------

RISING = st.lists(st.floats(0.01, 1.0), min_size=2, max_size=12)


@pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")
@given(steps=RISING, rises=RISING)
def test_measured_law_rises_through_its_points(steps, rises):
    """Exact at the points, odd, and strictly rising between and beyond them."""
    n = min(len(steps), len(rises))
    flows, drops = np.cumsum(steps[:n]), np.cumsum(rises[:n])
    points = {"flows": tuple(flows), "drops": tuple(drops)}
    assert tabulated_pressure_drop(flows, **points) == pytest.approx(drops, rel=1e-12)
    assert tabulated_pressure_drop(-flows, **points) == pytest.approx(-drops, rel=1e-12)
    fine = np.linspace(0.0, 1.5 * flows[-1], 2001)
    assert np.all(np.diff(tabulated_pressure_drop(fine, **points)) > 0.0)


def test_measured_law_against_a_library():
    """SciPy's monotone cubic of the same family, between inner points of invented data."""
    flows, drops = np.array([0.2, 0.5, 0.9, 1.4, 2.0]), np.array([0.5, 2.0, 5.5, 9.0, 20.0])
    other = PchipInterpolator(np.r_[0.0, flows], np.r_[0.0, drops])
    inner = np.linspace(0.2, 1.4, 301)
    ours = tabulated_pressure_drop(inner, flows=tuple(flows), drops=tuple(drops))
    assert ours == pytest.approx(other(inner), rel=1e-12)


def test_measured_law_of_a_parabola():
    """Points of p = 3 q + 5 q²: between them right to 2 %, beyond them straight."""
    flows = np.arange(1, 9) / 4
    law = MeasuredCurve(flows=tuple(flows), pressure_drops=tuple(3 * flows + 5 * flows**2))
    q = np.linspace(0.05, 2.0, 100)
    assert law.pressure_drop(q) == pytest.approx(3 * q + 5 * q**2, rel=0.02)
    beyond = law.pressure_drop(np.array([2.0, 3.0, 4.0]))
    assert beyond[2] - beyond[1] == pytest.approx(beyond[1] - beyond[0], rel=1e-12)


# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: tube_pressure_drop(1.0, bore=0.0, length=1.0),
            r"^tube friction: bore 0 mm is not allowed\.\n  Allowed: above 0 mm; usual: 0\.5 to 60 mm\.$",
        ),
        (lambda: tube_pressure_drop(1.0, bore=22.0, length=-1.0), r"length -1 m is not allowed"),
        (
            lambda: tube_pressure_drop(1.0, bore=22.0, length=1.0, density=-1.0),
            r"density -1 kg/m³ is not allowed",
        ),
        (
            lambda: tube_pressure_drop(1.0, bore=22.0, length=1.0, wall="smoth"),
            r"wall 'smoth' is not one of the choices\.\n  Did you mean 'smooth'",
        ),
        (lambda: tube_pressure_drop(1.0, bore="22", length=1.0), r"bore '22' is not a number"),
        (
            lambda: tube_pressure_drop([1.0, math.nan], bore=22.0, length=1.0),
            r"tube friction: flow nan L/s is not allowed\.\n  Allowed: finite numbers",
        ),
        (lambda: reynolds_number("fast", bore=22.0), r"reynolds_number: flow 'fast' is not a number"),
        (
            lambda: power_law_pressure_drop(math.inf, coefficient=6.0, exponent=1.9),
            r"power: flow inf L/s",
        ),
        (lambda: friction_factor(0.0), r"friction_factor: reynolds 0 is not allowed\.\n  Allowed: above 0"),
        (lambda: friction_factor([1e4, math.nan]), r"reynolds nan is not allowed"),
        (lambda: friction_factor(1e4, corrugation_factor=0.9), r"corrugation_factor 0\.9 is not allowed"),
        (lambda: tube_inertance(math.inf, 1.0), r"tube_inertance: bore inf mm is not allowed"),
        (lambda: tube_volume(22.0, math.nan), r"tube_volume: length nan m is not allowed"),
        (
            lambda: power_law_pressure_drop(1.0, coefficient=6.0, exponent=2.1),
            r"exponent 2\.1 is not allowed",
        ),
        (
            lambda: tabulated_pressure_drop(1.0, flows=(1.0, 2.0), drops=(3.0, 2.0)),
            r"measured curve: pressure_drops fall from 3 to 2 cmH2O while flows rise from 1 to 2 L/s",
        ),
        (lambda: tabulated_pressure_drop(1.0, flows=(1.0,), drops=(3.0,)), r"needs more points than 1\."),
        (
            lambda: tabulated_pressure_drop(1.0, flows=(0.0, 1.0), drops=(0.0, 1.0)),
            r"flows 0 L/s is not allowed\.\n  Allowed: above 0",
        ),
    ],
)
def test_impossible_values(make, message):
    with pytest.raises(InputError, match=message):
        make()
