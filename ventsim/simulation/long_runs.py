"""Long runs: measures of every breath, waveforms of some breaths only; and going on with them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from ventsim.errors import InputError, SchemaError, StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.model.changes import AnyChange
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.quantities import check, quantity
from ventsim.simulation.blocks import Blocks, keeper
from ventsim.simulation.finished_breaths import FinishedBreaths
from ventsim.simulation.integration import Integration
from ventsim.simulation.problem import problem_of
from ventsim.simulation.progress import Progress, StopRequest
from ventsim.simulation.saved_run import LongRun, Saver, joined
from ventsim.simulation.waveforms import describe
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
        The run so far, where its scenario has to be given because a file cannot hold a part of the user's own;
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
    keeps = keeper(scenario.waveform_windows, scenario.waveform_every)
    blocks = Blocks(scenario.schedule, scenario.duration, whole=True, keeps=keeps, updates=int(ramp_updates))
    integration = Integration(
        tolerance=scenario.tolerance,
        sample_interval=scenario.sample_interval,
        start=start,
        unchanged=scenario.circuit,
    )
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
