"""Lungs and leaks: what they consist of, the contract of a lung with the engine, and what they refuse."""

import copy
import pickle

import numpy as np
import pytest

from ventsim import layouts
from ventsim.errors import CircuitError, PartError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.laws import ElasticSum, ElasticTerms, Exponential, Rohrer, Sigmoid, VolumeDependent
from ventsim.model.parts import (
    HalfSineEffort,
    Leak,
    Lung,
    Passage,
    Region,
    SampledEffort,
    Store,
    YPiece,
)
from ventsim.model.parts.part import Atmosphere, ElasticStore

SIGMOID = Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0)
EXPONENTIAL = Exponential(largest_volume=6000.0, pressure_rate=0.12)
VOLUME_DEPENDENT = VolumeDependent(elastance=0.02, volume_elastance=1e-5)
HALF_SINE = HalfSineEffort(amplitude=8.0, duration=1.0, rate=15.0, delay=0.5)
SAMPLED = SampledEffort(times=(0.5, 1.0, 1.25), pressures=(0.0, 6.0, 0.0), period=4.0)
FAST, SLOW = (
    Region(compliance=30.0, resistance=5.0),
    Region(compliance=20.0, resistance=25.0, expiratory_resistance=40.0),
)
LUNGS = {
    "simple": Lung(compliance=50.0, resistance=10.0),
    "simple with effort": Lung(compliance=50.0, resistance=10.0, effort=HALF_SINE),
    "sigmoid": Lung(compliance=SIGMOID, resistance=10.0, expiratory_resistance=15.0),
    "exponential": Lung(compliance=EXPONENTIAL, resistance=10.0, effort=SAMPLED),
    "volume-dependent": Lung(compliance=VOLUME_DEPENDENT, resistance=10.0, chest_wall_compliance=200.0),
    "two regions": Lung(resistance=4.0, regions=(FAST, SLOW)),
    "three regions": Lung(
        resistance=4.0, regions=(FAST, SLOW, SLOW), collateral_resistance=100.0, effort=HALF_SINE
    ),
}
EVERY = pytest.mark.parametrize("lung", LUNGS.values(), ids=LUNGS.keys())


def passages(part):
    return [element for element in part.elements() if isinstance(element, Passage)]


def stores(part):
    return [element for element in part.elements() if isinstance(element, Store | ElasticStore)]


# --- the contract ---------------------------------------------------------------------------------------------


@EVERY
def test_contract_of_a_lung(lung):
    """What the engine relies on; the points are those of LungPart's docstring."""
    assert lung.ports == ("airway",)
    assert {"relaxation_volume", "predicted_body_weight"} <= set(type(lung).model_fields)
    (airway,) = [passage for passage in passages(lung) if "airway" in (passage.start, passage.end)]
    assert airway.start == "airway" and not airway.is_ideal
    assert tuple(store.at for store in stores(lung)) == lung.compartments
    assert len(lung.compartment_weights) == len(lung.compartments)
    assert sum(lung.compartment_weights) == pytest.approx(1.0, rel=1e-14)
    assert min(lung.compartment_weights) > 0.0


@EVERY
def test_lungs_in_a_circuit(lung):
    """Circuits and layouts find any kind of lung; plain values come back as the same lung."""
    circuit = layouts.shared({"a": lung, "b": LUNGS["simple"]})
    assert circuit.lungs == {"a": lung, "b": LUNGS["simple"]}
    assert layouts.single(lung).lungs == {"lung": lung}
    assert Circuit.from_dict(circuit.model_dump()) == circuit
    assert layouts.Layout.from_dict(layouts.Layout(lungs={"a": lung}).model_dump()).lungs == {"a": lung}


@EVERY
def test_copies_are_equal_and_hash_alike(lung):
    for other in (copy.deepcopy(lung), pickle.loads(pickle.dumps(lung)), lung.changed({})):
        assert other == lung and hash(other) == hash(lung)
    assert type(lung).from_dict(lung.model_dump()) == lung
    assert type(lung).from_dict(lung.model_dump(mode="json")) == lung


def test_layout_refuses_what_is_no_lung():
    for wrong in ({"kind": "tube", "length": 1.0}, {"kind": "elastic"}, YPiece()):
        with pytest.raises(
            CircuitError, match=r"lungs: 'a' is .*, not a lung\.\n  Give a Lung\(compliance=\.\.\., "
        ):
            layouts.Layout(lungs={"a": wrong})
    with pytest.raises(CircuitError, match=r"the circuit has no lung"):
        Circuit(parts={"y": YPiece()}, joints=())


# --- elements -------------------------------------------------------------------------------------------------


def test_elements_of_a_lung_with_an_elastic_law():
    """Chest wall of 200 mL/cmH2O: elastance 1/200, added to 0.02 cmH2O/mL of the lung."""
    airway, store = LUNGS["volume-dependent"].elements()
    assert airway == Passage("airway", "alveoli", Rohrer(linear=10.0), Rohrer(linear=10.0))
    assert store == ElasticStore(
        "alveoli", ElasticSum(laws=(VOLUME_DEPENDENT, VolumeDependent(elastance=0.005))), gas_volume=1500.0
    )
    assert store.law.terms == ElasticTerms(linear=0.025, quadratic=1e-5)
    airway, store = LUNGS["sigmoid"].elements()
    assert airway.backward == Rohrer(linear=15.0)
    assert store.law == SIGMOID
    assert LUNGS["exponential"].elements()[1].effort == SAMPLED.over_time()


def test_chest_wall_in_series():
    """Lung and chest wall hold the same volume: at 905.15 mL, 15 cmH2O of the sigmoid and 905.15 / 200."""
    volume = 1000.0 - 2000.0 / (1.0 + np.e**3)  # from the relaxation volume to the inflection
    law = Lung(compliance=SIGMOID, resistance=10.0, chest_wall_compliance=200.0).elastic_law
    assert float(law.pressure(volume)) == pytest.approx(15.0 + volume / 200.0, rel=1e-12)
    assert float(law.volume(15.0 + volume / 200.0)) == pytest.approx(volume, rel=1e-9)
    assert law.capacity == Lung(compliance=SIGMOID, resistance=10.0).elastic_law.capacity


def test_effort_of_a_simple_lung():
    """A straight line of 1/50 cmH2O/mL, lowered by the muscles; without effort a plain store."""
    assert stores(LUNGS["simple"]) == [Store("alveoli", 50.0, gas_volume=1500.0)]
    assert stores(LUNGS["simple with effort"]) == [
        ElasticStore("alveoli", VolumeDependent(elastance=0.02), HALF_SINE.over_time(), gas_volume=1500.0)
    ]


def test_elements_of_a_lung_with_regions():
    common, first, second = passages(LUNGS["two regions"])
    assert (common.start, common.end) == ("airway", "carina")
    assert (first.start, first.end, first.forward.linear) == ("carina", "region 1", 5.0)
    assert (second.end, second.forward.linear, second.backward.linear) == ("region 2", 25.0, 40.0)
    assert stores(LUNGS["two regions"]) == [
        Store("region 1", 30.0, gas_volume=900.0),
        Store("region 2", 20.0, gas_volume=600.0),
    ]
    assert LUNGS["two regions"].compartment_weights == pytest.approx((0.6, 0.4), rel=1e-15)  # 30 and 20 of 50


def test_compliance_at_rest():
    """30 and 20 side by side; 50 in a chest wall of 200: 1/(1/50 + 1/200); a sigmoid: its slope there."""
    assert LUNGS["two regions"].compliance_at_relaxation == 50.0
    assert Lung(compliance=50.0, resistance=10.0).compliance_at_relaxation == 50.0
    walled = Lung(compliance=50.0, resistance=10.0, chest_wall_compliance=200.0)
    assert walled.compliance_at_relaxation == pytest.approx(40.0, rel=1e-12)
    sigmoid = Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0)
    assert Lung(compliance=sigmoid, resistance=10.0).compliance_at_relaxation == pytest.approx(
        float(sigmoid.compliance(0.0)), rel=1e-5
    )


def test_collateral_paths_join_neighbours():
    paths = [p for p in passages(LUNGS["three regions"]) if p.start.startswith("region")]
    assert [(p.start, p.end) for p in paths] == [("region 1", "region 2"), ("region 2", "region 3")]
    assert {(p.forward, p.backward) for p in paths} == {(Rohrer(linear=100.0), Rohrer(linear=100.0))}
    assert all(store.effort == HALF_SINE.over_time() for store in stores(LUNGS["three regions"]))


def test_elements_of_a_leak():
    """In line nothing is lost; to the atmosphere 100 q + 50 q² at 0.1 L/s: 10.5 cmH2O, by hand."""
    way, hole, outside = Leak(resistance=Rohrer(linear=100.0, quadratic=50.0)).elements()
    assert way.is_ideal and (way.start, way.end) == ("inlet", "outlet")
    assert (hole.start, hole.end) == ("inlet", outside.at) and isinstance(outside, Atmosphere)
    assert hole.forward == hole.backward
    assert hole.forward.pressure_drop(0.1) == pytest.approx(10.5, rel=1e-15)


# --- efforts --------------------------------------------------------------------------------------------------


def test_half_sine_effort():
    """8 sin(pi (t - 0.5)): 8 in the middle, 4 after a sixth of a second, 0 at rest, and again after 4 s."""
    pressure = HALF_SINE.over_time().pressure(np.array([0.0, 0.5, 0.5 + 1.0 / 6.0, 1.0, 1.5, 3.0, 5.0]))
    assert pressure == pytest.approx([0.0, 0.0, 4.0, 8.0, 0.0, 0.0, 8.0], abs=1e-12)
    assert HALF_SINE.period == 4.0


def test_an_effort_may_fill_its_period():
    """Rates that are not exact in binary: 60 / 17 s is filled to the last bit without a complaint."""
    effort = HalfSineEffort(amplitude=5.0, duration=60.0 / 17.0 - 0.3, rate=17.0, delay=0.3)
    assert effort.over_time().times[-1] <= effort.period


def test_sampled_effort():
    """Straight between the points of the example: 3 half way up and half way down, 0 outside."""
    pressure = SAMPLED.over_time().pressure(np.array([0.2, 0.75, 1.0, 1.125, 2.0, 4.75]))
    assert pressure == pytest.approx([0.0, 3.0, 6.0, 3.0, 0.0, 3.0], abs=1e-12)


def test_points_of_an_effort_may_come_as_an_array():
    given = SampledEffort(times=np.array([0.5, 1.0, 1.25]), pressures=[0, 6, 0], period=4)
    assert given == SAMPLED and hash(given) == hash(SAMPLED)


# --- refused and warned of --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        # pressure-volume laws
        (
            lambda: Lung(resistance=10.0),
            r"^lung: compliance is missing\.\n  Give compliance=\.\.\. in mL/cmH2O, .*; or regions=\(Region",
        ),
        (
            lambda: Lung(compliance={"law": "sigmoyd"}, resistance=10.0),
            r"^lung: compliance: there is no law 'sigmoyd'\.\n  Did you mean 'sigmoid'\?$",
        ),
        (
            lambda: Lung(compliance={"width": 5.0}, resistance=10.0),
            r"^lung: compliance: law is missing\.\n  Allowed: 'sigmoid",
        ),
        (
            lambda: Lung(compliance=Rohrer(linear=5.0), resistance=10.0),
            r"^lung: compliance: Rohrer.* is neither a number nor a pressure-volume law\.\n  Give a n",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=SIGMOID),
            r"^lung: resistance: Sigmoid.* is neither a number nor a flow law\.\n  Give a number, or laws\.Rohrer",
        ),
        (
            lambda: Lung(compliance=SIGMOID, resistance=10.0, chest_wall_compliance=0.0),
            r"chest_wall_compliance 0 mL/cmH2O is not allowed",
        ),
        (
            lambda: Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=0.0),
            r"sigmoid: width 0 cmH2O is not allowed",
        ),
        (
            lambda: Sigmoid(vital_capacity=float("nan"), inflection_pressure=15.0, width=5.0),
            r"vital_capacity nan mL is not allowed",
        ),
        (lambda: Exponential(largest_volume=-1.0, pressure_rate=0.1), r"largest_volume -1 mL is not allowed"),
        (
            lambda: VolumeDependent(elastance=0.02, volume_elastance=-1e-5),
            r"volume_elastance -1e-05 cmH2O/mL² is not allowed\.\n  Allowed: at least 0",
        ),
        # regions
        (
            lambda: Lung(resistance=4.0, regions=()),
            r"^lung: compliance is missing\.\n  Give",
        ),
        (lambda: Lung(resistance=4.0, regions=(FAST,) * 65), r"there are 65 of them\.\n  Allowed: 1 to 64"),
        (
            lambda: Lung(compliance=50.0, resistance=4.0, regions=(FAST,)),
            r"compliance and regions are given at once\.\n  Leave compliance out",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=4.0, collateral_resistance=100.0),
            r"collateral_resistance joins regions, and there is none\.\n  Leave it out",
        ),
        (lambda: Lung(resistance=4.0, regions=FAST), r"is not a list of regions\.\n  Give \(Region"),
        (
            lambda: Lung(resistance=4.0, regions=(FAST, 3)),
            r"number 2: 3 is not a region\.\n  Give Region",
        ),
        (
            lambda: Lung(resistance=4.0, regions=(FAST, {"compliance": 30.0, "resistance": 0.0})),
            r"regions: number 2: region: resistance 0 cmH2O·s/L is not allowed",
        ),
        (
            lambda: Lung(resistance=0.0, regions=(FAST,)),
            r"^lung: resistance 0 cmH2O·s/L is not",
        ),
        # efforts
        (
            lambda: HalfSineEffort(amplitude=5.0, duration=3.0, rate=30.0),
            r"half-sine effort: delay 0 s and duration 3 s end at 3 s, beyond the period of 2 s\.\n  Allowed at",
        ),
        (
            lambda: HalfSineEffort(amplitude=5.0, duration=1.0, rate=30.0, delay=1.5),
            r"end at 2\.5 s, beyond the period of 2 s",
        ),
        (lambda: HalfSineEffort(amplitude=300.0, duration=1.0, rate=15.0), r"amplitude 300 cmH2O is not allowed"),
        (lambda: HalfSineEffort(amplitude=5.0, duration=1.0, rate=0.0), r"rate 0 1/min is not allowed"),
        (lambda: SAMPLED.changed({"period": 1.0}), r"times end at 1\.25 s, beyond the period of 1 s"),
        (lambda: SAMPLED.changed({"pressures": (0.0, 5.0)}), r"there are 3 times, but 2 pressures"),
        (
            lambda: SAMPLED.changed({"times": (0.5, 1.25, 1.0)}),
            r"times: 1 s follows 1\.25 s\.\n  Allowed: each later",
        ),
        (lambda: SAMPLED.changed({"times": (0.5, 1.0, float("inf"))}), r"times inf s is not allowed"),
        (lambda: SAMPLED.changed({"pressures": (0.0, 5.0, 1.0)}), r"begin at 0 cmH2O and end at 1 cmH2O"),
        (
            lambda: SAMPLED.changed({"times": (1.0,), "pressures": (1.0,)}),
            r"1 points do not describe a pressure over time",
        ),
        (
            lambda: Lung(compliance=50.0, resistance=10.0, effort=5.0),
            r"effort: 5\.0 is not an effort\.\n  Give Half",
        ),
        # leak
        (
            lambda: Leak(resistance=0.0),
            r"leak: without resistance the hole would hold the circuit at atmospheric pressure\.\n  Give",
        ),
        (lambda: Leak(resistance=-1.0), r"leak: resistance -1 cmH2O·s/L is not allowed"),
    ],
)
def test_impossible_part(make, message):
    with pytest.raises(PartError, match=message):
        make()


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Sigmoid(vital_capacity=2.0, inflection_pressure=15.0, width=5.0),
            r"vital_capacity 2 mL is outside 10 to 10000\.\n  Did you mean 2000 \(2 L\)",
        ),
        (
            lambda: VolumeDependent(elastance=20.0),
            r"elastance 20 cmH2O/mL is outside 0\.003 to 5\.\n  Did you mean 0\.02 \(20 cmH2O/L\)",
        ),
        (
            lambda: Region(compliance=0.005, resistance=5.0),
            r"region: compliance 0\.005 mL/cmH2O is outside .*\n  Did you mean 5 \(0\.005 L/cmH2O\)",
        ),
        (
            lambda: HalfSineEffort(amplitude=120.0, duration=1.0, rate=15.0),
            r"amplitude 120 cmH2O is outside -60 to 60",
        ),
    ],
)
def test_implausible_part(make, message):
    with pytest.warns(PlausibilityWarning, match=message):
        make()


def test_a_region_whose_law_turns_back_close_to_rest_has_its_weight():
    """By definition the compliance at rest is 1/elastance: 50 mL/cmH2O, as of the other region."""
    with pytest.warns(PlausibilityWarning, match="volume_elastance"):
        law = VolumeDependent(elastance=0.02, volume_elastance=0.102)  # turns back at -0.00098 cmH2O
    lung = Lung(resistance=5, regions=[Region(compliance=law, resistance=5), Region(compliance=50, resistance=5)])
    assert lung.compartment_weights == pytest.approx((0.5, 0.5), rel=1e-9)
