"""Points without gas that closed valves cut off: their pressure is the limit of a little gas there.

Expected numbers: the same circuit with little gas at the two ports.
"""

import numpy as np
import pytest

import ventsim as vs

PORT_MEASURES = (
    "port_peak_pressure",
    "port_mean_pressure",
    "port_end_inspiratory_pressure",
    "port_peep",
    "port_delivered_volume",
)


def circuit(gas: float, *, lung: vs.Lung, tube: vs.Tube) -> vs.Circuit:
    """Valves at both ports of the ventilator, with so much gas [mL] between port and valve."""
    parts = {
        "valve in": vs.OneWayValve(),
        "in": tube,
        "y": vs.YPiece(),
        "out": tube,
        "valve out": vs.OneWayValve(),
        "a": lung,
    }
    before, after = [("ventilator.inspiratory", "valve in.inlet")], [("valve out.outlet", "ventilator.expiratory")]
    if gas > 0.0:
        store = vs.Restrictor(resistance=0.0, gas_volume=gas)
        parts |= {"gas in": store, "gas out": store}
        before = [("ventilator.inspiratory", "gas in.inlet"), ("gas in.outlet", "valve in.inlet")]
        after = [("valve out.outlet", "gas out.inlet"), ("gas out.outlet", "ventilator.expiratory")]
    joints = [
        *before,
        ("valve in.outlet", "in.inlet"),
        ("in.outlet", "y.inspiratory"),
        ("y.patient", "a.airway"),
        ("y.expiratory", "out.inlet"),
        ("out.outlet", "valve out.inlet"),
        *after,
    ]
    return vs.Circuit(parts=parts, joints=joints)


def measured(gas: float, settings, **options) -> np.ndarray:
    tolerance = options.pop("tolerance", None)
    given = {} if tolerance is None else {"tolerance": tolerance}
    found = vs.breath_measures(
        vs.simulate(circuit(gas, **options), settings, duration=3.0 * settings.period, **given)
    )
    return np.array([found[name].values[-1] for name in PORT_MEASURES])


LUNG = vs.Lung(compliance=50.0, resistance=40.0)
BREATHES = LUNG.changed(effort=vs.HalfSineEffort(amplitude=6.0, duration=1.0, rate=11.0, delay=0.3))
INERT, PLAIN = vs.Tube(length=1.5, inertia=True), vs.Tube(length=1.5)
PRESSURE = vs.PressureControl(inspiratory_pressure=14.0, peep=0.5, rate=8.0, ie_ratio=0.2)
VOLUME = vs.VolumeControl(tidal_volume=400.0, peep=5.0, rate=12.0, ie_ratio=0.5, pause_time=0.3)


@pytest.mark.parametrize("settings", [PRESSURE, VOLUME], ids=["pressure control", "volume control"])
@pytest.mark.parametrize(
    ("lung", "tube"),
    [(LUNG, INERT), (LUNG, PLAIN), (BREATHES, PLAIN), (BREATHES, INERT)],
    ids=["inertia", "plain", "effort", "effort and inertia"],
)
def test_pressure_is_the_limit_of_a_little_gas(settings, lung, tube):
    """Each measure at the ports, to 2e-5 cmH2O or mL; the limit is a straight line through 0.01 and 0.02 mL."""
    options = {"lung": lung, "tube": tube, "tolerance": 1e-8}
    without, one, two, little = (measured(gas, settings, **dict(options)) for gas in (0.0, 0.01, 0.02, 0.001))
    assert without == pytest.approx(2.0 * one - two, abs=2e-5)
    assert without == pytest.approx(little, abs=3e-4)


def test_measures_converge_with_the_tolerance():
    options = {"lung": BREATHES, "tube": INERT}
    exact = measured(0.0, PRESSURE, tolerance=1e-9, **options)
    for tolerance in (1e-6, 1e-7, 1e-8):
        found = measured(0.0, PRESSURE, tolerance=tolerance, **options)
        assert np.abs(found - exact).max() < max(100.0 * tolerance, 1e-6)


def test_no_gas_goes_missing():
    waveforms = vs.simulate(circuit(0.0, lung=BREATHES, tube=INERT), PRESSURE, duration=15.0)
    assert abs(waveforms.attrs["volume_balance_residual_mL"]) < 1e-9


def test_a_port_keeps_its_pressure_while_what_is_behind_the_valve_rises():
    """Worked out by hand: the port follows the falling tube down to its lowest pressure and stays there."""
    waveforms = vs.simulate(circuit(0.0, lung=BREATHES, tube=PLAIN), PRESSURE, duration=7.5, sample_interval=0.002)
    expiration = waveforms.sel(time=slice(float(waveforms.inspiration_end[0]) + 1e-6, 7.5 - 1e-6))
    port = expiration.inspiratory_port_pressure.values
    behind = vs.pressure_at(expiration, "valve in.outlet").values
    opening = vs.OneWayValve().opening_pressure
    assert np.abs(port - np.minimum.accumulate(behind + opening)).max() < 1e-3
    assert np.ptp(behind[len(behind) // 2 :]) > 0.1


def test_port_before_gas_at_rest_is_at_the_pressure_of_the_source():
    """Nothing flows yet through a rigid tube whose gas has inertia: the source's resistance takes no pressure."""
    rigid = vs.Tube(length=1.5, inertia=True, gas_volume=0.0, wall_compliance=0.0)
    settings = vs.PressureControl(inspiratory_pressure=14.0, peep=0.5, rate=8.0, ie_ratio=0.5)
    limbs = vs.PatientLimbs(inspiratory_tube=rigid, expiratory_tube=PLAIN)
    circuit = vs.layouts.shared({"a": vs.Lung(compliance=50.0, resistance=0.5)}, limbs=limbs)
    found = vs.breath_measures(vs.simulate(circuit, settings, duration=settings.period))
    assert found.port_peak_pressure.values == pytest.approx([14.5], rel=1e-9)


@pytest.mark.parametrize("delay", [0.3, 1.1, 2.2])
@pytest.mark.parametrize(
    "compliance", [50.0, vs.laws.Sigmoid(vital_capacity=2000.0, inflection_pressure=10.0, width=10.0)]
)
def test_an_effort_of_a_lung_that_is_cut_off_is_followed(compliance, delay):
    """No flow shows how fast its muscles move; the mean of half a sine is 2/π of its amplitude."""
    effort = vs.HalfSineEffort(amplitude=6.0, duration=0.6, rate=15.0, delay=delay)
    tube = vs.Tube(length=1.0, gas_volume=0.0, wall_compliance=0.0)
    closed = vs.PatientLimbs(
        inspiratory_tube=tube, expiratory_tube=tube, y_piece=vs.YPiece(gas_volume=0.0),
        valve=vs.OneWayValve(state="stuck closed", gas_volume=0.0),
    )  # fmt: skip
    lungs = {
        "a": vs.Lung(compliance=compliance, resistance=10.0, effort=effort),
        "b": vs.Lung(compliance=50.0, resistance=10.0),
    }
    settings = vs.PressureControl(inspiratory_pressure=20.0, peep=0.0, rate=15.0, inspiratory_time=2.0)
    measures = vs.breath_measures(
        vs.simulate(vs.layouts.shared(lungs, limbs={"a": closed}), settings, duration=8.0)
    )
    mean = -6.0 * 2.0 / np.pi * 0.6 / 4.0
    assert measures.mean_alveolar_pressure[-1, 0] == pytest.approx(mean, abs=3e-7)
    assert measures.mean_airway_pressure[-1, 0] == pytest.approx(mean, abs=3e-7)
    assert measures.inspired_tidal_volume[-1, 0] == pytest.approx(0.0, abs=1e-9)
