"""The simulation gives the closed forms of `ventsim.theory`, and digits worked out or published elsewhere.

The rows of numbers and their sources are those of ``theory/worked_values.py``.  Limits were set before the
comparison: 1e-5 at the default tolerance and 1e-8 at a tolerance of 1e-10, relative to the value, or to 0.1 of
its unit (cmH2O, mL, L/s, L/min) where the value itself is smaller, as the auto-PEEP of a lung that empties well.
"""

import numpy as np
import pytest
from theory.worked_values import N2, PARALLEL_ROWS, PRESSURE_ROWS, VOLUME_ROWS, agrees

import ventsim as vs
from ventsim import theory

DEFAULT_TOLERANCE = 5e-7
LIMITS = [pytest.param(DEFAULT_TOLERANCE, 1e-5, id="default"), pytest.param(1e-10, 1e-8, id="tight")]

VALVE_RESISTANCE = 1.0  # forward resistance of a default one-way valve [cmH2O·s/L]

PRESSURE_MEASURES = (
    "end_inspiratory_alveolar_pressure", "end_expiratory_alveolar_pressure", "auto_peep", "minute_volume",
    "peak_inspiratory_flow", "peak_expiratory_flow", "mean_airway_pressure", "mean_alveolar_pressure",
)  # fmt: skip
VOLUME_MEASURES = (
    "end_expiratory_alveolar_pressure", "auto_peep", "driving_pressure", "peak_airway_pressure",
    "minute_volume", "peak_inspiratory_flow", "peak_expiratory_flow", "mean_airway_pressure",
    "mean_alveolar_pressure",
)  # fmt: skip
LUNG_FIELDS = ("compliance", "resistance", "expiratory_resistance")
PRESSURE_CASES = {name: arguments for name, (arguments, _) in PRESSURE_ROWS.items()}
VOLUME_CASES = {name: arguments for name, (arguments, _) in VOLUME_ROWS.items()}
HALF_SINE = {
    "tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "expiratory_resistance": 20.0,
    "rate": 15.0, "inspiratory_time": 1.25, "pause_time": 0.25, "flow_pattern": "sine",
}  # fmt: skip
VOLUME_CASES["half sine"] = HALF_SINE


def near(reference, limit):
    return pytest.approx(reference, rel=limit, abs=0.1 * limit)


def single(arguments):
    """An ideal circuit with one lung, and its settings, from the arguments of a closed form."""
    lung = vs.Lung(**{name: arguments[name] for name in LUNG_FIELDS if name in arguments})
    settings = {name: value for name, value in arguments.items() if name not in LUNG_FIELDS}
    mode = vs.PressureControl if "inspiratory_pressure" in settings else vs.VolumeControl
    return vs.layouts.single(lung, ideal=True), mode(**settings)


def shared(arguments, *, one_way_valves=False, restrictors=False):
    """An ideal circuit with several lungs, and its settings, from the arguments of a closed form.

    One-way valves take their share of every resistance; with `restrictors`, what inspiration has more than
    expiration sits in the inspiratory limb instead of the lung.
    """
    own = VALVE_RESISTANCE if one_way_valves else 0.0
    inward = arguments["resistance"]
    outward = arguments.get("expiratory_resistance", inward)
    lungs, branches = {}, {}
    for name, c, r_in, r_out in zip("abcd", arguments["compliance"], inward, outward, strict=False):
        r_lung = r_out if restrictors else r_in
        lungs[name] = vs.Lung(compliance=c, resistance=r_lung - own, expiratory_resistance=r_out - own)
        extra = vs.Restrictor(resistance=r_in - r_out) if restrictors and r_in > r_out else None
        branches[name] = vs.PatientLimbs(inspiratory_restrictor=extra)
    common = arguments.get("shared_resistance", 0.0)
    machine = vs.Ventilator(
        source_resistance=common, exhalation_resistance=common, flow_limit=None, relief_pressure=None
    )
    circuit = vs.layouts.shared(
        lungs,
        limbs=dict.fromkeys(lungs, vs.PatientLimbs()) | branches,
        ideal=True,
        one_way_valves=one_way_valves,
        ventilator=machine,
    )
    names = ("inspiratory_pressure", "peep", "rate", "inspiratory_time")
    return circuit, vs.PressureControl(**{name: arguments[name] for name in names})


def lung_measures(circuit, settings, *, tolerance=DEFAULT_TOLERANCE, sample_interval=0.01):
    """Measures of the steady breath of one lung, as numbers."""
    waveforms = vs.steady_breath(circuit, settings, tolerance=tolerance, sample_interval=sample_interval)
    measures = vs.breath_measures(waveforms).squeeze()
    return {name: float(values) for name, values in measures.items()}


def assert_same_wave(found, reference, limit):
    """Every sample agrees, relative to the largest value of the curve."""
    reference = np.asarray(reference)
    assert np.abs(np.squeeze(found) - reference).max() <= limit * np.abs(reference).max()


# --- one lung, pressure control ---------------------------------------------------------------------------


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("arguments", PRESSURE_CASES.values(), ids=PRESSURE_CASES)
def test_pressure_control(arguments, tolerance, limit):
    breath = theory.pressure_control(**arguments)
    found = lung_measures(*single(arguments), tolerance=tolerance)
    for volume in ("inspired_tidal_volume", "expired_tidal_volume"):
        assert found[volume] == near(breath.tidal_volume, limit)
    for name in PRESSURE_MEASURES:
        assert found[name] == near(getattr(breath, name), limit), name


@pytest.mark.parametrize(("arguments", "expected"), PRESSURE_ROWS.values(), ids=PRESSURE_ROWS)
def test_pressure_control_worked_digits(arguments, expected):
    found = lung_measures(*single(arguments))
    found["tidal_litres"] = found["inspired_tidal_volume"] / 1000
    wrong = {name: (found[name], text) for name, text in expected.items() if not agrees(found[name], text)}
    assert not wrong


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("arguments", [*PRESSURE_CASES.values(), *VOLUME_CASES.values()],
                         ids=[*PRESSURE_CASES, *VOLUME_CASES])  # fmt: skip
def test_waveforms_of_one_lung(arguments, tolerance, limit):
    waveforms = vs.steady_breath(*single(arguments), tolerance=tolerance)
    form = theory.pressure_control if "inspiratory_pressure" in arguments else theory.volume_control
    wave = form(**arguments).waveform(waveforms.time.values)
    for name in ("volume", "alveolar_pressure", "flow", "airway_pressure"):
        assert_same_wave(waveforms[name].values, getattr(wave, name), limit)


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("case", ["PC2", "PC3"])
def test_approach_to_the_steady_breath(case, tolerance, limit):
    """Breath after breath from rest, in two lungs that do not empty in time."""
    arguments = PRESSURE_CASES[case]
    circuit, settings = single(arguments)
    waveforms = vs.simulate(circuit, settings, duration=10 * settings.period, tolerance=tolerance)
    found = vs.breath_measures(waveforms).squeeze("lung")
    breath = theory.pressure_control(**arguments).from_rest(np.arange(1, 11))
    assert found.inspired_tidal_volume.values == near(breath.inspired_volume, limit)
    assert found.expired_tidal_volume.values == near(breath.expired_volume, limit)
    for name in ("end_inspiratory_alveolar_pressure", "end_expiratory_alveolar_pressure"):
        assert found[name].values == near(getattr(breath, name), limit)


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("rise_time", [0.3, 1.2, 1.5], ids="rise {}".format)
def test_exponential_pressure_rise_from_rest(rise_time, tolerance, limit):
    """A rise with a third of the rise time as its time constant; 1.5 s makes it that of the lung, 0.5 s."""
    settings = vs.PressureControl(
        inspiratory_pressure=15.0, peep=5.0, rate=12.0, inspiratory_time=2.0,
        rise_time=rise_time, rise_shape="exponential",
    )  # fmt: skip
    circuit = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0), ideal=True)
    waveforms = vs.simulate(circuit, settings, duration=2.0, tolerance=tolerance)
    waveforms = waveforms.isel(time=waveforms.time.values < 2.0)
    wave = theory.pressure_rise_from_rest(
        time=waveforms.time.values, inspiratory_pressure=15.0, peep=5.0, rise_time_constant=rise_time / 3,
        compliance=50.0, resistance=10.0,
    )  # fmt: skip
    for name in ("volume", "flow", "airway_pressure", "alveolar_pressure"):
        assert_same_wave(waveforms[name].values, getattr(wave, name), limit)


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
def test_linear_pressure_rise_from_rest(tolerance, limit):
    """By hand, above PEEP: s (t - τ + τ e^(-t/τ)) in a ramp of slope s, then an exponential approach."""
    rise, step, tau = 0.4, 15.0, 0.5
    settings = vs.PressureControl(
        inspiratory_pressure=step, peep=5.0, rate=12.0, inspiratory_time=2.0, rise_time=rise
    )
    circuit = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0), ideal=True)
    waveforms = vs.simulate(circuit, settings, duration=2.0, tolerance=tolerance)
    waveforms = waveforms.isel(time=waveforms.time.values < 2.0)
    time = waveforms.time.values

    def ramp(t):
        return step / rise * (t - tau + tau * np.exp(-t / tau))

    after = step - (step - ramp(rise)) * np.exp(-(time - rise) / tau)
    assert_same_wave(waveforms.alveolar_pressure.values, 5.0 + np.where(time < rise, ramp(time), after), limit)


# --- limits of pressure control ---------------------------------------------------------------------------


def test_long_expiration_empties_the_lung():
    """Expiration of 40 time constants: tidal volume C Δp (1 - e^(-ti/τ)), no auto-PEEP."""
    arguments = {
        "inspiratory_pressure": 10.0, "peep": 5.0, "compliance": 50.0, "resistance": 5.0, "rate": 5.0,
        "inspiratory_time": 1.0,
    }  # fmt: skip
    found = lung_measures(*single(arguments))
    emptied = theory.pressure_control(**arguments | {"rate": 20.0}).tidal_volume_at_low_rate
    assert found["inspired_tidal_volume"] == near(emptied, 1e-5)
    assert found["auto_peep"] == pytest.approx(0.0, abs=1e-6)


def test_long_inspiration_reaches_equilibrium():
    """Both phases of 40 time constants: tidal volume is compliance times pressure, 500 mL."""
    lung = {"compliance": 50.0, "resistance": 5.0}
    settings = {"inspiratory_pressure": 10.0, "peep": 5.0, "rate": 3.0, "inspiratory_time": 10.0}
    found = lung_measures(*single(lung | settings))
    assert found["inspired_tidal_volume"] == near(500.0, 1e-5)


@pytest.mark.parametrize("duty_cycle", [0.25, 0.5])
def test_minute_volume_has_a_ceiling(duty_cycle):
    """A period of 0.4 s against time constants of 45 and 90 s is as good as an infinite rate.

    What is left of the closed form is the square of their ratio, 1e-6 in all.
    """
    arguments = {
        "inspiratory_pressure": 15.0, "peep": 5.0, "compliance": 300.0, "resistance": 150.0,
        "expiratory_resistance": 300.0, "rate": 150.0, "inspiratory_time": duty_cycle * 0.4,
    }  # fmt: skip
    breath = theory.pressure_control(**arguments)
    found = lung_measures(*single(arguments))
    assert found["minute_volume"] == near(breath.minute_volume_at_high_rate, 1e-5)
    assert found["mean_alveolar_pressure"] == near(breath.mean_alveolar_pressure_at_high_rate, 1e-5)


# --- one lung, volume control -----------------------------------------------------------------------------


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("arguments", VOLUME_CASES.values(), ids=VOLUME_CASES)
def test_volume_control(arguments, tolerance, limit):
    breath = theory.volume_control(**arguments)
    circuit, settings = single(arguments)
    found = lung_measures(circuit, settings, tolerance=tolerance)
    for volume in ("inspired_tidal_volume", "expired_tidal_volume"):
        assert found[volume] == near(arguments["tidal_volume"], limit)
    # Half a sine peaks between samples; its peak has a test of its own.
    between_samples = {"peak_airway_pressure"} if arguments is HALF_SINE else set()
    for name in set(VOLUME_MEASURES) - between_samples:
        assert found[name] == near(getattr(breath, name), limit), name
    plateau = "plateau_pressure" if settings.pause_time > 0 else "end_inspiratory_alveolar_pressure"
    assert found[plateau] == near(breath.plateau_pressure, limit)


@pytest.mark.parametrize(("arguments", "expected"), VOLUME_ROWS.values(), ids=VOLUME_ROWS)
def test_volume_control_published_and_worked_digits(arguments, expected):
    circuit, settings = single(arguments)
    waveforms = vs.steady_breath(circuit, settings)
    found = lung_measures(circuit, settings)
    found["peak_flow_per_minute"] = 60 * found["peak_inspiratory_flow"]
    found["peak_airway_pressure_time"] = float(waveforms.time[np.argmax(waveforms.airway_pressure.values)])
    if settings.pause_time == 0:
        found["plateau_pressure"] = found["end_inspiratory_alveolar_pressure"]
    wrong = {name: (found[name], text) for name, text in expected.items() if not agrees(found[name], text)}
    assert not wrong


@pytest.mark.parametrize(("patient", "printed"), [("published A", "13"), ("published B", "9.78")])
def test_tenth_breath_of_a_published_table(patient, printed):
    """Crit Care 2013 (cc12561), Table 1, was simulated for ten breaths."""
    circuit, settings = single(VOLUME_CASES[patient])
    breaths = vs.breath_measures(vs.simulate(circuit, settings, duration=40.0))
    assert breaths.sizes["breath"] == 10
    assert agrees(breaths.plateau_pressure[-1, 0], printed)


def test_peak_of_half_a_sine():
    """Samples 1 ms apart miss the peak by less than p'' dt²/8, 1.2e-5 cmH2O here."""
    found = lung_measures(*single(HALF_SINE), sample_interval=1e-3)
    peak = theory.volume_control(**HALF_SINE).peak_airway_pressure
    assert found["peak_airway_pressure"] == near(peak, 1e-5)


# --- several lungs on one ventilator ----------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [row[0] for row in PARALLEL_ROWS.values()], ids=PARALLEL_ROWS)
def test_no_flow_turns_round_within_its_phase(arguments):
    """The condition under which one-way valves change nothing in the closed form."""
    time = np.linspace(0.0, 60.0 / arguments["rate"], 2000, endpoint=False)
    flow = theory.parallel_lungs(**arguments).waveform(time).flow
    inspiring = time < arguments["inspiratory_time"]
    assert (flow[inspiring] > 0).all() and (flow[~inspiring] < 0).all()


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize("one_way_valves", [False, True], ids=["open limbs", "one-way valves"])
@pytest.mark.parametrize(("arguments", "tidal", "top", "bottom"), PARALLEL_ROWS.values(), ids=PARALLEL_ROWS)
def test_lungs_in_parallel(arguments, tidal, top, bottom, one_way_valves, tolerance, limit):
    circuit, settings = shared(arguments, one_way_valves=one_way_valves)
    found = vs.breath_measures(vs.steady_breath(circuit, settings, tolerance=tolerance)).squeeze("breath")
    breath = theory.parallel_lungs(**arguments)
    for volume in ("inspired_tidal_volume", "expired_tidal_volume"):
        assert found[volume].values == near(breath.tidal_volume, limit)
    for name in (
        "end_inspiratory_alveolar_pressure", "end_expiratory_alveolar_pressure", "auto_peep",
        "mean_alveolar_pressure",
    ):  # fmt: skip
        assert found[name].values == near(getattr(breath, name), limit), name
    for name, texts in (
        ("inspired_tidal_volume", tidal),
        ("end_inspiratory_alveolar_pressure", top),
        ("end_expiratory_alveolar_pressure", bottom),
    ):
        assert all(agrees(v, t) for v, t in zip(found[name].values, texts.split(), strict=True)), name


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize(("arguments", "tidal", "top", "bottom"), PARALLEL_ROWS.values(), ids=PARALLEL_ROWS)
def test_waveforms_of_lungs_in_parallel(arguments, tidal, top, bottom, tolerance, limit):
    waveforms = vs.steady_breath(*shared(arguments), tolerance=tolerance)
    wave = theory.parallel_lungs(**arguments).waveform(waveforms.time.values)
    for name in ("volume", "flow", "alveolar_pressure"):
        assert_same_wave(waveforms[name].values, getattr(wave, name), limit)
    for airway in waveforms.airway_pressure.values.T:
        assert_same_wave(airway, wave.airway_pressure, limit)


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
def test_restrictor_in_an_inspiratory_limb(tolerance, limit):
    """N7 with the further 20 cmH2O·s/L of inspiration in a restrictor; one-way valves keep expiration out."""
    arguments, tidal, *_ = PARALLEL_ROWS["N7"]
    circuit, settings = shared(arguments, one_way_valves=True, restrictors=True)
    assert circuit.parts["a inspiratory restrictor"].resistance == 20.0
    found = vs.breath_measures(vs.steady_breath(circuit, settings, tolerance=tolerance)).squeeze("breath")
    breath = theory.parallel_lungs(**arguments)
    assert found.inspired_tidal_volume.values == near(breath.tidal_volume, limit)
    assert found.auto_peep.values == near(breath.auto_peep, limit)
    assert all(agrees(v, t) for v, t in zip(found.inspired_tidal_volume.values, tidal.split(), strict=True))


@pytest.mark.parametrize("one_way_valves", [False, True], ids=["open limbs", "one-way valves"])
@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
@pytest.mark.parametrize(
    ("compliance", "resistance", "expected"),  # worked values [L]
    [
        ([50.0, 25.0], [10.0, 10.0], "0.613877 0.386123"),
        ([50.0, 50.0], [5.0, 20.0], "0.649644 0.350356"),
    ],
    ids=["C 50/25", "R 5/20"],
)
def test_constant_flow_into_two_lungs(compliance, resistance, expected, tolerance, limit, one_way_valves):
    """1 L/s for 1 s from rest."""
    lungs = N2 | {"compliance": compliance, "resistance": resistance}
    circuit, _ = shared(lungs, one_way_valves=one_way_valves)
    settings = vs.VolumeControl(tidal_volume=1000.0, peep=5.0, rate=15.0, inspiratory_time=1.0)
    waveforms = vs.simulate(circuit, settings, duration=4.0, tolerance=tolerance)
    filling = waveforms.isel(time=waveforms.time.values < 1.0)
    split = theory.constant_flow_split(
        time=filling.time.values, flow=1.0, compliance=compliance, resistance=resistance
    )
    assert_same_wave(filling.inspired_volume.values, split.inspired_volume, limit)
    assert_same_wave(filling.flow.values, split.flow, limit)
    litres = vs.breath_measures(waveforms).inspired_tidal_volume.values[0] / 1000
    assert all(agrees(v, t) for v, t in zip(litres, expected.split(), strict=True))


@pytest.mark.parametrize(("tolerance", "limit"), LIMITS)
def test_circuit_compliance_takes_its_share_of_a_constant_flow(tolerance, limit):
    """0.5 L/s for 1 s into 2.5 mL/cmH2O of circuit and, behind 10 cmH2O·s/L, a lung of 50 mL/cmH2O."""
    elastic = vs.Tube(length=0.0, resistance=0.0, wall_compliance=2.5, gas_volume=0.0)
    plain = vs.Tube(length=0.0, resistance=0.0, wall_compliance=0.0, gas_volume=0.0)
    limbs = vs.PatientLimbs(inspiratory_tube=elastic, expiratory_tube=plain, y_piece=vs.YPiece(gas_volume=0.0))
    machine = vs.Ventilator(relief_pressure=None)
    circuit = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0), limbs=limbs, ventilator=machine)
    settings = vs.VolumeControl(tidal_volume=500.0, peep=5.0, rate=15.0, inspiratory_time=1.0)
    waveforms = vs.simulate(circuit, settings, duration=1.0, tolerance=tolerance)
    waveforms = waveforms.isel(time=waveforms.time.values < 1.0)
    split = theory.constant_flow_split(
        time=waveforms.time.values, flow=0.5, compliance=50.0, circuit_compliance=2.5, resistance=10.0
    )
    assert_same_wave(waveforms.inspired_volume.values, split.inspired_volume[:, 0], limit)
    assert_same_wave(waveforms.flow.values, split.flow[:, 0], limit)
    assert_same_wave(waveforms.airway_pressure.values - 5.0, split.airway_pressure, limit)
    stored = waveforms.circuit_volume.values - waveforms.circuit_volume.values[0]
    assert_same_wave(stored, split.circuit_volume, limit)
    assert agrees(waveforms.inspired_volume.values[-1, 0] / 1000, "0.46485")  # worked value [L]


# --- an identity that holds in any circuit ----------------------------------------------------------------


@pytest.mark.parametrize(
    "settings",
    [
        vs.PressureControl(inspiratory_pressure=15.0, rate=20.0, inspiratory_time=1.0),
        vs.PressureControl(inspiratory_pressure=15.0, rate=20.0, inspiratory_time=1.0, rise_time=0.3),
        vs.VolumeControl(tidal_volume=800.0, rate=20.0, inspiratory_time=1.0, pause_time=0.2),
        vs.VolumeControl(tidal_volume=800.0, rate=20.0, inspiratory_time=1.0, flow_pattern="decelerating"),
    ],
    ids=["pressure", "rising pressure", "constant flow", "falling flow"],
)  # fmt: skip
def test_mean_alveolar_and_mean_airway_pressure(settings):
    """Mean alveolar minus mean airway pressure is (R_e - R_i) V_T / T, whatever the circuit does.

    It follows from the mean of the equation of motion over a breath that repeats itself (Marini, Ravenscraft,
    Crit Care Med 1992;20:1461-1472, from memory), for the resistance between the two places alone.
    """
    lungs = {
        "a": vs.Lung(compliance=50.0, resistance=10.0, expiratory_resistance=25.0),
        "b": vs.Lung(compliance=25.0, resistance=20.0, expiratory_resistance=15.0),
    }
    circuit = vs.layouts.shared(lungs)
    found = vs.breath_measures(vs.steady_breath(circuit, settings)).squeeze("breath")
    surplus = (found.mean_alveolar_pressure - found.mean_airway_pressure).values
    litres = found.inspired_tidal_volume.values / 1000
    assert surplus == near(np.array([15.0, -5.0]) * litres / settings.period, 1e-5)
    assert (litres > 0.1).all()
