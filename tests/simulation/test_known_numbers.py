"""Single numbers that were once wrong, against outside solvers and closed forms, on limbs given explicitly.

Limbs have the friction that corrugated tubes had at first, as a law of the user, so that no default moves them.
"""

import math

import numpy as np
import pytest

import ventsim as vs

FRICTION = vs.units.ATMOSPHERE_CMH2O / 101325.0  # cmH2O in a pascal


class EarlyFriction:
    """A tube of 1.5 m and 22 mm: laminar up to Reynolds 2000, from 4000 twice the friction of Blasius."""

    def pressure_drop(self, flow):
        """At a flow [L/s]. [cmH2O]"""
        density, viscosity, bore, length = 1.204, 18.21e-6, 0.022, 1.5
        flow = np.asarray(flow, dtype=float)
        reynolds = np.abs(flow) * 1e-3 * 4.0 * density / (math.pi * bore * viscosity)
        x = np.clip((reynolds - 2000.0) / 2000.0, 0.0, 1.0)
        turbulent = x**3 * (10.0 - 15.0 * x + 6.0 * x**2)
        factor = (1.0 - turbulent) * 64.0 * reynolds + turbulent * 2.0 * 0.3164 * reynolds**1.75  # times Re²
        pascals = factor * length / bore * viscosity**2 / (2.0 * density * bore**2)
        return np.sign(flow) * pascals * FRICTION


def limbs(resistance, *, valve_gas=0.0, inertia=False):
    """Two equal tubes of 1.5 m, and valves of 0.2 cmH2O and 1 cmH2O·s/L."""
    tube = vs.Tube(length=1.5, bore=22.0, resistance=resistance, inertia=inertia)
    valve = vs.OneWayValve(opening_pressure=0.2, resistance=1.0, gas_volume=valve_gas)
    return vs.PatientLimbs(inspiratory_tube=tube, expiratory_tube=tube, valve=valve)


def test_early_friction_is_the_documented_one():
    """The figures of docs/changelog.md, which the first release printed."""
    found = EarlyFriction().pressure_drop([0.25, 0.5, 1.0, 2.0])
    np.testing.assert_allclose(found, [0.012, 0.024, 0.232, 0.784], atol=5e-4)


@pytest.mark.parametrize("valve_gas", [0.0, 0.002])
@pytest.mark.parametrize(
    ("resistance", "mean"), [(EarlyFriction(), -1.46), (2.0, 1.41)], ids=["early friction", "linear 2"]
)
def test_port_before_a_valve_behind_which_gas_has_inertia(resistance, mean, valve_gas):
    """Peak 14.5 cmH2O as set; mean pressures are those of the first release with 0.001 mL at the port."""
    given = limbs(resistance, valve_gas=valve_gas, inertia=True)
    circuit = vs.layouts.shared({"a": vs.Lung(compliance=50.0, resistance=40.0)}, limbs=given)
    settings = vs.PressureControl(inspiratory_pressure=14.0, peep=0.5, rate=8.0, ie_ratio=0.2)
    found = vs.breath_measures(vs.steady_breath(circuit, settings)).isel(breath=-1)
    assert found.port_peak_pressure.item() == pytest.approx(14.5, abs=1e-5)
    assert found.port_mean_pressure.item() == pytest.approx(mean, abs=5e-3)


def test_power_where_the_flow_reverses_within_steps():
    """10.82924 J/min by a run of the first release at a tolerance of 1e-11, itself 1.4e-5 too high."""
    lungs = {"a": vs.Lung(compliance=50.0, resistance=43.0), "b": vs.Lung(compliance=28.0, resistance=9.0)}
    circuit = vs.layouts.shared(lungs, one_way_valves=False, limbs=limbs(EarlyFriction()))
    settings = vs.VolumeControl(
        tidal_volume=700.0, flow_pattern="decelerating", peep=5.0, rate=15.0, ie_ratio=0.6, pause_time=0.3
    )
    found = vs.breath_measures(vs.steady_breath(circuit, settings)).isel(breath=-1)
    assert found.mechanical_power.sel(lung="b").item() == pytest.approx(10.82924, abs=2e-5)


def test_driving_pressure_is_the_elastic_rise_and_not_the_alveolar_one():
    """662.5 mL into 50 mL/cmH2O are 13.25 cmH2O; an effort of 7.95 at the end of inspiration leaves 5.30."""
    effort = vs.HalfSineEffort(amplitude=7.95, duration=2.0, rate=12.0)
    lung = vs.Lung(compliance=50.0, resistance=10.0, effort=effort)
    settings = vs.VolumeControl(tidal_volume=662.5, rate=12.0, inspiratory_time=1.0, peep=5.0)
    waveforms = vs.simulate(vs.layouts.single(lung, ideal=True), settings, duration=2.0 * settings.period)
    found = vs.breath_measures(waveforms).isel(breath=0, lung=0)
    alveolar_rise = found.end_inspiratory_alveolar_pressure.item() - settings.peep  # it starts from rest
    assert found.driving_pressure.item() == pytest.approx(13.25, rel=1e-9)
    assert alveolar_rise == pytest.approx(5.30, rel=1e-6)


def test_twelve_lungs_at_the_flow_limit():
    """Closed form: 3 L/s in 1.2 s are 300 mL each, and the port reaches 14.96 of 20 cmH2O.

    Above PEEP: what is left of 300 mL after 3.8 s through 10 and twelve times 3 cmH2O·s/L, 300 mL over the
    compliance, and 0.25 L/s through the airway.
    """
    lungs = {f"l{k}": vs.Lung(compliance=25.0, resistance=10.0) for k in range(12)}
    machine = vs.Ventilator(source_resistance=0.0, exhalation_resistance=3.0, flow_limit=3.0, relief_pressure=None)
    circuit = vs.layouts.shared(lungs, ideal=True, one_way_valves=False, ventilator=machine)
    settings = vs.PressureControl(inspiratory_pressure=20.0, peep=0.0, rate=12.0, inspiratory_time=1.2)
    found = vs.breath_measures(vs.steady_breath(circuit, settings)).isel(breath=-1)
    left = math.exp(-3.8 / (0.025 * (10.0 + 12.0 * 3.0)))
    reached = 12.0 * left / (1.0 - left) + 12.0 + 2.5
    assert reached == pytest.approx(14.96, abs=5e-3)
    np.testing.assert_allclose(found.inspired_tidal_volume, 300.0, rtol=1e-6)
    assert 20.0 - found.port_missed_pressure.item() == pytest.approx(reached, rel=1e-5)
