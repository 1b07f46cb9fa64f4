"""The table of a description's fields, for documentation."""

from dataclasses import dataclass
from typing import get_args

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
    ('compliance', 'mL/cmH2O', 'above 0', '0.2 to 300', 'required')
    """
    return tuple(_field_row(name, info) for name, info in cls.model_fields.items())


def _field_row(name: str, info: FieldInfo) -> FieldRow:
    quantity = quantity_of(info)
    default = "required" if info.is_required() else f"{info.get_default(call_default_factory=True)}"
    if quantity is None:
        choices = ", ".join(str(choice) for choice in get_args(info.annotation) if isinstance(choice, str))
        return FieldRow(name, "", choices, "", default, info.description or "")
    low_high = "" if quantity.plausible is None else " to ".join(map(significant, quantity.plausible))
    return FieldRow(name, quantity.unit, quantity.bounds, low_high, default, quantity.meaning)
