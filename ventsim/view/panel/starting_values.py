"""The sliders of a panel: where they start, how far they reach, and the scenario that they stand for."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ventsim.errors import InputError
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.layouts import Layout, shared
from ventsim.model.parts import Lung, LungPart
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings, PressureControl, VolumeControl

ScenarioOrLungs = Scenario | Circuit | Layout | Mapping[str, LungPart]
"""What a panel starts with: lungs by name get the default circuit."""

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


def scenario_of_panel(given: ScenarioOrLungs, settings: BreathSettings | None, *, where: str) -> Scenario:
    """The scenario of which steady breaths are shown.

    Parameters
    ----------
    given : Scenario, Circuit, Layout or mapping of str to LungPart
        Lungs by name get the default circuit, :func:`ventsim.layouts.shared`.
    settings : BreathSettings or None
        The breath; None with a scenario.
    where : str
        What was called, for messages.

    Returns
    -------
    Scenario
        Without changes in time.

    Raises
    ------
    InputError
        If the two do not fit together.
    """
    if not isinstance(given, Scenario | Circuit | Layout | Mapping):
        raise InputError(
            f"{where}: got {shown(given)}, but lungs by name are needed, a circuit or a scenario.\n"
            "  Give {'a': Lung(...), 'b': Lung(...)}, what layouts.shared(...) returns, or Scenario(...)."
        )
    circuit = shared(given) if isinstance(given, Mapping) else given
    return scenario_of(circuit, settings, where=where, steady=True)


def check_start(scenario: Scenario) -> None:
    """Refuse what two sliders for each lung and those of the breath cannot stand for.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders start.

    Raises
    ------
    InputError
        If there are not two lungs with one number each for compliance and resistance, or the settings are
        neither pressure nor volume control.
    """
    lungs, settings = scenario.circuit.lungs, scenario.settings
    if len(lungs) != 2:
        raise InputError(
            f"two_lungs: there are {len(lungs)} lungs, the sliders are for 2.\n"
            "  Give {'a': Lung(...), 'b': Lung(...)}, or a scenario with two lungs."
        )
    for name, lung in lungs.items():
        values = {key: getattr(lung, key, None) for key in _OF_LUNG}
        laws = [f"{key} {shown(value)}" for key, value in values.items() if not isinstance(value, float)]
        if not isinstance(lung, Lung) or lung.regions or laws:
            found = "with regions" if getattr(lung, "regions", ()) else " and ".join(laws) or shown(lung)
            raise InputError(
                f"two_lungs: lung {name!r}: {found}; a slider shows a number, not a law or several regions.\n"
                "  Give Lung(compliance=..., resistance=...) with numbers, or draw it with "
                "ventsim.panel.BreathPicture."
            )
    if not isinstance(settings, PressureControl | VolumeControl):
        raise InputError(
            f"two_lungs: settings {shown(settings)} is no breath that has sliders.\n"
            "  Give PressureControl(...) or VolumeControl(...)."
        )


def sliders_for(scenario: Scenario) -> dict[tuple[str, str], Slider]:
    """The sliders, by the name of the lung (empty for the breath) and of the value.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders start.

    Returns
    -------
    dict of (str, str) to Slider
        They start at the values of the scenario; one that starts outside the usual range goes from a fifth to
        twice its start, one that starts at 0 from there to the end of that range. [units of the labels]

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> circuit = shared({"soft": Lung(compliance=120.0, resistance=10.0)})
    >>> sliders = sliders_for(Scenario(circuit=circuit, settings=settings))
    >>> sliders["soft", "compliance"].most, sliders["", "rate"].start
    (240.0, 15.0)
    """
    starts = {
        (lung, name): getattr(given, name) for lung, given in scenario.circuit.lungs.items() for name in _OF_LUNG
    }
    starts |= {("", name): getattr(scenario.settings, name, _OTHER_MODE.get(name)) for name in _OF_BREATH}
    sliders = {}
    for (lung, name), start in starts.items():
        words, unit, least, most, step = _RANGES[name]
        if start > 0.0 and not least <= start <= most:  # a newborn, say: steps that suit the start
            least, most, step = 0.2 * start, 2.0 * start, 0.1 * start
        # So that steps meet the start.
        least = start - step * math.floor((start - min(least, start)) / step + _EXACT)
        sliders[lung, name] = Slider(f"{words.format(lung=lung)} [{unit}]", start, least, most, step)
    return sliders


def with_values(scenario: Scenario, values: Mapping[tuple[str, str], float], *, mode: str) -> Scenario:
    """The scenario with the values of the sliders; what has no slider stays, in the other mode the timing.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders started.
    values : mapping of (str, str) to float
        Values by the keys of :func:`sliders_for`. [units of the labels]
    mode : {"pressure control", "volume control"}
        The mode that is shown.

    Returns
    -------
    Scenario
        What is to be shown.

    Raises
    ------
    InputError
        If the values contradict each other.
    """
    lungs = {f"lungs.{lung}.{name}": value for (lung, name), value in values.items() if lung}
    own = "tidal_volume" if mode == VolumeControl.kind else "inspiratory_pressure"
    breath: dict[str, Any] = {name: values["", name] for name in ("rate", "peep", own)}
    settings = scenario.settings
    if settings.kind == mode:
        settings = settings.changed(breath)
    else:
        timing = {name: getattr(settings, name) for name in ("inspiratory_time", "ie_ratio")}
        settings = (VolumeControl if mode == VolumeControl.kind else PressureControl)(**breath, **timing)
    return scenario.replaced(lungs).changed(settings=settings)
