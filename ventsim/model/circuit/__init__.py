"""A circuit: named parts joined at their ports, checked to be complete when it is made."""

from ventsim.model.circuit.description import Circuit
from ventsim.model.circuit.graph import VENTILATOR
from ventsim.model.circuit.parts_list import VENTILATOR_CONES, connector_mismatches, parts_list

__all__ = ["VENTILATOR", "VENTILATOR_CONES", "Circuit", "connector_mismatches", "parts_list"]
