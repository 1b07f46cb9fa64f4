"""Studies on the command line."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr

import ventsim
from ventsim.command.files import INTERRUPTED, UNANSWERED, Found, heading, writing
from ventsim.command.remarks import CAUTION, UNLIKELY_INPUT, collected, in_short, lines_to_check
from ventsim.command.study_files import SizeTask, SweepTask, with_restrictors
from ventsim.errors import InputError, SchemaError, StoppedEarlyWarning, suggestion
from ventsim.model.scenario import Scenario
from ventsim.results.schema import VARIABLES
from ventsim.studies import (
    blind_spots,
    blind_spots_table,
    equivalent_modes,
    size_restrictors,
    sizing_table,
    sweep,
    sweep_table,
)
from ventsim.tables import Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def study_blind_spots(
    found: Found, files: tuple[Path, Path], *, lung: str | None, both: bool, duration: float
) -> int:
    """Try faults at one lung, print what each lung gets and what the ventilator sees, write file and figure.

    Return the exit code, as the other studies do.
    """
    scenario = found.scenario
    if lung is None:
        lung = next(iter(scenario.circuit.lungs))
    scenario = scenario.changed(changes=())  # the study makes its own
    modes = equivalent_modes(scenario) if both else None
    with _seen() as (stops, remarks):
        study = blind_spots(scenario, modes=modes, lung=lung, duration=duration)
    _write(study, ventsim.plot.blind_spots(study)[0].figure, files)
    print(f"{scenario.title if both else heading(scenario)} ({found.origin})")
    print(f"Faults at lung '{lung}', each by itself, watched for {duration:g} s\n")
    failed = int((study.reason != "").sum())
    missed = f"{failed} of {study.reason.size} faults could not be run; the table says why." if failed else ""
    return _end(blind_spots_table(study), files, [*found.remarks, *remarks], stops=stops, missed=missed)


def run_sweep(task: SweepTask, files: tuple[Path, Path]) -> int:
    """Run a sweep, print the measure asked for, write file and figure."""
    if task.show not in VARIABLES or VARIABLES[task.show].kinds != ("measures",):
        measures = [name for name, row in VARIABLES.items() if row.kinds == ("measures",)]
        raise InputError(f"show: there is no measure '{task.show}'.\n  {suggestion(task.show, measures)}")
    scenario = task.found.scenario
    if task.lung is not None and task.lung not in scenario.circuit.lungs:
        raise InputError(
            f"lung: there is no lung {task.lung!r}.\n  {suggestion(str(task.lung), scenario.circuit.lungs)}"
        )
    with _seen() as (stops, remarks):
        study = sweep(scenario, task.values, paired=task.paired, duration=task.duration)
    _write(study, _sweep_figure(study, task), files)
    print(f"{heading(scenario)} ({task.found.origin})\n")
    without = int((study.reason != "").sum())
    missed = f"{without} of {study.status.size} points have no breath; the table says why." if without else ""
    return _end(
        sweep_table(study, show=task.show), files, [*task.found.remarks, *remarks], stops=stops, missed=missed
    )


def run_size(task: SizeTask, files: tuple[Path, Path]) -> int:
    """Size, print the answer, write file and figure."""
    scenario, vary = with_restrictors(task.found.scenario, task.restrict, task.vary)
    with collected(*UNLIKELY_INPUT, displayed=True) as remarks:
        sizing = size_restrictors(
            scenario, targets=task.targets, vary=vary, drills=task.drills, bore_tolerance=task.bore_tolerance
        )
    _write(sizing.results, _size_figure(scenario, sizing.scenario), files)
    sized = files[0].with_suffix(".toml")
    sizing.scenario.save(sized)
    print(f"{heading(scenario)} ({task.found.origin})\n")
    missed = "" if sizing.feasible else "the targets are not met."
    return _end(sizing_table(sizing), (*files, sized), [*task.found.remarks, *remarks], missed=missed)


@contextmanager
def _seen() -> Iterator[tuple[list[str], list[str]]]:
    """Context that collects why a study was stopped, and the warnings of unlikely input."""
    with (
        collected(StoppedEarlyWarning, displayed=False) as stops,
        collected(*UNLIKELY_INPUT, displayed=True) as remarks,
    ):
        yield stops, remarks


def _size_figure(before: Scenario, sized: Scenario) -> "Figure":
    """Tidal volumes of the steady breath before, and with the values found."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 2.6 + 0.84 * len(before.circuit.lungs)), layout="constrained")
    for ax, one, title in zip(figure.subplots(2, 1), (before, sized), ("before", "sized"), strict=True):
        ventsim.plot.shares(ventsim.breath_measures(ventsim.steady_breath(one)), ax=ax)
        ax.set_title(title, loc="left", fontsize="medium")
    return figure


def _sweep_figure(study: xr.Dataset, task: SweepTask) -> "Figure":
    from matplotlib.figure import Figure

    try:
        if task.lung is not None:
            ax: Any = ventsim.plot.sweep_map(study, task.show, lung=task.lung, limit=task.limit)
        else:
            ax = ventsim.plot.sweep_lines(study, task.show)[0]
        return ax.figure
    except SchemaError as error:
        reason = str(error).splitlines()[0]
        print(
            f"ventsim: the picture shows nothing: {reason}\n"
            '  Give fewer values; or write lung = "NAME" above [values], for a map of two paths.',
            file=sys.stderr,
        )
        figure = Figure(figsize=(6.0, 1.5))
        figure.text(0.05, 0.5, f"Not drawn: {error}", va="center", fontsize="small", parse_math=False, wrap=True)
        return figure


def _write(study: xr.Dataset, figure: "Figure", files: tuple[Path, Path]) -> None:
    result, picture = files
    with writing("the study is finished, but its files"):
        study.to_netcdf(result, engine="h5netcdf")
        figure.savefig(picture, dpi=150)


def _end(
    table: Table, files: Sequence[Path], remarks: Sequence[str], *, stops: Sequence[str] = (), missed: str = ""
) -> int:
    """Print the table of a study; return the exit code, which says whether it was stopped or left a question open.

    `missed` says what has no answer.
    """
    to_check = lines_to_check(in_short(remarks))
    print(
        f"{table.text(caution=False)}\n\n{to_check}Written:    {', '.join(map(str, files))}\n\n{CAUTION}",
        flush=True,
    )
    for line in stops or ([missed] if missed else []):
        print(f"ventsim: {line}", file=sys.stderr)
    return INTERRUPTED if stops else UNANSWERED if missed else 0
