"""Long runs: measures of every breath, waveforms of some breaths only."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from ventsim.clock import clock
from ventsim.errors import StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.model.changes import AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.simulation.collector import Collector
from ventsim.simulation.course import Course
from ventsim.simulation.keeping import keeper
from ventsim.simulation.prepare import (
    DEFAULT_SAMPLE_INTERVAL,
    DEFAULT_TOLERANCE,
    LONGEST_RUN,
    MOST_UPDATES,
    check_kinds,
    check_number,
    check_sampling,
    check_tolerance,
)
from ventsim.simulation.progress import Progress
from ventsim.simulation.provenance import describe
from ventsim.simulation.runner import Runner
from ventsim.simulation.saved_run import LongRun, Saver, joined
from ventsim.simulation.stopping import StopRequest

# Breaths whose waveforms are held at a time.
_CHUNK = 32


def simulate_breaths(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    duration: float = 3600.0,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
    start: xr.Dataset | None = None,
    changes: Sequence[AnyChange] = (),
    ramp_updates: int = 1,
    progress: bool | None = None,
) -> xr.Dataset:
    """Run hours of breaths and return their measures; waveforms are measured and forgotten.

    The numbers are those of ``breath_measures(simulate(...))``: both go through the same definitions. Ctrl-C ends
    the run and returns the breaths finished by then.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    duration : float, default 3600
        How long to run; only whole breaths are run. [s]
    sample_interval : float, default 0.01
        Distance of the samples from which peaks are taken. [s]
    tolerance : float, default 5e-7
        Relative error allowed per step of the solver. [1]
    start : xarray.Dataset or None, default None
        Result of an earlier run of a circuit with the same points; its last state is the first one.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp or LeakOnset, default ()
        What changes while the run goes on, as in :func:`simulate`.
    ramp_updates : int, default 1
        How often in a breath a part that ramps is set anew. [1]
    progress : bool or None, default None
        Whether to show a progress bar; None: in a notebook or terminal, if the run lasts longer than a second.

    Returns
    -------
    xarray.Dataset
        Measures with dims (breath, lung) and (breath,).

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a change is impossible.
    SolverError
        If the solver fails; the message says when and what to do, the attribute ``finished`` holds the
        :class:`LongRun` so far.

    Warns
    -----
    StoppedEarlyWarning
        If Ctrl-C ended the run.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> vs.simulate_breaths(circuit, settings, duration=600).sizes["breath"]
    150
    """
    return simulate_long(
        circuit, settings, duration=duration, sample_interval=sample_interval, tolerance=tolerance, start=start,
        changes=changes, ramp_updates=ramp_updates, progress=progress,
    ).measures  # fmt: skip


def simulate_long(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    duration: float = 3600.0,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
    start: xr.Dataset | None = None,
    changes: Sequence[AnyChange] = (),
    ramp_updates: int = 1,
    waveform_windows: Sequence[tuple[float, float]] = (),
    waveform_every: int | None = None,
    progress: bool | None = None,
    save: str | Path | None = None,
) -> LongRun:
    """Run hours or days of breaths; keep all measures, the waveforms that are asked for, and the last state.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    duration : float, default 3600
        How long to run; only whole breaths are run. [s]
    sample_interval : float, default 0.01
        Distance of samples. [s]
    tolerance : float, default 5e-7
        Relative error allowed per step of the solver. [1]
    start : xarray.Dataset or None, default None
        Result of an earlier run of a circuit with the same points; its last state is the first one.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp or LeakOnset, default ()
        What changes while the run goes on, as in :func:`simulate`.
    ramp_updates : int, default 1
        How often in a breath a part that ramps is set anew. [1]
    waveform_windows : sequence of (float, float), default ()
        Stretches of time; the waveforms of all breaths that lie in one, if only in part, are kept. [s]
    waveform_every : int or None, default None
        Waveforms of every n-th breath are kept, from the first on. [1]
    progress : bool or None, default None
        Whether to show a progress bar; None: in a notebook or terminal, if the run lasts longer than a second.
    save : str, Path or None, default None
        File that is written every few seconds and at the end, always as a whole; see :class:`LongRun`.

    Returns
    -------
    LongRun
        Measures, kept waveforms and last state.

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a change is impossible.
    SolverError
        If the solver fails; the message says when and what to do, the attribute ``finished`` holds the
        :class:`LongRun` so far.

    Warns
    -----
    StoppedEarlyWarning
        If Ctrl-C ended the run; what is returned, and saved, holds the breaths finished by then.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> stiffer = vs.Change(path="lungs.lung.compliance", to=25, at=300)
    >>> run = vs.simulate_long(circuit, settings, duration=600, changes=[stiffer], waveform_windows=[(296, 304)])
    >>> [float(run.measures.inspired_tidal_volume.sel(breath=n, lung="lung")) for n in (75, 150)]
    [694.7511, 373.1808]
    >>> run.waveforms.sizes["breath"]
    2
    """
    check_kinds(circuit, settings)
    options = {"duration": duration, "sample_interval": sample_interval, "tolerance": tolerance}
    if len(waveform_windows) or waveform_every is not None:
        options |= {"waveform_windows": tuple(waveform_windows), "waveform_every": waveform_every}
    runner = Runner(tolerance=tolerance, sample_interval=sample_interval, start=start, unchanged=circuit)
    course = long_course(Schedule(circuit, settings, tuple(changes)), options, updates=ramp_updates)
    attrs = describe(circuit, settings, options=options, changes=changes) | {"ramp_updates": int(ramp_updates)}
    return run_course(course, runner, attrs=attrs, before=None, progress=progress, saver=Saver(save))


def long_course(schedule: Schedule, options: Mapping[str, Any], *, updates: int) -> Course:
    """What is to be run, after checks of the run options."""
    period = schedule.settings_at(0.0).period
    check_tolerance(options["tolerance"])
    check_sampling(options["sample_interval"], period)
    check_number("duration", options["duration"], unit="s", low=period, high=LONGEST_RUN)
    check_number("ramp_updates", updates, unit="per breath", low=1, high=MOST_UPDATES)
    keeps = keeper(options.get("waveform_windows", ()), options.get("waveform_every"))
    return Course(schedule, float(options["duration"]), whole=True, keeps=keeps, updates=int(updates))


def run_course(
    course: Course,
    runner: Runner,
    *,
    attrs: Mapping[str, Any],
    before: LongRun | None,
    progress: bool | None,
    saver: Saver,
) -> LongRun:
    """Run a course to its end or as far as it gets, from the start or from where an earlier part of it ended."""
    saver.check()
    done = 0 if before is None else int(before.state.attrs["breaths"])
    collector = Collector()

    def result(status: str) -> LongRun:
        held = runner.held_at_start
        measures = collector.measures(attrs, held_at_start=held).assign_attrs(status=status)
        waveforms = collector.waveforms(measures.attrs, held_at_start=held)
        run = LongRun(measures=measures, waveforms=waveforms, state=collector.state(held_at_start=held))
        return run if before is None else joined(before, run)

    def so_far() -> str:
        return f"after {done + collector.n_breaths} breaths, before the end at {clock(course.duration)} h:min:s"

    status = "finished"
    with (
        Progress(course.duration, shown=progress) as bar,
        StopRequest(lambda: collector.n_breaths > 0) as stop,
    ):
        try:
            for block in course.blocks(longest=_CHUNK, cut=done):
                if block.number >= done:
                    collector.add(block, runner.run_block(block, every_part=block.kept), runner)
                    saver.now_and_then(lambda: result(f"unfinished: {so_far()}"))
                bar.reach(float(block.timing["breath_end"][-1]))
                stop.check()
        except KeyboardInterrupt:
            if not collector.n_breaths:
                raise
            status = f"stopped by Ctrl-C {so_far()}"
        except VentsimError as error:
            if collector.n_breaths:
                error.finished = result(f"failed {so_far()}: {error}")
                saver.at_end(error.finished)
            raise
    if before is not None and not collector.n_breaths:
        measures = before.measures.assign_attrs({**attrs, "status": status})
        run = LongRun(measures=measures, waveforms=before.waveforms, state=before.state)
    else:
        run = result(status)
    saver.at_end(run)
    if status != "finished":
        warn_caller(StoppedEarlyWarning(f"the run was {status}; the finished breaths are kept."))
    return run
