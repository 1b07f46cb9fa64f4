"""A circuit: named parts joined at their ports, checked to be complete when it is made."""

from ventsim.circuit.description import Circuit
from ventsim.circuit.graph import build_graph
from ventsim.circuit.mating import VENTILATOR_CONES, cone_faults
from ventsim.circuit.named_parts import VENTILATOR, FrozenParts
from ventsim.circuit.parts_list import parts_list, parts_list_text

__all__ = [
    "VENTILATOR",
    "VENTILATOR_CONES",
    "Circuit",
    "FrozenParts",
    "build_graph",
    "cone_faults",
    "parts_list",
    "parts_list_text",
]
