"""The flow limit of the ventilator, in every mode: what it takes away against closed forms."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ventsim as vs
from ventsim.errors import SettingsError
from ventsim.model.ventilator import Segment
from ventsim.results.remarks import breath_remarks, remarks_at

LIMIT = 2.0  # [L/s]
MACHINE = vs.Ventilator(flow_limit=LIMIT, relief_pressure=None)


def _circuit(*, compliance=60.0, resistance=8.0, ventilator=MACHINE):
    return vs.layouts.single(vs.Lung(compliance=compliance, resistance=resistance), ventilator=ventilator)


def _measures(circuit, breath, **options):
    return vs.breath_measures(vs.steady_breath(circuit, breath, **options)).isel(breath=-1)


def _volume_control(pattern, volume=1500.0, **more):
    return vs.VolumeControl(
        tidal_volume=volume, rate=15, inspiratory_time=0.8, pause_time=0.2, flow_pattern=pattern, **more
    )


def _missed(pattern, volume, limit, flow_time=0.6, k=0.0):
    """Share of the flow time above the limit, and the volume above it, of a set flow. [1, mL] (closed form)"""
    if pattern == "constant":
        flow = volume / 1000 / flow_time
        return (1.0, 1000 * (flow - limit) * flow_time) if flow > limit else (0.0, 0.0)
    if pattern == "decelerating":
        first = 2 * volume / 1000 / flow_time / (1 + k)
        share = min(max((first - limit) / (first * (1 - k)), 0.0), 1.0)
        return share, 1000 * flow_time * share * (first - limit - 0.5 * share * first * (1 - k))
    peak = math.pi * volume / 1000 / (2 * flow_time)
    if peak <= limit:
        return 0.0, 0.0
    angle = math.asin(limit / peak)
    above = 2 * peak * math.cos(angle) * flow_time / math.pi - limit * flow_time * (1 - 2 * angle / math.pi)
    return 1 - 2 * angle / math.pi, 1000 * above


@pytest.mark.parametrize("pattern", ["constant", "decelerating", "sine"])
def test_a_set_flow_above_the_limit_is_cut(pattern):
    """Share of inspiration and volume missed, by the area between the set flow and the limit."""
    found = _measures(_circuit(), _volume_control(pattern), tolerance=1e-8)
    share, volume = _missed(pattern, 1500.0, LIMIT)
    assert found.port_limited_fraction.item() == pytest.approx(share, rel=1e-9)
    assert found.port_missed_volume.item() == pytest.approx(volume, rel=1e-9)
    assert found.port_delivered_volume.item() == pytest.approx(1500.0 - volume, rel=1e-9)
    assert found.port_missed_pressure.item() == 0.0
    assert found.volume_balance_error.item() == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None, max_examples=25)
@given(
    pattern=st.sampled_from(["constant", "decelerating", "sine"]),
    volume=st.floats(100.0, 2400.0),
    limit=st.floats(0.2, 6.0),
    k=st.floats(0.0, 0.9),
)
def test_what_is_delivered_and_missed_is_what_is_set(pattern, volume, limit, k):
    """Conservation, and the closed form of the part above the limit, for any limit of any pattern."""
    machine = vs.Ventilator(flow_limit=limit, relief_pressure=None)
    breath = _volume_control(pattern, volume, **({"end_flow_ratio": k} if pattern == "decelerating" else {}))
    found = _measures(_circuit(ventilator=machine), breath)
    share, missed = _missed(pattern, volume, limit, k=k)
    assert (found.port_delivered_volume + found.port_missed_volume).item() == pytest.approx(volume, rel=1e-9)
    assert found.port_missed_volume.item() == pytest.approx(missed, rel=1e-8, abs=1e-8)
    assert found.port_limited_fraction.item() == pytest.approx(share, rel=1e-8, abs=1e-8)


def test_below_the_limit_nothing_changes():
    """The same breath as without a limit, to the last bit."""
    free = vs.Ventilator(flow_limit=None, relief_pressure=None)
    for breath in (_volume_control("sine", 500.0), _volume_control("decelerating", 500.0)):
        limited, unlimited = (_measures(_circuit(ventilator=one), breath) for one in (MACHINE, free))
        for name in ("port_limited_fraction", "port_missed_volume", "port_missed_pressure"):
            assert limited[name].item() == 0.0
        assert limited.inspired_tidal_volume.item() == unlimited.inspired_tidal_volume.item()


def test_pressure_control_fills_at_the_limit_until_the_set_pressure_is_reached():
    """One lung on an ideal circuit: constant flow until peep + R L + V/C is the set pressure, then exponential."""
    compliance, resistance, pressure = 60.0, 2.0, 20.0
    machine = vs.Ventilator(
        source_resistance=0.0, exhalation_resistance=0.0, flow_limit=LIMIT, relief_pressure=None
    )
    lung = vs.Lung(compliance=compliance, resistance=resistance)
    circuit = vs.layouts.single(lung, ideal=True, ventilator=machine)
    breath = vs.PressureControl(inspiratory_pressure=pressure, peep=5, rate=6, inspiratory_time=1)
    found = _measures(circuit, breath, tolerance=1e-9)
    until = (pressure - resistance * LIMIT) * compliance / 1000 / LIMIT
    filled = LIMIT * until * 1000
    rest = 1000 * LIMIT * resistance * compliance / 1000
    volume = filled + rest * (1 - math.exp(-(1 - until) / (resistance * compliance / 1000)))
    assert found.port_limited_fraction.item() == pytest.approx(until, rel=1e-8)
    assert found.inspired_tidal_volume.item() == pytest.approx(volume, rel=1e-7)
    assert found.port_missed_pressure.item() == 0.0


def test_pressure_that_is_never_reached_is_missed():
    """Twelve lungs: 3 L/s in 1.2 s are 300 mL each, and the port stays below the set 20 cmH2O."""
    lungs = {f"l{k}": vs.Lung(compliance=50, resistance=5) for k in range(12)}
    machine = vs.Ventilator(source_resistance=0.0, exhalation_resistance=0.0, flow_limit=3.0, relief_pressure=None)
    circuit = vs.layouts.shared(lungs, ideal=True, one_way_valves=False, ventilator=machine)
    breath = vs.PressureControl(inspiratory_pressure=20, peep=0, rate=10, inspiratory_time=1.2)
    found = _measures(circuit, breath, tolerance=1e-9)
    np.testing.assert_allclose(found.inspired_tidal_volume, 300.0, rtol=1e-9)
    # Volume over compliance, what the last breath left (none), and the loss of 0.25 L/s through the airway.
    start = found.end_expiratory_alveolar_pressure.values[0]
    reached = start + 300.0 / 50.0 + 5 * 0.25
    assert found.port_limited_fraction.item() == pytest.approx(1.0, rel=1e-12)
    assert found.port_missed_pressure.item() == pytest.approx(20.0 - reached, rel=1e-7)
    assert found.port_missed_volume.item() == 0.0


def test_time_at_the_limit_converges_with_the_tolerance():
    """The instants at which the limit begins and ends are found as exactly as volumes."""
    lungs = {"a": vs.Lung(compliance=60, resistance=6), "b": vs.Lung(compliance=25, resistance=12)}
    circuit = vs.layouts.shared(lungs, ventilator=vs.Ventilator(flow_limit=1.2))
    breath = vs.PressureControl(inspiratory_pressure=18, peep=5, rate=14, inspiratory_time=1.2, rise_time=0.1)
    exact = _measures(circuit, breath, tolerance=1e-10).port_limited_fraction.item()
    assert 0.1 < exact < 0.9
    for tolerance, error in ((1e-5, 1e-4), (1e-7, 1e-6)):
        found = _measures(circuit, breath, tolerance=tolerance).port_limited_fraction.item()
        assert found == pytest.approx(exact, rel=error)


def test_samples_do_not_decide():
    """Measures of a limited breath are the same for any sample interval."""
    coarse, fine = (
        _measures(_circuit(), _volume_control("sine"), sample_interval=interval) for interval in (0.1, 0.003)
    )
    for name in ("port_limited_fraction", "port_missed_volume", "port_delivered_volume"):
        assert coarse[name].item() == pytest.approx(fine[name].item(), rel=1e-12)


def test_a_limit_that_changes_in_a_breath():
    """From the middle of a constant flow on the limit holds: half of the volume above it is missed."""
    breath = vs.VolumeControl(tidal_volume=1500, rate=15, inspiratory_time=0.6)
    changes = [vs.Change(path="ventilator.flow_limit", to=LIMIT, at=4.3)]
    free = vs.Ventilator(flow_limit=None, relief_pressure=None)
    run = vs.simulate(_circuit(ventilator=free), breath, duration=12, changes=changes)
    found = vs.breath_measures(run)
    np.testing.assert_allclose(found.port_missed_volume, [0.0, 150.0, 300.0], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found.port_limited_fraction, [0.0, 0.5, 1.0], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("shape", "change", "time_constant"),
    [("linear", 2.0, 0.0), ("linear", -2.0, 0.0), ("exponential", 2.0, 0.2), ("sine", 2.0, 0.0)],
)
def test_crossings_are_where_the_value_is_the_level(shape, change, time_constant):
    segment = Segment(
        duration=0.8, phase="inspiration", drive="flow", shape=shape, start=1.0, change=change,
        time_constant=time_constant,
    )  # fmt: skip
    level = 1.0 + 0.6 * change
    times = segment.crossings(level)
    assert len(times) == (2 if shape == "sine" else 1)
    assert [segment.value(time) for time in times] == pytest.approx([level] * len(times), rel=1e-12)
    assert segment.crossings(1.0 + 1.1 * change) == segment.crossings(math.inf) == ()


def test_a_volume_larger_than_the_machine_allows_is_refused():
    breath = vs.VolumeControl(tidal_volume=2600, rate=10, inspiratory_time=2)
    with pytest.raises(
        SettingsError, match=r"tidal_volume 2600 mL is above the ventilator's largest_tidal_volume"
    ):
        vs.steady_breath(_circuit(), breath)
    free = MACHINE.changed(largest_tidal_volume=None)
    assert _measures(_circuit(ventilator=free), breath).port_delivered_volume.item() == pytest.approx(2600.0)


def test_remarks_say_what_is_missed():
    remark = "The flow limit of the ventilator acts in {} of inspiration; {} are missed."
    volume = breath_remarks(_measures(_circuit(), _volume_control("constant")))
    assert volume == [remark.format("100 %", "300.0 mL of the set volume")]
    stiff = _circuit(compliance=200.0)
    breath = vs.PressureControl(inspiratory_pressure=30, peep=5, rate=15, inspiratory_time=0.8)
    found = _measures(stiff, breath)
    pressure = f"{found.port_missed_pressure.item():.2f} cmH2O of the set pressure"
    assert breath_remarks(found) == [remark.format("100 %", pressure)]
    run = vs.simulate(stiff, breath, duration=10)
    assert remarks_at(run, 5.0)[0].startswith("The flow limit of the ventilator acts")
    assert remarks_at(run.isel(time=slice(0, 100))) == []  # the last breath is not there as a whole


def test_a_sweep_says_where_the_limit_acts():
    """Status of the points, and the table's remark."""
    scenario = vs.Scenario(circuit=_circuit(), settings=_volume_control("constant", 400.0))
    study = vs.studies.sweep(scenario, {"settings.tidal_volume": [400, 1500, 2600]})
    assert study.status.values.tolist() == ["finished", "flow limited", "refused"]
    assert study.reason.values[1] == "" and "largest_tidal_volume" in study.reason.values[2]
    text = str(vs.studies.sweep_table(study))
    assert "flow limited" in text and "remark" in text


def test_sizing_says_that_the_limit_acts():
    lungs = {"a": vs.Lung(compliance=60, resistance=5), "b": vs.Lung(compliance=60, resistance=5)}
    circuit = vs.layouts.shared(lungs, ventilator=vs.Ventilator(flow_limit=0.6))
    breath = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=14, inspiratory_time=1.2)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sizing = vs.studies.size_restrictors(circuit, breath, targets={"b": {"inspired_tidal_volume": 200}})
    assert "The flow limit of the ventilator acts" in str(sizing)
    found = vs.breath_measures(vs.steady_breath(sizing.scenario)).isel(breath=-1)
    assert sizing.results.status == "flow limited"
    for name in ("port_limited_fraction", "port_missed_pressure", "port_missed_volume"):
        assert sizing.results[name].item() == pytest.approx(found[name].item(), rel=1e-4, abs=1e-9)
        assert sizing.results[name].attrs["units"] == found[name].attrs["units"]


def test_sensitivities_say_in_which_mode_the_limit_acts():
    """12 cmH2O ask for more than 0.6 L/s at first, 400 mL over 1.2 s for less."""
    lungs = {"a": vs.Lung(compliance=60, resistance=5), "b": vs.Lung(compliance=40, resistance=5)}
    circuit = vs.layouts.shared(lungs, ventilator=vs.Ventilator(flow_limit=0.6))
    modes = {
        "volume": vs.VolumeControl(tidal_volume=400, peep=5, rate=14, inspiratory_time=1.2),
        "pressure": vs.PressureControl(inspiratory_pressure=12, peep=5, rate=14, inspiratory_time=1.2),
    }
    matrix = vs.studies.sensitivity_matrix(circuit, modes=modes, progress=False)
    assert matrix.status.sel(mode="volume") == "finished"
    assert matrix.status.sel(mode="pressure") == "flow limited"
    for mode, breath in modes.items():
        found = vs.breath_measures(vs.steady_breath(circuit, breath)).isel(breath=-1)
        share = matrix.port_limited_fraction.sel(mode=mode)
        assert float(share) == pytest.approx(float(found.port_limited_fraction), abs=1e-4)
