"""Long runs, runs with changes and studies on the command line."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.__main__ import CAUTION, main
from ventsim.scenario import builtin, builtin_names, builtin_text

WITH_CHANGES = [name for name in builtin_names() if builtin(name).changes]
STIFFENS = "six-hours-one-stiffening-lung"


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def sooner(name: str) -> str:
    """A scenario of hours in minutes: a hundredth of every time."""
    text = builtin_text(name).replace("duration = 21600 ", "duration = 216 ")
    text = text.replace("at = 7200 ", "at = 72 ").replace("until = 10800 ", "until = 108 ")
    lines = ["wave_windows = [[0, 6]]" if line.startswith("wave_windows") else line for line in text.splitlines()]
    return "\n".join(lines)


def test_run_with_changes_prints_and_writes(here, capsys):
    (here / "quick.toml").write_text(sooner(STIFFENS))
    assert main(["run", "quick.toml"]) == 0
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert lines[0].startswith("Six hours with one stiffening lung, pressure control (from quick.toml")
    assert "lungs.b.compliance" in printed.out and "50 mL/cmH2O" in printed.out
    stages = [line for line in lines if line.startswith(("before 0:01", "end, 0:03"))]
    assert [line.split()[1] for line in stages] == ["0:01:12", "0:01:48", "0:03:33.75"]
    volumes = np.array([[float(word) for word in line.split()[2:6]] for line in stages])
    assert volumes[2, 1] < 0.55 * volumes[0, 1]  # lung b
    assert volumes[2, 0] > volumes[0, 0]
    assert "limits around what was displayed of breath 19" in printed.out
    assert lines[-1] == CAUTION
    assert printed.out.count("not for deciding about a patient") == 1
    assert printed.err == ""
    assert sorted(path.name for path in here.iterdir()) == ["quick.nc", "quick.png", "quick.toml"]
    run = vs.LongRun.read("quick.nc")
    assert run.waves.sizes["breath"] == 2
    last = run.measures.inspired_tidal_volume[-1].values
    np.testing.assert_allclose(volumes[2], last, atol=0.051)


@pytest.mark.parametrize("name", ["disconnected-bed", "kinked-tube-volume-control"])
def test_short_run_with_changes_keeps_all_waveforms(here, capsys, name):
    assert main(["run", name]) == 0
    run = vs.LongRun.read(f"{name}.nc")
    assert run.waves.sizes["breath"] == run.measures.sizes["breath"]
    assert abs(run.measures.attrs["volume_balance_residual_mL"]) < 1e-6
    vs.schema.check_dataset(run.waves, "waves")


def test_disconnection_is_alarmed_and_a_kink_is_not(here, capsys):
    assert main(["run", "disconnected-bed"]) == 0
    assert "low expired volume" in capsys.readouterr().out
    assert main(["run", "kinked-tube"]) == 0
    assert "Alarms of the ventilator in 140 breaths: none" in capsys.readouterr().out


def test_going_on(here, capsys):
    (here / "quick.toml").write_text(sooner("six-hours-equal-lungs-volume-control"))
    assert main(["run", "quick.toml"]) == 0
    assert main(["run", "quick.nc", "--continue", "--duration", "300"]) == 0
    assert "57 breaths so far" in capsys.readouterr().out
    with xr.open_dataset("quick.nc") as measures:
        assert measures.sizes["breath"] == 80
    whole = vs.Scenario.read("quick.toml")
    expected = vs.simulate_breaths(whole.circuit, whole.settings, duration=300.0)
    np.testing.assert_array_equal(vs.LongRun.read("quick.nc").measures.share, expected.share)


def test_blind_spots(here, capsys):
    assert main(["blind-spots", "two-unequal-lungs", "--lung", "b", "--watch", "30"]) == 0
    printed = capsys.readouterr()
    assert "Faults at lung 'b', each by itself, watched for 30 s" in printed.out
    assert "pressure control\n" in printed.out and "volume control\n" in printed.out
    assert printed.out.count("not for deciding about a patient") == 1
    with xr.open_dataset("two-unequal-lungs-blind-spots.nc") as found:
        assert found.sizes == {"mode": 2, "fault": 9, "lung": 2, "alarm": len(vs.monitor.ALARMS)}
    assert (here / "two-unequal-lungs-blind-spots.png").stat().st_size > 10_000
    assert main(["blind-spots", "two-unequal-lungs", "--mode", "as-is", "--watch", "30"]) == 0
    assert "volume control\n" not in capsys.readouterr().out


@pytest.mark.parametrize(
    "words, message",
    [
        (["run", STIFFENS, "--duration", "3600"], "changes.1.at 7200 s lies beyond the duration of 3600 s"),
        (["run", "two-unequal-lungs", "--continue", "--duration", "60"], "is no result of a long run"),
        (["blind-spots", "two-unequal-lungs", "--lung", "c"], "there is no lung 'c'"),
        (["blind-spots", "two-unequal-lungs", "--mode", "all"], "invalid choice: 'all'"),
        (["blind-spots", "two-unequal-lungs", "--watch", "long"], "'long' is not a number of seconds"),
        (["blind-spots", "two-unequal-lungs", "--watch", "-5"], "duration"),
        (["blind-spots"], "the following arguments are required: NAME_OR_FILE"),
        (["blind-spot", "two-unequal-lungs"], "there is no command 'blind-spot'"),
    ],
)  # fmt: skip
def test_wrong_input(here, capsys, words, message):
    assert main(words) == 2
    told = capsys.readouterr().err
    assert message in told and told.startswith("ventsim: ")
    assert "Traceback" not in told


def test_result_that_cannot_go_on(here, capsys):
    assert main(["run", "two-unequal-lungs", "--duration", "9"]) == 0
    assert main(["run", "two-unequal-lungs.nc", "--continue", "--duration", "60"]) == 2
    assert "cannot read a long run" in capsys.readouterr().err
    assert main(["run", "two-unequal-lungs.nc", "--continue"]) == 2
    assert "--continue needs --duration S" in capsys.readouterr().err


def test_failure_keeps_the_finished_breaths(here, capsys):
    curved = """title = "a lung that shrinks too much"
[run]
duration = 60
wave_every = 100
[settings]
kind = "pressure control"
inspiratory_pressure = 15
peep = 5
rate = 15
ie_ratio = 0.5
[lungs.a]
kind = "elastic lung"
resistance = 10
curve = { kind = "exponential curve", largest_volume = 2000, rate = 0.03 }
[[changes]]
path = "lungs.a.curve.largest_volume"
to = 150
at = 21
"""
    (here / "shrinks.toml").write_text(curved)
    code = main(["run", "shrinks.toml"])
    told = capsys.readouterr().err
    assert code == 2, told
    assert "more than its changed curve" in told
    assert "the 5 breaths finished before are in shrinks.nc" in told
    assert vs.LongRun.read("shrinks.nc").measures.sizes["breath"] == 5


def test_stop_by_the_user(here):
    (here / "days.toml").write_text(
        builtin_text("six-hours-equal-lungs").replace("duration = 21600 ", "duration = 2160000 ")
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "ventsim", "run", "days.toml"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout.readline().startswith("Six hours of four equal lungs")
    time.sleep(4.0)
    os.kill(process.pid, signal.SIGINT)
    out, error = process.communicate(timeout=60)
    assert process.returncode == 130, error
    assert "stopped by Ctrl-C after" in error and "kept in days.nc" in error
    assert "Traceback" not in error
    assert "inspired tidal volume" in out
    assert vs.LongRun.read("days.nc").measures.sizes["breath"] > 0
