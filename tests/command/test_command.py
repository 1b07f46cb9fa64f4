"""The command line, as its user meets it: what it prints, writes and refuses.

Runs last a few breaths only; what the numbers are is tested where they are made.
"""

import io
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import matplotlib.image
import numpy as np
import pytest
import xarray as xr

import ventsim
from ventsim.__main__ import main
from ventsim.command import CAUTION
from ventsim.model.circuit import parts_list
from ventsim.model.scenario import Scenario, builtin, builtin_names, builtin_text
from ventsim.results.schema import check_dataset

NAME = "two-unequal-lungs"
SHORT = ("--duration", "12.9")  # three breaths of 60 / 14 s are 12.857 s


@pytest.fixture(scope="module", autouse=True)
def compiled():
    """The engine, compiled before the first test, so that the message on compiling is in none of them."""
    ventsim.breath_measures(ventsim.simulate(builtin(NAME), duration=5.0))


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def no_run(monkeypatch):
    """A run that must not begin."""

    def simulate(*args, **kwargs):
        raise AssertionError("the run has begun")

    monkeypatch.setattr(ventsim, "simulate", simulate)


def names(folder):
    return sorted(path.name for path in Path(folder).iterdir())


# --- a run --------------------------------------------------------------------------------------------------


def test_run_prints_and_writes(here, capsys):
    assert main(["run", NAME, *SHORT]) == 0
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert lines[0] == "Two unequal lungs, pressure control (built-in, invented for demonstration)"
    assert lines[2].startswith("Breath 3: 8.571 to 12.857 s")
    assert [line.split()[0] for line in lines[7:10]] == ["a", "b", "total"]
    assert any(line.startswith("volume held by the circuit at end of inspiration") for line in lines)
    assert [line.split(":")[0] for line in lines[-6:-2]] == ["Gas", "Steadiness", "Numerics", "Written"]
    assert lines[-3] == f"Written:    {NAME}.nc, {NAME}.png"
    assert lines[-1] == CAUTION
    assert printed.out.count("not for deciding about a patient") == 1
    assert printed.err == ""
    assert names(here) == [f"{NAME}.nc", f"{NAME}.png"]


def test_result_holds_waves_and_scenario(here, capsys):
    assert main(["run", NAME, *SHORT, "--out", "results/today"]) == 0
    scenario = builtin(NAME).changed({"duration": 12.9})
    expected = ventsim.simulate(scenario)
    with xr.open_dataset(here / "results" / "today" / f"{NAME}.nc") as result:
        check_dataset(result, "waveforms")
        xr.testing.assert_equal(result.load(), expected)
        assert result.attrs["title"] == scenario.title
        assert Scenario.from_dataset(result) == scenario
    assert f"Written:    results/today/{NAME}.nc" in capsys.readouterr().out


def test_picture_is_drawn(here):
    assert main(["run", NAME, *SHORT]) == 0
    picture = matplotlib.image.imread(here / f"{NAME}.png")
    assert picture.shape[1] == 1200  # 8 inches at 150 dots per inch, as the command asks for
    assert 0.01 < np.mean(picture[:, :, :3].min(axis=2) < 0.9) < 0.5


def test_a_result_can_be_run_again(here, capsys):
    """The same numbers, and the file that was read is left alone."""
    main(["run", NAME, *SHORT])
    first = capsys.readouterr().out.splitlines()
    before = Path(f"{NAME}.nc").read_bytes()
    assert main(["run", f"{NAME}.nc"]) == 0
    again = capsys.readouterr().out.splitlines()
    assert again[0] == f"Two unequal lungs, pressure control (from {NAME}.nc)"
    assert again[1:-3] == first[1:-3]
    assert Path(f"{NAME}.nc").read_bytes() == before
    assert names(here) == [f"{NAME}-again.nc", f"{NAME}-again.png", f"{NAME}.nc", f"{NAME}.png"]
    with xr.open_dataset(f"{NAME}.nc") as one, xr.open_dataset(f"{NAME}-again.nc") as other:
        xr.testing.assert_identical(one, other)


def test_a_file_can_be_shown_changed_and_run(here, capsys):
    assert main(["scenario", NAME]) == 0
    text = capsys.readouterr().out
    assert text == builtin_text(NAME)
    Path("mine.toml").write_text(text.replace("rate = 14 ", "rate = 20 ").replace("duration = 60", "duration = 3"))
    assert main(["run", "mine.toml"]) == 0
    assert "Breath 1: 0.000 to 3.000 s" in capsys.readouterr().out
    assert names(here) == ["mine.nc", "mine.png", "mine.toml"]
    assert main(["scenario", "mine.nc"]) == 0
    assert Scenario.from_toml(capsys.readouterr().out) == Scenario.read("mine.toml")


def test_one_breath_has_none_to_compare_with(here, capsys):
    assert main(["run", NAME, "--duration", "5"]) == 0
    assert "Steadiness: one breath only." in capsys.readouterr().out


WITHOUT_CHANGES = [
    name for name in builtin_names() if not builtin(name).changes and builtin(name).keeps_all_waveforms
]


@pytest.mark.parametrize("name", WITHOUT_CHANGES)
def test_every_builtin_runs(here, capsys, name):
    """All gas is found again, and the shares of equal lungs are equal."""
    assert main(["run", name]) == 0
    assert "0.0 mL more held by lungs and circuit" in capsys.readouterr().out
    with xr.open_dataset(f"{name}.nc") as waveforms:
        last = ventsim.breath_measures(waveforms.load()).isel(breath=-1)
    np.testing.assert_allclose(last.volume_balance_error, 0.0, atol=1e-6)
    if name.startswith("four-equal"):
        np.testing.assert_allclose(last.tidal_volume_fraction, 0.25, rtol=1e-9)
    if "volume-control" in name:
        set_volume = builtin(name).settings.tidal_volume
        np.testing.assert_allclose(last.port_delivered_volume, set_volume, rtol=1e-9)


def test_warnings_are_plain_lines_printed_once(here, capsys):
    text = builtin_text(NAME).replace("compliance = 25 ", "compliance = 0.25 # ").replace("gth = 1.5", "gth = 15")
    Path("mine.toml").write_text(text.replace("compliance = 0.25", "compliance = 0.025"))
    assert main(["run", "mine.toml", *SHORT]) == 0
    printed = capsys.readouterr()
    assert printed.err.splitlines() == [
        "ventsim: please check: lung 'lungs.b': compliance 0.025 mL/cmH2O is outside 0.2 to 300.",
        "  Did you mean 25 (0.025 L/cmH2O)?",
        "ventsim: please check: tube 'limbs.inspiratory_tube': length 15 m is outside 0 to 10.",
        "  Did you mean 0.15 (15 cm)?",
        "ventsim: please check: tube 'limbs.expiratory_tube': length 15 m is outside 0 to 10.",
        "  Did you mean 0.15 (15 cm)?",
    ]
    # Once more below the tables, each in one line.
    lines = printed.out.splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("To check:"))
    assert lines[first : first + 3] == [
        "To check:   lungs.b.compliance 0.025 mL/cmH2O is outside 0.2 to 300.",
        "            limbs.inspiratory_tube.length 15 m is outside 0 to 10.",
        "            limbs.expiratory_tube.length 15 m is outside 0 to 10.",
    ]


def test_title_and_mode_cannot_contradict_each_other(here, capsys):
    """The mode is taken from the settings, whatever the title says."""
    volume = builtin_text(NAME).replace('"pressure control"', '"volume control"')
    volume = volume.replace("inspiratory_pressure = 12", "tidal_volume = 800")
    titles = {
        "Two unequal lungs": "Two unequal lungs, volume control",
        "Volume control at night": "Volume control at night",
        "Pressure control at night": "Pressure control at night (run in volume control)",
    }
    for title, shown in titles.items():
        Path("mine.toml").write_text(volume.replace('title = "Two unequal lungs"', f'title = "{title}"'))
        assert main(["run", "mine.toml", "--duration", "5"]) == 0
        assert capsys.readouterr().out.splitlines()[0] == f"{shown} (from mine.toml)"
    Path("mine.toml").write_text(volume.partition("\n")[2])
    assert main(["parts", "mine.toml"]) == 0
    assert capsys.readouterr().out.startswith("mine, volume control (from mine.toml)\n")


def test_title_of_the_picture_has_the_mode(here, monkeypatch):
    printed = []
    monkeypatch.setattr("matplotlib.figure.Figure.suptitle", lambda self, text, **options: printed.append(text))
    assert main(["run", NAME, "--duration", "5"]) == 0
    assert printed == ["Two unequal lungs, pressure control"]


def test_vented_gas_is_reported(here, capsys):
    """900 mL of a lung of 5 mL/cmH2O: at most 55 cmH2O above PEEP, so 275 mL and what the circuit holds."""
    text = builtin_text(f"{NAME}-volume-control").replace("compliance = 25 ", "compliance = 2.5 ")
    Path("mine.toml").write_text(text.replace("compliance = 50 ", "compliance = 2.5 "))
    assert main(["run", "mine.toml", *SHORT]) == 0
    (line,) = (line for line in capsys.readouterr().out.splitlines() if "vented" in line and "Pressure" in line)
    assert line.startswith("To check:   Pressure relief vented ")
    with xr.open_dataset("mine.nc") as waveforms:
        last = ventsim.breath_measures(waveforms.load()).isel(breath=-1)
    vented, delivered = float(last.port_relief_volume), float(last.port_delivered_volume)
    assert f"vented {vented:.1f} mL of the breath; {delivered:.1f} mL went into the circuit." in line
    assert vented + delivered == pytest.approx(builtin(f"{NAME}-volume-control").settings.tidal_volume, rel=1e-6)


def test_nothing_inspired_is_reported(here, capsys):
    text = builtin_text(NAME).replace("bore = 22 ", "bore = 0.022 ")
    Path("mine.toml").write_text(text)
    assert main(["run", "mine.toml", *SHORT]) == 0
    printed = capsys.readouterr().out
    assert "Nothing is inspired: every lung gets less than 0.05 mL in the breath.\nWritten:" in printed
    text = builtin_text(NAME) + "[limbs.b.inspiratory_restrictor]\nresistance = 1e7\n"
    Path("mine.toml").write_text(text)
    assert main(["run", "mine.toml", *SHORT]) == 0
    assert "lung b: nothing is inspired in the breath" in capsys.readouterr().out


def test_a_warning_about_many_fittings_is_printed_once(here, capsys):
    """The adapter of the file is the pattern of six adapters in the circuit, which is made more than once."""
    Path("mine.toml").write_text(builtin_text("four-equal-lungs") + "[adapter]\ngas_volume = 1500\n")
    assert main(["run", "mine.toml", *SHORT]) == 0
    printed = capsys.readouterr().err.splitlines()[::2]
    assert printed[0] == "ventsim: please check: adapter 'adapter': gas_volume 1500 mL is outside 0 to 1000."
    assert len(printed) == 1


# --- lists --------------------------------------------------------------------------------------------------


def test_scenarios_are_listed(capsys):
    assert main(["scenarios"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[:-2]] == list(builtin_names())
    for line in lines[:-2]:
        scenario = builtin(line.split()[0])
        assert line.endswith(f"  {scenario.title}, {scenario.settings.kind}")
    assert lines[-1].startswith("All invented for demonstration.")


def test_parts_are_listed(capsys, no_run):
    """As the function tells them, below the title; 10 tubes: three limbs and two extensions on each side."""
    assert main(["parts", "beds-in-a-row"]) == 0
    first, _, *rest = capsys.readouterr().out.splitlines()
    assert first == "Three beds in a row, volume control (built-in, invented for demonstration)"
    assert "\n".join(rest) == str(parts_list(builtin("beds-in-a-row").circuit))
    assert rest[-2:] == ["10 tubes, 18.6 m in all; 29 parts.", "All joints fit."]


def test_parts_that_do_not_fit_are_listed(here, capsys):
    """Narrow limbs, four of them; each has two ends."""
    Path("mine.toml").write_text(builtin_text(NAME).replace("bore = 22 ", "bore = 15 "))
    assert main(["parts", "mine.toml"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Two unequal lungs, pressure control (from mine.toml)"
    assert sum(line.startswith("joint of ") for line in lines) == 8
    assert lines[-1] == "  Put an Adapter between them, or take parts of one size."


def test_version_and_help(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"ventsim {ventsim.__version__}\n"
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert all(command in text for command in ("run", "scenarios", "scenario", "parts"))
    assert "not for deciding about a patient" in text
    assert all(f"\n  {code} " in text for code in (0, 2, 3, 130, 141))


@pytest.mark.parametrize("command", ["sweep", "size"])
def test_help_holds_a_file_that_runs(here, capsys, command):
    assert main([command, "--help"]) == 0
    text = capsys.readouterr().out
    example = [line.strip() for line in text.split("is enough:\n\n")[1].split("\n\n")[0].splitlines()]
    Path("study.toml").write_text("\n".join(example))
    assert main([command, "study.toml"]) == 0
    assert "docs/howto_hours_and_studies.md" in text
    assert (Path(__file__).parents[2] / "docs" / "howto_hours_and_studies.md").exists()


# --- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            [],
            "there is no command.\n"
            "  Write one of: run, scenarios, scenario, parts, draw, sweep, size, blind-spots; or ventsim --help.",
        ),
        (["rnu", NAME], "there is no command 'rnu'.\n  Did you mean 'run'?"),
        ([NAME], f"there is no command '{NAME}'.\n  Did you mean: ventsim run {NAME}"),
        (["--verson"], "there is no command '--verson'.\n  Did you mean '--version'?"),
        (["run"], "the following arguments are required: NAME_OR_FILE.\n  Write: ventsim run [-h]"),
        (["run", NAME, "other"], "run: 'other' is not expected.\n  Put a name with spaces in quotes."),
        (["run", NAME, "--durtion", "5"], "run: '--durtion' is not expected.\n  Did you mean '--duration'?"),
        (["run", NAME, "--duration"], "argument --duration: expected one argument.\n  Write: ventsim run"),
        (
            ["run", NAME, "--duration", "abc"],
            "argument --duration: 'abc' is not a number of seconds.\n  Write",
        ),
        (["run", NAME, "--duration", "-5"], "scenario: duration -5 s is not allowed.\n  Allowed: at least"),
        (["run", NAME, "--duration", "nan"], "scenario: duration nan s is not allowed.\n  Allowed: at least"),
        (
            ["run", NAME, "--duration", "3"],
            "duration 3 s holds no whole breath, so there is nothing to measure.\n",
        ),
        (
            ["run", "two-unequal"],
            f"there is no built-in scenario and no file 'two-unequal'.\n  Did you mean '{NAME}'",
        ),
        (
            ["run", "zzz"],
            "there is no built-in scenario and no file 'zzz'.\n  Give a file, or one of these:\n    "
            + "\n    ".join(builtin_names())
            + "\n",
        ),
        (["run", "x" * 400], "there is no built-in scenario and no file 'xxx"),
        (["run", "zzz.toml"], "there is no file 'zzz.toml'.\n  There are 'bits.toml', 'broken.nc', "),
        (["run", "wrad.toml"], "there is no file 'wrad.toml'.\n  Did you mean 'ward.toml'?"),
        (
            ["run", "none/ward.toml"],
            "there is no file 'none/ward.toml'.\n  Neither scenario nor result is in 'none'.",
        ),
        (["run", "ward.toml"], "ward.toml: there is no lung.\n  Write [lungs.NAME]"),
        (
            ["run", "which.toml"],
            "'which.toml' describes a sweep, not a scenario.\n  Write: ventsim sweep which.toml",
        ),
        (["run", "."], "'.' is a folder, not a file.\n"),
        (["run", "bits.toml"], "'bits.toml' is not a text file in UTF-8.\n"),
        (["run", "broken.nc"], "cannot read 'broken.nc': "),
        (["run", "foreign.nc"], "foreign.nc: the Dataset has no attribute 'scenario'"),
        (
            ["scenario", "two-unequal-lung"],
            "there is no built-in scenario and no file 'two-unequal-lung'.\n  Did",
        ),
        (["parts"], "the following arguments are required: NAME_OR_FILE.\n  Write: ventsim parts [-h]"),
        (["parts", "zzz"], "there is no built-in scenario and no file 'zzz'.\n  Give a file, or"),
        (["parts", NAME, "--out", "x"], "parts: '--out' is not expected.\n"),
        (["scenarios", "extra"], "scenarios: 'extra' is not expected.\n"),
        (
            ["run", NAME, "--out", "ward.toml"],
            "cannot write results into 'ward.toml': File exists.\n",
        ),
        (["run", NAME, "--out", "ward.toml/x"], "cannot write results into 'ward.toml/x': Not a directory.\n"),
        (["run", NAME, "--out", "taken"], "cannot write 'taken/two-unequal-lungs.nc': it is a folder.\n"),
        (["run", "empty.nc"], "'empty.nc' is empty.\n  Give a file that ventsim has written."),
        (["run", "text.nc"], "'text.nc' is not a NetCDF file of the kind that ventsim writes.\n  Give"),
        (["run", "empty.nc", "--continue"], "'empty.nc' is empty.\n"),
        (["run", "ward.toml", "--continue"], "'ward.toml' is no result of a long run.\n"),
        (["scenario", NAME, "--out", "taken"], "cannot write 'taken': it is a folder.\n"),
        (["scenario", NAME, "--out", "none/x.toml"], "cannot write 'none/x.toml': there is no folder 'none'.\n"),
    ],
)
def test_wrong_input(here, capsys, no_run, words, message):
    """Exit code 2, one message on the error stream, and nothing is run or written."""
    Path("ward.toml").write_text("about = 'no title'\n")
    Path("which.toml").write_text('scenario = "x"\n[values]\n')
    Path("bits.toml").write_bytes(b"\xff\xfe\x00")
    Path("empty.nc").write_bytes(b"")
    Path("text.nc").write_text("a text")
    Path("broken.nc").write_bytes(b"\x89HDF\r\n\x1a\n and no more")
    xr.Dataset({"x": 1.0}).to_netcdf("foreign.nc", engine="h5netcdf")
    (here / "taken" / f"{NAME}.nc").mkdir(parents=True)
    before = names(here)
    assert main(words) == 2
    printed = capsys.readouterr()
    assert printed.err.startswith(f"ventsim: {message}")
    assert "Traceback" not in printed.err
    assert printed.out == ""
    assert names(here) == before


def test_unwritable_folder_is_refused_before_the_run(here, capsys, no_run, monkeypatch):
    """The refusal is put in place of the system's, because an administrator may write anywhere."""

    def refuse(path, *args):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("ventsim.files.os.open", refuse)
    assert main(["run", NAME, "--out", "locked"]) == 2
    expected = f"ventsim: cannot write 'locked/{NAME}.nc': Permission denied.\n  Give a file in a folder that"
    assert capsys.readouterr().err.startswith(expected)


STUDIES = {
    "sweep": '[values]\n"settings.peep" = [5, 6]\n',
    "size": "[targets.a]\ninspired_tidal_volume = 300\n",
}


@pytest.mark.parametrize(
    "words",
    [
        ["run", NAME, *SHORT],
        ["run", "disconnected-bed"],  # as a long run, which writes at its end
        ["draw", NAME],
        ["scenario", NAME, "--out", "old.toml"],
        ["sweep", "study.toml"],
        ["size", "study.toml"],
        ["blind-spots", NAME, "--watch", "5", "--mode", "as-is"],
    ],
    ids=lambda words: words[0] + words[-1][:1],
)
def test_full_disk(here, capsys, monkeypatch, words):
    """Exit code 2, one message; old files are as they were, and nothing else is left."""
    Path("study.toml").write_text(f'scenario = "{NAME}"\n' + STUDIES.get(words[0], ""))
    stems = (
        NAME,
        "disconnected-bed",
        f"{NAME}-circuit",
        f"{NAME}-blind-spots",
        "study-sweep",
        "study-sized",
        "old",
    )
    for stem in stems:
        for ending in (".nc", ".png", ".toml"):
            Path(f"{stem}{ending}").write_text("old")
    before = names(here)

    def refuse(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("ventsim.files.os.fsync", refuse)
    assert main(words) == 2
    printed = capsys.readouterr().err
    assert re.fullmatch(
        r"ventsim: .*cannot write '.*': No space left on device\.\n  Make room, or write into another folder; "
        r"what was there under that name is whole\.\n",
        printed,
    )
    assert names(here) == before
    assert {path.read_text() for path in here.glob("*.*") if path.name != "study.toml"} == {"old"}


def test_failed_run_is_reported(here, capsys, monkeypatch):
    def simulate(*args, **kwargs):
        raise ventsim.errors.SolverError("the run stopped at 3 s: why.\n  What to do.")

    monkeypatch.setattr(ventsim, "simulate", simulate)
    assert main(["run", NAME]) == 2
    assert capsys.readouterr().err == "ventsim: the run stopped at 3 s: why.\n  What to do.\n"


def test_stop_by_the_user(here, capsys, monkeypatch):
    def simulate(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(ventsim, "simulate", simulate)
    assert main(["run", NAME]) == 130
    assert capsys.readouterr().err == "ventsim: stopped by Ctrl-C; results of this run are not complete.\n"
    assert names(here) == []


# --- draw -----------------------------------------------------------------------------------------------------


def test_draw_the_steady_breath(here, capsys):
    assert main(["draw", NAME, "--out", "pictures"]) == 0
    printed = capsys.readouterr().out
    assert "parts, flow at" in printed and "of the steady breath before any change" in printed
    assert f"Written:    {Path('pictures') / NAME}-circuit.png" in printed
    assert printed.rstrip().endswith(CAUTION)
    assert matplotlib.image.imread(here / "pictures" / f"{NAME}-circuit.png").shape[1] > 1000


def test_draw_an_instant_of_a_run_as_the_circuit_is_then(here, capsys):
    """In the minute of the disconnection there are two open ends; before it there is none."""
    counts = []
    for instant in ("60", "130"):
        assert main(["draw", "disconnected-bed", "--time", instant]) == 0
        printed = capsys.readouterr().out
        assert f"flow at {instant}.00 s" in printed and "of the run" in printed
        counts.append(int(re.search(r"Drawn: +(\d+) parts", printed)[1]))
    assert counts[1] == counts[0] + 2


def test_draw_an_instant_of_a_breath_that_the_run_cuts_off(here, capsys):
    """Breaths of 4 s until 12 s, then of 10 s; the second of these ends 7 s after the run."""
    slower = ventsim.Change(path="settings.rate", to=6.0, at=12.0)
    settings = ventsim.PressureControl(inspiratory_pressure=12, rate=15, ie_ratio=0.5)
    builtin(NAME).changed(settings=settings, changes=(slower,), duration=25.0).save("slow.toml")
    assert main(["draw", "slow.toml", "--time", "24"]) == 0
    assert "flow at 24.00 s: breath 5, 2.00 s after its start, inspiration" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--time", "1e9"], r"time 1e\+09 s is outside of the run\.\n  Allowed: 0 to 60 s"),
        (["--time", "nan"], "time nan s is outside of the run"),
        (["--time", "-1"], "time -1 s is outside of the run"),
        (["--time", "soon"], "'soon' is not a number of seconds"),
    ],
)
def test_draw_with_a_wrong_time(here, capsys, words, message):
    assert main(["draw", NAME, *words]) == 2
    assert re.search(message, capsys.readouterr().err)
    assert names(here) == []


# --- files --------------------------------------------------------------------------------------------------


def test_a_scenario_into_a_file(here, capsys):
    assert main(["scenario", NAME, "--out", "mine.toml"]) == 0
    assert capsys.readouterr().out == "Written:    mine.toml\n"
    assert Path("mine.toml").read_bytes().decode("utf-8") == builtin_text(NAME)
    assert names(here) == ["mine.toml"]


def test_the_scenario_of_a_damaged_result_is_still_there(here, capsys):
    """Its data cannot be read any more, its attributes can."""
    assert main(["run", NAME, *SHORT]) == 0
    whole = Path(f"{NAME}.nc").read_bytes()
    with h5py.File(f"{NAME}.nc") as file:
        chunk = file["flow"].id.get_chunk_info(0)
    damaged = bytearray(whole)
    middle = chunk.byte_offset + chunk.size // 2
    damaged[middle : middle + 8] = bytes(255 - byte for byte in whole[middle : middle + 8])
    Path("damaged.nc").write_bytes(damaged)
    with pytest.raises(ventsim.errors.SchemaError, match=r"it is damaged in 'flow'\."):
        ventsim.LongRun.read("damaged.nc")
    capsys.readouterr()
    assert main(["scenario", "damaged.nc"]) == 0
    assert Scenario.from_toml(capsys.readouterr().out) == builtin(NAME).changed({"duration": 12.9})
    Path("short.nc").write_bytes(whole[: len(whole) // 2])
    assert main(["run", "short.nc"]) == 2
    assert capsys.readouterr().err == (
        "ventsim: cannot read 'short.nc': it is cut off, and nothing of it can be saved.\n"
        "  Take a copy from before, or run the scenario again.\n"
    )


# --- streams ------------------------------------------------------------------------------------------------


class Full(io.RawIOBase):
    """A stream that has no room."""

    def writable(self):
        return True

    def write(self, data):
        raise OSError(28, "No space left on device")


@pytest.mark.parametrize(("encoding", "shown"), [("ascii", "cmH2O*s/L"), ("cp1252", "cmH2O·s/L")])
def test_streams_of_any_encoding(monkeypatch, encoding, shown):
    """What an encoding lacks is replaced, and nothing else; the streams are then as they were."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding) for _ in range(2))
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stderr", err)
    for words in (["--help"], ["size", "--help"], ["scenarios"], ["scenario", NAME], ["parts", NAME]):
        assert main(words) == 0
    assert main(["run", "→肺\udcff.toml"]) == 2
    text = out.buffer.getvalue().decode(encoding)
    assert shown in text and "?" not in text
    message = err.buffer.getvalue().decode(encoding)
    assert message.startswith("ventsim: there is no file '->\\u80ba\\udcff.toml'.\n")
    assert (out.errors, err.errors) == ("strict", "strict")


def test_full_and_closed_streams(here, monkeypatch, capsys):
    for words in (["scenarios"], ["scenario", NAME]):  # less and more than a buffer holds
        monkeypatch.setattr("sys.stdout", io.TextIOWrapper(io.BufferedWriter(Full()), encoding="utf-8"))
        assert main(words) == 2
        assert capsys.readouterr().err == (
            "ventsim: the output could not be printed: No space left on device.\n  Make room where it goes to.\n"
        )
    monkeypatch.setattr("sys.stderr", io.TextIOWrapper(Full(), encoding="utf-8", write_through=True))
    assert main(["scenarios"]) == 2
    for name in ("stdin", "stdout", "stderr"):
        monkeypatch.setattr(f"sys.{name}", None)
    assert main(["run", NAME, *SHORT]) == 0
    assert main(["rnu"]) == 2
    assert names(here) == [f"{NAME}.nc", f"{NAME}.png"]


# --- as a program -------------------------------------------------------------------------------------------


def test_as_a_program():
    """The list comes from a process of its own, which loads nothing that draws."""
    script = "import sys; from ventsim.__main__ import main; code = main(['scenarios']); "
    script += "sys.exit(code or 'matplotlib' in sys.modules)"
    listed = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert (listed.returncode, listed.stderr) == (0, "")
    assert NAME in listed.stdout
    wrong = subprocess.run([sys.executable, "-m", "ventsim", "rnu"], capture_output=True, text=True, timeout=60)
    assert (wrong.returncode, wrong.stdout) == (2, "")
    assert wrong.stderr == "ventsim: there is no command 'rnu'.\n  Did you mean 'run'?\n"


def test_a_reader_that_leaves_early_is_no_error():
    """As with ``ventsim scenario NAME | head -1``; the reader is gone before anything is printed."""
    command = [sys.executable, "-m", "ventsim", "scenario", NAME]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        program.stdout.close()
        assert program.stderr.read() == ""
        assert program.wait(timeout=60) == 141  # 128 and the number of the signal, as a shell tells it


@pytest.mark.parametrize("seconds", [0.15, 0.6])
def test_ctrl_c_while_the_command_starts(here, start_process, seconds):
    """One line, and nothing else: before the first line of ours is imported, nobody can answer."""
    process = start_process([sys.executable, "-X", "importtime", "-m", "ventsim", "run", NAME])
    for line in process.stderr:
        if "ventsim.starting" in line:  # it has been imported
            break
    time.sleep(seconds)
    os.kill(process.pid, signal.SIGINT)
    _, error = process.communicate(timeout=60)
    lines = [line for line in error.splitlines() if not line.startswith("import time:")]
    assert (process.returncode, lines) == (
        130,
        ["ventsim: stopped by Ctrl-C; results of this run are not complete."],
    )
    assert names(here) == []
