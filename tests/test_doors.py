"""Everything public refuses bad values with a remedy: a part of the walk of validation/doors.py; extreme sizes."""

import sys
from pathlib import Path
from typing import Any, ClassVar, get_args

import numpy as np
import pytest

import ventsim as vs
from ventsim.errors import CircuitError, InputError
from ventsim.model.circuit.description import LONGEST_NAME, MOST_LUNGS
from ventsim.model.descriptions import Description
from ventsim.parameters import rule_of
from ventsim.parts import Inertia, Part, Store
from ventsim.quantities import LARGEST, QUANTITIES, SMALLEST, Quantity, quantity_of

sys.path.insert(0, str(Path(__file__).parents[1] / "validation"))

import doors
from public_names import CLASSES

LUNG = vs.Lung(compliance=50, resistance=10)
# Pictures and studies take long for each call; here one bad value for all of their parameters is enough.
SLOW = ("view.", "studies.", "simulate_long", "numerical_error")


@pytest.mark.parametrize(("only", "few"), [("", 1)], ids=["selection"])
def test_bad_values_are_refused_with_a_remedy_or_give_a_right_result(only, few):
    """One bad value at each parameter of each door, chosen by a hash; the walk itself takes all."""
    count = doors.walk(only=only, few=few, without=SLOW)
    assert not count.wrong, doors.report(count)
    assert count.kinds["refused with a remedy"] > 1000
    assert count.kinds["right result"] > 20


def test_a_wrong_answer_is_counted():
    """The judge itself: an error from inside, one without remedy, no finite number, a flag that is none."""

    def door(call, **hints):
        return doors.Door("invented", call, {"value": 1.0}, hints)

    def raising(error):
        def call(value):
            raise error

        return call

    for call, kind in (
        (raising(AttributeError("no such thing")), "AttributeError"),
        (raising(InputError("wrong.")), "no remedy"),
        (raising(InputError("wrong.\n  Do better.")), "refused with a remedy"),
        (lambda value: np.array([np.nan]), "not finite"),
        (lambda value: 1.0, "taken in silence"),
    ):
        found = doors.outcome(door(call, value=bool), {"value": 1}, {"value": 1}, frozenset())
        assert found.kind == kind
        assert found.is_right == (kind == "refused with a remedy")


@pytest.mark.parametrize(
    ("hint", "right", "wrong"),
    [
        (bool, [True, np.True_], [1, 0, "yes", None]),
        (float, [1, 2.5, np.float32(2.0)], [True, "1", None, np.array(3.0), np.timedelta64(1, "s"), np.nan]),
        (int, [1, np.int64(3), 4.0], [1.5, "1", None, np.inf]),
        (float | None, [None, 2.0], ["x", [1.0]]),
        (str, ["a", ""], [b"a", 1, "\0", "\ud800", None]),
        (list[str], [["a"], ()], ["ab", {"a"}, [1], (k for k in "ab")]),
        (dict[str, float], [{"a": 1}, {}], [[], {1: 1}, {"a": "x"}]),
        (tuple[float, float], [(1, 2)], [(1,), 3, "ab", (1, "x")]),
    ],
    ids=["flag", "number", "whole number", "number or none", "text", "texts", "mapping", "pair"],
)
def test_what_an_annotation_takes(hint, right, wrong):
    """By the rules of the annotations: True is no number, 1 is no flag, a generator is no list."""
    rule = rule_of(hint)
    assert [rule(value, "x") for value in right] == [""] * len(right)
    for value in wrong:
        first, second = rule(value, "x").split("\n")
        assert first.startswith("x") and second.startswith("  ")


def fields_with_quantities():
    for name, cls in CLASSES.items():
        if issubclass(cls, Description):
            for field, info in cls.model_fields.items():
                if (here := quantity_of(info)) is not None:
                    yield name.rpartition(".")[2], cls, field, here


def ends(here: Quantity) -> tuple[float, float]:
    """The smallest and the largest number that a quantity allows."""
    low = max(here.at_least if here.at_least is not None else -LARGEST, -LARGEST)
    low = max(low, here.above + SMALLEST) if here.above is not None else low
    high = min(here.at_most if here.at_most is not None else LARGEST, LARGEST)
    return low, np.nextafter(here.below, -np.inf) if here.below is not None else high


@pytest.mark.parametrize("name", sorted(QUANTITIES))
def test_the_ends_of_a_quantity_are_allowed_and_what_lies_beyond_is_refused(name):
    here = QUANTITIES[name]
    for end in ends(here):
        assert not here.fault(round(end) if here.whole else end), (name, end)
    for beyond in (1e200, -1e200, np.inf):
        assert here.fault(beyond)
        assert here.remedy(beyond).startswith(("Allowed: ", "Did you mean "))
    if here.above == 0.0:
        assert here.fault(1e-200)


@pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")
@pytest.mark.filterwarnings("ignore::ventsim.errors.CircuitWarning")
def test_extreme_sizes_make_parts_with_finite_numbers_or_are_refused():
    """The ends of every quantity of every description: what it publishes to the engine is finite."""
    tried = 0
    for name, cls, field, here in fields_with_quantities():
        if name not in doors.GOOD or get_args(cls.model_fields[field].annotation)[:1] == (tuple,):
            continue
        good = {one: doors.made(value) for one, value in doors.good_of(name, doors.parameters_of(cls)).items()}
        for end in ends(here):
            with np.errstate(all="raise"):
                try:
                    made = cls(**good | {field: end})
                    published = made.elements() if hasattr(made, "elements") else made
                except InputError as error:
                    assert "\n  " in str(error), (name, field, end)
                    continue
            assert not doors.nonfinite(published), (name, field, end)
            tried += 1
    assert tried > 100


@pytest.mark.parametrize(
    "name", ["", " ", "a.b", "a\nb", "\0", "\x1b[31m", "\ud800", "x" * (LONGEST_NAME + 1)], ids=ascii
)
def test_names_that_cannot_be_printed_are_refused(name):
    with pytest.raises(
        CircuitError, match=r"cannot be the name of a part\.\n  Allowed: any text that is not empty"
    ):
        vs.layouts.single(LUNG, name=name)


class Wrong(Part):
    """A part of a user's own, whose elements are given."""

    kind: ClassVar[str] = "wrong"
    ports: ClassVar[tuple[str, ...]] = ("airway", "outlet")
    found: Any = ()

    def elements(self):
        return self.found


@pytest.mark.parametrize(
    ("found", "message"),
    [
        (3, r"elements\(\) returns 3\.\n  Return a tuple of Passage, Store"),
        ((3,), r"elements\(\) returns \(3,\)\.\n  Return a tuple"),
        ((Store("inlet", "much"),), r"Store: compliance 'much' is not a number\.\n  Give a finite number"),
        ((Store(3, 1.0),), r"Store: at 3 is not text\.\n  Give text"),
        ((Inertia("inlet", "outlet", None),), r"Inertia: inertance None is not a number\.\n"),
    ],
)
def test_elements_of_a_part_of_ones_own_are_looked_at(found, message):
    """Not where they are made, which is often, but where the part enters a circuit."""
    with pytest.raises(CircuitError, match=rf"part 'own': {message}"):
        vs.Circuit(parts={"own": Wrong(found=found), "a": LUNG}, joints=[])


def test_more_lungs_than_a_ventilator_takes():
    lungs = {f"lung {k}": LUNG for k in range(MOST_LUNGS + 1)}
    with pytest.raises(
        CircuitError, match=rf"there are {MOST_LUNGS + 1} lungs\.\n  Allowed: at most {MOST_LUNGS}"
    ):
        vs.layouts.shared(lungs)


def test_names_with_dollar_signs_are_drawn_as_they_are():
    """A formula of matplotlib would show them in italics, without the signs, or fail to be read."""
    lungs = {"$a_{$": LUNG, "$b$": LUNG.changed(compliance=30)}
    settings = vs.PressureControl(inspiratory_pressure=15, rate=15, inspiratory_time=1)
    waveforms = vs.steady_breath(vs.layouts.shared(lungs, ideal=True), settings)
    measures = vs.breath_measures(waveforms)
    for drawn in (vs.plot.waveforms(waveforms)[0], vs.plot.loops(waveforms), vs.plot.shares(measures)):
        texts = [*drawn.get_yticklabels(), *(drawn.get_legend().get_texts() if drawn.get_legend() else ())]
        drawn.figure.draw_without_rendering()
        shown = [text for text in texts if "$" in text.get_text()]
        assert {text._preprocess_math(text.get_text()) for text in shown} == {("$a_{$", False), ("$b$", False)}
        import matplotlib.pyplot as plt

        plt.close(drawn.figure)
