"""Tracheal tubes: a computed table, measured losses, secretions, and laws from measured coefficients."""

import numpy as np
import pytest

from ventsim.errors import InputError
from ventsim.model.laws import (
    PowerLaw,
    Rohrer,
    TubeFriction,
    tracheal_tube_curvature,
    tracheal_tube_friction,
    tracheal_tube_length,
)
from ventsim.model.parts import Passage, Store, TrachealTube
from ventsim.model.parts.part import Inertia


def tracheal_tube_pressure_drop(flow, **options):
    """Loss of a tracheal tube. [cmH2O]"""
    return tracheal_tube_friction(**options).pressure_drop(flow)


GAS = {"density": 1.2046, "viscosity": 18.206}  # dry air of 20 °C in CoolProp 8.0.0

# Straight smooth tubes by Blasius' formula, without and with 1.5 dynamic heads [cmH2O] at 0.25, 0.5, 1 and
# 1.5 L/s; size [mm], length [m]; computed for dry air of 20 °C.
TABLE = [
    (6.0, 0.29, (0.95, 3.21, 10.79, 21.94), (1.67, 6.09, 22.32, 47.87)),
    (6.5, 0.30, (0.67, 2.27, 7.63, 15.52), (1.20, 4.36, 16.00, 34.35)),
    (7.0, 0.31, (0.49, 1.65, 5.55, 11.28), (0.88, 3.20, 11.77, 25.27)),
    (7.5, 0.31, (0.35, 1.19, 4.00, 8.13), (0.65, 2.37, 8.72, 18.75)),
    (8.0, 0.33, (0.28, 0.93, 3.13, 6.37), (0.50, 1.84, 6.78, 14.57)),
    (8.5, 0.33, (0.21, 0.70, 2.35, 4.77), (0.39, 1.41, 5.21, 11.21)),
    (9.0, 0.33, (0.16, 0.53, 1.79, 3.64), (0.30, 1.10, 4.07, 8.76)),
]


@pytest.mark.parametrize(("size", "length", "friction", "whole"), TABLE)
def test_table_of_losses(size, length, friction, whole):
    """From 0.5 L/s (Reynolds above 4000) within the digits printed."""
    assert tracheal_tube_length(size) == length
    flows = np.array([0.5, 1.0, 1.5])
    ours = tracheal_tube_pressure_drop(flows, inner_diameter=size, **GAS)
    assert ours == pytest.approx(whole[1:], rel=1e-3, abs=6e-3)
    bare = tracheal_tube_pressure_drop(flows, inner_diameter=size, loss_coefficient=0.0, **GAS)
    assert bare == pytest.approx(friction[1:], rel=1e-3, abs=6e-3)


@pytest.mark.parametrize(("size", "length", "friction", "whole"), TABLE)
def test_transition_lies_below_the_turbulent_formula(size, length, friction, whole):
    """A straight tube at 0.25 L/s, Reynolds 2340 to 3510: less than the turbulent table, by at most a quarter."""
    ours = float(tracheal_tube_pressure_drop(0.25, inner_diameter=size, length=length, curvature=0.0, **GAS))
    assert 0.75 * whole[0] < ours < whole[0]


@pytest.mark.parametrize(("size", "length", "friction", "whole"), TABLE)
def test_bent_tube_in_transition(size, length, friction, whole):
    """The default at 0.25 L/s: above a straight tube if bent, and within a quarter of the table."""
    straight, ours = (
        float(tracheal_tube_pressure_drop(0.25, inner_diameter=size, length=length, curvature=c, **GAS))
        for c in (0.0, None)
    )
    assert ours > straight if size <= 7.0 else ours == straight
    assert ours == pytest.approx(whole[0], rel=0.25)


@pytest.mark.parametrize(
    ("size", "measured", "difference"),
    [
        # Loss at 30 L/min [cmH2O]: K. Futagawa et al., BMC Anesthesiol (2017), DOI
        # 10.1186/s12871-017-0432-1 (abstract); whether it holds the slip joint is not clear there.
        # Difference of ours in per cent, as the docstring tells.
        (6.0, 6.64, -8),
        (6.5, 4.62, -6),
        (7.0, 3.43, -7),
        (7.5, 2.30, +3),
        (8.0, 1.82, +1),
    ],
)
def test_measured_losses(size, measured, difference):
    """Limit 25 % on any tube, written before the comparison; achieved 9 %."""
    ours = float(tracheal_tube_pressure_drop(0.5, inner_diameter=size))
    assert ours == pytest.approx(measured, rel=0.25)
    assert round(100 * (ours / measured - 1)) == difference


@pytest.mark.parametrize(
    ("size", "joint", "heads"),
    [(6.0, 2.25, 1.2), (6.5, 1.33, 0.95), (7.0, 0.88, 0.85), (7.5, 0.58, 0.74), (8.0, 0.37, 0.61)],
)
def test_heads_of_the_slip_joint(size, joint, heads):
    """The joint's part of the losses [cmH2O] (same source) in dynamic heads of the tube, as documented."""
    one = float(tracheal_tube_pressure_drop(0.5, inner_diameter=size, length=0.0, loss_coefficient=1.0))
    assert joint / one == pytest.approx(heads, abs=0.03)


def ito(dean):
    """Laminar friction in a bend over that in a straight tube, H. Ito (1959), from memory."""
    return 21.5 * dean / (1.56 + np.log10(dean)) ** 5.73


@pytest.mark.parametrize("size", [2.5, 3.0, 3.5, 4.0, 7.0])
def test_small_tubes_follow_ito(size):
    """Laminar flow in a bend of 140 mm, as in tubes of 2.5 to 7 mm (J Appl Physiol 87 (1999) 36-46), by hand."""
    length = tracheal_tube_length(size)
    for reynolds in (500.0, 1000.0, 2000.0):
        flow = reynolds * np.pi * size * 1e-3 * GAS["viscosity"] * 1e-6 / (4 * GAS["density"]) * 1e3
        poiseuille = 128e-6 * GAS["viscosity"] * length * flow * 1e-3 / (np.pi * (size * 1e-3) ** 4) / 98.0665
        ours = tracheal_tube_pressure_drop(flow, inner_diameter=size, loss_coefficient=0.0, **GAS)
        expected = poiseuille * ito(reynolds * np.sqrt(size / 280.0))
        assert float(ours) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("size", [2.5, 3.0, 3.5])
def test_smallest_tubes_hardly_know_two_regimes(size):
    """2.5 to 3.5 mm follow Ito's law alone (J Appl Physiol 87 (1999) 36-46): within 7 % of it to Reynolds 4000."""
    reynolds = np.linspace(500.0, 4000.0, 200)
    flows = reynolds * np.pi * size * 1e-3 * GAS["viscosity"] * 1e-6 / (4 * GAS["density"]) * 1e3
    ours = tracheal_tube_pressure_drop(flows, inner_diameter=size, loss_coefficient=0.0, **GAS)
    poiseuille = (
        TubeFriction(bore=size, length=tracheal_tube_length(size), **GAS).pressure_drop(1e-6) * flows / 1e-6
    )
    assert ours == pytest.approx(poiseuille * ito(reynolds * np.sqrt(size / 280.0)), rel=0.07)


@pytest.mark.parametrize("size", [4.0, 4.5, 5.0])
def test_a_quarter_shorter(size):
    """14 % less on average, and curvature without effect (Pediatr Anesth, April 2015, abstract).

    Flow and sizes are not in the abstract; here uncut tubes of children, Reynolds 4000 to 6000. Limit: 13 to 15 %.
    """
    flows = np.linspace(4000.0, 6000.0, 5) * np.pi * size * 1.821e-8 / (4 * 1.204) * 1e3
    length = tracheal_tube_length(size)
    whole, cut, straight = (
        tracheal_tube_pressure_drop(flows, inner_diameter=size, **options)
        for options in ({}, {"length": 0.75 * length}, {"curvature": 0.0})
    )
    assert np.all(np.abs(cut / whole - 0.86) < 0.01)
    assert whole == pytest.approx(straight, rel=1e-12)


def test_usual_curvature():
    """One over 0.14 m up to 7 mm, as the abstract of 1999 has them; adult tubes straight."""
    assert tracheal_tube_curvature(7.0) == pytest.approx(1 / 0.14, rel=1e-12)
    assert tracheal_tube_curvature(7.5) == 0.0
    assert TrachealTube(inner_diameter=8.0, curvature=5.0).inspiratory_law.curvature == 5.0
    with pytest.raises(InputError, match="inner_diameter 0 mm is not allowed"):
        tracheal_tube_curvature(0.0)


def test_secretions_raise_the_loss():
    """6.5 % of the diameter: x 1.38 by its power 4.75 of friction alone (computed), x 1.31 by 4 of heads alone."""
    clean, narrowed = (
        tracheal_tube_pressure_drop(1.0, inner_diameter=8.0, obstructed_fraction=n) for n in (0.0, 0.065)
    )
    assert 0.935**-4 < float(narrowed / clean) < 0.935**-4.75


def test_lengths_between_and_beyond_the_table():
    """Uncut 4 mm about 20 cm, 5 mm about 24 cm (from memory); between them half way; ends held."""
    assert (tracheal_tube_length(4.0), tracheal_tube_length(5.0)) == (0.20, 0.24)
    assert tracheal_tube_length(4.5) == pytest.approx(0.22, rel=1e-12)
    assert (tracheal_tube_length(2.0), tracheal_tube_length(10.0)) == (0.12, 0.33)
    with pytest.raises(InputError, match="inner_diameter 0 mm is not allowed"):
        tracheal_tube_length(0.0)


def test_impossible_values():
    with pytest.raises(
        InputError, match=r"obstructed_fraction 1 is not allowed\.\n  .*Allowed: at least 0 and below 1"
    ):
        tracheal_tube_pressure_drop(1.0, inner_diameter=8.0, obstructed_fraction=1.0)
    with pytest.raises(InputError, match=r"length -0\.3 m is not allowed"):
        tracheal_tube_pressure_drop(1.0, inner_diameter=8.0, length=-0.3)


# --- the part -------------------------------------------------------------------------------------------------


def test_part_uses_the_law_in_both_directions():
    """Fewer heads in expiration, where given; gas of the open bore at both ends."""
    tube = TrachealTube(inner_diameter=7.0, obstructed_fraction=0.1, expiratory_loss_coefficient=0.5)
    passage, *stores = tube.elements()
    flows = np.array([0.1, 0.5, 1.0])
    options = {"inner_diameter": 7.0, "obstructed_fraction": 0.1}
    assert passage.forward.pressure_drop(flows) == pytest.approx(
        tracheal_tube_pressure_drop(flows, **options), rel=1e-12
    )
    assert passage.backward.pressure_drop(flows) == pytest.approx(
        tracheal_tube_pressure_drop(flows, **options, loss_coefficient=0.5), rel=1e-12
    )
    volume = np.pi / 4 * 6.3**2 * 0.31
    assert tube.contained_volume == pytest.approx(volume, rel=1e-12)
    assert sum(store.compliance for store in stores) == pytest.approx(volume / (101325 / 98.0665), rel=1e-12)


def test_volume_of_an_8_mm_tube():
    """16.6 mL for 0.33 m, computed."""
    assert TrachealTube(inner_diameter=8.0).contained_volume == pytest.approx(16.6, abs=0.05)


def test_part_with_inertia():
    """0.0806 cmH2O·s²/L for 8 mm x 0.33 m in dry air of 20 °C, computed."""
    passage, inertia, *stores = TrachealTube(inner_diameter=8.0, inertia=True, density=1.2046).elements()
    assert isinstance(passage, Passage) and isinstance(inertia, Inertia)
    assert (passage.end, inertia.start, inertia.end) == ("middle", "middle", "outlet")
    assert inertia.inertance == pytest.approx(0.0806, abs=5e-5)
    assert all(isinstance(store, Store) for store in stores)


def test_part_with_measured_coefficients():
    """Invented coefficients: exactly as given, whatever the geometry."""
    rohrer = TrachealTube(inner_diameter=8.0, length=0.2, resistance=Rohrer(linear=0.7, quadratic=6.0))
    assert rohrer.inspiratory_law == rohrer.expiratory_law == Rohrer(linear=0.7, quadratic=6.0)
    inward, outward = PowerLaw(coefficient=6.5, exponent=1.9), PowerLaw(coefficient=5.5, exponent=1.8)
    power = TrachealTube(inner_diameter=8.0, resistance=inward, expiratory_resistance=outward)
    assert (power.inspiratory_law, power.expiratory_law) == (inward, outward)
    assert float(power.expiratory_law.pressure_drop(1.2)) == pytest.approx(5.5 * 1.2**1.8, rel=1e-12)


@pytest.mark.parametrize(("exponent", "coefficients"), [(1.0, (6.0, 0.0)), (2.0, (0.0, 6.0))])
def test_whole_exponents_need_no_table(exponent, coefficients):
    assert PowerLaw(coefficient=6.0, exponent=exponent).coefficients == coefficients
