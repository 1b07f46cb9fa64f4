"""Paths: one value of circuit, layout or breath settings by name, and the same with several values replaced.

A path is steps with full stops between, such as ``lungs.b.compliance``, ``lungs.b.resistance.quadratic``,
``settings.peep``, ``ventilator.relief_pressure``, ``parts.b inspiratory tube.length`` or, where the circuit was
made by a layout, ``limbs.b.inspiratory_tube.length`` (``limbs.inspiratory_tube.length`` for all lungs). Items of a
list count from 1: ``lungs.b.regions.2.compliance``.
"""

import itertools
from collections.abc import Iterable, Mapping, Set
from typing import Any, get_args

from pydantic.fields import FieldInfo

from ventsim.errors import InputError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import warn_of_second_tracheal_tubes
from ventsim.model.descriptions import Description, FrozenMapping, named, shown
from ventsim.model.laws import ElasticLaw, FlowLaw
from ventsim.model.layouts import Layout, PatientLimbs
from ventsim.model.parts import Adapter, Part, TPiece
from ventsim.model.ventilator import SETTINGS as SETTINGS_FAMILY
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
            f"path {shown(path)} has an empty step.\n"
            "  Write steps with full stops between, such as 'settings.peep' or 'lungs.b.compliance'."
        )
    return steps


def of_layout(path: str) -> bool:
    """Whether a path names a value of the layout that made the circuit."""
    return steps_of(path)[0] in _OF_LAYOUT


def canonical(circuit: Circuit, path: str) -> tuple[Steps, ...]:
    """The values that a path names, by steps that are the same whichever path leads there.

    A value of lungs, or of limbs that the circuit holds as they are described, is one of a part; a value of all
    limbs is one for each lung.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    path : str
        A path.

    Returns
    -------
    tuple of tuple of str
        The steps of each.

    Examples
    --------
    >>> from ventsim.model.layouts import shared
    >>> from ventsim.model.parts import Lung
    >>> circuit = shared({name: Lung(compliance=50.0, resistance=10.0) for name in "ab"})
    >>> canonical(circuit, "lungs.b.compliance")
    (('parts', 'b', 'compliance'),)
    >>> canonical(circuit, "limbs.filter.resistance")
    (('limbs', 'a', 'filter', 'resistance'), ('limbs', 'b', 'filter', 'resistance'))
    """
    steps, layout = steps_of(path), circuit.layout
    if len(steps) == 1:
        return (steps,)
    if steps[0] == LUNGS:
        return ((PARTS, *steps[1:]),)
    if steps[0] not in _BY_LUNG or layout is None:
        return (steps,)
    owners = _owners(layout, steps[0])
    each = [steps] if steps[1] in owners else [(steps[0], owner, *steps[1:]) for owner in owners]
    return tuple(value for one in each for value in _in_parts(circuit, one))


def _in_parts(circuit: Circuit, steps: Steps) -> tuple[Steps, ...]:
    """A value inside a part of limbs as one of the parts in the circuit that are as the limbs have them."""
    if steps[0] == "limbs" and len(steps) > 3 and _holds_as_described(circuit.layout, steps[2]):
        names = [name for name in _parts_of_limbs(*steps[1:3]) if name in circuit.parts]
        if names:
            return tuple((PARTS, name, *steps[3:]) for name in names)
    return (steps,)


def _holds_as_described(layout: Layout, field: str) -> bool:
    """Whether a circuit holds a part of limbs as it is, not changed for a floor plan or an ideal circuit."""
    return not layout.ideal and (layout.floor_plan is None or field not in ("inspiratory_tube", "expiratory_tube"))


def _parts_of_limbs(lung: str, field: str) -> tuple[str, ...]:
    """How a layout calls the parts of a field of a lung's limbs."""
    if field == "valve":
        return f"{lung} inspiratory valve", f"{lung} expiratory valve"
    return (f"{lung} {field.replace('y_piece', 'y-piece').replace('_', ' ')}",)


def _owners(layout: Layout, name: str) -> tuple[str, ...]:
    """Names by which a layout has limbs or extensions; one without a name on a floor plan."""
    if name == "limbs":
        return tuple(layout.lungs)
    return layout.extended if layout.floor_plan is None else ("",)


def places(circuit: Circuit, paths: Iterable[str]) -> dict[Steps, str]:
    """The values that several paths name, each by its canonical steps, with its path.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    paths : iterable of str
        The paths.

    Returns
    -------
    dict of steps to str
        The path of each value.

    Raises
    ------
    InputError
        If two paths lead to one value.
    """
    found: dict[Steps, str] = {}
    for path in paths:
        for steps in canonical(circuit, path):
            if steps in found:
                raise InputError(
                    f"paths '{found[steps]}' and '{path}' lead to the same value.\n  Leave out one of them."
                )
            found[steps] = path
    return found


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
        found["floor_plan"] = layout.floor_plan
    if layout.floor_plan is not None or layout.arrangement == "chain":
        found["extension"] = {name: layout.extension_to(name) for name in _owners(layout, "extension")}
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
    (steps, *others) = canonical(circuit, path)
    if others or len(steps) < 2:
        return None
    names = _parts_of_limbs(*steps[1:3]) if steps[0] == "limbs" and len(steps) > 2 else (steps[1],)
    return names[0] if steps[0] in (PARTS, "limbs") and names[0] in circuit.parts else None


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
            f"path {shown(path)} leads to {shown(found)}, not to a single value.\n  Replace the whole of it."
        )
    raise InputError(f"path {shown(path)} leads to {what}, not to a single value.\n  {suggestion('', inside)}")


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
        With the same joints, unless a value of its layout changes them. It keeps its layout if only lungs, limbs,
        the ventilator and values of the layout change.
    settings : BreathSettings
        The settings.

    Raises
    ------
    InputError
        If a path leads nowhere, two lead to one value, or a value is impossible.
    """
    for path in values:
        value_at(circuit, settings, path)
    by_steps = {steps: values[path] for steps, path in places(circuit, values).items()}
    return circuit_with(circuit, by_steps), settings_with(settings, by_steps)


def circuit_with(circuit: Circuit, values: Mapping[Steps, Any]) -> Circuit:
    """The circuit with values of parts, ventilator and layout replaced, not checked as a whole once more.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    values : mapping of steps to object
        New values by canonical steps; what is inside a new whole goes on top of it, those of settings are passed
        over.

    Returns
    -------
    Circuit
        With the same joints, unless a value of its layout changes them.

    Raises
    ------
    InputError
        If a value is impossible, or a part would get other ports.
    """
    values = {steps: value for steps, value in values.items() if steps[0] != SETTINGS}
    if not values:
        return circuit
    wholes = {steps[0]: value for steps, value in values.items() if len(steps) == 1}
    if wholes:
        circuit = _with_wholes(circuit, wholes)
    of_layout = {steps: value for steps, value in values.items() if len(steps) > 1 and steps[0] in _OF_LAYOUT}
    if of_layout:
        circuit = _rebuilt(circuit.layout, of_layout)
    of_parts = {steps[1:]: value for steps, value in values.items() if len(steps) > 1 and steps[0] == PARTS}
    of_machine = {steps[1:]: value for steps, value in values.items() if len(steps) > 1 and steps[0] == VENTILATOR}
    if not of_parts and not of_machine:
        return circuit
    parts, changed = circuit.parts, {steps[0] for steps in of_parts}
    if of_parts:
        parts = FrozenMapping(replaced(circuit.parts, of_parts))
    for name in changed:
        if not isinstance(parts[name], Part):
            raise InputError(
                f"part '{name}': {shown(parts[name])} is not a part.\n  Give a part, such as Tube(length=1.5)."
            )
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
    following = None if layout is None else _layout_of_parts(layout, parts, changed)
    if layout is None or following is None:
        return new
    return _of_same_layout(new, layout, **following, ventilator=machine if of_machine else layout.ventilator)


def settings_with(settings: BreathSettings, values: Mapping[Steps, Any]) -> BreathSettings:
    """The settings with some values replaced.

    Parameters
    ----------
    settings : BreathSettings
        The settings.
    values : mapping of steps to object
        New values by canonical steps; those of the circuit are passed over.

    Returns
    -------
    BreathSettings
        Checked.
    """
    values = {steps: value for steps, value in values.items() if steps[0] == SETTINGS}
    if not values:
        return settings
    inside = {steps[1:]: value for steps, value in values.items() if len(steps) > 1}
    whole = SETTINGS_FAMILY.read(values.get((SETTINGS,), settings))
    return replaced(whole, inside) if inside else whole


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
        inside = {steps: value for steps, value in inner.items() if steps}
        whole = inner[()] if () in inner else _below(item, step, path=(step,), number=0)
        new[step] = replaced(whole, inside, name=f"{name}.{step}" if name else step) if inside else whole
    if isinstance(item, Description):
        with named(name):
            return item.changed(new)
    if isinstance(item, Mapping):
        return {**item, **new}
    return tuple(new.get(str(number), old) for number, old in enumerate(item, start=1))


def _with_wholes(circuit: Circuit, wholes: Mapping[str, Any]) -> Circuit:
    """The circuit, checked, with its ventilator, all its lungs or another whole of it or its layout replaced."""
    layout: Layout | None = circuit.layout
    if PARTS in wholes or layout is None:
        rest = {name: value for name, value in wholes.items() if name != LUNGS}
        circuit = circuit.changed(rest) if rest else circuit
        return circuit.with_parts(wholes[LUNGS]) if LUNGS in wholes else circuit
    return layout.changed(wholes).circuit


def _layout_of_parts(layout: Layout, parts: Mapping[str, Any], changed: Set[str]) -> dict[str, Any] | None:
    """Lungs and limbs of a layout some of whose parts have changed; None if it cannot describe them."""
    lungs = dict(layout.lungs) | {name: parts[name] for name in changed if name in layout.lungs}
    others = changed - lungs.keys()
    pairs = itertools.product(layout.lungs, PatientLimbs.model_fields if others else ())
    owners = {name: pair for pair in pairs for name in _parts_of_limbs(*pair)}
    of_limbs: dict[Steps, Any] = {}
    for name in others:
        if name not in owners or not _holds_as_described(layout, owners[name][1]):
            return None
        if any(parts[other] != parts[name] for other in _parts_of_limbs(*owners[name])):
            return None  # the valves of a lung, which limbs describe as one
        of_limbs[owners[name]] = parts[name]
    limbs = _for_all_or_each(layout, "limbs", of_limbs) if of_limbs else layout.limbs
    return {"lungs": FrozenMapping(lungs), "limbs": limbs}


def _for_all_or_each(layout: Layout, name: str, values: Mapping[Steps, Any]) -> Any:
    """Limbs or extensions with values replaced: still one for all lungs if it was one and they are alike."""
    of = layout.limbs_of if name == "limbs" else layout.extension_to
    each = replaced({owner: of(owner) for owner in _owners(layout, name)}, values, name=name)
    one = next(iter(each.values()))
    is_one = not isinstance(getattr(layout, name), Mapping) and all(other == one for other in each.values())
    return one if is_one else FrozenMapping(each)


def _of_same_layout(circuit: Circuit, layout: Layout, **changes: Any) -> Circuit:
    """The circuit with its layout, some of whose values have been replaced in both."""
    kept = {name: getattr(layout, name) for name in type(layout).model_fields}
    same = type(layout).model_construct(**kept | changes)
    circuit = circuit.of_layout(same)
    same.__dict__["circuit"] = circuit  # made already
    return circuit


def _rebuilt(layout: Layout, values: Mapping[Steps, Any]) -> Circuit:
    """The circuit of the layout with some of its values replaced."""
    changes: dict[str, Any] = {}
    for name in dict.fromkeys(steps[0] for steps in values):
        inner = {steps[1:]: value for steps, value in values.items() if steps[0] == name}
        if name in _BY_LUNG:
            changes[name] = _for_all_or_each(layout, name, inner)
        else:
            before = getattr(layout, name) or {"t_piece": TPiece, "adapter": Adapter}[name]()
            changes[name] = replaced(before, inner, name=name)
    return layout.changed(changes).circuit


def _walked(circuit: Circuit, settings: BreathSettings, path: str) -> tuple[Any, FieldInfo | None]:
    """The item at a path, and the field that holds it."""
    steps = steps_of(path)
    root = _roots(circuit, settings, steps[0])
    if steps[0] in circuit.parts and steps[0] not in root:
        raise InputError(f"path {shown(path)} begins with the name of a part.\n  Write '{PARTS}.{path}'.")
    if steps[0] in _OF_LAYOUT and steps[0] not in root and circuit.layout is None:
        raise InputError(
            f"path {shown(path)}: the circuit was joined part by part, so it has no '{steps[0]}'.\n"
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
        raise InputError(f"{where}: there is no {step!r} {found}.\n  {suggestion(step, item)}")
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
    raise InputError(f"{where}: '{so_far}' is a single value ({text}), there is no {step!r} in it.\n  {hint}")
