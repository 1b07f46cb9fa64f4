"""Floor plans: lengths of tube by geometry, rounding to pieces, and the circuits that come of them.

Expected lengths are worked out by hand from the rules in the docstring of `FloorPlan`: slack times straight
distance, and the rise in addition for limbs.
"""

import copy
import itertools
import math
import pickle
import re
import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventsim.errors import CircuitError, PartError, PlausibilityWarning
from ventsim.model.circuit import connector_mismatches
from ventsim.model.layouts import FloorPlan, Layout, PatientLimbs, beds_around, beds_in_row, on_floor_plan, shared
from ventsim.model.layouts.floor_plan import joined_lengths
from ventsim.model.parts import Lung, Tube
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import PressureControl

LUNG = Lung(compliance=50.0, resistance=8.0)
SETTINGS = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
# Ventilator at the corner of a square of 3 m and 4 m: the diagonal is 5 m.
PLAN = FloorPlan(
    beds={"a": (3.0, 0.0), "b": (3.0, 4.0), "c": (0.0, 4.0)}, extra_length=1.0, height=0.5, stock_lengths=None
)


def lungs(names):
    return dict.fromkeys(names, LUNG)


def lengths(circuit, word):
    """Lengths of tubes by name, of those with a word in their name."""
    return {n: p.length for n, p in circuit.parts.items() if isinstance(p, Tube) and word in n.split()}


# --- lengths ------------------------------------------------------------------------------------------------


def test_star_goes_straight_to_each_bed():
    found = PLAN.tube_lengths("star")
    assert dict(found.limbs) == {"a": 3.5, "b": 5.5, "c": 4.5}
    assert dict(found.runs) == {}


def test_chain_goes_from_bed_to_bed():
    """Ventilator to a 3 m, a to b 4 m, b to c 3 m, the last as the limb of c."""
    found = PLAN.tube_lengths("chain")
    assert dict(found.runs) == {("a",): 3.0, ("b",): 4.0}
    assert dict(found.limbs) == {"a": 0.5, "b": 0.5, "c": 3.5}


def test_chain_follows_the_order_of_the_lungs():
    found = PLAN.tube_lengths("chain", lungs=("c", "b", "a"))
    assert dict(found.runs) == {("c",): 4.0, ("b",): 3.0}
    assert found.limbs["a"] == 4.5


def test_tree_puts_fittings_in_the_middle_of_their_beds():
    """The adapter of a and b stands at (3, 2), that is sqrt(13) m away and 2 m from each."""
    found = PLAN.tube_lengths("tree")
    assert found.runs == {("a", "b"): pytest.approx(math.sqrt(13.0), rel=1e-15)}
    assert dict(found.limbs) == {"a": 2.5, "b": 2.5, "c": 4.5}


def test_tree_of_eight_has_fittings_at_three_levels():
    """A row of eight, 1 m apart, the ventilator in its middle: means at -2, 2 and at -3, -1, 1, 3 m."""
    plan = beds_in_row("abcdefgh", spacing=1.0, distance=1.0).changed({"extra_length": 1.0, "stock_lengths": None})
    found = plan.tube_lengths("tree")
    assert found.runs["a", "b", "c", "d"] == pytest.approx(math.sqrt(5.0), rel=1e-15)
    assert {len(key): length for key, length in found.runs.items() if len(key) == 2} == {2: 1.0}
    assert set(found.limbs.values()) == {1.0}  # half a metre along the row, and the rise


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
def test_one_bed_is_reached_straight(arrangement):
    plan = FloorPlan(beds={"a": (3.0, 4.0)}, extra_length=1.1, height=0.25, stock_lengths=None)
    found = plan.tube_lengths(arrangement)
    assert found.limbs["a"] == pytest.approx(5.75, rel=1e-15)
    assert dict(found.runs) == {}


def test_a_fitting_where_the_one_before_it_stands_needs_no_tube():
    """Opposite beds: the middle of each pair is the ventilator's place."""
    plan = FloorPlan(beds={"a": (2.0, 0.0), "b": (-2.0, 0.0), "c": (0.0, 2.0), "d": (0.0, -2.0)})
    assert dict(plan.tube_lengths("tree").runs) == {}


def test_beds_in_a_row():
    row = beds_in_row("abc", spacing=2.0, distance=1.5)
    assert row.beds == {"a": (-2.0, 1.5), "b": (0.0, 1.5), "c": (2.0, 1.5)}
    assert row.ventilator == (0.0, 0.0)
    end = beds_in_row("abc", spacing=2.0, distance=1.5, ventilator_at="end")
    assert end.beds == {"a": (0.0, 1.5), "b": (2.0, 1.5), "c": (4.0, 1.5)}


@pytest.mark.parametrize("number", [1, 2, 3, 7])
def test_beds_around_the_ventilator(number):
    """Each at the radius; neighbours 2 r sin(pi/n) apart, the chord of a regular polygon."""
    plan = beds_around([f"bed {n}" for n in range(number)], radius=2.5)
    places = list(plan.beds.values())
    assert [math.hypot(*place) for place in places] == pytest.approx([2.5] * number, abs=1e-6)
    chords = [math.dist(one, other) for one, other in itertools.pairwise(places)]
    assert chords == pytest.approx([5.0 * math.sin(math.pi / number)] * (number - 1), abs=3e-6)


# --- pieces -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "pieces", "expected"),
    [
        # By hand: the least sum of pieces that reaches the length.
        (0.0, (1.5, 1.8), ()),
        (0.2, (1.5, 1.8), (1.5,)),
        (1.5, (1.5, 1.8), (1.5,)),
        (1.6, (1.5, 1.8), (1.8,)),
        (1.81, (1.5, 1.8), (1.5, 1.5)),
        (3.31, (1.5, 1.8), (1.8, 1.8)),
        (4.4, (1.5, 1.8), (1.5, 1.5, 1.5)),
        (3.0, (1.0, 1.5), (1.5, 1.5)),  # not three of 1 m
        (5.9, (2.0, 3.0), (3.0, 3.0)),  # not three of 2 m
        (1.2 * 1.25, (1.5,), (1.5,)),  # rounding of floats is not worth a piece
    ],
)
def test_least_tube_then_fewest_pieces(length, pieces, expected):
    assert joined_lengths(length, stock_lengths=pieces) == expected


@settings(max_examples=60, deadline=None)
@given(
    length=st.integers(1, 9000),
    pieces=st.lists(st.integers(700, 4000), min_size=1, max_size=3, unique=True),
)
def test_pieces_against_trying_all(length, pieces):
    """Every combination of up to 13 pieces, tried one by one (13 of 0.7 m are more than 9 m)."""
    found = [
        round(piece * 1000) for piece in joined_lengths(length / 1000, stock_lengths=[p / 1000 for p in pieces])
    ]
    counts = itertools.product(*(range(length // piece + 2) for piece in pieces))
    sums = [(sum(n * p for n, p in zip(c, pieces, strict=True)), sum(c)) for c in counts]
    assert (sum(found), len(found)) == min(item for item in sums if item[0] >= length)


def test_lengths_are_rounded_up_to_pieces():
    """5.5 m need 6 m of pieces of 1.5 m; 3 m of run need no more than that."""
    plan = PLAN.changed({"stock_lengths": (1.5,)})
    assert dict(plan.tube_lengths("star").limbs) == {"a": 4.5, "b": 6.0, "c": 4.5}
    assert dict(plan.tube_lengths("chain").runs) == {("a",): 3.0, ("b",): 4.5}


# --- circuits -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
def test_circuit_has_the_lengths_of_the_plan(arrangement):
    circuit = on_floor_plan(lungs("abc"), PLAN, arrangement=arrangement)
    expected = PLAN.tube_lengths(arrangement)
    for limb in ("inspiratory", "expiratory"):
        for name, length in expected.limbs.items():
            assert circuit.parts[f"{name} {limb} tube"].length == length
        assert [circuit.parts[f"{limb} extension {n}"].length for n in range(1, 1 + len(expected.runs))] == list(
            expected.runs.values()
        )
        assert len(lengths(circuit, limb)) == len(expected.limbs) + len(expected.runs)
    assert connector_mismatches(circuit) == ()


def test_bore_and_tracheal_tubes():
    circuit = on_floor_plan(lungs("abc"), PLAN, bore=15.0, tracheal_tubes={"a": 7.0, "c": 8.0})
    assert {part.bore for part in circuit.parts.values() if isinstance(part, Tube)} == {15.0}
    sizes = {n: p.inner_diameter for n, p in circuit.parts.items() if p.kind == "tracheal tube"}
    assert sizes == {"a tracheal tube": 7.0, "c tracheal tube": 8.0}
    same = on_floor_plan(lungs("abc"), PLAN, tracheal_tubes=7.5)
    assert {p.inner_diameter for p in same.parts.values() if p.kind == "tracheal tube"} == {7.5}
    assert ("a y-piece.patient", "a tracheal tube.inlet") in same.joints
    assert ("a tracheal tube.outlet", "a.airway") in same.joints


def test_branches_keep_all_but_their_lengths():
    wide = PatientLimbs(inspiratory_tube=Tube(length=9.0, bore=25.0))
    circuit = shared(
        lungs("abc"),
        arrangement="star",
        limbs=dict.fromkeys(lungs("abc"), PatientLimbs()) | {"b": wide},
        floor_plan=PLAN,
    )
    assert circuit.parts["b inspiratory tube"] == Tube(length=5.5, bore=25.0)
    assert circuit.parts["b expiratory tube"] == circuit.parts["a expiratory tube"].changed({"length": 5.5})


def test_layout_and_file_hold_the_plan():
    layout = Layout(lungs=lungs("abc"), floor_plan=PLAN, arrangement="chain")
    assert layout.circuit == shared(lungs("abc"), floor_plan=PLAN, arrangement="chain")
    for other in (Layout.from_dict(layout.model_dump()), copy.deepcopy(layout)):
        assert other == layout and hash(other) == hash(layout)
    assert pickle.loads(pickle.dumps(layout)) == layout
    for plan in (PLAN, beds_around("abc")):
        scenario = Scenario(title="t", circuit=layout.changed({"floor_plan": plan}), settings=SETTINGS)
        assert Scenario.from_toml(scenario.to_toml()) == scenario


FILE = """
title = "t"
[settings]
kind = "pressure control"
inspiratory_pressure = 15
rate = 15
ie_ratio = 0.5
[lungs.a]
compliance = 50
resistance = 10
"""


def test_plan_in_a_file():
    scenario = Scenario.from_toml(f"{FILE}[floor_plan]\nstock_lengths = [2]\n[floor_plan.beds]\na = [3, 4]\n")
    assert scenario.circuit.layout.floor_plan == FloorPlan(beds={"a": (3.0, 4.0)}, stock_lengths=(2.0,))
    # 1.2 times 5 m and the rise of 0.5 m are 6.5 m, in pieces of 2 m
    assert scenario.circuit.parts["a inspiratory tube"].length == 8.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[floor_plan]\n", r"f\.toml: floor_plan\.beds is missing"),
        ("[floor_plan.beds]\n", r"f\.toml: floor_plan\.beds: \{\} holds no bed\.\n  Give at least one"),
        ("[floor_plan.beds]\na = [1]\n", r"floor_plan\.beds: bed 'a': \[1\] is not a place on the floor"),
        ("[floor_plan.beds]\nb = [1, 1]\n", r"f\.toml: floor plan: there is no bed for lung 'a'\."),
        (
            "[floor_plan]\nextra_lenght = 2\n[floor_plan.beds]\na = [1, 1]\n",
            r"floor_plan\.extra_lenght: there is no such key here\.\n  Did you mean 'extra_length'",
        ),
        ("[extension.a]\nlength = 1\n", r"extension: there is none in the arrangement 'tree'"),
    ],
)
def test_wrong_plan_in_a_file(text, message):
    with pytest.raises(Exception, match=message) as caught:
        Scenario.from_toml(FILE + text, source="f.toml")
    assert type(caught.value).__name__ == "ScenarioError"


# --- what is refused ----------------------------------------------------------------------------------------

NAN, INF = math.nan, math.inf


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({}, r"floor plan: beds is missing"),
        ({"beds": {}}, r"floor plan: beds: \{\} holds no bed\.\n  Give at least one: \{'a': \(x, y\)\}"),
        ({"beds": 3}, r"3 holds no bed"),
        ({"beds": {"a": 3}}, r"bed 'a': 3 is not a place on the floor\.\n  Give \(x, y\)"),
        ({"beds": {"a": (1, 2, 3)}}, r"bed 'a': \(1, 2, 3\) is not a place"),
        ({"beds": {"a": (1, "2")}}, r"bed 'a': \(1, '2'\) is not a place"),
        ({"beds": {"a": (1, True)}}, r"bed 'a': \(1, True\) is not a place"),
        ({"beds": {"a": (NAN, 0)}}, r"bed 'a': coordinate nan m is not allowed\.\n  Allowed: at least -100"),
        ({"beds": {"a": (0, INF)}}, r"bed 'a': coordinate inf m is not allowed"),
        (
            {"beds": {"a": (300, 150)}},
            r"coordinate 300 m is not allowed\.\n  Did you mean 3 \(300 cm\)\? Allowed: at least -100",
        ),
        (
            {"beds": {"a": (1, 2), "b": (1, 3), "c": (1, 2.005)}},
            r"beds 'a' and 'c' stand at one place: \(1, 2\.005\) m\.\n  Give each bed a place of its own",
        ),
        ({"beds": {"a": (1, 2)}, "ventilator": (0, NAN)}, r"ventilator: coordinate nan m is not allowed"),
        (
            {"beds": {"a": (1, 2)}, "extra_length": 0.9},
            r"extra_length 0\.9 is not allowed\.\n  Allowed: at least 1",
        ),
        ({"beds": {"a": (1, 2)}, "height": -1}, r"height -1 m is not allowed"),
        (
            {"beds": {"a": (1, 2)}, "stock_lengths": ()},
            r"stock_lengths: 0 lengths are given\.\n  Give 1 to 10",
        ),
        (
            {"beds": {"a": (1, 2)}, "stock_lengths": 1.5},
            r"stock_lengths 1\.5 is not a list of numbers\.\n  Allowed: at least 0\.05",
        ),
        (
            {"beds": {"a": (1, 2)}, "stock_lengths": (1.5, 0)},
            r"stock_lengths 0 m is not allowed\.\n  Allowed: at least 0\.05 and at most 100 m",
        ),
        (
            {"beds": {"a": (1, 2)}, "stock_lengths": (1500,)},
            r"stock_lengths 1500 m is not allowed\.\n  Did you mean 1\.5 \(1500 mm\)",
        ),
        ({"beds": {"a": (1, 2)}, "stock_lengths": (NAN,)}, r"stock_lengths nan m is not allowed"),
        ({"beds": {"a": (1, 2)}, "bed": 1}, r"there is no 'bed'\.\n  Did you mean 'beds'"),
    ],
)
def test_impossible_plan(values, message):
    with pytest.raises(CircuitError, match=message):
        FloorPlan(**values)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: beds_in_row([]), r"holds no bed"),
        (lambda: beds_in_row(4), r"4 is not a list of names\.\n  Give the names of the lungs"),
        (lambda: beds_in_row("aba"), r"two beds are called 'a'\.\n  Give every bed"),
        (lambda: beds_in_row("ab", spacing=0.0), r"spacing 0 m is not allowed\.\n  Allowed: above 0"),
        (lambda: beds_in_row("ab", distance=NAN), r"distance nan m is not allowed"),
        (
            lambda: beds_in_row("ab", ventilator_at="mid"),
            r"ventilator_at 'mid' .*\n  Did you mean 'middle'",
        ),
        (lambda: beds_around("ab", radius=-1.0), r"radius -1 m is not allowed"),
        (lambda: PLAN.tube_lengths("sta"), r"no arrangement 'sta'\.\n  Did you mean 'star'"),
        (lambda: shared(lungs("ab"), floor_plan=PLAN), r"no lung lies in bed 'c'\.\n .*\n  Each bed has"),
        (lambda: shared(lungs("abcd"), floor_plan=PLAN), r"no bed for lung 'd'\.\n  Allowed: 'a', 'b', 'c'"),
        (lambda: shared(lungs("abc"), floor_plan=3), r"floor_plan 3 is not a FloorPlan\.\n  Give FloorPlan"),
        (
            lambda: shared(
                lungs("abc"), floor_plan=PLAN, limbs=PatientLimbs(expiratory_tube=Tube(length=1.0, resistance=3.0))
            ),
            r"limbs of lung 'a': expiratory_tube: resistance is given for the whole tube, .*\n  Leave out",
        ),
        (
            lambda: shared(
                lungs("abc"),
                arrangement="chain",
                floor_plan=PLAN,
                extension=Tube(length=1.0, gas_volume=3.0),
            ),
            r"extension: gas_volume is given for the whole tube",
        ),
        (
            lambda: shared(lungs("abc"), arrangement="chain", floor_plan=PLAN, extension={"b": Tube(length=1.0)}),
            r"extension: tubes by lung are given together with a floor plan",
        ),
        (
            lambda: on_floor_plan(lungs("abc"), PLAN, tracheal_tubes={"d": 8.0}),
            r"tracheal_tubes: there is no lung 'd'\.\n  Allowed: 'a', 'b', 'c'",
        ),
    ],
)
def test_impossible_beds(make, message):
    with pytest.raises(CircuitError, match=message):
        make()


def test_impossible_sizes():
    with pytest.raises(PartError, match=r"tube: bore -1 mm is not allowed"):
        on_floor_plan(lungs("abc"), PLAN, bore=-1.0)
    with pytest.raises(PartError, match=r"tracheal tube: inner_diameter 0 mm is not allowed"):
        on_floor_plan(lungs("abc"), PLAN, tracheal_tubes=0.0)


@pytest.mark.parametrize(
    ("arrangement", "messages"),
    [
        # 1.2 times the distance and 0.5 m of rise, cut to length; distances of the plan below, by hand.
        (
            "star",
            [
                r"floor plan: 12\.5 m of tube from the ventilator to bed 'a', which are 10 m apart; usual: up",
                r"floor plan: 14\.9 m of tube from the ventilator to bed 'b', which are 12 m apart",
                r"floor plan: 20\.9 m of tube from the ventilator to bed 'c', which are 17 m apart",
            ],
        ),
        ("chain", [r"floor plan: 12 m of tube from the ventilator to bed 'a', which are 10 m apart"]),
        (
            "tree",
            [
                r"floor plan: 20\.9 m of tube from the ventilator to bed 'c', which are 17 m apart",
                r"floor plan: 13\.2 m of tube from the ventilator to the middle of beds 'a', 'b', which are 11 m",
            ],
        ),
    ],
)
def test_long_tubes_are_told_in_words_of_the_plan(arrangement, messages):
    """With the distance and its ends, each once, and without a word of other units."""
    plan = FloorPlan(beds={"a": (10.0, 0.0), "b": (12.0, 0.0), "c": (17.0, 0.0)}, stock_lengths=None)
    with pytest.warns(PlausibilityWarning, match="of tube from") as caught:
        circuit = shared(lungs("abc"), arrangement=arrangement, floor_plan=plan)
    texts = [str(item.message) for item in caught]
    assert len(texts) == len(messages)
    for message, text in zip(messages, texts, strict=True):
        assert re.match(message, text)
        assert "Did you mean" not in text and "\n  Check the places (in m)" in text
    assert {item.filename for item in caught} == {__file__}
    # What the plan has warned of is not warned of again when parts or circuit are changed.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        long = max((part for part in circuit.parts.values() if isinstance(part, Tube)), key=lambda p: p.length)
        assert long.changed({"bore": 20.0}).length == long.length


def test_a_look_at_a_layout_warns_of_nothing():
    """What was warned of when it was made is not repeated by its text, which is shown often."""
    plan = FloorPlan(beds={"a": (30.0, 0.0)})
    with pytest.warns(PlausibilityWarning, match="of tube from"):
        layout = Layout(lungs={"a": LUNG}, floor_plan=plan)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "1 lung (a)" in repr(layout)
        assert "compliance 50 mL/cmH2O" in layout._repr_html_()


def test_a_long_tube_of_ones_own_may_be_a_slip():
    with pytest.warns(PlausibilityWarning, match=r"tube: length 40 m is outside 0 to 10\.\n  Did you mean 0\.4"):
        Tube(length=40.0)


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
def test_ways_have_the_distances_of_the_lengths(arrangement):
    """Lengths are ways times the slack, and for limbs the rise of the plan besides."""
    limbs, runs = PLAN.ways(arrangement)
    found = PLAN.tube_lengths(arrangement)
    assert {name: way.distance + PLAN.height for name, way in limbs.items()} == dict(found.limbs)
    assert {key: way.distance for key, way in runs.items()} == dict(found.runs)
    assert {way.end for way in limbs.values()} == {"bed 'a'", "bed 'b'", "bed 'c'"}
