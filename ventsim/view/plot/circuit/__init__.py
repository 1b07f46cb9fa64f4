"""A drawing of a circuit, from its trees of parts to positions, lines, flows and symbols."""

from ventsim.view.plot.circuit.drawing import circuit_drawing

__all__ = ["circuit_drawing"]
