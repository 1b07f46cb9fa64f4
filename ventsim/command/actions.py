"""What each command does."""

import argparse
from dataclasses import replace
from pathlib import Path

from ventsim.command.drawing import draw_circuit
from ventsim.command.files import find, heading, is_result, output_files
from ventsim.command.long_run import LONG, continue_run, run_long
from ventsim.command.short_run import run_short
from ventsim.command.studies import run_size, run_sweep, study_blind_spots
from ventsim.command.study_files import read_size, read_sweep
from ventsim.errors import InputError, ScenarioError
from ventsim.model.circuit import parts_list
from ventsim.model.scenario import Scenario, builtin, builtin_names


def list_scenarios(options: argparse.Namespace) -> None:
    """Names and titles of the built-in scenarios."""
    names = builtin_names()
    width = max(map(len, names))
    for name in names:
        print(f"{name.ljust(width)}  {heading(builtin(name))}")
    print("\nAll invented for demonstration. Try: ventsim run two-unequal-lungs")


def show_scenario(options: argparse.Namespace) -> None:
    """A scenario as TOML."""
    print(find(options.target).text.rstrip("\n"))


def list_parts(options: argparse.Namespace) -> None:
    """The parts of a scenario's circuit."""
    found = find(options.target)
    print(f"{heading(found.scenario)} ({found.origin})\n")
    print(parts_list(found.scenario.circuit))


def draw(options: argparse.Namespace) -> None:
    """A picture of a scenario's circuit."""
    found = find(options.target)
    _, picture = output_files(Path(options.out), stem=f"{found.stem}-circuit", source=Path(options.target))
    draw_circuit(found, picture, time=options.time)


def run(options: argparse.Namespace) -> int:
    """Run a scenario, in the way that suits its length and changes; or go on with a long run."""
    if options.goes_on:
        return go_on(options)
    found = find(options.target)
    if options.duration is not None:
        found = replace(found, scenario=found.scenario.changed({"duration": options.duration}))
    scenario = found.scenario
    _check_whole_breath(scenario)
    files = output_files(Path(options.out), stem=found.stem, source=Path(options.target))
    if scenario.changes or not scenario.keeps_all_waveforms or scenario.duration > LONG:
        return run_long(found, files)
    run_short(found, files)
    return 0


def go_on(options: argparse.Namespace) -> int:
    """Go on with a long run that was saved."""
    path = Path(options.target)
    if not is_result(path):
        raise InputError(
            f"'{path}' is no result of a long run.\n  Give the .nc file that 'ventsim run' has written."
        )
    files = output_files(Path(options.out), stem=path.stem, source=path, keep_source=False)
    return continue_run(path, options.duration, files)


def watch_blind_spots(options: argparse.Namespace) -> int:
    """The blind-spot study of a scenario's circuit."""
    found = find(options.target)
    files = output_files(Path(options.out), stem=f"{found.stem}-blind-spots", source=Path(options.target))
    return study_blind_spots(found, files, lung=options.lung, both=options.mode == "both", duration=options.watch)


def run_a_sweep(options: argparse.Namespace) -> int:
    """The sweep that a file describes."""
    path = Path(options.file)
    task = read_sweep(path)
    return run_sweep(task, output_files(Path(options.out), stem=f"{path.stem}-sweep", source=path))


def run_a_size(options: argparse.Namespace) -> int:
    """The sizing that a file describes."""
    path = Path(options.file)
    task = read_size(path)
    return run_size(task, output_files(Path(options.out), stem=f"{path.stem}-sized", source=path))


def _check_whole_breath(scenario: Scenario) -> None:
    period = scenario.settings.period
    if scenario.duration < period * (1.0 - 1e-9):
        raise ScenarioError(
            f"duration {scenario.duration:.6g} s holds no whole breath, so there is nothing to measure.\n"
            f"  Allowed: at least {period:.6g} s, one breath at a rate of {scenario.settings.rate:.6g} 1/min."
        )
