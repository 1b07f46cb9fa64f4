"""What ventsim promises of its files, faults and streams, tried; writes the table of docs/reliability.md.

python validation/reliability.py              try all (about an hour on two processors), write the table
python validation/reliability.py NAME ...     try some, write their rows of the table

A promise is a function here with :func:`promise` above it: it tries, raises AssertionError if the promise does not
hold, and returns the figure in words. Its docstring says what is done.
"""

import argparse
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import xarray as xr

import ventsim as vs
from ventsim.files import read_datasets

PAGE = Path(__file__).parents[1] / "docs" / "reliability.md"
START, END = "<!-- written by `python validation/reliability.py`: -->", "<!-- end of what is written -->"

PROMISES: dict[str, tuple[str, Callable[[], str]]] = {}


def promise(text: str) -> Callable[[Callable[[], str]], Callable[[], str]]:
    """Decorator: a function tries what is promised in words, and returns a figure."""

    def add(function: Callable[[], str]) -> Callable[[], str]:
        PROMISES[function.__name__] = (text, function)
        return function

    return add


# --- what is run ----------------------------------------------------------------------------------------------

COMMAND = [sys.executable, "-m", "ventsim"]
NAME = "two-unequal-lungs"  # a built-in scenario
SWEEP = f'scenario = "{NAME}"\n[values]\n"settings.peep" = [5, 6, 7]\n'
SIZE = f'scenario = "{NAME}"\n[targets.a]\ninspired_tidal_volume = 300\n'
LONG = 400.0  # of a run that keeps no waveforms but a few [s]
# Words of each kind of command; those of studies read a file that is there.
KINDS: dict[str, list[str]] = {
    "short run": ["run", NAME, "--duration", "60"],
    "long run": ["run", "long.toml"],
    "long run that goes on": ["run", "half.nc", "--continue"],
    "sweep": ["sweep", "sweep.toml"],
    "sizing": ["size", "size.toml"],
    "blind spots": ["blind-spots", NAME, "--watch", "20"],
    "drawing": ["draw", NAME],
    "scenario": ["scenario", NAME, "--out", "written.toml"],
}


@contextmanager
def folder() -> Iterator[Path]:
    """A folder with what the commands read."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        (path / "sweep.toml").write_text(SWEEP)
        (path / "size.toml").write_text(SIZE)
        scenario = vs.builtin(NAME).changed(duration=LONG, waveform_every=20)
        scenario.save(path / "long.toml")
        half = vs.simulate_long(scenario.changed(duration=LONG / 2), progress=False)
        text = scenario.to_toml()
        measures = half.measures.assign_attrs(scenario=text, status="unfinished: half of it")
        vs.LongRun(measures=measures, waveforms=half.waveforms, state=half.state).save(path / "half.nc")
        (path / "again").mkdir()
        shutil.copy(path / "half.nc", path / "again")
        yield path


def start(words: Sequence[str], where: Path, **options: object) -> "subprocess.Popen[str]":
    """A command that has begun in a folder."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen([*COMMAND, *words], cwd=where, text=True, errors="replace", **pipes)


def run(words: Sequence[str], where: Path, **options: object) -> tuple[int, str, str]:
    """Exit code and both outputs of a command."""
    process = start(words, where, **options)
    out, error = process.communicate(timeout=1800)
    return process.returncode, out, error


def check_files(where: Path) -> None:
    """Every file is whole, drafts and locks aside."""
    for path in where.iterdir():
        if path.name.startswith(".") or path.is_dir():
            continue
        data = path.read_bytes()
        if path.suffix == ".nc":
            read_datasets(path)
        elif path.suffix == ".png":
            assert data.startswith(b"\x89PNG") and data.endswith(b"IEND\xaeB`\x82"), path
        else:
            assert data.endswith(b"\n"), path


def hidden(where: Path) -> list[str]:
    """Drafts and locks."""
    return sorted(path.name for path in where.iterdir() if path.name.startswith("."))


def seconds_of(words: Sequence[str], where: Path) -> float:
    """How long a whole command takes [s]; a run that goes on may go on again."""
    began = time.monotonic()
    code, _, error = run(words, where)
    assert code == 0, (words, error)
    shutil.copy(where / "again" / "half.nc", where)
    return time.monotonic() - began


# --- promises -------------------------------------------------------------------------------------------------


@promise("A process that is killed at any moment leaves whole files, and the next run removes its drafts")
def killed() -> str:
    """SIGKILL at 50 random moments of each kind of run and study, every other one soon after its first draft."""
    chance, tries, while_writing = random.Random(13), 50, 0
    for kind, words in KINDS.items():
        with folder() as where:
            whole = seconds_of(words, where)
            for k in range(tries):
                process = start(words, where)
                until = time.monotonic() + chance.uniform(0.5, whole)
                while k % 2 and process.poll() is None and not any(".part" in name for name in hidden(where)):
                    time.sleep(0.001)
                until = time.monotonic() + chance.uniform(0.0, 0.05) if k % 2 else until
                time.sleep(max(until - time.monotonic(), 0.0))
                process.kill()
                process.communicate()
                while_writing += bool(hidden(where))
                check_files(where)
                shutil.copy(where / "again" / "half.nc", where)
            assert run(words, where)[0] == 0
            assert hidden(where) == [], (kind, hidden(where))
    return f"{tries} of each of {len(KINDS)} kinds, {while_writing} while a file was written; none damaged"


@promise("Ctrl-C at any moment ends with exit code 130 and one message, and nothing is half written")
def interrupted() -> str:
    """SIGINT at 20 random moments of each kind, from 0.1 s on; a command that was done before it ends with 0."""
    chance, tries, stopped = random.Random(14), 20, 0
    for kind, words in KINDS.items():
        with folder() as where:
            whole = seconds_of(words, where)
            for _ in range(tries):
                process = start(words, where)
                time.sleep(chance.uniform(0.1, whole))
                process.send_signal(signal.SIGINT)
                _, error = process.communicate(timeout=600)
                lines = [line for line in error.splitlines() if not line.startswith(("  ", "ventsim: compiling"))]
                assert process.returncode in (0, 130) and "Traceback" not in error, (kind, error)
                if process.returncode == 130:
                    stopped += 1
                    assert len(lines) == 1 and lines[0].startswith("ventsim: "), (kind, error)
                check_files(where)
                assert hidden(where) == [], (kind, hidden(where))
                shutil.copy(where / "again" / "half.nc", where)
    return f"{tries} of each of {len(KINDS)} kinds, {stopped} before the end; all so"


@promise("Two processes that write one result both end well, and the file is that of one of them")
def two_writers() -> str:
    """Two runs of other durations at once, in one folder."""
    tries = 20
    with folder() as where:
        for _ in range(tries):
            both = [start(["run", NAME, "--duration", seconds], where) for seconds in ("30", "60")]
            for process in both:
                _, error = process.communicate(timeout=600)
                assert process.returncode == 0, error
            duration = vs.Scenario.from_dataset(read_datasets(where / f"{NAME}.nc")[""]).duration
            assert duration in (30.0, 60.0)
            check_files(where)
            assert hidden(where) == []
    return f"{tries} times of {tries}"


@promise("A second run on the file of a long run that goes on is refused at its beginning, with one message")
def live_run() -> str:
    """A run of 600 hours; meanwhile it is run, gone on with and written by a short run; then it is stopped."""
    with folder() as where:
        vs.builtin(NAME).changed(duration=2e6 / 10, waveform_every=1000).save(where / "days.toml")
        first = start(["run", "days.toml"], where)
        while not (where / "days.nc").exists():
            assert first.poll() is None, first.stderr
            time.sleep(0.1)
        waited = []
        for words in (["run", "days.toml"], ["run", "days.nc", "--continue"]):
            began = time.monotonic()
            code, _, error = run(words, where)
            waited.append(time.monotonic() - began)
            assert code == 2 and re.fullmatch(
                r"ventsim: .*days\.nc' is being written by another run\.\n.*\n", error
            )
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=60)
        assert vs.LongRun.read(where / "days.nc").measures.sizes["breath"] > 0
        assert hidden(where) == []
    return f"refused after {max(waited):.0f} s; the run that went on is whole"


@promise("On a full disk every command ends with exit code 2 and one message; old files stay whole")
def small_disk() -> str:
    """A disk of 64 kB, on which old results lie that leave no room; each kind of command writes there."""
    with folder() as where:
        disk = where / "disk"
        disk.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(disk)]
        if subprocess.run(mount, check=False, capture_output=True).returncode:
            return "not tried: a disk can only be mounted by the administrator"
        try:
            for kind, words in KINDS.items():
                for path in disk.iterdir():
                    path.unlink()
                words = [*words, "--out", "disk/written.toml" if kind == "scenario" else "disk"]
                stem = {"short run": NAME, "drawing": f"{NAME}-circuit"}.get(kind, "old")
                (disk / f"{stem}.nc").write_bytes(bytes(20_000))
                (disk / "full").write_bytes(bytes(45_056))  # with the folder itself, all of it
                before = {path.name: path.read_bytes() for path in disk.iterdir()}
                code, _, error = run(words, where)
                lines = error.splitlines()
                assert code == 2 and "No space left on device" in error and len(lines) == 2, (kind, code, error)
                assert {path.name: path.read_bytes() for path in disk.iterdir()} == before, kind
        finally:
            subprocess.run(["umount", str(disk)], check=True)
    return f"each of {len(KINDS)} kinds"


@promise("Output in any encoding, into a full device, a closed stream or a pipe that nobody reads: no traceback")
def streams() -> str:
    """All kinds of commands and the lists, in ASCII, cp1252 and latin-1; closed; full; into a closed pipe."""
    kinds = [*KINDS.values(), ["scenarios"], ["scenario", NAME], ["parts", NAME], ["size", "--help"], ["rnu"]]
    count = 0
    for words in kinds:
        with folder() as where:
            usual = run(words, where)[0]
        ways = {name: (f"PYTHONIOENCODING={name}", "", usual) for name in ("ascii", "cp1252", "latin-1")}
        ways["closed"] = ("", ">&-", usual)
        ways["all closed"] = ("", "<&- >&- 2>&-", usual)
        ways["full"] = ("", ">/dev/full", 2)
        ways["pipe"] = ("", "| true; exit ${PIPESTATUS[0]}", 141)
        for way, (before, after, code) in ways.items():
            with folder() as where:
                line = f"{before} {sys.executable} -m ventsim {' '.join(words)} {after}"
                found = subprocess.run(["bash", "-c", line], cwd=where, capture_output=True, timeout=600)
                # A pipe may take all before it is closed.
                assert found.returncode in ({code, usual} if way == "pipe" else {code}), (way, words, found)
                assert b"Traceback" not in found.stderr and b"Error" not in found.stderr, (way, words, found)
                assert hidden(where) == []
                count += 1
    return f"{count} calls, all with the right exit code"


@promise("Eight processes that all have to compile the engine at once end well, with the same numbers")
def cold_processes() -> str:
    """With one empty cache for all of them."""
    with folder() as where, tempfile.TemporaryDirectory() as cache:
        surroundings = {**os.environ, "NUMBA_CACHE_DIR": cache}
        began = time.monotonic()
        all_eight = [
            start(["run", NAME, "--duration", "30", "--out", str(k)], where, env=surroundings) for k in range(8)
        ]
        for process in all_eight:
            _, error = process.communicate(timeout=3600)
            assert process.returncode == 0, error
        took = time.monotonic() - began
        results = [xr.load_dataset(where / str(k) / f"{NAME}.nc", engine="h5netcdf") for k in range(8)]
        for result in results[1:]:
            np.testing.assert_array_equal(result.volume, results[0].volume)
    return f"8 of 8, after {took / 60:.0f} min on {os.cpu_count()} processors"


# --- the table ------------------------------------------------------------------------------------------------


def write_row(name: str, figure: str) -> None:
    """Write a row of the table with promise, figure and name; the others stay as they are."""
    before, between, after = re.split(f"{re.escape(START)}|{re.escape(END)}", PAGE.read_text(encoding="utf-8"))
    rows = {row.split("`")[-2]: row for row in between.splitlines() if row.endswith("` |")}
    rows[name] = f"| {PROMISES[name][0]} | {figure.replace('|', '/')} | `{name}` |"
    table = [
        "| promise | found | tried by |",
        "| --- | --- | --- |",
        *(rows[one] for one in PROMISES if one in rows),
    ]
    PAGE.write_text("\n".join([f"{before}{START}", "", *table, "", f"{END}{after}"]), encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """Try promises; 1 if one does not hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(PROMISES)}")
    options = parser.parse_args(arguments)
    if unknown := set(options.names) - PROMISES.keys():
        parser.error(f"there is no promise {', '.join(unknown)}")
    signal.signal(signal.SIGINT, signal.default_int_handler)  # which a shell may have ignored, in what is run too
    broken = 0
    for name in options.names or PROMISES:
        text, function = PROMISES[name]
        try:
            figure = function()
        except AssertionError as error:
            figure, broken = f"**does not hold**: {' '.join(str(error).split())[:200]}", broken + 1
        print(f"{name}: {text}:\n  {figure}", flush=True)
        write_row(name, figure)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
