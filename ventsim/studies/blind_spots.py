"""What happens to each lung in a fault, and what of it the ventilator can see."""

from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ventsim.changes import AnyChange
from ventsim.changes.descriptions import TimedChange
from ventsim.circuit import Circuit
from ventsim.errors import InputError, VentsimError
from ventsim.metrics import breath_measures
from ventsim.monitor import ALARMS, AlarmLimits, Sensors, alarms, displayed_values
from ventsim.schema import label
from ventsim.simulation import simulate_breaths, steady_breath
from ventsim.studies.faults import standard_faults
from ventsim.ventilator import BreathSettings

__all__ = ["blind_spots", "blind_spots_table"]

Faults = Mapping[str, AnyChange | Sequence[AnyChange]]

# Result -> measure of a lung whose change it is.
_LUNG_CHANGES = {
    "end_inspiratory_pressure_change": "end_inspiratory_alveolar_pressure",
    "peak_airway_pressure_change": "peak_airway_pressure",
    "driving_pressure_change": "driving_pressure",
    "total_peep_change": "total_peep",
}
# Result -> displayed value whose change it is.
_DISPLAYED_CHANGES = {
    f"{name}_change": name
    for name in (
        "displayed_inspired_tidal_volume", "displayed_expired_tidal_volume", "displayed_peak_pressure",
        "displayed_plateau_pressure", "displayed_mean_pressure", "displayed_peep", "displayed_minute_volume",
    )
}  # fmt: skip


def blind_spots(
    circuit: Circuit,
    settings: BreathSettings | Mapping[str, BreathSettings],
    *,
    faults: Faults | None = None,
    lung: str | None = None,
    limits: AlarmLimits | None = None,
    sensors: Sensors | None = None,
    duration: float = 300.0,
    harm: float = 0.2,
    pressure_harm: float = 5.0,
) -> xr.Dataset:
    """Try faults one by one: the true change in each lung beside what the ventilator displays and alarms on.

    Each run sets out from the steady breath; the fault begins with the second breath; the last breath is after.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl, VolumeControl or mapping of str to settings
        The breath, or breaths in several modes by name, as of :func:`both_modes`.
    faults : mapping of str to change or sequence of changes, or None, default None
        What changes, by name, with times from the fault on; None: :func:`standard_faults` of `lung`. [s]
    lung : str or None, default None
        The lung of the standard faults; None: the first one.
    limits : AlarmLimits or None, default None
        Alarm limits; None: ``AlarmLimits.around`` what is displayed of the steady breath.
    sensors : Sensors or None, default None
        Errors of the ventilator's sensors; None: they read the truth.
    duration : float, default 300
        How long to watch. [s]
    harm : float, default 0.2
        Relative change of a lung's tidal volume that counts as harm; invented, to be chosen for the question. [1]
    pressure_harm : float, default 5
        Rise of a lung's end-inspiratory alveolar pressure that counts as harm; invented. [cmH2O]

    Returns
    -------
    xarray.Dataset
        Dims (mode, fault, lung), (mode, fault, alarm) and less. ``unseen`` is 1 where there is harm and no alarm
        was raised. A fault whose run fails is NaN, with the reason in ``reason``.

    Raises
    ------
    InputError
        If a fault is none, or circuit and settings do not fit together.
    SolverError
        If there is no steady breath before the faults.

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
    for name, value in (("duration", duration), ("harm", harm), ("pressure_harm", pressure_harm)):
        if not (isinstance(value, int | float) and 0.0 < value < np.inf):
            raise InputError(f"{name} {value!r} is not possible.\n  Give a number above 0.")
    modes = dict(settings) if isinstance(settings, Mapping) else {settings.kind: settings}
    tried = _checked(standard_faults(circuit, lung=lung) if faults is None else faults)
    rows = {}
    for mode, breath in modes.items():
        before = steady_breath(circuit, breath)
        rows[mode] = [
            _try(circuit, breath, changes, before=before, limits=limits, sensors=sensors, duration=duration)
            for changes in tried.values()
        ]
    dataset = _dataset(rows, modes=list(modes), faults=list(tried), lungs=list(circuit.lungs))
    harmed = (abs(dataset.tidal_volume_change) > 100.0 * harm) | (
        dataset.end_inspiratory_pressure_change > pressure_harm
    )
    seen = np.isfinite(dataset.raised_after).any("alarm")
    known = np.isfinite(dataset.tidal_volume_change)
    dataset["harmed"] = harmed.where(known).astype(float)
    dataset["unseen"] = (harmed & ~seen).where(known).astype(float)
    dataset = dataset.transpose("mode", "fault", "lung", "alarm")
    attrs = {
        "title": "blind spots",
        "source": f"ventsim {version('ventsim')}",
        "caution": "For research, teaching and engineering; not for deciding about a patient.",
        "duration_s": float(duration),
        "harm": float(harm),
        "pressure_harm_cmH2O": float(pressure_harm),
        "alarm_limits": "around the first breath" if limits is None else str(limits),
    }
    return label(dataset.assign_attrs(attrs))


def _checked(faults: Faults) -> dict[str, tuple[AnyChange, ...]]:
    if not isinstance(faults, Mapping) or not faults:
        raise InputError("faults: there is none.\n  Give {'name': vs.Change(...), ...}, or leave it out.")
    found = {}
    for name, changes in faults.items():
        some = tuple(changes) if isinstance(changes, list | tuple) else (changes,)
        for change in some:
            if not isinstance(change, TimedChange):
                raise InputError(
                    f"faults: {name!r} holds {type(change).__name__}, which is no change.\n"
                    "  Give vs.Change, vs.Disconnection, vs.TakenOff, vs.Clamp or vs.AddedLeak."
                )
        found[str(name)] = some
    return found


class _Tried(NamedTuple):
    """What one fault did."""

    lungs: dict[str, np.ndarray]
    displayed: dict[str, float]
    raised_after: np.ndarray
    reason: str


def _try(
    circuit: Circuit, settings: BreathSettings, changes: Sequence[AnyChange], *, before: xr.Dataset,
    limits: AlarmLimits | None, sensors: Sensors | None, duration: float,
) -> _Tried:  # fmt: skip
    """Run a fault from the steady breath on."""
    instant = settings.period
    later = [_delayed(change, instant) for change in changes]
    try:
        measures = simulate_breaths(
            circuit, settings, duration=duration + 2.0 * instant, start=before, changes=later, progress=False
        )
    except VentsimError as error:
        first = breath_measures(before)
        unknown = {name: np.full(len(circuit.lungs), np.nan) for name in ("after", *_LUNG_CHANGES)}
        unknown["before"] = first.inspired_tidal_volume.values[0]
        nothing = dict.fromkeys((*_DISPLAYED_CHANGES, *_DISPLAYED_CHANGES.values()), np.nan)
        return _Tried(unknown, nothing, np.full(len(ALARMS), np.nan), str(error))
    first, last = measures.isel(breath=0), measures.isel(breath=-1)
    lungs = {"before": first.inspired_tidal_volume.values, "after": last.inspired_tidal_volume.values}
    lungs |= {name: (last[source] - first[source]).values for name, source in _LUNG_CHANGES.items()}
    shown = displayed_values(measures, sensors=sensors)
    displayed = {source: float(shown[source][0]) for source in _DISPLAYED_CHANGES.values()}
    displayed |= {name: float(shown[source][-1] - shown[source][0]) for name, source in _DISPLAYED_CHANGES.items()}
    raised = alarms(shown, AlarmLimits.around(shown.isel(breath=[0])) if limits is None else limits)
    return _Tried(lungs, displayed, raised.first_raised.values - instant, "")


def _delayed(change: AnyChange, delay: float) -> AnyChange:
    until = {} if change.until is None else {"until": change.until + delay}
    return change.changed({"at": change.at + delay, **until})


def _dataset(
    rows: Mapping[str, Sequence[_Tried]], *, modes: list[str], faults: list[str], lungs: list[str]
) -> xr.Dataset:
    def of_lungs(name: str) -> np.ndarray:
        return np.array([[tried.lungs[name] for tried in rows[mode]] for mode in modes])

    def of_display(name: str) -> np.ndarray:
        return np.array([[tried.displayed[name] for tried in rows[mode]] for mode in modes])

    each = ("mode", "fault", "lung")
    before, after = of_lungs("before")[:, 0], of_lungs("after")
    reasons = np.array([[tried.reason for tried in rows[mode]] for mode in modes], dtype=object)
    variables: dict[str, Any] = {
        "tidal_volume_before": (("mode", "lung"), before),
        "tidal_volume_after": (each, after),
        "tidal_volume_change": (each, 100.0 * (after / before[:, None] - 1.0)),
        "raised_after": (
            ("mode", "fault", "alarm"),
            np.array([[tried.raised_after for tried in rows[mode]] for mode in modes]),
        ),
        "reason": (("mode", "fault"), reasons),
    }
    variables |= {name: (each, of_lungs(name)) for name in _LUNG_CHANGES}
    for name, source in _DISPLAYED_CHANGES.items():
        variables[f"{source}_before"] = ("mode", _first_known(of_display(source)))
        variables[name] = (("mode", "fault"), of_display(name))
    coords = {"mode": modes, "fault": faults, "lung": lungs, "alarm": list(ALARMS)}
    return xr.Dataset(variables, coords=coords)


def _first_known(values: np.ndarray) -> np.ndarray:
    """Of each row the first number that is known, for what all faults have in common."""
    return np.array([next((v for v in row if np.isfinite(v)), np.nan) for row in values])


def blind_spots_table(found: xr.Dataset) -> str:
    """A blind-spot study as text: for each fault the change in each lung, what was displayed, and the first alarm.

    Parameters
    ----------
    found : xarray.Dataset
        Result of :func:`blind_spots`.

    Returns
    -------
    str
        Lines of fixed-width text; ``!`` marks a lung with harm that no alarm has shown.

    Examples
    --------
    ``print(blind_spots_table(blind_spots(circuit, settings)))``
    """
    lungs = [str(name) for name in found.lung.values]
    width = max(12, *(len(str(name)) for name in found.fault.values)) + 2
    lines: list[str] = []
    for mode in found.mode.values:
        one = found.sel(mode=mode)
        lines += [str(mode), ""]
        heads = [f"lung {name}".rjust(9) for name in lungs]
        lines.append(" " * width + "".join(heads) + "   displayed   displayed   first alarm")
        lines.append(" " * width + "   [%]".rjust(9) * len(lungs) + "   volume [%]  peak [cmH2O]")
        for fault in one.fault.values:
            lines.append(_row(one.sel(fault=fault), str(fault).ljust(width)))
        lines.append("")
    harm, pressure = found.attrs["harm"], found.attrs["pressure_harm_cmH2O"]
    lines += [
        f"Change of each lung's tidal volume. ! = harm without an alarm: more than {100 * harm:.0f} % of volume,",
        f"or more than {pressure:g} cmH2O of end-inspiratory pressure (both invented, to be chosen).",
        "",
        str(found.attrs["caution"]),
    ]
    return "\n".join(lines)


def _row(one: xr.Dataset, name: str) -> str:
    if str(one.reason.item()):
        return f"{name}  run failed: {str(one.reason.item()).splitlines()[0]}"
    cells = [
        f"{float(change):+7.1f}{'!' if unseen else ' '} "
        for change, unseen in zip(one.tidal_volume_change.values, one.unseen.values, strict=True)
    ]
    shown = 100.0 * float(one.displayed_expired_tidal_volume_change / one.displayed_expired_tidal_volume_before)
    peak = float(one.displayed_peak_pressure_change)
    return f"{name}{''.join(cells)}{shown:+12.1f}{peak:+13.2f}   {first_alarm(one.raised_after)}"


def first_alarm(raised_after: xr.DataArray) -> str:
    """The alarm that was raised first, in words."""
    values = raised_after.values
    if not np.isfinite(values).any():
        return "none"
    k = int(np.nanargmin(values))
    return f"{str(raised_after.alarm.values[k]).replace('_', ' ')} after {values[k]:.0f} s"
