"""Closed forms agree with the equation of motion, integrated independently or derived symbolically.

The integrator (scipy, DOP853, tolerance 1e-12) starts anew at every switch of the ventilator and repeats the
breath until it no longer changes. It also carries integrals of airway and alveolar pressure, for the means.
"""

import math

import numpy as np
import pytest
import sympy as sp
from scipy.integrate import solve_ivp

from ventsim.theory import (
    constant_flow_split,
    parallel_lungs,
    pressure_control,
    pressure_rise_from_rest,
    two_compartment_effective,
    volume_control,
)

RTOL = 1e-8  # limit of every comparison here; the integration itself is good to about 1e-11


def integrate(law, duration, state, *, times=None):
    """State after a duration, or at given times after its start."""
    solution = solve_ivp(law, (0.0, duration), state, method="DOP853", rtol=1e-12, atol=1e-12, t_eval=times)
    return solution.y[:, -1] if times is None else solution.y


def lung_law(airway_pressure, flow, compliance):
    """One lung: alveolar pressure, and integrals of airway and alveolar pressure. Compliance in L/cmH2O."""

    def law(time, state):
        return [flow(time, state[0]) / compliance, airway_pressure(time, state[0]), state[0]]

    return law


def repeated(phases, peep, *, breaths):
    """End-inspiratory and end-expiratory pressure and the two mean pressures, after many breaths."""
    bottom = peep
    for _ in range(breaths):
        state = np.array([bottom, 0.0, 0.0])
        for law, duration, last_of_inspiration in phases:
            state = integrate(law, duration, state)
            if last_of_inspiration:
                top = state[0]
        bottom = state[0]
    period = sum(duration for _, duration, _ in phases)
    return top, bottom, state[1] / period, state[2] / period


def emptying(peep, resistance, compliance):
    return lung_law(lambda t, p: peep, lambda t, p: (peep - p) / resistance, compliance)


@pytest.mark.parametrize(
    ("r_in", "r_out", "compliance", "rate", "time_in"),
    [(15.0, 25.0, 60.0, 20.0, 1.0), (20.0, 8.0, 35.0, 30.0, 0.9)],
)
def test_pressure_control_with_two_resistances(r_in, r_out, compliance, rate, time_in):
    step, peep = 20.0, 5.0
    breath = pressure_control(
        inspiratory_pressure=step, peep=peep, compliance=compliance, resistance=r_in,
        expiratory_resistance=r_out, rate=rate, inspiratory_time=time_in,
    )  # fmt: skip
    litres = compliance / 1000
    filling = lung_law(lambda t, p: peep + step, lambda t, p: (peep + step - p) / r_in, litres)
    phases = [(filling, time_in, True), (emptying(peep, r_out, litres), 60.0 / rate - time_in, False)]
    top, bottom, mean_airway, mean_alveolar = repeated(phases, peep, breaths=20)
    assert breath.end_inspiratory_alveolar_pressure == pytest.approx(top, rel=RTOL)
    assert breath.end_expiratory_alveolar_pressure == pytest.approx(bottom, rel=RTOL)
    assert breath.tidal_volume == pytest.approx(compliance * (top - bottom), rel=RTOL)
    assert breath.mean_airway_pressure == pytest.approx(mean_airway, rel=RTOL)
    assert breath.mean_alveolar_pressure == pytest.approx(mean_alveolar, rel=RTOL)
    assert breath.peak_inspiratory_flow == pytest.approx((peep + step - bottom) / r_in, rel=RTOL)
    assert breath.peak_expiratory_flow == pytest.approx((top - peep) / r_out, rel=RTOL)


def test_pressure_control_waveform():
    peep, step, litres, r_in, r_out, time_in, period = 5.0, 20.0, 0.060, 15.0, 25.0, 1.0, 3.0
    settings = {
        "inspiratory_pressure": step, "peep": peep, "compliance": 60.0, "resistance": r_in,
        "expiratory_resistance": r_out, "rate": 20.0, "inspiratory_time": time_in,
    }  # fmt: skip
    filling = lung_law(lambda t, p: peep + step, lambda t, p: (peep + step - p) / r_in, litres)
    phases = [(filling, time_in, True), (emptying(peep, r_out, litres), period - time_in, False)]
    top, bottom, _, _ = repeated(phases, peep, breaths=20)
    for start, law, first, airway, resistance, length in (
        (0.0, filling, bottom, peep + step, r_in, 1.0),
        (time_in, phases[1][0], top, peep, r_out, 2.0),
    ):
        times = np.linspace(0.0, 0.999 * length, 40)
        expected = integrate(law, length, [first, 0.0, 0.0], times=times)[0]
        wave = pressure_control(**settings).waveform(start + times + 2 * period)  # two breaths later: the same
        np.testing.assert_allclose(wave.alveolar_pressure, expected, rtol=RTOL)
        np.testing.assert_allclose(wave.volume, 60.0 * expected, rtol=RTOL)
        np.testing.assert_allclose(wave.flow, (airway - expected) / resistance, rtol=RTOL, atol=1e-9)
        np.testing.assert_allclose(wave.airway_pressure, airway, rtol=1e-14)


def test_first_breaths_of_pressure_control():
    peep, step, litres, r_in, r_out = 5.0, 20.0, 0.060, 15.0, 25.0
    filling = lung_law(lambda t, p: peep + step, lambda t, p: (peep + step - p) / r_in, litres)
    out = emptying(peep, r_out, litres)
    pressure = peep
    steady = pressure_control(
        inspiratory_pressure=step, peep=peep, compliance=60.0, resistance=r_in, expiratory_resistance=r_out,
        rate=20.0, inspiratory_time=1.0,
    )  # fmt: skip
    for number in range(1, 5):
        top = integrate(filling, 1.0, [pressure, 0.0, 0.0])[0]
        bottom = integrate(out, 2.0, [top, 0.0, 0.0])[0]
        breath = steady.from_rest(number)
        assert breath.inspired_volume == pytest.approx(60.0 * (top - pressure), rel=RTOL)
        assert breath.expired_volume == pytest.approx(60.0 * (top - bottom), rel=RTOL)
        assert breath.end_inspiratory_alveolar_pressure == pytest.approx(top, rel=RTOL)
        assert breath.end_expiratory_alveolar_pressure == pytest.approx(bottom, rel=RTOL)
        pressure = bottom


@pytest.mark.parametrize("rise", [0.05, 0.3, 0.4999999, 0.5, 0.5000001, 2.0])
def test_pressure_rise_from_rest(rise):
    """Also at, and close to, a rise as slow as the lung, where the plain formula divides zero by zero."""
    times = np.linspace(0.0, 3.0, 31)
    step, peep, resistance, litres = 15.0, 5.0, 10.0, 0.050

    def airway(time):
        return peep + step * (1.0 - np.exp(-time / rise))

    law = lung_law(lambda t, p: airway(t), lambda t, p: (airway(t) - p) / resistance, litres)
    expected = integrate(law, 3.0, [peep, 0.0, 0.0], times=times)[0]
    wave = pressure_rise_from_rest(
        time=times,
        inspiratory_pressure=step,
        peep=peep,
        rise_time_constant=rise,
        compliance=50.0,
        resistance=resistance,
    )
    np.testing.assert_allclose(wave.alveolar_pressure, expected, rtol=RTOL)
    np.testing.assert_allclose(wave.volume, 50.0 * expected, rtol=RTOL)
    np.testing.assert_allclose(wave.airway_pressure, airway(times), rtol=1e-14)
    np.testing.assert_allclose(wave.flow, (airway(times) - expected) / resistance, rtol=RTOL, atol=1e-9)


FLOWS = {
    "constant": ("constant", 0.0, lambda s: 1.0),
    "ramp to zero": ("decelerating", 0.0, lambda s: 2.0 * (1.0 - s)),
    "ramp to 0.3": ("decelerating", 0.3, lambda s: 2.0 / 1.3 * (1.0 - 0.7 * s)),
    "sine": ("sine", 0.0, lambda s: math.pi / 2.0 * math.sin(math.pi * s)),
}


@pytest.mark.parametrize("pause", [0.0, 0.25])
@pytest.mark.parametrize(("pattern", "ratio", "shape"), FLOWS.values(), ids=FLOWS)
def test_volume_control(pattern, ratio, shape, pause):
    volume, peep, r_in, r_out, compliance, rate, flow_time = 450.0, 8.0, 12.0, 22.0, 45.0, 22.0, 0.8
    settings = {
        "tidal_volume": volume, "peep": peep, "compliance": compliance, "resistance": r_in,
        "expiratory_resistance": r_out, "rate": rate, "inspiratory_time": flow_time + pause,
        "pause_time": pause, "flow_pattern": pattern, "end_flow_ratio": ratio,
    }  # fmt: skip
    breath = volume_control(**settings)
    litres = compliance / 1000

    def flow(time, pressure=0.0):
        return volume / 1000 / flow_time * shape(time / flow_time)

    filling = lung_law(lambda t, p: p + r_in * flow(t), flow, litres)
    waiting = lung_law(lambda t, p: p, lambda t, p: 0.0, litres)
    out = emptying(peep, r_out, litres)
    expiratory_time = 60.0 / rate - flow_time - pause
    phases = [(filling, flow_time, True), (out, expiratory_time, False)]
    if pause:
        phases.insert(1, (waiting, pause, True))
    top, bottom, mean_airway, mean_alveolar = repeated(phases, peep, breaths=25)
    assert breath.auto_peep == pytest.approx(bottom - peep, rel=RTOL)
    assert breath.end_expiratory_alveolar_pressure == pytest.approx(bottom, rel=RTOL)
    assert breath.plateau_pressure == pytest.approx(top, rel=RTOL)
    assert breath.driving_pressure == pytest.approx(top - bottom, rel=RTOL)
    assert breath.mean_airway_pressure == pytest.approx(mean_airway, rel=RTOL)
    assert breath.mean_alveolar_pressure == pytest.approx(mean_alveolar, rel=RTOL)
    assert breath.peak_expiratory_flow == pytest.approx((top - peep) / r_out, rel=RTOL)
    assert breath.onset_pressure_step == pytest.approx(r_in * flow(0.0), rel=RTOL)
    assert breath.end_flow_airway_pressure == pytest.approx(top + r_in * flow(flow_time), rel=RTOL)
    assert breath.minute_volume == pytest.approx(rate * volume / 1000, rel=1e-14)

    times = np.linspace(0.0, flow_time, 4001)[:-1]
    inside = integrate(filling, flow_time, [bottom, 0.0, 0.0], times=times)[0]
    airway = inside + [r_in * flow(t) for t in times]
    wave = breath.waveform(times)
    np.testing.assert_allclose(wave.airway_pressure, airway, rtol=RTOL)
    np.testing.assert_allclose(wave.alveolar_pressure, inside, rtol=RTOL)
    np.testing.assert_allclose(wave.flow, [flow(t) for t in times], rtol=1e-12, atol=1e-15)
    # A grid of 4000 points misses a smooth maximum by a few parts in ten million, and cannot exceed it.
    highest = max(airway.max(), breath.end_flow_airway_pressure)
    assert highest <= breath.peak_airway_pressure * (1.0 + RTOL)
    assert breath.peak_airway_pressure == pytest.approx(highest, rel=1e-6)
    assert breath.peak_inspiratory_flow == pytest.approx(max(map(flow, times)), rel=1e-6)
    if breath.peak_airway_pressure_time < flow_time:
        at_peak = breath.waveform(breath.peak_airway_pressure_time)
        assert at_peak.airway_pressure == pytest.approx(breath.peak_airway_pressure, rel=1e-13)

    later = np.linspace(0.0, 0.999 * expiratory_time, 20)
    left = integrate(out, expiratory_time, [top, 0.0, 0.0], times=later)[0]
    wave = breath.waveform(flow_time + pause + later)
    np.testing.assert_allclose(wave.alveolar_pressure, left, rtol=RTOL)
    np.testing.assert_allclose(wave.flow, (peep - left) / r_out, rtol=RTOL)
    np.testing.assert_array_equal(wave.airway_pressure, peep)


def test_pause_of_volume_control_shows_the_plateau():
    settings = {
        "tidal_volume": 450.0, "peep": 8.0, "compliance": 45.0, "resistance": 12.0, "rate": 22.0,
        "inspiratory_time": 1.0, "pause_time": 0.25,
    }  # fmt: skip
    breath = volume_control(**settings)
    wave = breath.waveform(np.array([0.7501, 0.9, 0.9999]))
    np.testing.assert_array_equal(wave.flow, 0.0)
    np.testing.assert_allclose(wave.airway_pressure, breath.plateau_pressure, rtol=1e-14)


GROUPS = {
    "N3": ([50.0, 25.0], [10.0, 10.0], [10.0, 10.0], 5.0, 5.0, 15.0, 5.0, 15.0, 4 / 3),
    "N4": ([50.0, 50.0], [5.0, 20.0], [5.0, 20.0], 3.0, 3.0, 10.0, 15.0, 20.0, 1.0),
    "all different": (
        [20.0, 35.0, 60.0],
        [8.0, 15.0, 20.0],
        [12.0, 25.0, 10.0],
        4.0,
        7.0,
        14.0,
        8.0,
        18.0,
        1.1,
    ),
}


@pytest.mark.parametrize(
    ("compliances", "r_in", "r_out", "shared", "shared_out", "step", "peep", "rate", "time_in"),
    GROUPS.values(), ids=GROUPS,
)  # fmt: skip
def test_parallel_lungs(compliances, r_in, r_out, shared, shared_out, step, peep, rate, time_in):
    """The junction is solved here as a balance of flows, not through the matrix of the library."""
    settings = {
        "inspiratory_pressure": step, "peep": peep, "compliance": compliances, "resistance": r_in,
        "expiratory_resistance": r_out, "shared_resistance": shared,
        "expiratory_shared_resistance": shared_out, "rate": rate, "inspiratory_time": time_in,
    }  # fmt: skip
    breath = parallel_lungs(**settings)
    litres, number = np.array(compliances) / 1000, len(compliances)

    def junction_and_flows(pressures, source, branch, trunk):
        # Unknowns: junction pressure and branch flows.
        matrix = np.zeros((number + 1, number + 1))
        matrix[0, 0], matrix[0, 1:] = 1.0, trunk
        matrix[1:, 0], matrix[1:, 1:] = -1.0, np.diag(branch)
        return np.linalg.solve(matrix, np.concatenate(([source], -np.asarray(pressures))))

    def law(source, branch, trunk):
        def slope(time, state):
            flows = junction_and_flows(state[:number], source, branch, trunk)[1:]
            return np.concatenate((flows / litres, state[:number]))

        return slope

    filling, out = law(peep + step, r_in, shared), law(peep, r_out, shared_out)
    time_out = 60.0 / rate - time_in
    bottom = np.full(number, peep)
    for _ in range(14):
        middle = integrate(filling, time_in, np.concatenate((bottom, np.zeros(number))))
        end = integrate(out, time_out, middle)
        top, bottom, means = middle[:number], end[:number], end[number:] / (time_in + time_out)
    np.testing.assert_allclose(breath.end_inspiratory_alveolar_pressure, top, rtol=RTOL)
    np.testing.assert_allclose(breath.end_expiratory_alveolar_pressure, bottom, rtol=RTOL)
    np.testing.assert_allclose(breath.tidal_volume, compliances * (top - bottom), rtol=RTOL)
    np.testing.assert_allclose(breath.end_inspiratory_volume, compliances * top, rtol=RTOL)
    np.testing.assert_allclose(breath.end_expiratory_volume, compliances * bottom, rtol=RTOL)
    np.testing.assert_allclose(breath.mean_alveolar_pressure, means, rtol=RTOL)

    for start, phase, first, source, branch, trunk, length in (
        (0.0, filling, bottom, peep + step, r_in, shared, time_in),
        (time_in, out, top, peep, r_out, shared_out, time_out),
    ):
        times = np.linspace(1e-9, 0.999 * length, 12)
        state = integrate(phase, length, np.concatenate((first, np.zeros(number))), times=times)[:number].T
        solved = np.array([junction_and_flows(row, source, branch, trunk) for row in state])
        wave = breath.waveform(start + times)
        np.testing.assert_allclose(wave.alveolar_pressure, state, rtol=RTOL)
        np.testing.assert_allclose(wave.volume, compliances * state, rtol=RTOL)
        np.testing.assert_allclose(wave.airway_pressure, solved[:, 0], rtol=RTOL)
        np.testing.assert_allclose(wave.flow, solved[:, 1:], rtol=RTOL, atol=1e-9)


def test_circuit_compliance():
    times = np.linspace(0.0, 1.2, 13)
    flow, lung, circuit, resistance = 0.6, 0.040, 0.003, 15.0

    def law(time, state):
        into_lung = (state[0] - state[1]) / resistance
        return [(flow - into_lung) / circuit, into_lung / lung]

    airway, inside = integrate(law, 1.2, [0.0, 0.0], times=times)
    split = constant_flow_split(
        time=times, flow=flow, compliance=40.0, circuit_compliance=3.0, resistance=resistance
    )
    np.testing.assert_allclose(split.airway_pressure, airway, rtol=RTOL, atol=1e-9)
    np.testing.assert_allclose(split.alveolar_pressure[:, 0], inside, rtol=RTOL, atol=1e-9)
    np.testing.assert_allclose(split.inspired_volume[:, 0], 40.0 * inside, rtol=RTOL, atol=1e-9)
    np.testing.assert_allclose(split.circuit_volume, 3.0 * airway, rtol=RTOL, atol=1e-9)
    np.testing.assert_allclose(split.flow[:, 0], (airway - inside) / resistance, rtol=RTOL, atol=1e-9)


def test_constant_flow_split():
    times = np.linspace(0.0, 2.0, 11)
    flow, c1, c2, r1, r2 = 0.8, 0.030, 0.055, 6.0, 18.0

    def law(time, volumes):
        first = (r2 * flow + volumes[1] / c2 - volumes[0] / c1) / (r1 + r2)
        return [first, flow - first]

    expected = integrate(law, 2.0, [0.0, 0.0], times=times)
    split = constant_flow_split(time=times, flow=flow, compliance=[30.0, 55.0], resistance=[r1, r2])
    np.testing.assert_allclose(split.inspired_volume.T / 1000, expected, rtol=RTOL, atol=1e-11)
    slopes = np.array([law(0.0, column) for column in expected.T])
    np.testing.assert_allclose(split.flow, slopes, rtol=RTOL)
    np.testing.assert_allclose(split.alveolar_pressure, expected.T / [c1, c2], rtol=RTOL, atol=1e-9)
    np.testing.assert_allclose(split.airway_pressure, expected[0] / c1 + r1 * slopes[:, 0], rtol=RTOL)


@pytest.mark.parametrize("frequency", [1e-3, 0.1, 0.4, 2.0, 50.0])
def test_two_compartments_against_complex_impedance(frequency):
    """Impedance of the two branches in parallel: real part is resistance, imaginary part -1/(omega C)."""
    omega = 2.0 * math.pi * frequency
    branches = [r + 1.0 / (1j * omega * c) for r, c in ((7.0, 0.030), (22.0, 0.065))]
    impedance = 1.0 / sum(1.0 / branch for branch in branches)
    lung = two_compartment_effective(frequency=frequency, compliance=[30.0, 65.0], resistance=[7.0, 22.0])
    assert lung.resistance == pytest.approx(impedance.real, rel=1e-11)
    assert lung.compliance == pytest.approx(-1000.0 / (omega * impedance.imag), rel=1e-11)


def test_steady_breath_solved_symbolically():
    """The fixed point of one inspiration and one expiration, from sympy, evaluated to 30 digits."""
    a, b, step, bottom = sp.symbols("a b step bottom", positive=True)
    top = step + (bottom - step) * a
    fixed = sp.solve(sp.Eq(bottom, top * b), bottom)[0]
    values = {
        a: sp.exp(-sp.Rational(10, 9)),
        b: sp.exp(-sp.Rational(4, 3)),
        step: 20,
    }
    breath = pressure_control(
        inspiratory_pressure=20.0, peep=5.0, compliance=60.0, resistance=15.0, expiratory_resistance=25.0,
        rate=20.0, inspiratory_time=1.0,
    )  # fmt: skip
    assert breath.auto_peep == pytest.approx(float(sp.N(fixed.subs(values), 30)), rel=1e-13)
    volume = 60 * (top.subs(bottom, fixed) - fixed)
    assert breath.tidal_volume == pytest.approx(float(sp.N(volume.subs(values), 30)), rel=1e-13)


def test_peak_of_half_sine_solved_symbolically():
    """The slope of airway pressure vanishes at the stated time, and there the pressure is the stated peak."""
    t, tau, length = sp.symbols("t tau length", positive=True)
    inside = (1 - sp.cos(sp.pi * t / length)) / 2  # alveolar pressure over driving pressure
    airway = inside + tau * sp.diff(inside, t)
    at = length * (1 - sp.atan(sp.pi * tau / length) / sp.pi)
    assert sp.simplify(sp.diff(airway, t).subs(t, at)) == 0
    assert sp.simplify(airway.subs(t, at) - (1 + sp.sqrt(1 + (sp.pi * tau / length) ** 2)) / 2) == 0
    breath = volume_control(
        tidal_volume=300.0, peep=0.0, compliance=30.0, resistance=20.0, rate=10.0, inspiratory_time=0.9,
        flow_pattern="sine",
    )  # fmt: skip
    numbers = {tau: 0.6, length: 0.9}
    assert breath.peak_airway_pressure_time == pytest.approx(float(at.subs(numbers)), rel=1e-13)
    peak = 10.0 * float(airway.subs(t, at).subs(numbers)) + breath.auto_peep
    assert breath.peak_airway_pressure == pytest.approx(peak, rel=1e-13)
