"""Long runs: what is kept, going on to the last bit, and runs that are stopped at any moment."""

import os
import random
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import ventsim as vs

PRESSURE = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=16, inspiratory_time=1.3)
LUNGS = {"a": vs.Lung(compliance=50, resistance=8), "b": vs.Lung(compliance=30, resistance=12)}
TWO = vs.layouts.shared(LUNGS, limbs=vs.PatientLimbs(tracheal_tube=vs.TrachealTube(inner_diameter=7.5)))
CHANGES = (
    vs.Change(path="lungs.b.compliance", to=15.0, at=100.0, until=200.0),
    vs.Disconnection(joint="a.airway", at=251.1, until=260.0),
    vs.Change(path="settings.rate", to=18.0, at=301.0),
)
# A run that takes some seconds, in a process of its own.
LONG = """
import sys, ventsim as vs
circuit = vs.layouts.shared({{n: vs.Lung(compliance=50, resistance=8) for n in "abcd"}})
settings = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=16, inspiratory_time=1.3)
import ventsim.simulation.saved_run as saved
saved._SECONDS_BETWEEN, saved._WORTH = 0.05, 1.0
print("begins", flush=True)
run = vs.simulate_long(circuit, settings, duration=1_000_000, save={path!r}, waveform_every=200)
print(run.measures.attrs["status"], run.measures.sizes["breath"], flush=True)
"""


def same(one: xr.Dataset, other: xr.Dataset) -> None:
    """Bit for bit the same numbers."""
    assert set(one.data_vars) == set(other.data_vars)
    for name in one.data_vars:
        np.testing.assert_array_equal(one[name].values, other[name].values, err_msg=str(name))


def test_measures_are_those_of_the_waveforms():
    waveforms = vs.simulate(TWO, PRESSURE, duration=330.0, changes=CHANGES)
    expected = vs.breath_measures(waveforms)
    measures = vs.simulate_long(TWO, PRESSURE, duration=330.0, changes=CHANGES).measures
    whole = expected.sel(breath=measures.breath)
    for name in measures.data_vars:
        np.testing.assert_allclose(measures[name], whole[name], rtol=1e-12, atol=1e-11, err_msg=str(name))


@pytest.mark.parametrize("until", [90.0, 150.0, 251.5, 320.0])
def test_going_on_gives_the_same_bits(until, tmp_path):
    windows = [(0, 8), (240, 248)]
    options = {"changes": CHANGES, "waveform_windows": windows, "waveform_every": 40}
    whole = vs.simulate_long(TWO, PRESSURE, duration=400.0, **options)
    known = {
        "changes": [change for change in CHANGES if change.at < until],
        "waveform_windows": [window for window in windows if window[1] < until],
    }
    part = vs.simulate_long(TWO, PRESSURE, duration=until, **{**options, **known})
    part.save(tmp_path / "part.nc")
    on = vs.simulate_long(TWO, PRESSURE, duration=400.0, resume=tmp_path / "part.nc", **options)
    same(on.measures, whole.measures)
    same(on.waveforms, whole.waveforms.reindex(node=on.waveforms.node, branch=on.waveforms.branch))
    np.testing.assert_array_equal(on.state.solver, whole.state.solver)
    assert on.measures.attrs["volume_balance_residual_mL"] == whole.measures.attrs["volume_balance_residual_mL"]


def test_going_on_from_what_the_run_itself_has_noted(tmp_path):
    changes = [vs.Change(path="lungs.a.compliance", factor=0.5, at=20.0, until=60.0)]
    whole = vs.simulate_long(TWO, PRESSURE, duration=200.0, changes=changes)
    part = vs.simulate_long(TWO, PRESSURE, duration=80.0, changes=changes, save=tmp_path / "part.nc")
    assert vs.LongRun.read(tmp_path / "part.nc").measures.attrs == part.measures.attrs
    on = vs.simulate_long(part, duration=200.0)
    same(on.measures, whole.measures)
    again = vs.simulate_long(tmp_path / "part.nc", duration=200.0)
    same(again.measures, whole.measures)


def test_waveforms_of_asked_windows_and_every_nth_breath():
    run = vs.simulate_long(TWO, PRESSURE, duration=375.0, waveform_windows=[(30.0, 31.0)], waveform_every=50)
    assert run.waveforms.breath.values.tolist() == [1, 9, 51]
    every = vs.simulate(TWO, PRESSURE, duration=375.0)
    vs.schema.check_dataset(run.waveforms, "waveforms")
    ninth = run.waveforms.sel(time=slice(30.0, 33.7))
    same(ninth.drop_dims(["breath", "lung"]).drop_vars("final_volume"),
         every.sel(time=slice(30.0, 33.7)).drop_dims(["breath", "lung"]).drop_vars("final_volume"))  # fmt: skip
    assert vs.simulate_long(TWO, PRESSURE, duration=40.0).waveforms is None


def test_waveforms_that_were_kept_can_start_a_run():
    run = vs.simulate_long(TWO, PRESSURE, duration=75.0, waveform_windows=[(71.3, 75.0)])
    again = vs.simulate_long(TWO, PRESSURE, duration=60.0, start=run.waveforms).measures
    on = vs.simulate_long(run, duration=135.0)
    np.testing.assert_allclose(again.inspired_tidal_volume[:16], on.measures.inspired_tidal_volume[20:], rtol=1e-6)


@pytest.mark.parametrize(
    "options, message",
    [
        (
            {"waveform_windows": [(5.0, 5.0)]},
            r"windows: number 1, 5 to 5 s, ends before it begins\.\n  Allowed: an",
        ),
        (
            {"waveform_windows": [(-5.0, 5.0)]},
            r"number 1, \(-5\.0, 5\.0\), is not an interval of time\.\n  Give",
        ),
        ({"waveform_windows": [7.0]}, r"waveform_windows: number 1, 7\.0, is not an interval of time"),
        ({"waveform_every": 0}, "waveform_every 0 is not allowed"),
        ({"duration": 1.0}, r"^simulate_long: duration 1 s is not allowed\.\n  Allowed: at least 3\.75 "),
        ({"ramp_updates": 0}, "ramp_updates 0 is not allowed"),
        ({"save": "/nowhere/at/all.nc"}, r"cannot write '/nowhere/at/all\.nc': there is no folder '/nowhere/at'"),
    ],
)
def test_bad_options(options, message):
    with pytest.raises(vs.errors.InputError, match=message):
        vs.simulate_long(TWO, PRESSURE, **{"duration": 40.0, **options})


def test_bad_files(tmp_path):
    (tmp_path / "no.nc").write_text("not a file of results")
    with pytest.raises(vs.errors.SchemaError, match="is not a NetCDF file of the kind that ventsim"):
        vs.simulate_long(tmp_path / "no.nc", duration=10.0)
    with pytest.raises(vs.errors.SchemaError, match=r"there is no file '.*none\.nc'\.\n  Did you mean '.*no\.nc'"):
        vs.LongRun.read(tmp_path / "none.nc")
    short = vs.simulate(TWO, PRESSURE, duration=8.0)
    short.to_netcdf(tmp_path / "short.nc", engine="h5netcdf")
    with pytest.raises(
        vs.errors.SchemaError, match=r"result of a short run, which keeps no state; only long runs can"
    ):
        vs.LongRun.read(tmp_path / "short.nc")
    with pytest.raises(vs.errors.SchemaError, match=r"got Dataset; a long run or the name of its file is needed"):
        vs.simulate_long(TWO, PRESSURE, duration=16.0, resume=short)
    with pytest.raises(vs.errors.InputError, match=r"(?s)got .* but a scenario is needed"):
        vs.simulate_long(short, duration=16.0)
    vs.breath_measures(short).to_netcdf(tmp_path / "measures.nc", engine="h5netcdf")
    with pytest.raises(
        vs.errors.SchemaError, match=r"holds no run that can go on\.\n  Give a file that a long run"
    ):
        vs.LongRun.read(tmp_path / "measures.nc")
    run = vs.simulate_long(TWO, PRESSURE, duration=20.0)
    with pytest.raises(vs.errors.InputError, match=r"before the end of the run so far, 18\.75 s \(0:00:18\.75\)"):
        vs.simulate_long(run, duration=10.0)
    with pytest.raises(vs.errors.InputError, match=r"duration nan s is not allowed\.\n  Allowed: at least 0"):
        vs.simulate_long(run, duration=float("nan"))
    with pytest.raises(vs.errors.InputError, match="duration '60' is not a number"):
        vs.simulate_long(run, duration="60")
    for other in (vs.layouts.single(LUNGS["a"], name="a"), vs.layouts.shared({"a": LUNGS["a"], "c": LUNGS["b"]})):
        with pytest.raises(vs.errors.SchemaError, match="does not fit its circuit"):
            vs.simulate_long(other, PRESSURE, duration=40.0, resume=run)
    with pytest.raises(vs.errors.InputError, match="settings are missing"):
        vs.simulate_long(TWO, duration=40.0, resume=run)


def test_equal_lungs_stay_equal_over_six_hours():
    """Limit: 1e-6 relative over all 5,760 breaths, at the default tolerance."""
    circuit = vs.layouts.shared({n: vs.Lung(compliance=50, resistance=7.5) for n in "abcd"}, arrangement="star")
    measures = vs.simulate_long(circuit, PRESSURE, duration=6 * 3600.0, sample_interval=0.05).measures
    assert measures.sizes["breath"] == 5760
    volume = measures.inspired_tidal_volume
    assert float((volume.max("lung") / volume.min("lung")).max()) < 1.0 + 1e-6
    # Rounding of totals, whose sums are compensated: 1e-14 of all the gas that was delivered.
    delivered = float(measures.port_delivered_volume.sum())
    assert abs(measures.attrs["volume_balance_residual_mL"]) < 1e-14 * delivered


# --- stopped at any moment ------------------------------------------------------------------------------------


def check_file(path: Path) -> int:
    """A file opens and holds whole breaths; returns how many."""
    run = vs.LongRun.read(path)
    n = run.measures.sizes["breath"]
    assert n > 0
    assert run.measures.breath.values.tolist() == list(range(1, n + 1))
    assert np.isfinite(run.measures.inspired_tidal_volume.values).all()
    assert int(run.state.attrs["breaths"]) == n
    xr.load_dataset(path, engine="h5netcdf")
    return n


@pytest.mark.parametrize("moment", [signal.SIGINT, signal.SIGINT, signal.SIGKILL, signal.SIGKILL])
def test_stopped_at_a_random_moment(moment, tmp_path, start_process):
    """Two of each here; ``validation/reliability.py`` does fifty."""
    path = tmp_path / "run.nc"
    process = start_process([sys.executable, "-c", LONG.format(path=str(path))])
    assert process.stdout.readline() == "begins\n"
    while not path.exists():
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.01)
    time.sleep(random.uniform(0.0, 0.6))
    os.kill(process.pid, moment)
    out, error = process.communicate(timeout=60)
    n = check_file(path)
    if moment == signal.SIGINT:
        status, _, kept = out.strip().rpartition(" ")
        assert status.startswith("stopped by Ctrl-C after"), (out, error)
        assert int(kept) == n
        assert "StoppedEarlyWarning" in error


def test_progress_bar_counts_seconds_of_breathing(monkeypatch, capsys):
    """Shown where it is asked for, without widgets as well; never where nobody watches."""
    monkeypatch.setattr("ventsim.simulation.progress._PATIENCE", 0.0)
    vs.simulate_long(TWO, PRESSURE, duration=300.0, progress=True)
    shown = capsys.readouterr().err
    assert "breathing: 100%" in shown and "300/300" in shown
    vs.simulate_long(TWO, PRESSURE, duration=60.0)
    assert capsys.readouterr().err == ""  # the error stream is no terminal here
