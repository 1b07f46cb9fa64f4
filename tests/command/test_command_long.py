"""Long runs, runs with changes and studies on the command line."""

import dataclasses
import os
import re
import signal
import sys
import time
import warnings

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.__main__ import main
from ventsim.command import CAUTION
from ventsim.command.scenarios import breaths_table
from ventsim.errors import SolverError, StoppedEarlyWarning
from ventsim.model.scenario import builtin, builtin_names, builtin_text

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
    lines = [
        "waveform_windows = [[0, 6]]" if line.startswith("waveform_windows") else line
        for line in text.splitlines()
    ]
    return "\n".join(lines)


def test_run_with_changes_prints_and_writes(here, capsys):
    (here / "quick.toml").write_text(sooner(STIFFENS))
    assert main(["run", "quick.toml"]) == 0
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert lines[0].startswith("Six hours with one stiffening lung, pressure control (from quick.toml")
    assert "lungs.b.compliance" in printed.out and "50 mL/cmH2O" in printed.out
    rows = [line.split() for line in lines if line.startswith(("before 0:01", "end, 0:03"))]
    assert [words[1] for words in rows] == 2 * ["0:01:12", "0:01:48", "0:03:33.75"]
    volumes, pressures = np.array([words[2:7] for words in rows], dtype=float).reshape(2, 3, 5)
    assert volumes[2, 1] < 0.55 * volumes[0, 1]  # lung b
    assert volumes[2, 0] > volumes[0, 0]
    assert "limits around what was displayed of breath 19" in printed.out
    assert lines[-1] == CAUTION
    assert printed.out.count("not for deciding about a patient") == 1
    assert printed.err == ""
    assert sorted(path.name for path in here.iterdir()) == ["quick.nc", "quick.png", "quick.toml"]
    run = vs.LongRun.read("quick.nc")
    assert run.waveforms.sizes["breath"] == 2
    last, shown = run.measures.isel(breath=-1), vs.monitor.displayed_values(run.measures).isel(breath=-1)
    # The table is rounded to its last digit.
    np.testing.assert_allclose(volumes[2, :4], last.inspired_tidal_volume, atol=0.051)
    np.testing.assert_allclose(volumes[2, 4], shown.displayed_expired_tidal_volume, atol=0.051)
    np.testing.assert_allclose(pressures[2, :4], last.end_inspiratory_alveolar_pressure, atol=0.0051)
    np.testing.assert_allclose(pressures[2, 4], shown.displayed_peak_pressure, atol=0.0051)
    assert "waveforms of 2, the last state to go on from" in printed.out


@pytest.mark.parametrize("name", ["disconnected-bed", "kinked-tube-volume-control"])
def test_short_run_with_changes_keeps_all_waveforms(here, capsys, name):
    assert main(["run", name]) == 0
    run = vs.LongRun.read(f"{name}.nc")
    assert run.waveforms.sizes["breath"] == run.measures.sizes["breath"]
    assert abs(run.measures.attrs["volume_balance_residual_mL"]) < 1e-6
    vs.schema.check_dataset(run.waveforms, "waveforms")


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
    title = builtin("six-hours-equal-lungs-volume-control").title
    assert vs.LongRun.read("quick.nc").measures.attrs["title"] == title
    with xr.open_dataset("quick.nc") as measures:
        assert measures.sizes["breath"] == 80
    whole = vs.Scenario.read("quick.toml")
    expected = vs.simulate_long(whole, duration=300.0).measures
    np.testing.assert_array_equal(
        vs.LongRun.read("quick.nc").measures.tidal_volume_fraction, expected.tidal_volume_fraction
    )


def test_the_file_knows_its_scenario(here, capsys):
    """Title, purpose and layout are kept in measures and waveforms, as in the file of a short run."""
    (here / "quick.toml").write_text(sooner(STIFFENS))
    assert main(["run", "quick.toml", "--out", "results"]) == 0
    run, scenario = vs.LongRun.read("results/quick.nc"), vs.Scenario.read("quick.toml")
    for dataset in (run.measures, run.waveforms):
        assert dataset.attrs["title"] == scenario.title
        assert vs.Scenario.from_dataset(dataset) == scenario
    assert main(["run", "results/quick.nc"]) == 0
    assert f"{scenario.title}, pressure control (from results/quick.nc)" in capsys.readouterr().out


PLAIN = """title = "one lung"
[run]
duration = 60
[settings]
kind = "pressure control"
inspiratory_pressure = 15
peep = 5
rate = 15
ie_ratio = 0.5
[layout]
ideal = true
[lungs.a]
compliance = 50
resistance = 10
"""


def test_alarm_limits_are_not_set_around_what_a_change_has_done(here, capsys):
    """A pressure that falls from the very start: it is the fall that is alarmed, not what was before."""
    ramp = '[[changes]]\npath = "settings.inspiratory_pressure"\nto = 2\nat = 0\nuntil = 30\n'
    (here / "falls.toml").write_text(PLAIN + ramp)
    assert main(["run", "falls.toml"]) == 0
    printed = capsys.readouterr().out
    assert "limits around what was displayed of breath 1)" in printed
    assert "low expired volume" in printed and "low pressure" in printed
    assert "high expired volume" not in printed and "high pressure" not in printed


def test_first_breath_without_a_volume_is_reported_all_the_same(here, capsys):
    """A lung that is off from the start on an ideal circuit, which takes no gas."""
    off = '[[changes]]\nkind = "lung removal"\nlung = "a"\nat = 0\nuntil = 30\n'
    (here / "off.toml").write_text(PLAIN + off)
    assert main(["run", "off.toml"]) == 0
    printed = capsys.readouterr()
    assert "default limits, none of volume: breath 1 does not show what is usual" in printed.out
    assert "end, 0:01:00" in printed.out and printed.err == ""


def test_lines_of_the_picture_are_changes(here, monkeypatch):
    """The ramp of lung b begins and ends; the start of the run is no change."""
    drawn, hours = [], vs.plot.hours

    def draw(measures, **options):
        drawn.append(options["instants"])
        return hours(measures, **options)

    monkeypatch.setattr(vs.plot, "hours", draw)
    (here / "quick.toml").write_text(sooner(STIFFENS))
    assert main(["run", "quick.toml"]) == 0
    assert drawn == [(72.0, 108.0)]


def test_rows_left_out_are_counted(here, capsys):
    """20 steps at 20 breaths make 20 rows and that of the end, of which 14 are shown."""
    steps = [f'[[changes]]\npath = "settings.peep"\nto = {6 + k % 2}\nat = {8 + 4 * k}\n' for k in range(20)]
    (here / "many.toml").write_text(PLAIN.replace("duration = 60", "duration = 100") + "".join(steps))
    assert main(["run", "many.toml"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if line.startswith("...")] == 2 * ["... 7 more"]
    assert sum(line.startswith(("before ", "end, ")) for line in lines if ":" in line) == 2 * 14


def test_stopped_blind_spots_say_so(here, capsys, monkeypatch):
    """A stop is reported on the error stream, with the exit code of Ctrl-C; what is finished is written."""

    module = sys.modules["ventsim.studies.blind_spots"]
    run = module.simulate_long

    def interrupt(*args, **options):
        if "resume" in options:  # a fault, not the breath before
            raise KeyboardInterrupt
        return run(*args, **options)

    monkeypatch.setattr(module, "simulate_long", interrupt)
    assert main(["blind-spots", "two-unequal-lungs", "--watch", "30"]) == 130
    printed = capsys.readouterr()
    assert printed.err == "ventsim: the study was stopped by Ctrl-C; the finished faults are kept.\n"
    assert printed.out.splitlines()[-1] == CAUTION
    assert (here / "two-unequal-lungs-blind-spots.nc").exists()
    assert re.search(r"^clamped tube .* not run: the study was stopped by Ctrl-C$", printed.out, flags=re.M)
    assert "failed" not in printed.out


def test_a_fault_that_fails_is_reported(here, capsys, monkeypatch):
    """One of 9 faults fails, in one mode; the others are there, and the code is that of an open question."""
    module, calls = sys.modules["ventsim.studies.blind_spots"], []
    run = module.simulate_long

    def fail_first(*args, **options):
        calls.append(options)
        if len(calls) == 2:  # the first one is the breath before
            raise SolverError("the step became too small.")
        return run(*args, **options)

    monkeypatch.setattr(module, "simulate_long", fail_first)
    assert main(["blind-spots", "two-unequal-lungs", "--watch", "10", "--mode", "as-is"]) == 3
    printed = capsys.readouterr()
    assert re.search(r"^stiff lung .* run failed: the step became too small\.$", printed.out, flags=re.M)
    assert printed.err == "ventsim: 1 of 9 faults could not be run; the table says why.\n"


def test_stopped_sweep_says_so(here, capsys, monkeypatch):
    """A sweep that warns as a stopped one does; its warnings of unlikely values are printed beside that."""
    whole = vs.studies.sweep

    def stopped(*args, **options):
        warnings.warn(StoppedEarlyWarning("the sweep was stopped by Ctrl-C."), stacklevel=2)
        return whole(*args, **options)

    monkeypatch.setattr("ventsim.studies.sweep", stopped)
    values = '[values]\n"lungs.b.compliance" = [20, 0.1]\n'
    (here / "sweep.toml").write_text(f'scenario = "two-unequal-lungs"\n{values}')
    assert main(["sweep", "sweep.toml"]) == 130
    printed = capsys.readouterr()
    assert "ventsim: please check: " in printed.err and "0.1 mL/cmH2O" in printed.err
    assert printed.err.endswith("ventsim: the sweep was stopped by Ctrl-C.\n")
    assert "was stopped" not in printed.out and printed.out.splitlines()[-1] == CAUTION
    assert (here / "sweep-sweep.nc").exists()


@pytest.mark.parametrize(
    "duration, message",
    [
        ("nan", "scenario: duration nan s is not allowed"),
        ("-3", "duration -3 s is not allowed"),
        ("1e30", "1e+30 s"),
    ],
)
def test_impossible_end_of_going_on(here, capsys, duration, message):
    """Nothing is printed or run, and the file is left alone."""
    (here / "plain.toml").write_text(PLAIN.replace("duration = 60", "duration = 8\nwaveform_every = 5"))
    assert main(["run", "plain.toml"]) == 0
    capsys.readouterr()
    before = (here / "plain.nc").read_bytes()
    assert main(["run", "plain.nc", "--continue", "--duration", duration]) == 2
    printed = capsys.readouterr()
    assert printed.out == "" and message in printed.err
    assert (here / "plain.nc").read_bytes() == before


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
    printed = capsys.readouterr().err
    assert message in printed and printed.startswith("ventsim: ")
    assert "Traceback" not in printed


def test_result_that_cannot_go_on(here, capsys):
    assert main(["run", "two-unequal-lungs", "--duration", "9"]) == 0
    for words in (["--duration", "60"], []):
        assert main(["run", "two-unequal-lungs.nc", "--continue", *words]) == 2
        printed = capsys.readouterr().err
        assert "'two-unequal-lungs.nc' is the result of a short run, which keeps no state; only long" in printed


def test_going_on_to_the_end_that_the_file_knows(here, capsys):
    """A run that is broken off in its second block goes on without being asked until when."""
    (here / "plain.toml").write_text(PLAIN.replace("duration = 60", "duration = 400\nwaveform_every = 100"))
    whole = vs.Scenario.read("plain.toml")
    part = vs.simulate_long(whole, duration=200.0)
    attrs = {"scenario": whole.to_toml(), "status": "stopped by Ctrl-C after 50 breaths"}
    dataclasses.replace(part, measures=part.measures.assign_attrs(attrs)).save("plain.nc")
    assert main(["run", "plain.nc", "--continue"]) == 0
    assert "one lung, pressure control (from plain.nc, 50 breaths so far)" in capsys.readouterr().out
    assert vs.LongRun.read("plain.nc").measures.sizes["breath"] == 100
    assert main(["run", "plain.nc", "--continue"]) == 2
    printed = capsys.readouterr()
    assert "the run in 'plain.nc' is finished, at 0:06:40 h:min:s.\n  Say until when to go on" in printed.err
    assert printed.out == ""
    assert main(["run", "plain.nc", "--continue", "--duration", "300"]) == 2
    printed = capsys.readouterr()
    assert (
        "duration 300 s lies before the end of the run so far, 400 s (0:06:40)" in printed.err
        and printed.out == ""
    )


def test_no_waveforms_are_reported_in_words(here, capsys):
    (here / "plain.toml").write_text(PLAIN.replace("duration = 60", "duration = 2000"))
    assert main(["run", "plain.toml"]) == 0
    assert (
        "Kept:       measures of all breaths, no waveforms, the last state to go on from."
        in capsys.readouterr().out
    )


def test_zero_has_no_minus_in_the_table_of_breaths():
    """Values just below zero, as a difference leaves them."""
    measures = xr.Dataset(
        {
            name: (("breath", "lung"), [[-1e-9]])
            for name in ("inspired_tidal_volume", "end_inspiratory_alveolar_pressure")
        },
        coords={"lung": ["a"]},
    )
    shown = xr.Dataset(
        {name: ("breath", [-1e-9]) for name in ("displayed_expired_tidal_volume", "displayed_peak_pressure")}
    )
    assert "-0" not in str(breaths_table(measures, shown, [("end", 0)]))


def test_vented_gas_is_counted_over_the_run(here, capsys):
    """Lungs become so stiff that volume control meets the relief pressure, from breath 6 on."""
    text = PLAIN.replace('"pressure control"\ninspiratory_pressure = 15', '"volume control"\ntidal_volume = 500')
    stiffer = '[[changes]]\npath = "lungs.a.compliance"\nto = 5\nat = 20\n'
    (here / "stiff.toml").write_text(text.replace("ideal = true", "ideal = false") + stiffer)
    assert main(["run", "stiff.toml"]) == 0
    measures = vs.LongRun.read("stiff.nc").measures
    vented = measures.port_relief_volume.values
    expected = (
        f"Pressure relief vented gas in {(vented > 0).sum()} of 15 breaths, at most {vented.max():.1f} mL in one."
    )
    assert 0 < (vented > 0).sum() <= 10  # the change comes with breath 6
    assert f"To check:   {expected}\nWritten:" in capsys.readouterr().out


def test_failure_keeps_the_finished_breaths(here, capsys):
    curved = """title = "a lung that shrinks too much"
[run]
duration = 60
waveform_every = 100
[settings]
kind = "pressure control"
inspiratory_pressure = 15
peep = 5
rate = 15
ie_ratio = 0.5
[lungs.a]
resistance = 10
compliance = { law = "exponential", largest_volume = 2000, pressure_rate = 0.03 }
[[changes]]
path = "lungs.a.compliance.largest_volume"
to = 150
at = 21
"""
    (here / "shrinks.toml").write_text(curved)
    code = main(["run", "shrinks.toml"])
    printed = capsys.readouterr().err
    assert code == 2, printed
    assert "more than its changed curve" in printed
    assert "the 5 breaths finished before are in shrinks.nc" in printed
    run = vs.LongRun.read("shrinks.nc")
    assert run.measures.sizes["breath"] == 5
    assert run.measures.attrs["title"] == "a lung that shrinks too much"
    before = (here / "shrinks.nc").read_bytes()
    assert main(["run", "shrinks.nc", "--continue", "--duration", "60"]) == 2  # fails in the very next breath
    printed = capsys.readouterr().err
    assert "the 5 breaths so far are kept in shrinks.nc" in printed and "more than its changed curve" in printed
    assert (here / "shrinks.nc").read_bytes() == before


def test_stop_by_the_user(here, start_process):
    (here / "days.toml").write_text(
        builtin_text("six-hours-equal-lungs").replace("duration = 21600 ", "duration = 2160000 ")
    )
    process = start_process([sys.executable, "-m", "ventsim", "run", "days.toml"])
    assert process.stdout.readline().startswith("Six hours of four equal lungs")
    time.sleep(4.0)
    os.kill(process.pid, signal.SIGINT)
    out, error = process.communicate(timeout=60)
    assert process.returncode == 130, error
    assert "stopped by Ctrl-C after" in error and "kept in days.nc" in error
    assert "before the end at 600:00:00 h:min:s" in error
    assert error.endswith("\n  Go on: ventsim run days.nc --continue\n")
    assert "Traceback" not in error
    assert "inspired tidal volume" in out
    assert vs.LongRun.read("days.nc").measures.sizes["breath"] > 0
