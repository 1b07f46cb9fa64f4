"""Are the faults and the modes of a study possible? Everything is refused before anything is run."""

from collections.abc import Mapping, Sequence

from ventsim.errors import InputError
from ventsim.model.changes import AnyChange, Schedule, TimedChange
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.ventilator import BreathSettings

Faults = Mapping[str, AnyChange | Sequence[AnyChange]]
"""What changes in each fault, by its name."""


def modes_by_name(settings: BreathSettings | Mapping[str, BreathSettings]) -> dict[str, BreathSettings]:
    """Breath settings by the name of their mode."""
    if isinstance(settings, BreathSettings):
        return {settings.kind: settings}
    if not isinstance(settings, Mapping) or not settings:
        raise InputError(
            f"settings: {shown(settings)} holds no breath.\n"
            "  Give PressureControl(...), VolumeControl(...), or {'name': PressureControl(...), ...}."
        )
    for mode, breath in settings.items():
        if not isinstance(breath, BreathSettings):
            raise InputError(
                f"settings: {mode!r} is {shown(breath)}, which is no breath.\n"
                "  Give PressureControl(...) or VolumeControl(...)."
            )
    return {str(mode): breath for mode, breath in settings.items()}


def checked_faults(faults: Faults, *, duration: float) -> dict[str, tuple[AnyChange, ...]]:
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
    return found


def check_fits(
    circuit: Circuit, settings: BreathSettings, faults: Mapping[str, Sequence[AnyChange]], *, mode: str
) -> None:
    """Refuse faults that name what is not there, before anything is run."""
    for name, changes in faults.items():
        try:
            Schedule(circuit, settings, tuple(changes))
        except InputError as error:
            raise type(error)(f"faults: {name!r}, {mode}: {error}") from None
