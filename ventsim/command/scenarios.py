"""Commands on one scenario: its text and parts, a drawing of its circuit, and runs.

Runs of minutes print the last breath and keep all waveforms; runs of hours, and those in which something changes,
print what changed and draw all breaths.
"""

import argparse
import shlex
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

import ventsim
from ventsim.command.ending import last_lines
from ventsim.command.files import announce, find, heading, output_files, write
from ventsim.command.streams import say
from ventsim.errors import FileError, InputError, ScenarioError, VentsimError
from ventsim.files import is_result, reserved, write_file
from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit, parts_list
from ventsim.model.scenario import Scenario, builtin, builtin_names, builtin_text
from ventsim.results.measures import whole_breaths
from ventsim.results.monitor import AlarmLimits, alarms, alarms_table, displayed_values
from ventsim.results.remarks import breath_remarks, lung_remarks, machine_remarks, remarks_at
from ventsim.results.schema import VARIABLES
from ventsim.simulation import LongRun
from ventsim.simulation.long_runs import check_end
from ventsim.starting import INTERRUPTED
from ventsim.tables import Section, Table, clock, fixed

LONG = 1800.0
"""Runs that last longer keep no waveforms unless they are asked for. [s]"""

BREATHS_IN_PICTURE = 2


def list_scenarios(options: argparse.Namespace) -> None:
    """Names and titles of the built-in scenarios."""
    names = builtin_names()
    width = max(map(len, names))
    for name in names:
        print(f"{name.ljust(width)}  {heading(builtin(name))}")
    print("\nAll invented for demonstration. Try: ventsim run two-unequal-lungs")


def show_scenario(options: argparse.Namespace) -> None:
    """A scenario as TOML, on the screen or in a file, which is in UTF-8 whatever the screen can show."""
    target = options.target
    text = builtin_text(target) if target in builtin_names() else find(target).scenario.to_toml()
    if options.out is None:
        print(text.rstrip("\n"))
    else:
        write_file(options.out, text)
        print(f"Written:    {options.out}")


def list_parts(options: argparse.Namespace) -> None:
    """The parts of a scenario's circuit."""
    found = find(options.target)
    announce(found.scenario, found.origin)
    print(parts_list(found.scenario.circuit))


def draw(options: argparse.Namespace) -> None:
    """A picture of the circuit with the flows of an instant: of a run, or of the steady breath without a time."""
    found, time = find(options.target), options.time
    (file,) = output_files(options, stem=f"{found.stem}-circuit", endings=(".png",))
    title = announce(found.scenario, found.origin)
    circuit, waveforms = _at(found.scenario, time)
    remarks = [*found.remarks, *(remarks_at(waveforms, time) if waveforms is not None else [])]
    ax: Any = ventsim.plot.circuit_drawing(circuit, waveforms=waveforms, time=time)
    ax.figure.suptitle(title, parse_math=False)
    write("the drawing", {file: ax.figure})
    of = "the steady breath before any change" if time is None else "the run"
    print(f"Drawn:      {len(circuit.parts)} parts, {ax.get_title(loc='left')}, of {of}")
    print(last_lines(remarks, [file]))


def _at(scenario: Scenario, time: float | None) -> tuple[Circuit, xr.Dataset | None]:
    """The circuit as it is at an instant, and waveforms around it."""
    if time is None:
        return scenario.circuit, ventsim.steady_breath(scenario.changed(changes=()))
    if not 0.0 <= time <= scenario.duration:
        raise InputError(
            f"time {time:g} s is outside of the run.\n"
            f"  Allowed: 0 to {scenario.duration:g} s; without --time: the steady breath."
        )
    # So that the breath at that instant is whole, however early the ones before it have ended.
    longest = max(scenario.schedule.settings_at(one).period for one in scenario.schedule.knots)
    window, duration = (max(time - longest, 0.0), time + longest), max(scenario.duration, time + longest)
    run = ventsim.simulate_long(scenario, duration=duration, waveform_windows=(window,))
    return scenario.schedule.circuit_at(time), run.waveforms


def run(options: argparse.Namespace) -> int:
    """Run a scenario, in the way that suits its length and changes; or go on with a long run."""
    if options.goes_on:
        return _go_on(options)
    found = find(options.target)
    scenario, period = found.scenario, found.scenario.settings.period
    if options.duration is not None:
        scenario = scenario.changed({"duration": options.duration})
    if scenario.duration < period * (1.0 - 1e-9):
        raise ScenarioError(
            f"duration {scenario.duration:.6g} s holds no whole breath, so there is nothing to measure.\n"
            f"  Allowed: at least {period:.6g} s, one breath at a rate of {scenario.settings.rate:.6g} 1/min."
        )
    files = output_files(options, stem=found.stem)
    if scenario.keeps_all_waveforms and scenario.duration <= LONG:
        if not scenario.changes:
            return _run_short(scenario, found.origin, files, remarks=found.remarks)
        scenario = scenario.changed(waveform_windows=((0.0, scenario.duration),))
    return _run_long(scenario, found.origin, files, remarks=found.remarks)


def _run_short(scenario: Scenario, origin: str, files: Sequence[Path], *, remarks: Sequence[str]) -> int:
    """Run a scenario, print its last breath, write waveforms and a picture."""
    from matplotlib.figure import Figure

    title = announce(scenario, origin)
    waveforms = ventsim.simulate(scenario)
    measures = ventsim.breath_measures(waveforms)
    figure = Figure(figsize=(8.0, 6.8 + 0.09 * waveforms.sizes["lung"]), layout="constrained")
    breaths = min(BREATHS_IN_PICTURE, int(whole_breaths(waveforms).sum()))
    ventsim.plot.waveforms(waveforms, breaths=breaths, axes=figure.subplots(3, 1, sharex=True))
    figure.suptitle(title, parse_math=False)
    # The files come first: whoever reads the table may stop reading (`| head`) and must still have them.
    write("the run is finished, but its files", {files[0]: waveforms, files[1]: figure})
    print(_summary(waveforms, measures, tolerance=scenario.tolerance))
    print(last_lines([*remarks, *breath_remarks(measures.isel(breath=-1))], files))
    return 0


def _summary(waveforms: xr.Dataset, measures: xr.Dataset, *, tolerance: float) -> str:
    """The last whole breath, how its gas balances, and how precise the numbers are."""
    last = measures.isel(breath=-1)
    delivered, returned = float(last["port_delivered_volume"]), float(last["port_returned_volume"])
    stored = delivered - returned - float(last["volume_balance_error"])
    steady = "one breath only."
    if measures.sizes["breath"] > 1:
        volumes = measures["inspired_tidal_volume"].isel(breath=slice(-2, None))
        change = max(float(abs(volumes.diff("breath")).max()), 0.01)
        steady = f"no lung's inspired volume differs by more than {fixed(change, 2)} mL from the breath before."
    lost = abs(waveforms.attrs["volume_balance_residual_mL"])
    return (
        f"{ventsim.breath_table(measures).text(caution=False)}\n\n"
        f"Gas:        {fixed(delivered, 1)} mL delivered, {fixed(returned, 1)} mL returned, "
        f"{fixed(stored, 1)} mL more held by lungs and circuit than before the breath.\n"
        f"Steadiness: {steady}\n"
        f"Numerics:   {waveforms.attrs['steps']} steps at a tolerance of {tolerance:g}; {lost:.1g} mL of gas "
        "not accounted for in the whole run."
    )


def _run_long(
    scenario: Scenario, origin: str, files: Sequence[Path], *, remarks: Sequence[str] = (),
    before: LongRun | None = None, kept: str = "",
) -> int:  # fmt: skip
    """Run a scenario for hours, or one with changes, or go on with it; return the exit code.

    A run that fails says where its finished breaths are, or what is `kept` if it finished none.
    """
    announce(scenario, origin, changes=True)
    try:
        run = ventsim.simulate_long(scenario, resume=before, save=files[0])
    except FileError:
        raise
    except VentsimError as error:
        if isinstance(error.finished, LongRun):
            n = error.finished.measures.sizes["breath"]
            say(f"ventsim: the {n} breaths finished before are in {files[0]}.")
        elif kept:
            say(f"ventsim: {kept}")
        raise
    return _report(run, scenario, files, remarks=remarks)


def _go_on(options: argparse.Namespace) -> int:
    """Go on with a long run that was saved, up to a time or to the one that it was to last."""
    path = Path(options.target)
    if not is_result(path):
        raise InputError(
            f"'{path}' is no result of a long run.\n  Give the .nc file that 'ventsim run' has written."
        )
    files = output_files(options, stem=path.stem, keep_source=False)
    with reserved(files[0]):  # which may be the run so far
        return _go_on_alone(path, options.duration, files)


def _go_on_alone(path: Path, duration: float | None, files: Sequence[Path]) -> int:
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
    so_far = f"{before.measures.sizes['breath']} breaths so far"
    kept = f"the {so_far} are kept in {path}."
    return _run_long(scenario, f"from {path}, {so_far}", files, before=before, kept=kept)


def _report(run: LongRun, scenario: Scenario, files: Sequence[Path], *, remarks: Sequence[str]) -> int:
    """Draw, print, and say whether the run went to its end."""
    measures, schedule = run.measures, scenario.schedule
    shown = displayed_values(measures)
    ends = measures.breath_end.values
    limits, set_around = _limits(shown, reference_breath(ends, schedule))
    raised = alarms(shown, limits)
    _draw(measures, shown, raised, scenario, files)
    print(breaths_table(measures, shown, breaths_to_show(ends, schedule)))
    print(f"\n{alarms_table(raised).text(caution=False)}\n({set_around})\n")
    residual = abs(measures.attrs["volume_balance_residual_mL"])
    waveforms = "no waveforms" if run.waveforms is None else f"waveforms of {run.waveforms.sizes['breath']}"
    to_check = [*remarks, *machine_remarks(measures), *lung_remarks(measures.isel(breath=-1))]
    print(
        f"Numerics:   {measures.sizes['breath']} breaths, {measures.attrs['steps']} steps; {residual:.1g} mL of "
        f"gas not accounted for in the whole run.\n"
        f"Kept:       measures of all breaths, {waveforms}, the last state to go on from.\n"
        f"{last_lines(to_check, files)}"
    )
    status = str(measures.attrs["status"])
    if status == "finished":
        return 0
    sys.stdout.flush()
    again = ["ventsim", "run", str(files[0]), "--continue"]
    again += [] if files[0].parent == Path() else ["--out", str(files[0].parent)]
    say(f"ventsim: {status}; the finished breaths are kept in {files[0]}.\n  Go on: {shlex.join(again)}")
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
    measures: xr.Dataset, shown: xr.Dataset, raised: xr.Dataset, scenario: Scenario, files: Sequence[Path]
) -> None:
    from matplotlib.figure import Figure

    rows = max(int((raised.alarm_raised > 0).any("breath").sum()), 1)
    heights = [1.6] * 4 + [0.2 * rows + 0.1]
    figure = Figure(figsize=(8.0, sum(heights) + 1.2 + 0.09 * measures.sizes["lung"]), layout="constrained")
    axes = figure.subplots(len(heights), 1, sharex=True, gridspec_kw={"height_ratios": heights})
    # The first knot is the start of the run, whether anything changes there or not.
    ventsim.plot.hours(measures, displayed=shown, alarms=raised, instants=scenario.schedule.knots[1:], axes=axes)
    figure.suptitle(heading(scenario), parse_math=False)
    write("the run is finished, but its picture", {files[1]: figure})


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
    last = len(ends) - 1
    found: dict[int, str] = {}
    for knot in schedule.knots:
        found.setdefault(_last_before(ends, knot), f"before {clock(knot)}")
    return [*((text, k) for k, text in found.items() if 0 <= k < last), (f"end, {clock(float(ends[-1]))}", last)]


def reference_breath(ends: np.ndarray, schedule: Schedule) -> int:
    """Position of the breath around which alarm limits are set: the last one before anything has changed.

    The first one where nothing changes, or too early: limits around a later one would take what a change has done
    for what is to be kept.
    """
    return max(_last_before(ends, min((change.at for change in schedule.changes), default=0.0)), 0)


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
