"""A run of hours, or one in which something changes: the table of what changed, a picture over hours."""

import shlex
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import xarray as xr

import ventsim
from ventsim.clock import clock
from ventsim.command.finding import Found
from ventsim.command.stages import breath_of_limits, stage_table, stages_of
from ventsim.command.to_check import lines_to_check, losses, relief_of_run
from ventsim.command.words import CAUTION, INTERRUPTED, heading
from ventsim.errors import InputError, VentsimError
from ventsim.model.changes import Schedule, changes_table
from ventsim.model.scenario import Scenario
from ventsim.results.monitor import AlarmLimits, alarms, alarms_table, displayed_values
from ventsim.simulation import LongRun
from ventsim.simulation.long_runs import check_end

LONG = 1800.0
"""Runs that last longer keep no waveforms unless they are asked for. [s]"""


def run_long(found: Found, files: tuple[Path, Path]) -> int:
    """Run a scenario for hours, or one with changes; return the exit code."""
    scenario = found.scenario
    schedule = _announce(scenario, found.origin)
    windows, every = scenario.waveform_windows, scenario.waveform_every
    if scenario.keeps_all_waveforms and scenario.duration <= LONG:
        windows = ((0.0, scenario.duration),)

    def breathe() -> LongRun:
        return ventsim.simulate_long(
            scenario.circuit, scenario.settings, duration=scenario.duration,
            sample_interval=scenario.sample_interval, tolerance=scenario.tolerance, changes=scenario.changes,
            waveform_windows=windows, waveform_every=every, save=files[0],
        )  # fmt: skip

    told = scenario.changed({"waveform_windows": windows, "waveform_every": every})
    run = _kept(breathe, told, files[0])
    return _report(run, schedule, files, title=heading(scenario), doubts=found.doubts)


def continue_run(path: Path, duration: float | None, files: tuple[Path, Path]) -> int:
    """Go on with a saved run, up to a time or to the one that it was to last; return the exit code."""
    before = LongRun.read(path)
    scenario = Scenario.from_dataset(before.measures)
    if duration is None:
        duration = scenario.duration
        if before.measures.attrs["status"] == "finished":
            raise InputError(
                f"the run in '{path}' is finished, at {clock(duration)} h:min:s.\n"
                f"  Say until when to go on, from its start: --continue --duration S, S above {duration:.10g}."
            )
    scenario = scenario.changed({"duration": duration})
    check_end(before, duration)
    so_far = before.measures.sizes["breath"]
    schedule = _announce(scenario, f"from {path}, {so_far} breaths so far")

    def breathe() -> LongRun:
        return ventsim.continue_long(before, duration=duration, save=files[0])

    run = _kept(breathe, scenario, files[0], unless=f"the {so_far} breaths so far are kept in {path}.")
    return _report(run, schedule, files, title=heading(scenario), doubts=())


def _announce(scenario: Scenario, origin: str) -> Schedule:
    """Tell what is going to be run, and what changes in it."""
    print(f"{heading(scenario)} ({origin})\n")
    schedule = Schedule(scenario.circuit, scenario.settings, scenario.changes)
    if scenario.changes:
        print(changes_table(schedule), end="\n\n")
    sys.stdout.flush()  # before a run that takes long, and before messages on the other stream
    return schedule


def _kept(breathe: Callable[[], LongRun], scenario: Scenario, path: Path, *, unless: str | None = None) -> LongRun:
    """The run, whose file holds the scenario; after a failure, tell where the finished breaths are.

    `unless` is what to tell if no breath was finished before a failure.
    """
    try:
        run = _noted(breathe(), scenario)
    except VentsimError as error:
        if isinstance(error.finished, LongRun):
            n = error.finished.measures.sizes["breath"]
            print(f"ventsim: the {n} breaths finished before are in {path}.", file=sys.stderr)
            with suppress(InputError):  # the file is there already, and the failure matters more than its title
                _noted(error.finished, scenario).write(path)
        elif unless is not None:
            print(f"ventsim: {unless}", file=sys.stderr)
        raise
    run.write(path)  # once more, with the scenario
    return run


def _noted(run: LongRun, scenario: Scenario) -> LongRun:
    """The run with the scenario as its user wrote it; the run itself knows neither title nor layout."""
    attrs = {"title": scenario.title, "scenario": scenario.to_toml()}
    waveforms = None if run.waveforms is None else run.waveforms.assign_attrs(attrs)
    return replace(run, measures=run.measures.assign_attrs(attrs), waveforms=waveforms)


def _report(
    run: LongRun, schedule: Schedule, files: tuple[Path, Path], *, title: str, doubts: Sequence[str]
) -> int:
    """Draw, print, and tell whether the run went to its end."""
    measures = run.measures
    shown = displayed_values(measures)
    ends = measures.breath_end.values
    limits, set_around = _limits(shown, breath_of_limits(ends, schedule))
    raised = alarms(shown, limits)
    _draw(run, shown, raised, schedule, files[1], title=title)
    print(stage_table(measures, shown, stages_of(ends, schedule)))
    print(f"\n{alarms_table(raised, caution=False)}\n({set_around})\n")
    residual = abs(measures.attrs["volume_balance_residual_mL"])
    waveforms = "no waveforms" if run.waveforms is None else f"waveforms of {run.waveforms.sizes['breath']}"
    to_check = [*doubts, *relief_of_run(measures), *losses(measures.isel(breath=-1))]
    print(
        f"Numerics:   {measures.sizes['breath']} breaths, {measures.attrs['steps']} steps; {residual:.1g} mL of "
        f"gas not accounted for in the whole run.\n"
        f"Kept:       measures of all breaths, {waveforms}, the last state to go on from.\n"
        f"{lines_to_check(to_check)}Written:    {', '.join(map(str, files))}\n\n{CAUTION}"
    )
    status = str(measures.attrs["status"])
    if status == "finished":
        return 0
    sys.stdout.flush()
    again = ["ventsim", "run", str(files[0]), "--continue"]
    again += [] if files[0].parent == Path() else ["--out", str(files[0].parent)]
    print(
        f"ventsim: {status}; the finished breaths are kept in {files[0]}.\n  Go on: {shlex.join(again)}",
        file=sys.stderr,
    )
    return INTERRUPTED


def _limits(shown: xr.Dataset, position: int) -> tuple[AlarmLimits, str]:
    """Alarm limits around what is displayed of a breath, and a word on them."""
    number = int(shown.breath[position])
    try:
        limits = AlarmLimits.around(shown.isel(breath=[position]))
    except InputError:  # nothing is displayed that limits could be set around; the run must be told all the same
        return AlarmLimits(), f"default limits, none of volume: breath {number} does not show what is usual"
    return limits, f"limits around what was displayed of breath {number}"


def _draw(
    run: LongRun, shown: xr.Dataset, raised: xr.Dataset, schedule: Schedule, path: Path, *, title: str
) -> None:
    from matplotlib.figure import Figure

    measures = run.measures
    rows = max(int((raised.alarm_raised > 0).any("breath").sum()), 1)
    heights = [1.6] * 4 + [0.2 * rows + 0.1]
    figure = Figure(figsize=(8.0, sum(heights) + 1.2 + 0.09 * measures.sizes["lung"]), layout="constrained")
    axes = figure.subplots(len(heights), 1, sharex=True, gridspec_kw={"height_ratios": heights})
    instants = schedule.knots[1:]  # the first is the start of the run, whether anything changes there or not
    ventsim.plot.hours(measures, displayed=shown, alarms=raised, instants=instants, axes=axes)
    figure.suptitle(title, parse_math=False)
    try:
        figure.savefig(path, dpi=150)
    except (OSError, RuntimeError) as error:
        raise InputError(
            f"the run is finished, but its picture could not be written: {error}.\n"
            "  Make room, or give another folder: --out DIR."
        ) from None
