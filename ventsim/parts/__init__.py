"""What a circuit is made of: frozen descriptions of lungs, tubes, fittings, valves and filters."""

from types import MappingProxyType

from ventsim.parts.base import Description, Part
from ventsim.parts.elements import Element, Passage, Rohrer, Store
from ventsim.parts.fittings import Adapter, TPiece, YPiece
from ventsim.parts.inline import Filter, OneWayValve, Restrictor
from ventsim.parts.lung import Lung
from ventsim.parts.quantity import FieldRow, Quantity, field_table
from ventsim.parts.tube import Tube

__all__ = [
    "PART_KINDS",
    "Adapter",
    "Description",
    "Element",
    "FieldRow",
    "Filter",
    "Lung",
    "OneWayValve",
    "Part",
    "Passage",
    "Quantity",
    "Restrictor",
    "Rohrer",
    "Store",
    "TPiece",
    "Tube",
    "YPiece",
    "field_table",
]

PART_KINDS = MappingProxyType(
    {
        "lung": Lung,
        "tube": Tube,
        "t-piece": TPiece,
        "y-piece": YPiece,
        "adapter": Adapter,
        "one-way valve": OneWayValve,
        "restrictor": Restrictor,
        "filter": Filter,
    }
)
"""The class of each kind of part, by the word that files use for it."""
