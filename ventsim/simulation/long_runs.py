"""Long runs: measures of every breath, waveforms of some breaths only; and going on with them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from ventsim.clock import clock
from ventsim.errors import InputError, SchemaError, StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.model.changes import AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import check, quantity
from ventsim.simulation.blocks import Blocks, keeper
from ventsim.simulation.finished_breaths import FinishedBreaths
from ventsim.simulation.integration import Integration
from ventsim.simulation.problem import (
    DEFAULT_SAMPLE_INTERVAL,
    DEFAULT_TOLERANCE,
    check_kinds,
    check_sampling,
    problem_of,
)
from ventsim.simulation.progress import Progress, StopRequest
from ventsim.simulation.provenance import describe
from ventsim.simulation.saved_run import LongRun, Saver, joined

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
        Windows of time; the waveforms of all breaths that lie in one, if only in part, are kept. [s]
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
    integration = Integration(tolerance=tolerance, sample_interval=sample_interval, start=start, unchanged=circuit)
    blocks = _blocks(Schedule(circuit, settings, tuple(changes)), options, updates=ramp_updates)
    attrs = describe(circuit, settings, options=options, changes=changes) | {"ramp_updates": int(ramp_updates)}
    return _run(blocks, integration, attrs=attrs, before=None, progress=progress, saver=Saver(save))


def continue_long(
    run: LongRun | str | Path,
    *,
    duration: float,
    circuit: Circuit | None = None,
    settings: BreathSettings | None = None,
    changes: Sequence[AnyChange] | None = None,
    waveform_windows: Sequence[tuple[float, float]] | None = None,
    waveform_every: int | None = None,
    progress: bool | None = None,
    save: str | Path | None = None,
) -> LongRun:
    """Go on with a long run from its last state: the same numbers, to the last bit, as if it had never ended.

    Parameters
    ----------
    run : LongRun, str or Path
        The run so far, or the file in which it was saved.
    duration : float
        How long the whole run shall last, counted from its start. [s]
    circuit : Circuit or None, default None
        The circuit at the start; None: the one that the run has noted. Needed only where the circuit has parts
        of the user's own making, which a file cannot hold.
    settings : PressureControl, VolumeControl or None, default None
        The settings at the start, to be given with `circuit`.
    changes : sequence of changes or None, default None
        All changes from the start on, those of the past as they were; None: those that the run has noted.
    waveform_windows : sequence of (float, float) or None, default None
        As in :func:`simulate_long`; None, and `waveform_every` None too: what the run has noted. [s]
    waveform_every : int or None, default None
        As in :func:`simulate_long`. [1]
    progress : bool or None, default None
        As in :func:`simulate_long`.
    save : str, Path or None, default None
        As in :func:`simulate_long`.

    Returns
    -------
    LongRun
        The whole run, with the breaths that were there before.

    Raises
    ------
    InputError
        If `duration` is impossible or lies before the end of the run so far.
    SchemaError
        If the run cannot be read, or does not belong to the circuit.
    SolverError
        If the solver fails.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> run = vs.simulate_long(circuit, settings, duration=400)
    >>> vs.continue_long(run, duration=600).measures.sizes["breath"]
    150
    """
    check("", {"duration": duration}, duration=quantity("duration", at_least=0.0))
    before = run if isinstance(run, LongRun) else LongRun.read(run)
    circuit, settings, changes, options = _what_was_run(before, circuit, settings, changes)
    options |= {"duration": duration}
    if waveform_windows is not None or waveform_every is not None:
        options |= {"waveform_windows": tuple(waveform_windows or ()), "waveform_every": waveform_every}
    updates = int(before.measures.attrs.get("ramp_updates", 1))
    check_end(before, duration)
    schedule, state = Schedule(circuit, settings, tuple(changes)), before.state
    blocks = _blocks(schedule, options, updates=updates)
    integration = Integration(tolerance=options["tolerance"], sample_interval=options["sample_interval"])
    last = problem_of(
        schedule.circuit_at(state.attrs["circuit_time_s"]), schedule.settings_at(state.attrs["settings_time_s"]),
        tolerance=options["tolerance"],
    )  # fmt: skip
    try:
        integration.resume(last, state["solver"].values, held_at_start=state["held_at_start"].values)
    except ValueError:
        raise SchemaError(
            "the last state of the run does not fit its circuit: it was made by another circuit or version.\n"
            "  Give the circuit, settings and changes of the run so far, or run again from the start."
        ) from None
    attrs = describe(circuit, settings, options=options, changes=changes) | {"ramp_updates": updates}
    return _run(blocks, integration, attrs=attrs, before=before, progress=progress, saver=Saver(save))


def check_end(before: LongRun, duration: float) -> None:
    """Refuse to go on until a time that the run so far has passed."""
    end = float(before.measures["breath_end"][-1])
    if duration < end:
        raise InputError(
            f"duration {duration:.10g} s lies before the end of the run so far, {end:.10g} s ({clock(end)})."
            "\n  Give the duration of the whole run, counted from its start."
        )


def _what_was_run(
    before: LongRun, circuit: Circuit | None, settings: BreathSettings | None, changes: Sequence[AnyChange] | None
) -> tuple[Circuit, BreathSettings, Sequence[AnyChange], dict[str, Any]]:
    attrs = before.measures.attrs
    if (circuit is None) != (settings is None):
        raise InputError("circuit and settings belong together.\n  Give both, or none of them.")
    options: dict[str, Any] = {
        "tolerance": float(attrs["relative_tolerance"]),
        "sample_interval": float(attrs["sample_interval_s"]),
    }
    if circuit is not None:
        return circuit, settings, () if changes is None else changes, options
    scenario = Scenario.from_dataset(before.measures)
    if not scenario.keeps_all_waveforms:
        options |= {"waveform_windows": scenario.waveform_windows, "waveform_every": scenario.waveform_every}
    return scenario.circuit, scenario.settings, scenario.changes if changes is None else changes, options


def _blocks(schedule: Schedule, options: Mapping[str, Any], *, updates: int) -> Blocks:
    """What is to be run, after checks of the run options."""
    period = schedule.settings_at(0.0).period
    check_sampling(options["sample_interval"], period)
    given = {"tolerance": options["tolerance"], "duration": options["duration"], "ramp_updates": updates}
    check("", given, duration=quantity("duration", at_least=period))
    keeps = keeper(options.get("waveform_windows", ()), options.get("waveform_every"))
    return Blocks(schedule, float(options["duration"]), whole=True, keeps=keeps, updates=int(updates))


def _run(
    blocks: Blocks,
    integration: Integration,
    *,
    attrs: Mapping[str, Any],
    before: LongRun | None,
    progress: bool | None,
    saver: Saver,
) -> LongRun:
    """Run all blocks or as far as it gets, from the start or from where an earlier part of the run ended."""
    saver.check()
    done = 0 if before is None else int(before.state.attrs["breaths"])
    finished = FinishedBreaths()

    def result(status: str) -> LongRun:
        held = integration.held_at_start
        measures = finished.measures(attrs, held_at_start=held).assign_attrs(status=status)
        waveforms = finished.waveforms(measures.attrs, held_at_start=held)
        run = LongRun(measures=measures, waveforms=waveforms, state=finished.state(held_at_start=held))
        return run if before is None else joined(before, run)

    def so_far() -> str:
        return f"after {done + finished.n_breaths} breaths, before the end at {clock(blocks.duration)} h:min:s"

    status = "finished"
    with (
        Progress(blocks.duration, shown=progress) as bar,
        StopRequest(lambda: finished.n_breaths > 0) as stop,
    ):
        try:
            bar.reach(integration.position.now)
            for block in integration.blocks(blocks, longest=_CHUNK):
                finished.add(block, integration.run_block(block, every_part=block.kept), integration)
                saver.now_and_then(lambda: result(f"unfinished: {so_far()}"))
                bar.reach(integration.position.now)
                stop.check()
        except KeyboardInterrupt:
            if not finished.n_breaths:
                raise
            status = f"stopped by Ctrl-C {so_far()}"
        except VentsimError as error:
            if finished.n_breaths:
                error.finished = result(f"failed {so_far()}: {error}")
                saver.at_end(error.finished)
            raise
    if before is not None and not finished.n_breaths:
        measures = before.measures.assign_attrs({**attrs, "status": status})
        run = LongRun(measures=measures, waveforms=before.waveforms, state=before.state)
    else:
        run = result(status)
    saver.at_end(run)
    if status != "finished":
        warn_caller(StoppedEarlyWarning(f"the run was {status}; the finished breaths are kept."))
    return run
