"""Conical connectors: which pairs mate, which parts have which, and which joints are found not to fit.

Sizes and genders are those of ISO 5356-1 as far as remembered: 15 and 22 mm, patient port 22 mm male with
15 mm female inside; the rest is common practice without source.
"""

import pytest

from ventsim.errors import CircuitError
from ventsim.model.circuit import VENTILATOR_CONES, Circuit, connector_mismatches
from ventsim.model.layouts import PatientLimbs, beds_around, shared, single
from ventsim.model.parts import (
    PART_KINDS,
    Adapter,
    Filter,
    Lung,
    OneWayValve,
    Restrictor,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
)
from ventsim.model.parts.cones import ANY_CONE, KINDS_WITH_CONES, Cone, cones_mate, cones_of
from ventsim.model.scenario import builtin, builtin_names

LUNG = Lung(compliance=50.0, resistance=8.0)
WIDE_IN, WIDE_OVER = Cone(22, "male"), Cone(22, "female")
NARROW_IN, NARROW_OVER = Cone(15, "male"), Cone(15, "female")


def lungs(number):
    return {f"bed {index}": LUNG for index in range(1, number + 1)}


@pytest.mark.parametrize(
    ("first", "second", "mate"),
    [
        (WIDE_IN, WIDE_OVER, True),
        (NARROW_IN, NARROW_OVER, True),
        (WIDE_IN, WIDE_IN, False),
        (NARROW_OVER, NARROW_OVER, False),
        (WIDE_IN, NARROW_OVER, False),
        (NARROW_IN, WIDE_OVER, False),
    ],
)
def test_one_size_and_two_genders(first, second, mate):
    assert first.mates(second) is second.mates(first) is mate
    assert cones_mate((first,), (second,)) is mate


def test_a_port_with_two_faces_mates_by_either_one():
    patient = (NARROW_OVER, WIDE_IN)
    assert cones_mate(patient, (NARROW_IN,)) and cones_mate(patient, (WIDE_OVER,))
    assert not cones_mate(patient, (WIDE_IN,)) and not cones_mate(patient, patient)
    assert all(cones_mate(ANY_CONE, (cone,)) for cone in (WIDE_IN, WIDE_OVER, NARROW_IN, NARROW_OVER))
    assert cones_mate((), (WIDE_IN,))  # an end without cone is not checked


def test_every_kind_of_part_has_its_cones():
    assert set(PART_KINDS) == KINDS_WITH_CONES


@pytest.mark.parametrize(
    "part",
    [
        LUNG,
        Tube(length=1.0),
        TPiece(),
        YPiece(),
        Adapter(),
        Adapter(outlets=3),
        OneWayValve(),
        Restrictor(),
        Filter(),
        TrachealTube(inner_diameter=8.0),
    ],
    ids=lambda part: part.kind,
)
def test_cones_are_at_ports(part):
    """All ports but that in the trachea."""
    assert set(cones_of(part)) == set(part.ports) - ({"outlet"} if part.kind == "tracheal tube" else set())


def test_tubes_have_the_nearer_size():
    assert cones_of(Tube(length=1.0, bore=22.0))["inlet"] == (WIDE_OVER,)
    assert cones_of(Tube(length=1.0, bore=15.0))["outlet"] == (NARROW_OVER,)
    assert cones_of(Tube(length=1.0, bore=18.5))["inlet"] == (WIDE_OVER,)
    assert cones_of(Tube(length=1.0, bore=18.4))["inlet"] == (NARROW_OVER,)


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
@pytest.mark.parametrize("number", [1, 2, 3, 4, 7])
def test_ready_made_circuits_fit_together(arrangement, number):
    """With and without valves, restrictors, filters, tracheal tubes and a floor plan."""
    full = PatientLimbs(
        inspiratory_restrictor=Restrictor(resistance=5.0),
        filter=Filter(),
        tracheal_tube=TrachealTube(inner_diameter=7.5),
    )
    for branch in (PatientLimbs(), full, PatientLimbs(tracheal_tube=TrachealTube(inner_diameter=7.5))):
        for one_way_valves in (True, False):
            for plan in (None, beds_around(lungs(number))):
                circuit = shared(
                    lungs(number),
                    arrangement=arrangement,
                    limbs=branch,
                    one_way_valves=one_way_valves,
                    floor_plan=plan,
                )
                assert connector_mismatches(circuit) == ()


@pytest.mark.parametrize("name", builtin_names())
def test_built_in_scenarios_fit_together(name):
    assert connector_mismatches(builtin(name).circuit) == ()


def test_two_tubes_are_joined_by_an_adapter():
    """The last extension of a chain without valves, and the limb behind it; both ends are sleeves."""
    circuit = shared(lungs(3), arrangement="chain", one_way_valves=False)
    assert [name for name in circuit.parts if name.startswith("connector")] == ["connector 1", "connector 2"]
    assert ("inspiratory extension 2.outlet", "connector 1.inlet") in circuit.joints
    assert ("connector 1.outlet", "bed 3 inspiratory tube.inlet") in circuit.joints
    assert ("bed 3 expiratory tube.outlet", "connector 2.inlet") in circuit.joints
    assert ("connector 2.outlet", "expiratory extension 2.inlet") in circuit.joints


def test_a_narrow_tube_does_not_fit_wide_parts():
    circuit = single(LUNG, limbs=PatientLimbs(inspiratory_tube=Tube(length=1.5, bore=15.0)))
    assert connector_mismatches(circuit) == (
        "joint of 'ventilator.inspiratory' and 'lung inspiratory tube.inlet': 22 mm male does not fit 15 mm "
        "female.\n  Put an Adapter between them, or take parts of one size.",
        "joint of 'lung inspiratory tube.outlet' and 'lung y-piece.inspiratory': 15 mm female does not fit "
        "22 mm male.\n  Put an Adapter between them, or take parts of one size.",
    )


@pytest.mark.parametrize(
    ("inner", "message"),
    [
        ({"one": Tube(length=1.0), "two": Tube(length=1.0)}, "22 mm female does not fit 22 mm female.\n"),
        ({"one": Tube(length=1.0), "gap": Adapter(), "two": Tube(length=1.0)}, None),
        ({"one": Tube(length=1.0, bore=15.0), "gap": Adapter(), "two": Tube(length=1.0)}, "15 mm female.\n"),
    ],
)
def test_two_sleeves_need_an_adapter_between(inner, message):
    """A lung behind a row of parts; the third case still has a narrow end at the ventilator."""
    parts = {**inner, "y": YPiece(), "out": Tube(length=1.0), "a": LUNG}
    row = ["ventilator.inspiratory"]
    for name in inner:
        row += [f"{name}.inlet", f"{name}.outlet"]
    row.append("y.inspiratory")
    joints = [
        *zip(row[::2], row[1::2], strict=True),
        ("y.patient", "a.airway"),
        ("y.expiratory", "out.inlet"),
        ("out.outlet", "ventilator.expiratory"),
    ]
    faults = connector_mismatches(Circuit(parts=parts, joints=joints))
    assert len(faults) == (message is not None)
    assert message is None or message in faults[0]


def test_two_male_ends_need_another_part():
    """A T-piece on each limb whose leg, 22 mm male, goes to the Y-piece, 22 mm male."""
    parts = {"t": TPiece(), "y": YPiece(), "z": YPiece(), "t2": TPiece(), "a": LUNG, "b": LUNG}
    joints = [("ventilator.inspiratory", "t.stem"), ("ventilator.expiratory", "t2.stem")]
    for y, leg, lung in (("y", "left", "a"), ("z", "right", "b")):
        joints += [
            (f"t.{leg}", f"{y}.inspiratory"),
            (f"{y}.expiratory", f"t2.{leg}"),
            (f"{y}.patient", f"{lung}.airway"),
        ]
    faults = connector_mismatches(Circuit(parts=parts, joints=joints))
    assert len(faults) == 4
    assert faults[0] == (
        "joint of 't.left' and 'y.inspiratory': 22 mm male does not fit 22 mm male.\n"
        "  Put an Adapter between them, or take two parts of other genders."
    )


def test_ports_of_the_ventilator():
    assert dict(VENTILATOR_CONES) == {"inspiratory": (WIDE_IN,), "expiratory": (WIDE_IN,)}


def test_only_a_circuit_has_faults():
    with pytest.raises(CircuitError, match=r"3 is not a circuit\.\n  Give what layouts"):
        connector_mismatches(3)
