"""Integrals whose integrand has a kink, and the limbs of a lung: what they contain, what passes them backwards."""

import math
import pickle

import numpy as np
import pytest
import xarray as xr

import ventsim as vs

LUNGS = {
    "a": vs.Lung(compliance=50.0, resistance=10.0),
    "b": vs.Lung(compliance=25.0, resistance=20.0),
    "c": vs.Lung(compliance=35.0, resistance=5.0),
}
RAMP = vs.VolumeControl(
    tidal_volume=1000.0, flow_pattern="decelerating", peep=5.0, rate=15.0, ie_ratio=0.6, pause_time=0.3
)
TUBE = vs.Tube(length=1.5)
TUBE_VOLUME = math.pi / 4.0 * 22.0**2 * 1.5  # mm² times m is mL
SIDES = ("inspiratory", "expiratory")
PRESSURE = vs.PressureControl(inspiratory_pressure=20.0, rise_time=0.0, peep=5.0, rate=15.0, ie_ratio=0.6)
RIGID = vs.Tube(length=1.5, resistance=vs.laws.Rohrer(linear=2.0, quadratic=5.0), gas_volume=0.0)
STIFF = vs.PatientLimbs(inspiratory_tube=RIGID, expiratory_tube=RIGID)
HEAVY = vs.PatientLimbs(inspiratory_tube=TUBE.changed(inertia=True), expiratory_tube=TUBE.changed(inertia=True))


def last_breath(circuit, settings, **options):
    """Measures of the steady breath."""
    return vs.breath_measures(vs.steady_breath(circuit, settings, **options)).isel(breath=-1)


# --- mechanical power -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("valves", [True, False])
def test_mechanical_power_is_as_exact_as_volumes(valves):
    """The work integral is split where the flow reverses; against a run at a tolerance of 1e-11."""
    lungs = {"a": vs.Lung(compliance=50.0, resistance=43.0), "b": vs.Lung(compliance=28.0, resistance=9.0)}
    limbs = vs.PatientLimbs(inspiratory_tube=TUBE, expiratory_tube=TUBE)
    circuit = vs.layouts.shared(lungs, one_way_valves=valves, limbs=limbs)
    settings = RAMP.changed(tidal_volume=700.0)
    exact, usual = (last_breath(circuit, settings, **options) for options in ({"tolerance": 1e-11}, {}))
    for name in ("inspired_tidal_volume", "mechanical_power"):
        np.testing.assert_allclose(usual[name], exact[name], rtol=1e-6)


# --- limbs ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arrangement", ["tree", "chain", "star"])
@pytest.mark.parametrize("valves", [True, False])
def test_contained_volume_is_that_of_the_parts_of_a_limb(arrangement, valves):
    """Tubes by geometry; in a chain the lung at the end has the extensions and the last adapter as well."""
    extension = vs.Tube(length=2.0)
    restrictor = vs.Restrictor(resistance=5.0, gas_volume=60.0)
    narrow = vs.PatientLimbs(inspiratory_tube=TUBE, expiratory_tube=TUBE, inspiratory_restrictor=restrictor)
    options = {"extension": extension} if arrangement == "chain" else {}
    circuit = vs.layouts.shared(
        LUNGS, arrangement=arrangement, one_way_valves=valves, limbs={"a": narrow}, **options
    )
    found = last_breath(circuit, RAMP)
    plain, a = [TUBE_VOLUME, TUBE_VOLUME], [TUBE_VOLUME + 60.0, TUBE_VOLUME]
    known = {"a": a, "b": plain} if arrangement == "chain" else {"a": a, "b": plain, "c": plain}
    for lung, volumes in known.items():
        for side, volume in zip(SIDES, volumes, strict=True):
            assert float(found[f"{side}_contained_volume"].sel(lung=lung)) == pytest.approx(volume, rel=1e-12)
    assert (found.inspiratory_contained_volume.sel(lung="c") >= TUBE_VOLUME * (1.0 - 1e-12)).all()


@pytest.mark.parametrize("arrangement", ["tree", "star"])
def test_reversed_volume_against_the_flow_in_the_tube(arrangement):
    """The integral of the flow of the tube at the Y-piece, where it is negative, from samples every 0.1 ms."""
    circuit = vs.layouts.shared(LUNGS, arrangement=arrangement, one_way_valves=False)
    waveforms = vs.steady_breath(circuit, RAMP, sample_interval=1e-4)
    found = vs.breath_measures(waveforms).isel(breath=-1)
    for lung in LUNGS:
        for side in SIDES:
            flow = waveforms.branch_flow.sel(branch=f"{lung} {side} tube").values
            sampled = 1000.0 * np.trapezoid(np.maximum(-flow, 0.0), waveforms.time.values)
            back = float(found[f"{side}_reversed_volume"].sel(lung=lung))
            assert back == pytest.approx(sampled, rel=1e-3, abs=1e-3)
    assert float(found.inspiratory_reversed_volume.sel(lung="a")) > 10.0


@pytest.mark.parametrize("settings", [RAMP, PRESSURE], ids=["volume control", "pressure control"])
@pytest.mark.parametrize("limbs", [vs.PatientLimbs(), STIFF, HEAVY], ids=["usual", "without gas", "inertia"])
def test_reversed_volume_is_as_exact_as_volumes(settings, limbs):
    """Against a run at a tolerance of 1e-10, to 2e-6 of the tidal volume; it had been off by up to 1e-3."""
    circuit = vs.layouts.shared(LUNGS, one_way_valves=False, limbs=limbs)
    run = {"duration": 2.0 * settings.period}
    usual, exact = (
        vs.breath_measures(vs.simulate(circuit, settings, **run, **options))
        for options in ({}, {"tolerance": 1e-10})
    )
    for side in SIDES:
        off = np.abs(usual[f"{side}_reversed_volume"] - exact[f"{side}_reversed_volume"])
        assert float((off / exact.inspired_tidal_volume).max()) < 2e-6
    assert float(exact.inspiratory_reversed_volume.max()) > 1.0


def test_reversed_volume_is_the_same_with_other_names_and_order():
    circuits = [
        vs.layouts.shared(lungs, one_way_valves=False, arrangement="star")
        for lungs in (LUNGS, dict(reversed(LUNGS.items())))
    ]
    one, other = (last_breath(circuit, RAMP) for circuit in circuits)
    for side in SIDES:
        name = f"{side}_reversed_volume"
        np.testing.assert_allclose(one[name], other[name].sel(lung=one.lung), atol=1e-3)


def test_one_way_valves_let_nothing_back():
    """Compression of the gas in the expiratory tube alone moves some of it back towards the Y-piece."""
    found = last_breath(vs.layouts.shared(LUNGS), RAMP)
    assert (found.inspiratory_reversed_volume == 0.0).all()
    assert (found.expiratory_reversed_volume < 0.01 * found.inspired_tidal_volume).all()


def test_two_valves_that_stick_open_let_gas_swing_between_their_lungs():
    circuit = vs.layouts.shared(LUNGS)
    stuck = {f"{lung} inspiratory valve": vs.OneWayValve(state="stuck open") for lung in "ac"}
    found = last_breath(circuit.changed(parts={**circuit.parts, **stuck}), RAMP)
    back = found.inspiratory_reversed_volume
    assert float(back.sel(lung=["a", "c"]).max()) > 5.0
    assert float(back.sel(lung="b")) < 1e-3


def test_without_limbs_of_its_own_a_lung_has_no_numbers():
    found = last_breath(vs.layouts.single(LUNGS["a"], ideal=True, one_way_valves=False), RAMP)
    for side in SIDES:
        assert found[f"{side}_reversed_volume"].isnull().all()
        assert found[f"{side}_contained_volume"].isnull().all()


def test_long_runs_measure_the_same():
    circuit = vs.layouts.shared(LUNGS, one_way_valves=False)
    duration = 4.0 * RAMP.period
    streamed = vs.simulate_long(circuit, RAMP, duration=duration).measures
    waveforms = vs.breath_measures(vs.simulate(circuit, RAMP, duration=duration))
    for side in SIDES:
        for name in (f"{side}_reversed_volume", f"{side}_contained_volume"):
            np.testing.assert_allclose(streamed[name], waveforms[name], rtol=1e-12)


# --- points ---------------------------------------------------------------------------------------------------


def test_pressure_at_any_port():
    waveforms = vs.steady_breath(vs.layouts.shared(LUNGS), RAMP)
    for point in ("a y-piece.patient", "a y-piece.expiratory", "a.airway"):
        assert (vs.pressure_at(waveforms, point) == waveforms.airway_pressure.sel(lung="a")).all()
    assert (vs.pressure_at(waveforms, "ventilator.inspiratory") == waveforms.inspiratory_port_pressure).all()
    assert all(name in points for name, points in zip(waveforms.node.values, waveforms.points.values, strict=True))


def test_nodes_answer_to_the_names_of_their_points(tmp_path):
    """In what has been selected, copied, joined, pickled, calculated with; and in files once they are labelled."""
    waveforms = vs.simulate(vs.layouts.shared(LUNGS), RAMP, duration=8.0)
    expected = waveforms.airway_pressure.sel(lung="a").values
    waveforms.to_netcdf(tmp_path / "run.nc")
    plain = xr.load_dataset(tmp_path / "run.nc")
    xr.testing.assert_equal(plain, waveforms)
    first, second = waveforms.isel(time=slice(100)), waveforms.isel(time=slice(100, None))
    for found in (
        waveforms, waveforms.copy(deep=True), vs.schema.label(plain), pickle.loads(pickle.dumps(waveforms)),
        xr.concat([first, second], "time", data_vars="minimal"), waveforms.isel(node=slice(None, None, -1)),
        (waveforms - plain + waveforms).assign_coords(points=waveforms.points),
    ):  # fmt: skip
        np.testing.assert_array_equal(found.node_pressure.sel(node="a y-piece.patient"), expected)
        both = found.node_pressure.sel(node=["a y-piece.expiratory", "a.airway"])
        np.testing.assert_array_equal(both, np.stack([expected, expected], axis=1))
    np.testing.assert_array_equal(vs.pressure_at(plain, "a y-piece.patient"), expected)


def test_points_of_a_run_that_goes_on(tmp_path):
    """Those of a run in one go, also of points that are there for a time only."""
    apart = vs.Disconnection(joint="a.airway", at=5.0, until=9.0)
    asked = {"changes": [apart], "waveform_every": 1, "progress": False}
    circuit = vs.layouts.shared(LUNGS)
    vs.simulate_long(circuit, RAMP, duration=12.0, save=tmp_path / "part.nc", **asked)
    on = vs.simulate_long(tmp_path / "part.nc", duration=20.0, progress=False).waveforms
    whole = vs.simulate_long(circuit, RAMP, duration=20.0, **asked).waveforms
    assert on.points.values.tolist() == whole.points.values.tolist()
    for point in ("a y-piece.patient", "open end of a airway.inlet"):
        np.testing.assert_array_equal(on.node_pressure.sel(node=point), whole.node_pressure.sel(node=point))


def test_wrong_point_is_answered_with_the_nearest():
    waveforms = vs.steady_breath(vs.layouts.shared(LUNGS), RAMP)
    for ask in (lambda point: vs.pressure_at(waveforms, point), lambda point: waveforms.sel(node=point)):
        words = r"no point 'a y-piece\.patiant'.*\n.*'a y-piece\.patient'"
        with pytest.raises(vs.errors.SchemaError, match=words):
            ask("a y-piece.patiant")
    with pytest.raises(vs.errors.SchemaError, match="hold no pressures in the circuit"):
        vs.pressure_at(waveforms.drop_vars("node_pressure"), "a.airway")


# --- peaks, driving pressure, applied PEEP --------------------------------------------------------------------

BREATHES = vs.HalfSineEffort(amplitude=8.0, duration=1.0, rate=15.0, delay=0.2)
PEAKS = ("peak_airway_pressure", "peak_inspiratory_flow", "peak_expiratory_flow")


@pytest.mark.parametrize("effort", [None, BREATHES], ids=["passive", "effort"])
def test_no_measure_depends_on_the_sample_interval(effort):
    lungs = {**LUNGS, "b": LUNGS["b"].changed(effort=effort)}
    circuit = vs.layouts.shared(lungs, one_way_valves=False)
    sine = RAMP.changed(flow_pattern="sine")
    coarse, fine = (
        vs.breath_measures(vs.simulate(circuit, sine, duration=3.0 * RAMP.period, sample_interval=interval))
        for interval in (0.3, 0.003)
    )
    for name in coarse.data_vars:
        np.testing.assert_allclose(coarse[name], fine[name], rtol=1e-10, atol=1e-10, err_msg=name)


def test_peaks_are_as_exact_as_volumes():
    """Against the largest of samples every 0.1 ms of a run at a tolerance of 1e-10."""
    circuit = vs.layouts.shared(LUNGS)
    sine = RAMP.changed(flow_pattern="sine")
    options = {"duration": 2.0 * RAMP.period}
    found = vs.breath_measures(vs.simulate(circuit, sine, **options)).isel(breath=-1)
    samples = vs.simulate(circuit, sine, sample_interval=1e-4, tolerance=1e-10, **options)
    last = samples.sel(time=slice(float(samples.breath_start[1]), None))
    expected = (last.airway_pressure.max("time"), last.flow.max("time"), -last.flow.min("time"))
    for name, value in zip(PEAKS, expected, strict=True):
        np.testing.assert_allclose(found[name], value, rtol=2e-5)


@pytest.mark.parametrize("limit", [1.0, 1.2])
def test_peaks_behind_a_kink_are_as_exact_as_volumes(limit):
    """An ideal source that reaches its flow limit while its pressure rises, and leaves it later."""
    machine = vs.Ventilator(
        source_resistance=0.0, exhalation_resistance=10.0, flow_limit=limit, relief_pressure=None
    )
    lungs = {
        "a": vs.Lung(compliance=10.0, resistance=1.0),
        "b": vs.Lung(compliance=140.0, resistance=10.0, expiratory_resistance=1.0),
    }
    circuit = vs.layouts.shared(lungs, ideal=True, one_way_valves=False, limbs=STIFF, ventilator=machine)
    settings = vs.PressureControl(
        inspiratory_pressure=15.0,
        peep=10.0,
        rate=30.0,
        inspiratory_time=0.8,
        rise_time=0.1,
        rise_shape="exponential",
    )
    run = {"duration": 2.0 * settings.period}
    usual, exact = (
        vs.breath_measures(vs.simulate(circuit, settings, **run, **options))
        for options in ({}, {"tolerance": 1e-10})
    )
    for name in PEAKS:
        np.testing.assert_allclose(usual[name], exact[name], rtol=5e-6, err_msg=name)
    assert 0.01 < float(exact.port_limited_fraction[0]) < 0.99
    np.testing.assert_allclose(usual.port_limited_fraction, exact.port_limited_fraction, rtol=1e-5)


def test_peaks_between_junctions_are_as_exact_as_volumes():
    """A slow peak where nothing but the lung holds gas: the pressures between steps are not in balance there."""
    limbs = vs.PatientLimbs(
        inspiratory_tube=STIFF.inspiratory_tube.changed(resistance=1.0),
        expiratory_tube=STIFF.expiratory_tube.changed(resistance=1.0),
        filter=vs.Filter(resistance=vs.laws.Rohrer(linear=1.0, quadratic=1.0), gas_volume=0.0),
        y_piece=vs.YPiece(gas_volume=0.0),
    )
    machine = vs.Ventilator(source_resistance=4.0, exhalation_resistance=0.5)
    lung = vs.Lung(compliance=100.0, resistance=160.0, expiratory_resistance=90.0)
    circuit = vs.layouts.shared({"a": lung}, one_way_valves=False, limbs=limbs, ventilator=machine)
    settings = vs.PressureControl(
        inspiratory_pressure=34.0,
        peep=5.0,
        rate=20.0,
        inspiratory_time=0.75,
        rise_time=0.075,
        rise_shape="exponential",
    )
    usual, exact = (
        vs.breath_measures(vs.simulate(circuit, settings, duration=2.0 * settings.period, **options))
        for options in ({}, {"tolerance": 1e-10})
    )
    np.testing.assert_allclose(usual.peak_inspiratory_flow, exact.peak_inspiratory_flow, rtol=3e-6)


def test_share_at_the_flow_limit_is_as_exact_as_volumes():
    """A source of little resistance, close to its limit: when it leaves it depends on a small difference."""
    limbs = vs.PatientLimbs(inspiratory_tube=vs.Tube(length=1.0, resistance=0.01))
    machine = vs.Ventilator(
        source_resistance=0.05, exhalation_resistance=0.05, flow_limit=1.0, relief_pressure=None
    )
    lung = vs.Lung(compliance=100.0, resistance=10.0)
    circuit = vs.layouts.shared({"a": lung}, one_way_valves=False, limbs=limbs, ventilator=machine)
    settings = vs.PressureControl(
        inspiratory_pressure=16.5,
        peep=5.0,
        rate=45.0,
        inspiratory_time=2.0 / 3.0,
        rise_time=0.8 / 3.0,
        rise_shape="exponential",
    )
    usual, exact = (
        vs.breath_measures(vs.simulate(circuit, settings, duration=2.0 * settings.period, **options))
        for options in ({}, {"tolerance": 1e-10})
    )
    assert 0.1 < float(exact.port_limited_fraction[-1]) < 0.9
    np.testing.assert_allclose(usual.port_limited_fraction, exact.port_limited_fraction, atol=5e-6)


def test_driving_pressure_of_a_lung_with_effort_is_elastic():
    """Volume over compliance: the pressure of the muscles is not subtracted from it."""
    lung = vs.Lung(compliance=50.0, resistance=10.0, effort=BREATHES)
    waveforms = vs.simulate(vs.layouts.single(lung, name="a"), RAMP, duration=3.0 * RAMP.period)
    found = vs.breath_measures(waveforms)
    for k, (start, held) in enumerate(zip(waveforms.breath_start, waveforms.inspiration_end, strict=True)):
        volume = waveforms.volume.sel(lung="a")
        rise = volume.sel(time=np.nextafter(float(held), 0.0)) - volume.sel(time=float(start))
        assert float(found.driving_pressure[k, 0]) == pytest.approx(float(rise) / 50.0, rel=1e-12)


def test_auto_peep_leaves_applied_peep_out():
    """A PEEP valve of 7 cmH2O adds to set PEEP, valves of 0.2 cmH2O as well; a long expiration leaves no more."""
    valves = vs.PatientLimbs(valve=vs.OneWayValve(opening_pressure=0.2))
    circuit = vs.layouts.shared({"a": LUNGS["a"], "b": LUNGS["b"]}, limbs=valves)
    settings = vs.PressureControl(inspiratory_pressure=10.0, peep=5.0, rate=3.0, inspiratory_time=1.0)
    single = vs.Circuit(
        parts={
            "out": TUBE,
            "y": vs.YPiece(),
            "back": TUBE,
            "peep valve": vs.PeepValve(opening_pressure=7.0, gas_volume=1.0),
            "a": LUNGS["a"],
        },
        joints=[
            ("ventilator.inspiratory", "out.inlet"),
            ("out.outlet", "y.inspiratory"),
            ("y.patient", "a.airway"),
            ("y.expiratory", "back.inlet"),
            ("back.outlet", "peep valve.inlet"),
            ("peep valve.outlet", "ventilator.expiratory"),
        ],
    )
    for one, applied in ((single, 12.0), (circuit, 5.2)):
        found = last_breath(one, settings)
        np.testing.assert_allclose(found.applied_peep, applied, rtol=1e-12)
        np.testing.assert_allclose(found.auto_peep, 0.0, atol=1e-3)
        np.testing.assert_allclose(found.trapped_volume, 0.0, atol=0.05)
        np.testing.assert_allclose(found.total_peep, applied, atol=1e-3)


def test_trapped_volume_is_what_a_long_expiration_lets_out():
    """A curved lung: the volume at the end of the breath less that of a breath with an expiration of 19 s."""
    curve = vs.laws.Sigmoid(vital_capacity=3000.0, inflection_pressure=12.0, width=8.0)
    circuit = vs.layouts.single(vs.Lung(compliance=curve, resistance=20.0), name="a")
    fast = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=20.0, inspiratory_time=1.0)
    waveforms = vs.steady_breath(circuit, fast)
    found = vs.breath_measures(waveforms).isel(breath=-1)
    slow = vs.steady_breath(circuit, fast.changed(rate=3.0))
    left = float(waveforms.volume[-1, 0]) - float(slow.volume[-1, 0])
    assert left > 50.0
    assert found.trapped_volume.item() == pytest.approx(left, abs=0.1)


def test_without_a_way_out_there_is_no_applied_peep():
    circuit = vs.layouts.shared({"a": LUNGS["a"]})
    parts = {**circuit.parts, "a expiratory valve": vs.OneWayValve(state="stuck closed")}
    found = vs.breath_measures(vs.simulate(circuit.changed(parts=parts), RAMP, duration=RAMP.period))
    for name in ("applied_peep", "auto_peep", "trapped_volume"):
        assert found[name].isnull().all()
    assert found.total_peep.notnull().all()


def test_an_open_end_lets_a_lung_out():
    """A limb came apart at the Y-piece of b, or before the ventilator: lungs empty into the room, past valves."""
    lungs = {"a": LUNGS["a"], "b": LUNGS["b"]}
    circuit = vs.layouts.shared(lungs, limbs=vs.PatientLimbs(valve=vs.OneWayValve(opening_pressure=0.2)))
    settings = vs.PressureControl(inspiratory_pressure=10.0, peep=5.0, rate=3.0, inspiratory_time=1.0)
    for joint, applied in (
        ("b y-piece.inspiratory", [5.2, 0.0]),
        ("b y-piece.expiratory", [5.2, 0.0]),
        ("ventilator.expiratory", [0.2, 0.2]),
        ("b.airway", [5.2, 0.0]),
    ):
        apart = vs.Disconnection(joint=joint, at=0.0)
        run = vs.simulate(circuit, settings, duration=10.0 * settings.period, changes=[apart])
        found = vs.breath_measures(run).isel(breath=-1)
        np.testing.assert_allclose(found.applied_peep, applied, rtol=1e-12, err_msg=joint)
        np.testing.assert_allclose(found.auto_peep, 0.0, atol=1e-3, err_msg=joint)
        np.testing.assert_allclose(found.trapped_volume, 0.0, atol=0.05, err_msg=joint)
