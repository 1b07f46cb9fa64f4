"""Going on with a long run that was finished, stopped or broken off."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ventsim.errors import InputError, SchemaError
from ventsim.model.changes import AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.simulation.course import Course, Piece
from ventsim.simulation.prepare import LONGEST_RUN, check_number
from ventsim.simulation.provenance import describe
from ventsim.simulation.runner import Runner
from ventsim.simulation.saved_run import LongRun, Saver
from ventsim.simulation.streaming import long_course, run_course
from ventsim.tables import clock


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
    check_number("duration", duration, unit="s", low=0.0, high=LONGEST_RUN)
    before = run if isinstance(run, LongRun) else LongRun.read(run)
    circuit, settings, changes, options = _what_was_run(before, circuit, settings, changes)
    options |= {"duration": duration}
    if waveform_windows is not None or waveform_every is not None:
        options |= {"waveform_windows": tuple(waveform_windows or ()), "waveform_every": waveform_every}
    updates = int(before.measures.attrs.get("ramp_updates", 1))
    check_end(before, duration)
    course = long_course(Schedule(circuit, settings, tuple(changes)), options, updates=updates)
    done = int(before.state.attrs["breaths"])
    runner = Runner(tolerance=options["tolerance"], sample_interval=options["sample_interval"])
    state = before.state
    try:
        runner.resume(
            _last_piece(course, done), state["solver"].values, held_at_start=state["held_at_start"].values
        )
    except ValueError:
        raise SchemaError(
            "the last state of the run does not fit its circuit: it was made by another circuit or version.\n"
            "  Give the circuit, settings and changes of the run so far, or run again from the start."
        ) from None
    attrs = describe(circuit, settings, options=options, changes=changes) | {"ramp_updates": updates}
    return run_course(course, runner, attrs=attrs, before=before, progress=progress, saver=Saver(save))


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


def _last_piece(course: Course, done: int) -> Piece:
    """The piece with which breath number `done` - 1 ended."""
    last = None
    for block in course.blocks(longest=done, cut=done):
        if block.number >= done:
            break
        last = block.pieces[-1]
    if last is None:
        raise SchemaError("the run so far has no breath.\n  Run it from the start.")
    return last
