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
from ventsim.model.laws.tube_friction import AIR_DENSITY, AIR_VISCOSITY, CORRUGATED_FRICTION
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


def corrugated_by_hand(flow, *, bore, length, friction, heads):
    """Loss of a corrugated tube [cmH2O] in SI units: 128 µ L q / (π D⁴), and (F L/D + K) ρ/2 V²."""
    diameter, volume_flow = bore * 1e-3, flow * 1e-3
    velocity = volume_flow / (math.pi / 4 * diameter**2)
    laminar = 128 * AIR_VISCOSITY * 1e-6 * length * volume_flow / (math.pi * diameter**4)
    rough = (friction * length / diameter + heads) * AIR_DENSITY / 2 * velocity**2
    return (laminar + rough) / 98.0665


@pytest.mark.parametrize("bore", BORES)
@pytest.mark.parametrize("heads", [0.0, 1.5])
def test_corrugated_tube_by_hand(bore, heads):
    law = TubeFriction(bore=bore, length=0.7, wall="corrugated", corrugated_friction=0.1, loss_coefficient=heads)
    expected = corrugated_by_hand(FLOWS, bore=bore, length=0.7, friction=0.1, heads=heads)
    assert law.pressure_drop(FLOWS) == pytest.approx(expected, rel=1e-12)
    linear, quadratic = law.coefficients
    assert linear * FLOWS + quadratic * FLOWS**2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("friction", [0.03, 0.08, 0.12])
@pytest.mark.parametrize("bore", BORES)
def test_corrugated_friction_over_the_reynolds_number(bore, friction):
    """From 0.01 to 3 L/s: 64/Re + F, which falls all along and is twice F at Re 64/F."""
    reynolds = reynolds_number(np.geomspace(0.01, 3.0, 2001), bore=bore)
    found = friction_factor(reynolds, corrugated_friction=friction)
    assert found == pytest.approx(64.0 / reynolds + friction, rel=1e-14)
    assert np.all(np.diff(found) < 0.0)
    assert float(friction_factor(64.0 / friction, corrugated_friction=friction)) == pytest.approx(2 * friction)


def test_default_friction_of_a_corrugated_wall():
    """In the 0.07 to 0.12 of corrugated tubes (from memory, no source seen) from Reynolds 1600 to 100 000."""
    found = friction_factor(np.geomspace(1600.0, 1e5, 101), corrugated_friction=CORRUGATED_FRICTION)
    assert found.max() <= 0.12 * (1 + 1e-12) and found.min() >= 0.07


def local_exponents(law):
    """d ln Δp / d ln q between neighbouring flows of 0.01 to 3 L/s."""
    flows = np.geomspace(0.01, 3.0, 4001)
    return np.diff(np.log(law.pressure_drop(flows))) / np.diff(np.log(flows))


@pytest.mark.parametrize("bore", BORES)
@pytest.mark.parametrize("loss_coefficient", [0.0, 1.5])
def test_exponent_of_a_corrugated_tube_rises_from_one_to_two(bore, loss_coefficient):
    """Never above 2, by nothing but rounding: no blend is needed."""
    law = TubeFriction(bore=bore, length=1.5, wall="corrugated", loss_coefficient=loss_coefficient)
    exponents = local_exponents(law)
    assert exponents.min() >= 1.0 and exponents.max() <= 2.0 + 1e-9
    assert np.all(np.diff(exponents) > -1e-9)


@pytest.mark.parametrize("bore", BORES)
def test_exponent_of_a_smooth_straight_tube(bore):
    """1 and 1.75 by the formulas; between, as documented, at most 3.42, since friction rises fivefold."""
    exponents = local_exponents(TubeFriction(bore=bore, length=1.5))
    assert exponents.min() >= 1.0 - 1e-9 and exponents.max() <= 3.42


@pytest.mark.parametrize("bore", [2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0])
def test_exponent_of_a_tube_in_a_bend(bore):
    """Radius 140 mm: below 2 and above 0.8, as documented, so the loss always rises."""
    exponents = local_exponents(TubeFriction(bore=bore, length=0.2, curvature=1 / 0.14))
    assert exponents.min() > 0.8 and exponents.max() < 2.0


@pytest.mark.parametrize("relative_curvature", [0.0, 1e-4, 0.001, 0.01, 0.05])
def test_loss_rises_in_any_bend(relative_curvature):
    reynolds = np.geomspace(1.0, 1e5, 20001)
    friction = friction_factor(reynolds, relative_curvature=relative_curvature)
    assert np.all(np.diff(friction * reynolds**2) > 0.0)


@pytest.mark.parametrize(
    ("dean", "ratio"),
    [
        # Ito's 21.5 De / (1.56 + log10 De)^5.73, by hand with logarithms of five digits.
        (50.0, 1.2343),
        (100.0, 1.488),
        (200.0, 1.869),
    ],
)
def test_friction_in_a_bend_by_hand(dean, ratio):
    """At relative curvature 0.01 the Reynolds number is 10 De."""
    straight, bent = (float(friction_factor(10.0 * dean, relative_curvature=c)) for c in (0.0, 0.01))
    assert bent / straight == pytest.approx(ratio, rel=1e-3)


def test_friction_in_a_bend_against_another_formula():
    """White's formula in fluids 1.3.1, of other form, from De 27 to 200: within 4.1 % of Ito's, as found."""
    for reynolds in np.geomspace(270.0, 2000.0, 30):
        ours = float(friction_factor(reynolds, relative_curvature=0.01))
        other = fluids.friction.helical_laminar_fd_White(reynolds, Di=0.01, Dc=1.0)
        assert other == pytest.approx(ours, rel=0.041)


def test_a_bend_changes_neither_creeping_nor_turbulent_flow():
    """Dean numbers to 13.5, and Reynolds numbers from 4000."""
    reynolds = np.array([1.0, 134.0, 4000.0, 1e5])
    bent = friction_factor(reynolds, relative_curvature=0.01)
    assert bent == pytest.approx(friction_factor(reynolds), rel=1e-14)


# --- pressure drop --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("loss_coefficient", [0.0, 1.5])
@pytest.mark.parametrize("factor", [0.03, 0.08, 0.3])
@pytest.mark.parametrize("bore", BORES)
def test_pressure_drop_rises_over_the_whole_range(bore, factor, loss_coefficient):
    """0 to 5 L/s: strictly, from 0, with a finite slope above 0 at rest, which is Poiseuille's."""
    options = {"bore": bore, "length": 0.5, "wall": "corrugated", "corrugated_friction": factor}
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
        (lambda: friction_factor(1e4, corrugated_friction=0.0), r"corrugated_friction 0 is not allowed"),
        (
            lambda: friction_factor(1e4, relative_curvature=0.2),
            r"relative_curvature 0\.2 is not allowed\.\n  Allowed: at least 0 and at most 0\.05",
        ),
        (
            lambda: friction_factor(1e4, corrugated_friction=0.08, relative_curvature=0.01),
            r"friction_factor: relative_curvature is given for a corrugated wall",
        ),
        (
            lambda: tube_pressure_drop(1.0, bore=22.0, length=1.0, wall="corrugated", curvature=1.0),
            r"tube friction: curvature is given for a corrugated wall.*\n  Leave it out",
        ),
        (
            lambda: tube_pressure_drop(1.0, bore=22.0, length=1.0, curvature=7.0),
            r"relative_curvature 0\.077 is not allowed",
        ),
        (
            lambda: tube_pressure_drop(1.0, bore=8.0, length=1.0, curvature=-1.0),
            r"curvature -1 1/m is not allowed",
        ),
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
