"""Parts: what they are made of, their defaults, and what they refuse or warn of."""

import copy
import math
import pickle
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventsim.errors import (
    InputError,
    PartError,
    PlausibilityWarning,
    SolverError,
    VentsimError,
    nearest_names,
    suggestion,
)
from ventsim.model.descriptions import Description, named
from ventsim.model.field_table import field_table
from ventsim.model.laws import (
    AdjustableCurve,
    MeasuredCurve,
    Orifice,
    PowerLaw,
    Rohrer,
    Series,
    Sigmoid,
    TubeFriction,
)
from ventsim.model.laws.tube_friction import tube_inertance
from ventsim.model.parts import (
    PART_KINDS,
    Adapter,
    Cap,
    Filter,
    Leak,
    Lung,
    LungPart,
    OneWayValve,
    OpenEnd,
    Part,
    Passage,
    PeepValve,
    Region,
    Restrictor,
    Store,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
    heat_moisture_exchanger,
    heat_moisture_exchanger_names,
)
from ventsim.model.parts.part import Inertia, InLine, gas_stores
from ventsim.model.ventilator import PressureControl, Ventilator, VolumeControl
from ventsim.quantities import Quantity, quantity_of

ATMOSPHERE = 101325 / 98.0665  # standard atmosphere [cmH2O], exact by definition
DEFAULT_PARTS = [
    Lung(compliance=50.0, resistance=10.0),
    Lung(compliance=Sigmoid(vital_capacity=3500.0, inflection_pressure=12.0, width=9.0), resistance=10.0),
    Lung(regions=(Region(compliance=25.0, resistance=5.0),) * 2, resistance=5.0),
    Tube(length=1.5),
    Tube(length=1.5, inertia=True),
    TrachealTube(inner_diameter=8.0),
    TrachealTube(inner_diameter=8.0, inertia=True),
    TPiece(),
    YPiece(),
    Adapter(),
    Adapter(outlets=3),
    OneWayValve(gas_volume=4.0),
    OneWayValve(state="stuck open", gas_volume=4.0),
    PeepValve(gas_volume=4.0),
    Restrictor(resistance=10.0),
    Restrictor(resistance=Orifice(bore=5.0, tube_bore=40.0)),
    OneWayValve(resistance=MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(2.0, 7.0)), gas_volume=4.0),
    Restrictor(
        resistance=AdjustableCurve(
            openings=(1.0, 2.0), flows=(0.5, 1.0), pressure_drops=((2.0, 7.0), (1.0, 3.0)), opening=1.3
        )
    ),
    Filter(),
    Leak(resistance=100.0),
    OpenEnd(),
    Cap(),
]
DESCRIPTIONS = [*PART_KINDS.values(), Ventilator, PressureControl, VolumeControl]


def stored(part: Part) -> float:
    """Sum of the compliances of all stores of a part [mL/cmH2O]."""
    return sum(element.compliance for element in part.elements() if isinstance(element, Store))


def passages(part: Part) -> list[Passage]:
    return [element for element in part.elements() if isinstance(element, Passage)]


def drop(passage: Passage, flow: float) -> float:
    """Pressure lost forwards at a flow [cmH2O]."""
    return float(passage.opening_pressure + passage.forward.pressure_drop(flow))


# --- elements -------------------------------------------------------------------------------------------------


@given(flow=st.floats(-5.0, 5.0), linear=st.floats(0.0, 100.0), quadratic=st.floats(0.0, 100.0))
def test_rohrer_is_odd(flow, linear, quadratic):
    law = Rohrer(linear=linear, quadratic=quadratic)
    assert law.pressure_drop(-flow) == -law.pressure_drop(flow)


def test_rohrer_value():
    """2 x 1.5 + 3 x 1.5² = 9.75, by hand."""
    assert Rohrer(linear=2.0, quadratic=3.0).pressure_drop(1.5) == 9.75


def test_only_a_two_way_passage_without_resistance_is_ideal():
    nothing = Rohrer()
    assert Passage("a", "b", nothing, nothing).is_ideal
    assert not Passage("a", "b", nothing, None).is_ideal
    assert not Passage("a", "b", nothing, Rohrer(linear=1.0)).is_ideal
    assert Passage("a", "b", nothing, None).is_one_way


def test_gas_store_follows_boyle():
    """Isothermal gas in one litre: 0.96784 mL/cmH2O (1000 mL / 1033.23 cmH2O), shared by two points."""
    stores = gas_stores(1000.0, at=("inlet", "outlet"), wall_compliance=0.5)
    assert [store.at for store in stores] == ["inlet", "outlet"]
    assert sum(store.compliance for store in stores) == pytest.approx(1000.0 / ATMOSPHERE + 0.5, rel=1e-12)
    assert gas_stores(0.0, at=("inlet",)) == ()


# --- what the parts are made of -------------------------------------------------------------------------------


@pytest.mark.parametrize("part", DEFAULT_PARTS, ids=lambda part: part.kind)
def test_passages_connect_all_ports(part):
    """From the first port every other port is reached over passages; every store sits at a point of them."""
    reached = {part.ports[0]}
    edges = [element for element in part.elements() if isinstance(element, Passage | Inertia)]
    for _ in edges:
        for passage in edges:
            if reached & {passage.start, passage.end}:
                reached |= {passage.start, passage.end}
    assert set(part.ports) <= reached
    assert {element.at for element in part.elements() if isinstance(element, Store)} <= reached


def test_every_kind_has_a_default_part_here():
    assert {part.kind for part in DEFAULT_PARTS} == set(PART_KINDS)
    assert all(cls.kind == kind for kind, cls in PART_KINDS.items())


def test_lung_elements():
    lung = Lung(compliance=40.0, resistance=10.0, expiratory_resistance=15.0)
    assert lung.elements() == (
        Passage("airway", "alveoli", Rohrer(linear=10.0), Rohrer(linear=15.0)),
        Store("alveoli", 40.0, gas_volume=1500.0),
    )
    assert lung.time_constant == pytest.approx(0.4, rel=1e-15)  # 10 cmH2O·s/L x 0.040 L/cmH2O


def test_expiratory_resistance_defaults_to_the_inspiratory_one():
    (airway,) = passages(Lung(compliance=40.0, resistance=10.0))
    assert airway.forward == airway.backward == Rohrer(linear=10.0)


def test_tube_stores_its_gas_and_its_wall_at_both_ends():
    """Gas: π/4 x 22² mm² x 1.5 m = 570.199 mL; wall: 0.3 mL/cmH2O for each metre."""
    tube = Tube(length=1.5)
    volume = math.pi / 4 * 22**2 * 1.5
    assert tube.contained_volume == pytest.approx(volume, rel=1e-15)
    assert tube.stored_compliance == pytest.approx(volume / ATMOSPHERE + 0.45, rel=1e-12)
    assert stored(tube) == pytest.approx(tube.stored_compliance, rel=1e-12)
    assert [store.at for store in tube.elements()[1:]] == ["inlet", "outlet"]


@pytest.mark.parametrize(
    ("wall", "flow", "expected"),
    [
        # 1.5 m of smooth 22 mm tube in dry air of 20 °C by Blasius' formula: 0.392 cmH2O at 120 L/min, computed
        # from 0.241434 ρ^0.75 µ^0.25 L Q^1.75 D^-4.75.
        ("smooth", 2.0, 0.392),
        # Laminar at 15 L/min: 0.0323 cmH2O·s/L for each metre by Poiseuille's law.
        ("smooth", 0.25, 0.0323 * 1.5 * 0.25),
        # Corrugated, by hand: that, and 0.08 x 1.5/0.022 dynamic heads, 0.0425 cmH2O each at 1 L/s.
        ("corrugated", 0.25, 0.0323 * 1.5 * 0.25 + 5.4545 * 0.0425 / 16),
        ("corrugated", 2.0, 0.0323 * 1.5 * 2.0 + 5.4545 * 0.0425 * 4),
    ],
)
def test_tube_resistance_from_geometry(wall, flow, expected):
    law = Tube(length=1.5, wall=wall).flow_law
    assert float(law.pressure_drop(flow)) == pytest.approx(expected, rel=2e-3)


def test_default_tube_resistance_is_within_what_circuits_may_have():
    """Below 6 cmH2O at 60 L/min for a whole limb (common practice, no source), even in a chain of four beds."""
    chain = [Tube(length=1.5), *[Tube(length=2.0)] * 3]
    assert sum(drop(passages(tube)[0], 1.0) for tube in chain) < 6.0


def test_equal_tubes_share_one_law():
    """The engine makes one table for equal laws; laws of different gas are different."""
    first, second = Tube(length=1.5).flow_law, Tube(length=1.5, wall_compliance=1.0).flow_law
    assert isinstance(first, TubeFriction) and first == second and hash(first) == hash(second)
    assert Tube(length=1.5, density=1.3).flow_law != first


def test_tube_heads_are_added():
    """One dynamic head of 22 mm at 1 L/s: 0.5 x 1.204 x (0.001/3.8013e-4)² Pa = 0.0425 cmH2O, by hand."""
    with_bends, plain = Tube(length=1.5, loss_coefficient=3.0), Tube(length=1.5)
    difference = drop(passages(with_bends)[0], 1.0) - drop(passages(plain)[0], 1.0)
    assert difference == pytest.approx(3 * 0.0425, rel=2e-3)
    assert passages(Tube(length=0.0, loss_coefficient=3.0))[0].forward.coefficients == pytest.approx(
        (0.0, 0.1275), rel=2e-3
    )
    assert passages(Tube(length=0.0))[0].is_ideal


def test_inertia_stands_in_series_with_friction():
    tube = Tube(length=1.5, inertia=True)
    friction, inertia = tube.elements()[:2]
    assert (friction.start, friction.end, inertia.start, inertia.end) == ("inlet", "middle", "middle", "outlet")
    assert inertia.inertance == tube.inertance == tube_inertance(22.0, 1.5)
    assert Tube(length=1.5).inertance == 0.0
    assert not [e for e in Tube(length=0.0, inertia=True).elements() if isinstance(e, Inertia)]


def test_wall_stretch_scales_with_the_gas_inside():
    """By length and the square of the bore, as documented; a given figure stands as it is."""
    wide, narrow = Tube(length=1.0), Tube(length=3.0, bore=11.0)
    assert narrow.wall_stretch / wide.wall_stretch == pytest.approx(3.0 / 4.0, rel=1e-12)
    assert narrow.contained_volume / wide.contained_volume == pytest.approx(3.0 / 4.0, rel=1e-12)
    assert Tube(length=3.0, wall_compliance=0.7, gas_volume=0.0).stored_compliance == 0.7


def test_a_given_resistance_replaces_both_default_ones():
    assert Tube(length=1.5, resistance=4.0).flow_law == Rohrer(linear=4.0)
    assert Tube(length=1.5, resistance=Rohrer(quadratic=4.0)).flow_law == Rohrer(quadratic=4.0)
    assert Tube(length=1.5, resistance=0.0).elements()[0].is_ideal


def test_lumped_resistance_without_length_stores_nothing():
    assert Tube(length=0.0, resistance=8.0).elements() == (
        Passage("inlet", "outlet", Rohrer(linear=8.0), Rohrer(linear=8.0)),
    )


def test_adult_circuit_stores_what_was_measured():
    """Two limbs of 1.5 m and a Y-piece: within 1.47 to 2.52 mL/cmH2O measured on three adult circuits.

    Source: Respiratory Care 39(8), 1994 (abstract): 1.50 ± 0.08, 1.47 ± 0.06, 2.31 ± 0.06 rising to 2.52 ± 0.06.
    """
    circuit = 2 * stored(Tube(length=1.5)) + stored(YPiece())
    assert 1.47 <= circuit <= 2.52


@pytest.mark.parametrize(
    ("part", "volume", "points"),
    [
        (TPiece(gas_volume=20.0), 20.0, ["stem"]),
        (YPiece(gas_volume=10.0), 10.0, ["patient"]),
        (Adapter(gas_volume=6.0), 6.0, ["inlet", "outlet"]),
        (Adapter(outlets=2, gas_volume=6.0), 6.0, ["inlet"]),
        (OneWayValve(gas_volume=4.0), 4.0, ["inlet", "outlet"]),
        (Filter(gas_volume=70.0), 70.0, ["inlet", "outlet"]),
    ],
    ids=lambda value: getattr(value, "kind", None),
)
def test_fittings_store_by_compression(part, volume, points):
    stores = [element for element in part.elements() if isinstance(element, Store)]
    assert [store.at for store in stores] == points
    assert stored(part) == pytest.approx(volume / ATMOSPHERE, rel=1e-12)


@pytest.mark.parametrize("part", [TPiece(gas_volume=0.0), YPiece(gas_volume=0.0), Adapter(gas_volume=0.0)])
def test_fittings_without_gas_or_resistance_are_ideal(part):
    assert all(isinstance(element, Passage) and element.is_ideal for element in part.elements())


def test_leg_resistance_stands_in_every_leg():
    for part in (TPiece(resistance=2.0), Adapter(outlets=4, resistance=2.0)):
        assert [passage.forward for passage in passages(part)] == [Rohrer(linear=2.0)] * (len(part.ports) - 1)


def test_adapter_names_its_outlets():
    assert Adapter().ports == ("inlet", "outlet")
    assert Adapter(outlets=3).ports == ("inlet", "outlet1", "outlet2", "outlet3")


def test_valve_is_shut_backwards_and_leaks_as_given():
    """Opening pressure and resistance as given; the leak in L/s."""
    (valve,) = passages(OneWayValve(opening_pressure=0.3, resistance=1.5, back_leak=120.0))
    assert valve.is_one_way
    assert (valve.opening_pressure, valve.forward) == (0.3, Rohrer(linear=1.5))
    assert valve.leak_conductance == pytest.approx(0.002, rel=1e-15)  # 120 mL/min = 0.002 L/s


@pytest.mark.parametrize(
    ("part", "low", "high"),
    [
        (OneWayValve(), 0.5, 2.0),  # drop at 60 L/min, common practice, no source
        (Filter(), 1.0, 3.0),  # drop at 60 L/min, common practice, no source
        (heat_moisture_exchanger("adult, small"), 1.0, 3.0),
        (heat_moisture_exchanger("adult"), 1.0, 3.0),
        (heat_moisture_exchanger("adult, large"), 1.0, 3.0),
    ],
    ids=["valve", "filter", "small exchanger", "exchanger", "large exchanger"],
)
def test_default_drop_at_60_litres_per_minute(part, low, high):
    (passage,) = passages(part)
    assert low <= drop(passage, 1.0) <= high


def test_default_filter_volume():
    """55 to 92 mL in six adult filters that exchange heat and moisture (abstract read; authors not shown)."""
    assert 55.0 <= Filter().gas_volume <= 92.0


@pytest.mark.parametrize(
    ("name", "resistance", "volume"),
    [
        # Critical Care Research and Practice 2012, article 439267, table 1: first, eighth and last device.
        ("paediatric 1", 5.7, 26.0),
        ("paediatric 8", 13.6, 12.0),
        ("paediatric 10", 8.1, 12.0),
    ],
)
def test_measured_moisture_exchangers(name, resistance, volume):
    part = heat_moisture_exchanger(name)
    assert drop(passages(part)[0], 0.5) == pytest.approx(resistance * 0.5, rel=1e-12)
    assert stored(part) == pytest.approx(volume / ATMOSPHERE, rel=1e-12)


def test_every_moisture_exchanger_can_be_made():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert {heat_moisture_exchanger(name).kind for name in heat_moisture_exchanger_names()} == {"filter"}
    with pytest.raises(PartError, match=r"exchanger 'pediatric 3'\.\n  Did you mean 'paediatric 3'"):
        heat_moisture_exchanger("pediatric 3")


def test_state_of_a_valve():
    """Stuck open it resists both ways; missing it is a plain joint; stuck closed only its leak passes."""
    (working,) = passages(OneWayValve(back_leak=60.0))
    (stuck,) = passages(OneWayValve(state="stuck open"))
    (missing,) = passages(OneWayValve(state="missing"))
    (closed,) = passages(OneWayValve(state="stuck closed", back_leak=60.0))
    assert working.is_one_way and working.opening_pressure == 0.2
    assert stuck.forward == stuck.backward == Rohrer(linear=1.0) and stuck.opening_pressure == 0.0
    assert missing.is_ideal
    assert closed.is_one_way and closed.opening_pressure > 1000.0  # no ventilator gives as much
    assert closed.leak_conductance == working.leak_conductance == 0.001  # 60 mL/min per cmH2O


def test_valve_with_measured_points():
    """Invented points; the drop is lost beyond the opening pressure."""
    (valve,) = passages(
        OneWayValve(opening_pressure=0.3, resistance=MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(0.4, 1.1)))
    )
    assert drop(valve, 1.0) == pytest.approx(0.3 + 1.1, rel=1e-12)
    assert valve.is_one_way


def test_peep_valve_and_measured_curve():
    """A threshold with a small resistance; points that are met, and the same backwards unless one-way."""
    (spring,) = passages(PeepValve(opening_pressure=8.0, resistance=Rohrer(linear=2.0, quadratic=1.0)))
    assert spring.is_one_way and drop(spring, 0.5) == 8.0 + 1.0 + 0.25
    (gate,) = passages(
        Restrictor(resistance=MeasuredCurve(flows=(0.25, 0.5, 1.0), pressure_drops=(2.0, 7.0, 25.0)))
    )
    assert not gate.is_one_way and gate.forward == gate.backward
    assert [drop(gate, q) for q in (0.25, 0.5, 1.0)] == pytest.approx([2.0, 7.0, 25.0], rel=1e-12)


def test_open_restrictor_is_a_plain_joint():
    assert Restrictor().elements()[0].is_ideal
    assert Restrictor(resistance=Rohrer(quadratic=5.0)).elements()[0].forward == Rohrer(quadratic=5.0)


# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Lung(compliance=-50.0, resistance=5.0),
            r"lung: compliance -50 mL/cmH2O is not allowed\.\n  Allowed: above 0 mL/cmH2O; usual: 0\.2 to 300",
        ),
        (lambda: Lung(compliance=0, resistance=5.0), r"compliance 0 mL/cmH2O is not allowed"),
        (lambda: Lung(compliance=50.0, resistance=math.nan), r"resistance nan cmH2O·s/L is not allowed"),
        (lambda: Lung(compliance=math.inf, resistance=5.0), r"compliance inf mL/cmH2O is not allowed"),
        (lambda: Lung(compliance=10**400, resistance=5.0), r"compliance inf mL/cmH2O is not allowed"),
        (
            lambda: Lung(compliance="50", resistance=5.0),
            r"compliance '50' is not a number\.\n  Allowed: above 0",
        ),
        (lambda: Lung(compliance=True, resistance=5.0), r"compliance True is not a number"),
        (
            lambda: Lung(compliance=50.0),
            r"resistance is missing\.\n  Give resistance=\.\.\. in cmH2O·s/L, airway",
        ),
        (
            lambda: Lung(complience=50.0, resistance=5.0),
            r"^lung: there is no 'complience'\.\n  Did you mean 'compliance'\?$",  # and nothing is missing
        ),
        (
            lambda: Lung(complience=50.0),
            r"^lung: there is no 'complience'\.\n .*\nlung: resistance is missing\.\n  Give resistance=",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, colour="red"),
            r"there is no 'colour'\.\n  Allowed: 'c",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, expiratory_resistance=0.0),
            r"expiratory_resistance 0 cm",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, relaxation_volume=-1.0),
            r"relaxation_volume -1 mL is not allowed",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, predicted_body_weight=0.0),
            r"predicted_body_weight 0 kg is not allowed",
        ),
        (lambda: Tube(length=-1.0), r"tube: length -1 m is not allowed\.\n  Allowed: at least 0 m"),
        (lambda: Tube(length=1.0, bore=0.0), r"tube: bore 0 mm is not allowed"),
        (lambda: Tube(length=1.0, wall_compliance=-0.1), r"wall_compliance -0\.1 mL/cmH2O is not allowed"),
        (lambda: TPiece(gas_volume=-1.0), r"t-piece: gas_volume -1 mL is not allowed"),
        (lambda: YPiece(gas_volume=math.nan), r"y-piece: gas_volume nan mL is not allowed"),
        (
            lambda: Adapter(outlets=0),
            r"adapter: outlets 0 is not allowed\.\n  Allowed: whole number at least 1",
        ),
        (lambda: Adapter(outlets=65), r"adapter: outlets 65 is not allowed"),
        (lambda: Adapter(outlets=2.5), r"adapter: outlets 2\.5 is not allowed"),
        (
            lambda: OneWayValve(resistance=0.0),
            r"one-way valve: resistance 0 cmH2O·s/L is not allowed",
        ),
        (lambda: OneWayValve(opening_pressure=-0.1), r"opening_pressure -0\.1 cmH2O is not allowed"),
        (lambda: OneWayValve(back_leak=-1.0), r"back_leak -1 mL/min per cmH2O is not allowed"),
        (
            lambda: Restrictor(resistance=-1.0),
            r"restrictor: resistance -1 cmH2O·s/L is not allowed",
        ),
        (
            lambda: Filter(resistance=Rohrer(quadratic=-1.0)),
            r"rohrer: quadratic -1 cmH2O·s²/L² is not allowed",
        ),
        (lambda: TrachealTube(inner_diameter=0.0), r"tracheal tube: inner_diameter 0 mm is not allowed"),
        (
            lambda: TrachealTube(inner_diameter=8.0, obstructed_fraction=1.0),
            r"obstructed_fraction 1 is not",
        ),
        (
            lambda: PowerLaw(coefficient=6.0),
            r"power: exponent is missing\.\n  Give exponent",
        ),
        (
            lambda: TrachealTube(inner_diameter=8.0, resistance=PowerLaw(coefficient=6.0, exponent=2.5)),
            r"exponent 2\.5 is not allowed\.\n  Allowed: at least 1 and at most 2",
        ),
        (
            lambda: Orifice(bore=23.0),
            r"orifice: bore 23 mm does not fit a tube_bore of 22 mm\.\n  Allowed: together above 0 and at most",
        ),
        (lambda: Orifice(bore=2.0, bore_deviation=-3.0), r"bore 2 mm with bore_deviation -3 mm does not fit"),
        (lambda: Orifice(bore=5.0, edge="sharp"), r"edge 'sharp' is not one of the choices"),
        (lambda: Tube(length=1.0, wall="ribbed"), r"wall 'ribbed' is not one of the choices"),
        (lambda: Tube(length=1.0, corrugated_friction=-0.5), r"corrugated_friction -0\.5 is not allowed"),
        (lambda: Tube(length=1.0, density=0.0), r"density 0 kg/m³ is not allowed"),
        (lambda: PeepValve(resistance=0.0), r"peep valve: resistance 0 cmH2O·s/L is not allowed"),
        (lambda: OneWayValve(state="open"), r"state 'open' is not one of the choices\.\n  Did you mean 'stuck op"),
        (
            lambda: OneWayValve(resistance=MeasuredCurve(flows=(0.5, 1.0), pressure_drops=None)),
            r"pressure_drops None is not a list of numbers",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(0.5,), pressure_drops=(1.0,))),
            r"measured curve: a curve needs more points than 1\.\n  Give at least two besides rest",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(2.0, 1.5))),
            r"pressure_drops fall from 2 to 1\.5 cmH2O while flows rise from 0\.5 to 1 L/s\.\n  Allowed",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(2.0, 2.0))),
            r"pressure_drops stay from 2 to 2 cmH2O",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(1.0, 0.5), pressure_drops=(1.0, 2.0))),
            r"flows do not rise from 1 to 0\.5 L/s",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(0.0, 0.5), pressure_drops=(0.0, 2.0))),
            r"flows 0 L/s is not allowed",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows="0.5, 1", pressure_drops=(1.0, 2.0))),
            r"flows '0\.5, 1' is not a list of numbers",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(0.5, "a"), pressure_drops=(1.0, 2.0))),
            r"flows 'a' is not a number",
        ),
        (
            lambda: Tube(length=1.0, resistance=5.0, loss_coefficient=3.0),
            r"tube: loss_coefficient 3 would change nothing, because resistance is given\.\n  Leave it out, or",
        ),
        (
            lambda: Tube(length=1.0, resistance=5.0, corrugated_friction=0.2),
            r"corrugated_friction 0\.2 would change",
        ),
        *(
            (
                lambda name=name, value=value: TrachealTube(inner_diameter=7.0, resistance=5.0, **{name: value}),
                rf"tracheal tube: {name} {text} would change nothing, because resistance is given",
            )
            for name, value, text in (
                ("obstructed_fraction", 0.5, r"0\.5"),
                ("loss_coefficient", 3.0, "3"),
                ("expiratory_loss_coefficient", 4.0, "4"),
                ("curvature", 7.0, "7 1/m"),
            )
        ),
        (
            lambda: TrachealTube(inner_diameter=7.0, expiratory_resistance=5.0, expiratory_loss_coefficient=4.0),
            r"expiratory_loss_coefficient 4 would change nothing, because expiratory_resistance is given",
        ),
        (lambda: Rohrer(linear=5.0) + True, r"pressure drop for each unit of flow: True is not a number"),
        (lambda: -3 + Rohrer(linear=5.0), r"-3 cmH2O·s/L is not allowed\.\n  Allowed: at least 0 cmH2O·s/L"),
        (lambda: Series(laws=(Rohrer(linear=5.0), -3)), r"laws: number 2: .*: -3 cmH2O·s/L is not allowed"),
        (lambda: Rohrer(linear=5.0) + "3", r"'3' is neither a number nor a flow law\.\n  Give a number, or laws"),
        (lambda: Lung.from_dict({"kind": "tube"}), r"lung: the kind is 'tube', not 'lung'"),
        (lambda: Lung.from_dict([1, 2]), r"lung: \[1, 2\] is not a mapping of names to values"),
    ],
)
def test_impossible_value(make, message):
    with pytest.raises(PartError, match=message):
        make()


def test_number_in_series_is_a_linear_law():
    """2 + 3 cmH2O·s/L and 1 cmH2O·s²/L² lose 2.75 cmH2O at 0.5 L/s, by hand."""
    both = Series(laws=(Rohrer(linear=2.0, quadratic=1.0), 3))
    assert both.pressure_drop(0.5) == pytest.approx(2.75, rel=1e-14)
    assert both == Series(laws=(Rohrer(linear=2.0, quadratic=1.0), Rohrer(linear=3.0)))


def test_all_faults_are_named_at_once():
    with pytest.raises(PartError, match=r"compliance -1 (.|\n)*resistance -2 "):
        Lung(compliance=-1.0, resistance=-2.0)


def test_name_of_the_part_in_the_message():
    with pytest.raises(PartError, match=r"lung 'b': compliance -1"), named("b"):
        Lung(compliance=-1.0, resistance=5.0)


def test_error_hides_the_machinery():
    """The traceback of an impossible value has no chain behind it."""
    with pytest.raises(PartError, match="compliance") as caught:
        Lung(compliance=-1.0, resistance=5.0)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__


def test_kinds_of_errors():
    assert issubclass(PartError, InputError) and issubclass(InputError, ValueError)
    assert issubclass(SolverError, RuntimeError) and issubclass(SolverError, VentsimError)


# --- what is warned of ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Lung(compliance=0.05, resistance=5.0),
            r"^lung: compliance 0\.05 mL/cmH2O is outside 0\.2 to 300\.\n  Did you mean 50 \(0\.05 L/cmH2O\)\?$",
        ),
        (lambda: Lung(compliance=500.0, resistance=5.0), r"Did you mean 49 \(500 mL/kPa\)\?"),
        (lambda: Lung(compliance=5e-7, resistance=5.0), r"Did you mean 49 \(5e-07 m³/Pa\)\?"),
        (
            lambda: Lung(compliance=9999.0, resistance=5.0),
            r"outside 0\.2 to 300\.\n  Check the number and its unit",
        ),
        (lambda: Lung(compliance=50.0, resistance=0.45), r"Did you mean 4\.59 \(0\.45 kPa·s/L\)\?"),
        (lambda: Lung(compliance=50.0, resistance=490000.0), r"Did you mean 5 \(490000 Pa·s/m³\)\?"),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, relaxation_volume=1.5),
            r"Did you mean 1500 \(1\.5 L\)\?",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, predicted_body_weight=3500.0),
            r"Did you mean 3\.5 \(3500 g\)\?",
        ),
        (
            lambda: Tube(length=150.0),
            r"tube: length 150 m is outside 0 to 10\.\n  Did you mean 1\.5 \(150 cm\)\?",
        ),
        (lambda: Tube(length=1500.0), r"Did you mean 1\.5 \(1500 mm\)\?"),
        (lambda: Tube(length=1.5, bore=0.022), r"bore 0\.022 mm .*\n  Did you mean 22 \(0\.022 m\)\?"),
        (lambda: Tube(length=1.5, bore=2.2), r"Did you mean 22 \(2\.2 cm\)\?"),
        (lambda: OneWayValve(opening_pressure=20.0), r"Did you mean 0\.204 \(20 Pa\)\?"),
        (lambda: TrachealTube(inner_diameter=0.8), r"Did you mean 8 \(0\.8 cm\)\?"),
        (lambda: TrachealTube(inner_diameter=8.0, length=33.0), r"Did you mean 0\.33 \(33 cm\)\?"),
        (
            lambda: TrachealTube(inner_diameter=8.0, resistance=PowerLaw(coefficient=0.65, exponent=1.9)),
            r"coefficient 0\.65 .*\n  Did you mean 6\.63 \(0\.65 kPa·\(s/L\)ⁿ\)\?",
        ),
        (
            lambda: Restrictor(resistance=Rohrer(quadratic=9.0e10)),
            r"quadratic 9e\+10 cmH2O·s²/L² .*\n  Did you mean 918 \(9e\+10 Pa·s²/m⁶\)\?",
        ),
        (lambda: Orifice(bore=0.004), r"Did you mean 4 \(0\.004 m\)\?"),
        (lambda: Tube(length=1.0, viscosity=1.82e-5), r"Did you mean 18\.2 \(1\.82e-05 Pa·s\)\?"),
        (lambda: Tube(length=1.0, density=1204.0), r"Did you mean 1\.2 \(1204 g/m³\)\?"),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=(15.0, 30.0), pressure_drops=(1.0, 3.0))),
            r"measured curve: flows 15 L/s is outside 0\.001 to 5\.\n  Did you mean 0\.25 \(15 L/min\)\?",
        ),
        (lambda: PeepValve(opening_pressure=500.0), r"Did you mean 5\.1 \(500 Pa\)\?"),
        (lambda: OneWayValve(back_leak=5000.0), r"back_leak 5000 mL/min per cmH2O is outside 0 to 200"),
    ],
)
def test_implausible_value(make, message):
    with pytest.warns(PlausibilityWarning, match=message):
        make()


def test_warning_points_at_the_callers_line():
    with pytest.warns(PlausibilityWarning, match="compliance") as caught:
        Lung(compliance=50.0, resistance=5.0).changed({"compliance": 0.05})
    assert caught[0].filename == __file__


@pytest.mark.parametrize("cls", DESCRIPTIONS, ids=lambda cls: cls.kind)
def test_defaults_are_plausible(cls):
    """No default of a field is outside the field's own limits."""
    for info in cls.model_fields.values():
        quantity, default = quantity_of(info), info.default
        if quantity is not None and isinstance(default, int | float):
            assert quantity.fault(default) == "" and quantity.unlikely(default) == ""


@pytest.mark.parametrize("cls", DESCRIPTIONS, ids=lambda cls: cls.kind)
def test_every_number_has_unit_meaning_and_documentation(cls):
    for row in field_table(cls):
        assert row.meaning, f"{row.name} has no meaning"
        assert f"\n{row.name} : " in cls.__doc__, f"{row.name} is not documented"
        if row.unit:
            assert f"[{row.unit}]" in cls.__doc__, f"[{row.unit}] of {row.name} is not documented"


def test_field_table_rows():
    rows = {row.name: row for row in field_table(Lung)}
    assert list(rows) == [
        "compliance",
        "resistance",
        "expiratory_resistance",
        "chest_wall_compliance",
        "regions",
        "collateral_resistance",
        "effort",
        "relaxation_volume",
        "predicted_body_weight",
        "includes_tracheal_tube",
    ]
    assert (rows["relaxation_volume"].default, rows["relaxation_volume"].bounds) == ("1500.0", "at least 0")
    assert rows["expiratory_resistance"].unit == "cmH2O·s/L"  # found inside an optional type
    assert {row.name: row.bounds for row in field_table(PressureControl)}["rise_shape"] == "linear, exponential"


# --- frozen values --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", DEFAULT_PARTS, ids=lambda part: part.kind)
def test_parts_cannot_be_edited(part):
    for name in type(part).model_fields:
        with pytest.raises(PartError, match=rf"{name} cannot be set; .*\n  Make a new one: \.changed"):
            setattr(part, name, 1.0)
        with pytest.raises(PartError, match=rf"{name} cannot be deleted"):
            delattr(part, name)


def test_changed_makes_a_new_checked_part():
    lung = Lung(compliance=50.0, resistance=5.0)
    assert lung.changed({"compliance": 30.0}) == Lung(compliance=30.0, resistance=5.0)
    assert lung.compliance == 50.0
    with pytest.raises(PartError, match="there is no 'complience'"):
        lung.changed({"complience": 30.0})
    with pytest.raises(PartError, match="compliance 0 mL/cmH2O"):
        lung.changed({"compliance": 0.0})


def test_what_stays_is_not_warned_of_again():
    with pytest.warns(PlausibilityWarning, match="compliance 0.05"):
        lung = Lung(compliance=0.05, resistance=5.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert lung.changed({"resistance": 6.0}).compliance == 0.05
    with pytest.warns(PlausibilityWarning, match="compliance 0.06"):
        lung.changed({"compliance": 0.06})


@pytest.mark.parametrize("part", DEFAULT_PARTS, ids=lambda part: part.kind)
def test_copies_are_equal_and_hash_alike(part):
    for other in (
        copy.deepcopy(part),
        pickle.loads(pickle.dumps(part)),
        type(part).from_dict(part.model_dump()),
    ):
        assert other == part and hash(other) == hash(part)


def test_numbers_of_numpy_are_numbers():
    lung = Lung(compliance=np.float32(50.0), resistance=np.int64(5))
    assert type(lung.compliance) is float and lung == Lung(compliance=50, resistance=5)


# Fields that are checked against others, and so cannot be drawn one by one.
LINKED = {
    Lung: {"compliance", "chest_wall_compliance", "collateral_resistance"},
    Tube: {"resistance"},
    TrachealTube: {"resistance", "expiratory_resistance", "curvature"},
}


def numbers_of(part: Part) -> st.SearchStrategy[dict[str, float]]:
    """Plausible values for the numeric fields of a part that stand alone."""
    linked = LINKED.get(type(part), ())
    fields = {name: quantity_of(info) for name, info in type(part).model_fields.items() if name not in linked}
    return st.fixed_dictionaries({name: _plausible(quantity) for name, quantity in fields.items() if quantity})


def _plausible(quantity: Quantity) -> st.SearchStrategy[float]:
    if quantity.whole:
        return st.integers(1, 64)
    # A resistance that cannot be distinguished from none is refused by a leak.
    return st.floats(*quantity.plausible).filter(lambda value: abs(value) > 1e-6)


@settings(max_examples=20)
@given(data=st.data())
@pytest.mark.parametrize("default", DEFAULT_PARTS, ids=lambda part: part.kind)
def test_dump_and_read_back(default, data):
    """Any plausible part survives the way through plain values, and its elements are possible ones."""
    cls = type(default)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        part = default.changed(data.draw(numbers_of(default)))
    assert part.model_dump()["kind"] == cls.kind
    assert PART_KINDS[cls.kind].from_dict(part.model_dump()) == part
    assert cls.model_validate(part.model_dump()) == part
    numbers = [element.compliance for element in part.elements() if isinstance(element, Store)]
    numbers += [drop(passage, flow) for passage in passages(part) for flow in (0.0, 1e-3, 1.0)]
    assert all(math.isfinite(number) and number >= 0.0 for number in numbers)


def test_classes_are_abstract_or_final():
    """Description, Part or BreathSettings, a base of some parts, final class; no final one is a base."""
    for cls in DESCRIPTIONS:
        chain = cls.__mro__[: cls.__mro__.index(Description) + 1]
        assert len(chain) <= 3 + issubclass(cls, InLine | LungPart) and not cls.__subclasses__()
    with pytest.raises(PartError, match=r"^Part is what others have in common\.\n  Make one of those"):
        Part()


# --- names ----------------------------------------------------------------------------------------------------


def test_nearest_names():
    assert nearest_names("Relaxed Volume", ["relaxation_volume", "resistance"]) == ["relaxation_volume"]
    assert len(nearest_names("lung", ["lung 1", "lung 2", "lung 3"], limit=2)) == 2
    assert nearest_names("xyz", ["compliance"]) == []
    assert suggestion("x", []) == "There is none to choose from."
