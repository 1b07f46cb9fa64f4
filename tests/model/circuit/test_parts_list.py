"""The list of parts of a circuit: counts against the circuit itself, and how it reads."""

from collections import Counter
from typing import ClassVar

import pytest

from ventsim.errors import CircuitError
from ventsim.model.circuit import Circuit, parts_list
from ventsim.model.laws import Orifice, Rohrer
from ventsim.model.layouts import PatientLimbs, beds_around, shared, single
from ventsim.model.parts import Lung, Part, Passage, Region, Restrictor, TrachealTube, Tube, YPiece

LUNG = Lung(compliance=50.0, resistance=8.0)
FOUR = dict.fromkeys("abcd", LUNG)
REAL = PatientLimbs(tracheal_tube=TrachealTube(inner_diameter=7.5, length=0.3))


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
def test_every_part_is_counted_once(arrangement):
    circuit = shared(FOUR, arrangement=arrangement, limbs=REAL, floor_plan=beds_around(FOUR))
    table = parts_list(circuit).frame
    assert table.groupby("kind")["count"].sum().to_dict() == Counter(part.kind for part in circuit.parts.values())
    assert sorted(name for names in table["names"] for name in names) == sorted(circuit.parts)
    assert [len(names) for names in table["names"]] == list(table["count"])
    # equal parts share a row, other parts do not
    assert len(table) == len(set(circuit.parts.values()))


def test_columns():
    table = parts_list(shared({"a": LUNG}, limbs=REAL)).frame.set_index("kind")
    assert list(table.columns) == ["count", "length", "bore", "cones", "values", "names"]
    assert table.loc["tube", ["count", "length", "bore"]].tolist() == [2, 1.5, 22.0]
    assert table.loc["tracheal tube", ["count", "length", "bore"]].tolist() == [1, 0.3, 7.5]
    assert table.loc["y-piece", ["length", "bore"]].isna().all()
    assert (table["count"] * table["length"]).sum() == pytest.approx(2 * 1.5 + 0.3)
    assert table.loc["tube", "cones"] == "inlet, outlet: 22 mm female"
    assert table.loc["y-piece", "cones"] == (
        "inspiratory, expiratory: 22 mm male; patient: 15 mm female / 22 mm male"
    )
    assert table.loc["y-piece", "values"] == "gas_volume 12 mL"
    assert table.loc["tube", "names"] == ("a inspiratory tube", "a expiratory tube")


def test_tubes_of_other_sizes_stand_apart():
    """Four limbs of 1.5 m, two of 3 m, one of these narrower."""
    long = PatientLimbs(inspiratory_tube=Tube(length=3.0), expiratory_tube=Tube(length=3.0, bore=19.0))
    table = parts_list(
        shared(
            dict.fromkeys("abc", LUNG),
            limbs=dict.fromkeys(dict.fromkeys("abc", LUNG), PatientLimbs()) | {"c": long},
        )
    ).frame
    tubes = table[table["kind"] == "tube"]
    assert tubes[["count", "length", "bore"]].values.tolist() == [
        [4.0, 1.5, 22.0],
        [1.0, 3.0, 22.0],
        [1.0, 3.0, 19.0],
    ]


def test_what_is_inside_a_part_is_told():
    """Regions of a lung, numbered; units are those of their fields."""
    lung = Lung(
        resistance=5.0, regions=(Region(compliance=20.0, resistance=8.0), Region(compliance=30.0, resistance=9.0))
    )
    values = parts_list(single(lung)).frame.set_index("kind").loc["lung", "values"]
    assert "regions 1 (compliance 20 mL/cmH2O, resistance 8 cmH2O·s/L), regions 2 (compliance 30" in values


def test_law_inside_a_part_has_its_kind_and_numbers():
    """What is to be drilled has its bore in the list."""
    limbs = PatientLimbs(inspiratory_restrictor=Restrictor(resistance=Orifice(bore=3.0)))
    frame = parts_list(single(Lung(compliance=50.0, resistance=5.0), limbs=limbs)).frame.set_index("kind")
    assert frame.loc["restrictor", "values"].startswith("resistance orifice (bore 3 mm, ")


def test_text():
    lines = [
        "part           count  length  bore  ports               values                     names",
        "                         [m]  [mm]",
        "tube               2     1.5    22  inlet, outlet: 22   wall corrugated,           a inspiratory tube,",
        "                                    mm female           corrugated_friction 0.08,  a expiratory tube",
        "                                                        loss_coefficient 0",
        "y-piece            1       -     -  inspiratory,        gas_volume 12 mL           a y-piece",
        "                                    expiratory: 22 mm",
        "                                    male; patient: 15",
        "                                    mm female / 22 mm",
        "                                    male",
        "tracheal tube      1     0.3   7.5  inlet: 15 mm male   obstructed_fraction 0,     a tracheal tube",
        "                                                        loss_coefficient 1.5",
        "lung               1       -     -  airway: 15 mm male  compliance 50 mL/cmH2O,    a",
        "                                    / 22 mm female      resistance 8 cmH2O·s/L,",
        "                                                        relaxation_volume 1500 mL",
    ]
    assert str(parts_list(single(LUNG, limbs=REAL, name="a"))).split("\n") == [
        *lines, "", "2 tubes, 3 m in all; 5 parts.", "All joints fit.",
    ]  # fmt: skip


def test_text_is_folded_and_tells_what_does_not_fit():
    narrow = PatientLimbs(inspiratory_tube=Tube(length=1.5, bore=15.0))
    table = parts_list(shared({f"bed number {n}": LUNG for n in range(9)}, limbs=narrow))
    lines = str(table).splitlines()
    assert max(map(len, lines)) <= 120
    # each narrow tube has two ends: valve and Y-piece
    assert sum(line.startswith("joint of ") for line in lines) == 18
    assert sum("bed number 8 inspiratory valve" in note for note in table.notes) == 1


def test_only_a_circuit_has_parts():
    with pytest.raises(CircuitError, match=r"'x' is not a circuit\.\n  Give what layouts"):
        parts_list("x")


class Basket(Part):
    """A part of the user's own making: an open way, with a value that cannot be hashed."""

    kind: ClassVar[str] = "basket"

    things: list[str]

    @property
    def ports(self):
        return ("inlet", "outlet")

    def elements(self):
        way = Rohrer(linear=0.0, quadratic=0.0)
        return (Passage("inlet", "outlet", way, way),)


def test_parts_of_ones_own_are_listed():
    basket = Basket(things=["apple", "pear"])
    parts = {"y": YPiece(), "one": basket, "two": Basket(things=["apple", "pear"]), "a": LUNG}
    joints = [
        ("ventilator.inspiratory", "one.inlet"),
        ("one.outlet", "y.inspiratory"),
        ("y.patient", "a.airway"),
        ("y.expiratory", "two.inlet"),
        ("two.outlet", "ventilator.expiratory"),
    ]
    row = parts_list(Circuit(parts=parts, joints=joints)).frame.set_index("kind").loc["basket"]
    assert (row["count"], row["cones"], row["names"]) == (2, "", ("one", "two"))
    assert row["values"] == "things ['apple', 'pear']"
