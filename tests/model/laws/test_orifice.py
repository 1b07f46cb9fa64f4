"""Orifices: a table of losses, the inverse, and limits of the hole."""

import math

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventsim.errors import InputError
from ventsim.model.laws import Orifice, orifice_bore
from ventsim.model.parts import Restrictor


def orifice_coefficient(bore, **options):
    """Loss of a hole at 1 L/s. [cmH2O·s²/L²]"""
    return Orifice(bore=bore, **options).coefficients[1]


def orifice_pressure_drop(flow, *, bore, **options):
    """Loss of a hole. [cmH2O]"""
    return Orifice(bore=bore, **options).pressure_drop(flow)


AIR = 1.2046  # density of dry air of 20 °C in CoolProp 8.0.0 [kg/m³]

# Loss of a hole in a 22 mm tube in dry air of 20 °C [cmH2O] by bore [mm], at 10, 20, 30 and 60 L/min;
# computed with a discharge coefficient of 0.61 and with 0.5 (1 - s) + (1 - s)² heads. Holes of 2 mm at 60
# L/min are left out.
THIN = {
    2.0: (46.5, 186.0, 418.0),
    3.0: (9.17, 36.7, 82.6, 330.0),
    4.0: (2.90, 11.6, 26.1, 104.0),
    5.0: (1.19, 4.74, 10.7, 42.7),
    6.0: (0.57, 2.28, 5.13, 20.5),
    8.0: (0.18, 0.71, 1.60, 6.42),
}
THICK = {
    2.0: (25.6, 102.0, 230.0),
    3.0: (4.96, 19.9, 44.7, 179.0),
    4.0: (1.53, 6.13, 13.8, 55.2),
    5.0: (0.61, 2.43, 5.47, 21.9),
    6.0: (0.28, 1.13, 2.53, 10.1),
    8.0: (0.08, 0.32, 0.72, 2.89),
}
ROWS = [
    (edge, bore, flow, loss)
    for edge, table in (("thin", THIN), ("thick", THICK))
    for bore, losses in table.items()
    for flow, loss in zip((10.0, 20.0, 30.0, 60.0), losses, strict=False)
]


@pytest.mark.parametrize(("edge", "bore", "flow", "loss"), ROWS)
def test_table_of_losses(edge, bore, flow, loss):
    """Within the digits printed (0.5 % for three, 0.006 cmH2O for two decimals)."""
    ours = float(orifice_pressure_drop(flow / 60.0, bore=bore, edge=edge, density=AIR))
    assert ours == pytest.approx(loss, rel=5e-3, abs=6e-3)


def test_thin_edge_against_a_library():
    """fluids 1.3.1 in the form of ISO 5167 with the same coefficient, without expansibility; limit 1e-9."""
    mass_flow = fluids.flow_meter.flow_meter_discharge(
        D=0.022, Do=0.005, P1=101325.0 + 981.0, P2=101325.0, rho=AIR, C=0.61, expansibility=1.0
    )
    ours = float(orifice_pressure_drop(mass_flow / AIR * 1e3, bore=5.0, edge="thin", density=AIR))
    assert ours == pytest.approx(981.0 / 98.0665, rel=1e-9)


def test_heads_of_a_thick_edge_against_a_library():
    """fluids 1.3.1, sharp contraction and expansion 22 to 4 mm: 0.563 + 0.935 heads; ours 1.418 (6 % less)."""
    sum_of_heads = fluids.fittings.contraction_sharp(0.022, 0.004) + fluids.fittings.diffuser_sharp(0.004, 0.022)
    one_head = AIR / 2 * (1e-3 / (math.pi / 4 * 0.004**2)) ** 2 / 98.0665
    ours = orifice_coefficient(4.0, edge="thick", density=AIR) / one_head
    assert ours == pytest.approx(sum_of_heads, rel=0.07)


@pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")
@given(
    bore=st.floats(0.5, 21.9),
    flow=st.floats(0.05, 3.0),
    edge=st.sampled_from(["thin", "thick"]),
    coefficient=st.floats(0.5, 1.0),
)
def test_inverse_is_exact(bore, flow, edge, coefficient):
    """Bore to loss and back, to 1e-9."""
    options = {"edge": edge, "discharge_coefficient": coefficient, "density": 1.1}
    loss = float(orifice_pressure_drop(flow, bore=bore, **options))
    assert orifice_bore(loss, flow=flow, **options) == pytest.approx(bore, rel=1e-9)


@pytest.mark.parametrize("edge", ["thin", "thick"])
def test_a_hole_as_wide_as_the_tube_loses_nothing(edge):
    assert orifice_coefficient(22.0, edge=edge) == 0.0
    assert Restrictor(resistance=Orifice(bore=22.0, edge=edge)).elements()[0].is_ideal


@given(bore=st.floats(1.0, 20.0), edge=st.sampled_from(["thin", "thick"]))
def test_narrower_loses_more(bore, edge):
    assert orifice_coefficient(bore, edge=edge) > orifice_coefficient(bore * 1.05, edge=edge)


@pytest.mark.parametrize(
    ("nominal", "narrowest", "widest", "factor"),
    [
        # Printed holes under the microscope: D. J. Duke et al., 3D Print Med (2022), table 6. The factor is
        # that of the fourth power of the diameter, computed; ours differs a little because the tube is not
        # infinitely wide.
        (2.0, 1.38, 1.94, 4.4),
        (3.0, 2.24, 2.95, 3.2),
        (4.0, 3.48, 3.99, 1.75),
    ],
)
def test_true_bore_of_printed_holes(nominal, narrowest, widest, factor):
    drawn = Orifice(bore=nominal)
    tight = Orifice(bore=nominal, bore_deviation=narrowest - nominal)
    loose = Orifice(bore=nominal, bore_deviation=widest - nominal)
    assert tight.true_bore == pytest.approx(narrowest, rel=1e-12)
    assert tight.coefficients[1] / drawn.coefficients[1] == pytest.approx(factor, rel=0.03)
    assert 1.0 < loose.coefficients[1] / drawn.coefficients[1] < 1.15


def test_part_and_laws_have_one_default_edge():
    """Found for a wanted loss and put into a circuit, all by default: the hole loses what was wanted."""
    bore = orifice_bore(6.0, flow=0.5)
    assert Orifice(bore=bore).pressure_drop(0.5) == pytest.approx(6.0, rel=1e-12)
    assert orifice_coefficient(bore) == Orifice(bore=bore).coefficients[1]
    assert float(orifice_pressure_drop(0.5, bore=bore)) == pytest.approx(6.0, rel=1e-12)


def test_part_uses_the_law():
    law = Orifice(bore=4.0, tube_bore=15.0, edge="thin", density=1.1, discharge_coefficient=0.7)
    passage = Restrictor(resistance=law).elements()[0]
    assert passage.forward == passage.backward == law
    assert law.coefficients == (0.0, pytest.approx(float(law.pressure_drop(1.0)), rel=1e-15))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: orifice_coefficient(23.0),
            r"^orifice: bore 23 mm does not fit a tube_bore of 22 mm\.\n.*at most 22 mm",
        ),
        (lambda: orifice_pressure_drop(1.0, bore=-4.0), r"orifice: bore -4 mm is not allowed"),
        (
            lambda: orifice_coefficient(4.0, edge="sharp"),
            r"edge 'sharp' is not one of the choices\.\n  Allowed: 'thin', 'thick'",
        ),
        (
            lambda: orifice_coefficient(4.0, discharge_coefficient=1.2),
            r"discharge_coefficient 1\.2 is not allowed",
        ),
        (lambda: orifice_bore(0.0, flow=0.5), r"orifice_bore: pressure_drop 0 cmH2O is not allowed"),
        (lambda: orifice_bore(10.0, flow=-0.5), r"orifice_bore: flow -0\.5 L/s is not allowed"),
        (lambda: orifice_bore(10.0, flow=0.5, edge="round"), r"orifice_bore: there is no edge 'round'"),
    ],
)
def test_impossible_values(make, message):
    with pytest.raises(InputError, match=message):
        make()
