"""Long runs: measures of every breath, waveforms of some breaths only; and going on with them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.engine.state import state_vector
from ventsim.errors import FileError, InputError, SchemaError, StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.files import reserved
from ventsim.model.changes import AnyChange
from ventsim.model.scenario import AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.results.kernel import Measures, variables_of
from ventsim.results.schema import label
from ventsim.simulation.blocks import Block, Blocks, Piece
from ventsim.simulation.integration import Integration, Recorded, problem_of
from ventsim.simulation.progress import Progress, StopRequest
from ventsim.simulation.run import describe, measures_of, numerics, waveforms_dataset
from ventsim.simulation.saved_run import LongRun, Saver, joined
from ventsim.tables import clock
from ventsim.units import FloatArray

# Breaths whose waveforms are held at a time.
_CHUNK = 32


@public
def simulate_long(
    scenario: AnyScenario | LongRun | str | Path,
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
        The run so far, where its scenario has to be given because a file cannot hold a part of the user's own;
        with all changes from the start on.
    progress
    save : str, Path or None, default None
        File that is written every few seconds and at the end, always as a whole; see :class:`LongRun`. While the
        run goes on, no other run may write it.

    Returns
    -------
    LongRun
        Measures, kept waveforms and last state.

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a change is impossible.
    FileError
        If the file cannot be written: at the beginning, if another run is writing it; later, if there is no room.
        The attribute ``finished`` then holds the :class:`LongRun` so far, and the file what was written before.
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
    with reserved(save):  # before the run so far is read, so that nobody writes it meanwhile
        goes_on = isinstance(scenario, LongRun | str | Path)
        given = scenario if isinstance(scenario, LongRun | str | Path) else resume
        before = given if given is None or isinstance(given, LongRun) else LongRun.read(given)
        if goes_on and before is not None:
            scenario = Scenario.from_dataset(before.measures)
        elif duration is None and not isinstance(scenario, Scenario):
            duration = 3600.0
        scenario = scenario_of(
            scenario, settings, where="simulate_long", duration=duration, sample_interval=sample_interval,
            tolerance=tolerance, changes=None if changes is None else tuple(changes),
            waveform_windows=waveform_windows, waveform_every=waveform_every,
        )  # fmt: skip
        check("simulate_long", {"ramp_updates": ramp_updates})
        if before is not None:
            ramp_updates = int(before.measures.attrs.get("ramp_updates", ramp_updates))
            check_end(before, scenario.duration)
        else:
            one_breath = quantity("duration", at_least=scenario.schedule.settings_at(0.0).period)
            check("simulate_long", {"duration": scenario.duration}, duration=one_breath)
        windows, every = scenario.waveform_windows, scenario.waveform_every
        blocks = Blocks(
            scenario.schedule,
            scenario.duration,
            whole=True,
            windows=windows,
            every=every,
            updates=int(ramp_updates),
        )
        integration = Integration(scenario, start=start, unchanged=scenario.circuit)
        if before is not None:
            _resume(integration, scenario, before)
        attrs = describe(scenario) | {"ramp_updates": int(ramp_updates)}
        return _run(blocks, integration, attrs=attrs, before=before, progress=progress, saver=Saver(save))


def check_end(before: LongRun, duration: float) -> None:
    """Refuse to go on until a time that the run so far has passed."""
    end = float(before.measures["breath_end"][-1])
    if duration < end:
        raise InputError(
            f"duration {duration:.10g} s lies before the end of the run so far, {end:.10g} s ({clock(end)})."
            "\n  Give the duration of the whole run, counted from its start."
        )


def _resume(integration: Integration, scenario: Scenario, before: LongRun) -> None:
    """Bring a run to the last state of an earlier one."""
    schedule, state = scenario.schedule, before.state
    last = problem_of(
        schedule.circuit_at(state.attrs["circuit_time_s"]), schedule.settings_at(state.attrs["settings_time_s"]),
        tolerance=scenario.tolerance,
    )  # fmt: skip
    try:
        if before.measures["lung"].values.tolist() != list(scenario.circuit.lungs):
            raise ValueError("other lungs")
        integration.resume(last, state["solver"].values, held_at_start=state["held_at_start"].values)
    except ValueError:
        raise SchemaError(
            "the last state of the run does not fit its circuit: it was made by another circuit or version.\n"
            "  Give the circuit, settings and changes of the run so far, or run again from the start."
        ) from None


class _Finished(NamedTuple):
    """What one block of breaths has left."""

    numbers: NDArray[np.int64]
    measures: Measures
    waveforms: Recorded
    final: Mapping[str, float]


class _Reached(NamedTuple):
    """How far the run has come."""

    n_blocks: int
    n_breaths: int
    piece: Piece
    state: FloatArray
    held_at_start: FloatArray
    numerics: Mapping[str, Any]


class _FinishedBreaths:
    """Measures of all breaths so far, waveforms of those that are kept, and the last state.

    A block counts only once it has been added as a whole, so that a run that is stopped at any time leaves whole
    breaths.
    """

    def __init__(self) -> None:
        self._all: list[_Finished] = []
        self._reached: _Reached | None = None

    @property
    def n_breaths(self) -> int:
        """Number of breaths so far."""
        return 0 if self._reached is None else self._reached.n_breaths

    def add(self, block: Block, recorded: Recorded, integration: Integration) -> None:
        """Measure the breaths of a block that has just been run, and keep what is to be kept."""
        held, state = integration.held_at_start, state_vector(integration.run)
        measures = measures_of(recorded, held_at_start=held)
        numbers = block.number + 1 + np.arange(len(measures.timing))
        kept, final = (recorded, integration.held_by_node()) if block.kept else ([], {})
        self._all.append(_Finished(numbers, measures, kept, final))
        n_breaths, found = self.n_breaths + len(numbers), numerics(integration)
        # The one operation that makes the block count.
        self._reached = _Reached(len(self._all), n_breaths, integration.piece, state, held, found)

    def as_run(self, attrs: Mapping[str, Any], *, status: str) -> LongRun:
        """What there is of the run, of which there is a block at least."""
        last = self._reached
        assert last is not None
        blocks = self._all[: last.n_blocks]
        timing, lungs, ports = map(np.concatenate, zip(*(finished.measures for finished in blocks), strict=True))
        numbers = np.concatenate([finished.numbers for finished in blocks])
        measures = xr.Dataset(
            variables_of(timing, "breath") | variables_of(lungs, "breath", "lung") | variables_of(ports, "breath"),
            coords={"breath": numbers, "lung": list(last.piece.circuit.lungs)},
            attrs={**attrs, **last.numerics, "status": status},
        )
        waveforms = None
        if kept := [finished for finished in blocks if finished.waveforms]:
            recorded = [part for finished in kept for part in finished.waveforms]
            timing = np.concatenate([finished.measures.timing for finished in kept])
            of_kept = {"timing": timing, "numbers": np.concatenate([finished.numbers for finished in kept])}
            waveforms = waveforms_dataset(
                recorded, kept[-1].final, held_at_start=last.held_at_start, attrs=measures.attrs, **of_kept
            )
        # From here the run can go on to the last bit.
        times = {"circuit_time_s": last.piece.circuit_time, "settings_time_s": last.piece.settings_time}
        state = xr.Dataset(
            {"solver": ("entry", last.state), "held_at_start": ("holder", last.held_at_start)},
            attrs={"breaths": int(numbers[-1]), **times},
        )
        return LongRun(measures=label(measures), waveforms=waveforms, state=state)


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
    done = 0 if before is None else int(before.state.attrs["breaths"])
    finished = _FinishedBreaths()

    def result(status: str) -> LongRun:
        run = finished.as_run(attrs, status=status)
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
                finished.add(block, integration.run_block(block), integration)
                saver.now_and_then(lambda: result(f"unfinished: {so_far()}"))
                bar.reach(integration.position.now)
                stop.check()
        except KeyboardInterrupt:
            if not finished.n_breaths:
                raise
            status = f"stopped by Ctrl-C {so_far()}"
        except VentsimError as error:
            if finished.n_breaths and not isinstance(error, FileError):
                error.finished = result(f"failed {so_far()}: {error}")
                saver.write(error.finished)
            raise
        if before is not None and not finished.n_breaths:
            measures = before.measures.assign_attrs({**attrs, "status": status})
            run = LongRun(measures=measures, waveforms=before.waveforms, state=before.state)
        else:
            run = result(status)
        saver.write(run)  # within the context: Ctrl-C waits for it
    if status != "finished":
        warn_caller(StoppedEarlyWarning(f"the run was {status}; the finished breaths are kept."))
    return run
