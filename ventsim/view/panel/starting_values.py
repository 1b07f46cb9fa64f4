"""The sliders of a panel: where they start, how far they reach, and the lungs and settings that they stand for."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ventsim.errors import InputError
from ventsim.model.descriptions import shown
from ventsim.model.parts import Lung
from ventsim.model.ventilator import BreathSettings, PressureControl, VolumeControl

MODES: tuple[str, ...] = (PressureControl.kind, VolumeControl.kind)
"""Modes that a panel can show."""

_OF_LUNG = ("compliance", "resistance")
_OF_BREATH = ("inspiratory_pressure", "tidal_volume", "rate", "peep")
# Words, unit, least, most, step. Invented, and within what ventsim finds plausible.
_RANGES = {
    "compliance": ("compliance of {lung}", "mL/cmH2O", 10.0, 100.0, 5.0),
    "resistance": ("resistance of {lung}", "cmH2O·s/L", 2.0, 50.0, 1.0),
    "inspiratory_pressure": ("set pressure above PEEP", "cmH2O", 5.0, 30.0, 1.0),
    "tidal_volume": ("set volume", "mL", 200.0, 1400.0, 50.0),
    "rate": ("rate", "1/min", 6.0, 30.0, 1.0),
    "peep": ("PEEP", "cmH2O", 0.0, 15.0, 1.0),
}
_EXACT = 1e-9  # rounding of floats that costs no step [1]
_OTHER_MODE = {"inspiratory_pressure": 12.0, "tidal_volume": 800.0}  # where the other mode starts, invented


@dataclass(frozen=True, slots=True)
class Slider:
    """One slider: its label, where it starts and how far it goes, all in the unit of the label."""

    label: str
    start: float
    least: float
    most: float
    step: float


def check_start(lungs: Mapping[str, Lung], settings: BreathSettings) -> None:
    """Refuse what two sliders for each lung and those of the breath cannot stand for.

    Parameters
    ----------
    lungs : mapping of str to Lung
        The lungs by name.
    settings : PressureControl or VolumeControl
        The breath.

    Raises
    ------
    InputError
        If there are not two simple lungs with names, or the settings are something else.
    """
    if not isinstance(lungs, Mapping) or len(lungs) != 2:
        found = f"there are {len(lungs)}" if isinstance(lungs, Mapping) else f"got {shown(lungs)}"
        raise InputError(
            f"two_lungs: lungs must be two lungs by name; {found}.\n  Give {{'a': Lung(...), 'b': Lung(...)}}."
        )
    for name, lung in lungs.items():
        if not isinstance(lung, Lung):
            raise InputError(
                f"two_lungs: lung {name!r} is {shown(lung)}, which one compliance and one resistance "
                "cannot describe.\n"
                "  Give Lung(compliance=..., resistance=...), or draw it with ventsim.panel.BreathPicture."
            )
    if not isinstance(settings, PressureControl | VolumeControl):
        raise InputError(
            f"two_lungs: settings {shown(settings)} is no breath that has sliders.\n"
            "  Give PressureControl(...) or VolumeControl(...)."
        )


def sliders_for(lungs: Mapping[str, Lung], settings: BreathSettings) -> dict[tuple[str, str], Slider]:
    """The sliders, by the name of the lung (empty for the breath) and of the value.

    Parameters
    ----------
    lungs : mapping of str to Lung
        The lungs by name.
    settings : PressureControl or VolumeControl
        The breath.

    Returns
    -------
    dict of (str, str) to Slider
        They start at these values; one that starts outside the usual range goes from a fifth to twice its start,
        one that starts at 0 from there to the end of that range.
        [units of the labels]

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> lungs = {"soft": Lung(compliance=120.0, resistance=10.0)}
    >>> sliders = sliders_for(lungs, PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5))
    >>> sliders["soft", "compliance"].most, sliders["", "rate"].start
    (240.0, 15.0)
    """
    starts = {(lung, name): getattr(given, name) for lung, given in lungs.items() for name in _OF_LUNG}
    for name in _OF_BREATH:
        has = name in type(settings).model_fields
        starts["", name] = getattr(settings, name) if has else _OTHER_MODE[name]
    sliders = {}
    for (lung, name), start in starts.items():
        words, unit, least, most, step = _RANGES[name]
        if start > 0.0 and not least <= start <= most:  # a newborn, say: steps that suit the start
            least, most, step = 0.2 * start, 2.0 * start, 0.1 * start
        # So that steps meet the start.
        least = start - step * math.floor((start - min(least, start)) / step + _EXACT)
        sliders[lung, name] = Slider(f"{words.format(lung=lung)} [{unit}]", start, least, most, step)
    return sliders


def lungs_of(lungs: Mapping[str, Lung], values: Mapping[tuple[str, str], float]) -> dict[str, Lung]:
    """The lungs with the values of the sliders; what has no slider stays.

    Parameters
    ----------
    lungs : mapping of str to Lung
        The lungs at the start.
    values : mapping of (str, str) to float
        Values by the keys of :func:`sliders_for`. [units of the labels]

    Returns
    -------
    dict of str to Lung
        By the same names.
    """
    return {lung: given.changed({name: values[lung, name] for name in _OF_LUNG}) for lung, given in lungs.items()}


def breath_of(settings: BreathSettings, values: Mapping[tuple[str, str], float], *, mode: str) -> BreathSettings:
    """The settings with the values of the sliders; what has no slider stays, in the other mode the timing.

    Parameters
    ----------
    settings : PressureControl or VolumeControl
        The breath at the start.
    values : mapping of (str, str) to float
        Values by the keys of :func:`sliders_for`. [units of the labels]
    mode : {"pressure control", "volume control"}
        The mode that is shown.

    Returns
    -------
    PressureControl or VolumeControl
        The breath.

    Raises
    ------
    InputError
        If the values contradict each other.
    """
    common = {"rate": values["", "rate"], "peep": values["", "peep"]}
    own = {"inspiratory_pressure": values["", "inspiratory_pressure"]}
    if mode == VolumeControl.kind:
        own = {"tidal_volume": values["", "tidal_volume"]}
    if settings.kind == mode:
        return settings.changed({**common, **own})
    timing = {name: getattr(settings, name) for name in ("inspiratory_time", "ie_ratio")}
    other = VolumeControl if mode == VolumeControl.kind else PressureControl
    return other(**common, **own, **timing)
