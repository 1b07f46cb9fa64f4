"""A circuit: named parts joined at their ports, checked to be complete when it is made."""

from ventsim.circuit.description import Circuit
from ventsim.circuit.graph import build_graph
from ventsim.circuit.named_parts import VENTILATOR, FrozenParts

__all__ = ["VENTILATOR", "Circuit", "FrozenParts", "build_graph"]
