"""Closed forms keep their identities, and reduce to simpler cases at their limits."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ventsim.theory import (
    constant_flow_split,
    fraction_complete,
    lung_tidal_volume,
    mechanical_power_gattinoni_2016,
    mechanical_power_simplified_gattinoni_2016,
    parallel_lungs,
    pressure_control,
    pressure_rise_from_rest,
    time_constant,
    two_compartment_effective,
    volume_control,
)

# Limits are looked for where no lung is.
pytestmark = pytest.mark.filterwarnings("ignore::ventsim.errors.PlausibilityWarning")

few = settings(max_examples=40, deadline=None, derandomize=True)
steps, peeps, volumes = st.floats(1.0, 60.0), st.floats(0.0, 30.0), st.floats(5.0, 1500.0)
compliances, resistances = st.floats(1.0, 200.0), st.floats(0.5, 200.0)
rates, duties, ratios = st.floats(4.0, 80.0), st.floats(0.1, 0.8), st.floats(0.0, 1.0)


@st.composite
def pressure_settings(draw):
    rate = draw(rates)
    return {
        "inspiratory_pressure": draw(steps), "peep": draw(peeps), "compliance": draw(compliances),
        "resistance": draw(resistances), "expiratory_resistance": draw(resistances), "rate": rate,
        "inspiratory_time": draw(duties) * 60.0 / rate,
    }  # fmt: skip


@st.composite
def volume_settings(draw):
    rate = draw(rates)
    time_in = draw(duties) * 60.0 / rate
    pattern = draw(st.sampled_from(["constant", "decelerating", "sine"]))
    return {
        "tidal_volume": draw(volumes), "peep": draw(peeps), "compliance": draw(compliances),
        "resistance": draw(resistances), "expiratory_resistance": draw(resistances), "rate": rate,
        "inspiratory_time": time_in, "pause_time": draw(st.floats(0.0, 0.6)) * time_in,
        "flow_pattern": pattern, "end_flow_ratio": draw(ratios) if pattern == "decelerating" else 0.0,
    }  # fmt: skip


@st.composite
def groups(draw, most=5):
    rate, number = draw(rates), draw(st.integers(2, most))
    rows = st.lists(compliances, min_size=number, max_size=number)
    paths = st.lists(resistances, min_size=number, max_size=number)
    return {
        "inspiratory_pressure": draw(steps), "peep": draw(peeps), "compliance": draw(rows),
        "resistance": draw(paths), "expiratory_resistance": draw(paths),
        "shared_resistance": draw(st.floats(0.0, 50.0)),
        "expiratory_shared_resistance": draw(st.floats(0.0, 50.0)),
        "rate": rate, "inspiratory_time": draw(duties) * 60.0 / rate,
    }  # fmt: skip


def measures(breath):
    """The numbers of a breath by name."""
    return {name: value for name, value in vars(breath).items() if name != "given"}


def mean_over_breath(breath, edges):
    """Means of airway and alveolar pressure, by Gauss-Legendre quadrature on 60 panels of each phase.

    Panels crowd towards the start of a phase, where exponentials change fastest.
    """
    nodes, weights = np.polynomial.legendre.leggauss(10)
    total = np.zeros(2)
    for start, end in itertools.pairwise(edges):
        panels = start + (end - start) * np.linspace(0.0, 1.0, 61) ** 3
        width = np.diff(panels)[:, np.newaxis]
        times = panels[:-1, np.newaxis] + width * (nodes + 1.0) / 2.0
        wave = breath.waveform(times)
        for i, values in enumerate((wave.airway_pressure, wave.alveolar_pressure)):
            total[i] += (values * weights * width / 2.0).sum()
    return total / edges[-1]


@few
@given(pressure_settings())
def test_mean_pressures_of_pressure_control(arguments):
    """Stated means are those of the waveform; alveolar minus airway mean is (Re - Ri) VT / T."""
    breath = pressure_control(**arguments)
    period = 60.0 / arguments["rate"]
    edges = [0.0, arguments["inspiratory_time"], period]
    airway, alveolar = mean_over_breath(breath, edges)
    assert breath.mean_airway_pressure == pytest.approx(airway, rel=1e-9)
    assert breath.mean_alveolar_pressure == pytest.approx(alveolar, rel=1e-8)
    surplus = (arguments["expiratory_resistance"] - arguments["resistance"]) * breath.tidal_volume / 1000 / period
    assert alveolar - airway == pytest.approx(surplus, rel=1e-6, abs=1e-6)


@few
@given(volume_settings())
def test_mean_pressures_of_volume_control(arguments):
    """Stated means are those of the waveform, for every flow pattern."""
    breath = volume_control(**arguments)
    period, time_in = 60.0 / arguments["rate"], arguments["inspiratory_time"]
    edges = [0.0, time_in - arguments["pause_time"], time_in, period]
    airway, alveolar = mean_over_breath(breath, edges)
    assert breath.mean_airway_pressure == pytest.approx(airway, rel=1e-9)
    assert breath.mean_alveolar_pressure == pytest.approx(alveolar, rel=1e-8)


@few
@given(pressure_settings())
def test_tidal_volume_is_compliance_times_swing_and_bounded(arguments):
    breath = pressure_control(**arguments)
    swing = breath.end_inspiratory_alveolar_pressure - breath.end_expiratory_alveolar_pressure
    assert breath.tidal_volume == pytest.approx(arguments["compliance"] * swing, rel=1e-9, abs=1e-9)
    assert breath.tidal_volume <= breath.tidal_volume_at_low_rate * (1 + 1e-14)


@few
@given(pressure_settings())
def test_long_breaths_empty_and_fill_the_lung(arguments):
    """Expiration far longer than its time constant: C dp (1 - e^(-ti/tau)). Inspiration too: C dp."""
    slowest = max(arguments["resistance"], arguments["expiratory_resistance"]) * arguments["compliance"] / 1000
    time_in = 0.7 * slowest
    slow = arguments | {"inspiratory_time": time_in, "rate": 60.0 / (time_in + 40.0 * slowest)}
    breath = pressure_control(**slow)
    part = fraction_complete(time=time_in, time_constant=arguments["resistance"] * arguments["compliance"] / 1000)
    emptied = arguments["compliance"] * arguments["inspiratory_pressure"] * part
    assert breath.tidal_volume == pytest.approx(emptied, rel=1e-13)
    assert breath.tidal_volume == pytest.approx(breath.tidal_volume_at_low_rate, rel=1e-14)
    slower = arguments | {"inspiratory_time": 40.0 * slowest, "rate": 60.0 / (80.0 * slowest)}
    full = arguments["compliance"] * arguments["inspiratory_pressure"]
    assert pressure_control(**slower).tidal_volume == pytest.approx(full, rel=1e-14)


@few
@given(pressure_settings(), duties)
def test_fast_rate_reaches_the_ceiling_of_minute_volume(arguments, duty):
    """At a billion breaths a minute, minute volume and mean alveolar pressure are at their limits."""
    fast = arguments | {"rate": 1e9, "inspiratory_time": duty * 60.0 / 1e9}
    breath = pressure_control(**fast)
    usual = pressure_control(**arguments | {"inspiratory_time": duty * 60.0 / arguments["rate"]})
    assert breath.minute_volume == pytest.approx(usual.minute_volume_at_high_rate, rel=1e-7)
    assert breath.mean_alveolar_pressure == pytest.approx(usual.mean_alveolar_pressure_at_high_rate, rel=1e-7)
    # The limit is approached from below: a minute holds no more at any rate.
    assert usual.minute_volume <= usual.minute_volume_at_high_rate * (1 + 1e-12)


@few
@given(pressure_settings())
def test_first_breaths_lead_to_the_steady_one(arguments):
    """Trapped volume grows from breath to breath; breath 10000 is the steady one."""
    breaths = np.arange(1, 8)
    steady = pressure_control(**arguments)
    first = steady.from_rest(breaths)
    before = np.concatenate(([arguments["peep"]], first.end_expiratory_alveolar_pressure[:-1]))
    swing = first.end_inspiratory_alveolar_pressure - before
    np.testing.assert_allclose(first.inspired_volume, arguments["compliance"] * swing, rtol=1e-8, atol=1e-9)
    assert np.all(np.diff(first.end_expiratory_alveolar_pressure) >= 0.0)
    assert np.all(first.inspired_volume >= first.expired_volume - 1e-9)
    last = steady.from_rest(10_000)
    assert last.inspired_volume == pytest.approx(steady.tidal_volume, rel=1e-9, abs=1e-9)
    assert last.expired_volume == pytest.approx(steady.tidal_volume, rel=1e-9, abs=1e-9)
    top, bottom = steady.end_inspiratory_alveolar_pressure, steady.end_expiratory_alveolar_pressure
    assert last.end_inspiratory_alveolar_pressure == pytest.approx(top, rel=1e-9)
    assert last.end_expiratory_alveolar_pressure == pytest.approx(bottom, rel=1e-9)


@few
@given(pressure_settings())
def test_expiratory_resistance_left_out_is_the_inspiratory_one(arguments):
    """Left out or given as the same number: bit for bit the same, and the two mean pressures are equal."""
    same = arguments | {"expiratory_resistance": arguments["resistance"]}
    left_out = arguments | {"expiratory_resistance": None}
    breath = pressure_control(**same)
    assert measures(breath) == measures(pressure_control(**left_out))
    assert breath.mean_alveolar_pressure == breath.mean_airway_pressure


@few
@given(volume_settings())
def test_ramp_that_does_not_fall_is_constant_flow(arguments):
    constant = volume_control(**(arguments | {"flow_pattern": "constant", "end_flow_ratio": 0.0}))
    level = volume_control(**(arguments | {"flow_pattern": "decelerating", "end_flow_ratio": 1.0}))
    for name, value in measures(constant).items():
        assert getattr(level, name) == pytest.approx(value, rel=1e-12), name


@few
@given(volume_settings())
def test_volume_control_without_resistance_to_inspiration(arguments):
    """The highest airway pressure is the plateau, as the resistance to inspiration vanishes."""
    arguments = arguments | {"resistance": 1e-9}
    breath = volume_control(**arguments)
    assert breath.peak_airway_pressure == pytest.approx(breath.plateau_pressure, rel=1e-6)
    assert breath.onset_pressure_step == pytest.approx(0.0, abs=1e-5)


@few
@given(volume_settings())
def test_volume_control_and_pressure_control_empty_alike(arguments):
    """Expiration is the same passive decay: b of both kinds of breath agrees."""
    breath = volume_control(**arguments)
    driving = breath.plateau_pressure - arguments["peep"]
    names = ("peep", "compliance", "resistance", "expiratory_resistance", "rate", "inspiratory_time")
    other = pressure_control(inspiratory_pressure=10.0, **{k: arguments[k] for k in names})
    above = other.end_inspiratory_alveolar_pressure - arguments["peep"]
    assert breath.auto_peep / driving == pytest.approx(other.auto_peep / above, rel=1e-9, abs=1e-12)


@few
@given(groups())
def test_without_shared_resistance_each_lung_breathes_alone(arguments):
    alone = arguments | {"shared_resistance": 0.0, "expiratory_shared_resistance": 0.0}
    group = parallel_lungs(**alone)
    one = pressure_control(
        compliance=np.array(alone["compliance"]), resistance=np.array(alone["resistance"]),
        expiratory_resistance=np.array(alone["expiratory_resistance"]),
        **{k: alone[k] for k in ("inspiratory_pressure", "peep", "rate", "inspiratory_time")},
    )  # fmt: skip
    for name in ("tidal_volume", "end_inspiratory_alveolar_pressure", "auto_peep", "mean_alveolar_pressure"):
        np.testing.assert_allclose(getattr(group, name), getattr(one, name), rtol=1e-9, atol=1e-9)


@few
@given(pressure_settings(), st.integers(1, 6), st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_equal_lungs_are_equal_and_as_one_with_n_times_the_shared_resistance(
    arguments, number, shared, shared_out
):
    """By symmetry each of n equal lungs sees its own resistance plus n times the shared one."""
    names = ("inspiratory_pressure", "peep", "rate", "inspiratory_time")
    common = {k: arguments[k] for k in names}
    group = parallel_lungs(
        compliance=[arguments["compliance"]] * number, resistance=[arguments["resistance"]] * number,
        expiratory_resistance=[arguments["expiratory_resistance"]] * number, shared_resistance=shared,
        expiratory_shared_resistance=shared_out, **common,
    )  # fmt: skip
    one = pressure_control(
        compliance=arguments["compliance"], resistance=arguments["resistance"] + number * shared,
        expiratory_resistance=arguments["expiratory_resistance"] + number * shared_out, **common,
    )  # fmt: skip
    for name in ("tidal_volume", "end_inspiratory_alveolar_pressure", "auto_peep", "mean_alveolar_pressure"):
        np.testing.assert_allclose(getattr(group, name), getattr(one, name), rtol=1e-9, atol=1e-9)


@few
@given(groups(), st.randoms(use_true_random=False))
def test_order_of_lungs_does_not_matter(arguments, random):
    order = list(range(len(arguments["compliance"])))
    random.shuffle(order)
    rows = ("compliance", "resistance", "expiratory_resistance")
    shuffled = arguments | {k: [arguments[k][i] for i in order] for k in rows}
    group, other = parallel_lungs(**arguments), parallel_lungs(**shuffled)
    for name in ("tidal_volume", "end_inspiratory_volume", "end_expiratory_volume", "mean_alveolar_pressure"):
        np.testing.assert_allclose(getattr(other, name), getattr(group, name)[order], rtol=1e-8, atol=1e-9)


@few
@given(groups())
def test_parallel_lungs_repeat_their_breath_and_balance_their_flows(arguments):
    """Lungs pass the switches without a jump, and the shared flow is the sum of the branches."""
    breath = parallel_lungs(**arguments)
    time_in, period = arguments["inspiratory_time"], 60.0 / arguments["rate"]
    # A little beside the switches, so that rounding cannot put a time on the wrong side of one.
    times = np.array([0.0, (1 - 1e-12) * time_in, (1 + 1e-12) * time_in, (1 - 1e-12) * period])
    wave = breath.waveform(times)
    top, bottom = breath.end_inspiratory_alveolar_pressure, breath.end_expiratory_alveolar_pressure
    np.testing.assert_allclose(wave.alveolar_pressure, [bottom, top, top, bottom], rtol=1e-7, atol=1e-9)
    shared = np.array([arguments["shared_resistance"]] * 2 + [arguments["expiratory_shared_resistance"]] * 2)
    source = arguments["peep"] + np.array([1.0, 1.0, 0.0, 0.0]) * arguments["inspiratory_pressure"]
    drop = source - wave.airway_pressure
    np.testing.assert_allclose(drop, shared * wave.flow.sum(axis=-1), rtol=1e-9, atol=1e-9)


@few
@given(st.lists(compliances, min_size=2, max_size=2), st.lists(resistances, min_size=2, max_size=2))
def test_two_compartments_at_their_limits(both, paths):
    """Frequency 0 adds compliances; infinity puts resistances in parallel (Otis et al. 1956)."""
    slow = two_compartment_effective(frequency=0.0, compliance=both, resistance=paths)
    fast = two_compartment_effective(frequency=math.inf, compliance=both, resistance=paths)
    assert slow.compliance == pytest.approx(sum(both), rel=1e-13)
    assert fast.resistance == pytest.approx(paths[0] * paths[1] / sum(paths), rel=1e-13)
    sweep = two_compartment_effective(frequency=np.geomspace(1e-3, 1e3, 50), compliance=both, resistance=paths)
    assert np.all(np.diff(sweep.compliance) <= 1e-12 * sweep.compliance[0])
    assert np.all(np.diff(sweep.resistance) <= 1e-12 * sweep.resistance[0])
    nearly = two_compartment_effective(frequency=1e6, compliance=both, resistance=paths)
    assert nearly.compliance == pytest.approx(fast.compliance, rel=1e-4)
    assert nearly.resistance == pytest.approx(fast.resistance, rel=1e-4)


@few
@given(st.floats(0.0, 10.0), compliances, resistances, st.floats(0.1, 10.0))
def test_two_compartments_of_one_time_constant_are_one_lung(frequency, compliance, resistance, size):
    """A lung cut into parts of equal time constant has the sum of compliances at every frequency."""
    lung = two_compartment_effective(
        frequency=frequency, compliance=[compliance, size * compliance], resistance=[resistance, resistance / size]
    )
    assert lung.compliance == pytest.approx((1 + size) * compliance, rel=1e-12)
    assert lung.resistance == pytest.approx(resistance / (1 + size), rel=1e-12)


@few
@given(st.floats(0.0, 5.0), st.floats(0.05, 2.0), compliances, st.floats(0.05, 10.0), resistances)
def test_circuit_and_lung_hold_all_gas(time, flow, compliance, circuit_compliance, resistance):
    """The circuit keeps its compliance times its pressure: lung_tidal_volume is exact here."""
    split = constant_flow_split(
        time=time, flow=flow, compliance=compliance, circuit_compliance=circuit_compliance, resistance=resistance
    )
    volume = 1000.0 * flow * time
    assert split.inspired_volume[0] + split.circuit_volume == pytest.approx(volume, rel=1e-12, abs=1e-12)
    if volume > 1e-6:
        left = lung_tidal_volume(
            tidal_volume=volume, circuit_compliance=circuit_compliance,
            peak_pressure=5.0 + split.airway_pressure * (1 - 1e-12), peep=5.0,
        )  # fmt: skip
        assert left == pytest.approx(split.inspired_volume[0], rel=1e-6, abs=1e-6 * volume)


def test_stiff_circuit_keeps_nothing():
    """As the compliance of the circuit vanishes, all of a set 500 mL reaches the lung."""
    split = constant_flow_split(time=1.0, flow=0.5, compliance=50.0, circuit_compliance=1e-9, resistance=10.0)
    assert split.inspired_volume[0] == pytest.approx(500.0, rel=1e-9)
    assert split.airway_pressure == pytest.approx(500.0 / 50.0 + 10.0 * 0.5, rel=1e-9)


@few
@given(
    st.floats(0.01, 20.0), st.floats(0.05, 3.0), st.lists(compliances, min_size=2, max_size=2),
    st.lists(resistances, min_size=2, max_size=2),
)  # fmt: skip
def test_constant_flow_splits_by_resistance_then_by_compliance(time, flow, both, paths):
    split = constant_flow_split(time=time, flow=flow, compliance=both, resistance=paths)
    assert split.inspired_volume.sum() == pytest.approx(1000.0 * flow * time, rel=1e-12)
    first = constant_flow_split(time=0.0, flow=flow, compliance=both, resistance=paths)
    late = constant_flow_split(time=100.0 * split.time_constant, flow=flow, compliance=both, resistance=paths)
    np.testing.assert_allclose(first.flow, flow * np.array(paths[::-1]) / sum(paths), rtol=1e-12)
    np.testing.assert_allclose(late.flow, flow * np.array(both) / sum(both), rtol=1e-12)


def test_rise_of_no_duration_is_a_step():
    """A rise of 1e-9 s fills as the square wave does: 1 - e^(-t/tau)."""
    wave = pressure_rise_from_rest(
        time=0.7, inspiratory_pressure=15.0, peep=5.0, rise_time_constant=1e-9, compliance=50.0, resistance=10.0
    )
    part = fraction_complete(time=0.7, time_constant=time_constant(compliance=50.0, resistance=10.0))
    assert wave.alveolar_pressure == pytest.approx(5.0 + 15.0 * part, rel=1e-8)


@few
@given(volumes, compliances, resistances, rates, st.floats(0.2, 2.0), peeps)
def test_both_gattinoni_forms_agree(volume, compliance, resistance, rate, ratio, peep):
    """The simplified form is the full one with peak and plateau of a lung without auto-PEEP put in."""
    flow = volume / 1000 * rate * (1 + ratio) / (60 * ratio)
    plateau = peep + volume / compliance
    full = mechanical_power_gattinoni_2016(
        tidal_volume=volume,
        compliance=compliance,
        resistance=resistance,
        rate=rate,
        ie_ratio=ratio,
        peep=peep,
    )
    simplified = mechanical_power_simplified_gattinoni_2016(
        tidal_volume=volume,
        rate=rate,
        peak_pressure=plateau + resistance * flow,
        plateau_pressure=plateau,
        peep=peep,
    )
    assert simplified == pytest.approx(full, rel=1e-12)


@few
@given(
    st.fixed_dictionaries({
        "step": st.sampled_from([1e-12, 1.0, 1e12]), "peep": st.sampled_from([0.0, 1e12]),
        "compliance": st.sampled_from([1e-12, 1.0, 1e12]), "resistance": st.sampled_from([1e-12, 1.0, 1e12]),
        "rate": st.sampled_from([1e-12, 1.0, 1e12]), "duty": st.sampled_from([1e-9, 0.5, 1 - 1e-9]),
    })
)  # fmt: skip
def test_extremes_give_finite_numbers(extreme):
    """Far outside of what any lung is no result is infinite or NaN, and numpy does not warn."""
    time_in = extreme["duty"] * 60.0 / extreme["rate"]
    assume(0.0 < time_in < 60.0 / extreme["rate"])
    common = {k: extreme[k] for k in ("peep", "compliance", "resistance", "rate")} | {"inspiratory_time": time_in}
    one = pressure_control(inspiratory_pressure=extreme["step"], **common)
    two = volume_control(tidal_volume=extreme["step"], flow_pattern="sine", **common)
    for result in (one, one.waveform(0.5 * time_in), two):
        assert all(math.isfinite(value) for value in measures(result).values())
