"""Measures of a breath against closed forms, from simulated waveforms and from recordings."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.errors import SchemaError
from ventsim.results.kernel import (
    AT_EQUILIBRIUM,
    LUNG_MEASURES,
    LUNG_SIGNALS,
    PORT_MEASURES,
    PORT_SIGNALS,
    TIMING,
    Samples,
    measured,
)
from ventsim.results.measures import breath_measures, breath_table, integrate_recording
from ventsim.results.schema import VARIABLES, check_dataset, label

# Cases of pressure control in the steady state. Formulas: biexponential model of Marini, Crooke and Truwit,
# J Appl Physiol 1989;67:1081-1092 (from memory). Expected numbers were computed from them beforehand:
# tidal volume [mL], auto-PEEP, end-inspiratory alveolar, mean alveolar [cmH2O], minute volume [L/min],
# peak inspiratory and expiratory flow [L/s].
CASES = {
    "PC1": (
        (15, 5, 50, 10, 10, 15, 1 / 3),
        (694.75, 0.06741, 18.96243, 10.00000, 10.42127, 1.49326, 1.39624),
    ),
    "PC2": (
        (15, 5, 50, 10, 15, 20, 1 / 2),
        (620.39, 1.94205, 19.34988, 13.53399, 12.40784, 1.30580, 0.95666),
    ),
    "PC3": (
        (20, 5, 60, 15, 25, 20, 1 / 3),
        (649.11, 3.87249, 19.69094, 13.83036, 12.98214, 1.07517, 0.58764),
    ),
    "PC4": ((14, 12, 30, 10, 10, 24, 0.4), (402.38, 0.09099, 25.50381, 17.60000, 9.65723, 1.39090, 1.35038)),
}
HELD = 0.1  # invented: the circuit of these waveforms holds a tenth of what the lungs take
LEAK = 2.5  # invented: volume that leaves through a leak in each breath [mL]


def lung_state(t, *, rise, peep, compliance, resistances, timing):
    """Exact state of one lung `t` seconds after the start of the steady breath."""
    (inspiratory, expiratory), (phase, ti, period) = resistances, timing
    tau_i, tau_e = inspiratory * compliance / 1000, expiratory * compliance / 1000
    a, b = math.exp(-ti / tau_i), math.exp(-(period - ti) / tau_e)
    top = peep + rise
    start = peep + rise * b * (1 - a) / (1 - a * b)
    held = peep + rise * (1 - a) / (1 - a * b)
    tidal = compliance * (held - start)
    if phase == "inspiration":
        gone = math.exp(-t / tau_i)
        alveolar = top - (top - start) * gone
        inspired, expired = compliance * (alveolar - start), 0.0
        integral = top * t, top * t - (top - start) * tau_i * (1 - gone)
        airway, flow = top, (top - start) * gone / inspiratory
    else:
        u = t - ti
        left = math.exp(-u / tau_e)
        alveolar = peep + (held - peep) * left
        inspired, expired = tidal, compliance * (held - alveolar)
        airway, flow = peep, -(alveolar - peep) / expiratory
        integral = (
            top * ti + peep * u,
            top * ti - (top - start) * tau_i * (1 - a) + peep * u + (held - peep) * tau_e * (1 - left),
        )
    work = 0.0980665 * top * inspired / 1000  # 1 cmH2O·L = 0.0980665 J
    return [airway, alveolar, flow, compliance * alveolar, inspired, expired, *integral, work]


# What `lung_state` returns, then volumes of the limbs, and backflows that rise in proportion to time; invented.
STATE = (
    "airway_pressure", "alveolar_pressure", "flow", "volume", "inspired_volume", "expired_volume",
    "airway_pressure_integral", "alveolar_pressure_integral", "inspiratory_work",
)  # fmt: skip
LIMBS = {"inspiratory_limb_volume": 500.0, "expiratory_limb_volume": 400.0}
BACKFLOWS = {"inspiratory_limb_backflow": 2.0, "expiratory_limb_backflow": 3.0}


def ideal_waves(*lungs, rise=15.0, peep=5.0, rate=15.0, duty=1 / 3, breaths=3, step=0.05, extra=0.3):
    """Waveforms of lungs (compliance, inspiratory, expiratory resistance) that share an ideal pressure source.

    `extra` seconds of one more breath follow. Each switching instant has both limits.
    """
    period = 60.0 / rate
    ti = duty * period
    starts = period * np.arange(breaths + 1)
    switches = np.concatenate([starts, starts + ti])
    stop = starts[-1] + extra
    grid = np.union1d(np.arange(0.0, stop, step), np.concatenate([switches, np.nextafter(switches, -np.inf)]))
    time = grid[(grid >= 0.0) & (grid <= stop)]
    signals = np.empty((time.size, len(lungs), len(STATE)))
    for i, t in enumerate(time):
        k = int(np.searchsorted(starts, t, side="right")) - 1
        phase = "inspiration" if t < starts[k] + ti else "expiration"
        for j, (compliance, inspiratory, expiratory) in enumerate(lungs):
            common = {
                "rise": rise,
                "peep": peep,
                "compliance": compliance,
                "resistances": (inspiratory, expiratory),
            }
            state = np.array(lung_state(t - starts[k], **common, timing=(phase, ti, period)))
            whole = np.array(lung_state(period, **common, timing=("expiration", ti, period)))
            signals[i, j, :4] = state[:4]
            signals[i, j, 4:] = state[4:] + k * whole[4:]  # running integrals go on
    found = {name: signals[:, :, k] for k, name in enumerate(STATE)}
    found |= {name: np.full(signals.shape[:2], volume) for name, volume in LIMBS.items()}
    found |= {name: np.outer(rate * time, np.ones(len(lungs))) for name, rate in BACKFLOWS.items()}
    found["elastic_pressure"] = found["alveolar_pressure"]
    extremes = {"highest_airway_pressure": (np.maximum, "airway_pressure")}
    extremes |= {"highest_flow": (np.maximum, "flow"), "lowest_flow": (np.minimum, "flow")}
    for name, (extreme, of) in extremes.items():
        found[name] = np.concatenate(
            [extreme.accumulate(part) for part in np.split(found[of], np.searchsorted(time, starts))]
        )
    data = {name: (("time", "lung"), values) for name, values in found.items()}
    inspired, expired = signals[:, :, 4].sum(axis=1), signals[:, :, 5].sum(axis=1)
    flow = signals[:, :, 2]
    data |= {
        "inspiratory_port_pressure": ("time", signals[:, 0, 0]),
        "expiratory_port_pressure": ("time", np.full(time.size, peep)),
        "inspiratory_port_flow": ("time", (1 + HELD) * np.maximum(flow, 0).sum(axis=1)),
        "expiratory_port_flow": ("time", (1 + HELD) * np.maximum(-flow, 0).sum(axis=1)),
        "delivered_volume": ("time", (1 + HELD) * inspired + LEAK * time / period),
        "returned_volume": ("time", (1 + HELD) * expired),
        "relief_volume": ("time", 0.25 * time / period),
        "inspiratory_port_pressure_integral": ("time", signals[:, 0, 6]),
        "highest_inspiratory_port_pressure": ("time", found["highest_airway_pressure"][:, 0]),
        "limited_time": ("time", np.zeros(time.size)),
        "missed_volume": ("time", np.zeros(time.size)),
        "missed_pressure": ("time", np.zeros(time.size)),
        "circuit_volume": ("time", 7.0 + HELD * (inspired - expired)),
        "leaked_volume": ("time", np.zeros(time.size)),
        "node_pressure": (("time", "node"), signals[:, :1, 0]),
        "branch_flow": (("time", "branch"), signals[:, :1, 2]),
        "predicted_body_weight": ("lung", np.r_[70.0, np.full(len(lungs) - 1, np.nan)]),
        "final_volume": ("node", [np.nan]),
        "applied_peep": (("breath", "lung"), np.full((breaths + 1, len(lungs)), peep)),
        "equilibrium_volume": (
            ("breath", "lung"),
            np.tile([compliance * peep for compliance, *_ in lungs], (breaths + 1, 1)),
        ),
        "breath_start": ("breath", starts),
        "flow_end": ("breath", starts + ti),
        "inspiration_end": ("breath", starts + ti),
        "breath_end": ("breath", starts + period),
        "set_peep": ("breath", np.full(breaths + 1, peep)),
    }
    # The end of one breath is the start of the next, as the same float.
    data["breath_end"][1][:-1] = starts[1:]
    names = {
        "lung": [f"lung {chr(97 + j)}" for j in range(len(lungs))],
        "node": ["outlet"],
        "branch": ["tube"],
    }
    coords = {"time": time, **names, "breath": np.arange(1, breaths + 2)}
    waveforms = label(xr.Dataset(data, coords=coords, attrs={"scenario": "invented"}))
    check_dataset(waveforms, "waveforms")
    return waveforms


def case_waves(case, **options):
    rise, peep, compliance, inspiratory, expiratory, rate, duty = CASES[case][0]
    common = {"rise": rise, "peep": peep, "rate": rate, "duty": duty}
    return ideal_waves((compliance, inspiratory, expiratory), **common, **options)


def volume_control_recording(step, *, volume=0.65, flow_time, pause, rest, peep=0.0, compliance, resistance):
    """Constant flow with a pause in the steady state, with both limits at the switching instants.

    Equation of motion with constant flow; volume in L and compliance in L/cmH2O here.
    """
    flow = volume / flow_time
    tau = resistance * compliance
    start = peep + volume / compliance / math.expm1(rest / tau)
    ends = np.cumsum([flow_time, pause, rest])
    inner = np.concatenate([ends[:2], np.nextafter(ends, -np.inf)])
    time = np.union1d(np.arange(0.0, ends[2], step), inner)
    plateau = start + volume / compliance
    phases = [time < ends[0], time < ends[1]]
    alveolar = np.select(
        phases,
        [start + flow * time / compliance, plateau],
        peep + (plateau - peep) * np.exp(-(time - ends[1]) / tau),
    )
    lung_flow = np.select(phases, [flow, 0.0], -(alveolar - peep) / resistance)
    airway = np.select(phases, [alveolar + resistance * flow, plateau], peep)
    lung = ("time", "lung")
    data = {
        "airway_pressure": (lung, airway[:, None]),
        "alveolar_pressure": (lung, alveolar[:, None]),
        "elastic_pressure": (lung, alveolar[:, None]),
        "flow": (lung, lung_flow[:, None]),
        "breath_start": ("breath", [0.0]),
        "flow_end": ("breath", [ends[0]]),
        "inspiration_end": ("breath", [ends[1]]),
        "breath_end": ("breath", [ends[2]]),
        "set_peep": ("breath", [peep]),
    }
    return label(xr.Dataset(data, coords={"time": time, "lung": ["a"], "breath": [1]}))


def test_records_of_the_kernel_have_the_names_of_the_schema():
    """No measure of the table is forgotten, none invented; signals have the dims that the kernel expects."""
    of = {
        dims: [n for n, row in VARIABLES.items() if row.dims == dims and "measures" in row.kinds]
        for dims in (("breath", "lung"), ("breath",))
    }
    assert list(LUNG_MEASURES.names) == of["breath", "lung"]
    assert [*TIMING.names, *PORT_MEASURES.names] == of["breath",]
    assert {VARIABLES[n].dims for n in LUNG_SIGNALS.names} == {("time", "lung")}
    assert {VARIABLES[n].dims for n in PORT_SIGNALS.names} == {("time",)}


def as_records(columns, dtype, shape):
    """Records of `dtype` from columns by name, 0 where there is none."""
    records = np.zeros(shape, dtype)
    for name, values in columns.items():
        records[name] = np.reshape(values, shape)
    return records


@pytest.mark.parametrize("case", CASES)
def test_every_lung_measure_of_pressure_control(case):
    """Each measure against the closed forms, to 1e-10."""
    rise, peep, compliance, inspiratory, expiratory, rate, duty = CASES[case][0]
    period, ti = 60 / rate, duty * 60 / rate
    a = math.exp(-ti / (inspiratory * compliance / 1000))
    b = math.exp(-(period - ti) / (expiratory * compliance / 1000))
    held, start = (peep + rise * x * (1 - a) / (1 - a * b) for x in (1.0, b))
    tidal = compliance * rise * (1 - a) * (1 - b) / (1 - a * b)
    mean = peep + rise * duty
    expected = {
        "inspired_tidal_volume": tidal,
        "expired_tidal_volume": tidal,
        "tidal_volume_fraction": 1.0,
        "tidal_volume_per_weight": tidal / 70.0,  # the weight that ideal_waves gives
        "peak_airway_pressure": peep + rise,
        "mean_airway_pressure": mean,
        # identity of Marini and Ravenscraft, Crit Care Med 1992;20:1461-1472 (from memory)
        "mean_alveolar_pressure": mean + (expiratory - inspiratory) * tidal / 1000 / period,
        "end_inspiratory_alveolar_pressure": held,
        "end_expiratory_alveolar_pressure": start,
        "plateau_pressure": np.nan,  # no pause
        "driving_pressure": held - start,
        "total_peep": start,
        "auto_peep": start - peep,
        "trapped_volume": compliance * (start - peep),
        "applied_peep": peep,
        "equilibrium_volume": compliance * peep,
        "peak_inspiratory_flow": (peep + rise - start) / inspiratory,
        "peak_expiratory_flow": (held - peep) / expiratory,
        "minute_volume": rate * tidal / 1000,
        # constant airway pressure: work is pressure times volume
        "mechanical_power": 0.0980665 * rate * (peep + rise) * tidal / 1000,
        # as ideal_waves gives them
        "inspiratory_contained_volume": 500.0,
        "expiratory_contained_volume": 400.0,
        "inspiratory_reversed_volume": 2.0 * period,
        "expiratory_reversed_volume": 3.0 * period,
    }
    measures = breath_measures(case_waves(case))
    assert set(expected) == set(LUNG_MEASURES.names)
    for name, value in expected.items():
        np.testing.assert_allclose(measures[name].values, value, rtol=1e-10, atol=1e-10, err_msg=name)


@pytest.mark.parametrize("case", CASES)
def test_worked_values_of_pressure_control(case):
    """The same against numbers computed beforehand and rounded to the digits written in CASES."""
    names = (
        "inspired_tidal_volume",
        "auto_peep",
        "end_inspiratory_alveolar_pressure",
        "mean_alveolar_pressure",
        "minute_volume",
        "peak_inspiratory_flow",
        "peak_expiratory_flow",
    )
    one = breath_measures(case_waves(case)).isel(breath=-1, lung=0)
    found = [float(one[name]) for name in names]
    np.testing.assert_allclose(found, CASES[case][1], rtol=2e-5, atol=6e-6)


def test_two_lungs_share_as_computed_beforehand():
    """Compliance 50 and 25 mL/cmH2O, resistance 10: 694.751 and 373.181 mL, from matrix exponentials."""
    one = breath_measures(ideal_waves((50, 10, 10), (25, 10, 10))).isel(breath=-1)
    np.testing.assert_allclose(one.inspired_tidal_volume, [694.751, 373.181], atol=6e-4)
    np.testing.assert_allclose(
        one.tidal_volume_fraction, np.array([694.751, 373.181]) / (694.751 + 373.181), atol=1e-6
    )
    assert one.tidal_volume_fraction.sum().item() == pytest.approx(1.0, abs=1e-15)  # by definition


def test_port_measures():
    """Against the definitions: volumes follow from HELD and LEAK, with which the waveforms were made."""
    measures = breath_measures(ideal_waves((50, 10, 10), (25, 10, 10)))
    tidal = measures.inspired_tidal_volume.sum("lung").values
    expected = {
        "port_delivered_volume": (1 + HELD) * tidal + LEAK,
        "port_returned_volume": (1 + HELD) * tidal,
        "port_relief_volume": 0.25,  # as made
        **dict.fromkeys(("port_limited_fraction", "port_missed_pressure", "port_missed_volume"), 0.0),  # as made
        "leak_volume": 0.0,
        "port_peak_pressure": 20.0,  # 5 + 15 cmH2O as set
        "port_end_inspiratory_pressure": 20.0,  # as set: it is held to the end of inspiration
        "port_plateau_pressure": np.nan,  # no pause
        "port_mean_pressure": 5.0 + 15.0 / 3,  # PEEP + rise times duty cycle
        "port_peep": 5.0,  # as set
        "lungs_held_volume": tidal,  # they take gas until the end of inspiration, from rest
        "compressed_volume": HELD * tidal,
        "volume_balance_error": LEAK,
    }
    assert set(expected) == set(PORT_MEASURES.names)
    for name, value in expected.items():
        np.testing.assert_allclose(measures[name].values, value, rtol=1e-10, atol=1e-9, err_msg=name)


def test_what_was_delivered_is_in_lungs_and_circuit_at_the_end_of_inspiration():
    """Set volume, no leak: nothing returns before; the inspired volume counts what comes later, too."""
    lungs = {"a": vs.Lung(compliance=40.0, resistance=8.0), "b": vs.Lung(compliance=18.0, resistance=25.0)}
    settings = vs.VolumeControl(tidal_volume=900.0, rate=16.0, ie_ratio=0.5, peep=6.0)
    measures = breath_measures(vs.simulate(vs.layouts.shared(lungs), settings, duration=30.0))
    held = measures.lungs_held_volume + measures.compressed_volume
    np.testing.assert_allclose(held.values, 900.0, rtol=1e-12)  # as set
    late = measures.inspired_tidal_volume.sum("lung") - measures.lungs_held_volume
    assert np.all(late[1:] > 0.1)  # the tubes empty into lung b when expiration has begun


def test_port_pressure_at_the_end_of_inspiration():
    """Port pressure rises by 3 cmH2O/s and falls at 12 s: 36 cmH2O there, with a pause and without one.

    Straight lines, written here.
    """
    time = np.array([10.0, 11.0, np.nextafter(12.0, 0.0), 12.0, np.nextafter(14.0, 0.0)])
    ports = as_records({"inspiratory_port_pressure": [30.0, 33.0, 36.0, 5.0, 5.0]}, PORT_SIGNALS, 5)
    samples = Samples(time, np.zeros((5, 1), LUNG_SIGNALS), ports)
    for flow_end, plateau in ((11.0, 36.0), (12.0, np.nan)):
        timing = np.array([(10.0, flow_end, 12.0, 14.0, 5.0)], TIMING)
        found = measured(samples, timing, np.array([50.0])).ports
        assert found["port_end_inspiratory_pressure"] == 36.0
        np.testing.assert_equal(found["port_plateau_pressure"][0], plateau)


def test_running_integrals_do_not_depend_on_the_sampling():
    """Means, volumes and power from two samples in a breath are those from eighty."""
    fine, coarse = (breath_measures(case_waves("PC3", step=step)) for step in (0.05, 2.9))
    for name in (
        "inspired_tidal_volume",
        "mean_airway_pressure",
        "mean_alveolar_pressure",
        "mechanical_power",
    ):
        np.testing.assert_allclose(coarse[name].values, fine[name].values, rtol=1e-12, err_msg=name)
    assert coarse.attrs["integrated_from_samples"] == "none"


def test_streamed_breath_is_the_breath_of_the_dataset():
    """The compiled function, called on the samples of breath 2, gives the same bits as the Dataset road."""
    waveforms = ideal_waves((50, 10, 10), (25, 10, 15))
    measures = breath_measures(waveforms)
    one = waveforms.isel(breath=1)
    part = waveforms.sel(time=slice(float(one.breath_start), np.nextafter(float(one.breath_end), -np.inf)))
    shape = (part.sizes["time"], 2)
    lungs = as_records({name: part[name].values for name in LUNG_SIGNALS.names}, LUNG_SIGNALS, shape)
    ports = as_records({name: part[name].values for name in PORT_SIGNALS.names}, PORT_SIGNALS, shape[:1])
    timing = as_records({name: float(one[name]) for name in TIMING.names}, TIMING, 1)
    known = np.empty((1, 2), AT_EQUILIBRIUM)
    for name in AT_EQUILIBRIUM.names:
        known[name] = one[name].values
    weights = part.predicted_body_weight.values
    found = measured(Samples(part.time.values, lungs, ports), timing, weights, at_equilibrium=known)
    for name in LUNG_MEASURES.names:
        np.testing.assert_array_equal(found.lungs[name][0], measures[name].values[1], err_msg=name)
    for name in PORT_MEASURES.names:
        np.testing.assert_array_equal(found.ports[name][0], measures[name].values[1], err_msg=name)


def test_every_measure_of_a_breath_that_does_not_repeat():
    """Four samples written by hand, at 10, 11, just before 12 and just before 14 s; no two ends are alike.

    Expected values: the definitions in the docstring of measured, worked out by hand.
    """
    lung = {
        "airway_pressure": [9.0, 21.0, 18.0, 6.0],
        "alveolar_pressure": [7.0, 12.0, 16.0, 8.0],
        "elastic_pressure": [8.0, 14.0, 19.0, 8.0],
        "highest_airway_pressure": [9.0, 22.5, 22.5, 22.5],
        "highest_flow": [0.4, 0.65, 0.65, 0.65],
        "lowest_flow": [0.4, 0.4, 0.1, -0.35],
        "flow": [0.4, 0.6, 0.1, -0.3],
        "volume": [350.0, 600.0, 800.0, 410.0],
        "inspired_volume": [1000.0, 1300.0, 1480.0, 1500.0],
        "expired_volume": [900.0, 900.0, 920.0, 1340.0],
        "airway_pressure_integral": [100.0, 115.0, 134.0, 148.0],
        "alveolar_pressure_integral": [90.0, 99.0, 113.0, 134.0],
        "inspiratory_work": [2.0, 2.5, 2.9, 3.0],
        "inspiratory_limb_volume": [500.0, 500.0, 500.0, 510.0],
        "expiratory_limb_volume": [400.0, 400.0, 400.0, 420.0],
        "inspiratory_limb_backflow": [1.0, 1.0, 1.0, 4.0],
        "expiratory_limb_backflow": [2.0, 3.0, 3.0, 7.0],
    }
    port = {
        "inspiratory_port_pressure": [9.5, 22.0, 19.0, 5.0],
        "expiratory_port_pressure": [9.0, 21.0, 18.0, 5.5],
        "delivered_volume": [1100.0, 1500.0, 1690.0, 1700.0],
        "returned_volume": [950.0, 950.0, 950.0, 1460.0],
        "relief_volume": [3.0, 7.0, 8.0, 8.0],
        "inspiratory_port_pressure_integral": [101.0, 117.0, 139.0, 149.0],
        "highest_inspiratory_port_pressure": [9.5, 23.0, 23.0, 23.0],
        "limited_time": [1.0, 1.2, 1.6, 1.6],
        "missed_volume": [30.0, 35.0, 42.0, 42.0],
        "missed_pressure": [0.0, 4.0, 2.5, 0.0],
        "circuit_volume": [15.0, 40.0, 35.0, 12.0],
        "leaked_volume": [2.0, 5.0, 9.0, 13.0],
    }
    expected = {
        "inspired_tidal_volume": 500.0,
        "expired_tidal_volume": 440.0,
        "tidal_volume_fraction": 1.0,
        "tidal_volume_per_weight": 10.0,
        "peak_airway_pressure": 22.5,  # between two samples
        "mean_airway_pressure": 12.0,
        "mean_alveolar_pressure": 11.0,
        "end_inspiratory_alveolar_pressure": 16.0,
        "end_expiratory_alveolar_pressure": 8.0,
        "plateau_pressure": 18.0,
        "driving_pressure": 11.0,  # 19 - 8, elastic
        "total_peep": 8.0,
        "auto_peep": 3.5,  # 8 - 4.5
        "trapped_volume": 110.0,  # 410 - 300
        "applied_peep": 4.5,
        "equilibrium_volume": 300.0,
        "peak_inspiratory_flow": 0.65,
        "peak_expiratory_flow": 0.35,
        "minute_volume": 7.5,
        "mechanical_power": 15.0,
        "inspiratory_contained_volume": 510.0,  # at the end of the breath
        "expiratory_contained_volume": 420.0,
        "inspiratory_reversed_volume": 3.0,
        "expiratory_reversed_volume": 5.0,
    }
    expected_of_ports = {
        "port_delivered_volume": 600.0,
        "port_returned_volume": 510.0,
        "port_relief_volume": 5.0,
        "port_limited_fraction": 0.4,  # 0.6 s of 1.5 s
        "port_missed_pressure": 2.5,  # just before 12 s
        "port_missed_volume": 12.0,
        "port_peak_pressure": 23.0,
        "port_end_inspiratory_pressure": 19.0,  # the sample just before 12 s
        "port_plateau_pressure": 19.0,  # the same: flow ends at 11.5 s
        "port_mean_pressure": 12.0,
        "port_peep": 5.5,
        "lungs_held_volume": 450.0,  # 800 - 350
        "compressed_volume": 20.0,
        "volume_balance_error": 22.0,  # 600 - 510 - 60 - (-3) - 11
        "leak_volume": 11.0,
    }
    time = np.array([10.0, 11.0, np.nextafter(12.0, 0.0), np.nextafter(14.0, 0.0)])
    samples = Samples(time, as_records(lung, LUNG_SIGNALS, (4, 1)), as_records(port, PORT_SIGNALS, 4))
    timing = np.array([(10.0, 11.5, 12.0, 14.0, 5.0)], TIMING)
    known = np.array([[(4.5, 300.0)]], AT_EQUILIBRIUM)
    found = measured(samples, timing, np.array([50.0]), at_equilibrium=known)
    lungs, ports = found.lungs[0, 0].tolist(), found.ports[0].tolist()
    assert dict(zip(LUNG_MEASURES.names, lungs, strict=True)) == pytest.approx(expected, rel=1e-14)
    assert dict(zip(PORT_MEASURES.names, ports, strict=True)) == pytest.approx(expected_of_ports, rel=1e-14)


def test_only_whole_breaths_are_measured():
    """Three breaths and 0.3 s of a fourth; and a window from the middle of the first on."""
    waveforms = case_waves("PC1")
    assert waveforms.breath.values.tolist() == [1, 2, 3, 4]
    assert breath_measures(waveforms).breath.values.tolist() == [1, 2, 3]
    assert breath_measures(waveforms.sel(time=slice(1.0, None))).breath.values.tolist() == [2, 3]


def test_no_whole_breath_is_an_error():
    with pytest.raises(SchemaError, match=r"no whole breath: .* from 0 to 3\.85 s, and none of the 4 breaths"):
        breath_measures(case_waves("PC1").sel(time=slice(0.0, 3.9)))


def test_order_of_dims_does_not_matter_and_the_input_stays():
    waveforms = ideal_waves((50, 10, 10), (25, 10, 10))
    before = waveforms.copy(deep=True)
    turned = breath_measures(waveforms.transpose("lung", "time", ...))
    xr.testing.assert_identical(turned, breath_measures(waveforms))
    xr.testing.assert_identical(waveforms, before)


def test_result_fits_the_schema_and_keeps_its_scenario():
    measures = breath_measures(case_waves("PC1"))
    check_dataset(measures, "measures")
    assert measures.attrs["scenario"] == "invented"
    assert measures.mechanical_power.attrs["units"] == "J/min"
    np.testing.assert_allclose(measures.inspiration_end, [4 / 3, 16 / 3, 28 / 3], rtol=1e-15)  # as set


def test_a_failed_run_gives_nan():
    """From breath 2 on the solver gave nothing; breath 1 is whole."""
    waveforms = case_waves("PC1")
    failed = label(
        waveforms.where(waveforms.time < 5.0).assign(
            {n: waveforms[n] for n in waveforms if "time" not in waveforms[n].dims}
        )
    )
    measures = breath_measures(failed)
    for name in (
        "inspired_tidal_volume",
        "peak_airway_pressure",
        "peak_inspiratory_flow",
        "peak_expiratory_flow",
    ):
        assert np.isfinite(measures[name].values[0, 0]), name
        assert np.isnan(measures[name].values[1:, 0]).all(), name
    assert np.isnan(measures.port_peak_pressure.values[1:]).all()


def test_no_gas_gives_no_share():
    """0/0: a share of nothing is unknown."""
    waveforms = case_waves("PC1")
    none = label(waveforms.assign(inspired_volume=0.0 * waveforms.inspired_volume))
    assert np.isnan(breath_measures(none).tidal_volume_fraction.values).all()


# --- recordings -------------------------------------------------------------------------------------------


def test_pressure_and_flow_are_enough():
    """What needs alveolar pressure is NaN; ports are absent; the rest is right to the trapezoidal rule."""
    waveforms = case_waves("PC1", step=0.005)
    names = ["airway_pressure", "flow", "breath_start", "inspiration_end", "breath_end"]
    measures = breath_measures(waveforms[names])
    reference = breath_measures(waveforms)
    missing = {
        "mean_alveolar_pressure",
        "end_inspiratory_alveolar_pressure",
        "end_expiratory_alveolar_pressure",
        "driving_pressure",
        "total_peep",
        "auto_peep",
        "tidal_volume_per_weight",
        "plateau_pressure",
        "applied_peep",
        "equilibrium_volume",
        "trapped_volume",
        *(f"{side}_{word}_volume" for side in ("inspiratory", "expiratory") for word in ("contained", "reversed")),
    }
    for name in LUNG_MEASURES.names:
        if name in missing:
            assert np.isnan(measures[name].values).all(), name
        else:
            # the error of the rule is (step/tau)²/12 = 8e-6 of each exponential, with tau = 0.5 s
            np.testing.assert_allclose(measures[name].values, reference[name].values, rtol=2e-5, err_msg=name)
    assert not set(PORT_MEASURES.names) & set(measures.data_vars)
    assert measures.attrs["integrated_from_samples"] == (
        "volume, inspired_volume, expired_volume, airway_pressure_integral, inspiratory_work"
    )


def test_error_of_a_recording_falls_with_the_square_of_the_sampling_interval():
    """Trapezoidal rule: order 2."""
    exact = float(breath_measures(case_waves("PC1")).inspired_tidal_volume[0, 0])
    names = ["airway_pressure", "flow", "breath_start", "inspiration_end", "breath_end"]
    steps = np.array([0.1, 0.05, 0.025])
    errors = [
        abs(float(breath_measures(case_waves("PC1", step=step)[names]).inspired_tidal_volume[0, 0]) - exact)
        for step in steps
    ]
    slope = np.polyfit(np.log(steps), np.log(errors), 1)[0]
    assert slope == pytest.approx(2.0, abs=0.1)


def test_ports_of_a_recording_as_far_as_they_were_recorded():
    waveforms = case_waves("PC1", step=0.005)
    keep = [
        "airway_pressure",
        "flow",
        "breath_start",
        "inspiration_end",
        "breath_end",
        "inspiratory_port_flow",
        "inspiratory_port_pressure",
    ]
    measures = breath_measures(waveforms[keep])
    found = {name for name in measures.data_vars if name in PORT_MEASURES.names}
    assert found == {
        "port_delivered_volume",
        "port_peak_pressure",
        "port_end_inspiratory_pressure",
        "port_plateau_pressure",
        "port_mean_pressure",
    }
    tidal = measures.inspired_tidal_volume.values[:, 0]
    np.testing.assert_allclose(measures.port_delivered_volume, (1 + HELD) * tidal, rtol=1e-12)  # HELD, as made


@pytest.mark.parametrize(
    ("compliance", "resistance", "plateau", "auto_peep", "peak"),
    [(0.050, 5.0, 13.0009, 0.0009, 15.50), (0.095, 21.0, 9.7785, 2.9364, 20.28)],
    ids=["patient A", "patient B"],
)
def test_volume_control_with_a_pause(compliance, resistance, plateau, auto_peep, peak):
    """Worked example of Crit Care 2013 (cc12561), Table 1, which prints plateaus 13 and 9.78 cmH2O.

    The digits beyond, auto-PEEP and peak: computed from the equation of motion with constant flow.
    """
    recording = volume_control_recording(
        0.01, flow_time=1.3, pause=0.3, rest=2.4, compliance=compliance, resistance=resistance
    )
    one = breath_measures(recording).isel(breath=0, lung=0)
    assert float(one.plateau_pressure) == pytest.approx(plateau, abs=1e-4)
    assert float(one.auto_peep) == pytest.approx(auto_peep, abs=1e-4)
    assert float(one.peak_airway_pressure) == pytest.approx(peak, abs=5e-3)
    assert float(one.inspired_tidal_volume) == pytest.approx(650.0, rel=1e-9)  # 1.3 s at 0.5 L/s
    # plateau minus total PEEP is volume over compliance
    assert float(one.driving_pressure) == pytest.approx(0.65 / compliance, rel=1e-9)
    assert float(one.driving_pressure) == pytest.approx(float(one.plateau_pressure - one.total_peep), rel=1e-9)


def test_mechanical_power_of_volume_control():
    """Rate 20, 0.5 L, 0.05 L/cmH2O, R 10, I:E 1:2, PEEP 5: 14.71 J/min.

    Formula of Gattinoni et al., Intensive Care Med 2016;42:1567-1575 (from memory), which prints the factor
    0.0980665 as 0.098 and gives 14.70. It starts from PEEP; the steady breath starts from total PEEP.
    """
    recording = volume_control_recording(
        0.01, volume=0.5, flow_time=1.0, pause=0.0, rest=2.0, peep=5.0, compliance=0.05, resistance=10.0
    )
    one = breath_measures(recording).isel(breath=0, lung=0)
    above_peep = 0.0980665 * 20 * 0.5 * float(one.auto_peep)
    assert float(one.mechanical_power) - above_peep == pytest.approx(0.0980665 * 20 * 0.5 * 15.0, rel=1e-9)
    assert float(one.mechanical_power) - above_peep == pytest.approx(14.70, rel=1e-3)
    assert np.isnan(float(one.plateau_pressure))


def test_breath_times_between_samples_are_interpolated():
    """Straight lines, so that linear interpolation is exact: pressure 10 t, flow 0.1 (1 - t), from 0.25 s.

    Inspired from 0.25 to 1 s: 100 (0.75)²/2 = 28.125 mL. Mean pressure from 0.25 to 1.75 s: 10 cmH2O.
    """
    time = np.linspace(0.0, 2.0, 21)
    columns = {"airway_pressure": 10 * time, "flow": 0.1 * (1 - time)}
    recording = label(
        xr.Dataset(
            {name: (("time", "lung"), values[:, None]) for name, values in columns.items()}
            | {"breath_start": ("breath", [0.25]), "inspiration_end": ("breath", [1.0])}
            | {"flow_end": ("breath", [0.95]), "breath_end": ("breath", [1.75])},
            coords={"time": time, "lung": ["a"], "breath": [1]},
        )
    )
    one = breath_measures(recording).isel(breath=0, lung=0)
    assert float(one.inspired_tidal_volume) == pytest.approx(28.125, rel=1e-12)
    assert float(one.expired_tidal_volume) == pytest.approx(28.125, rel=1e-12)
    assert float(one.mean_airway_pressure) == pytest.approx(10.0, rel=1e-12)
    assert float(one.peak_airway_pressure) == pytest.approx(17.5, rel=1e-12)  # at 1.75 s
    assert float(one.peak_inspiratory_flow) == pytest.approx(0.075, rel=1e-12)  # at 0.25 s
    assert float(one.plateau_pressure) == pytest.approx(10.0, rel=1e-12)  # at 1 s


def test_breath_times_off_by_rounding_still_count():
    """A breath that starts 1e-12 s before the first sample is whole."""
    waveforms = case_waves("PC1")
    early = label(waveforms.assign(breath_start=waveforms.breath_start - 1e-12))
    measures = breath_measures(early)
    assert measures.breath.values.tolist() == [1, 2, 3]
    assert float(measures.inspired_tidal_volume[0, 0]) == pytest.approx(694.75, abs=5e-3)  # case PC1


def test_integrals_of_straight_lines_are_exact():
    """Flow from 0.3 to -0.1 L/s in 2 s reverses at 1.5 s: triangles of 225 mL in and 25 mL out."""
    recording = label(
        xr.Dataset(
            {
                "airway_pressure": (("time", "lung"), [[4.0], [8.0]]),
                "flow": (("time", "lung"), [[0.3], [-0.1]]),
            }
            | {"alveolar_pressure": (("time", "lung"), [[3.0], [5.0]])}
            | {"breath_start": ("breath", [0.0]), "inspiration_end": ("breath", [1.5])}
            | {"breath_end": ("breath", [2.0])},
            coords={"time": [0.0, 2.0], "lung": ["a"], "breath": [1]},
        )
    )
    full = integrate_recording(recording)
    last = {name: float(full[name][-1, 0]) for name in full.data_vars if full[name].dims == ("time", "lung")}
    assert last["inspired_volume"] == pytest.approx(225.0, rel=1e-14)
    assert last["expired_volume"] == pytest.approx(25.0, rel=1e-14)
    assert last["volume"] == pytest.approx(200.0, rel=1e-14)  # the difference
    assert last["airway_pressure_integral"] == pytest.approx(12.0, rel=1e-14)  # 6 cmH2O for 2 s
    assert last["alveolar_pressure_integral"] == pytest.approx(8.0, rel=1e-14)  # 4 cmH2O for 2 s
    check_dataset(full, "recording")
    assert set(recording.data_vars) < set(full.data_vars)


def test_integrals_that_are_there_stay():
    waveforms = case_waves("PC1")
    xr.testing.assert_identical(integrate_recording(waveforms), waveforms)


@pytest.mark.parametrize("name", ["flow", "airway_pressure"])
def test_a_gap_in_a_recording_is_an_error(name):
    recording = volume_control_recording(0.1, flow_time=1.3, pause=0.3, rest=2.4, compliance=0.05, resistance=5.0)
    recording[name][5, 0] = np.nan  # the sixth sample of a 0.1 s grid
    with pytest.raises(SchemaError, match=rf"'{name}' has a gap: no finite number \[.*\] at 0\.5 s"):
        breath_measures(recording)


# --- table ------------------------------------------------------------------------------------------------


def test_table_of_a_breath():
    """Numbers as in the tests above (694.751 and 373.181 mL), rounded; the total is their sum, 1067.9 mL."""
    table = breath_table(breath_measures(ideal_waves((50, 10, 10), (25, 10, 10))))
    text = str(table)
    rows = {line[:6].strip(): line.split() for line in text.splitlines()}
    assert text.splitlines()[0] == "Breath 3: 8.000 to 12.000 s, inspiration 1.333 s, set PEEP 5.00 cmH2O"
    assert rows["lung a"][2:6] == ["694.8", "694.8", "65.1", "9.93"]  # 694.751/70 mL/kg
    assert rows["lung b"][2:6] == ["373.2", "373.2", "34.9", "-"]  # weight unknown
    assert rows["total"][1:] == ["1067.9", "1067.9", "100.0", "16.02"]  # 15 breaths a minute
    assert "plateau" not in text.partition("ventilator and circuit")[0]  # no pause, so no column
    assert "volume held by the circuit at end of inspiration       106.8 mL" in text  # HELD
    assert "volume not accounted for                                 2.5 mL" in text  # LEAK
    assert text.splitlines()[-1].endswith("not for deciding about a patient.")
    assert text.splitlines()[-1] not in table.text(caution=False)
    lungs, ports = table.frames["lungs"], table.frames["ports"]
    assert lungs.loc["lung b", "inspired_tidal_volume"] == pytest.approx(373.181, abs=1e-2)
    assert lungs["tidal_volume_fraction"].sum() == pytest.approx(1.0) and len(lungs) == 2  # the total is no row
    assert ports["volume_balance_error"].tolist() == pytest.approx([2.5], abs=0.05)
    assert (lungs.attrs["units"]["mechanical_power"], ports.attrs["units"]["port_peep"]) == ("J/min", "cmH2O")


def test_columns_of_the_table_line_up():
    lines = str(breath_table(breath_measures(ideal_waves((50, 10, 10), (25, 10, 10))))).splitlines()[2:7]
    units, first, second = lines[2], lines[3], lines[4]
    ends = [i for i in range(len(units)) if units[i] == "]"]
    assert len(ends) == 12  # thirteen columns of numbers less plateau pressure
    assert all(first[i] != " " and second[i] != " " for i in ends)
    assert max(map(len, lines)) <= 130


def test_table_of_a_recording_has_no_ports():
    recording = volume_control_recording(
        0.01, flow_time=1.3, pause=0.3, rest=2.4, compliance=0.095, resistance=21.0
    )
    text = str(breath_table(breath_measures(recording), breath=1))
    assert "plateau" in text and "9.78" in text  # patient B of the worked example above
    assert "ventilator" not in text
    assert "/weight" not in text


def test_table_shows_no_minus_zero():
    measures = breath_measures(ideal_waves((50, 10, 10)))
    measures["volume_balance_error"][:] = -1e-9
    text = str(breath_table(measures))
    assert "-0.0" not in text
    assert " 0.0 mL" in text


def test_table_of_a_breath_that_is_not_there():
    with pytest.raises(SchemaError, match=r"breath 7 is not in the Dataset\.\n  It has breaths 1 to 3"):
        breath_table(breath_measures(case_waves("PC1")), breath=7)


# --- the page of definitions ----------------------------------------------------------------------------------

PAGE = Path(__file__).parents[2] / "docs" / "measures.md"


def defined_measures():
    """Rows of the tables of the page: symbol, unit, definition and the rest, by name."""
    rows = re.findall(r"^\| `(\w+)` \| (.+) \|$", PAGE.read_text(encoding="utf-8"), flags=re.M)
    assert len(rows) == len(dict(rows)), "each name once"
    return {name: [cell.strip() for cell in cells.split(" | ")] for name, cells in rows}


def test_every_measure_is_defined_on_the_page():
    """In the order of the schema, with its symbol and unit; and nothing else is on the page."""
    wanted = [name for name, row in VARIABLES.items() if {"measures", "displayed"} & set(row.kinds)]
    found = defined_measures()
    assert list(found) == wanted
    for name, (symbol, unit, definition, *rest) in found.items():
        assert (symbol, unit) == (f"`{VARIABLES[name].symbol}`", VARIABLES[name].units), name
        assert len(definition) >= 5 and all(rest), name
        assert len(rest) == (1 if name in TIMING.names else 2), f"{name}: taken from, and source"


def test_definitions_name_variables_that_exist():
    """What a measure is taken from is a variable of the schema, or said in words."""
    for name, cells in defined_measures().items():
        for word in re.findall(r"`(\w+)`", cells[3]):
            assert word in VARIABLES, f"{name} is taken from {word}"
