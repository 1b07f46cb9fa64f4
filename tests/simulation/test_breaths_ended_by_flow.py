"""Breath settings of a user whose inspiration ends by flow: breath times are results, in every verb.

A lung of resistance R and compliance C behind an ideal source that holds the pressure P takes the flow
(P - p₀)/R·exp(-t/RC) from an alveolar pressure p₀ on.  The flow reaches q at RC·ln((P - p₀)/(R·q)), where the
alveolar pressure is P - R·q; from there it falls towards PEEP until the next breath is due.
"""

import math
from typing import Annotated, ClassVar

import numpy as np
import pytest
from pydantic import Field
from scipy.optimize import brentq

import ventsim as vs
from ventsim.model.laws import orifice_bore
from ventsim.model.ventilator import BreathSettings, Segment
from ventsim.results.monitor import AlarmLimits, displayed_values

TIMES = ("breath_start", "flow_end", "inspiration_end", "breath_end")


class FlowCycled(BreathSettings):
    """Pressure support without a trigger: inspiration ends where the flow falls below a limit."""

    kind: ClassVar[str] = "flow-cycled"

    support: Annotated[float, Field(description="pressure above PEEP [cmH2O]")]
    end_flow: Annotated[float, Field(description="flow that ends inspiration [L/s]")]

    @property
    def flow_time(self) -> float:
        """The longest inspiration. [s]"""
        return self.inspiratory_phase_time

    def inspiration(self) -> tuple[Segment, ...]:
        """A constant pressure."""
        top = self.peep + self.support
        return (
            Segment(
                duration=self.flow_time, phase="inspiration", drive="pressure", start=top, end_flow=self.end_flow
            ),
        )


SETTINGS = FlowCycled(support=15.0, end_flow=0.15, peep=5.0, rate=15.0, inspiratory_time=3.0)
PERIOD = 4.0  # 60 s / 15
LUNG = vs.Lung(compliance=50.0, resistance=10.0)
ONE = vs.layouts.single(LUNG, ideal=True, name="a")
UNEQUAL = {"a": vs.Lung(compliance=50.0, resistance=10.0), "b": vs.Lung(compliance=25.0, resistance=20.0)}
TWO = vs.layouts.shared(UNEQUAL, ideal=True, one_way_valves=False)
REAL = vs.layouts.shared(UNEQUAL, limbs=vs.PatientLimbs(tracheal_tube=vs.TrachealTube(inner_diameter=7.5)))


def closed_form(lungs, settings, n_breaths):
    """Instants at which inspiration ends [s] and inspired volumes [mL], breath by breath from rest."""
    resistance = np.array([lung.resistance for lung in lungs])
    compliance = np.array([lung.compliance for lung in lungs]) / 1000.0
    tau, top = resistance * compliance, settings.peep + settings.support
    pressure, ends, volumes = np.full(len(lungs), settings.peep), [], []
    for n in range(n_breaths):

        def excess(time, pressure=pressure):
            return ((top - pressure) / resistance * np.exp(-time / tau)).sum() - settings.end_flow

        lasts = brentq(excess, 0.0, 30.0, xtol=1e-14)
        peak = top - (top - pressure) * np.exp(-lasts / tau)
        ends.append(n * settings.period + lasts)
        volumes.append(compliance * (peak - pressure) * 1000.0)
        pressure = settings.peep + (peak - settings.peep) * np.exp(-(settings.period - lasts) / tau)
    return np.array(ends), np.array(volumes)


def test_first_breath_of_one_lung_in_closed_form():
    """The end of inspiration by the formula alone; the samples on both sides of the jump; the measures."""
    tau = 0.5  # 10 cmH2O·s/L times 0.05 L/cmH2O
    lasts = tau * math.log(15.0 / (10.0 * 0.15))
    waveforms = vs.simulate(ONE, SETTINGS, duration=8.0)
    assert float(waveforms.inspiration_end[0]) == pytest.approx(lasts, abs=1e-6)
    end = float(waveforms.inspiration_end[0])
    before, after = waveforms.sel(time=np.nextafter(end, 0.0)), waveforms.sel(time=end)
    assert float(before.flow[0]) == pytest.approx(0.15, abs=1e-6)
    assert float(before.airway_pressure[0]) == pytest.approx(20.0, abs=1e-9)
    assert float(after.airway_pressure[0]) == pytest.approx(5.0, abs=1e-9)
    assert float(after.flow[0]) == pytest.approx(-(20.0 - 1.5 - 5.0) / 10.0, abs=1e-6)
    measures = vs.breath_measures(waveforms)
    assert float(measures.inspired_tidal_volume[0, 0]) == pytest.approx(50.0 * (20.0 - 1.5 - 5.0), rel=1e-6)
    assert float(measures.end_inspiratory_alveolar_pressure[0, 0]) == pytest.approx(18.5, rel=1e-6)


@pytest.mark.parametrize(("circuit", "lungs"), [(ONE, [LUNG]), (TWO, list(UNEQUAL.values()))], ids=["one", "two"])
def test_breaths_in_closed_form_in_every_verb(circuit, lungs):
    """Times to 1e-6 s, volumes to 1e-6; breaths start on time, a period apart."""
    ends, volumes = closed_form(lungs, SETTINGS, 60)
    waveforms = vs.simulate(circuit, SETTINGS, duration=240.0)
    np.testing.assert_allclose(waveforms.inspiration_end, ends, rtol=0, atol=1e-6)
    np.testing.assert_allclose(waveforms.flow_end, waveforms.inspiration_end, rtol=0, atol=0)
    np.testing.assert_array_equal(waveforms.breath_start, np.arange(60) * PERIOD)
    measures = vs.simulate_long(circuit, SETTINGS, duration=240.0).measures
    np.testing.assert_allclose(measures.inspired_tidal_volume, volumes, rtol=1e-6)
    of_waveforms = vs.breath_measures(waveforms)
    for name in TIMES:
        np.testing.assert_array_equal(measures[name], of_waveforms[name], err_msg=name)
    steady = vs.breath_measures(vs.steady_breath(circuit, SETTINGS))
    assert float(steady.inspiration_end[0]) == pytest.approx(ends[-1] - 59 * PERIOD, abs=1e-6)
    np.testing.assert_allclose(steady.inspired_tidal_volume[0], volumes[-1], rtol=1e-6)
    swept = vs.studies.sweep(circuit, SETTINGS, {"settings.end_flow": [0.15, 0.3]})
    np.testing.assert_allclose(swept.inspired_tidal_volume[0], volumes[-1], rtol=1e-6)
    later = closed_form(lungs, SETTINGS.changed({"end_flow": 0.3}), 60)
    np.testing.assert_allclose(swept.inspired_tidal_volume[1], later[1][-1], rtol=1e-6)
    assert float(swept.inspiration_end[1]) == pytest.approx(later[0][-1] - 59 * PERIOD, abs=1e-6)
    error = vs.numerical_error(circuit, SETTINGS)
    assert float(abs(error.inspiration_end).max()) < 1e-6


@pytest.mark.parametrize("limb", ["inspiratory", "expiratory"])
def test_the_hole_that_a_resistance_stands_for(limb):
    """It loses the same pressure at the mean flow of the phase as it was, not as long as it could have been."""
    valves = vs.layouts.shared(UNEQUAL, ideal=True)
    circuit, path = vs.studies.add_restrictor(valves, "a", limb=limb, resistance=1.0)
    wanted = {"inspiratory": {"inspired_tidal_volume": 520.0}, "expiratory": {"total_peep": 8.0}}[limb]
    found = vs.studies.size_restrictors(circuit, SETTINGS, targets={"a": wanted}, vary={path: (0, 200)})
    breath = vs.breath_measures(vs.steady_breath(found.scenario))
    end = float(breath.inspiration_end[0])
    assert found.feasible and end < 2.5
    lasts = end if limb == "inspiratory" else PERIOD - end
    flow = float(breath.inspired_tidal_volume.sel(lung="a")[0]) / 1000.0 / lasts
    bore = orifice_bore(float(found.results.value[0]) * flow, flow=flow)
    assert float(found.results.equivalent_bore[0]) == pytest.approx(bore, rel=1e-5)


def test_what_the_ventilator_displays_follows_the_breath():
    measures = vs.breath_measures(vs.steady_breath(REAL, SETTINGS))
    shown = displayed_values(measures)
    assert float(shown.displayed_rate[0]) == pytest.approx(15.0, rel=1e-12)
    assert float(shown.displayed_inspired_tidal_volume[0]) == float(measures.port_delivered_volume[0])
    assert float(shown.inspiration_end[0]) == float(measures.inspiration_end[0]) < 3.0


def test_real_circuit_ends_at_the_flow():
    """Tubes, valves, tracheal tubes: just before inspiration ends the port delivers the flow that ends it."""
    waveforms = vs.simulate(REAL, SETTINGS, duration=40.0)
    ends = waveforms.inspiration_end.values
    flows = waveforms.inspiratory_port_flow.sel(time=np.nextafter(ends, 0.0))
    np.testing.assert_allclose(flows, 0.15, atol=1e-6)
    assert (ends - waveforms.breath_start.values < 3.0).all()
    assert abs(waveforms.attrs["volume_balance_residual_mL"]) < 1e-9


def test_a_flow_that_never_reaches_the_limit_ends_nothing():
    """The first flow is 1.5 L/s; and with a limit of 0.003 L/s, which comes after 3.1 s, time ends inspiration."""
    for end_flow in (1.6, 0.003):
        waveforms = vs.simulate(ONE, SETTINGS.changed({"end_flow": end_flow}), duration=8.0)
        np.testing.assert_allclose(waveforms.inspiration_end, [3.0, 7.0])


def test_continued_run_has_the_same_bits(tmp_path):
    changes = (
        vs.Change(path="settings.peep", to=8.0, at=21.0),
        vs.Change(path="lungs.b.compliance", to=15.0, at=50.0, until=90.0),
        vs.Disconnection(joint="a.airway", at=101.1, until=109.0),
    )
    whole = vs.simulate_long(REAL, SETTINGS, duration=160.0, changes=changes)
    for until in (30.0, 70.0, 104.0):
        known = [change for change in changes if change.at < until]
        part = vs.simulate_long(REAL, SETTINGS, duration=until, changes=known, save=tmp_path / "part.nc")
        assert part.measures.attrs["scenario"].startswith(
            "# Cannot be run again from here: settings: FlowCycled is a breath setting of your own making"
        )
        on = vs.simulate_long(REAL, SETTINGS, duration=160.0, changes=changes, resume=tmp_path / "part.nc")
        for name in whole.measures.data_vars:
            np.testing.assert_array_equal(on.measures[name], whole.measures[name], err_msg=f"{until} {name}")
        np.testing.assert_array_equal(on.state.solver, whole.state.solver)


def test_changes_inside_breaths_that_end_by_flow():
    """A jump of compliance inside inspiration; what ramps; and the same in a run that keeps no waveforms."""
    changes = (
        vs.Change(path="lungs.a.compliance", to=25.0, at=8.4),
        vs.Change(path="lungs.a.compliance", to=60.0, at=20.0, until=60.0),
    )
    waveforms = vs.simulate(ONE, SETTINGS, duration=80.0, changes=changes, ramp_updates=4)
    measures = vs.simulate_long(ONE, SETTINGS, duration=80.0, changes=changes, ramp_updates=4).measures
    expected = vs.breath_measures(waveforms)
    for name in TIMES:
        np.testing.assert_array_equal(measures[name], expected[name], err_msg=name)
    np.testing.assert_allclose(measures.inspired_tidal_volume, expected.inspired_tidal_volume, rtol=1e-12)
    # At 8.4 s the gas of the lung stays: its elastic pressure doubles, the flow stops at once.
    assert float(measures.inspiration_end[2]) == pytest.approx(8.4, abs=1e-9)
    lasts = closed_form([vs.Lung(compliance=60.0, resistance=10.0)], SETTINGS, 30)[0][-1] - 29 * PERIOD
    assert float(measures.inspiration_end[-1] - measures.breath_start[-1]) == pytest.approx(lasts, abs=1e-6)


class ExpirationFirst(FlowCycled):
    """The same with expiration first: the end of inspiration ends the breath."""

    kind: ClassVar[str] = "expiration first"

    def segments(self) -> tuple[Segment, ...]:
        """Expiration, then inspiration."""
        return (Segment(duration=self.expiratory_time, phase="expiration", drive="closed"), *self.inspiration())


def test_a_breath_that_ends_early_begins_the_next_one():
    """Breaths of 1 s of rest and RC·ln(...) of inspiration, one after the other; a planned piece is left out."""
    settings = ExpirationFirst(support=15.0, end_flow=0.15, peep=5.0, rate=15.0, inspiratory_time=3.0)
    first = 1.0 + 0.5 * math.log(15.0 / 1.5)
    waveforms = vs.simulate(ONE, settings, duration=30.0, tolerance=1e-9)  # errors of the ends add up
    starts, pressure, expected = 0.0, 5.0, []
    while starts < 30.0:
        low = 5.0 + (pressure - 5.0) * math.exp(-1.0 / 0.5)
        expected.append(starts)
        starts, pressure = starts + 1.0 + 0.5 * math.log((20.0 - low) / 1.5), 18.5
    np.testing.assert_allclose(waveforms.breath_start, expected, rtol=0, atol=1e-6)
    # The last breath is cut off: its end is that by time, a period after its start.
    assert float(waveforms.breath_end[-1] - waveforms.breath_start[-1]) == pytest.approx(PERIOD)
    # Planned for the first breath, which would last 4 s by time; it comes in the second one.
    change = vs.Change(path="lungs.a.compliance", to=25.0, at=first + 0.5)
    changed = vs.simulate(ONE, settings, duration=10.0, changes=[change])
    assert float(changed.breath_end[0]) == pytest.approx(first, abs=1e-6)
    before, after = changed.volume.sel(time=slice(first + 0.4, first + 0.6)).values[[0, -1], 0]
    assert after < before
    jump = changed.alveolar_pressure.sel(
        time=[np.nextafter(first + 0.5, 0.0), first + 0.5], method="nearest"
    ).values
    assert jump[1, 0] == pytest.approx(2.0 * jump[0, 0], rel=1e-9)  # the same gas in half the compliance


class BiasFlowCycled(BreathSettings):
    """Expiration with a bias flow that falls from 0.2 L/s, and ends at 0.1 L/s: half-way, always."""

    kind: ClassVar[str] = "bias flow-cycled"

    @property
    def flow_time(self) -> float:
        """The whole inspiration. [s]"""
        return self.inspiratory_phase_time

    def inspiration(self) -> tuple[Segment, ...]:
        """A constant pressure, 15 cmH2O above PEEP."""
        return (Segment(duration=self.flow_time, phase="inspiration", drive="pressure", start=self.peep + 15.0),)

    def segments(self) -> tuple[Segment, ...]:
        """Inspiration, then expiration."""
        flow = {"drive": "flow", "shape": "linear", "start": 0.2, "change": -0.2, "end_flow": 0.1}
        return (*self.inspiration(), Segment(duration=self.expiratory_time, phase="expiration", **flow))


def test_a_fault_begins_where_the_steady_breath_has_ended():
    """Breaths of 1 + 1.5 s, planned as 4: one of RC 0.5 s, then one of 0.25 s with the gas of the one before."""
    settings = BiasFlowCycled(peep=5.0, rate=15.0, inspiratory_time=1.0)
    stiff = {"stiff": vs.Change(path="lungs.a.compliance", to=25.0, at=0.0)}
    limits = AlarmLimits(low_expired_volume=700.0, delay=0.0)
    found = vs.studies.blind_spots(ONE, settings, faults=stiff, limits=limits, duration=20.0, progress=False)
    low = 5.0 + 15.0 * (1.0 - math.exp(-2.0)) * math.exp(-3.0) / (1.0 - math.exp(-5.0))
    assert float(found.tidal_volume_before[0, 0]) == pytest.approx(
        50.0 * (20.0 - low) * (1.0 - math.exp(-2.0)), rel=1e-6
    )
    # With its 225 mL of bias flow the first breath returns 845 mL, the one after the fault 595.
    assert found.raised_after.sel(alarm="low_expired_volume").item() == pytest.approx(2.5, abs=1e-6)
