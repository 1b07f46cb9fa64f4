"""What documentation says of a description's fields: the section of its docstring, and a table."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ventsim.quantities import quantity_of
from ventsim.tables import significant


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One line of the table of a description's fields, all as text.

    Attributes
    ----------
    name, unit, bounds, plausible, default, meaning : str
        As in the field's :class:`Quantity`; `bounds` lists the choices of a field that is not a number.
    """

    name: str
    unit: str
    bounds: str
    plausible: str
    default: str
    meaning: str


def field_table(cls: type[BaseModel]) -> tuple[FieldRow, ...]:
    """Names, units, limits and defaults of a description's fields, for documentation.

    Parameters
    ----------
    cls : type
        A subclass of :class:`Description`.

    Returns
    -------
    tuple of FieldRow
        In the order of the fields.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> row = field_table(Lung)[0]
    >>> row.name, row.unit, row.bounds, row.plausible, row.default
    ('compliance', 'mL/cmH2O', 'above 0', '0.2 to 300', 'None')
    """
    return tuple(_field_row(name, info) for name, info in cls.model_fields.items())


def _field_row(name: str, info: FieldInfo) -> FieldRow:
    quantity = quantity_of(info)
    default = "required" if info.is_required() else f"{info.get_default(call_default_factory=True)}"
    if quantity is None:
        return FieldRow(name, "", ", ".join(_choices(info)), "", default, info.description or "")
    low_high = "" if quantity.plausible is None else " to ".join(map(significant, quantity.plausible))
    return FieldRow(name, quantity.unit, quantity.bounds, low_high, default, quantity.meaning)


def with_parameters(text: str, fields: Mapping[str, FieldInfo]) -> str:
    """A docstring with the section *Parameters*, before its first other section.

    Parameters
    ----------
    text : str
        The docstring without it.
    fields : mapping of str to pydantic.fields.FieldInfo
        The fields of the description.

    Returns
    -------
    str
        The docstring with it.
    """
    lines = ["Parameters", "----------"]
    for name, info in fields.items():
        quantity = quantity_of(info)
        default = "" if info.is_required() else f", default {info.get_default(call_default_factory=True)!r}"
        unit = f" [{quantity.unit}]" if quantity is not None else ""
        meaning = info.description or (quantity.meaning if quantity else "")
        lines += [f"{name} : {_type_text(info)}{default}", f"    {meaning[:1].upper()}{meaning[1:]}.{unit}"]
    section = "\n".join(lines)
    rule = text.find("\n---")
    if rule < 0:
        return f"{text}\n\n{section}\n"
    start = text.rfind("\n", 0, rule) + 1
    return f"{text[:start]}{section}\n\n{text[start:]}"


def _type_text(info: FieldInfo) -> str:
    """The type of a field as docstrings write it."""
    choices = _choices(info)
    if choices:
        return "{" + ", ".join(f'"{choice}"' for choice in choices) + "}"
    return " or ".join(dict.fromkeys(_type_names(info.annotation)))


def _type_names(annotation: Any) -> Iterator[str]:
    origin, inner = get_origin(annotation), get_args(annotation)
    if annotation in (None, type(None)):
        yield "None"
    elif origin is Annotated:
        yield from _type_names(inner[0])
    elif origin in (tuple, Sequence):
        yield f"{origin.__name__.lower()} of {next(_type_names(inner[0]))}"
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield f"mapping of str to {next(_type_names(inner[1]))}"
    elif inner:
        for one in inner:
            yield from _type_names(one)
    else:
        yield "object" if annotation is Any else getattr(annotation, "__name__", str(annotation))


def _choices(info: FieldInfo) -> list[str]:
    """The words that a field allows, if it is a choice between words."""
    return [choice for choice in get_args(info.annotation) if isinstance(choice, str)]
