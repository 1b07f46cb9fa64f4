"""Circuits: what is refused, what is doubted about one-way valves, and the graph."""

import copy
import json
import pickle
import tomllib
import warnings

import networkx as nx
import pytest
import tomli_w

from ventsim import layouts
from ventsim.errors import CircuitError, CircuitWarning, PartError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import FrozenMapping
from ventsim.model.parts import Adapter, Lung, OneWayValve, Restrictor, TPiece, Tube, YPiece
from ventsim.model.ventilator import Ventilator

LUNG = Lung(compliance=50.0, resistance=5.0)
TUBE = Tube(length=1.5)
VALVE = OneWayValve()


def single_parts(**more):
    return {"in": TUBE, "y": YPiece(), "a": LUNG, "out": TUBE, **more}


SINGLE_JOINTS = (
    ("ventilator.inspiratory", "in.inlet"),
    ("in.outlet", "y.inspiratory"),
    ("y.patient", "a.airway"),
    ("y.expiratory", "out.inlet"),
    ("out.outlet", "ventilator.expiratory"),
)


def single_circuit():
    return Circuit(parts=single_parts(), joints=SINGLE_JOINTS)


def joined(replaced, *extra):
    """The joints of the single circuit, some replaced by number, and further ones."""
    return [replaced.get(number, joint) for number, joint in enumerate(SINGLE_JOINTS)] + list(extra)


def two_lungs(reversed_valves=(), valves=("in a", "in b", "out a", "out b")):
    """Two lungs behind T-pieces, with one-way valves at the T-pieces, some of them the wrong way round."""
    parts = {"tee in": TPiece(), "tee out": TPiece()}
    joints = [("ventilator.inspiratory", "tee in.stem"), ("tee out.stem", "ventilator.expiratory")]
    for lung, leg in (("a", "left"), ("b", "right")):
        parts |= {f"y {lung}": YPiece(), lung: LUNG}
        joints.append((f"y {lung}.patient", f"{lung}.airway"))
        ways = (
            ("in", f"tee in.{leg}", f"y {lung}.inspiratory"),
            ("out", f"y {lung}.expiratory", f"tee out.{leg}"),
        )
        for limb, start, end in ways:
            name = f"{limb} {lung}"
            parts[name] = VALVE if name in valves else TUBE
            first, second = ("outlet", "inlet") if name in reversed_valves else ("inlet", "outlet")
            joints += [(start, f"{name}.{first}"), (f"{name}.{second}", end)]
    return Circuit(parts=parts, joints=joints)


# --- complete circuits ----------------------------------------------------------------------------------------


def test_single_circuit():
    circuit = single_circuit()
    assert list(circuit.parts) == ["in", "y", "a", "out"]
    assert circuit.lungs == {"a": LUNG}
    assert circuit.ventilator == Ventilator()
    assert circuit.joints == SINGLE_JOINTS


def test_order_of_a_joint_does_not_matter_to_the_checks():
    backwards = [(end, start) for start, end in SINGLE_JOINTS]
    assert list(Circuit(parts=single_parts(), joints=backwards).lungs) == ["a"]


def test_graph():
    """One node for each port and inner point and two for the ventilator; one edge for each passage and joint."""
    graph = single_circuit().graph()
    assert graph.number_of_nodes() == 2 + 2 + 3 + 2 + 2
    assert graph.number_of_edges() == (1 + 2 + 1 + 1) + len(SINGLE_JOINTS)
    ((_, _, tube),) = graph.out_edges("in.inlet", data=True)
    assert (tube["part"], tube["kind"], tube["passage"]) == ("in", "tube", TUBE.elements()[0])
    assert graph.nodes["a.alveoli"]["part"] == "a"
    assert nx.has_path(graph, "ventilator.inspiratory", "a.alveoli")


def test_from_pairs_equals_the_plain_constructor():
    pairs = list(single_parts().items())
    machine = Ventilator(source_resistance=1.0)
    circuit = Circuit.from_pairs(pairs, joints=SINGLE_JOINTS, ventilator=machine)
    assert circuit == Circuit(parts=single_parts(), joints=SINGLE_JOINTS, ventilator=machine)
    assert Circuit.from_pairs(pairs, joints=SINGLE_JOINTS).ventilator == Ventilator()


def test_circuits_are_values():
    circuit = single_circuit()
    for other in (single_circuit(), copy.deepcopy(circuit), pickle.loads(pickle.dumps(circuit))):
        assert other == circuit and hash(other) == hash(circuit)
    assert circuit != circuit.changed({"ventilator": Ventilator(source_resistance=1.0)})
    with pytest.raises(CircuitError, match="joints cannot be set"):
        circuit.joints = ()
    with pytest.raises(TypeError, match="does not support item assignment"):
        circuit.parts["a"] = LUNG


def test_parts_do_not_follow_the_dictionary_they_came_from():
    parts = single_parts()
    circuit = Circuit(parts=parts, joints=SINGLE_JOINTS)
    parts["a"] = Lung(compliance=20.0, resistance=5.0)
    assert circuit.lungs["a"] == LUNG


def test_plain_values_and_back():
    """Through model_dump, JSON and TOML, which cannot hold None."""
    circuit = single_circuit()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert Circuit.from_dict(circuit.model_dump()) == circuit
        assert Circuit.from_dict(json.loads(circuit.model_dump_json())) == circuit
        text = tomli_w.dumps(circuit.model_dump(exclude_none=True))
        assert Circuit.from_dict(tomllib.loads(text)) == circuit


def test_frozen_parts_equal_any_mapping():
    parts = FrozenMapping(single_parts())
    assert parts == single_parts() and len(parts) == 4
    assert hash(parts) == hash(FrozenMapping(dict(reversed(single_parts().items()))))


# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "joints", "message"),
    [
        ({}, [], r"the circuit has no parts"),
        ({"t": TUBE}, [], r"the circuit has no lung\.\n  Add a Lung"),
        ([("a", LUNG)], [], r"is not a mapping of names to parts\.\n  Give .*from_pairs"),
        ({"": LUNG}, [], r"'' cannot be the name of a part\.\n  Allowed: any text that is not empty"),
        ({"a.b": LUNG}, [], r"'a\.b' cannot be the name of a part"),
        ({"ventilator": LUNG}, [], r"'ventilator' cannot be the name of a part"),
        ({3: LUNG}, [], r"3 cannot be the name of a part: it is no text\.\n  Write '3'"),
        ({None: LUNG}, [], r"None cannot be the name of a part\.\n  Allowed: any text"),
        ({"a": 3}, [], r"part 'a': 3 is not a part"),
        ({"a": {"compliance": 50.0}}, [], r"part 'a': kind is missing\.\n  Allowed: .*'lung'"),
        ({"a": {"kind": "lnug"}}, [], r"part 'a': there is no kind 'lnug'\.\n  Did you mean 'lung'"),
        (single_parts(), "in.outlet", r"'in\.outlet' is not a list of joints"),
        (single_parts(), ["in.outlet"], r"joint 'in\.outlet' is not a pair of ends\.\n  Write \('y"),
        (single_parts(), [("in.outlet", 3)], r"is not a pair of ends"),
        (
            single_parts(),
            joined({1: ("inn.outlet", "y.inspiratory")}),
            r"there is no part 'inn'\.\n  Did you mean 'in'",
        ),
        (
            single_parts(),
            joined({1: ("in.outlt", "y.inspiratory")}),
            r"'in' has no port 'outlt'\.\n  Did you mean 'outlet'",
        ),
        (
            single_parts(),
            joined({1: ("in", "y.inspiratory")}),
            r"'in' needs a port\.\n  Allowed: 'inlet', 'outlet'",
        ),
        (single_parts(), joined({0: ("ventilator.in", "in.inlet")}), r"'ventilator' has no port 'in'"),
        (single_parts(), joined({1: ("in.outlet", "in.outlet")}), r"joins a port to itself"),
        (
            single_parts(),
            joined({4: ("y.patient", "ventilator.expiratory")}),
            r"port 'y\.patient' is used twice: in joint \('y\.patient', 'a\.airway'\) and in .*\n  .* TPiece",
        ),
        (
            single_parts(),
            SINGLE_JOINTS[:-1],
            r"2 ports are not joined to anything: 'ventilator\.expiratory', 'out\.outlet'",
        ),
        (
            single_parts(b=LUNG),
            SINGLE_JOINTS,
            r"1 port is not joined to anything: 'b\.airway'\.\n  Every port needs",
        ),
        (
            single_parts(b=LUNG, c=LUNG),
            joined({}, ("b.airway", "c.airway")),
            r"lung 'b' is not connected: nothing reaches its airway from the ventilator's inspiratory port\.\n"
            r"  Parts connected to that port: 'a', 'in', 'out', 'ventilator', 'y'\.\n  Join a tube",
        ),
        (
            {"a": LUNG, "b": LUNG},
            [("ventilator.inspiratory", "a.airway"), ("ventilator.expiratory", "b.airway")],
            r"lung 'a' cannot breathe out: no way leads from it to the ventilator's expiratory port\.\n"
            r"  Parts connected to that port: 'b', 'ventilator'",
        ),
        (
            single_parts(ring=TUBE),
            joined({}, ("ring.inlet", "ring.outlet")),
            r"tube 'ring' is not connected to the ventilator\.\n  Connected parts: 'a', .*\n  Join it",
        ),
    ],
)
def test_incomplete_circuit(parts, joints, message):
    with pytest.raises(CircuitError, match=message):
        Circuit(parts=parts, joints=joints)


def test_two_parts_of_one_name():
    with pytest.raises(CircuitError, match=r"two parts are called 'a': a lung and a tube\.\n  Give every part"):
        Circuit.from_pairs([("a", LUNG), ("a", TUBE)], joints=[])


def test_wrong_ventilator():
    with pytest.raises(
        CircuitError, match=r"circuit: ventilator 3 is not a Ventilator\.\n  Give Ventilator\(\.\.\.\)"
    ):
        Circuit(parts=single_parts(), joints=SINGLE_JOINTS, ventilator=3)


def test_faults_and_doubts_in_a_file_name_the_part():
    data = single_circuit().model_dump()
    data["parts"]["a"]["compliance"] = -1.0
    with pytest.raises(PartError, match=r"lung 'a': compliance -1 mL/cmH2O is not allowed"):
        Circuit.from_dict(data)
    data["parts"]["a"]["compliance"] = 0.05
    with pytest.warns(PlausibilityWarning, match=r"lung 'a': compliance 0\.05 mL/cmH2O is outside"):
        Circuit.from_dict(data)


# --- exchanged parts ------------------------------------------------------------------------------------------


def test_parts_are_exchanged_at_their_joints():
    circuit, stiff = single_circuit(), Lung(compliance=20.0, resistance=5.0)
    other = circuit.with_parts({"a": stiff, "in": Tube(length=3.0)})
    assert other == Circuit(parts=single_parts() | {"a": stiff, "in": Tube(length=3.0)}, joints=SINGLE_JOINTS)
    assert list(other.parts) == list(circuit.parts)
    assert circuit == single_circuit()
    assert circuit.with_parts({}) == circuit
    assert circuit.with_parts({"out": VALVE}).parts["out"] == VALVE  # another kind with the same ports


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"b": LUNG}, r"there is no part 'b' to exchange\.\n  Allowed: 'in', 'y', 'a', 'out'"),
        ({"oot": TUBE}, r"there is no part 'oot' to exchange\.\n  Did you mean 'out'"),
        ({"a": 3}, r"part 'a': 3 is not a part\.\n  Give a part"),
        (
            {"in": YPiece()},
            r"part 'in': the y-piece has the ports 'inspiratory', .*; the tube in whose place it comes has "
            r"'inlet', 'outlet'\.\n  Take a part with these ports, or give joints too",
        ),
        ([("a", LUNG)], r"with_parts takes one mapping .*\n  Write \.with_parts\(\{'name': \.\.\.\}\)"),
    ],
)
def test_impossible_exchange(parts, message):
    with pytest.raises(CircuitError, match=message):
        single_circuit().with_parts(parts)


def test_exchanged_parts_by_name_of_the_argument():
    assert single_circuit().with_parts(parts={"a": LUNG}) == single_circuit()


def test_an_exchanged_valve_that_points_wrong_is_told():
    circuit = two_lungs(valves=("in a",)).with_parts({"in b": VALVE})
    assert circuit == two_lungs(valves=("in a", "in b"))
    with pytest.warns(CircuitWarning, match=r"one-way valve 'out b' points against"):
        two_lungs(reversed_valves=("out b",), valves=()).with_parts({"out b": VALVE})


def test_a_wrong_name_of_a_part_is_answered():
    """As a KeyError, which mappings promise, with a message that can be read."""
    parts = single_circuit().parts
    with pytest.raises(KeyError, match=r"^there is no 'oot'\.\n  Did you mean 'out'\?$"):
        parts["oot"]
    assert "oot" not in parts and "out" in parts
    assert (parts.get("oot"), parts.get("oot", 1), parts.get("out")) == (None, 1, TUBE)


# --- what a circuit looks like --------------------------------------------------------------------------------


def test_a_circuit_is_shown_in_a_line():
    """Lungs, numbers of parts by kind and ventilator; counted by hand in the function above."""
    text = (
        "<Circuit: 2 lungs (a, b); 10 parts: 2 x t-piece, 2 x y-piece, 2 x lung, 4 x one-way valve; "
        "default ventilator>"
    )
    assert repr(two_lungs()) == str(two_lungs()) == text
    strong = single_circuit().changed({"ventilator": Ventilator(relief_pressure=None, source_resistance=2.0)})
    assert repr(strong).endswith("; ventilator with source_resistance 2 cmH2O·s/L, relief_pressure none>")
    many = layouts.shared({f"bed {number}": LUNG for number in range(20)})
    assert "20 lungs (bed 0, " in repr(many) and ", bed 7, ...)" in repr(many) and len(repr(many)) < 300
    assert repr(single_circuit().parts) == "{'in': Tube(...), 'y': YPiece(...), 'a': Lung(...), 'out': Tube(...)}"


def test_a_circuit_is_a_table_in_a_notebook():
    """Lungs with their numbers, other parts with their names; no name can write HTML of its own."""
    table = two_lungs()._repr_html_()
    for text in (
        "lung b</th>", "compliance 50 mL/cmH2O, resistance 5 cmH2O·s/L", "4 x one-way valve</th>",
        "in a, out a, in b, out b", "ventilator</th>", "default values",
    ):  # fmt: skip
        assert text in table
    assert table.count("<tr>") == 2 + 3 + 1  # lungs, other kinds, ventilator
    assert "<b>" not in layouts.single(LUNG, name="<b>")._repr_html_()


def test_a_layout_is_shown_in_a_line():
    layout = layouts.Layout(lungs={"a": LUNG}, arrangement="star", one_way_valves=False, ideal=True)
    assert repr(layout) == str(layout)
    assert repr(layout).startswith(
        "<Layout, arrangement star, no one-way valves, ideal: 1 lung (a); 4 parts: 2 x tube"
    )
    placed = layouts.Layout(lungs={"a": LUNG}, floor_plan=layouts.beds_around("a"))
    assert repr(placed).startswith("<Layout, arrangement tree, on a floor plan: 1 lung (a); 6 parts")
    assert placed._repr_html_().startswith("<p>Layout, arrangement tree, on a floor plan</p>\n<div ")


# --- directions of one-way valves -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "valves", [(), ("in a",), ("out b",), ("in a", "in b"), ("in a", "in b", "out a", "out b")]
)
def test_right_directions_are_silent(valves):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert len(two_lungs(valves=valves).lungs) == 2


@pytest.mark.parametrize("name", ["in a", "in b", "out a", "out b"])
@pytest.mark.parametrize("others", [True, False], ids=["valves in all limbs", "no other valve"])
def test_reversed_valve(name, others):
    """Also where the lung could still be reached the long way round, through the other lung's limbs."""
    valves = ("in a", "in b", "out a", "out b") if others else (name,)
    message = rf"^one-way valve '{name}' points against the flow .*\n  Swap its two joints: '{name}\.inlet'"
    with pytest.warns(CircuitWarning, match=message) as caught:
        two_lungs(reversed_valves=(name,), valves=valves)
    assert len(caught) == 1 and caught[0].filename == __file__
    assert str(caught[0].message).count("one-way valve ") == 1


def test_two_reversed_valves_are_both_named():
    with pytest.warns(CircuitWarning, match=r"'in a' points against(.|\n)*'out b' points against"):
        two_lungs(reversed_valves=("in a", "out b"))


def test_opposite_valves_in_parallel():
    """A valve that no way from port to lung to port can use is named, its right neighbour is not."""
    parts = single_parts(fork=TPiece(), join=TPiece(), along=VALVE, against=VALVE)
    joints = joined(
        {1: ("in.outlet", "fork.stem")},
        ("fork.left", "along.inlet"),
        ("along.outlet", "join.left"),
        ("fork.right", "against.outlet"),
        ("against.inlet", "join.right"),
        ("join.stem", "y.inspiratory"),
    )
    with pytest.warns(CircuitWarning, match=r"^one-way valve 'against' points(?!(.|\n)*'along')"):
        Circuit(parts=parts, joints=joints)


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (
            "inlet",
            "outlet",
            r"^lung 'a' cannot breathe out: one-way valves shut every way from it .*\n  Check .* 'valve'\.$",
        ),
        (
            "outlet",
            "inlet",
            r"^lung 'a' cannot breathe in: one-way valves shut every way from the .*\n  Check .* 'valve'\.$",
        ),
    ],
)
def test_valve_between_y_piece_and_lung(first, second, message):
    joints = joined({2: ("y.patient", f"valve.{first}")}, (f"valve.{second}", "a.airway"))
    with pytest.warns(CircuitWarning, match=message):
        Circuit(parts=single_parts(valve=VALVE), joints=joints)


def test_uneven_fittings_are_silent():
    """A row of T-pieces out and one adapter back: the shortest way to the last lung runs through the first one."""
    parts = {"star": Adapter(outlets=3)}
    joints, end = [("star.inlet", "ventilator.expiratory")], "ventilator.inspiratory"
    for number in (1, 2, 3):
        lung, tee = f"lung {number}", f"tee {number}"
        parts |= {lung: LUNG, f"y {number}": YPiece(), f"in {number}": VALVE, f"out {number}": VALVE}
        joints += [
            (f"in {number}.outlet", f"y {number}.inspiratory"),
            (f"y {number}.patient", f"{lung}.airway"),
            (f"y {number}.expiratory", f"out {number}.inlet"),
            (f"out {number}.outlet", f"star.outlet{number}"),
        ]
        if number == 3:
            joints.append((end, "in 3.inlet"))
            continue
        parts |= {tee: TPiece(), f"row {number}": Restrictor(resistance=1.0)}
        joints += [
            (end, f"{tee}.stem"),
            (f"{tee}.left", f"in {number}.inlet"),
            (f"{tee}.right", f"row {number}.inlet"),
        ]
        end = f"row {number}.outlet"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert len(Circuit(parts=parts, joints=joints).lungs) == 3
