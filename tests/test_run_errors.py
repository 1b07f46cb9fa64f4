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


# Text that the message begins with, as a pattern; none of them fits a number in the allowed range.
NO_NUMBERS = [("4", "'4'"), (None, "None"), (True, "True"), ([4.0], r"\[4.0\]"), (4 + 0j, r"\(4\+0j\)")]


@pytest.mark.parametrize("run", [vs.simulate, vs.simulate_breaths], ids=lambda run: run.__name__)
@pytest.mark.parametrize(
    ("value", "found"), [(0, "0 s"), (-1.0, "-1 s"), (np.nan, "nan s"), (np.inf, "inf s"), (1e9, r"1e\+09 s")]
)
def test_impossible_duration(run, value, found):
    with pytest.raises(
        InputError, match=rf"^duration {found} is not allowed.\n  (Allowed: at least|Did you mean)"
    ):
        run(CIRCUIT, SETTINGS, duration=value)


@pytest.mark.parametrize("run", [vs.simulate, vs.simulate_breaths], ids=lambda run: run.__name__)
@pytest.mark.parametrize(("value", "found"), NO_NUMBERS)
def test_duration_that_is_no_number(run, value, found):
    with pytest.raises(
        InputError, match=rf"^duration {found} is not a number\.\n  Allowed: at least .* and at most 1e\+07 s"
    ):
        run(CIRCUIT, SETTINGS, duration=value)


def test_number_beyond_every_float():
    with pytest.raises(InputError, match=r"^duration"):
        vs.simulate(CIRCUIT, SETTINGS, duration=10**400)


def test_no_whole_breath_to_stream():
    """One breath of 15 a minute takes 4 s."""
    with pytest.raises(InputError, match=r"^duration 3.9 s is not allowed.\n  Allowed: at least 4"):
        vs.simulate_breaths(CIRCUIT, SETTINGS, duration=3.9)


RUNS = {
    "simulate": vs.simulate,
    "simulate_breaths": vs.simulate_breaths,
    "steady_breath": vs.steady_breath,
    "numerical_error": vs.numerical_error,
}


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize("value", [0.0, -0.01, np.nan, 1e-9, PERIOD * 1.01])
def test_impossible_sample_interval(run, value):
    """From 1 µs to one period."""
    limits = r"\n  Allowed: at least 1e-06 and at most 4 s\."
    wanted = rf"^sample_interval {re.escape(f'{value:g}')} s is not allowed.({limits}|\n  Did you mean)"
    with pytest.raises(InputError, match=wanted):
        run(CIRCUIT, SETTINGS, sample_interval=value)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize(("value", "found"), NO_NUMBERS)
def test_sample_interval_that_is_no_number(run, value, found):
    with pytest.raises(InputError, match=rf"^sample_interval {found} is not a number\."):
        run(CIRCUIT, SETTINGS, sample_interval=value)


def test_more_samples_than_memory_holds():
    with pytest.raises(
        InputError, match=r"^duration / sample_interval 1e\+09 samples is not allowed.\n  Allowed: at most 2e\+07"
    ):
        vs.simulate(CIRCUIT, SETTINGS, duration=1e6, sample_interval=1e-3)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize("value", [0.0, -1e-6, np.nan, 1e-13, 0.1])
def test_impossible_tolerance(run, value):
    wanted = rf"^tolerance {re.escape(f'{value:g}')} is not allowed.\n  Allowed: at least 1e-12 and at most 0.001"
    with pytest.raises(InputError, match=wanted):
        run(CIRCUIT, SETTINGS, tolerance=value)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize(("value", "found"), NO_NUMBERS)
def test_tolerance_that_is_no_number(run, value, found):
    with pytest.raises(InputError, match=rf"^tolerance {found} is not a number\."):
        run(CIRCUIT, SETTINGS, tolerance=value)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize("value", [None, "circuit.toml", CIRCUIT.lungs, SETTINGS])
def test_what_is_no_circuit(run, value):
    with pytest.raises(InputError, match=f"^circuit: got {type(value).__name__}, but a Circuit is needed"):
        run(value, SETTINGS)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize("value", [None, "pressure control", {"peep": 5.0}, CIRCUIT])
def test_what_are_no_settings(run, value):
    wanted = f"^settings: got {type(value).__name__}, but PressureControl or VolumeControl is needed"
    with pytest.raises(InputError, match=wanted):
        run(CIRCUIT, value)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
def test_pressures_above_relief(run):
    """The relief valve opens at 12 cmH2O: below a PEEP of 13, and below 15 above a PEEP of 5."""
    circuit = CIRCUIT.changed({"ventilator": vs.Ventilator(relief_pressure=12.0)})
    wanted = r"^pressure control: peep 13 cmH2O is above the ventilator's relief_pressure of 12 cmH2O"
    with pytest.raises(SettingsError, match=wanted):
        run(circuit, SETTINGS.changed({"peep": 13.0}))
    with pytest.raises(SettingsError, match=r"the set pressure of 20 cmH2O, PEEP included, is above the ventil"):
        run(circuit, SETTINGS)


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
def test_ideal_port_at_stored_gas(run):
    """A jump of the pressure would need an infinite flow."""
    circuit = CIRCUIT.changed({"ventilator": vs.Ventilator(source_resistance=0.0)})
    with pytest.raises(CircuitError, match=r"^ventilator: source_resistance 0 cmH2O·s/L meets stored gas"):
        run(circuit, SETTINGS)


# ---- where a run starts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("run", [vs.simulate, vs.simulate_breaths], ids=lambda run: run.__name__)
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


@pytest.mark.parametrize("run", [vs.simulate, vs.simulate_breaths], ids=lambda run: run.__name__)
def test_start_from_another_circuit(run, earlier):
    """The lung has another name there; the nearest one is told."""
    other = vs.layouts.single(vs.Lung(compliance=50.0, resistance=10.0), name="left lung")
    wanted = r"^start: the earlier run has no point 'left lung \w+', which this circuit has.\n.*nearest: lung \w+"
    with pytest.raises(SchemaError, match=wanted):
        run(other, SETTINGS, start=earlier)


@pytest.mark.parametrize("name", ["final_volume", "node_pressure"])
def test_start_with_a_gap(earlier, name):
    with pytest.raises(SchemaError, match=r"^start: the earlier run ended with values that are not finite"):
        vs.simulate(CIRCUIT, SETTINGS, start=earlier.assign({name: earlier[name] * np.nan}))


def test_errors_are_also_the_usual_python_errors():
    assert issubclass(InputError, ValueError)
    assert issubclass(SolverError, RuntimeError)
