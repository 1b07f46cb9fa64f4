"""What the ventilator displays and alarms on, against closed forms and numbers worked out by hand."""

import json
import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

import ventsim as vs
from ventsim.errors import InputError, PlausibilityWarning, SchemaError
from ventsim.results.kernel import LUNG_MEASURES
from ventsim.results.measures import breath_measures
from ventsim.results.monitor import (
    ALARMS,
    SENSOR_BANDS,
    AlarmLimits,
    Sensors,
    alarms,
    alarms_table,
    displayed_table,
    displayed_values,
)
from ventsim.results.schema import CAUTION, VARIABLES, check_dataset, label

# One breath of the ports, invented: what each measure is, and so what an exact sensor reads.
PORTS = {
    "port_delivered_volume": 500.0,
    "port_returned_volume": 480.0,
    "port_relief_volume": 0.0,
    "port_peak_pressure": 25.0,
    "port_end_inspiratory_pressure": 21.0,
    "port_plateau_pressure": 21.0,
    "port_mean_pressure": 11.0,
    "port_peep": 5.0,
    "lungs_held_volume": 450.0,
    "compressed_volume": 30.0,
    "volume_balance_error": 0.0,
    "leak_volume": 20.0,
}
PERIOD = 3.0


def measures_of(n=1, *, period=PERIOD, peep=5.0, first=1, **ports):
    """Measures of n breaths whose lungs are unknown; a port is one number, or one for each breath."""
    number = np.arange(first, first + n)
    start = period * (number - 1)
    data = {name: (("breath", "lung"), np.full((n, 1), np.nan)) for name in LUNG_MEASURES.names}
    data |= {name: ("breath", np.zeros(n) + value) for name, value in (PORTS | ports).items()}
    data |= {
        "breath_start": ("breath", start),
        "flow_end": ("breath", start + 0.8),
        "inspiration_end": ("breath", start + 1.0),
        "breath_end": ("breath", start + period),
        "set_peep": ("breath", np.full(n, peep)),
    }
    measures = label(xr.Dataset(data, coords={"breath": number, "lung": ["a"]}, attrs={"scenario": "invented"}))
    check_dataset(measures, "measures")
    return measures


def shown(displayed, breath=-1):
    """Displayed numbers of one breath by their short name."""
    return {
        name.removeprefix("displayed_"): float(displayed[name][breath])
        for name in displayed.data_vars
        if name.startswith("displayed_")
    }


def only(**limits):
    """Limits that are off but for those given."""
    return AlarmLimits.off().changed(limits)


def raised_in(result, alarm):
    """Numbers of the breaths in which an alarm is raised."""
    one = result.alarm_raised.sel(alarm=alarm)
    return result.breath.values[one.values].tolist()


# --- displayed values: definitions ------------------------------------------------------------------------


def test_every_displayed_value_by_its_definition():
    """PORTS, and by hand: 20 breaths a minute; 9.6 = 0.48 L times 20; 24 = 480/(25 - 5); 30 = 480/(21 - 5)."""
    displayed = displayed_values(measures_of())
    check_dataset(displayed, "displayed")
    assert shown(displayed) == pytest.approx(
        {
            "inspired_tidal_volume": 500.0,
            "expired_tidal_volume": 480.0,
            "peak_pressure": 25.0,
            "plateau_pressure": 21.0,
            "mean_pressure": 11.0,
            "peep": 5.0,
            "minute_volume": 9.6,
            "rate": 20.0,
            "dynamic_compliance": 24.0,
            "static_compliance": 30.0,
        },
        rel=1e-14,
    )
    assert float(displayed.set_peep[0]) == 5.0
    assert float(displayed.inspiration_end[0]) == 1.0
    assert displayed.attrs["scenario"] == "invented"
    assert displayed.attrs["sensors"] == "exact"


def test_displayed_values_are_all_of_the_schema():
    of_schema = {name for name, row in VARIABLES.items() if "displayed" in row.kinds}
    assert set(displayed_values(measures_of()).data_vars) == of_schema


def test_without_a_pause_there_is_no_plateau():
    numbers = shown(displayed_values(measures_of(port_plateau_pressure=np.nan)))
    assert math.isnan(numbers["plateau_pressure"]) and math.isnan(numbers["static_compliance"])
    assert numbers["dynamic_compliance"] == pytest.approx(24.0)  # as above


@pytest.mark.parametrize("peak", [5.0, 4.0])
def test_no_compliance_where_pressure_does_not_rise(peak):
    """A division by 0, or a negative compliance, is displayed as unknown."""
    numbers = shown(displayed_values(measures_of(port_peak_pressure=peak, port_plateau_pressure=peak)))
    assert math.isnan(numbers["dynamic_compliance"]) and math.isnan(numbers["static_compliance"])


@pytest.mark.parametrize(("plateau", "held"), [(21.0, 32.0), (np.nan, 40.0)], ids=["pause", "no pause"])
def test_gas_that_fills_the_circuit_is_subtracted(plateau, held):
    """2 mL/cmH2O times plateau - PEEP = 16 cmH2O, or without a pause peak - PEEP = 20 cmH2O."""
    numbers = shown(displayed_values(measures_of(port_plateau_pressure=plateau), circuit_compliance=2.0))
    assert numbers["inspired_tidal_volume"] == pytest.approx(500.0 - held)
    assert numbers["expired_tidal_volume"] == pytest.approx(480.0 - held)
    assert numbers["minute_volume"] == pytest.approx(0.02 * (480.0 - held))  # 20 breaths a minute
    assert numbers["dynamic_compliance"] == pytest.approx((480.0 - held) / 20.0)


def test_no_volume_is_negative():
    """Nothing comes back, so that nothing is left to subtract from; and a sensor that reads 50 mL too little."""
    nothing = measures_of(port_returned_volume=0.0)
    assert shown(displayed_values(nothing, circuit_compliance=3.0))["expired_tidal_volume"] == 0.0
    low = shown(displayed_values(nothing, sensors=Sensors(volume_offset=-50.0)))
    assert low["expired_tidal_volume"] == 0.0 and low["inspired_tidal_volume"] == 450.0


def test_unknown_pressure_leaves_volumes_known_without_compensation():
    unknown = measures_of(port_peak_pressure=np.nan, port_plateau_pressure=np.nan)
    assert shown(displayed_values(unknown))["expired_tidal_volume"] == 480.0  # PORTS


def test_what_was_assumed_is_kept_in_a_file(tmp_path):
    displayed = displayed_values(measures_of(2), sensors=Sensors(seed=3), circuit_compliance=1.5)
    raised = alarms(displayed, AlarmLimits(high_pressure=24.0))
    for kind, dataset in (("displayed", displayed), ("alarms", raised)):
        dataset.to_netcdf(tmp_path / f"{kind}.nc", engine="h5netcdf")
        with xr.open_dataset(tmp_path / f"{kind}.nc", engine="h5netcdf") as back:
            check_dataset(back, kind)
            xr.testing.assert_identical(back.load(), dataset)
    assert json.loads(displayed.attrs["sensors"])["seed"] == 3
    assert displayed.attrs["subtracted_circuit_compliance_mL_per_cmH2O"] == 1.5
    assert AlarmLimits(**json.loads(raised.attrs["alarm_limits"])) == AlarmLimits(high_pressure=24.0)


# --- displayed values of simulated breaths ----------------------------------------------------------------


def test_one_lung_on_an_ideal_circuit():
    """Closed form of pressure control with one lung: Marini, Crooke and Truwit, J Appl Physiol 1989;67:1081-1092
    (from memory). Ports and airway are one place there, so that the display is the truth.
    """
    compliance, resistance, rise, peep, rate, ti = 50.0, 10.0, 15.0, 5.0, 15.0, 4 / 3
    tau, period = resistance * compliance / 1000.0, 60.0 / rate
    a, b = math.exp(-ti / tau), math.exp(-(period - ti) / tau)
    tidal = compliance * rise * (1 - a) * (1 - b) / (1 - a * b)
    circuit = vs.layouts.single(vs.Lung(compliance=compliance, resistance=resistance), ideal=True)
    settings = vs.PressureControl(inspiratory_pressure=rise, peep=peep, rate=rate, inspiratory_time=ti)
    numbers = shown(displayed_values(breath_measures(vs.steady_breath(circuit, settings))))
    assert math.isnan(numbers.pop("plateau_pressure")) and math.isnan(numbers.pop("static_compliance"))
    assert numbers == pytest.approx(
        {
            "inspired_tidal_volume": tidal,
            "expired_tidal_volume": tidal,
            "peak_pressure": peep + rise,
            "mean_pressure": peep + rise * ti / period,
            "peep": peep,
            "minute_volume": rate * tidal / 1000.0,
            "rate": rate,
            "dynamic_compliance": tidal / rise,
        },
        rel=1e-6,
    )


def test_static_compliance_misses_auto_peep():
    """Worked example of Crit Care 2013 (cc12561), Table 1, patient B: plateau 9.78 cmH2O, from 2.94 of auto-PEEP.

    The digits 9.7785 follow from the equation of motion with constant flow. The ventilator takes PEEP for 0, so it
    displays 650/9.7785 = 66.47 mL/cmH2O for a lung of 95.
    """
    circuit = vs.layouts.single(vs.Lung(compliance=95, resistance=21), ideal=True)
    settings = vs.VolumeControl(tidal_volume=650, rate=15, inspiratory_time=1.6, pause_time=0.3, peep=0.0)
    measures = breath_measures(vs.steady_breath(circuit, settings))
    numbers = shown(displayed_values(measures))
    assert numbers["plateau_pressure"] == pytest.approx(9.7785, abs=1e-4)
    assert numbers["static_compliance"] == pytest.approx(66.47, abs=5e-3)
    assert float(measures.auto_peep[0, 0]) == pytest.approx(2.9364, abs=1e-4)  # the same example


def test_streamed_and_recorded_runs_display_the_same():
    """Both roads lead through one definition; the run without waveforms and the one with them, bit for bit."""
    circuit = vs.layouts.single(vs.Lung(compliance=40, resistance=12))
    settings = vs.VolumeControl(tidal_volume=450, rate=20, inspiratory_time=1.2, pause_time=0.3)
    sensors = Sensors(volume_standard_deviation=8.0, pressure_standard_deviation=0.3, seed=5)
    streamed = displayed_values(vs.simulate_long(circuit, settings, duration=30).measures, sensors=sensors)
    recorded = displayed_values(breath_measures(vs.simulate(circuit, settings, duration=30)), sensors=sensors)
    assert streamed.sizes["breath"] == 10
    for name in streamed.data_vars:
        np.testing.assert_array_equal(streamed[name].values, recorded[name].values, err_msg=str(name))


def two_lungs(a, b):
    lungs = {"a": vs.Lung(compliance=a, resistance=10), "b": vs.Lung(compliance=b, resistance=10)}
    settings = vs.PressureControl(inspiratory_pressure=15, rate=16, inspiratory_time=1.25)
    return breath_measures(vs.steady_breath(vs.layouts.shared(lungs), settings))


def test_two_faults_with_one_display():
    """Either of two lungs on one ventilator stiffens from 50 to 25 mL/cmH2O (invented): the display is the same.

    By symmetry of the circuit, up to the tolerance of the solver. The lungs differ by far more than that.
    """
    first, second = two_lungs(25, 50), two_lungs(50, 25)
    for name, number in shown(displayed_values(first)).items():
        expected = shown(displayed_values(second))[name]
        assert number == pytest.approx(expected, rel=1e-6, nan_ok=True), name
    volumes = [measures.inspired_tidal_volume.values[0] for measures in (first, second)]
    np.testing.assert_allclose(volumes[0], volumes[1][::-1], rtol=1e-6)  # they have changed places
    assert volumes[0][0] < 0.7 * volumes[1][0]


def test_a_lung_behind_a_wide_leak_looks_disconnected():
    """A hole of 1 cmH2O·s/L at the airway (invented) lets the gas out: little comes back, and PEEP is lost."""
    lung = vs.Lung(compliance=50, resistance=10)
    settings = vs.PressureControl(inspiratory_pressure=15, peep=8, rate=15, inspiratory_time=4 / 3)
    tight = vs.layouts.single(lung)
    (end,) = (joint for joint in tight.joints if "lung.airway" in joint)
    other = next(port for port in end if port != "lung.airway")
    leaky = vs.Circuit(
        parts={**tight.parts, "hole": vs.Leak(resistance=1.0)},
        joints=[joint for joint in tight.joints if joint != end]
        + [(other, "hole.inlet"), ("hole.outlet", "lung.airway")],
        ventilator=tight.ventilator,
    )
    runs = [vs.simulate_long(circuit, settings, duration=40) for circuit in (tight, leaky)]
    display = [displayed_values(run.measures) for run in runs]
    limits = AlarmLimits.around(display[0])
    assert not alarms(display[0], limits).alarm_condition.values[1:].any()  # the first breath starts from rest
    raised = alarms(display[1], limits)
    for alarm in ("disconnection", "peep_loss", "low_expired_volume", "low_minute_volume"):
        assert raised_in(raised, alarm) == list(range(1, 11)), alarm
    assert raised_in(raised, "high_pressure") == []


# --- sensors ----------------------------------------------------------------------------------------------


def test_gain_and_offset():
    """By hand: 1.1 times 500 plus 3; 0.9 times 25, 21, 11 and 5 minus 1; compliance from what is displayed."""
    sensors = Sensors(volume_gain_error=0.1, volume_offset=3.0, pressure_gain_error=-0.1, pressure_offset=-1.0)
    numbers = shown(displayed_values(measures_of(), sensors=sensors))
    assert numbers == pytest.approx(
        {
            "inspired_tidal_volume": 553.0,
            "expired_tidal_volume": 531.0,
            "peak_pressure": 21.5,
            "plateau_pressure": 17.9,
            "mean_pressure": 8.9,
            "peep": 3.5,
            "minute_volume": 10.62,
            "rate": 20.0,
            "dynamic_compliance": 531.0 / 18.0,
            "static_compliance": 531.0 / 14.4,
        },
        rel=1e-12,
    )


NOISY = Sensors(volume_standard_deviation=10.0, pressure_standard_deviation=0.5, seed=2026)
READ = (
    "inspired_tidal_volume",
    "expired_tidal_volume",
    "peak_pressure",
    "plateau_pressure",
    "mean_pressure",
    "peep",
)


def test_scatter_depends_on_the_number_of_the_breath_alone():
    """The whole run, its second half, and one breath alone show the same."""
    whole = displayed_values(measures_of(20), sensors=NOISY)
    half = displayed_values(measures_of(10, first=11), sensors=NOISY)
    one = displayed_values(measures_of(20).sel(breath=[7]), sensors=NOISY)
    for name in READ:
        values = whole[f"displayed_{name}"].values
        np.testing.assert_array_equal(values[10:], half[f"displayed_{name}"].values)
        np.testing.assert_array_equal(values[6:7], one[f"displayed_{name}"].values)
        assert len(np.unique(values)) == 20  # and it does scatter


def test_another_seed_is_another_scatter():
    displayed = [displayed_values(measures_of(5), sensors=NOISY.changed({"seed": seed})) for seed in (1, 2)]
    assert not np.isclose(displayed[0].displayed_peep, displayed[1].displayed_peep).any()


def test_scatter_has_its_mean_standard_deviation_and_independence():
    """4000 breaths: mean within 5 standard errors, deviation within 5/sqrt(2n), correlations within 5/sqrt(n).

    Standard errors of a normal sample (textbook). The seed is fixed, so the test gives the same each time.
    """
    n = 4000
    displayed = displayed_values(measures_of(n), sensors=NOISY)
    values = np.stack([displayed[f"displayed_{name}"].values for name in READ])
    truth = np.array([500.0, 480.0, 25.0, 21.0, 11.0, 5.0])  # PORTS
    deviation = np.array([10.0, 10.0, 0.5, 0.5, 0.5, 0.5])  # NOISY
    normal = (values - truth[:, None]) / deviation[:, None]
    assert (abs(normal.mean(axis=1)) < 5 / math.sqrt(n)).all()
    np.testing.assert_allclose(normal.std(axis=1), 1.0, atol=5 / math.sqrt(2 * n))
    both = np.corrcoef(np.vstack([normal[:, 1:], normal[:, :-1]]))  # between readings, and from breath to breath
    assert (abs(both[~np.eye(12, dtype=bool)]) < 5 / math.sqrt(n)).all()
    # a normal distribution has 4.55 % beyond two standard deviations (table); binomial error 0.13 %
    assert np.mean(abs(normal) > 2.0) == pytest.approx(0.0455, abs=5 * 0.0013)


def test_the_drawn_numbers_stay_the_same():
    """Numbers drawn when this was written, so that results can be repeated with later versions."""
    displayed = displayed_values(measures_of(2), sensors=NOISY)
    np.testing.assert_allclose(displayed.displayed_peak_pressure, [25.32128853, 24.45927174], rtol=1e-9)


@pytest.mark.parametrize("band", SENSOR_BANDS)
def test_worst_case_is_the_end_of_its_band(band):
    """Both ends enclose the truth, and each is the band's own number."""
    found = SENSOR_BANDS[band]
    low, high = (Sensors.worst_case(band, reads=end) for end in ("low", "high"))
    assert (low.volume_gain_error, high.volume_gain_error) == (
        found.lowest_volume_gain_error,
        found.highest_volume_gain_error,
    )
    assert (low.volume_offset, high.volume_offset) == (-found.volume_offset, found.volume_offset)
    assert low.pressure_offset == -high.pressure_offset and low.pressure_gain_error == -high.pressure_gain_error
    assert low.volume_gain_error < 0.0 < high.volume_gain_error
    assert found.source and found.trust


def test_bands_are_those_of_their_sources():
    """Standard: 500 mL reads 421 to 579 mL, from 4 mL and 15 %; 25 cmH2O reads 21.96 to 28.04, from 2.0394 (2 hPa)
    and 4 % (ISO 80601-2-12, from memory). Delivered 396 mL of 300 set and 681 mL of 800 set (Lyazidi et al. 2010,
    abstract) display as what was set.
    """
    low, high = (displayed_values(measures_of(), sensors=Sensors.worst_case(reads=end)) for end in ("low", "high"))
    assert shown(low)["inspired_tidal_volume"] == pytest.approx(421.0)
    assert shown(high)["inspired_tidal_volume"] == pytest.approx(579.0)
    assert shown(low)["peak_pressure"] == pytest.approx(21.9606, abs=1e-4)
    assert shown(high)["peak_pressure"] == pytest.approx(28.0394, abs=1e-4)
    for end, delivered, volume_set in (("low", 396.0, 300.0), ("high", 681.0, 800.0)):
        sensors = Sensors.worst_case("nine intensive care ventilators", reads=end)
        displayed = displayed_values(measures_of(port_delivered_volume=delivered), sensors=sensors)
        assert shown(displayed)["inspired_tidal_volume"] == pytest.approx(volume_set)


# --- alarms -----------------------------------------------------------------------------------------------

# A limit for each alarm of which PORTS and set PEEP 5 lie on the wrong side, and one on the right side; by hand.
BROKEN_AND_KEPT = {
    "high_pressure": ({}, 24.9, 25.0),
    "low_pressure": ({}, 25.1, 25.0),
    "high_expired_volume": ({}, 479.0, 480.0),
    "low_expired_volume": ({}, 481.0, 480.0),
    "high_minute_volume": ({}, 9.5, 9.7),  # 9.6 L/min
    "low_minute_volume": ({}, 9.7, 9.5),
    "peep_rise": ({"port_peep": 7.0}, 1.9, 2.0),
    "peep_loss": ({"port_peep": 3.0}, 1.9, 2.0),
}


@pytest.mark.parametrize("alarm", BROKEN_AND_KEPT)
def test_each_limit_raises_its_alarm_alone(alarm):
    """An equal number does not break a limit."""
    ports, broken, kept = BROKEN_AND_KEPT[alarm]
    displayed = displayed_values(measures_of(2, **ports))
    result = alarms(displayed, only(**{alarm: broken}))
    check_dataset(result, "alarms")
    assert raised_in(result, alarm) == [1, 2]
    assert result.alarm_condition.values.sum() == 2
    assert float(result.first_raised.sel(alarm=alarm)) == PERIOD  # the end of the first breath
    assert np.isnan(result.first_raised.drop_sel(alarm=alarm)).all()
    assert not alarms(displayed, only(**{alarm: kept})).alarm_condition.any()


@pytest.mark.parametrize(
    ("ports", "limits", "expected"),
    [
        # half of 500 mL is 250 mL: 240 is less, 260 is not
        ({"port_returned_volume": 240.0, "port_peep": 0.0}, {"peep_loss": 3.0}, True),
        ({"port_returned_volume": 260.0, "port_peep": 0.0}, {"peep_loss": 3.0}, False),
        ({"port_returned_volume": 240.0, "port_peep": 5.0}, {"peep_loss": 3.0}, False),
        ({"port_returned_volume": 240.0, "port_peak_pressure": 6.0}, {"low_pressure": 7.0}, True),
        ({"port_returned_volume": 240.0, "port_peak_pressure": 8.0}, {"low_pressure": 7.0}, False),
        # nothing in and nothing out is no disconnection
        ({"port_delivered_volume": 0.0, "port_returned_volume": 0.0, "port_peep": 0.0}, {"peep_loss": 3.0}, False),
    ],
)
def test_disconnection_needs_lost_gas_and_lost_pressure(ports, limits, expected):
    """Its definition in the docstring of alarms; numbers by hand."""
    result = alarms(displayed_values(measures_of(**ports)), only(disconnection=0.5, **limits))
    assert bool(result.alarm_raised.sel(alarm="disconnection")[0]) is expected


def test_disconnection_can_be_off_while_the_others_are_on():
    """Nothing comes back and PEEP is lost: the other two alarm."""
    displayed = displayed_values(measures_of(port_returned_volume=0.0, port_peep=0.0))
    result = alarms(displayed, only(peep_loss=3.0, low_expired_volume=300.0))
    assert result.alarm.values[result.alarm_raised.values[0]].tolist() == ["low_expired_volume", "peep_loss"]


@pytest.mark.parametrize(
    ("delay", "raised", "first"),
    [
        (0.0, [2, 3, 4, 6, 9, 10, 11, 12], 6.0),
        (3.0, [3, 4, 10, 11, 12], 9.0),
        (3.1, [4, 11, 12], 12.0),
        (6.0, [4, 11, 12], 12.0),
        (9.0, [12], 36.0),
        (9.1, [], np.nan),
    ],
)
def test_a_delay_counts_from_the_end_of_the_first_breath(delay, raised, first):
    """Peak pressure is high in breaths 2 to 4, 6, and 9 to 12, of 3 s each; counted by hand."""
    high = np.isin(np.arange(1, 13), [2, 3, 4, 6, 9, 10, 11, 12])
    displayed = displayed_values(measures_of(12, port_peak_pressure=np.where(high, 50.0, 25.0)))
    result = alarms(displayed, only(high_pressure=40.0, delay=delay))
    assert raised_in(result, "high_pressure") == raised
    np.testing.assert_array_equal(result.alarm_condition.sel(alarm="high_pressure"), high)
    np.testing.assert_equal(float(result.first_raised.sel(alarm="high_pressure")), first)


def test_a_missing_breath_interrupts_a_condition():
    """Breaths 1, 2, 4, 5 of 3 s: no condition lasts longer than 3 s."""
    displayed = displayed_values(measures_of(5, port_peak_pressure=50.0)).sel(breath=[1, 2, 4, 5])
    assert raised_in(alarms(displayed, only(high_pressure=40.0, delay=3.0)), "high_pressure") == [2, 5]
    assert raised_in(alarms(displayed, only(high_pressure=40.0, delay=6.0)), "high_pressure") == []


def test_a_joined_run_alarms_like_the_whole():
    """Two pieces of a run, joined before they are judged."""
    pressure = np.where(np.arange(10) >= 3, 50.0, 25.0)
    whole = measures_of(10, port_peak_pressure=pressure)
    joined = xr.concat([whole.isel(breath=slice(5)), whole.isel(breath=slice(5, None))], "breath")
    limits = only(high_pressure=40.0, delay=12.0)
    results = [alarms(displayed_values(measures), limits) for measures in (whole, joined)]
    xr.testing.assert_identical(*results)
    assert raised_in(results[0], "high_pressure") == [8, 9, 10]  # from 12 s on, high since breath 4 ends


def test_what_is_unknown_raises_no_alarm():
    """A failed run, or a recording of which set PEEP is unknown."""
    nothing = dict.fromkeys(PORTS, np.nan)
    failed = displayed_values(measures_of(3, **nothing))
    assert not alarms(failed, AlarmLimits(low_expired_volume=400.0, high_minute_volume=5.0)).alarm_condition.any()
    unknown = displayed_values(measures_of(peep=np.nan, port_peep=0.0, port_returned_volume=0.0))
    assert not alarms(unknown, AlarmLimits()).alarm_condition.any()


def test_no_breaths_no_alarms():
    none = displayed_values(measures_of(2)).isel(breath=slice(0))
    result = alarms(none, AlarmLimits())
    assert result.alarm_raised.shape == (0, len(ALARMS))
    assert np.isnan(result.first_raised).all()


def test_alarms_are_the_fields_of_the_limits():
    assert set(AlarmLimits.model_fields) == {*ALARMS, "delay"}
    assert alarms(displayed_values(measures_of()), AlarmLimits()).alarm.values.tolist() == list(ALARMS)


def test_limits_around_a_breath():
    """By hand from PORTS: 480 mL and 9.6 L/min within 30 %; peak 25 plus 10, and the middle of 5 and 25."""
    displayed = displayed_values(measures_of(2, port_peak_pressure=[25.0, 60.0]))
    limits = AlarmLimits.around(displayed, breath=1)
    found = {name: value for name, value in limits if name not in ("peep_rise", "peep_loss", "disconnection")}
    assert found == pytest.approx(
        {
            "high_pressure": 35.0,
            "low_pressure": 15.0,
            "high_expired_volume": 624.0,
            "low_expired_volume": 336.0,
            "high_minute_volume": 12.48,
            "low_minute_volume": 6.72,
            "delay": 0.0,
        }
    )
    assert raised_in(alarms(displayed, limits), "high_pressure") == [2]
    narrow = AlarmLimits.around(displayed, breath=1, margin=0.1, pressure_margin=4.0, delay=15.0)
    assert (narrow.low_pressure, narrow.low_expired_volume, narrow.delay) == pytest.approx((21.0, 432.0, 15.0))


def test_limits_around_a_flat_breath():
    """Peak equal to PEEP: no lower limit lies below the one and above the other."""
    limits = AlarmLimits.around(displayed_values(measures_of(port_peak_pressure=5.0)))
    assert limits.low_pressure is None
    assert limits.high_pressure == 15.0


# --- properties -------------------------------------------------------------------------------------------

breaths = st.lists(
    st.tuples(
        st.floats(0.0, 900.0),  # delivered [mL]
        st.floats(0.0, 900.0),  # returned [mL]
        st.floats(0.0, 70.0),  # peak [cmH2O]
        st.floats(0.0, 20.0),  # PEEP [cmH2O]
    ),
    min_size=1,
    max_size=12,
)
# Limits that can be tightened and widened: name, range, and whether a higher number is wider.
RANGES = {
    "high_pressure": (30.0, 70.0, True),
    "low_pressure": (1.0, 29.0, False),
    "high_expired_volume": (400.0, 900.0, True),
    "low_expired_volume": (10.0, 390.0, False),
    "high_minute_volume": (8.0, 20.0, True),
    "low_minute_volume": (0.1, 7.9, False),
    "peep_rise": (0.5, 15.0, True),
    "peep_loss": (0.5, 15.0, True),
    "disconnection": (0.1, 0.95, False),
    "delay": (0.0, 30.0, True),
}
limit_values = st.fixed_dictionaries(
    {name: st.floats(low, high) if name == "delay" else st.none() | st.floats(low, high)
     for name, (low, high, _) in RANGES.items()}
)  # fmt: skip


def random_display(rows, sensors=None):
    delivered, returned, peak, peep = np.array(rows).T
    measures = measures_of(
        len(rows), port_delivered_volume=delivered, port_returned_volume=returned, port_peak_pressure=peak,
        port_plateau_pressure=peak, port_peep=peep,
    )  # fmt: skip
    return displayed_values(measures, sensors=sensors)


def test_pressure_that_rises_by_rounding_shows_no_compliance():
    """A peak of 1e-308 cmH2O, the smallest kind of number there is, over a PEEP of 0; then 1 cmH2O, 2 mL."""
    shown = random_display([(0.0, 2.0, 1e-308, 0.0), (0.0, 2.0, 1.0, 0.0)]).displayed_dynamic_compliance.values
    assert np.isnan(shown[0]) and shown[1] == 2.0


@hypothesis_settings(max_examples=50, deadline=None)
@given(breaths, st.floats(0.0, 60.0))
def test_without_limits_nothing_alarms(rows, delay):
    result = alarms(random_display(rows), only(delay=delay))
    assert not result.alarm_condition.any() and not result.alarm_raised.any()
    assert np.isnan(result.first_raised).all()


@hypothesis_settings(max_examples=100, deadline=None)
@given(breaths, limit_values, st.sampled_from(sorted(RANGES)), st.floats(0.0, 1.0))
def test_a_wider_limit_adds_no_alarm(rows, values, name, part):
    """Whatever is displayed; None is the widest. Only a limit that disconnection needs may not be taken away."""
    if values["low_pressure"] is None and values["peep_loss"] is None:
        values = values | {"disconnection": None}
    low, high, is_higher_wider = RANGES[name]
    widest = high if is_higher_wider else low
    wider = None if values[name] is None else values[name] + part * (widest - values[name])
    if part > 0.9 and name not in ("delay", "low_pressure", "peep_loss"):
        wider = None
    displayed = random_display(rows)
    tight, wide = (alarms(displayed, AlarmLimits(**limits)) for limits in (values, values | {name: wider}))
    for variable in ("alarm_condition", "alarm_raised"):
        assert not (wide[variable].values & ~tight[variable].values).any()
    assert (wide.alarm_raised.values <= wide.alarm_condition.values).all()


@hypothesis_settings(max_examples=50, deadline=None)
@given(breaths, st.integers(0, 10**9), st.integers(0, 11))
def test_any_part_of_a_run_displays_the_same(rows, seed, cut):
    """Scatter does not depend on which breaths are looked at."""
    sensors = Sensors(volume_standard_deviation=20.0, pressure_standard_deviation=1.0, seed=seed)
    delivered, returned, peak, peep = np.array(rows).T
    measures = measures_of(
        len(rows), port_delivered_volume=delivered, port_returned_volume=returned, port_peak_pressure=peak,
        port_plateau_pressure=peak, port_peep=peep,
    )  # fmt: skip
    part = slice(min(cut, len(rows) - 1), None)
    whole = displayed_values(measures, sensors=sensors).isel(breath=part)
    xr.testing.assert_identical(whole, displayed_values(measures.isel(breath=part), sensors=sensors))


# --- tables -----------------------------------------------------------------------------------------------


def test_table_of_what_is_displayed():
    """Numbers of the first test, and the caution of the other table."""
    table = displayed_table(displayed_values(measures_of(2)), breath=2)
    text = str(table)
    rows = {line.split("  ")[0]: line.split()[-2:] for line in text.splitlines()[2:-2]}
    assert (
        table.frame["displayed_rate"].tolist() == [20.0]
        and table.frame.attrs["units"]["displayed_rate"] == "1/min"
    )
    assert text.splitlines()[0] == "Displayed by the ventilator, breath 2: 3.000 to 6.000 s, set PEEP 5.00 cmH2O"
    assert rows == {
        "inspired tidal volume": ["500.0", "mL"],
        "expired tidal volume": ["480.0", "mL"],
        "expired minute volume": ["9.60", "L/min"],
        "rate": ["20.0", "1/min"],
        "peak pressure": ["25.00", "cmH2O"],
        "plateau pressure": ["21.00", "cmH2O"],
        "mean pressure": ["11.00", "cmH2O"],
        "PEEP": ["5.00", "cmH2O"],
        "dynamic compliance": ["24.0", "mL/cmH2O"],
        "static compliance": ["30.0", "mL/cmH2O"],
    }
    assert text.splitlines()[-1] == CAUTION


def test_table_shows_a_dash_for_what_is_unknown():
    text = str(displayed_table(displayed_values(measures_of(port_plateau_pressure=np.nan, peep=np.nan))))
    rows = {line.split("  ")[0]: line.split()[-2:] for line in text.splitlines()}
    assert rows["plateau pressure"] == ["-", "cmH2O"]
    assert "set PEEP" not in text


def test_table_of_alarms():
    """Breaths of 4 s: number 901 ends at 3604 s, 1:00:04. High pressure lasts 1 breath, low volume 100 breaths."""
    number = np.arange(1, 1001)
    measures = measures_of(
        1000,
        period=4.0,
        port_peak_pressure=np.where(number == 10, 50.0, 25.0),
        port_returned_volume=np.where(number > 900, 100.0, 480.0),
    )
    limits = only(high_pressure=40.0, low_expired_volume=300.0, delay=4.0)
    table = alarms_table(alarms(displayed_values(measures), limits))
    lines = str(table).splitlines()
    assert lines[0] == "Alarms of the ventilator in 1000 breaths"
    assert [line.split() for line in lines[5:7]] == [
        ["high", "pressure", "-", "0", "1"],
        ["low", "expired", "volume", "1:00:08.0", "99", "100"],  # the second of them raises it
    ]
    assert len({len(line) for line in lines[3:7]}) == 1  # columns line up
    assert lines[-1] == CAUTION
    assert table.frame.loc["low expired volume"].tolist() == [3608.0, 99, 100]
    assert table.frame.attrs["units"]["first_raised"] == "s"


@pytest.mark.parametrize(
    ("period", "shown_time"), [(3.0, "0:00:03.0"), (2.96, "0:00:03.0"), (59.96, "0:01:00.0"), (61.24, "0:01:01.2")]
)
def test_times_of_alarms_are_rounded_as_a_clock_shows_them(period, shown_time):
    """Tenths of a second; rounded up they carry over."""
    result = alarms(displayed_values(measures_of(period=period)), only(high_pressure=20.0))
    assert shown_time in str(alarms_table(result))


def test_table_without_alarms():
    text = str(alarms_table(alarms(displayed_values(measures_of()), AlarmLimits())))
    assert text.splitlines()[0] == "Alarms of the ventilator in 1 breath: none"


# --- wrong input ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("measure", "waveforms"),
    [
        ("port_delivered_volume", "'inspiratory_port_flow' or 'delivered_volume'"),
        ("port_returned_volume", "'expiratory_port_flow' or 'returned_volume'"),
        ("port_peak_pressure", "'inspiratory_port_pressure'"),
        ("port_plateau_pressure", "'inspiratory_port_pressure'"),
        ("port_mean_pressure", "'inspiratory_port_pressure'"),
        ("port_peep", "'expiratory_port_pressure'"),
    ],
)
def test_a_recording_without_ports_is_refused(measure, waveforms):
    with pytest.raises(SchemaError, match=rf"no variable '{measure}', .*\n  Add {waveforms} to the recording"):
        displayed_values(measures_of().drop_vars(measure))


def test_waves_that_the_message_asks_for_are_enough():
    """A recording with these four displays what the run did, up to the trapezoidal rule on samples of 1 ms."""
    circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10))
    settings = vs.PressureControl(inspiratory_pressure=15, rate=15, inspiratory_time=1)
    waveforms = vs.steady_breath(circuit, settings, sample_interval=0.001)
    ports = [
        "inspiratory_port_flow",
        "expiratory_port_flow",
        "inspiratory_port_pressure",
        "expiratory_port_pressure",
    ]
    lungs = ["airway_pressure", "flow", "breath_start", "inspiration_end", "breath_end"]
    recorded = shown(displayed_values(breath_measures(waveforms[[*lungs, *ports]])))
    simulated = shown(displayed_values(breath_measures(waveforms)))
    assert recorded == pytest.approx(simulated, rel=1e-3, nan_ok=True)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: displayed_values(None), r"measures: got NoneType, but a Dataset is needed\.\n  Use the result"),
        (lambda: displayed_values(measures_of(), sensors=0.1), r"displayed_values: sensors 0\.1 is not a Sensors"),
        (
            lambda: displayed_values(measures_of(), circuit_compliance=-1.0),
            r"circuit_compliance -1 mL/cmH2O is not allowed\.\n  Allowed: at least 0 mL/cmH2O; usual: 0 to 10",
        ),
        (
            lambda: displayed_values(measures_of(), circuit_compliance=np.nan),
            r"circuit_compliance nan mL/cmH2O is not allowed",
        ),
        (lambda: displayed_values(displayed_values(measures_of())), r"measures of breaths are needed here"),
        (lambda: alarms(None, AlarmLimits()), r"displayed: got NoneType, but a Dataset is needed"),
        (lambda: alarms(measures_of(), AlarmLimits()), r"displayed values are needed here"),
        (lambda: alarms(displayed_values(measures_of()), {}), r"limits \{\} is not an AlarmLimits\.\n  Give"),
        (lambda: displayed_table(displayed_values(measures_of()), breath=3), r"breath 3 is not in the Dataset"),
        (lambda: displayed_table(measures_of()), r"displayed values are needed here"),
        (lambda: alarms_table(displayed_values(measures_of())), r"alarms are needed here"),
        (lambda: Sensors.worst_case("standart"), r"no band 'standart'\.\n  Did you mean 'standard'\?"),
        (lambda: Sensors.worst_case(reads="up"), r"reads 'up' is not one of the choices\.\n  Allowed: 'low'"),
        (lambda: Sensors(seed=-1), r"sensors: seed -1 is not allowed"),
        (lambda: Sensors(seed=0.5), r"sensors: seed 0\.5 is not allowed\.\n  Allowed: whole number at least 0"),
        (
            lambda: Sensors(volume_standard_deviation=-1.0),
            r"volume_standard_deviation -1 mL is not allowed\.\n  Allowed: at least 0 mL",
        ),
        (lambda: Sensors(volume_gain_error=-1.0), r"volume_gain_error -1 is not allowed"),
        (lambda: Sensors(volume_gain=0.1), r"there is no 'volume_gain'\.\n  Did you mean 'volume_gain_error'"),
        (
            lambda: AlarmLimits(low_pressure=30.0, high_pressure=30.0),
            r"low_pressure 30 cmH2O is not below high_pressure 30 cmH2O\.\n  Allowed: below 30 cmH2O\. Lower",
        ),
        (
            lambda: AlarmLimits(low_expired_volume=500.0, high_expired_volume=400.0),
            r"low_expired_volume 500 mL is not below high_expired_volume 400 mL",
        ),
        (
            lambda: AlarmLimits(low_minute_volume=9.0, high_minute_volume=8.0),
            r"low_minute_volume 9 L/min is not below high_minute_volume 8 L/min",
        ),
        (
            lambda: AlarmLimits(low_pressure=None, peep_loss=None),
            r"disconnection 0\.5 is on, but .* both None\.\n  Give one of them in cmH2O, or disconnection=None",
        ),
        (lambda: AlarmLimits(high_presure=40.0), r"there is no 'high_presure'\.\n  Did you mean 'high_pressure'"),
        (lambda: AlarmLimits(delay=-1.0), r"delay -1 s is not allowed\.\n  Allowed: at least 0 s; usual"),
        (lambda: AlarmLimits(disconnection=1.5), r"disconnection 1\.5 is not allowed\.\n  Allowed: above 0 and"),
        (lambda: AlarmLimits(peep_loss="3"), r"peep_loss '3' is not a number"),
        (
            lambda: AlarmLimits.around(displayed_values(measures_of()), margin=30),
            r"margin 30 is not allowed\.\n  Did you mean 0\.3 \(30 %\)",
        ),
        (
            lambda: AlarmLimits.around(displayed_values(measures_of()), margin=-1.0),
            r"margin -1 is not allowed\.\n  Allowed: above 0 and below 1",
        ),
        (
            lambda: AlarmLimits.around(displayed_values(measures_of()), pressure_margin=0.0),
            r"pressure_margin 0 cmH2O is not allowed\.\n  Allowed: above 0 cmH2O",
        ),
        (lambda: AlarmLimits.around(displayed_values(measures_of()), breath=9), r"breath 9 is not in the Dataset"),
        (
            lambda: AlarmLimits.around(displayed_values(measures_of(port_returned_volume=0.0))),
            r"breath 1 has a displayed expired tidal volume of 0 mL, .*\n  Use a breath in which",
        ),
        (
            lambda: AlarmLimits.around(displayed_values(measures_of(port_peak_pressure=np.nan))),
            r"breath 1 has a displayed peak pressure of nan cmH2O",
        ),
    ],
)  # fmt: skip
def test_wrong_input_is_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: displayed_values(measures_of(), circuit_compliance=20.0),
            r"circuit_compliance 20 mL/cmH2O is outside 0 to 10\.\n  Did you mean 1\.96 \(20 mL/kPa\)",
        ),
        (lambda: AlarmLimits(low_expired_volume=0.3), r"low_expired_volume .* Did you mean 300 \(0\.3 L\)"),
        (
            lambda: AlarmLimits(high_pressure=4.0, low_pressure=2.0),
            r"high_pressure .* Did you mean 40\.8 \(4 kPa\)",
        ),
        (lambda: AlarmLimits(delay=4000.0), r"delay 4000 s .* Did you mean 4 \(4000 ms\)"),
        (lambda: AlarmLimits(high_minute_volume=9000.0), r"high_minute_volume .* Did you mean 9 \(9000 mL/min\)"),
        (lambda: Sensors(volume_gain_error=5.0), r"volume_gain_error 5 .* Did you mean 0\.05 \(5 %\)"),
    ],
)
def test_unlikely_input_is_warned_of(call, message):
    with pytest.warns(PlausibilityWarning, match=f"(?s){message}"):
        call()


def test_limits_do_not_change():
    with pytest.raises(InputError, match=r"alarm limits: delay cannot be set"):
        AlarmLimits().delay = 3.0
