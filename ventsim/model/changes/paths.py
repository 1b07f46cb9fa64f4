"""Paths in words to single values of a circuit and its breath settings, and new ones with values replaced.

A path is made of steps with full stops between: ``settings.peep``, ``ventilator.exhalation_resistance``,
``lungs.b.compliance``, ``parts.b inspiratory tube.bore``. Items of a list are counted from 1:
``lungs.b.regions.2.resistance``.
"""

from collections.abc import Mapping
from typing import Any

from ventsim.errors import InputError, suggestion
from ventsim.model.changes.walking import Steps, Value, item_at, replaced
from ventsim.model.circuit import Circuit, FrozenParts
from ventsim.model.parts import Description
from ventsim.model.ventilator import BreathSettings
from ventsim.model.wording import shown

SETTINGS, VENTILATOR, _LUNGS, _PARTS = _ROOTS = "settings", "ventilator", "lungs", "parts"


def steps_of(path: str) -> Steps:
    """The steps of a path.

    Parameters
    ----------
    path : str
        Steps with full stops between.

    Returns
    -------
    tuple of str
        The steps.

    Raises
    ------
    InputError
        If it is no text, or a step is empty.

    Examples
    --------
    >>> steps_of("parts.b inspiratory tube.bore")
    ('parts', 'b inspiratory tube', 'bore')
    """
    if not isinstance(path, str):
        raise InputError(f"path {shown(path)} is no text.\n  Write a path such as 'lungs.b.compliance'.")
    steps = tuple(path.split("."))
    if not all(steps):
        raise InputError(
            f"path {path!r} has an empty step.\n"
            "  Write steps with full stops between, such as 'settings.peep' or 'lungs.b.compliance'."
        )
    return steps


def canonical(steps: Steps) -> Steps:
    """The same steps for every path to one value: a lung is a part.

    Parameters
    ----------
    steps : tuple of str
        Steps of a path.

    Returns
    -------
    tuple of str
        Beginning with ``settings``, ``ventilator`` or ``parts``.

    Examples
    --------
    >>> canonical(("lungs", "b", "compliance"))
    ('parts', 'b', 'compliance')
    """
    return (_PARTS, *steps[1:]) if steps[0] == _LUNGS else steps


def roots(circuit: Circuit, settings: BreathSettings) -> dict[str, Any]:
    """Where paths begin.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        The breath settings.

    Returns
    -------
    dict of str to object
        By first step.
    """
    return {
        SETTINGS: settings,
        VENTILATOR: circuit.ventilator,
        _LUNGS: circuit.lungs,
        _PARTS: circuit.parts,
    }


def circuit_with(circuit: Circuit, values: Mapping[Steps, Value]) -> Circuit:
    """A circuit with several values of its parts and its ventilator replaced.

    Parts are checked, the graph is not: it is the same.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    values : mapping of tuple of str to float, str or None
        New values by canonical steps that exist. [unit of each field]

    Returns
    -------
    Circuit
        The same object if there are no values.

    Raises
    ------
    InputError
        If a part refuses a value, or would get other ports.
    """
    if not values:
        return circuit
    of_parts = {steps[1:]: value for steps, value in values.items() if steps[0] == _PARTS}
    of_machine = {steps[1:]: value for steps, value in values.items() if steps[0] == VENTILATOR}
    parts = circuit.parts
    if of_parts:
        parts = FrozenParts(replaced(circuit.parts, of_parts))
        for name in {steps[0] for steps in of_parts}:
            if parts[name].ports != circuit.parts[name].ports:
                raise InputError(
                    f"part '{name}' would get other ports: {', '.join(parts[name].ports)}.\n"
                    "  What is joined to what does not change by a value; use a Disconnection or LungRemoval."
                )
    machine = replaced(circuit.ventilator, of_machine) if of_machine else circuit.ventilator
    return Circuit.model_construct(parts=parts, joints=circuit.joints, ventilator=machine)


def settings_with(settings: BreathSettings, values: Mapping[Steps, Value]) -> BreathSettings:
    """Breath settings with several values replaced.

    Parameters
    ----------
    settings : BreathSettings
        The breath settings.
    values : mapping of tuple of str to float, str or None
        New values by canonical steps that exist. [unit of each field]

    Returns
    -------
    BreathSettings
        The same object if there are no values.

    Raises
    ------
    SettingsError
        If the values contradict each other or are impossible.
    """
    return replaced(settings, {steps[1:]: value for steps, value in values.items()}) if values else settings


def value_at(circuit: Circuit, settings: BreathSettings, *, path: str) -> Value:
    """The value at the end of a path.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        Its breath settings.
    path : str
        Such as ``"settings.peep"``, ``"ventilator.flow_limit"``, ``"lungs.b.compliance"`` or
        ``"parts.b inspiratory tube.bore"``; items of a list are counted from 1.

    Returns
    -------
    float, str or None
        The value. [unit of its field]

    Raises
    ------
    InputError
        If there is no such path, or it does not lead to a single value.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0))
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> value_at(circuit, settings, path="lungs.lung.compliance")
    50.0
    """
    steps = steps_of(path)
    if steps[0] in circuit.parts and steps[0] not in _ROOTS:
        raise InputError(f"path {path!r} begins with the name of a part.\n  Write '{_PARTS}.{path}'.")
    found = item_at(roots(circuit, settings), steps)
    if isinstance(found, Description):
        what, inside = f"a whole {found.kind}", list(type(found).model_fields)
    elif isinstance(found, Mapping):
        what, inside = "several descriptions", list(found)
    elif isinstance(found, tuple):
        what, inside = "a list", [str(place) for place in range(1, len(found) + 1)]
    else:
        return found
    raise InputError(f"path {path!r} leads to {what}, not to a single value.\n  {suggestion('', inside)}")


def with_values(
    circuit: Circuit, settings: BreathSettings, *, values: Mapping[str, Value]
) -> tuple[Circuit, BreathSettings]:
    """A circuit and its breath settings with several values replaced.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        Its breath settings.
    values : mapping of str to float, str or None
        New values by path, as for :func:`value_at`. [unit of each field]

    Returns
    -------
    tuple of (Circuit, BreathSettings)
        What nothing was replaced in is the same object.

    Raises
    ------
    InputError
        If a path is wrong or a value impossible.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0))
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> with_values(circuit, settings, values={"lungs.lung.compliance": 30.0})[0].lungs["lung"].compliance
    30.0
    """
    of_circuit: dict[Steps, Value] = {}
    of_settings: dict[Steps, Value] = {}
    for path, value in values.items():
        value_at(circuit, settings, path=path)
        steps = canonical(steps_of(path))
        (of_settings if steps[0] == SETTINGS else of_circuit)[steps] = value
    return circuit_with(circuit, of_circuit), settings_with(settings, of_settings)
