"""Runs whose circuit or settings change while they go on."""

import numpy as np
import pytest
import xarray as xr
from scipy.integrate import solve_ivp

import ventsim as vs
from ventsim import theory

PRESSURE = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
PERIOD = 4.0
LUNG = vs.Lung(compliance=50, resistance=10)
ALONE = vs.layouts.single(LUNG, ideal=True)
STIFF = "lungs.lung.compliance"


def last_volume(waveforms: xr.Dataset, lung: str = "lung") -> float:
    return float(vs.breath_measures(waveforms).inspired_tidal_volume.sel(lung=lung)[-1])


def four(*, ideal: bool, **options) -> vs.Circuit:
    lungs = {name: vs.Lung(compliance=c, resistance=10) for name, c in zip("abcd", (50, 40, 50, 60), strict=True)}
    return vs.layouts.shared(lungs, ideal=ideal, **options)


# --- a step is two runs joined --------------------------------------------------------------------------------


@pytest.mark.parametrize("path, value", [("lungs.b.compliance", 20.0), ("parts.b inspiratory tube.bore", 10.0)])
def test_step_between_breaths_equals_two_runs_joined(path, value):
    circuit = four(ideal=False)
    change = vs.Change(path=path, to=value, at=3 * PERIOD)
    whole = vs.simulate(circuit, PRESSURE, duration=6 * PERIOD, changes=[change])
    first = vs.simulate(circuit, PRESSURE, duration=3 * PERIOD)
    after = vs.changes.with_changes(circuit, PRESSURE, [change])[0]
    second = vs.simulate(after, PRESSURE, duration=3 * PERIOD, start=first)
    expected = np.concatenate([first.volume.values, second.volume.values])
    assert whole.volume.shape == expected.shape
    np.testing.assert_allclose(whole.volume.values, expected, atol=2e-4)  # tolerance 5e-7 of about 700 mL
    np.testing.assert_allclose(whole.airway_pressure.values[-1], second.airway_pressure.values[-1], atol=1e-5)


def test_step_inside_inspiration_follows_the_closed_form():
    """Before and after the step the volume of a single lung is an exponential: theory of one compartment.

    (A lung that stiffens in inspiration would keep its gas until the exhalation valve opens.)
    """
    at, tolerance = 2 * PERIOD + 0.7, 1e-9
    change = vs.Change(path=STIFF, to=80.0, at=at)
    waveforms = vs.simulate(ALONE, PRESSURE, duration=2 * PERIOD + 4 / 3, changes=[change], tolerance=tolerance)
    before = vs.simulate(ALONE, PRESSURE, duration=at, tolerance=tolerance)
    start = float(before.volume[-1, 0])
    after = waveforms.sel(time=slice(at, None))
    asymptote, time_constant = 80.0 * 20.0, 80.0 * 10.0 / 1000.0  # C·(P + PEEP) [mL], R·C [s]
    expected = asymptote + (start - asymptote) * np.exp(-(after.time.values - at) / time_constant)
    np.testing.assert_allclose(after.volume.values[:, 0], expected, atol=1e-5)
    jump = waveforms.alveolar_pressure.values[np.searchsorted(waveforms.time.values, at) - 1 :][:2, 0]
    np.testing.assert_allclose(jump, [start / 50.0, start / 80.0], rtol=1e-8)  # the gas stays, the pressure jumps


@pytest.mark.parametrize("settings", [PRESSURE, vs.VolumeControl(tidal_volume=500, peep=5, rate=15, ie_ratio=0.5)])
def test_change_that_undoes_itself_returns_to_the_first_steady_breath(settings):
    circuit = four(ideal=False)
    changes = [
        vs.Change(path="lungs.b.compliance", factor=0.4, at=10.3),
        vs.Change(path="lungs.b.compliance", to=40.0, at=21.9),
        vs.Clamp(part="c inspiratory tube", at=12.0, until=25.0),
        vs.Disconnection(joint="d.airway", at=30.1, until=33.7),
    ]
    steady = vs.breath_measures(vs.steady_breath(circuit, settings))
    measures = vs.simulate_long(circuit, settings, duration=160, changes=changes).measures
    for name in ("inspired_tidal_volume", "total_peep", "peak_airway_pressure"):
        np.testing.assert_allclose(measures[name][-1], steady[name][0], rtol=2e-6, atol=2e-6)


# --- ramps ----------------------------------------------------------------------------------------------------


def ramped_lung(from_, to, *, begin, end, until):
    """Volume of a single ideal lung whose compliance ramps, by an independent solver."""

    def compliance(t):
        return from_ + (to - from_) * np.clip((t - begin) / (end - begin), 0.0, 1.0)

    def slope(t, v, pressure):
        return 1000.0 * (pressure - v / compliance(t)) / 10.0

    volume, time = 5.0 * from_, 0.0
    while time < until:
        inside = time % PERIOD
        pressure, length = (20.0, 4 / 3 - inside) if inside < 1.333 else (5.0, PERIOD - inside)
        stop = min(time + length, until)
        found = solve_ivp(slope, (time, stop), [volume], args=(pressure,), rtol=1e-11, atol=1e-10, max_step=0.1)
        volume, time = found.y[0, -1], stop
    return volume


def test_ramp_converges_to_the_continuous_one_with_second_order():
    ramp = vs.Change(path=STIFF, to=90.0, at=6.0, until=22.0)
    exact = ramped_lung(50.0, 90.0, begin=6.0, end=22.0, until=17.0)
    errors = []
    for updates in (8, 16, 32, 64):
        waveforms = vs.simulate(
            ALONE, PRESSURE, duration=17.0, changes=[ramp], ramp_updates=updates, tolerance=1e-10
        )
        errors.append(abs(float(waveforms.volume[-1, 0]) - exact))
    order = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert errors[-1] < 0.02  # mL
    assert (order > 1.9).all(), (errors, order)


def test_ramp_of_a_setting_takes_its_value_at_the_start_of_each_breath():
    ramp = vs.Change(path="settings.peep", to=10.0, at=8.0, until=24.0)
    measures = vs.simulate_long(ALONE, PRESSURE, duration=32, changes=[ramp]).measures
    np.testing.assert_allclose(measures.set_peep, [5, 5, 5, 6.25, 7.5, 8.75, 10, 10], rtol=1e-9)
    np.testing.assert_allclose(measures.port_peep, measures.set_peep, rtol=1e-9)


def test_rate_that_changes_moves_the_breaths():
    change = vs.Change(path="settings.rate", to=20.0, at=9.0)
    measures = vs.simulate_long(ALONE, PRESSURE, duration=30, changes=[change]).measures
    np.testing.assert_allclose(measures.breath_start, [0, 4, 8, 12, 15, 18, 21, 24, 27])
    np.testing.assert_allclose(measures.breath_end[-1], 30.0)
    steady = vs.breath_measures(vs.steady_breath(ALONE, PRESSURE.changed({"rate": 20.0})))
    np.testing.assert_allclose(measures.inspired_tidal_volume[-1], steady.inspired_tidal_volume[0], rtol=1e-5)


# --- closed forms before and after ----------------------------------------------------------------------------


def test_in_pressure_control_without_shared_resistance_the_others_do_not_notice():
    circuit = four(ideal=True, one_way_valves=False)
    change = vs.Change(path="lungs.b.compliance", to=15.0, at=80.0)
    measures = vs.simulate_long(circuit, PRESSURE, duration=160, changes=[change], tolerance=1e-9).measures
    volume = measures.inspired_tidal_volume
    for breath, compliance in ((20, 40.0), (40, 15.0)):
        expected = theory.pressure_control(
            inspiratory_pressure=15, peep=5, compliance=compliance, resistance=10, rate=15, inspiratory_time=4 / 3
        ).tidal_volume
        assert float(volume.sel(breath=breath, lung="b")) == pytest.approx(expected, rel=1e-7)
    others = volume.sel(lung=["a", "c", "d"])
    np.testing.assert_allclose(others.sel(breath=40), others.sel(breath=20), rtol=1e-8)


def test_in_volume_control_the_others_gain_exactly_what_the_first_loses():
    circuit = four(ideal=True, one_way_valves=False)
    settings = vs.VolumeControl(tidal_volume=1800, peep=5, rate=15, inspiratory_time=4 / 3)
    change = vs.Change(path="lungs.b.compliance", to=15.0, at=80.0)
    measures = vs.simulate_long(circuit, settings, duration=160, changes=[change], tolerance=1e-9).measures
    compliance = np.where(np.arange(1, 41)[:, None] <= 20, [50, 40, 50, 60], [50, 15, 50, 60])
    rise = measures.driving_pressure * xr.DataArray(compliance, dims=("breath", "lung"))
    before, after = rise.sel(breath=20), rise.sel(breath=40)
    assert float(before.sum()) == pytest.approx(1800.0, rel=1e-9)
    lost = float(before.sel(lung="b") - after.sel(lung="b"))
    gained = float((after - before).sel(lung=["a", "c", "d"]).sum())
    assert lost > 150.0
    assert gained == pytest.approx(lost, rel=1e-9)


def test_in_volume_control_with_a_real_circuit_the_tubes_take_the_rest():
    circuit = four(ideal=False)
    settings = vs.VolumeControl(tidal_volume=1800, peep=5, rate=15, inspiratory_time=4 / 3, pause_time=0.3)
    change = vs.Change(path="lungs.b.compliance", to=15.0, at=80.0)
    measures = vs.simulate_long(circuit, settings, duration=160, changes=[change]).measures
    compliance = np.where(np.arange(1, 41)[:, None] <= 20, [50, 40, 50, 60], [50, 15, 50, 60])
    rise = measures.driving_pressure * xr.DataArray(compliance, dims=("breath", "lung"))
    before, after = rise.sel(breath=20), rise.sel(breath=40)
    lost = float(before.sel(lung="b") - after.sel(lung="b"))
    gained = float((after - before).sel(lung=["a", "c", "d"]).sum())
    kept = float(measures.compressed_volume.sel(breath=40) - measures.compressed_volume.sel(breath=20))
    assert kept > 5.0
    assert gained + kept == pytest.approx(lost, rel=1e-5)


# --- gas, joints, lungs ---------------------------------------------------------------------------------------

FAULTS = {
    "disconnection": vs.Disconnection(joint="b.airway", at=9.1, until=14.3),
    "lung removal": vs.LungRemoval(lung="c", at=9.1, until=20.0),
    "put on later": vs.LungRemoval(lung="c", at=0.0, until=13.0),
    "clamp": vs.Clamp(part="a inspiratory tube", at=8.5, until=13.0),
    "clamp of the lung's tube": vs.Clamp(part="a tracheal tube", at=8.5, until=13.0),
    "leak": vs.LeakOnset(joint="d.airway", resistance=100.0, at=9.0, until=15.5),
    "valve stuck open": vs.Change(path="parts.b expiratory valve.state", to="stuck open", at=9.9),
    "valve missing": vs.Change(path="parts.b inspiratory valve.state", to="missing", at=9.9),
    "valve stuck closed": vs.Change(path="parts.b expiratory valve.state", to="stuck closed", at=9.9, until=None),
    "narrowing": vs.Change(path="parts.a tracheal tube.inner_diameter", to=5.0, at=5.0, until=15.0),
    "settings": vs.Change(path="settings.peep", to=8.0, at=9.0),
}


@pytest.mark.parametrize("mode", ["pressure control", "volume control"])
@pytest.mark.parametrize("fault", FAULTS)
def test_gas_balance_closes_across_every_change(mode, fault):
    circuit = four(ideal=False, limbs=vs.PatientLimbs(tracheal_tube=vs.TrachealTube(inner_diameter=7.5)))
    settings = PRESSURE if mode == "pressure control" else vs.VolumeControl(tidal_volume=1500, peep=5, rate=15,
                                                                              ie_ratio=0.5)  # fmt: skip
    waveforms = vs.simulate(circuit, settings, duration=24.0, changes=[FAULTS[fault]])
    assert abs(waveforms.attrs["volume_balance_residual_mL"]) < 1e-8
    assert np.isfinite(waveforms.volume).all()
    volume = waveforms.volume.values
    gap = waveforms.time.diff("time").values < 1e-9
    assert abs(np.diff(volume, axis=0)[gap]).max() < 1e-9  # continuous across every instant
    measures = vs.breath_measures(waveforms)
    assert abs(measures.volume_balance_error).max() < 1e-6


def test_lung_taken_off_empties_and_the_others_go_on():
    circuit = four(ideal=True, one_way_valves=False)
    change = vs.LungRemoval(lung="c", at=40.0, until=80.0)
    waveforms = vs.simulate(circuit, PRESSURE, duration=120.0, changes=[change])
    assert float(waveforms.volume.sel(lung="c").sel(time=79.9, method="nearest")) == pytest.approx(0.0, abs=1e-3)
    measures = vs.breath_measures(waveforms)
    others = measures.inspired_tidal_volume.sel(lung=["a", "b", "d"])
    np.testing.assert_allclose(others[15], others[9], rtol=1e-6)
    assert float(measures.inspired_tidal_volume.sel(breath=18, lung="c")) < 1e-3
    volume = measures.inspired_tidal_volume.sel(lung="c")
    assert float(volume.sel(breath=30)) == pytest.approx(float(volume.sel(breath=10)), rel=1e-5)


def test_disconnection_lets_the_gas_of_a_volume_controlled_breath_out():
    circuit = four(ideal=False)
    settings = vs.VolumeControl(tidal_volume=1500, peep=5, rate=15, ie_ratio=0.5)
    measures = vs.breath_measures(
        vs.simulate(circuit, settings, duration=40.0, changes=[vs.Disconnection(joint="b.airway", at=20.0)])
    )
    after = measures.sel(breath=10)
    assert float(after.leak_volume) > 1000.0
    assert float(after.inspired_tidal_volume.sel(lung="b")) < 1.0
    assert float(after.port_returned_volume) < 0.3 * float(measures.port_returned_volume.sel(breath=5))


def test_points_that_are_there_for_a_time_are_nan_at_other_times():
    change = vs.Disconnection(joint="lung.airway", at=5.0, until=6.0)
    waveforms = vs.simulate(ALONE, PRESSURE, duration=12.0, changes=[change])
    new = [str(name) for name in waveforms.branch.values if "open end" in str(name)]
    assert new
    flow = waveforms.branch_flow.sel(branch=new[0])
    inside = (waveforms.time >= 5.0) & (waveforms.time < 6.0)
    assert np.isfinite(flow[inside]).all()
    assert np.isnan(flow[~inside]).all()


# --- failures -------------------------------------------------------------------------------------------------


def test_failure_in_the_middle_keeps_the_finished_breaths():
    lung = vs.Lung(compliance=vs.laws.Exponential(largest_volume=2000, pressure_rate=0.03), resistance=10)
    circuit = vs.layouts.single(lung, ideal=True)
    change = vs.Change(path="lungs.lung.compliance.largest_volume", to=300, at=21.0)
    with pytest.raises(vs.errors.SolverError, match="more than its changed curve") as caught:
        vs.simulate_long(circuit, PRESSURE, duration=60, changes=[change])
    assert caught.value.finished.measures.sizes["breath"] == 5
    with pytest.raises(vs.errors.SolverError, match="more than its changed curve") as caught:
        vs.simulate(circuit, PRESSURE, duration=60, changes=[change])
    assert caught.value.finished.sizes["time"] > 0


def test_flow_that_has_no_way_out_is_reported_with_its_time():
    """Volume control, nothing that holds gas or vents it, and the only lung is taken off."""
    settings = vs.VolumeControl(tidal_volume=300, peep=5, rate=12, ie_ratio=0.5)
    change = vs.LungRemoval(lung="lung", at=7.0)
    with pytest.raises(vs.errors.SolverError, match=r"stopped at 10 s: .* no way out") as caught:
        vs.simulate(ALONE, settings, duration=20.0, changes=[change])
    assert caught.value.finished.sizes["breath"] == 2


@pytest.mark.parametrize(
    "fault",
    [
        vs.LeakOnset(at=0, joint="b.airway", resistance=50.0),
        vs.Disconnection(at=0, joint="b.airway"),
        vs.LungRemoval(at=0, lung="b"),
        vs.Change(path="lungs.b.compliance", to=12.0, at=0),
    ],
    ids=lambda fault: fault.kind,
)
def test_fault_at_once_after_an_earlier_run(fault):
    """A run that starts from a steady breath with a fault at 0 s is the one with the same fault a breath later."""
    circuit = vs.layouts.shared(
        {"a": vs.Lung(compliance=50, resistance=10), "b": vs.Lung(compliance=25, resistance=10)}
    )
    settings = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=15, ie_ratio=0.5)
    steady = vs.steady_breath(circuit, settings)
    at_once = vs.simulate(circuit, settings, duration=16, start=steady, changes=[fault])
    later = fault.changed({"at": 4.0})
    after = vs.simulate(circuit, settings, duration=20, start=steady, changes=[later])
    one, two = vs.breath_measures(at_once), vs.breath_measures(after).isel(breath=slice(1, None))
    np.testing.assert_allclose(
        one.inspired_tidal_volume.values, two.inspired_tidal_volume.values, rtol=1e-6, atol=1e-4
    )
    assert abs(at_once.attrs["volume_balance_residual_mL"]) < 1e-9
