"""The words of messages about descriptions: what is wrong, in which one, and how to write it."""

import contextlib
import contextvars
import functools
import inspect
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Concatenate, ParamSpec, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from ventsim.errors import InputError, nearest_names, suggestion
from ventsim.quantities import quantity_of

P, R = ParamSpec("P"), TypeVar("R")

_NAME: contextvars.ContextVar[str] = contextvars.ContextVar("name of the part in hand", default="")
_LONGEST = 80  # characters of a wrong value in a message


@contextlib.contextmanager
def named(name: str) -> Iterator[None]:
    """Give a name to the descriptions made inside the ``with`` block, for their messages.

    A part does not know its name in the circuit; a reader of files does, and says so here.

    Parameters
    ----------
    name : str
        Name of the part in its circuit.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> with named("b"):
    ...     Lung(compliance=-1.0, resistance=5.0)
    Traceback (most recent call last):
    ventsim.errors.PartError: lung 'b': compliance -1 mL/cmH2O is not allowed.
      Allowed: above 0 mL/cmH2O; usual: 0.2 to 300 mL/cmH2O.
    """
    token = _NAME.set(name)
    try:
        yield
    finally:
        _NAME.reset(token)


def one_mapping(method: Callable[Concatenate[Any, P], R]) -> Callable[Concatenate[Any, P], R]:
    """Let a method that takes one mapping of names answer other ways of writing with the right one.

    The signature that users see stays that of the method.

    Parameters
    ----------
    method : function
        A method of a description with one argument besides ``self``: new values by name.

    Returns
    -------
    function
        The method, which refuses names given as keywords, and anything but a mapping of names.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> Tube(length=1.5).changed(bore=15.0)
    Traceback (most recent call last):
    ventsim.errors.PartError: tube: changed takes one mapping of names to new values.
      Write .changed({'bore': 15.0}).
    """
    (argument,) = list(inspect.signature(method).parameters)[1:]

    @functools.wraps(method)
    def checked(self: Any, *values: Any, **by_name: Any) -> R:
        given = values[0] if len(values) == 1 and not by_name else None
        if not values and set(by_name) == {argument}:
            given = by_name[argument]
        if not isinstance(given, Mapping) or not all(isinstance(name, str) for name in given):
            pairs = {name: shown(value) for name, value in by_name.items() if name != argument}
            example = ", ".join(f"{name!r}: {text}" for name, text in (pairs or {"name": "..."}).items())
            raise self.error_type(
                f"{self.kind}: {method.__name__} takes one mapping of names to new values.\n"
                f"  Write .{method.__name__}({{{example}}})."
            )
        return method(self, given)

    return checked


def shown(value: object) -> str:
    """A wrong value as messages show it: descriptions without all their numbers.

    Parameters
    ----------
    value : object
        What was given.

    Returns
    -------
    str
        One line for anything whose ``repr`` is one.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> shown(Tube(length=1.5)), shown(Tube), shown("tube")
    ('Tube(...)', 'the class Tube', "'tube'")
    """
    if isinstance(value, BaseModel):
        return f"{type(value).__name__}(...)"
    if isinstance(value, type):
        return f"the class {value.__name__}"
    if isinstance(value, Mapping):
        pairs = (f"{name!r}: {shown(item)}" for name, item in value.items())
        text = f"{{{', '.join(pairs)}}}"
    elif type(value) in (list, tuple) and any(isinstance(item, BaseModel) for item in value):
        text = f"[{', '.join(map(shown, value))}]"
    else:
        text = repr(value)
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def unnamed(cls: type[BaseModel], values: tuple[Any, ...], data: Mapping[str, Any]) -> str:
    """Why values without names are refused, and how to write them.

    Parameters
    ----------
    cls : type
        Class of the description.
    values : tuple of object
        What was given without names.
    data : mapping of str to object
        What was given with names.

    Returns
    -------
    str
        Three lines.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> print(unnamed(Lung, (40, 8), {}).splitlines()[1])
      Write Lung(compliance=40, resistance=8).
    """
    fields = list(cls.model_fields)
    needed = [name for name, info in cls.model_fields.items() if info.is_required()]
    free = [name for name in needed if name not in data]
    pairs = dict.fromkeys(free or [name for name in fields if name not in data][:1], "...")
    # Only where the order of the fields leaves no doubt which value is meant.
    if len(values) <= len(free) and fields[: len(needed)] == needed:
        pairs |= {name: shown(value) for name, value in zip(free, values, strict=False)}
    pairs |= {name: shown(value) for name, value in data.items()}
    call = f"{cls.__name__}({', '.join(f'{name}={text}' for name, text in pairs.items())})"
    several = "values are given" if len(values) > 1 else "a value is given"
    return (
        f"{label(cls)}: {several} without a name: {', '.join(map(shown, values))}.\n"
        f"  Write {call}.\n  Names: {', '.join(fields) or 'none, it has no values'}."
    )


def label(cls: type[BaseModel]) -> str:
    """How messages call a description: its kind, and its name where it is known.

    Parameters
    ----------
    cls : type
        Class of the description.

    Returns
    -------
    str
        Such as ``lung 'b'``.
    """
    name = _NAME.get()
    return f"{cls.kind} '{name}'" if name else cls.kind


def reworded(cls: type[BaseModel], error: ValidationError) -> InputError:
    """The same complaint in the form of the house; an error of our own passes as it is.

    Parameters
    ----------
    cls : type
        Class of the description.
    error : pydantic.ValidationError
        What pydantic found.

    Returns
    -------
    InputError
        To be raised.
    """
    lines, kinds = [], set()
    for item in _misspellings_first(cls, error.errors(include_url=False)):
        cause = item.get("ctx", {}).get("error")
        if isinstance(cause, InputError):
            kinds.add(type(cause))
            where = "" if len(item["loc"]) == 0 else f"{label(cls)}: {_path(item['loc'])}: "
            lines.append(f"{where}{cause}")
        else:
            kinds.add(cls.error_type)
            lines.append(f"{label(cls)}: {_complaint(cls, item)}")
    kind = kinds.pop() if len(kinds) == 1 else cls.error_type
    return kind("\n".join(lines))


def _misspellings_first(cls: type[BaseModel], items: list[Any]) -> list[Any]:
    """Unknown names first, and not a word of missing what they probably mean."""
    unknown = [item for item in items if item["type"] == "extra_forbidden"]
    meant = {near for item in unknown for near in nearest_names(_path(item["loc"]), cls.model_fields, limit=1)}
    others = [
        item for item in items
        if item not in unknown and not (item["type"] == "missing" and _path(item["loc"]) in meant)
    ]  # fmt: skip
    return [*unknown, *others]


def _path(loc: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in loc)


def _complaint(cls: type[BaseModel], item: Mapping[str, Any]) -> str:
    """One error of pydantic's list, without the label."""
    name, given = _path(item["loc"]), item["input"]
    fields = cls.model_fields
    match item["type"]:
        case "quantity":
            return f"{name} {item['msg']}"
        case "missing":
            quantity = quantity_of(fields[name]) if name in fields else None
            told = fields[name].description if name in fields else None
            hint = f"{name}=... in {quantity.unit}, {quantity.meaning}" if quantity else f"{name}=..."
            hint = f"{hint}, {told}" if told else hint
            return f"{name} is missing.\n  Give {hint}."
        case "extra_forbidden":
            return f"there is no '{name}'.\n  {suggestion(str(name), fields)}"
        case "literal_error":
            choices = [str(choice) for choice in get_args(fields[str(item["loc"][0])].annotation)]
            return f"{name} {shown(given)} is not one of the choices.\n  {suggestion(str(given), choices)}"
        case "model_type":
            wanted = item["ctx"]["class_name"]
            article = "an" if wanted[0] in "AEIOU" else "a"
            return f"{name} {shown(given)} is not {article} {wanted}.\n  Give {wanted}(...)."
        case "bool_type" | "bool_parsing":
            return f"{name} {shown(given)} is neither true nor false.\n  Give one of the two, without quotes."
        case _:
            return f"{name} {shown(given)} does not fit: {item['msg']}."
