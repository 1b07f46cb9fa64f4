"""Going on with a long run that was finished, stopped or broken off."""

from ventsim.errors import InputError, SchemaError
from ventsim.simulation.course import Course, Piece
from ventsim.simulation.runner import Runner
from ventsim.simulation.saved_run import LongRun
from ventsim.tables import clock


def resumed(runner: Runner, course: Course, before: LongRun) -> None:
    """Bring a run to the last state of an earlier one."""
    state = before.state
    last = _last_piece(course, int(state.attrs["breaths"]))
    try:
        runner.resume(last, state["solver"].values, held_at_start=state["held_at_start"].values)
    except ValueError:
        raise SchemaError(
            "the last state of the run does not fit its circuit: it was made by another circuit or version.\n"
            "  Give the circuit, settings and changes of the run so far, or run again from the start."
        ) from None


def check_end(before: LongRun, duration: float) -> None:
    """Refuse to go on until a time that the run so far has passed."""
    end = float(before.measures["breath_end"][-1])
    if duration < end:
        raise InputError(
            f"duration {duration:.10g} s lies before the end of the run so far, {end:.10g} s ({clock(end)})."
            "\n  Give the duration of the whole run, counted from its start."
        )


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
