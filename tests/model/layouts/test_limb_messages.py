"""Fields that hold one of several descriptions: what is said of a wrong one, all over the package."""

import inspect
import re

import pytest
from strategies import members_held

import ventsim as vs
from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.laws import AdjustableCurve, MeasuredCurve, Orifice, PowerLaw, Rohrer, Series
from ventsim.model.layouts import Layout

# What only shows where a validator speaks for itself.
INTERNALS = re.compile(
    r"function-|Input should|_check|validat|\[type=|pydantic|Traceback|object at 0x|Extra inputs"
)
NEXT_STEP = re.compile(r"\n  (Give|Allowed|Did you mean|Write|Correct)")
LUNG = vs.Lung(compliance=50, resistance=5)


def subclasses(cls):
    for each in cls.__subclasses__():
        yield each
        yield from subclasses(each)


def of_ventsim(cls):
    return cls.__module__.partition(".")[0] == "ventsim"


FINAL = sorted(
    (cls for cls in set(subclasses(Description)) if of_ventsim(cls) and not inspect.isabstract(cls)),
    key=lambda cls: cls.__name__,
)
CHOICES = [(cls, name, mark) for cls in FINAL for name, mark in members_held(cls).items()]
# Wrong for every one of these fields, whether or not a number is right too.
WRONG = {
    "another part": vs.YPiece(),
    "a flag": True,
    "text": "narrow",
    "a class": vs.Restrictor,
    "wrong keys": {"colour": 2, "bore": 3.0},
    "an unknown kind": {"kind": "gate", "law": "gate", "bore": 3.0},
    "the kind of another part": {"kind": "y-piece", "law": "y-piece"},
    "an unhashable kind": {"kind": ["orifice"], "law": ["orifice"]},
    "a list": ["narrow", 2],
}


def test_fields_with_a_choice_are_found():
    """Those known today; more are welcome and tested with them."""
    assert {f"{cls.kind}.{name}" for cls, name, _ in CHOICES} >= {
        "restrictor.resistance",
        "leak onset.resistance",
        "ventilator.source_resistance",
        "region.expiratory_resistance",
        "lung.collateral_resistance",
        "lung.compliance",
        "lung.effort",
        "scenario.settings",
        "scenario.changes",
        "series.laws",
    }


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
@pytest.mark.parametrize(
    ("cls", "name"), [pair[:2] for pair in CHOICES], ids=lambda item: getattr(item, "kind", item)
)
def test_a_wrong_member_is_answered_in_words_of_the_house(cls, name, wrong):
    """One message, whatever else the description lacks: a number or a law is not asked for twice."""
    with pytest.raises(InputError) as caught:
        cls.from_dict({name: wrong})
    about = [text for text in f"\n{caught.value}".split(f"\n{cls.kind}: ") if re.match(rf"{name}\b", text)]
    assert len(about) == 1, caught.value
    assert not INTERNALS.search(about[0]) and NEXT_STEP.search(about[0]), about[0]
    assert max(map(len, about[0].splitlines())) < 400, about[0]  # not every number of a part


@pytest.mark.parametrize("wrong", [object, {1, 2}, vs.YPiece(), "maybe"], ids=["class", "set", "part", "text"])
@pytest.mark.parametrize("cls", FINAL, ids=lambda cls: cls.__name__)
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
            r" Tube\(\.\.\.\) is not a restrictor\.\n  Give Restrictor\(resistance=20\) or a one-way part\.$",
        ),
        (Orifice(bore=4.0), r" Orifice\(\.\.\.\) is not a restrictor\.\n  Give Restrictor"),
        (5.0, r" 5\.0 is not a restrictor\.\n  Give Restrictor"),
        (vs.Restrictor, r" the class Restrictor is not a restrictor\.\n  Give Restrictor"),
        (
            {"kind": "tube", "length": 1.0},
            r": there is no kind 'tube'\.\n  Allowed: 'restrictor', 'one-way valve', 'peep valve'",
        ),
        ({"resistence": 4.0}, r": restrictor: there is no 'resistence'\.\n  Did you mean 'resistance'\?$"),
        (
            {"resistance": {"law": "orfice", "bore": 4.0}},
            r": restrictor: resistance: there is no law 'orfice'\.\n  Did you mean 'orifice'\?$",
        ),
        (
            {"resistance": {"law": "orifice", "bor": 4.0}},
            r": restrictor: resistance: orifice: there is no 'bor'\.\n  Did you mean 'bore'",
        ),
        (
            {"resistance": {"law": "orifice", "bore": -1.0}},
            r": restrictor: resistance: orifice: bore -1 mm is not allowed\.\n  Allowed: above 0 mm",
        ),
        (
            {"resistance": {"bore": 4.0}},
            r": restrictor: resistance: law is missing\.\n  Allowed: 'rohrer'",
        ),
    ],
)
def test_restrictors_of_a_limb(side, wrong, message):
    with pytest.raises(PartError, match=rf"^patient limbs: {side}:?{message}"):
        vs.PatientLimbs(**{side: wrong})


LAWS = [
    Rohrer(linear=5.0, quadratic=8.0),
    PowerLaw(coefficient=6.5, exponent=1.75),
    Orifice(bore=4.0),
    MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(2.0, 7.0)),
    AdjustableCurve(openings=(1.0, 2.0), flows=(0.5, 1.0), pressure_drops=((2.0, 7.0), (1.0, 3.0)), opening=1.0),
    Series(laws=(Rohrer(linear=5.0), Orifice(bore=4.0))),
]


@pytest.mark.parametrize("value", [3.0, *LAWS], ids=lambda value: getattr(value, "kind", "number"))
def test_plain_values_come_back_as_the_same_law(value):
    """From a mapping, as a file holds it, and through the dumped forms."""
    limbs = vs.PatientLimbs(inspiratory_restrictor=vs.Restrictor(resistance=value))
    plain = value if isinstance(value, float) else {"law": value.kind, **value.model_dump()}
    assert vs.PatientLimbs(inspiratory_restrictor={"resistance": plain}) == limbs
    assert vs.PatientLimbs.from_dict(limbs.model_dump()) == limbs
    assert vs.PatientLimbs.model_validate_json(limbs.model_dump_json()) == limbs
    assert limbs.model_dump()["expiratory_restrictor"] is None


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: vs.PatientLimbs(filter=vs.Tube(length=1.0)),
            r"patient limbs: filter Tube\(\.\.\.\) is not a Filter\.\n  Give Filter",
        ),
        (
            lambda: Layout(lungs={"a": LUNG}, adapter=3),
            r"layout: adapter 3 is not an Adapter\.\n  Give Adapter\(\.\.\.\)",
        ),
        (
            lambda: Layout(lungs={"a": LUNG}, limbs=vs.YPiece()),
            r"limbs: YPiece\(\.\.\.\) is neither a PatientLimbs nor a mapping .*\n  Give PatientLimbs\(",
        ),
        (
            lambda: Layout(lungs={"a": LUNG}, limbs={"a": vs.YPiece()}),
            r"limbs: 'a' is YPiece\(\.\.\.\), not a PatientLimbs\.\n  Give PatientLimbs",
        ),
        (
            lambda: Layout(lungs={"a": LUNG}, limbs={"aa": vs.PatientLimbs()}),
            r"limbs: there is no lung 'aa'\.\n  Did you mean 'a'",
        ),
        (lambda: Layout(lungs={"a": vs.YPiece()}), r"lungs: 'a' is YPiece\(\.\.\.\), not a lung"),
        (
            lambda: vs.Lung(resistance=4.0, regions=(vs.Region(compliance=20.0, resistance=9.0), vs.YPiece())),
            r"regions: number 2: YPiece\(\.\.\.\) is not a region",
        ),
        (
            lambda: vs.Tube(length=1.0, inertia="perhaps"),
            r"tube: inertia 'perhaps' is neither true nor false\.\n  Give one of the two, without quotes",
        ),
        (lambda: vs.Tube(length=1.0, inertia=3.5), r"inertia 3\.5 is neither true nor false"),
    ],
)
def test_a_single_description_or_a_flag(make, message):
    with pytest.raises(InputError, match=message):
        make()
