"""What happens to each lung in a fault, and what of it the ventilator can see."""

import itertools
import json
import warnings
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ventsim.errors import InputError, PlausibilityWarning, StoppedEarlyWarning, VentsimError, warn_caller
from ventsim.model.changes import AnyChange, Schedule, TimedChange
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import AnyScenario
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.results.monitor import ALARMS, AlarmLimits, Sensors, alarms, displayed_values
from ventsim.results.schema import ORIGIN, VARIABLES, label
from ventsim.results.variables import SOURCES
from ventsim.simulation import LongRun, simulate_long, steady_breath
from ventsim.simulation.progress import Progress
from ventsim.studies.faults import standard_faults
from ventsim.studies.modes import scenario_and_modes

NOT_RUN = "not run"
"""How the reason begins where a fault was not tried."""

_LEAST_VOLUME = 1e-3  # inspired by a lung that gets something at all [mL]
_STOPPED = f"{NOT_RUN}: the study was stopped by Ctrl-C"

# Results of which there are one `_before` the fault and one `_change`, and the measure or displayed value behind.
_RESULTS = [name.removesuffix("_before") for name in VARIABLES if name.endswith("_before")]
_WATCHED = {name: SOURCES.get(name, name) for name in _RESULTS}


Faults = Mapping[str, AnyChange | Sequence[AnyChange]]
"""What changes in each fault, by its name."""


@public
def blind_spots(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    modes: Mapping[str, BreathSettings] | None = None,
    faults: Faults | None = None,
    lung: str | None = None,
    limits: AlarmLimits | None = None,
    sensors: Sensors | None = None,
    duration: float = 300.0,
    harm: float = 0.2,
    pressure_harm: float = 5.0,
    tolerance: float | None = None,
    progress: bool | None = None,
) -> xr.Dataset:
    """Try faults one by one: the true change in each lung beside what the ventilator displays and alarms on.

    Each run sets out from the steady breath; the fault begins with the second breath; the last breath is after.
    Ctrl-C ends the study and returns the faults finished by then.

    Parameters
    ----------
    scenario
    settings
    modes
    faults : mapping of str to change or sequence of changes, or None, default None
        What changes, by name, with times from the fault on; None: :func:`standard_faults` of `lung`. [s]
    lung : str or None, default None
        The lung of the standard faults; None: the first one.
    limits : AlarmLimits or None, default None
        Alarm limits; None: ``AlarmLimits.around`` what is displayed of the breath before the fault.
    sensors : Sensors or None, default None
        Errors of the ventilator's sensors; None: they read the truth.
    duration : float, default 300
        How long to watch from the beginning of the fault on. [s]
    harm : float, default 0.2
        Relative change of a lung's tidal volume that counts as harm; invented, to be chosen for the question. [1]
    pressure_harm : float, default 5
        Rise of a lung's end-inspiratory alveolar pressure that counts as harm; invented. [cmH2O]
    tolerance
    progress

    Returns
    -------
    xarray.Dataset
        Dims (mode, fault, lung), (mode, fault, alarm) and less. ``unseen`` is 1 where there is harm and no alarm
        was raised. A fault whose run fails is NaN, with the reason in ``reason``, which begins with ``not run`` if
        the study was stopped before.

    Raises
    ------
    InputError
        If a fault is impossible in this circuit or begins too late, an alarm is raised before any fault, or
        circuit and settings do not fit together.
    SolverError
        If there is no steady breath before the faults.

    Warns
    -----
    StoppedEarlyWarning
        If Ctrl-C ended the study; the other faults are NaN, with ``not run`` and that as their reason.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    >>> circuit = vs.layouts.shared(lungs)
    >>> settings = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
    >>> stiff = vs.Change(path="lungs.a.compliance", factor=0.7, at=0)
    >>> found = blind_spots(circuit, settings, faults={"stiff": stiff}, duration=60)
    >>> found.unseen.values.tolist()
    [[[1.0, 0.0]]]
    """
    scenario, breaths = scenario_and_modes(scenario, settings, modes, where="blind_spots", tolerance=tolerance)
    circuit = scenario.circuit
    if faults is not None and lung is not None:
        raise InputError(
            f"lung {lung!r} is that of the standard faults, but faults are given.\n  Leave lung or faults out."
        )
    check(
        "blind_spots",
        {"harm": harm, "pressure_harm": pressure_harm, "duration": duration},
        duration=quantity("duration", at_least=max(breath.period for breath in breaths.values())),
    )
    given = standard_faults(circuit, lung=lung) if faults is None else faults
    tried = _read_faults(given, circuit, breaths, duration=duration)
    options = _Options(limits, sensors, float(duration), scenario.tolerance)
    befores = {mode: _steady_run(circuit, breath, options) for mode, breath in breaths.items()}
    for mode, before in befores.items():
        _check_quiet(before, options, mode=mode)
    rows = _try_all(circuit, breaths, tried, befores=befores, options=options, progress=progress)
    dataset = _dataset(rows, fault=list(tried), lung=list(circuit.lungs))
    harmed = (abs(dataset.tidal_volume_change) > 100.0 * harm) | (
        dataset.end_inspiratory_pressure_change > pressure_harm
    )
    seen = np.isfinite(dataset.raised_after).any("alarm")
    known = dataset.reason == ""
    dataset["harmed"] = harmed.where(known).astype(float)
    dataset["unseen"] = (harmed & ~seen).where(known).astype(float)
    dataset = dataset.transpose("mode", "fault", "lung", "alarm")
    attrs = {
        "title": "blind spots",
        **ORIGIN,
        "scenario": next(iter(befores.values())).measures.attrs["scenario"],
        "settings": json.dumps({mode: breath.model_dump() for mode, breath in breaths.items()}),
        "faults": json.dumps({name: [c.model_dump() for c in changes] for name, changes in tried.items()}),
        "duration_s": float(duration),
        "harm": float(harm),
        "pressure_harm_cmH2O": float(pressure_harm),
        "alarm_limits": "around the breath before" if limits is None else limits.model_dump_json(),
    }
    return label(dataset.assign_attrs(attrs))


class _Options(NamedTuple):
    """What is the same for all runs."""

    limits: AlarmLimits | None
    sensors: Sensors | None
    duration: float
    tolerance: float


def _steady_run(circuit: Circuit, settings: BreathSettings, options: _Options) -> LongRun:
    """A run of one breath, the steady one, with which the faults go on."""
    return simulate_long(
        circuit, settings, duration=settings.period, tolerance=options.tolerance, progress=False,
        start=steady_breath(circuit, settings, tolerance=options.tolerance),
    )  # fmt: skip


def _check_quiet(before: LongRun, options: _Options, *, mode: str) -> None:
    """Refuse limits that are broken already: an alarm that stands before the fault tells nothing of it."""
    if options.limits is None:
        return
    display = displayed_values(before.measures, sensors=options.sensors)
    broken = alarms(display, options.limits).alarm_condition[0]
    if names := [str(name) for name in broken.alarm.values[broken.values.astype(bool)]]:
        raise InputError(
            f"limits: {', '.join(names)} alarms in {mode} before any fault.\n"
            "  Use AlarmLimits.around(displayed_values(...)) of the steady breath, or leave limits out."
        )


_Tried = dict[str, Any]
"""What one fault did, by the names of the results."""


def _try_all(
    circuit: Circuit, modes: Mapping[str, BreathSettings], faults: Mapping[str, Sequence[AnyChange]], *,
    befores: Mapping[str, LongRun], options: _Options, progress: bool | None,
) -> dict[str, list[_Tried]]:  # fmt: skip
    """All faults in all modes; after Ctrl-C the rest is unknown."""
    rows: dict[str, list[_Tried]] = {mode: [] for mode in modes}
    stopped = False
    with Progress(len(modes) * len(faults), shown=progress, unit="fault") as bar:
        for (mode, breath), changes in itertools.product(modes.items(), faults.values()):
            before = befores[mode]
            try:
                tried = None if stopped else _try(circuit, breath, changes, before=before, options=options)
            except KeyboardInterrupt:
                tried = None
            stopped = tried is None
            rows[mode].append(_unknown(before, options, _STOPPED) if tried is None else tried)
            bar.advance(1)
    if stopped:
        warn_caller(StoppedEarlyWarning("the study was stopped by Ctrl-C; the finished faults are kept."))
    return rows


def _try(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[AnyChange], *, before: LongRun,
    options: _Options,
) -> _Tried | None:  # fmt: skip
    """Run a fault from the end of the steady breath on; None if it was stopped."""
    instant = float(before.measures.breath_end[-1])
    later = [_delayed(change, instant) for change in changes]
    try:
        with warnings.catch_warnings():
            # A study that is stopped warns once itself; unlikely values are warned of before the first run.
            warnings.simplefilter("ignore", StoppedEarlyWarning)
            warnings.simplefilter("ignore", PlausibilityWarning)
            measures = simulate_long(
                circuit, settings, duration=options.duration + instant, tolerance=options.tolerance, resume=before,
                changes=later, progress=False,
            ).measures  # fmt: skip
    except VentsimError as error:
        return _unknown(before, options, str(error))
    if measures.attrs["status"] != "finished":
        return None
    display = displayed_values(measures, sensors=options.sensors)
    both = measures.assign(display.data_vars)
    raised = alarms(display, options.limits or AlarmLimits.around(display, breath=1)).first_raised.values
    return _row(both.isel(breath=0), both.isel(breath=-1), raised - instant)


def _unknown(before: LongRun, options: _Options, reason: str) -> _Tried:
    """What is known of a fault that was not run to its end."""
    display = displayed_values(before.measures, sensors=options.sensors)
    first = before.measures.assign(display.data_vars).isel(breath=0)
    return _row(first, first * np.nan, np.full(len(ALARMS), np.nan), reason)


def _row(first: xr.Dataset, last: xr.Dataset, raised_after: np.ndarray, reason: str = "") -> _Tried:
    """The breath before the fault, what is other in the last one, and the times of the alarms. [s]"""
    before = {f"{name}_before": first[source].values for name, source in _WATCHED.items()}
    change = {f"{name}_change": (last[source] - first[source]).values for name, source in _WATCHED.items()}
    volume, lost = first.inspired_tidal_volume.values, change["tidal_volume_change"]
    # In % of that before, NaN where there was none.
    change["tidal_volume_change"] = 100.0 * np.divide(
        lost, volume, out=np.full_like(lost, np.nan), where=volume > _LEAST_VOLUME
    )
    after = {"tidal_volume_after": last.inspired_tidal_volume.values, "raised_after": raised_after}
    return before | change | after | {"reason": reason}


def _delayed(change: AnyChange, delay: float) -> AnyChange:
    until = {} if change.until is None else {"until": change.until + delay}
    return change.changed({"at": change.at + delay, **until})


def _dataset(rows: Mapping[str, Sequence[_Tried]], **coords: list[str]) -> xr.Dataset:
    """Results with the dims of the schema; what was before is the same for all faults of a mode."""
    variables: dict[str, Any] = {}
    for name in next(iter(rows.values()))[0]:
        kind, dims = object if name == "reason" else float, VARIABLES[name].dims
        values = np.array([[tried[name] for tried in of_mode] for of_mode in rows.values()], dtype=kind)
        variables[name] = (dims, values if "fault" in dims else values[:, 0])
    return xr.Dataset(variables, coords={"mode": list(rows), **coords, "alarm": list(ALARMS)})


def _read_faults(
    faults: Faults, circuit: Circuit, modes: Mapping[str, BreathSettings], *, duration: float
) -> dict[str, tuple[AnyChange, ...]]:
    """The faults, checked, before anything is run."""
    if not isinstance(faults, Mapping) or not faults:
        raise InputError("faults: there is none.\n  Give {'name': vs.Change(...), ...}, or leave it out.")
    found = {}
    for name, changes in faults.items():
        some = (changes,) if not isinstance(changes, Sequence) or isinstance(changes, str) else tuple(changes)
        if not some:
            raise InputError(f"faults: {name!r} changes nothing.\n  Give it a change, or leave it out.")
        for change in some:
            if not isinstance(change, TimedChange):
                raise InputError(
                    f"faults: {name!r} holds {type(change).__name__}, which is no change.\n"
                    "  Give vs.Change, vs.Disconnection, vs.LungRemoval, vs.Clamp or vs.LeakOnset."
                )
            if change.at >= duration:
                raise InputError(
                    f"faults: {name!r}: {change.what} begins at {change.at:.6g} s, but {duration:.6g} s are "
                    f"watched.\n  Allowed: below {duration:.6g} s. Begin earlier, or raise duration."
                )
        found[str(name)] = some
    for (mode, breath), (name, some) in itertools.product(modes.items(), found.items()):
        try:
            Schedule(circuit, breath, some)  # refuses what names something that is not there
        except InputError as error:
            raise type(error)(f"faults: {name!r}, {mode}: {error}") from None
    return found
