"""Sizing: which restrictors or settings give each lung what it is to get."""

from ventsim.studies.sizing.limb import add_restrictor
from ventsim.studies.sizing.restrictors import Sizing, size_restrictors

__all__ = ["Sizing", "add_restrictor", "size_restrictors"]
