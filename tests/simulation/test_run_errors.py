"""Bad input to a run: an error of ventsim that names the argument and what is allowed, never a deep traceback.

What parts, circuits and settings refuse themselves is tested beside them.
"""

import re

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.errors import CircuitError, InputError, SchemaError, SettingsError, SolverError

CIRCUIT = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0))
SETTINGS = vs.PressureControl(inspiratory_pressure=15.0, rate=15.0, inspiratory_time=1.0)
PERIOD = 4.0  # 60 s / 15


@pytest.fixture(scope="module")
def earlier():
    """A run of the same circuit."""
    return vs.simulate(CIRCUIT, SETTINGS, duration=PERIOD)


RUNS = {run.__name__: run for run in (vs.simulate, vs.simulate_long, vs.steady_breath, vs.numerical_error)}
TIMED = {name: RUNS[name] for name in ("simulate", "simulate_long")}

each_run = pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
each_timed_run = pytest.mark.parametrize("run", TIMED.values(), ids=TIMED)

# What is no number, or no number that fits, and how the message shows it.
NO_NUMBERS = {"'4'": "4", "True": True, "[4.0]": [4.0], "(4+0j)": 4 + 0j}
LIMITS = {
    "duration": ("at least 0.001 and at most 1e+07 s", {"0 s": 0, "-1 s": -1.0, "nan s": np.nan, "1e+30 s": 1e30}),
    "sample_interval": ("at least 1e-06 s", {"0 s": 0.0, "-0.01 s": -0.01, "nan s": np.nan, "1e-09 s": 1e-9}),
    "tolerance": ("at least 1e-12 and at most 0.001", {"0": 0.0, "-1e-06": -1e-6, "1e-13": 1e-13, "0.1": 0.1}),
}


ARGUMENTS = [
    (run, name) for run in RUNS.values() for name in LIMITS if name != "duration" or run in TIMED.values()
]


@pytest.mark.parametrize(("run", "name"), ARGUMENTS)
def test_impossible_numbers(run, name):
    """The message has the function, the argument, the value with its unit, and what is allowed."""
    allowed, wrong = LIMITS[name]
    cases = {f"{found} is not allowed": value for found, value in wrong.items()}
    cases |= {f"{found} is not a number": value for found, value in NO_NUMBERS.items()}
    for found, value in cases.items():
        with pytest.raises(InputError) as caught:
            run(CIRCUIT, SETTINGS, **{name: value})
        assert str(caught.value) == f"{run.__name__}: {name} {found}.\n  Allowed: {allowed}."


def test_number_beyond_every_float():
    with pytest.raises(InputError, match=r"^simulate: duration"):
        vs.simulate(CIRCUIT, SETTINGS, duration=10**400)


def test_no_whole_breath_to_stream():
    """One breath of 15 a minute takes 4 s."""
    wanted = r"^simulate_long: duration 3.9 s is not allowed.\n  Allowed: at least 4"
    with pytest.raises(InputError, match=wanted):
        vs.simulate_long(CIRCUIT, SETTINGS, duration=3.9)


@each_run
def test_samples_further_apart_than_breaths(run):
    with pytest.raises(
        InputError, match=r"^sample_interval 4.04 s is longer than a breath.\n  Allowed: at most 4 s"
    ):
        run(CIRCUIT, SETTINGS, sample_interval=PERIOD * 1.01)


def test_more_samples_than_memory_holds():
    with pytest.raises(
        InputError, match=r"^simulate: duration 1e\+06 s makes 1e\+09 samples.\n  Allowed: at most 2e\+07"
    ):
        vs.simulate(CIRCUIT, SETTINGS, duration=1e6, sample_interval=1e-3)
    ten_days = vs.Scenario(circuit=CIRCUIT, settings=SETTINGS, duration=864e3)  # for a run that keeps no waveforms
    assert vs.Scenario.from_toml(ten_days.to_toml()) == ten_days


@each_run
def test_what_is_no_scenario_and_what_are_no_settings(run):
    """A text in the first place is for `simulate_long` the name of a file."""
    for value, found in (
        (None, "None"),
        (CIRCUIT.lungs, "{'lung': Lung(...)}"),
        (SETTINGS, "PressureControl(...)"),
    ):
        wanted = f"{run.__name__}: got {found}, but a scenario is needed, or a circuit and settings."
        with pytest.raises(InputError, match=f"^{re.escape(wanted)}\n  Give "):
            run(value, SETTINGS)
    for value, found in (("pressure", "'pressure'"), ({"peep": 5.0}, "{'peep': 5.0}"), (CIRCUIT, "Circuit(...)")):
        wanted = f"{run.__name__}: settings {found} are of the wrong type; a circuit needs breath settings."
        with pytest.raises(InputError, match=f"^{re.escape(wanted)}\n  Give "):
            run(CIRCUIT, value)


@each_run
def test_pressures_above_relief(run):
    """The relief valve opens at 12 cmH2O: below a PEEP of 13, and below 15 above a PEEP of 5."""
    circuit = CIRCUIT.changed({"ventilator": vs.Ventilator(relief_pressure=12.0)})
    wanted = r"^pressure control: peep 13 cmH2O is above the ventilator's relief_pressure of 12 cmH2O"
    with pytest.raises(SettingsError, match=wanted):
        run(circuit, SETTINGS.changed({"peep": 13.0}))
    with pytest.raises(SettingsError, match=r"the set pressure of 20 cmH2O, PEEP included, is above the ventil"):
        run(circuit, SETTINGS)


@each_run
def test_ideal_port_at_stored_gas(run):
    """A jump of the pressure would need an infinite flow."""
    circuit = CIRCUIT.changed({"ventilator": vs.Ventilator(source_resistance=0.0)})
    with pytest.raises(CircuitError, match=r"^ventilator: source_resistance 0 cmH2O·s/L meets stored gas"):
        run(circuit, SETTINGS)


# ---- where a run starts ---------------------------------------------------------------------------------------


@each_timed_run
@pytest.mark.parametrize("value", [5, "waveforms.nc", [1.0, 2.0], {}, xr.DataArray([1.0]), xr.Dataset()])
def test_start_that_is_no_run(run, value):
    with pytest.raises(SchemaError, match=r"^start: .*\n  .*simulate\(\)"):
        run(CIRCUIT, SETTINGS, start=value)


def test_start_from_measures(earlier):
    with pytest.raises(SchemaError, match=r"^start: the Dataset has no variable 'final_volume'"):
        vs.simulate(CIRCUIT, SETTINGS, start=vs.breath_measures(earlier))


@pytest.mark.parametrize("samples", [slice(0, 0), -1], ids=["no samples", "one sample without its dimension"])
def test_start_from_part_of_a_run(earlier, samples):
    with pytest.raises(SchemaError, match=r"^start: "):
        vs.simulate(CIRCUIT, SETTINGS, start=earlier.isel(time=samples))


def test_start_without_names_of_points(earlier):
    with pytest.raises(SchemaError, match=r"^start: the earlier run has no point"):
        vs.simulate(CIRCUIT, SETTINGS, start=earlier.drop_vars("node"))


@each_timed_run
def test_start_from_another_circuit(run, earlier):
    """The lung has another name there; the message has the nearest one."""
    other = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0), name="left lung")
    wanted = (
        r"^start: the earlier run has no point 'left lung\.\w+', which this circuit has.\n.*nearest: lung\.\w+"
    )
    with pytest.raises(SchemaError, match=wanted):
        run(other, SETTINGS, start=earlier)


@pytest.mark.parametrize("name", ["final_volume", "node_pressure"])
def test_start_with_a_gap(earlier, name):
    gap = earlier.assign({name: earlier[name].copy(data=np.full(earlier[name].shape, np.nan))})
    with pytest.raises(SchemaError, match=r"^start: the earlier run ended with values that are not finite"):
        vs.simulate(CIRCUIT, SETTINGS, start=gap)


@pytest.mark.parametrize("name", ["final_volume", "node_pressure"])
def test_start_in_other_units(earlier, name):
    other = earlier.assign({name: (earlier[name] * 1.0).assign_attrs(units="L")})
    with pytest.raises(
        SchemaError, match=rf"^start: '{name}' is not that of a run, in .*; it has L\.\n  Use the whole"
    ):
        vs.simulate(CIRCUIT, SETTINGS, start=other)


@each_timed_run
def test_start_from_a_selection_in_time(run, earlier):
    """What was selected would not be where the run starts; the last sample alone is the state."""
    with pytest.raises(
        SchemaError, match=r"^start: the last sample is not the state .* at [\d.]+ s\.\n  Use the whole"
    ):
        run(CIRCUIT, SETTINGS, start=earlier.isel(time=slice(0, 50)))
    whole = vs.simulate(CIRCUIT, SETTINGS, start=earlier, duration=4)
    of_state = vs.simulate(CIRCUIT, SETTINGS, start=earlier.isel(time=[-1]), duration=4)
    np.testing.assert_array_equal(whole.volume, of_state.volume)


def test_errors_are_also_the_usual_python_errors():
    assert issubclass(InputError, ValueError)
    assert issubclass(SolverError, RuntimeError)
