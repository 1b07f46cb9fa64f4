"""Sizing: which restrictors or settings give each lung what it is to get."""

from ventsim.studies.sizing.restrictors import Sizing, add_restrictor, size_restrictors

__all__ = ["Sizing", "add_restrictor", "size_restrictors"]
