"""Parts: what they are made of, their defaults, and what they refuse or doubt."""

import copy
import math
import pickle
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic_core import PydanticUndefined

from ventsim.errors import (
    InputError,
    PartError,
    PlausibilityWarning,
    SolverError,
    VentsimError,
    nearest_names,
    suggestion,
)
from ventsim.parts import (
    PART_KINDS,
    Adapter,
    Description,
    Filter,
    Lung,
    OneWayValve,
    Part,
    Passage,
    Restrictor,
    Rohrer,
    Store,
    TPiece,
    Tube,
    YPiece,
    field_table,
)
from ventsim.parts.base import gas_stores, named
from ventsim.parts.quantity import quantity_of
from ventsim.ventilator import PressureControl, Ventilator, VolumeControl

ATMOSPHERE = 101325 / 98.0665  # standard atmosphere [cmH2O], exact by definition
DEFAULT_PARTS = [
    Lung(compliance=50.0, resistance=10.0),
    Tube(length=1.5),
    TPiece(),
    YPiece(),
    Adapter(),
    Adapter(outlets=3),
    OneWayValve(gas_volume=4.0),
    Restrictor(linear_resistance=10.0),
    Filter(),
]
DESCRIPTIONS = [*PART_KINDS.values(), Ventilator, PressureControl, VolumeControl]


def stored(part: Part) -> float:
    """Sum of the compliances of all stores of a part [mL/cmH2O]."""
    return sum(element.compliance for element in part.elements() if isinstance(element, Store))


def passages(part: Part) -> list[Passage]:
    return [element for element in part.elements() if isinstance(element, Passage)]


# --- elements -------------------------------------------------------------------------------------------------


@given(flow=st.floats(-5.0, 5.0), linear=st.floats(0.0, 100.0), quadratic=st.floats(0.0, 100.0))
def test_rohrer_is_odd(flow, linear, quadratic):
    law = Rohrer(linear, quadratic)
    assert law.pressure_drop(-flow) == -law.pressure_drop(flow)


def test_rohrer_value():
    """2 x 1.5 + 3 x 1.5² = 9.75, by hand."""
    assert Rohrer(2.0, 3.0).pressure_drop(1.5) == 9.75


def test_only_a_two_way_passage_without_resistance_is_ideal():
    nothing = Rohrer(0.0, 0.0)
    assert Passage("a", "b", nothing, nothing).is_ideal
    assert not Passage("a", "b", nothing, None).is_ideal
    assert not Passage("a", "b", nothing, Rohrer(1.0, 0.0)).is_ideal
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
    reached, edges = {part.ports[0]}, passages(part)
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
        Passage("airway", "alveoli", Rohrer(10.0, 0.0), Rohrer(15.0, 0.0)),
        Store("alveoli", 40.0),
    )
    assert lung.time_constant == pytest.approx(0.4, rel=1e-15)  # 10 cmH2O·s/L x 0.040 L/cmH2O


def test_expiratory_resistance_defaults_to_the_inspiratory_one():
    (airway,) = passages(Lung(compliance=40.0, resistance=10.0))
    assert airway.forward == airway.backward == Rohrer(10.0, 0.0)


def test_tube_stores_its_gas_and_its_wall_at_both_ends():
    """Gas: π/4 x 22² mm² x 1.5 m = 570.199 mL; wall: 0.3 mL/cmH2O for each metre."""
    tube = Tube(length=1.5)
    volume = math.pi / 4 * 22**2 * 1.5
    assert tube.contained_volume == pytest.approx(volume, rel=1e-15)
    assert tube.stored_compliance == pytest.approx(volume / ATMOSPHERE + 0.45, rel=1e-12)
    assert stored(tube) == pytest.approx(tube.stored_compliance, rel=1e-12)
    assert [store.at for store in tube.elements()[1:]] == ["inlet", "outlet"]


@pytest.mark.parametrize(
    ("flow", "expected", "rtol"),
    [
        # Blasius pressure drop of 1.5 m of smooth 22 mm tube, dry air 20 °C: 0.117 and 0.392 cmH2O, computed from
        # 0.241434 ρ^0.75 µ^0.25 L Q^1.75 D^-4.75. At 30 L/min, near the transition, the formula gives 0.035.
        (1.0, 0.117, 0.01),
        (2.0, 0.392, 0.01),
        (0.5, 0.035, 0.15),
    ],
)
def test_default_tube_resistance(flow, expected, rtol):
    assert Tube(length=1.5).pressure_law.pressure_drop(flow) == pytest.approx(expected, rel=rtol)


def test_tube_resistance_scales_with_length_and_bore():
    """Fourth power of the bore for the linear and fifth for the quadratic coefficient; both with length."""
    wide, narrow = Tube(length=1.0).pressure_law, Tube(length=3.0, bore=11.0).pressure_law
    assert narrow.linear == pytest.approx(3.0 * 2**4 * wide.linear, rel=1e-12)
    assert narrow.quadratic == pytest.approx(3.0 * 2**5 * wide.quadratic, rel=1e-12)


def test_wall_stretch_scales_with_the_gas_inside():
    """By length and the square of the bore, as documented; a given figure stands as it is."""
    wide, narrow = Tube(length=1.0), Tube(length=3.0, bore=11.0)
    assert narrow.wall_stretch / wide.wall_stretch == pytest.approx(3.0 / 4.0, rel=1e-12)
    assert narrow.contained_volume / wide.contained_volume == pytest.approx(3.0 / 4.0, rel=1e-12)
    assert Tube(length=3.0, wall_compliance=0.7, gas_volume=0.0).stored_compliance == 0.7


def test_a_given_resistance_replaces_both_default_ones():
    assert Tube(length=1.5, resistance=4.0).pressure_law == Rohrer(4.0, 0.0)
    assert Tube(length=1.5, quadratic_resistance=4.0).pressure_law == Rohrer(0.0, 4.0)
    assert Tube(length=1.5, resistance=0.0).elements()[0].is_ideal


def test_lumped_resistance_without_length_stores_nothing():
    assert Tube(length=0.0, resistance=8.0).elements() == (
        Passage("inlet", "outlet", Rohrer(8.0, 0.0), Rohrer(8.0, 0.0)),
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
        assert [passage.forward for passage in passages(part)] == [Rohrer(2.0, 0.0)] * (len(part.ports) - 1)


def test_adapter_names_its_outlets():
    assert Adapter().ports == ("inlet", "outlet")
    assert Adapter(outlets=3).ports == ("inlet", "outlet1", "outlet2", "outlet3")


def test_valve_is_shut_backwards_and_leaks_as_told():
    """Opening pressure and resistance as given; the leak in L/s."""
    (valve,) = passages(OneWayValve(opening_pressure=0.3, forward_resistance=1.5, back_leak=120.0))
    assert valve.is_one_way
    assert (valve.opening_pressure, valve.forward) == (0.3, Rohrer(1.5, 0.0))
    assert valve.leak_conductance == pytest.approx(0.002, rel=1e-15)  # 120 mL/min = 0.002 L/s


@pytest.mark.parametrize(
    ("part", "low", "high"),
    [
        (OneWayValve(), 0.5, 2.0),  # drop at 60 L/min, common practice, no source
        (Filter(), 1.0, 3.0),  # drop at 60 L/min, common practice, no source
    ],
    ids=["valve", "filter"],
)
def test_default_drop_at_60_litres_per_minute(part, low, high):
    (passage,) = passages(part)
    assert low <= passage.opening_pressure + passage.forward.pressure_drop(1.0) <= high


def test_default_filter_volume():
    """55 to 92 mL in six adult filters that exchange heat and moisture (abstract read; authors not shown)."""
    assert 55.0 <= Filter().gas_volume <= 92.0


def test_open_restrictor_is_a_plain_joint():
    assert Restrictor().elements()[0].is_ideal
    assert Restrictor(quadratic_resistance=5.0).elements()[0].forward == Rohrer(0.0, 5.0)


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
            r"compliance is missing(.|\n)*there is no 'complience'\.\n  Did you mean 'compliance'\?",
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
            lambda: Lung(compliance=50.0, resistance=5.0, relaxed_volume=-1.0),
            r"relaxed_volume -1 mL is not allowed",
        ),
        (lambda: Lung(compliance=50.0, resistance=5.0, body_weight=0.0), r"body_weight 0 kg is not allowed"),
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
            lambda: OneWayValve(forward_resistance=0.0),
            r"one-way valve: forward_resistance 0 cmH2O·s/L is not allo",
        ),
        (lambda: OneWayValve(opening_pressure=-0.1), r"opening_pressure -0\.1 cmH2O is not allowed"),
        (lambda: OneWayValve(back_leak=-1.0), r"back_leak -1 mL/min per cmH2O is not allowed"),
        (
            lambda: Restrictor(linear_resistance=-1.0),
            r"restrictor: linear_resistance -1 cmH2O·s/L is not allowed",
        ),
        (
            lambda: Filter(quadratic_resistance=-1.0),
            r"filter: quadratic_resistance -1 cmH2O·s²/L² is not allowed",
        ),
        (lambda: Lung.from_dict({"kind": "tube"}), r"lung: the kind is 'tube', not 'lung'"),
        (lambda: Lung.from_dict([1, 2]), r"lung: \[1, 2\] is not a mapping of names to values"),
    ],
)
def test_impossible_value(make, message):
    with pytest.raises(PartError, match=message):
        make()


def test_all_faults_are_told_at_once():
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


# --- what is doubted ------------------------------------------------------------------------------------------


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
            lambda: Lung(compliance=50.0, resistance=5.0, relaxed_volume=1.5),
            r"Did you mean 1500 \(1\.5 L\)\?",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=5.0, body_weight=3500.0),
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
        (lambda: OneWayValve(back_leak=5000.0), r"back_leak 5000 mL/min per cmH2O is outside 0 to 200"),
    ],
)
def test_implausible_value(make, message):
    with pytest.warns(PlausibilityWarning, match=message):
        make()


def test_doubt_points_at_the_callers_line():
    with pytest.warns(PlausibilityWarning, match="compliance") as caught:
        Lung(compliance=50.0, resistance=5.0).changed({"compliance": 0.05})
    assert caught[0].filename == __file__


@pytest.mark.parametrize("cls", DESCRIPTIONS, ids=lambda cls: cls.kind)
def test_defaults_are_plausible(cls):
    """No default of a field is outside the field's own limits."""
    for info in cls.model_fields.values():
        quantity, default = quantity_of(info), info.default
        if quantity is not None and default is not None and default is not PydanticUndefined:
            assert quantity.fault(default) == "" and quantity.doubt(default) == ""


@pytest.mark.parametrize("cls", DESCRIPTIONS, ids=lambda cls: cls.kind)
def test_every_number_has_unit_meaning_and_documentation(cls):
    for row in field_table(cls):
        assert row.meaning, f"{row.name} has no meaning"
        assert f"    {row.name}" in cls.__doc__ or f"{row.name}," in cls.__doc__, (
            f"{row.name} is not documented"
        )
        if row.unit:
            assert f"[{row.unit}]" in cls.__doc__, f"[{row.unit}] of {row.name} is not documented"


def test_field_table_rows():
    rows = {row.name: row for row in field_table(Lung)}
    assert list(rows) == [
        "compliance",
        "resistance",
        "expiratory_resistance",
        "relaxed_volume",
        "body_weight",
    ]
    assert (rows["relaxed_volume"].default, rows["relaxed_volume"].bounds) == ("1500.0", "at least 0")
    assert rows["expiratory_resistance"].unit == "cmH2O·s/L"  # found inside an optional type
    assert {row.name: row.bounds for row in field_table(PressureControl)}[
        "rise_shape"
    ] == "linear, exponential"


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


def numbers_of(cls: type[Description]) -> st.SearchStrategy[dict[str, float]]:
    """Plausible values for all numeric fields of a part."""
    fields = {name: quantity_of(info) for name, info in cls.model_fields.items()}
    return st.fixed_dictionaries(
        {
            name: st.integers(1, 64) if quantity.whole else st.floats(*quantity.plausible, exclude_min=True)
            for name, quantity in fields.items()
        }
    )


@settings(max_examples=20)
@given(data=st.data())
@pytest.mark.parametrize("cls", list(PART_KINDS.values()), ids=lambda cls: cls.kind)
def test_dump_and_read_back(cls, data):
    """Any plausible part survives the way through plain values, and its elements are possible ones."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        part = cls(**data.draw(numbers_of(cls)))
    assert part.model_dump()["kind"] == cls.kind
    assert PART_KINDS[cls.kind].from_dict(part.model_dump()) == part
    assert cls.model_validate(part.model_dump()) == part
    for element in part.elements():
        numbers = [element.compliance] if isinstance(element, Store) else [element.forward.linear]
        assert all(math.isfinite(number) and number >= 0.0 for number in numbers)


def test_classes_are_abstract_or_final():
    """Description, Part or BreathSettings, final class: no deeper, and what is final has no subclass."""
    for cls in DESCRIPTIONS:
        chain = cls.__mro__[: cls.__mro__.index(Description) + 1]
        assert len(chain) <= 3 and not cls.__subclasses__()
    with pytest.raises(TypeError, match="abstract"):
        Part()


# --- names ----------------------------------------------------------------------------------------------------


def test_nearest_names():
    assert nearest_names("Relaxed Volume", ["relaxed_volume", "resistance"]) == ["relaxed_volume"]
    assert len(nearest_names("lung", ["lung 1", "lung 2", "lung 3"], limit=2)) == 2
    assert nearest_names("xyz", ["compliance"]) == []
    assert suggestion("x", []) == "There is none to choose from."
