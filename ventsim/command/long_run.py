"""A run of hours, or one in which something changes: the table of what changed, a picture over hours."""

import sys
from pathlib import Path

import numpy as np

import ventsim
from ventsim.changes import Schedule, changes_table
from ventsim.command.finding import Found
from ventsim.command.words import CAUTION, INTERRUPTED
from ventsim.errors import InputError, VentsimError
from ventsim.monitor import AlarmLimits, alarms, alarms_table, displayed_values
from ventsim.scenario import Scenario
from ventsim.simulation import LongRun

__all__ = ["LONG", "continue_run", "run_long"]

LONG = 1800.0
"""Runs that last longer keep no waveforms unless they are asked for. [s]"""

_MOST_ROWS = 14


def run_long(found: Found, files: tuple[Path, Path]) -> int:
    """Run a scenario for hours, or one with changes; return the exit code."""
    scenario = found.scenario
    print(f"{scenario.title} ({found.origin})\n")
    schedule = Schedule(scenario.circuit, scenario.settings, scenario.changes)
    if scenario.changes:
        print(changes_table(schedule), end="\n\n")
    sys.stdout.flush()
    windows, every = scenario.wave_windows, scenario.wave_every
    if scenario.keeps_all_waves and scenario.duration <= LONG:
        windows = ((0.0, scenario.duration),)
    try:
        run = ventsim.simulate_long(
            scenario.circuit, scenario.settings, duration=scenario.duration,
            sample_interval=scenario.sample_interval, tolerance=scenario.tolerance, changes=scenario.changes,
            wave_windows=windows, wave_every=every, save=files[0],
        )  # fmt: skip
    except VentsimError as error:
        if isinstance(error.finished, LongRun):
            n = error.finished.measures.sizes["breath"]
            print(f"ventsim: the {n} breaths finished before are in {files[0]}.", file=sys.stderr)
        raise
    return _report(run, schedule, files, title=scenario.title)


def continue_run(path: Path, duration: float, files: tuple[Path, Path]) -> int:
    """Go on with a saved run; return the exit code."""
    before = LongRun.read(path)
    scenario = Scenario.from_dataset(before.measures)
    print(f"{scenario.title} (from {path}, {before.measures.sizes['breath']} breaths so far)\n", flush=True)
    run = ventsim.continue_long(before, duration=duration, save=files[0])
    schedule = Schedule(scenario.circuit, scenario.settings, scenario.changes)
    return _report(run, schedule, files, title=scenario.title)


def _report(run: LongRun, schedule: Schedule, files: tuple[Path, Path], *, title: str) -> int:
    """Draw, print, and tell whether the run went to its end."""
    measures = run.measures
    shown = displayed_values(measures)
    ends = measures.breath_end.values
    stages = _stages(ends, schedule.knots)
    reference = stages[0][1]
    limits = AlarmLimits.around(shown.isel(breath=[reference]))
    raised = alarms(shown, limits)
    _draw(run, shown, raised, schedule, files[1], title=title)
    print(_stage_table(run, stages))
    number = int(measures.breath[reference])
    # The table ends with a line of caution; here that comes at the very end, and says more.
    told, _, _ = alarms_table(raised).rpartition("\n\n")
    print(f"\n{told}\n(limits around what was displayed of breath {number})\n")
    residual = abs(measures.attrs["volume_balance_residual_mL"])
    print(
        f"Numerics:   {measures.sizes['breath']} breaths, {measures.attrs['steps']} steps; {residual:.1g} mL of "
        f"gas not accounted for in the whole run.\nWritten:    {', '.join(map(str, files))}\n\n{CAUTION}"
    )
    status = str(measures.attrs["status"])
    if status == "finished":
        return 0
    print(f"ventsim: {status}; the finished breaths are kept in {files[0]}.", file=sys.stderr)
    return INTERRUPTED


def _stages(ends: np.ndarray, knots: tuple[float, ...]) -> list[tuple[str, int]]:
    """What to show: the last breath before every instant at which a change begins or ends, and the last of all."""
    found: list[tuple[str, int]] = []
    for knot in knots:
        k = int(np.searchsorted(ends, knot * (1.0 + 1e-12), side="right")) - 1
        if 0 <= k < len(ends) - 1 and (not found or found[-1][1] != k):
            found.append((f"before {_clock(knot)}", k))
    found.append((f"end, {_clock(float(ends[-1]))}", len(ends) - 1))
    if len(found) > _MOST_ROWS:
        half = _MOST_ROWS // 2
        found = found[:half] + found[-half:]
    return found


def _clock(time: float) -> str:
    """A time as h:min:s, or with seconds alone in a short run."""
    whole, hundredths = divmod(round(time * 100), 100)
    minutes, seconds = divmod(whole, 60)
    text = f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return f"{text}.{hundredths:02d}" if hundredths else text


def _stage_table(run: LongRun, stages: list[tuple[str, int]]) -> str:
    measures, shown = run.measures, displayed_values(run.measures)
    lungs = [str(name) for name in measures.lung.values]
    first = max(len(text) for text, _ in stages) + 2
    width = max(9, *(len(name) + 7 for name in lungs))
    lines = [
        " " * first + "inspired tidal volume".ljust(width * len(lungs)) + "   displayed   displayed",
        " " * first + "".join(f"lung {name}".rjust(width) for name in lungs) + "     expired        peak",
        "".ljust(first) + "[mL]".rjust(width) * len(lungs) + "        [mL]     [cmH2O]",
    ]
    for text, k in stages:
        volumes = measures.inspired_tidal_volume.values[k]
        expired = float(shown.displayed_expired_tidal_volume[k])
        peak = float(shown.displayed_peak_pressure[k])
        cells = "".join(f"{volume:{width}.1f}" for volume in volumes)
        lines.append(f"{text.ljust(first)}{cells}{expired:12.1f}{peak:12.2f}")
    return "\n".join(lines)


def _draw(run: LongRun, shown: object, raised: object, schedule: Schedule, path: Path, *, title: str) -> None:
    from matplotlib.figure import Figure

    measures = run.measures
    figure = Figure(figsize=(8.0, 6.8 + 0.09 * measures.sizes["lung"]), layout="constrained")
    axes = figure.subplots(3, 1, sharex=True)
    ventsim.plot.hours(measures, displayed=shown, alarms=raised, instants=schedule.knots, axes=axes)
    figure.suptitle(title, parse_math=False)
    try:
        figure.savefig(path, dpi=150)
    except (OSError, RuntimeError) as error:
        raise InputError(
            f"the run is finished, but its picture could not be written: {error}.\n"
            "  Make room, or give another folder: --out DIR."
        ) from None
