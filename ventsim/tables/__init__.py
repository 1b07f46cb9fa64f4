"""Tables: DataFrames with units until they are shown, and the one writing of numbers, changes and times.

A :class:`Table` prints as aligned text and shows as HTML in a notebook; its DataFrames hold the numbers.
"""

from ventsim.tables.formats import MISSING, clock, fixed, in_words, percent, signed, significant
from ventsim.tables.table import DECIMALS, Column, Section, Table

__all__ = [
    "DECIMALS",
    "MISSING",
    "Column",
    "Section",
    "Table",
    "clock",
    "fixed",
    "in_words",
    "percent",
    "signed",
    "significant",
]
