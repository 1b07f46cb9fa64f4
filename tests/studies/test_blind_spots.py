"""What happens to each lung in a fault, and what of it the ventilator can see."""

import re

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

import ventsim as vs
from ventsim import monitor, studies, theory
from ventsim.errors import StoppedEarlyWarning
from ventsim.simulation.integration import Integration

PRESSURE = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=15, inspiratory_time=4 / 3)
VOLUME = vs.VolumeControl(tidal_volume=1600, peep=5, rate=15, inspiratory_time=4 / 3)
BREATH = {"inspiratory_pressure": 12.0, "peep": 5.0, "rate": 15.0, "inspiratory_time": 4 / 3}
STIFF = vs.Change(path="lungs.b.compliance", factor=0.5, at=0.0)


def lungs(compliance=50.0):
    return {name: vs.Lung(compliance=compliance, resistance=10) for name in "abcd"}


IDEAL = vs.layouts.shared(lungs(), ideal=True, one_way_valves=False)
REAL = vs.layouts.shared(
    lungs(),
    limbs=vs.PatientLimbs(filter=vs.Filter(), tracheal_tube=vs.TrachealTube(inner_diameter=7.5)),
)


@pytest.fixture(scope="module")
def both():
    """All standard faults in both modes, on a circuit that has the parts for them."""
    return studies.blind_spots(
        REAL, PRESSURE, modes=studies.equivalent_modes(REAL, PRESSURE), lung="b", duration=60.0
    )


def test_in_pressure_control_the_closed_form_and_the_others_do_not_notice():
    found = studies.blind_spots(IDEAL, PRESSURE, faults={"stiff": STIFF}, duration=80.0)
    before, after = (
        theory.pressure_control(**BREATH, compliance=c, resistance=10.0).tidal_volume for c in (50.0, 25.0)
    )
    change = found.tidal_volume_change[0, 0]
    assert float(change.sel(lung="b")) == pytest.approx(100.0 * (after / before - 1.0), rel=1e-5)
    assert abs(change.sel(lung=["a", "c", "d"])).max() < 1e-4  # %, 1e-6 of the volume
    # The display shows the sum: a quarter of that change.
    shown = float(
        (found.displayed_expired_tidal_volume_change / found.displayed_expired_tidal_volume_before)[0, 0]
    )
    assert shown == pytest.approx(0.25 * (after / before - 1.0), rel=1e-5)
    assert found.unseen[0, 0].values.tolist() == [0.0, 1.0, 0.0, 0.0]


def test_in_volume_control_the_others_gain_what_the_first_loses():
    found = studies.blind_spots(IDEAL, VOLUME, faults={"stiff": STIFF}, duration=80.0)
    volumes = found.tidal_volume_after[0, 0]
    # Of a linear circuit with equal resistances: shares go with compliance when flow has come to rest; before that
    # they lie between equal and that. Conservation holds exactly.
    assert float(volumes.sum()) == pytest.approx(1600.0, rel=1e-5)
    assert float(volumes.sel(lung="a")) == pytest.approx(float(volumes.sel(lung="c")), rel=1e-6)
    assert float(found.displayed_expired_tidal_volume_change[0, 0]) == pytest.approx(0.0, abs=1e-2)


def test_the_display_cannot_tell_which_lung_changed():
    """Two different faults with the same display."""
    faults = {name: vs.Change(path=f"lungs.{name}.compliance", factor=0.5, at=0.0) for name in "bc"}
    found = studies.blind_spots(REAL, PRESSURE, modes={"p": PRESSURE, "v": VOLUME}, faults=faults, duration=60.0)
    for name in found.data_vars:
        if str(name).startswith("displayed") and "fault" in found[name].dims:
            np.testing.assert_allclose(found[name][:, 0], found[name][:, 1], atol=1e-4, err_msg=str(name))
    assert abs(found.tidal_volume_change[:, 0] - found.tidal_volume_change[:, 1]).max() > 20.0


def test_all_standard_faults_are_tried_where_the_parts_are(both):
    assert both.fault.values.tolist() == [
        "stiff lung", "narrow airway", "kinked tube", "clamped tube", "secretions", "clogged filter",
        "valve stuck open", "valve stuck closed", "valve missing", "cuff leak", "disconnection",
    ]  # fmt: skip
    assert (both.reason == "").all()
    clamped = both.tidal_volume_change.sel(fault="clamped tube", lung="b")
    np.testing.assert_allclose(clamped, -100.0, atol=0.5)
    assert list(studies.standard_faults(IDEAL)) == [
        "stiff lung", "narrow airway", "kinked tube", "clamped tube", "cuff leak", "disconnection"
    ]  # fmt: skip
    vs.schema.check_dataset(both, "blind spots")


def test_a_clamped_limb_is_unseen_in_pressure_control_and_harms_the_others_in_volume_control(both):
    one = both.sel(fault="clamped tube")
    assert float(one.unseen.sel(mode="pressure control", lung="b")) == 1.0
    assert float(one.tidal_volume_change.sel(mode="volume control", lung="a")) > 25.0
    assert float(abs(one.tidal_volume_change.sel(mode="pressure control", lung="a"))) < 10.0


def test_limits_that_are_tight_see_more(both):
    tight = monitor.AlarmLimits.around(
        monitor.displayed_values(vs.simulate_long(REAL, PRESSURE, duration=80.0).measures),
        margin=0.05,
        pressure_margin=1.0,
    )
    found = studies.blind_spots(REAL, PRESSURE, lung="b", limits=tight, duration=60.0)
    loose = both.sel(mode=["pressure control"])
    assert (found.unseen <= loose.unseen).all()
    assert float(found.unseen.sum()) < float(loose.unseen.sum())
    first = found.raised_after.sel(fault="clamped tube").min("alarm")
    assert 3.9 < float(first[0]) < 8.1  # at the end of the first or second breath


def test_equivalent_settings_deliver_the_same_there_and_back():
    volume = studies.equivalent_settings(REAL, PRESSURE)
    assert isinstance(volume, vs.VolumeControl)
    back = studies.equivalent_settings(REAL, volume)
    one, other = (
        float(vs.breath_measures(vs.steady_breath(REAL, s)).port_delivered_volume[0]) for s in (PRESSURE, back)
    )
    assert other == pytest.approx(one, rel=2e-6)
    assert back.inspiratory_pressure == pytest.approx(PRESSURE.inspiratory_pressure, rel=1e-4)
    huge = VOLUME.changed(tidal_volume=7_900.0)
    free = vs.Scenario(circuit=REAL, settings=VOLUME).replaced({"ventilator.largest_tidal_volume": None}).circuit
    with pytest.raises(vs.errors.InputError, match="no pressure control delivers 7900 mL"):
        studies.equivalent_settings(free, huge)


def test_a_fault_whose_run_fails_does_not_stop_the_others():
    lung = vs.Lung(compliance=vs.laws.Exponential(largest_volume=2000, pressure_rate=0.03), resistance=10)
    circuit = vs.layouts.single(lung)
    faults = {
        "impossible": vs.Change(path="lungs.lung.compliance.largest_volume", to=100, at=0.7),
        "possible": vs.Change(path="lungs.lung.resistance", factor=2.0, at=0.0),
    }
    found = studies.blind_spots(circuit, PRESSURE, faults=faults, duration=20.0)
    assert "can hold" in str(found.reason[0, 0].item())
    assert np.isnan(found.tidal_volume_change[0, 0]).all()
    assert np.isfinite(found.tidal_volume_change[0, 1]).all()
    assert "run failed" in str(studies.blind_spots_table(found))
    assert "failed" in [text.get_text() for text in vs.plot.blind_spots(found)[0].texts]


def test_table_tells_what_is_displayed_at_the_end_and_from_when_alarms_count():
    """A leak that closes by itself: the display is as before at the end, but the first breath has alarmed."""
    leak = vs.LeakOnset(joint="b.airway", resistance=1.0, at=0.0, until=16.0)
    found = studies.blind_spots(IDEAL, VOLUME, faults={"leak": leak}, duration=80.0)
    text = str(studies.blind_spots_table(found))
    (row,) = (line.split() for line in text.splitlines() if line.startswith("leak"))
    assert row[5] == "0.0" and row[7] == "4"
    heads = [" ".join(line.split()) for line in text.splitlines()[1:4]]
    assert heads == [
        "displayed displayed alarm",
        "fault lung a lung b lung c lung d expired peak after first alarm",
        "[%] [%] [%] [%] [%] [cmH2O] [s]",
    ]
    words = " ".join(text.split())
    assert (
        "Changes are of the last breath, 80 s after the fault began. Alarms count from its first breath" in words
    )


def test_columns_of_long_names_stay_below_their_heads():
    circuit = vs.layouts.shared({f"bed {n} at the window": vs.Lung(compliance=50, resistance=10) for n in (1, 2)})
    fault = vs.Change(path="lungs.bed 1 at the window.compliance", factor=0.5, at=0.0)
    found = studies.blind_spots(circuit, PRESSURE, faults={"f": fault}, duration=20)
    lines = str(studies.blind_spots_table(found)).splitlines()
    (heads,), (row,) = ([line for line in lines if line.startswith(start)] for start in ("fault ", "f "))
    ends = [found.end() for found in re.finditer("window", heads)]
    # A number ends one place before its head: there is room for the mark of unseen harm.
    assert [row[end - 2].isdigit() and row[end - 1] in " !" for end in ends] == [True, True]


@pytest.mark.parametrize(
    "options, message",
    [
        ({"faults": {}}, "faults: there is none"),
        ({"faults": {"odd": 3.0}}, "faults: 'odd' holds float, which is no change"),
        ({"faults": {"odd": [3.0]}}, "faults: 'odd' holds float, which is no change"),
        ({"faults": {"odd": []}}, "faults: 'odd' changes nothing"),
        ({"duration": -1.0}, "duration -1 s is not allowed"),
        ({"harm": float("nan")}, "harm nan is not allowed"),
        ({"lung": "e"}, "there is no lung 'e'"),
        ({"lung": "a", "faults": {"stiff": STIFF}}, "lung 'a' is that of the standard faults"),
        (
            {"faults": {"odd": vs.Change(path="lungs.e.compliance", factor=0.5, at=0.0)}},
            r"faults: 'odd', pressure control: changes\.1\.path 'lungs\.e\.compliance': there is no 'e'",
        ),
        ({"faults": {"late": STIFF.changed(at=300.0)}}, "begins at 300 s, but 300 s are watched"),
        ({"duration": 3.0}, "duration 3 s is not allowed"),
        ({"harm": -0.1}, "harm -0.1 is not allowed"),
        ({"pressure_harm": float("nan")}, "pressure_harm nan cmH2O is not allowed"),
        ({"limits": monitor.AlarmLimits(high_pressure=10.0)}, "high_pressure alarms in pressure control before"),
    ],
)
def test_bad_input(options, message):
    with pytest.raises(vs.errors.InputError, match=message):
        studies.blind_spots(IDEAL, PRESSURE, **options)


def test_a_fault_before_the_fault_begins_is_refused():
    with pytest.raises(vs.errors.InputError, match=r"at -1 s is not allowed"):
        vs.Change(path="lungs.b.compliance", factor=0.5, at=-1.0)


@pytest.mark.parametrize("modes", [{}, {"odd": 3.0}, 3.0])
def test_modes_that_are_none(modes):
    with pytest.raises(vs.errors.InputError, match="no breath"):
        studies.blind_spots(IDEAL, PRESSURE, modes=modes)


def test_a_scenario_is_studied_like_its_circuit_and_settings():
    scenario = vs.Scenario(circuit=IDEAL, settings=PRESSURE)
    found = studies.blind_spots(scenario, faults={"stiff": STIFF}, duration=20.0)
    other = studies.blind_spots(IDEAL, PRESSURE, faults={"stiff": STIFF}, duration=20.0)
    xr.testing.assert_equal(found, other)
    assert studies.standard_faults(scenario) == studies.standard_faults(IDEAL)
    assert studies.equivalent_settings(scenario) == studies.equivalent_settings(IDEAL, PRESSURE)
    with pytest.raises(vs.errors.InputError, match="blind_spots: settings are missing"):
        studies.blind_spots(IDEAL)


def test_ctrl_c_keeps_what_is_finished(monkeypatch):
    """The second of three faults is stopped as it begins: the first one stays, the others are unknown."""
    run_block, calls = Integration.run_block, []

    def stopped(self, block):
        calls.append(block.number)
        if len(calls) == 4:  # steady breath, the run of it, what follows in the first fault and in the second
            raise KeyboardInterrupt
        return run_block(self, block)

    monkeypatch.setattr(Integration, "run_block", stopped)
    faults = dict.fromkeys(("first", "second", "third"), STIFF)
    with pytest.warns(StoppedEarlyWarning, match="the study was stopped by Ctrl-C"):
        found = studies.blind_spots(IDEAL, PRESSURE, faults=faults, duration=40.0)
    assert found.reason[0].values.tolist() == ["", *["not run: the study was stopped by Ctrl-C"] * 2]
    assert np.isfinite(found.tidal_volume_change[0]).all("lung").values.tolist() == [True, False, False]
    assert np.isfinite(found.tidal_volume_before).all()
    table = studies.blind_spots_table(found)
    alarms_after = table.frame.loc[["second", "third"], "first alarm"]
    assert alarms_after.tolist() == ["not run: the study was stopped by Ctrl-C"] * 2
    assert str(table).count("-  not run: the study was stopped by Ctrl-C\n") == 2
    texts = [text.get_text() for text in vs.plot.blind_spots(found)[0].texts]
    assert texts.count("not run") == 2 * 4 and "failed" not in texts  # 2 faults, 4 lungs


def faults_of(lung, **limbs):
    return studies.standard_faults(vs.layouts.single(lung, name="a", limbs=vs.PatientLimbs(**limbs)))


KINKED_LIMBS = {
    "number": {"inspiratory_restrictor": vs.Restrictor(resistance=2.0)},
    "law": {"inspiratory_restrictor": vs.Restrictor(resistance=vs.laws.Rohrer(linear=2.0, quadratic=10.0))},
    "law of the tube": {},
    "measured": {
        "inspiratory_restrictor": vs.Restrictor(
            resistance=vs.laws.MeasuredCurve(flows=(0.5, 1.0), pressure_drops=(2.0, 6.0))
        )
    },
}


@pytest.mark.parametrize("limbs", KINKED_LIMBS.values(), ids=KINKED_LIMBS)
def test_a_kink_is_a_hole_in_series_whatever_the_limb_is_made_of(limbs):
    """Contraction and expansion by hand: 1.204/2 (0.981/2 + 0.981^2) (1e-3/7.069e-6)^2 / 98.07 = 178.6 cmH2O."""
    lung = vs.Lung(compliance=50, resistance=10)
    (change,) = faults_of(lung, **limbs)["kinked tube"]
    part = limbs.get("inspiratory_restrictor", vs.Tube(length=1.5))
    assert change.path == f"parts.a inspiratory {part.kind}.resistance"
    before = vs.layouts.single(lung, name="a", limbs=vs.PatientLimbs(**limbs)).parts[f"a inspiratory {part.kind}"]
    lost = float(before.elements()[0].forward.pressure_drop(1.0))
    assert float(change.to.pressure_drop(1.0)) == pytest.approx(lost + 178.6, rel=1e-3)


def test_a_kink_keeps_the_heads_of_a_tube():
    """They are in the new law: the tube lost 1.5 heads and friction, and 178.6 cmH2O by the hole are added."""
    tube = vs.Tube(length=1.5, loss_coefficient=1.5, corrugated_friction=0.1)
    lung = vs.Lung(compliance=50, resistance=10)
    changes = faults_of(lung, inspiratory_tube=tube)["kinked tube"]
    scenario = vs.Scenario(
        circuit=vs.layouts.single(lung, name="a", limbs=vs.PatientLimbs(inspiratory_tube=tube)), settings=PRESSURE
    ).changed(changes=changes)
    kinked = scenario.schedule.circuit_at(0.0).parts["a inspiratory tube"].elements()[0].forward
    lost = float(tube.flow_law.pressure_drop(1.0))
    assert float(kinked.pressure_drop(1.0)) == pytest.approx(lost + 178.6, rel=1e-3)


def test_a_kink_narrows_a_hole_that_is_there():
    hole = vs.Restrictor(resistance=vs.laws.Orifice(bore=22.0))
    (change,) = faults_of(vs.Lung(compliance=50, resistance=10), inspiratory_restrictor=hole)["kinked tube"]
    assert (change.path, change.to) == ("parts.a inspiratory restrictor.resistance.bore", 3.0)


def test_secretions_narrow_a_measured_tube_too():
    """To 70 % of the bore; of turbulent flow 0.7^-4 = 4.165 times the loss."""
    lung = vs.Lung(compliance=50, resistance=10)
    measured = vs.TrachealTube(
        inner_diameter=7.5,
        resistance=vs.laws.Rohrer(linear=2.0, quadratic=5.0),
        expiratory_resistance=vs.laws.PowerLaw(coefficient=6.0, exponent=1.75),
    )
    changes = faults_of(lung, tracheal_tube=measured)["secretions"]
    found = {change.path.removeprefix("parts.a tracheal tube."): change.to for change in changes}
    wanted = {"resistance.linear": 2.0, "resistance.quadratic": 5.0, "expiratory_resistance.coefficient": 6.0}
    assert found == pytest.approx({path: 0.7**-4 * value for path, value in wanted.items()})
    half_closed = vs.TrachealTube(inner_diameter=7.5, obstructed_fraction=0.1)
    (change,) = faults_of(lung, tracheal_tube=half_closed)["secretions"]
    assert (change.path, change.to) == (
        "parts.a tracheal tube.obstructed_fraction",
        pytest.approx(1.0 - 0.7 * 0.9),
    )


REGIONS = (vs.Region(compliance=20, resistance=10), vs.Region(compliance=30, resistance=10))


@pytest.mark.parametrize(
    "lung",
    [
        vs.Lung(resistance=5, regions=REGIONS),
        vs.Lung(compliance=vs.laws.Exponential(largest_volume=3000, pressure_rate=0.02), resistance=10),
        vs.Lung(
            compliance=vs.laws.Sigmoid(vital_capacity=3000, inflection_pressure=15, width=8),
            resistance=vs.laws.Rohrer(linear=8, quadratic=5),
            expiratory_resistance=12,
            chest_wall_compliance=150,
        ),
        vs.Lung(compliance=vs.laws.VolumeDependent(elastance=0.015, volume_elastance=5e-6), resistance=10),
    ],
    ids=["regions", "exponential", "sigmoid", "volume-dependent"],
)
def test_every_lung_can_stiffen_and_narrow(lung):
    """Half the compliance: the gas is that of half the lung at every pressure, so less comes in."""
    circuit = vs.layouts.single(lung, name="a", ideal=True)
    chosen = {name: studies.standard_faults(circuit)[name] for name in ("stiff lung", "narrow airway")}
    found = studies.blind_spots(circuit, PRESSURE, faults=chosen, duration=40.0)
    assert (found.reason == "").all()
    assert (found.tidal_volume_change < -5.0).all()


def test_table_and_file(both, tmp_path):
    text = str(studies.blind_spots_table(both))
    assert "pressure control" in text and "volume control" in text
    assert "-100.0!" in text
    assert text.endswith("not for deciding about a patient.")
    assert max(map(len, text.splitlines())) < 120
    both.to_netcdf(tmp_path / "found.nc", engine="h5netcdf")
    xr.testing.assert_identical(xr.load_dataset(tmp_path / "found.nc", engine="h5netcdf"), both)


def test_picture(both):
    axes = vs.plot.blind_spots(both)
    assert [ax.get_title(loc="left") for ax in axes] == both.mode.values.tolist()
    texts = {text.get_text() for text in axes[0].texts}
    assert "−100" in texts and "no alarm" in texts
    with pytest.raises(vs.errors.SchemaError, match="variable 'tidal_volume_change' is missing"):
        vs.plot.blind_spots(xr.Dataset())
    apart = Figure().subplots(2, 1)
    vs.plot.blind_spots(both, axes=apart)
    faults = both.fault.values.tolist()
    assert [[text.get_text() for text in ax.get_yticklabels()] for ax in apart] == [faults, faults]
    with pytest.raises(vs.errors.SchemaError, match="needs 2 Axes"):
        vs.plot.blind_spots(both, axes=[Figure().subplots()])


def test_a_lung_that_got_nothing_before():
    """A valve that is stuck closed from the start: no % of nothing, a dash in the table and in the picture."""
    circuit = REAL.with_parts({"b inspiratory valve": vs.OneWayValve(state="stuck closed")})
    for lung in ("a", "b"):
        found = studies.blind_spots(circuit, PRESSURE, lung=lung, duration=20.0, progress=False)
        assert found.tidal_volume_before.sel(lung="b").item() < 1e-3
        assert np.isnan(found.tidal_volume_change.sel(lung="b")).all()
        assert not found.harmed.sel(lung="b", fault="clamped tube").any()
        assert "-   " in str(studies.blind_spots_table(found))
        assert "−" in {text.get_text() for text in vs.plot.blind_spots(found)[0].texts}


def test_hours_and_minutes_along_the_axis():
    """Two hours of invented measures: marks every 15 min, and one an hour is written 1:00."""
    measures = vs.simulate_long(IDEAL, PRESSURE, duration=7200.0).measures
    axes = vs.plot.hours(measures)
    assert axes.shape == (2,)
    axes[1].figure.canvas.draw()
    assert axes[1].get_xlabel() == "time [h:min]"
    assert {"0:15", "1:00", "1:45"} <= {tick.get_text() for tick in axes[1].get_xticklabels()}


def test_picture_of_hours():
    change = vs.Change(path="lungs.b.compliance", to=20.0, at=40.0, until=80.0)
    measures = vs.simulate_long(REAL, VOLUME, duration=240.0, changes=[change]).measures
    displayed = monitor.displayed_values(measures)
    raised = monitor.alarms(displayed, monitor.AlarmLimits(high_pressure=10.0))
    axes = vs.plot.hours(measures, displayed=displayed, alarms=raised, instants={"begins": 40.0, "ends": 80.0})
    assert axes.shape == (5,)
    assert axes[4].get_xlabel() == "time [min:s]"
    assert "high pressure" in [text.get_text() for text in axes[4].get_yticklabels()]
    assert [text.get_text() for text in axes[0].texts] == ["begins", "ends"]
    assert axes[2].get_ylabel().replace("\n", " ") == "displayed expired tidal volume [mL]"
    np.testing.assert_array_equal(axes[3].lines[0].get_ydata(), displayed.displayed_peak_pressure.values)
    # A bar ends with the first breath without the condition; a short one is wide enough to be seen.
    widths = [bar.get_width() for bar in axes[4].patches]
    assert min(widths) >= 0.0039 * np.ptp(measures.breath_end.values)
    quiet = vs.plot.hours(
        measures, displayed=displayed, alarms=monitor.alarms(displayed, monitor.AlarmLimits.off())
    )
    assert "no alarm" in [text.get_text() for text in quiet[4].texts]
    with pytest.raises(vs.errors.SchemaError, match=r"hours needs 2 Axes \(two for the lungs.*it got 1\."):
        vs.plot.hours(measures, axes=[Figure().subplots()])
    with pytest.raises(vs.errors.SchemaError, match="these are measures of breaths; displayed values are needed"):
        vs.plot.hours(measures, displayed=measures)
    with pytest.raises(vs.errors.SchemaError, match="these are displayed values; alarms are needed here"):
        vs.plot.hours(measures, alarms=displayed)
    with pytest.raises(vs.errors.SchemaError, match=r"there is no breath in these measures\.\n  Give"):
        vs.plot.hours(measures.isel(breath=slice(0, 0)))


def test_modes_are_settings_enough_for_a_circuit():
    """Modes take the place of settings; settings by mode are answered with where they belong."""
    modes = {"low": PRESSURE, "high": PRESSURE.changed(inspiratory_pressure=15)}
    alone = studies.sensitivity_matrix(REAL, modes=modes)
    beside = studies.sensitivity_matrix(REAL, PRESSURE, modes=modes)
    xr.testing.assert_equal(alone, beside)
    for study in (studies.sensitivity_matrix, studies.blind_spots):
        with pytest.raises(vs.errors.InputError, match=r"are those of several modes\.\n  Write modes="):
            study(REAL, modes)
