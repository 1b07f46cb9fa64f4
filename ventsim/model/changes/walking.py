"""Walking along a path from description to description, and a new whole with several values replaced.

The functions know descriptions, mappings and tuples, not which ones. Items of a tuple are counted from 1, as
messages do everywhere.
"""

from collections.abc import Mapping
from inspect import isabstract
from typing import Any, get_args

from pydantic.fields import FieldInfo

from ventsim.errors import InputError, suggestion
from ventsim.model.parts import Description
from ventsim.model.wording import named
from ventsim.quantities import Quantity, quantity_of

Steps = tuple[str, ...]
"""The steps of a path."""

Value = float | str | None
"""A single value of a description."""

_MOST_KINDS = 3  # which are told to have a field

NO_VALUE = "none"
"""Text that stands for None in a field that may be None."""


def item_at(root: Any, steps: Steps) -> Any:
    """What stands at the end of a path: a value, a description, a mapping or a tuple.

    Parameters
    ----------
    root : Description, mapping or tuple
        Where the path begins.
    steps : tuple of str
        The steps.

    Returns
    -------
    object
        What is there.

    Raises
    ------
    InputError
        With the step that is wrong and the nearest right ones.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> item_at({"limb": Tube(length=1.5)}, ("limb", "length"))
    1.5
    """
    item = root
    for number, step in enumerate(steps):
        item = _below(item, step, path=steps, number=number)
    return item


def field_at(root: Any, steps: Steps) -> FieldInfo | None:
    """The field of the last description on the way of a path; None if there is no description.

    Parameters
    ----------
    root : Description, mapping or tuple
        Where the path begins.
    steps : tuple of str
        The steps of a path that exists.

    Returns
    -------
    FieldInfo or None
        The field that holds the value, or the list in which it stands.
    """
    item, field = root, None
    for number, step in enumerate(steps):
        if isinstance(item, Description):
            field = type(item).model_fields[step]
        item = _below(item, step, path=steps, number=number)
    return field


def quantity_at(root: Any, steps: Steps) -> Quantity | None:
    """Unit and limits of the number at the end of a path; None if it is not a number.

    Parameters
    ----------
    root : Description, mapping or tuple
        Where the path begins.
    steps : tuple of str
        The steps of a path that exists.

    Returns
    -------
    Quantity or None
        Unit and limits.
    """
    field = field_at(root, steps)
    return None if field is None else quantity_of(field)


def may_be_none(root: Any, steps: Steps) -> bool:
    """Whether the value at the end of a path may be None.

    Parameters
    ----------
    root : Description, mapping or tuple
        Where the path begins.
    steps : tuple of str
        The steps of a path that exists.

    Returns
    -------
    bool
        Whether None is one of its values.
    """
    field = field_at(root, steps)
    return field is not None and type(None) in get_args(field.annotation)


def value_text(root: Any, steps: Steps, *, value: Value) -> str:
    """A value with the unit of the place where it stands.

    Parameters
    ----------
    root : Description, mapping or tuple
        Where the path begins.
    steps : tuple of str
        The steps of a path that exists.
    value : float, str or None
        The value. [unit of its field]

    Returns
    -------
    str
        Six digits and the unit, or the text itself.
    """
    if value is None:
        return NO_VALUE
    quantity = quantity_at(root, steps)
    return str(value) if isinstance(value, str) or quantity is None else quantity.text(value)


def replaced(item: Any, values: Mapping[Steps, Any], *, name: str = "") -> Any:
    """The same with several values replaced; what is not on the way to one stays the same object.

    Parameters
    ----------
    item : Description, mapping or tuple
        What to begin with.
    values : mapping of tuple of str to object
        New values by steps of paths that exist.
    name : str, default ""
        What messages call the item.

    Returns
    -------
    Description, dict or tuple
        Descriptions are checked like any others; a mapping becomes a dict in the same order.

    Raises
    ------
    InputError
        If a description refuses a value.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> replaced({"limb": Tube(length=1.5)}, {("limb", "length"): 2.0})["limb"].length
    2.0
    """
    below: dict[str, dict[Steps, Any]] = {}
    for steps, value in values.items():
        below.setdefault(steps[0], {})[steps[1:]] = value
    new = {}
    for step, inner in below.items():
        inner_name = f"{name}.{step}" if name else step
        whole = () in inner
        found = None if whole else _below(item, step, path=(step,), number=0)
        new[step] = inner[()] if whole else replaced(found, inner, name=inner_name)
    if isinstance(item, Description):
        with named(name):
            return item.changed(new)
    if isinstance(item, Mapping):
        return {**item, **new}
    return tuple(new.get(str(place), old) for place, old in enumerate(item, start=1))


def _of_other_kinds(cls: type[Description], name: str) -> str:
    """Which descriptions that could stand in place of one have a field that it has not; empty if none or many."""
    family = cls.__bases__[0]
    alike = [] if family is Description else [other for other in family.__subclasses__() if not isabstract(other)]
    alike = [other for other in alike if name in other.model_fields]
    kinds = sorted({f"a {other.kind}" if other.kind[0] not in "aeiou" else f"an {other.kind}" for other in alike})
    return f"Only {' or '.join(kinds)} has one." if 0 < len(kinds) <= _MOST_KINDS else ""


def _below(item: Any, step: str, *, path: Steps, number: int) -> Any:
    """One step down; `number` counts the steps before."""
    where, so_far = f"path {'.'.join(path)!r}", ".".join(path[:number])
    if isinstance(item, Mapping):
        if step in item:
            return item[step]
        place = f"in '{so_far}'" if so_far else "to begin with"
        raise InputError(f"{where}: there is no '{step}' {place}.\n  {suggestion(step, item)}")
    if isinstance(item, Description):
        fields = type(item).model_fields
        if step in fields:
            return getattr(item, step)
        hint = _of_other_kinds(type(item), step) or suggestion(step, fields)
        raise InputError(f"{where}: the {item.kind} '{so_far}' has no '{step}'.\n  {hint}")
    if isinstance(item, tuple):
        if step.isdecimal() and 1 <= int(step) <= len(item):
            return item[int(step) - 1]
        raise InputError(f"{where}: '{so_far}' has no number '{step}'.\n  Allowed: 1 to {len(item)}.")
    shown = NO_VALUE if item is None else item
    raise InputError(
        f"{where}: '{so_far}' is a single value ({shown}), there is no '{step}' in it.\n"
        f"  End the path at '{so_far}'."
    )
