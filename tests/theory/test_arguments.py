"""Closed forms take descriptions or plain numbers, refuse what is impossible, and say what to do."""

import dataclasses
import math
import re

import numpy as np
import pytest

import ventsim as vs
from ventsim import theory
from ventsim.errors import InputError, PlausibilityWarning
from ventsim.model.laws import Exponential, Rohrer
from ventsim.model.parts import HalfSineEffort, Lung, Region

LUNG = vs.Lung(compliance=50.0, resistance=10.0, expiratory_resistance=15.0)
STIFF = vs.Lung(compliance=25.0, resistance=12.0)
ONE = {"compliance": 50.0, "resistance": 10.0}
WAY_OUT = {"expiratory_resistance": 15.0}
TWO = {"compliance": [50.0, 25.0], "resistance": [10.0, 12.0]}
TIMES = {"peep": 6.0, "rate": 15.0, "inspiratory_time": 1.25}
SQUARE = vs.PressureControl(inspiratory_pressure=14.0, **TIMES)
SLOW = vs.PressureControl(inspiratory_pressure=14.0, rise_time=0.6, rise_shape="exponential", **TIMES)
FLOW = vs.VolumeControl(tidal_volume=400.0, pause_time=0.25, **TIMES)
FALLING = vs.VolumeControl(tidal_volume=400.0, flow_pattern="decelerating", end_flow_ratio=0.4, **TIMES)
PRESSURES = {"inspiratory_pressure": 14.0, "peep": 6.0}
SHAPE = {"flow_pattern": "decelerating", "end_flow_ratio": 0.4}
DISPLAYED = {"peak_pressure": 25.0, "plateau_pressure": 18.0}

# Descriptions, numbers that no description has, and the numbers of the descriptions.
FORMS = {
    theory.pressure_control: ((LUNG, SQUARE), {}, ONE | WAY_OUT | PRESSURES | TIMES),
    theory.volume_control: ((LUNG, FALLING), {}, ONE | WAY_OUT | {"tidal_volume": 400.0} | TIMES | SHAPE),
    theory.parallel_lungs: (
        ({"a": LUNG, "b": STIFF}, SQUARE),
        {"shared_resistance": 3.0, "expiratory_shared_resistance": 4.0},
        TWO | {"expiratory_resistance": [15.0, 12.0]} | PRESSURES | TIMES,
    ),
    theory.pressure_rise_from_rest: (
        (LUNG, SLOW), {"time": [0.1, 0.9]}, ONE | PRESSURES | {"rise_time_constant": 0.2}
    ),
    theory.constant_flow_split: (([LUNG, STIFF], FLOW), {"time": [0.1, 0.9]}, TWO | {"flow": 0.4}),
    theory.two_compartment_effective: (
        ([Region(compliance=50.0, resistance=10.0), STIFF],), {"frequency": [0.1, 2.0, math.inf]}, TWO
    ),
    theory.time_constant: ((LUNG,), {}, ONE),
    theory.fraction_complete: ((), {"time": 0.7, "time_constant": 0.5}, {}),
    theory.lung_tidal_volume: (
        (), {"tidal_volume": 500.0, "circuit_compliance": 2.0, "peak_pressure": 25.0, "peep": 5.0}, {}
    ),
    theory.mechanical_power_gattinoni_2016: (
        (LUNG, FLOW), {}, ONE | {"tidal_volume": 400.0, "rate": 15.0, "ie_ratio": 1 / 3, "peep": 6.0}
    ),
    theory.mechanical_power_simplified_gattinoni_2016: (
        (FLOW,), DISPLAYED, {"tidal_volume": 400.0, "rate": 15.0, "peep": 6.0}
    ),
    theory.mechanical_power_giosa_2019: (
        (FLOW,), {"peak_pressure": 25.0}, {"tidal_volume": 400.0, "rate": 15.0, "peep": 6.0, "flow": 0.4}
    ),
    theory.mechanical_power_becher_2019: (
        (SQUARE,), {"tidal_volume": 400.0}, PRESSURES | {"rate": 15.0}
    ),
}  # fmt: skip
BY_NAME = {form.__name__: (form, *given) for form, given in FORMS.items()}


def values(result):
    """The numbers of a result."""
    found = dataclasses.asdict(result) if dataclasses.is_dataclass(result) else {"result": result}
    return [value for name, value in found.items() if name != "given"]


def test_every_closed_form_is_here():
    public = {getattr(theory, name) for name in theory.__all__}
    assert set(FORMS) == {item for item in public if not isinstance(item, type)}


@pytest.mark.parametrize("name", BY_NAME)
def test_descriptions_give_what_their_numbers_give(name):
    form, descriptions, more, numbers = BY_NAME[name]
    for found, expected in zip(values(form(*descriptions, **more)), values(form(**more, **numbers)), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-14)


@pytest.mark.parametrize("name", BY_NAME)
def test_a_number_goes_before_that_of_a_description(name):
    form, descriptions, more, numbers = BY_NAME[name]
    for changed in numbers.keys() - {"flow_pattern"}:
        other = {changed: np.multiply(numbers[changed], 0.9)}
        found, expected = form(*descriptions, **more | other), form(**more | numbers | other)
        for one, two in zip(values(found), values(expected), strict=True):
            np.testing.assert_allclose(one, two, rtol=1e-14)


@pytest.mark.parametrize("name", BY_NAME)
def test_every_number_is_checked(name):
    form, _, more, numbers = BY_NAME[name]
    every = more | numbers
    for wrong in every.keys() - {"flow_pattern"}:
        for value, text in (
            ("12", "'12' is not a number"), (True, "True is not a number"), (math.nan, "nan .*is not allowed"),
            (-1.0, "-1 .*is not allowed.\n  "), (np.array([-1.0, np.max(every[wrong])]), "-1 .*is not allowed"),
        ):  # fmt: skip
            with pytest.raises(InputError, match=f"^{name}: {wrong} {text}"):
                form(**every | {wrong: value})
    if numbers:
        with pytest.raises(InputError, match=f"^{name}: missing: .*{next(iter(numbers))} .*\n  Give numbers"):
            form(**more)


@pytest.mark.parametrize("name", BY_NAME)
def test_help_names_every_parameter_with_its_unit(name):
    form, _, more, numbers = BY_NAME[name]
    parameters = form.__doc__.partition("Parameters\n")[2].partition("Returns\n")[0]
    for number in (more | numbers).keys() - {"flow_pattern"}:
        assert re.search(rf"^{number} : float or array(, optional)?\n    [A-Z].*\[.+\]$", parameters, re.MULTILINE)
    assert "Raises\n" in form.__doc__ and "Examples\n" in form.__doc__


PRESSURE = ONE | PRESSURES | TIMES
VOLUME = ONE | {"tidal_volume": 400.0} | TIMES
GROUP = TWO | PRESSURES | TIMES
SPLIT = {"time": 1.0, "flow": 0.5}
REFUSED = {
    "no expiration": (theory.pressure_control, PRESSURE | {"inspiratory_time": 4.0}, "leaves no time for exp"),
    "fast": (theory.volume_control, VOLUME | {"rate": [15.0, 90.0]}, r"rate of 90 1/min.\n.*period of 0\.66"),
    "shapes": (
        theory.pressure_control, PRESSURE | {"rate": [15.0, 20.0], "compliance": [30.0, 40.0, 50.0]},
        r"do not fit: compliance \(3,\), rate \(2,\)",
    ),
    "resistance": (theory.pressure_control, PRESSURE | {"resistance": 0.0}, "resistance 0 .*Allowed: above 0"),
    "pause": (theory.volume_control, VOLUME | {"pause_time": 1.25}, "pause_time 1.25 s leaves no time for flow"),
    "pattern": (theory.volume_control, VOLUME | {"flow_pattern": "decelerate"}, "Did you mean 'decelerating'?"),
    "end ratio": (theory.volume_control, VOLUME | {"end_flow_ratio": [0.0, 0.5]}, "ratio 0.5 has no meaning"),
    "end ratio above 1": (theory.volume_control, VOLUME | {"end_flow_ratio": 1.1}, "end_flow_ratio 1.1 is not"),
    "rows": (theory.parallel_lungs, GROUP | {"resistance": [1.0, 2.0, 3.0]}, r"resistance \(3,\)"),
    "no lungs": (theory.parallel_lungs, GROUP | {"compliance": [], "resistance": []}, "one number for each lung"),
    "table of lungs": (theory.parallel_lungs, GROUP | {"compliance": [[50.0, 25.0]]}, "one number for each lung"),
    "arrays": (theory.parallel_lungs, GROUP | {"peep": [5.0, 6.0]}, "settings are arrays.\n  Give one number"),
    "spread": (theory.parallel_lungs, GROUP | {"shared_resistance": 2e12}, "time constants of the lungs differ"),
    "three": (
        theory.two_compartment_effective, {"compliance": [50.0] * 3, "resistance": 5.0, "frequency": 1.0}, "not 3"
    ),
    "one": (theory.constant_flow_split, ONE | SPLIT, "two compartments, not 1"),
    "two and circuit": (theory.constant_flow_split, TWO | SPLIT | {"circuit_compliance": 2.0}, "not 3"),
    "circuit": (
        theory.lung_tidal_volume,
        {"tidal_volume": 500.0, "circuit_compliance": 9.0, "peak_pressure": 65.0, "peep": 5.0},
        "would keep 540 mL of tidal_volume 500 mL",
    ),
    "peak below PEEP": (
        theory.lung_tidal_volume,
        {"tidal_volume": 500.0, "circuit_compliance": 2.0, "peak_pressure": [9.0, 4.0], "peep": 5.0},
        "peak_pressure 4 cmH2O is below peep 5 cmH2O",
    ),
    "plateau above peak": (
        theory.mechanical_power_simplified_gattinoni_2016,
        {"tidal_volume": 500.0, "rate": 20.0, "peak_pressure": 20.0, "plateau_pressure": 21.0, "peep": 5.0},
        "peak_pressure 20 cmH2O is below plateau_pressure 21",
    ),
}  # fmt: skip


@pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")
@pytest.mark.parametrize("case", REFUSED)
def test_numbers_that_are_impossible_together_are_refused(case):
    form, arguments, message = REFUSED[case]
    with pytest.raises(InputError, match=f"(?s){message}") as caught:
        form(**arguments)
    assert str(caught.value).startswith(form.__name__) and "\n  " in str(caught.value)


BREATH = theory.pressure_control(**PRESSURE)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: BREATH.waveform("now"), "waveform: times 'now' is not a number"),
        (lambda: theory.parallel_lungs(**GROUP).waveform(math.inf), "times inf s is not allowed"),
        (lambda: theory.pressure_control(**PRESSURE | {"rate": [9.0, 8.0]}).waveform([1, 2, 3]), r"times \(3,\)"),
        (lambda: BREATH.from_rest(0), "from_rest: breath 0 is not allowed"),
        (lambda: theory.pressure_control(**PRESSURE | {"rate": [9.0, 8.0]}).from_rest([1, 2, 3]), r"h \(3,\)"),
        (lambda: BREATH.from_rest([1, 1.5]), "breath 1.5 is not allowed.\n  Allowed: whole number at least 1"),
        (lambda: theory.pressure_control(LUNG, FLOW), r"is not pressure control.\n  Give PressureControl"),
        (lambda: theory.volume_control(LUNG, 5.0), "5.0 is not volume control"),
        (lambda: theory.pressure_control(LUNG, SLOW), "constant pressure in inspiration.*exponential"),
        (lambda: theory.mechanical_power_giosa_2019(FALLING, peak_pressure=20.0), "constant flow .*linear"),
        (lambda: theory.pressure_rise_from_rest(LUNG, SQUARE, time=1.0), "missing: rise_time_constant"),
        (lambda: theory.pressure_control(50.0, SQUARE), "missing: compliance .*, resistance"),
        (lambda: theory.pressure_control(compliance=50), r": missing: resistance \[cmH2O·s/L\], inspiratory_pre"),
        (lambda: theory.two_compartment_effective([LUNG, STIFF], frequency=1.0), "one resistance for both dir"),
    ],
)  # fmt: skip
def test_misuse_of_descriptions_and_methods_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


# Laws in place of numbers, and regions, as any object that has these attributes.
BEYOND = {
    "effort": vs.Lung(**ONE, effort=HalfSineEffort(rate=15.0, duration=1.0, amplitude=5.0)),
    "compliance": Lung(compliance=Exponential(largest_volume=3000.0, pressure_rate=0.05), resistance=10.0),
    "regions": Lung(resistance=5.0, regions=(Region(**ONE), Region(**ONE))),
}


@pytest.mark.parametrize("what", BEYOND)
def test_lungs_that_are_not_linear_and_passive_are_refused(what):
    message = f"^pressure_control: the closed form holds for linear, passive lungs.*{what}.*\n  Use steady_breath"
    with pytest.raises(InputError, match=message):
        theory.pressure_control(BEYOND[what], SQUARE)
    with pytest.raises(InputError, match=message.replace("pressure_control", "parallel_lungs")):
        theory.parallel_lungs([LUNG, BEYOND[what]], SQUARE)


def test_a_law_that_is_a_straight_line_counts_as_its_resistance():
    """Of laws of flow in place of numbers one without a quadratic part."""
    lung = Lung(compliance=50.0, resistance=Rohrer(linear=10.0), chest_wall_compliance=200.0)
    assert theory.time_constant(lung) == pytest.approx(0.4, rel=1e-15)  # 1/50 + 1/200 = 1/40
    with pytest.raises(InputError, match="not with resistance of this one"):
        theory.time_constant(lung.changed(resistance=Rohrer(linear=10.0, quadratic=3.0)))


def test_unlikely_numbers_are_warned_of():
    with pytest.warns(PlausibilityWarning, match=r"compliance 0\.05 .*\n  Did you mean 50 \(0\.05 L/cmH2O"):
        theory.time_constant(compliance=0.05, resistance=10.0)


@pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning")
@pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")
def test_numbers_that_overflow_are_refused():
    with pytest.raises(InputError, match="too large or too small to calculate with"):
        theory.time_constant(compliance=1e200, resistance=1e200)


def test_names_of_lungs_and_a_list_give_the_same():
    by_name = theory.parallel_lungs({"a": LUNG, "b": STIFF}, SQUARE)
    listed = theory.parallel_lungs([LUNG, STIFF], SQUARE)
    np.testing.assert_array_equal(by_name.tidal_volume, listed.tidal_volume)


def test_results_are_frozen_and_their_numbers_too():
    for item, name in ((BREATH, "tidal_volume"), (BREATH.given, "compliance")):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(item, name, 1.0)
    assert isinstance(BREATH.tidal_volume, float)
