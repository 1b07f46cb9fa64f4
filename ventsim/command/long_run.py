"""A run of hours, or one in which something changes: the table of what changed, a picture over hours."""

import shlex
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

import ventsim
from ventsim.command.files import INTERRUPTED, Found, heading, writing
from ventsim.command.remarks import CAUTION, lines_to_check
from ventsim.errors import InputError, VentsimError
from ventsim.model.changes import Schedule, changes_table
from ventsim.model.scenario import Scenario
from ventsim.results.monitor import AlarmLimits, alarms, alarms_table, displayed_values
from ventsim.results.remarks import lung_remarks, machine_remarks
from ventsim.results.schema import VARIABLES
from ventsim.simulation import LongRun
from ventsim.simulation.long_runs import check_end
from ventsim.tables import Section, Table, clock

LONG = 1800.0
"""Runs that last longer keep no waveforms unless they are asked for. [s]"""


def run_long(found: Found, files: tuple[Path, Path]) -> int:
    """Run a scenario for hours, or one with changes; return the exit code."""
    scenario = found.scenario
    if scenario.keeps_all_waveforms and scenario.duration <= LONG:
        scenario = scenario.changed(waveform_windows=((0.0, scenario.duration),))
    _announce(scenario, found.origin)
    with _finished_kept(files[0]):
        run = ventsim.simulate_long(scenario, save=files[0])
    return _report(run, scenario, files, remarks=found.remarks)


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
    _announce(scenario, f"from {path}, {so_far} breaths so far")
    with _finished_kept(files[0], unless=f"the {so_far} breaths so far are kept in {path}."):
        run = ventsim.simulate_long(scenario, resume=before, save=files[0])
    return _report(run, scenario, files, remarks=())


def _announce(scenario: Scenario, origin: str) -> None:
    """Print what is going to be run, and what changes in it."""
    print(f"{heading(scenario)} ({origin})\n")
    if scenario.changes:
        print(changes_table(scenario.schedule), end="\n\n")
    sys.stdout.flush()  # before a run that takes long, and before messages on the other stream


@contextmanager
def _finished_kept(path: Path, *, unless: str | None = None) -> Iterator[None]:
    """Context in which a run that fails says where its finished breaths are, or `unless` if there are none."""
    try:
        yield
    except VentsimError as error:
        if isinstance(error.finished, LongRun):
            n = error.finished.measures.sizes["breath"]
            print(f"ventsim: the {n} breaths finished before are in {path}.", file=sys.stderr)
        elif unless is not None:
            print(f"ventsim: {unless}", file=sys.stderr)
        raise


def _report(run: LongRun, scenario: Scenario, files: tuple[Path, Path], *, remarks: Sequence[str]) -> int:
    """Draw, print, and say whether the run went to its end."""
    measures, schedule = run.measures, scenario.schedule
    shown = displayed_values(measures)
    ends = measures.breath_end.values
    limits, set_around = _limits(shown, reference_breath(ends, schedule))
    raised = alarms(shown, limits)
    _draw(run, shown, raised, schedule, files[1], title=heading(scenario))
    print(breaths_table(measures, shown, breaths_to_show(ends, schedule)))
    print(f"\n{alarms_table(raised).text(caution=False)}\n({set_around})\n")
    residual = abs(measures.attrs["volume_balance_residual_mL"])
    waveforms = "no waveforms" if run.waveforms is None else f"waveforms of {run.waveforms.sizes['breath']}"
    to_check = [*remarks, *machine_remarks(measures), *lung_remarks(measures.isel(breath=-1))]
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
    """Alarm limits around what is displayed of a breath, and what they are around, in words."""
    number = int(shown.breath[position])
    try:
        limits = AlarmLimits.around(shown.isel(breath=[position]))
    except InputError:  # nothing is displayed around which limits could be set
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
    with writing("the run is finished, but its picture"):
        figure.savefig(path, dpi=150)


_MOST_ROWS = 14

# Measure of each lung, and what is displayed beside it.
_BESIDE = {
    "inspired_tidal_volume": "displayed_expired_tidal_volume",
    "end_inspiratory_alveolar_pressure": "displayed_peak_pressure",
}


def breaths_to_show(ends: np.ndarray, schedule: Schedule) -> list[tuple[str, int]]:
    """The last breath before every instant at which a change begins or ends, and the last of all.

    In words and by its position.
    """
    found: list[tuple[str, int]] = []
    for knot in schedule.knots:
        k = _last_before(ends, knot)
        if 0 <= k < len(ends) - 1 and (not found or found[-1][1] != k):
            found.append((f"before {clock(knot)}", k))
    found.append((f"end, {clock(float(ends[-1]))}", len(ends) - 1))
    return found


def reference_breath(ends: np.ndarray, schedule: Schedule) -> int:
    """Position of the breath around which alarm limits are set: the last one before anything has changed.

    The first one where nothing changes, or too early: limits around a later one would take what a change has done
    for what is to be kept.
    """
    begins = [change.at for change in schedule.changes]
    return max(_last_before(ends, min(begins)), 0) if begins else 0


def breaths_table(measures: xr.Dataset, shown: xr.Dataset, breaths: Sequence[tuple[str, int]]) -> Table:
    """Volume and pressure of each lung, each beside what the ventilator displays."""
    labels, positions = map(list, zip(*breaths, strict=True))
    sections = []
    for true, display in _BESIDE.items():
        names = [f"lung {name}" for name in measures["lung"].values]
        frame = pd.DataFrame(measures[true].values[positions], index=pd.Index(labels, name=""), columns=names)
        columns = {name: replace(VARIABLES[true].column, heading=name) for name in names}
        frame["displayed"] = shown[display].values[positions]
        columns["displayed"] = VARIABLES[display].column
        title = VARIABLES[true].long_name
        sections.append(Section(name=true, frame=frame, columns=columns, title=title, most_rows=_MOST_ROWS))
    return Table(sections=sections)


def _last_before(ends: np.ndarray, time: float) -> int:
    """Position of the last breath that is over by some time; -1 if none is."""
    return int(np.searchsorted(ends, time * (1.0 + 1e-12), side="right")) - 1
