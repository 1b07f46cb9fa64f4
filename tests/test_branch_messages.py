"""Fields that hold one of several descriptions: what a wrong one is told, all over the package."""

import inspect
import re
from types import NoneType
from typing import get_args

import pytest
from pydantic import BaseModel

import ventsim as vs
from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.laws import AdjustableCurve, MeasuredCurve, Orifice
from ventsim.model.layouts import Layout
from ventsim.model.parts import Lung, Region, Restrictor

# What only shows where a validator speaks for itself.
INTERNALS = re.compile(
    r"function-|Input should|_check|validat|\[type=|pydantic|Traceback|object at 0x|Extra inputs"
)
NEXT_STEP = re.compile(r"\n  (Give|Allowed|Did you mean|Write|Correct)")
ORIFICE = {"kind": "orifice", "bore": 4.0}
CURVE = {"flows": (0.5, 1.0), "drops": (2.0, 7.0)}
FAMILY = {"openings": (1.0, 2.0), "flows": (0.5, 1.0), "drops": ((2.0, 7.0), (1.0, 3.0)), "opening": 1.0}


def subclasses(cls):
    for each in cls.__subclasses__():
        yield each
        yield from subclasses(each)


def of_ventsim(cls):
    return cls.__module__.partition(".")[0] == "ventsim"


FINAL = sorted(
    (cls for cls in set(subclasses(Description)) if of_ventsim(cls) and not inspect.isabstract(cls)),
    key=lambda cls: cls.kind,
)


def choices_of(info):
    kinds = (info.annotation, *get_args(info.annotation))
    return [kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)]


CHOICES = [(c, name) for c in FINAL for name, info in c.model_fields.items() if len(choices_of(info)) > 1]
WRONG = {
    "another part": vs.YPiece(),
    "a number": 5,
    "text": "narrow",
    "a class": Restrictor,
    "wrong keys": {"colour": 2, "bore": 3.0},
    "an unknown kind": {"kind": "gate", "bore": 3.0},
    "the kind of another part": {"kind": "y-piece"},
    "an unhashable kind": {"kind": ["orifice"]},
    "a list": [1, 2],
}


def test_fields_with_a_choice_are_found():
    """Those known today; more are welcome and tested with them."""
    found = {f"{cls.kind}.{name}" for cls, name in CHOICES}
    assert found >= {
        "branch.inspiratory_restrictor",
        "branch.expiratory_restrictor",
        "elastic lung.curve",
        "elastic lung.effort",
        "lung.effort",
        "scenario.plan",
    }


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
@pytest.mark.parametrize(("cls", "name"), CHOICES, ids=lambda item: getattr(item, "kind", item))
def test_a_wrong_description_is_told_in_words_of_the_house(cls, name, wrong):
    with pytest.raises(InputError, match=rf"(^|\n){cls.kind}: {name}") as caught:
        cls.from_dict({name: wrong})
    text = next(line for line in f"\n{caught.value}".split(f"\n{cls.kind}: ") if line.startswith(name))
    assert not INTERNALS.search(text) and NEXT_STEP.search(text), text
    assert max(map(len, text.splitlines())) < 400, text  # not every number of a part


@pytest.mark.parametrize("wrong", [object, {1, 2}, vs.YPiece(), "maybe"], ids=["class", "set", "part", "text"])
@pytest.mark.parametrize("cls", FINAL, ids=lambda cls: cls.kind)
def test_no_field_shows_what_is_inside(cls, wrong):
    """One field after the other; text is right for some, so the rest of the message then speaks of others."""
    for name in cls.model_fields:
        try:
            cls.from_dict({name: wrong})
        except InputError as error:
            assert not INTERNALS.search(str(error)), f"{name}: {error}"


@pytest.mark.parametrize("side", ["inspiratory_restrictor", "expiratory_restrictor"])
@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (
            vs.Tube(length=1.0),
            r"Tube\(\.\.\.\) is of the wrong type\.\n"
            r"  Give Restrictor\(\.\.\.\) or Orifice\(\.\.\.\) or MeasuredPart\(\.\.\.\) or Adjustable",
        ),
        (5.0, r"5\.0 is of the wrong type\.\n  Give Restrictor"),
        (Orifice, r"the class Orifice is of the wrong type\.\n  Give Restrictor"),
        ({"kind": "orfice", "bore": 4.0}, r"there is no kind 'orfice'\.\n  Did you mean 'orifice'\?"),
        (
            {"kind": "tube", "length": 1.0},
            r"there is no kind 'tube'\.\n  Allowed: 'restrictor', 'orifice', 'measured part', 'adjustable",
        ),
        (
            {"kind": "orifice", "bor": 4.0},
            r"orifice: there is no 'bor'\.\n  Did you mean 'bore'",
        ),
        ({"kind": "orifice", "bore": -1.0}, r"orifice: bore -1 mm is not allowed\.\n  Allowed: above 0 mm"),
        ({"bore": -1.0}, r"orifice: bore -1 mm is not allowed"),
        (
            {"linear_resistence": 4.0},
            r"there is no 'linear_resistence'\.\n  Did you mean 'linear_resistance'",
        ),
        ({3: 4.0}, r"there is no 3\.\n  Allowed: 'linear_resistance'"),
        (
            {"bore": 4.0, "linear_resistance": 2.0},
            r"kind is missing, and 'bore', 'linear_resistance' do not tell it\.\n  Allowed: 'restrictor'",
        ),
        ({"flows": (0.5, 1.0)}, r"kind is missing, and 'flows' do not tell it"),
    ],
)
def test_restrictors_of_a_limb(side, wrong, message):
    with pytest.raises(PartError, match=rf"^branch: {side}: {message}"):
        vs.PatientLimbs(**{side: wrong})


@pytest.mark.parametrize(
    ("plain", "part"),
    [
        ({"linear_resistance": 3.0}, Restrictor(resistance=3.0)),
        ({}, Restrictor()),
        ({"bore": 4.0}, Orifice(bore=4.0)),
        (ORIFICE, Orifice(bore=4.0)),
        (CURVE, Restrictor(resistance=MeasuredCurve(flows=None, pressure_drops=None))),
        (FAMILY, Restrictor(resistance=AdjustableCurve(**FAMILY))),
        (None, None),
    ],
)
def test_plain_values_tell_their_kind(plain, part):
    branch = vs.PatientLimbs(inspiratory_restrictor=plain)
    assert branch.inspiratory_restrictor == part
    assert vs.PatientLimbs.from_dict(branch.model_dump()) == branch
    assert vs.PatientLimbs.model_validate_json(branch.model_dump_json()) == branch


def test_plain_values_carry_the_kind():
    dumped = vs.PatientLimbs(inspiratory_restrictor=Orifice(bore=4.0)).model_dump()
    assert dumped["inspiratory_restrictor"]["kind"] == "orifice" and dumped["expiratory_restrictor"] is None


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: vs.PatientLimbs(filter=vs.Tube(length=1.0)),
            r"branch: filter Tube\(\.\.\.\) is not a Filter\.\n  Give",
        ),
        (
            lambda: Layout(lungs={"a": vs.Lung(compliance=50, resistance=5)}, adapter=3),
            r"layout: adapter 3 is not an Adapter\.\n  Give Adapter\(\.\.\.\)",
        ),
        (
            lambda: Layout(
                lungs={"a": vs.Lung(compliance=50, resistance=5)},
                limbs=dict.fromkeys({"a": vs.Lung(compliance=50, resistance=5)}, PatientLimbs())
                | {"a": vs.YPiece()},
            ),
            r"branch YPiece\(\.\.\.\) is not a Branch",
        ),
        (lambda: Layout(lungs={"a": vs.YPiece()}), r"lungs: 'a' is YPiece\(\.\.\.\), not a lung"),
        (
            lambda: Lung(resistance=4.0, regions=(Region(compliance=20.0, resistance=9.0), vs.YPiece())),
            r"regions: number 2, YPiece\(\.\.\.\), is not a region",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=None, pressure_drops=None)),
            r"measured part: one_way 'perhaps' is neither true nor false\.\n  Give one of the two, without quotes",
        ),
        (
            lambda: Restrictor(resistance=MeasuredCurve(flows=None, pressure_drops=None)),
            r"one_way 3\.5 is neither true nor false",
        ),
    ],
)
def test_a_single_description_or_a_flag(make, message):
    with pytest.raises(InputError, match=message):
        make()


def test_none_is_one_of_the_choices_only_where_it_may_be():
    for cls, name in CHOICES:
        may = NoneType in get_args(cls.model_fields[name].annotation)
        assert may is (name != "curve" and name != "plan"), f"{cls.kind}.{name}"
