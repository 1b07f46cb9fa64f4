"""Integrals whose integrand has a kink, and the limbs of a lung: what they contain, what passes them backwards."""

import math

import numpy as np
import pytest

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


def test_wrong_point_is_answered_with_the_nearest():
    waveforms = vs.steady_breath(vs.layouts.shared(LUNGS), RAMP)
    with pytest.raises(vs.errors.SchemaError, match=r"no point 'a y-piece\.patiant'.*\n.*'a y-piece\.patient'"):
        vs.pressure_at(waveforms, "a y-piece.patiant")
    with pytest.raises(vs.errors.SchemaError, match="hold no pressures in the circuit"):
        vs.pressure_at(waveforms.drop_vars("node_pressure"), "a.airway")
