"""Paths: one value of circuit, layout or breath settings by name, and the same with several values replaced.

A path is steps with full stops between, such as ``lungs.b.compliance``, ``lungs.b.resistance.quadratic``,
``settings.peep``, ``ventilator.relief_pressure``, ``parts.b inspiratory tube.length`` or, where the circuit was
made by a layout, ``limbs.b.inspiratory_tube.length`` (``limbs.inspiratory_tube.length`` for all lungs). Items of a
list count from 1: ``lungs.b.regions.2.compliance``.
"""

from collections.abc import Mapping
from typing import Any, get_args

from pydantic.fields import FieldInfo

from ventsim.errors import InputError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import warn_of_second_tracheal_tubes
from ventsim.model.descriptions import Description, FrozenMapping, named, shown
from ventsim.model.laws import ElasticLaw, FlowLaw
from ventsim.model.layouts import Layout
from ventsim.model.parts import Adapter, TPiece
from ventsim.model.ventilator import SETTINGS_KINDS, BreathSettings
from ventsim.quantities import Quantity, quantity_of

Steps = tuple[str, ...]
"""The steps of a path."""

Value = Any
"""A single value of a description: number, text, None, or a law where a number could stand."""

NO_VALUE = "none"
"""Text that stands for None in a field that may be None."""

SETTINGS, VENTILATOR, LUNGS, PARTS = "settings", "ventilator", "lungs", "parts"
_BY_LUNG = ("limbs", "extension")
_OF_LAYOUT = (*_BY_LUNG, "t_piece", "adapter", "floor_plan")


def steps_of(path: str) -> Steps:
    """The steps of a path.

    Parameters
    ----------
    path : str
        Such as ``"lungs.b.compliance"``.

    Returns
    -------
    tuple of str
        The steps; ``lungs`` becomes ``parts``, of which lungs are some.

    Raises
    ------
    InputError
        If it is no text, or a step is empty.
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


def of_layout(path: str) -> bool:
    """Whether a path names a value of the layout that made the circuit."""
    return steps_of(path)[0] in _OF_LAYOUT


def canonical(path: str) -> Steps:
    """The steps by which two paths to one value are equal: lungs are parts.

    Parameters
    ----------
    path : str
        A path.

    Returns
    -------
    tuple of str
        Its steps.

    Examples
    --------
    >>> canonical("lungs.b.compliance")
    ('parts', 'b', 'compliance')
    """
    steps = steps_of(path)
    return (PARTS, *steps[1:]) if steps[0] == LUNGS else steps


def _roots(circuit: Circuit, settings: BreathSettings, first: str) -> dict[str, Any]:
    """What a path can begin with, by the first step; what only a layout has is left out where not asked for."""
    found: dict[str, Any] = {
        SETTINGS: settings, VENTILATOR: circuit.ventilator, LUNGS: circuit.lungs, PARTS: circuit.parts
    }  # fmt: skip
    layout: Layout | None = circuit.layout
    if layout is None or first in found:
        return found
    found["limbs"] = {name: layout.limbs_of(name) for name in layout.lungs}
    found |= {"t_piece": layout.t_piece or TPiece(), "adapter": layout.adapter or Adapter()}
    if layout.floor_plan is not None:
        found |= {"floor_plan": layout.floor_plan, "extension": {"": layout.extension_to("")}}
    elif layout.arrangement == "chain":
        found["extension"] = {name: layout.extension_to(name) for name in layout.extended}
    return found


def part_at(circuit: Circuit, path: str) -> str | None:
    """Name of the part in which the value of a path is; None if it is in none.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    path : str
        A path such as ``"parts.b inspiratory tube.bore"`` or ``"limbs.b.inspiratory_tube.bore"``.

    Returns
    -------
    str or None
        The name.
    """
    steps = canonical(path)
    if steps[0] == PARTS and len(steps) > 1:
        return steps[1] if steps[1] in circuit.parts else None
    if steps[0] == "limbs" and len(steps) > 2:
        name = _part_of_limbs(steps[1], steps[2])
        return name if name in circuit.parts else None
    return None


def _part_of_limbs(lung: str, field: str) -> str:
    """How a layout calls the part of a field of a lung's limbs."""
    return f"{lung} {field.replace('y_piece', 'y-piece').replace('_', ' ')}"


def value_at(circuit: Circuit, settings: BreathSettings, path: str) -> Any:
    """What a path leads to.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        The breath settings.
    path : str
        The path.

    Returns
    -------
    object
        A number, text or None; or a whole description.

    Raises
    ------
    InputError
        If it leads nowhere; the message has the nearest names.
    """
    return _walked(circuit, settings, path)[0]


def single_value(circuit: Circuit, settings: BreathSettings, path: str) -> Value:
    """The number, text or None that a path leads to.

    Parameters
    ----------
    circuit, settings, path
        As of :func:`value_at`.

    Returns
    -------
    float, str or None
        The value.

    Raises
    ------
    InputError
        If it leads nowhere, or to a whole description or list.
    """
    found = value_at(circuit, settings, path)
    # A law stands where a number could stand.
    if isinstance(found, float | int | str | FlowLaw | ElasticLaw | None):
        return found
    if isinstance(found, Description):
        what, inside = f"a whole {found.kind}", list(type(found).model_fields)
    elif isinstance(found, Mapping):
        what, inside = "several descriptions", list(found)
    elif isinstance(found, tuple):
        what, inside = "a list", [str(number) for number in range(1, len(found) + 1)]
    else:
        raise InputError(
            f"path {path!r} leads to {shown(found)}, not to a single value.\n  Replace the whole of it."
        )
    raise InputError(f"path {path!r} leads to {what}, not to a single value.\n  {suggestion('', inside)}")


def field_at(circuit: Circuit, settings: BreathSettings, path: str) -> FieldInfo | None:
    """The field that holds the value of a path; None for an item of a list or mapping."""
    return _walked(circuit, settings, path)[1]


def quantity_at(circuit: Circuit, settings: BreathSettings, path: str) -> Quantity | None:
    """Unit, limits and meaning of the number at a path; None if it is no number."""
    field = field_at(circuit, settings, path)
    return None if field is None else quantity_of(field)


def value_text(circuit: Circuit, settings: BreathSettings, path: str, value: Value) -> str:
    """A value as tables and messages show it, with the unit of the field at a path."""
    return text_of(value, None if value is None else quantity_at(circuit, settings, path))


def text_of(value: Value, quantity: Quantity | None) -> str:
    """A value as tables and messages show it, with the unit of a quantity."""
    if value is None:
        return NO_VALUE
    if isinstance(value, int | float):
        return f"{value:.6g}" if quantity is None else quantity.text(value)
    return value if isinstance(value, str) else f"law '{getattr(value, 'kind', type(value).__name__)}'"


def may_be_none(circuit: Circuit, settings: BreathSettings, path: str) -> bool:
    """Whether the field at a path may be None."""
    field = field_at(circuit, settings, path)
    return field is not None and type(None) in get_args(field.annotation)


def with_values(
    circuit: Circuit, settings: BreathSettings, values: Mapping[str, Any]
) -> tuple[Circuit, BreathSettings]:
    """Circuit and settings with the values at some paths replaced.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        The breath settings.
    values : mapping of str to object
        New values by path.

    Returns
    -------
    circuit : Circuit
        With the same joints, unless a value of its layout changes them. It keeps its layout if only lungs, the
        ventilator and values of the layout change.
    settings : BreathSettings
        The settings.

    Raises
    ------
    InputError
        If a path leads nowhere, or a value is impossible.
    """
    of_settings: dict[Steps, Any] = {}
    of_circuit: dict[Steps, Any] = {}
    for path, value in values.items():
        value_at(circuit, settings, path)
        steps = canonical(path)
        (of_settings if steps[0] == SETTINGS else of_circuit)[steps] = value
    return circuit_with(circuit, of_circuit), settings_with(settings, of_settings)


def circuit_with(circuit: Circuit, values: Mapping[Steps, Any]) -> Circuit:
    """The circuit with values of parts, ventilator and layout replaced, not checked as a whole once more.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    values : mapping of steps to object
        New values by canonical steps.

    Returns
    -------
    Circuit
        With the same joints.

    Raises
    ------
    InputError
        If a value is impossible, or a part would get other ports.
    """
    if not values:
        return circuit
    of_layout = {steps: value for steps, value in values.items() if steps[0] in _OF_LAYOUT}
    if of_layout:
        circuit = _with_limbs(circuit, of_layout) or _rebuilt(circuit.layout, of_layout)
    of_parts = {steps[1:]: value for steps, value in values.items() if steps[0] == PARTS}
    of_machine = {steps[1:]: value for steps, value in values.items() if steps[0] == VENTILATOR}
    parts = circuit.parts
    if of_parts:
        parts = FrozenMapping(replaced(circuit.parts, of_parts))
        for name in {steps[0] for steps in of_parts}:
            if parts[name].ports != circuit.parts[name].ports:
                raise InputError(
                    f"part '{name}' would get other ports: {', '.join(parts[name].ports)}.\n"
                    "  What is joined to what does not change by a value; use a Disconnection or LungRemoval."
                )
    machine = replaced(circuit.ventilator, of_machine) if of_machine else circuit.ventilator
    new = Circuit.model_construct(parts=parts, joints=circuit.joints, ventilator=machine)
    if any(len(steps) == 1 for steps in of_parts):  # a whole part is exchanged
        warn_of_second_tracheal_tubes(new.graph(), parts)
    layout: Layout | None = circuit.layout
    if layout is None or not all(steps[0] in layout.lungs for steps in of_parts):
        return new
    lungs = FrozenMapping({name: parts[name] for name in layout.lungs})
    return _of_same_layout(new, layout, lungs=lungs, ventilator=machine if of_machine else layout.ventilator)


def settings_with(settings: BreathSettings, values: Mapping[Steps, Any]) -> BreathSettings:
    """The settings with some values replaced.

    Parameters
    ----------
    settings : BreathSettings
        The settings.
    values : mapping of steps to object
        New values by canonical steps.

    Returns
    -------
    BreathSettings
        Checked.
    """
    if not values:
        return settings
    whole = values.get((SETTINGS,))
    return replaced(settings, {steps[1:]: value for steps, value in values.items()}) if whole is None else whole


def replaced(item: Any, values: Mapping[Steps, Any], *, name: str = "") -> Any:
    """A new whole in which the values at some paths below an item are others, all at once.

    Parameters
    ----------
    item : Description, mapping or tuple
        The whole.
    values : mapping of steps to object
        New values by the steps below the item.
    name : str, default ""
        Name of the item, for messages.

    Returns
    -------
    object
        Of the same kind.

    Raises
    ------
    InputError
        If a path leads nowhere, or a value is impossible.
    """
    below: dict[str, dict[Steps, Any]] = {}
    for steps, value in values.items():
        below.setdefault(steps[0], {})[steps[1:]] = value
    new = {}
    for step, inner in below.items():
        inner_name = f"{name}.{step}" if name else step
        if () in inner:
            new[step] = inner[()]
        else:
            new[step] = replaced(_below(item, step, path=(step,), number=0), inner, name=inner_name)
    if isinstance(item, Description):
        with named(name):
            return item.changed(new)
    if isinstance(item, Mapping):
        return {**item, **new}
    return tuple(new.get(str(number), old) for number, old in enumerate(item, start=1))


def _with_limbs(circuit: Circuit, values: Mapping[Steps, Any]) -> Circuit | None:
    """The circuit with values of limbs replaced in its parts; None where it has to be built as a whole.

    The same as building it, but quick enough for a search: no joint changes.
    """
    layout: Layout = circuit.layout
    of_parts: dict[Steps, Any] = {}
    for steps, value in values.items():
        name = _part_of_limbs(*steps[1:3]) if steps[0] == "limbs" and len(steps) > 3 else ""
        # Lengths of tubes may be those of a plan, and an ideal circuit has changed the parts.
        if name not in circuit.parts or layout.floor_plan is not None or layout.ideal or "valve" in name:
            return None
        of_parts[(name, *steps[3:])] = value
    parts = FrozenMapping(replaced(circuit.parts, of_parts))
    new = Circuit.model_construct(parts=parts, joints=circuit.joints, ventilator=circuit.ventilator)
    inner = {steps[1:]: value for steps, value in values.items()}
    limbs = FrozenMapping(replaced({name: layout.limbs_of(name) for name in layout.lungs}, inner))
    return _of_same_layout(new, layout, limbs=limbs)


def _of_same_layout(circuit: Circuit, layout: Layout, **changes: Any) -> Circuit:
    """The circuit with its layout, some of whose values have been replaced in both."""
    kept = {name: getattr(layout, name) for name in type(layout).model_fields}
    same = type(layout).model_construct(**kept | changes)
    circuit = circuit.of_layout(same)
    same.__dict__["circuit"] = circuit  # made already
    return circuit


def _rebuilt(layout: Layout, values: Mapping[Steps, Any]) -> Circuit:
    """The circuit of the layout with some of its values replaced; a step past the lung's name is for all lungs."""
    changes: dict[str, Any] = {}
    for name in dict.fromkeys(steps[0] for steps in values):
        inner = {steps[1:]: value for steps, value in values.items() if steps[0] == name}
        if name not in _BY_LUNG:
            before = getattr(layout, name) or {"t_piece": TPiece, "adapter": Adapter}[name]()
            changes[name] = replaced(before, inner, name=name)
            continue
        of = layout.limbs_of if name == "limbs" else layout.extension_to
        for_all = {steps: value for steps, value in inner.items() if steps[0] not in layout.lungs}
        of_one = {steps: value for steps, value in inner.items() if steps[0] in layout.lungs}
        if not of_one and not isinstance(getattr(layout, name), Mapping):
            changes[name] = replaced(of(""), for_all, name=name)
            continue
        each = {lung: of(lung) for lung in (layout.lungs if name == "limbs" else layout.extended)}
        if for_all:
            each = {lung: replaced(one, for_all, name=name) for lung, one in each.items()}
        # A tube to the first bed of a chain is there once it has a value of its own.
        each |= {steps[0]: of(steps[0]) for steps in of_one if steps[0] not in each}
        changes[name] = replaced(each, of_one, name=name)
    return layout.changed(changes).circuit


def _walked(circuit: Circuit, settings: BreathSettings, path: str) -> tuple[Any, FieldInfo | None]:
    """The item at a path, and the field that holds it."""
    steps = steps_of(path)
    root = _roots(circuit, settings, steps[0])
    if steps[0] in circuit.parts and steps[0] not in root:
        raise InputError(f"path {path!r} begins with the name of a part.\n  Write '{PARTS}.{path}'.")
    if steps[0] in _OF_LAYOUT and steps[0] not in root and circuit.layout is None:
        raise InputError(
            f"path {path!r}: the circuit was joined part by part, so it has no '{steps[0]}'.\n"
            "  Name the part: 'parts.NAME.field'; or make the circuit with ventsim.layouts."
        )
    if steps[0] in _BY_LUNG and len(steps) > 1 and steps[0] in root and steps[1] not in root[steps[0]]:
        some = next(iter(root[steps[0]].values()))
        if steps[1] in type(some).model_fields:
            root[steps[0]] = some  # for all lungs: the value of the first
    item: Any = root
    field: FieldInfo | None = None
    for number, step in enumerate(steps):
        if isinstance(item, Description):
            field = type(item).model_fields.get(step, field)
        elif isinstance(item, Mapping):
            field = None
        item = _below(item, step, path=steps, number=number)
    return item, field


def _below(item: Any, step: str, *, path: Steps, number: int) -> Any:
    """What one step leads to."""
    where, so_far = f"path {'.'.join(path)!r}", ".".join(path[:number])
    if isinstance(item, Mapping):
        if step in item:
            return item[step]
        found = f"in '{so_far}'" if so_far else "to begin with"
        raise InputError(f"{where}: there is no '{step}' {found}.\n  {suggestion(step, item)}")
    if isinstance(item, Description):
        fields = type(item).model_fields
        if step in fields:
            return getattr(item, step)
        others = SETTINGS_KINDS.items() if isinstance(item, BreathSettings) else ()
        owner = next((kind for kind, other in others if step in other.model_fields), None)
        hint = suggestion(step, fields) if owner is None else f"Only a {owner} has one."
        raise InputError(f"{where}: the {item.kind} '{so_far}' has no '{step}'.\n  {hint}")
    if isinstance(item, tuple):
        if step.isdecimal() and 1 <= int(step) <= len(item):
            return item[int(step) - 1]
        raise InputError(f"{where}: '{so_far}' has no number '{step}'.\n  Allowed: 1 to {len(item)}.")
    text = shown(item) if not isinstance(item, float | int | str) else item
    if item is None:
        hint = f"Give '{so_far}' a value first, in the circuit or by a path that ends there."
        raise InputError(f"{where}: '{so_far}' is not there ({NO_VALUE}), so it has no '{step}'.\n  {hint}")
    hint = f"End the path at '{so_far}'."
    if step in ("linear", "quadratic", "bore"):
        hint = f"{hint[:-1]}, or give it a law that has a '{step}'."
    raise InputError(f"{where}: '{so_far}' is a single value ({text}), there is no '{step}' in it.\n  {hint}")
