"""Long runs: measures of every breath, waveforms of some breaths only."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from ventsim.errors import StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.model.changes import AnyChange
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.quantities import check
from ventsim.simulation.collector import Collector
from ventsim.simulation.continuing import check_end, resumed
from ventsim.simulation.course import Course
from ventsim.simulation.keeping import keeper
from ventsim.simulation.progress import Progress
from ventsim.simulation.provenance import describe
from ventsim.simulation.runner import Runner
from ventsim.simulation.saved_run import LongRun, Saver, joined
from ventsim.simulation.stopping import StopRequest
from ventsim.tables import clock

# Breaths whose waveforms are held at a time.
_CHUNK = 32


@documented
def simulate_long(
    scenario: Scenario | Circuit | LongRun | str | Path,
    settings: BreathSettings | None = None,
    *,
    duration: float | None = None,
    sample_interval: float | None = None,
    tolerance: float | None = None,
    changes: Sequence[AnyChange] | None = None,
    start: xr.Dataset | None = None,
    ramp_updates: int = 1,
    waveform_windows: Sequence[tuple[float, float]] | None = None,
    waveform_every: int | None = None,
    resume: LongRun | str | Path | None = None,
    progress: bool | None = None,
    save: str | Path | None = None,
) -> LongRun:
    """Run hours or days of breaths; keep all measures, the waveforms that are asked for, and the last state.

    Parameters
    ----------
    scenario
        A :class:`LongRun`, or the file of one, goes on from its last state: the same numbers, to the last bit, as
        if it had never ended.
    settings
    duration
        Only whole breaths are run; of a run that goes on the time of the whole, counted from its start. With a
        circuit by default 3600.
    sample_interval
    tolerance
    changes
    start
    ramp_updates
    waveform_windows
    waveform_every
    resume : LongRun, str or Path, optional
        The run so far, where its scenario has to be given because a file cannot hold a part of the user's own making;
        with all changes from the start on.
    progress
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
    >>> vs.simulate_long(run, duration=700).measures.sizes["breath"]
    175
    """
    if isinstance(scenario, LongRun | str | Path):
        resume, scenario = scenario, None
    before = resume if resume is None or isinstance(resume, LongRun) else LongRun.read(resume)
    if scenario is None:
        scenario = Scenario.from_dataset(before.measures)
    elif duration is None and not isinstance(scenario, Scenario):
        duration = 3600.0
    scenario = scenario_of(
        scenario, settings, where="simulate_long", duration=duration, sample_interval=sample_interval,
        tolerance=tolerance, changes=None if changes is None else tuple(changes), waveform_windows=waveform_windows,
        waveform_every=waveform_every,
    )  # fmt: skip
    check("simulate_long", {"ramp_updates": ramp_updates})
    if before is not None:
        ramp_updates = int(before.measures.attrs.get("ramp_updates", ramp_updates))
        check_end(before, scenario.duration)
    keeps = keeper(scenario.waveform_windows, scenario.waveform_every)
    course = Course(scenario.schedule, scenario.duration, whole=True, keeps=keeps, updates=int(ramp_updates))
    runner = Runner(
        tolerance=scenario.tolerance,
        sample_interval=scenario.sample_interval,
        start=start,
        unchanged=scenario.circuit,
    )
    if before is not None:
        resumed(runner, course, before)
    attrs = describe(scenario) | {"ramp_updates": int(ramp_updates)}
    return run_course(course, runner, attrs=attrs, before=before, progress=progress, saver=Saver(save))


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
