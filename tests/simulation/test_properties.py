"""What must hold for every circuit: random ones from ``tests/strategies.py``, the same in every run.

The expected values are symmetries and balances of the equations of motion, so that they need no source: gas is
neither made nor lost, names and order do not matter, a linear circuit answers in proportion, and times scale with
resistances.  Limits say how far rounding or the tolerance of the solver lets them be seen.
"""

import multiprocessing
import warnings
from multiprocessing.connection import Connection

import hypothesis
import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, Phase, assume, given
from hypothesis import strategies as st
from strategies import Case, breath_settings, cases, cases_of_all_kinds, lungs, patient_limbs

import ventsim as vs
from ventsim.errors import CircuitWarning, PlausibilityWarning, VentsimError
from ventsim.model.circuit import Circuit
from ventsim.model.laws import flow_law

ROUNDING = 1e-9  # of the volume that moved: nothing but rounding and its growth in the steps
TIGHT = 1e-9  # tolerance of the solver where an equality holds up to its error
BY_TIGHT = 1e-7  # of the largest volume: what is left at the tight tolerance
BY_DEFAULT = 5e-6  # the same at the default tolerance
SHARP, BY_SHARP = 1e-8, 1e-6  # for long runs
NO_BACKFLOW = -1e-9  # L/s

repeatable = hypothesis.settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate, Phase.shrink],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)


def simulated(
    case: Case, *, breaths: int = 3, tolerance: float = 5e-7, start: xr.Dataset | None = None
) -> xr.Dataset:
    """Whole breaths with 40 samples each."""
    period = case.settings.period
    return vs.simulate(
        case.circuit,
        case.settings,
        duration=breaths * period,
        sample_interval=period / 40,
        tolerance=tolerance,
        start=start,
    )


def moved(waveforms: xr.Dataset) -> float:
    """Volume that the ventilator delivered and relieved, at least 1 [mL]."""
    return max(float(abs(waveforms.delivered_volume[-1]) + waveforms.relief_volume[-1]), 1.0)


def with_parts(circuit: Circuit, changes: dict[str, dict[str, float]]) -> Circuit:
    """The circuit with some parts changed; unusual values are meant."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PlausibilityWarning)
        parts = {name: part.changed(changes.get(name, {})) for name, part in circuit.parts.items()}
        return circuit.changed(parts=parts)


@pytest.mark.slow
@repeatable
@given(cases() | cases_of_all_kinds(most_lungs=4))
def test_gas_is_conserved(case):
    waveforms = simulated(case)
    assert abs(waveforms.attrs["volume_balance_residual_mL"]) < ROUNDING * moved(waveforms)
    unaccounted = vs.breath_measures(waveforms).volume_balance_error
    assert float(abs(unaccounted).max()) < ROUNDING * moved(waveforms)


def flows_back(flow: xr.DataArray) -> float:
    """Volume that went the wrong way, by the trapezoidal rule [mL]."""
    backwards = np.trapezoid(np.minimum(flow, 0.0), flow.time, axis=flow.get_axis_num("time"))
    return float(np.abs(backwards).max()) * 1000.0


@pytest.mark.slow
@repeatable
@given(cases(leaky=False, valved=True))
def test_nothing_flows_back_through_one_way_valves(case):
    waveforms = simulated(case)
    valves = [name for name, part in case.circuit.parts.items() if part.kind == "one-way valve"]
    flow = waveforms.branch_flow.sel(branch=valves)
    assert float(flow.min()) >= NO_BACKFLOW
    assert flows_back(flow) < ROUNDING * moved(waveforms)


@pytest.mark.slow
@repeatable
@given(cases())
def test_nothing_flows_back_into_the_ventilator(case):
    """Its valves stay open while the wrong flow is below the error of the solver, hence the tight tolerance."""
    waveforms = simulated(case, tolerance=TIGHT)
    flows = [waveforms.expiratory_port_flow]
    if case.circuit.ventilator.relief_pressure is None:
        flows.append(waveforms.inspiratory_port_flow)
    for flow in flows:
        assert float(flow.min()) >= NO_BACKFLOW
        assert flows_back(flow) < ROUNDING * moved(waveforms)


@pytest.mark.slow
@repeatable
@given(st.data())
def test_order_of_lungs_does_not_matter(data):
    """In a star all lungs are connected alike; the limbs of each go with it."""
    settings = data.draw(breath_settings())
    names = ["a", "b", "c", "d"][: data.draw(st.integers(2, 4))]
    own = {name: (data.draw(lungs()), data.draw(patient_limbs())) for name in names}
    other_order = data.draw(st.permutations(names).filter(lambda order: order != names))

    def run(order):
        circuit = vs.layouts.shared(
            {name: own[name][0] for name in order},
            limbs={name: own[name][1] for name in order},
            arrangement="star",
        )
        return simulated(Case(circuit, settings), tolerance=TIGHT)

    first, second = run(names), run(other_order).sel(lung=names)
    assert float(abs(first.volume - second.volume).max()) < ROUNDING * float(abs(first.volume).max())


@pytest.mark.slow
@repeatable
@given(data=st.data(), n=st.sampled_from([2, 4, 8]), arrangement=st.sampled_from(["tree", "star"]))
def test_equal_lungs_get_equal_volumes(data, n, arrangement):
    lung, limbs, settings = data.draw(lungs()), data.draw(patient_limbs()), data.draw(breath_settings())
    equal = {f"lung {k}": lung for k in range(n)}
    circuit = vs.layouts.shared(equal, limbs=limbs, arrangement=arrangement)
    waveforms = simulated(Case(circuit, settings), tolerance=TIGHT)
    spread = waveforms.volume.max("lung") - waveforms.volume.min("lung")
    assert float(spread.max()) < ROUNDING * float(abs(waveforms.volume).max())


@pytest.mark.slow
@repeatable
@given(cases(least_lungs=2, most_lungs=4, valved=True, leaky=False, modes=("pressure",)))
def test_lung_behind_a_reversed_valve_gets_nothing(case):
    """The valve of the inspiratory limb lets gas out only; that of the expiratory limb lets none in."""
    ends = {"a inspiratory valve.inlet": "a inspiratory valve.outlet"}
    ends |= {outlet: inlet for inlet, outlet in ends.items()}
    joints = [(ends.get(start, start), ends.get(end, end)) for start, end in case.circuit.joints]
    with pytest.warns(CircuitWarning, match="'a inspiratory valve' points against the flow"):
        circuit = case.circuit.changed({"joints": joints})
    waveforms = simulated(Case(circuit, case.settings), tolerance=TIGHT)
    assert float(waveforms.inspired_volume.sel(lung="a")[-1]) <= ROUNDING * moved(waveforms)


@pytest.mark.slow
@repeatable
@given(cases(least_lungs=2, most_lungs=4, valved=True, leaky=False, ideal=False, modes=("pressure",)))
def test_lung_behind_a_valve_that_never_opens_gets_nothing(case):
    """The opening pressure lies above the set pressure."""
    settings = case.settings.changed({"inspiratory_pressure": 4.0})
    circuit = with_parts(case.circuit, {"a inspiratory valve": {"opening_pressure": 5.0}})
    waveforms = simulated(Case(circuit, settings))
    assert float(waveforms.inspired_volume.sel(lung="a")[-1]) <= ROUNDING * moved(waveforms)


@pytest.mark.slow
@repeatable
@given(cases(linear=True, limits=False, most_lungs=4))
def test_linear_circuit_answers_in_proportion(case):
    """Twice the pressures, opening pressures and set volumes: twice the volumes.

    Even with resistances that differ between the directions, which keep the proportion.
    """
    doubled = {
        name: {"opening_pressure": 2.0 * part.opening_pressure}
        for name, part in case.circuit.parts.items()
        if part.kind == "one-way valve"
    }
    names = ("peep", "inspiratory_pressure", "tidal_volume")
    twice = {name: 2.0 * getattr(case.settings, name) for name in names if hasattr(case.settings, name)}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PlausibilityWarning)
        settings = case.settings.changed(twice)
    single = simulated(case, tolerance=TIGHT)
    double = simulated(Case(with_parts(case.circuit, doubled), settings), tolerance=TIGHT)
    for name in ("volume", "delivered_volume", "returned_volume"):
        difference = abs(double[name] - 2.0 * single[name]).max()
        assert float(difference) < BY_TIGHT * float(abs(double.volume).max()), name


def slowed(case: Case, factor: float) -> Case:
    """Everything slower: linear resistances and times grow as the factor, quadratic resistances as its square."""
    resistances = ("resistance", "expiratory_resistance", "source_resistance", "exhalation_resistance")
    powers = {"back_leak": -1, "flow_limit": -1, "rate": -1}
    powers |= {"inspiratory_time": 1, "rise_time": 1, "pause_time": 1}

    def slower(value):
        linear, quadratic = flow_law(value).coefficients
        return vs.laws.Rohrer(linear=linear * factor, quadratic=quadratic * factor**2)

    def changes(description):
        given = {name: getattr(description, name, None) for name in (*resistances, *powers)}
        given = {name: value for name, value in given.items() if value is not None}
        return {
            name: slower(value) if name in resistances else value * factor ** powers[name]
            for name, value in given.items()
        }

    circuit = with_parts(case.circuit, {name: changes(part) for name, part in case.circuit.parts.items()})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PlausibilityWarning)
        machine = case.circuit.ventilator
        circuit = circuit.changed({"ventilator": machine.changed(changes(machine))})
        return Case(circuit, case.settings.changed(changes(case.settings)))


@pytest.mark.slow
@repeatable
@given(case=cases(most_lungs=4), factor=st.sampled_from([0.5, 2.0, 3.0]))
def test_slower_circuit_with_slower_breath_moves_the_same_volumes(case, factor):
    waveforms, slow = simulated(case, tolerance=TIGHT), simulated(slowed(case, factor), tolerance=TIGHT)
    assert float(slow.time[-1]) == pytest.approx(float(waveforms.time[-1]) * factor)
    measures, slow_measures = vs.breath_measures(waveforms), vs.breath_measures(slow)
    volumes = ["inspired_tidal_volume", "expired_tidal_volume"]
    volumes += ["port_delivered_volume", "port_returned_volume", "port_relief_volume"]
    for name in volumes:
        difference = abs(measures[name] - slow_measures[name]).max()
        assert float(difference) < BY_TIGHT * (float(abs(waveforms.volume).max()) + moved(waveforms)), name


@pytest.mark.slow
@repeatable
@given(cases())
def test_streamed_measures_are_those_of_the_waveforms(case):
    """Bit for bit: both go through one definition."""
    period = case.settings.period
    run = {"duration": 4.0 * period, "sample_interval": period / 40}
    streamed = vs.simulate_long(*case, progress=False, **run).measures
    measured = vs.breath_measures(vs.simulate(*case, **run))
    assert set(streamed) == set(measured)
    for name in measured:
        np.testing.assert_array_equal(streamed[name].values, measured[name].values, err_msg=str(name))


@pytest.mark.slow
@repeatable
@given(cases())
def test_a_run_repeats_itself_and_changes_nothing(case):
    before = case.circuit.model_dump(), case.settings.model_dump()
    first, second = simulated(case), simulated(case)
    assert first.identical(second)
    assert (case.circuit.model_dump(), case.settings.model_dump()) == before


@pytest.mark.slow
@repeatable
@given(cases())
def test_a_run_goes_on_where_the_last_one_ended(case):
    whole, part = simulated(case, breaths=4), simulated(case, breaths=2)
    rest = simulated(case, breaths=2, start=part)
    scale = float(abs(whole.volume).max()) + 1.0
    assert float(abs(rest.volume[0] - part.volume[-1]).max()) < 1e-12 * scale
    assert float(abs(rest.final_volume - whole.final_volume).max()) < BY_DEFAULT * scale


@pytest.mark.slow
@hypothesis.settings(repeatable, max_examples=15)
@given(cases(most_lungs=4))
def test_steady_breath_is_where_a_long_run_ends(case):
    duration = 200.0 * case.settings.period
    long = vs.simulate_long(*case, duration=duration, tolerance=SHARP, progress=False).measures
    last = long.isel(breath=-1)
    scale = float(last.inspired_tidal_volume.max()) + 1.0
    assume(float(abs(last - long.isel(breath=-40)).inspired_tidal_volume.max()) < ROUNDING * scale)
    steady = vs.breath_measures(vs.steady_breath(*case, tolerance=SHARP)).isel(breath=0)
    for name in ("inspired_tidal_volume", "expired_tidal_volume"):
        assert float(abs(steady[name] - last[name]).max()) < BY_SHARP * scale, name


@pytest.mark.slow
@repeatable
@given(cases())
def test_pressures_stay_between_those_that_are_set(case):
    """A circuit of resistances and compliances never exceeds the pressures at its ends."""
    waveforms = simulated(case, tolerance=TIGHT)
    slack = 1e-6  # cmH2O, error of the solver
    assert float(waveforms.node_pressure.min()) > case.settings.peep - slack
    machine = case.circuit.ventilator
    if case.settings.kind == "pressure control":
        top = case.settings.peep + case.settings.inspiratory_pressure
    else:
        top = np.inf if machine.relief_pressure is None else machine.relief_pressure
    assert float(waveforms.node_pressure.max()) < top + slack


@pytest.mark.parametrize("flow_pattern", ["constant", "decelerating", "sine"])
@pytest.mark.parametrize("exhalation_resistance", [0.0, 1.0])
def test_lung_is_filled_to_the_relief_pressure(flow_pattern, exhalation_resistance):
    """1 mL/cmH2O at 10 cmH2O: 10 mL in every breath; the rest of the 100 mL leaves through the relief valve."""
    machine = vs.Ventilator(
        source_resistance=0.0,
        exhalation_resistance=exhalation_resistance,
        flow_limit=None,
        relief_pressure=10.0,
    )
    circuit = vs.layouts.single(vs.Lung(compliance=1.0, resistance=1.0), ideal=True, ventilator=machine)
    settings = vs.VolumeControl(
        tidal_volume=100.0, rate=15.0, peep=0.0, inspiratory_time=1.0, flow_pattern=flow_pattern
    )
    measures = vs.breath_measures(simulated(Case(circuit, settings)))
    for name, expected in (
        ("inspired_tidal_volume", 10.0),
        ("expired_tidal_volume", 10.0),
        ("port_peak_pressure", 10.0),
        ("port_relief_volume", 90.0),
    ):
        np.testing.assert_allclose(measures[name].values, expected, rtol=1e-6, err_msg=name)


# ---- every circuit runs -----------------------------------------------------------------------------------

STRESS_CASES, STRESS_SECONDS = 150, 60.0
FAILURES_ALLOWED = 0.01  # of the cases may end with an error of ventsim; none with another one


def _stress(results: Connection) -> None:
    """Run many random circuits; send each case before it starts and what became of it."""

    @hypothesis.settings(repeatable, max_examples=STRESS_CASES, phases=[Phase.generate])
    @given(cases())
    def run(case):
        results.send(("runs", repr(case)))
        try:
            waveforms = simulated(case)
            measures = vs.breath_measures(waveforms)
        except VentsimError as error:
            results.send(("refused", str(error)))
            return
        # Lungs without limbs of their own, weights that are not given, points that hold no gas.
        unknown = ("_limb_volume", "_limb_backflow", "predicted_body_weight", "final_volume")
        finite = [name for name in waveforms if not name.endswith(unknown)]
        wrong = [name for name in finite if not np.isfinite(waveforms[name]).all()]
        volumes = [name for name in measures if name.endswith("tidal_volume")]
        wrong += [name for name in volumes if not np.isfinite(measures[name]).all()]
        results.send(("NaN", ", ".join(wrong)) if wrong else ("finished", ""))

    run()
    results.send(("end", ""))


@pytest.mark.slow
def test_random_circuits_neither_hang_nor_fail():
    """In a process of its own: compiled code that hangs could not be interrupted here."""
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_stress, args=(sender,))
    process.start()
    sender.close()
    case, count, refused = "none", 0, []
    try:
        while True:
            assert receiver.poll(STRESS_SECONDS), f"this circuit hangs: {case}"
            what, text = receiver.recv()
            if what == "end":
                break
            if what == "runs":
                case, count = text, count + 1
            if what == "refused":
                refused.append(f"{text}\n{case}")
            assert what != "NaN", f"not finite: {text} in {case}"
    finally:
        process.kill()
        process.join()
        receiver.close()
    assert count >= STRESS_CASES
    assert len(refused) <= FAILURES_ALLOWED * count, "\n\n".join(refused)
