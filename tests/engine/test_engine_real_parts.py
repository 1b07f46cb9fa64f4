"""Tabulated laws, curved stores, efforts, leaks and inertia against equations of their own, stepped by SciPy."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, ClassVar

import numpy as np
import pytest
from pydantic import Field
from scipy.integrate import solve_ivp

import ventsim as vs
from ventsim.engine.tables import CELLS, tabulate
from ventsim.errors import CircuitError, InputError, PartError, ScenarioError
from ventsim.model.laws import OPEN, Exponential, MeasuredCurve, Rohrer, Sigmoid, VolumeDependent, flow_law
from ventsim.model.parts import LungPart
from ventsim.model.parts.part import (
    Atmosphere,
    ElasticStore,
    Element,
    Inertia,
    MuscleEffort,
    Part,
    Passage,
    Store,
)

PLAIN = vs.Ventilator(source_resistance=2.0, exhalation_resistance=3.0, flow_limit=None, relief_pressure=None)
SETTINGS = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=1.2)
TIGHT = 1e-9


@dataclass(frozen=True)
class Curve:
    """A law of a user: nothing but a function of the flow and its numbers."""

    function: Callable[..., Any]
    numbers: tuple[float, ...] = ()

    def pressure_drop(self, flow):
        return self.function(flow, *self.numbers)


class Bench(Part):
    """A two-port part made of any elements, for tests."""

    kind: ClassVar[str] = "bench part"
    pieces: Annotated[tuple[object, ...], Field(description="the elements")]

    @property
    def ports(self) -> tuple[str, ...]:
        return ("inlet", "outlet")

    def elements(self) -> tuple[Element, ...]:
        return self.pieces


class BenchLung(LungPart):
    """A lung whose elements are given, for tests."""

    kind: ClassVar[str] = "bench lung"
    pieces: Annotated[tuple[object, ...], Field(description="the elements")]
    predicted_body_weight: Annotated[float | None, Field(description="body weight")] = None

    @property
    def compartments(self) -> tuple[str, ...]:
        return ("alveoli",)

    @property
    def compartment_weights(self) -> tuple[float, ...]:
        return (1.0,)

    def elements(self) -> tuple[Element, ...]:
        return self.pieces


def rohrer_drop(flow, linear, quadratic):
    return linear * flow + quadratic * flow * flow


def power_drop(flow, factor, exponent, floor):
    """A power law with a linear part that gives it a slope at rest."""
    return factor * flow**exponent + floor * flow


def circuit_with(part: Part | None, lung: LungPart) -> vs.Circuit:
    """Ventilator, Y-piece without gas, the part and the lung."""
    parts = {"y": vs.YPiece(gas_volume=0.0), "lung": lung}
    patient = "lung.airway"
    joints = [("ventilator.inspiratory", "y.inspiratory"), ("y.expiratory", "ventilator.expiratory")]
    if part is not None:
        parts["part"] = part
        joints.append(("part.outlet", patient))
        patient = "part.inlet"
    joints.append(("y.patient", patient))
    return vs.Circuit(parts=parts, joints=tuple(joints), ventilator=PLAIN)


def law_part(law) -> Bench:
    return Bench(pieces=(Passage("inlet", "outlet", flow_law(law), flow_law(law)),))


# --- tables -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("law", "limit"),
    [
        (Curve(rohrer_drop, (2.0, 5.0)), 1e-8),
        (Curve(rohrer_drop, (0.02, 0.05)), 1e-8),
        (Curve(power_drop, (8.0, 1.75, 0.1)), 3e-5),
    ],
    ids=["stiff", "wide", "power"],
)
def test_a_table_is_as_exact_as_it_says(law, limit):
    table = tabulate(flow_law(law))
    assert table.error < limit
    assert table.cells.shape == (CELLS + 1, 2)
    assert np.all(np.diff(table.cells[:, 0]) > 0)
    assert tabulate(flow_law(Curve(law.function, law.numbers))) is table, "equal laws share one table"


@pytest.mark.parametrize(("linear", "quadratic"), [(10.0, 0.0), (3.0, 8.0), (0.05, 0.1)])
def test_a_tabulated_law_gives_what_the_closed_law_gives(linear, quadratic):
    lung = vs.Lung(compliance=40, resistance=8)
    closed = vs.simulate(
        circuit_with(law_part(Rohrer(linear=linear, quadratic=quadratic)), lung),
        SETTINGS,
        duration=12,
        tolerance=TIGHT,
    )
    law = Curve(rohrer_drop, (linear, quadratic))
    table = vs.simulate(circuit_with(law_part(law), lung), SETTINGS, duration=12, tolerance=TIGHT)
    error = table.attrs["flow_table_error"]
    assert 0.0 < error < 1e-8
    largest = float(closed.volume.max() - closed.volume.min())
    assert np.abs(table.volume - closed.volume).max() < max(3.0 * error, 1e-9) * largest


def test_a_power_law_agrees_with_its_own_equations():
    law, lung = flow_law(Curve(power_drop, (9.0, 1.8, 0.5))), vs.Lung(compliance=40, resistance=8)
    waveforms = vs.simulate(circuit_with(law_part(law), lung), SETTINGS, duration=8, tolerance=TIGHT)
    flows = np.concatenate([-np.geomspace(5, 1e-9, 200_000)[::1], [0.0], np.geomspace(1e-9, 5, 200_000)])

    def flow_of(drop, outer):
        total = law.pressure_drop(flows) + (outer + 8.0) * flows
        return np.interp(drop, total, flows)

    volume, times = 40 * 5.0, waveforms.time.values
    for began, length, pressure, outer in ((0, 1.2, 20, 2), (1.2, 2.8, 5, 3), (4, 1.2, 20, 2), (5.2, 2.8, 5, 3)):
        run = solve_ivp(
            lambda t, v, p=pressure, r=outer: 1000 * flow_of(p - v / 40, r),
            (0, length), [volume], method="DOP853", rtol=1e-9, atol=1e-9, dense_output=True,
        )  # fmt: skip
        part = (times >= began) & (times < began + length)
        assert waveforms.volume.values[part, 0] == pytest.approx(run.sol(times[part] - began)[0], rel=1e-6)
        volume = run.y[0, -1]


# --- curved stores and efforts --------------------------------------------------------------------------------

SIGMOID = Sigmoid(vital_capacity=1600, inflection_pressure=12, width=6)
STRAIGHT = VolumeDependent.of(50.0)
CURVES = {
    "sigmoid": SIGMOID,
    "exponential": Exponential(largest_volume=2000, pressure_rate=0.06),
    "stiffening": VolumeDependent(elastance=0.015, volume_elastance=1e-5),
    "sigmoid in a chest wall": SIGMOID + VolumeDependent.of(150.0),
}


def curved_lung(curve, effort=None):
    pieces = (
        Passage("airway", "alveoli", flow_law(10.0), flow_law(10.0)),
        ElasticStore("alveoli", curve, effort),
    )
    return BenchLung(pieces=pieces)


def reference(curve, effort, duration):
    """Volume over time of one curved lung, restarted at every corner of source and effort."""
    corners = {0.0, duration} | {k * 4.0 for k in range(9)} | {k * 4.0 + 1.2 for k in range(9)}
    if effort is not None:
        corners |= {n * effort.period + t for n in range(9) for t in effort.times}
    corners = sorted(c for c in corners if c <= duration)
    muscles = (lambda t: 0.0) if effort is None else effort.pressure
    volume, pieces = float(curve.volume(5.0 + float(muscles(0.0)))), []
    for began, ended in pairwise(corners):
        inhaling = (began + 1e-9) % 4.0 < 1.2
        source, outer = (20.0, 2.0) if inhaling else (5.0, 3.0)

        def rate(t, v, source=source, outer=outer, inhaling=inhaling):
            flow = (source - (curve.pressure(v) - muscles(t))) / (10.0 + outer)
            # The ventilator's valves let no gas back into the source nor out of the exhalation port.
            return 1000 * (np.maximum(flow, 0) if inhaling else np.minimum(flow, 0))

        run = solve_ivp(rate, (began, ended), [volume], method="Radau", rtol=1e-10, atol=1e-9, dense_output=True)
        volume = run.y[0, -1]
        pieces.append((began, ended, run.sol))
    return pieces


@pytest.mark.parametrize("name", sorted(CURVES))
@pytest.mark.parametrize("with_effort", [False, True], ids=["passive", "breathing"])
def test_curved_lungs_agree_with_their_own_equations(name, with_effort):
    effort = None
    if with_effort:
        effort = MuscleEffort(times=(0.3, 0.8, 1.3), pressures=(0.0, 6.0, 0.0), period=2.9, half_sine=True)
    curve = CURVES[name]
    waveforms = vs.simulate(circuit_with(None, curved_lung(curve, effort)), SETTINGS, duration=12, tolerance=TIGHT)
    times = waveforms.time.values
    for began, ended, solution in reference(curve, effort, 12.0):
        part = (times > began) & (times < ended - 1e-9)
        wanted = solution(times[part])[0]
        assert waveforms.volume.values[part, 0] == pytest.approx(wanted, rel=2e-7), (began, ended)
        pressure = curve.pressure(wanted) - (effort.pressure(times[part]) if effort else 0.0)
        assert waveforms.alveolar_pressure.values[part, 0] == pytest.approx(pressure, rel=1e-6, abs=1e-6)
    assert abs(waveforms.attrs["volume_balance_residual_mL"]) < 1e-9 * float(waveforms.delivered_volume[-1])


def test_an_effort_along_straight_lines():
    effort = MuscleEffort(times=(0.0, 0.5, 0.7, 2.0), pressures=(0.0, 5.0, 0.0, 0.0), period=4.0)
    curve = STRAIGHT
    waveforms = vs.simulate(circuit_with(None, curved_lung(curve, effort)), SETTINGS, duration=8, tolerance=TIGHT)
    for began, ended, solution in reference(curve, effort, 8.0):
        part = (waveforms.time.values > began) & (waveforms.time.values < ended - 1e-9)
        assert waveforms.volume.values[part, 0] == pytest.approx(
            solution(waveforms.time.values[part])[0], rel=2e-7
        )


def test_a_straight_curve_is_a_compliance():
    straight = vs.steady_breath(
        circuit_with(None, vs.Lung(compliance=50, resistance=10)), SETTINGS, tolerance=1e-10
    )
    curved = vs.steady_breath(circuit_with(None, curved_lung(STRAIGHT)), SETTINGS, tolerance=1e-10)
    assert curved.volume.values == pytest.approx(straight.volume.values, rel=1e-8)


# --- leaks and inertia ----------------------------------------------------------------------------------------


def test_a_leak_loses_what_its_resistance_lets_out():
    leak = Bench(
        pieces=(
            Passage("inlet", "outlet", OPEN, OPEN),
            Passage("inlet", "outside", flow_law(200.0), flow_law(200.0)),
            Atmosphere("outside"),
        )
    )
    lung = vs.Lung(compliance=50, resistance=10)
    waveforms = vs.steady_breath(circuit_with(leak, lung), SETTINGS, tolerance=TIGHT)
    measures = vs.breath_measures(waveforms).isel(breath=0)
    assert float(measures.leak_volume) == pytest.approx(
        1000 * float(measures.mean_airway_pressure[0]) * 4.0 / 200.0, rel=1e-7
    )
    assert abs(float(measures.volume_balance_error)) < 1e-9 * float(measures.port_delivered_volume)
    inspired, expired = float(measures.inspired_tidal_volume[0]), float(measures.expired_tidal_volume[0])
    assert inspired == pytest.approx(expired, rel=1e-6)
    assert float(measures.port_delivered_volume) == pytest.approx(
        float(measures.port_returned_volume) + float(measures.leak_volume), rel=1e-9
    )


def test_inertia_swings_as_its_equation_says():
    """Tube with inertia between a stored volume and a lung: I dq/dt = p_y - p_in, against SciPy."""
    tube = Bench(
        pieces=(
            Store("inlet", 2.0),
            Inertia("inlet", "middle", 0.3),
            Passage("middle", "outlet", Rohrer(linear=1.0, quadratic=2.0), Rohrer(linear=1.0, quadratic=2.0)),
        )
    )
    lung = vs.Lung(compliance=50, resistance=3)
    waveforms = vs.simulate(circuit_with(tube, lung), SETTINGS, duration=8, tolerance=TIGHT)
    state, times = np.array([5.0, 0.0, 5.0]), waveforms.time.values
    for began, length, source, outer in ((0, 1.2, 20, 2), (1.2, 2.8, 5, 3), (4, 1.2, 20, 2), (5.2, 2.8, 5, 3)):

        def rate(t, x, source=source, outer=outer, inhaling=length == 1.2):
            port, flow, alveoli = x
            outside = (source - port) / outer
            outside = max(outside, 0.0) if inhaling else min(outside, 0.0)
            drop = port - alveoli - 4.0 * flow - 2.0 * flow * abs(flow)
            return [1000 * (outside - flow) / 2.0, drop / 0.3, 1000 * flow / 50.0]

        run = solve_ivp(
            rate, (0, length), state, method="LSODA", rtol=1e-11, atol=1e-11, dense_output=True, max_step=0.01
        )
        part = (times >= began) & (times < began + length)
        wanted = run.sol(times[part] - began)
        assert waveforms.volume.values[part, 0] == pytest.approx(50 * wanted[2], rel=1e-6)
        assert waveforms.flow.values[part, 0] == pytest.approx(wanted[1], abs=1e-5)
        state = run.y[:, -1]


# --- what is refused ------------------------------------------------------------------------------------------


def falling(flow):
    return flow * (1 - flow / 2)


def without_slope_at_rest(flow):
    return flow**2


def not_zero_at_rest(flow):
    return flow + 1.0


@pytest.mark.parametrize(
    ("function", "message"),
    [
        (falling, "its pressure drop does not rise at 1"),
        (without_slope_at_rest, "a table would be off by"),
        (not_zero_at_rest, "its pressure drop at rest is 1 cmH2O"),
        (np.ones_like, "its pressure drop at rest is 1 cmH2O"),
        (np.arccosh, "not one finite number for each flow"),
    ],
)
def test_a_law_that_does_not_rise_is_refused(function, message):
    with pytest.raises(PartError, match=message):
        tabulate(flow_law(Curve(function)))


def test_an_effort_out_of_step_has_no_steady_breath():
    lung = vs.Lung(compliance=50, resistance=10, effort=vs.HalfSineEffort(amplitude=6, duration=1, rate=12))
    with pytest.raises(InputError, match=r"no breath repeats itself: an effort comes every 5 s"):
        vs.steady_breath(vs.layouts.single(lung), SETTINGS)


def test_a_part_of_ones_own_is_simulated_but_not_written():
    waveforms = vs.simulate(
        circuit_with(law_part(Rohrer(linear=5.0, quadratic=1.0)), vs.Lung(compliance=40, resistance=8)), SETTINGS
    )
    assert waveforms.attrs["scenario"].startswith("# Cannot be run again from here: part 'part': Bench is")
    with pytest.raises(
        ScenarioError, match=r"^Cannot be run again from here: part 'part': Bench is a part of your own"
    ):
        vs.Scenario.from_dataset(waveforms)


def test_inertia_needs_a_port_with_resistance():
    pieces = (
        Inertia("inlet", "middle", 0.3),
        Passage("middle", "outlet", Rohrer(linear=1.0, quadratic=2.0), Rohrer(linear=1.0, quadratic=2.0)),
    )
    circuit = circuit_with(Bench(pieces=pieces), vs.Lung(compliance=50, resistance=3))
    ideal = circuit.changed({"ventilator": PLAIN.changed({"source_resistance": 0.0})})
    with pytest.raises(CircuitError, match=r"source_resistance 0 .* meets a tube with inertia"):
        vs.simulate(ideal, SETTINGS)


# --- exhalation valve with a curve ----------------------------------------------------------------------------

FLOWS, DROPS = (0.25, 0.5, 1.0, 2.0), (0.5, 1.4, 4.0, 13.0)  # invented
BREATHS = (
    vs.PressureControl(inspiratory_pressure=15, peep=5, rate=20, inspiratory_time=1.0),
    vs.VolumeControl(tidal_volume=900, peep=5, rate=20, inspiratory_time=1.0),
)


def _two_lungs(machine, *, at_port=None):
    lungs = {"a": vs.Lung(compliance=50, resistance=8), "b": vs.Lung(compliance=25, resistance=12)}
    circuit = vs.layouts.shared(lungs, ventilator=machine)
    if at_port is None:
        return circuit
    old = next(joint for joint in circuit.joints if "ventilator.expiratory" in joint)
    other = old[0] if old[1] == "ventilator.expiratory" else old[1]
    joints = [joint for joint in circuit.joints if joint != old]
    joints += [(other, "valve.inlet"), ("valve.outlet", "ventilator.expiratory")]
    return circuit.changed({"parts": {**circuit.parts, "valve": at_port}, "joints": joints})


@pytest.mark.parametrize("settings", BREATHS)
def test_exhalation_valve_with_a_straight_curve_is_a_resistance(settings):
    straight = vs.Ventilator(
        exhalation_resistance=MeasuredCurve(flows=(0.5, 1.0, 2.0), pressure_drops=(1.5, 3.0, 6.0))
    )
    curve, resistance = (
        vs.breath_measures(vs.steady_breath(_two_lungs(machine), settings, tolerance=1e-9))
        for machine in (straight, vs.Ventilator(exhalation_resistance=3.0))
    )
    for name in ("inspired_tidal_volume", "auto_peep", "port_peep", "mean_airway_pressure"):
        np.testing.assert_allclose(curve[name], resistance[name], rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("settings", BREATHS)
def test_exhalation_valve_with_a_curve_is_a_measured_part_at_the_port(settings):
    """A part with the same points before an exhalation valve that (almost) does not resist."""
    law = MeasuredCurve(flows=FLOWS, pressure_drops=DROPS)
    own, part = _two_lungs(vs.Ventilator(exhalation_resistance=law)), vs.Restrictor(resistance=law)
    apart = _two_lungs(vs.Ventilator(exhalation_resistance=1e-6), at_port=part)
    first, second = (
        vs.breath_measures(vs.steady_breath(circuit, settings, tolerance=1e-9)) for circuit in (own, apart)
    )
    np.testing.assert_allclose(first.inspired_tidal_volume, second.inspired_tidal_volume, rtol=1e-5)
    np.testing.assert_allclose(first.auto_peep, second.auto_peep, rtol=1e-4, atol=1e-5)


def test_impossible_curve_of_the_exhalation_valve():
    """As it stands in a file: one message, with the field."""
    for drops, message in (((0.5,), "2 flows and 1"), ((2.0, 1.0), "fall from 2 to 1 cmH2O")):
        points = {"law": "measured curve", "flows": (0.5, 1.0), "pressure_drops": drops}
        with pytest.raises(PartError, match=f"^ventilator: exhalation_resistance: .*{message}"):
            vs.Ventilator(exhalation_resistance=points)


@pytest.mark.parametrize("loss", [0.0, 1e-16, 1e-14, 1e-12, 1e-11, 1e-9, 1e-7, 2e-7, 1e-6])
@pytest.mark.parametrize("kind", ["linear", "quadratic"])
def test_a_restrictor_that_hardly_resists_is_as_good_as_none(kind, loss):
    """Also between two junctions without gas."""
    lungs = {"a": vs.Lung(compliance=50, resistance=8), "b": vs.Lung(compliance=25, resistance=12)}
    narrowed = vs.PatientLimbs(inspiratory_restrictor=vs.Restrictor(resistance=Rohrer(**{kind: loss})))
    for ideal in (True, False):
        found, plain = (
            vs.breath_measures(vs.steady_breath(vs.layouts.shared(lungs, ideal=ideal, limbs=limbs), BREATHS[0]))
            for limbs in ({"a": narrowed}, None)
        )
        np.testing.assert_allclose(found.inspired_tidal_volume, plain.inspired_tidal_volume, rtol=1e-6)
