"""What a table is made of: DataFrames, and what is known of their columns."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventsim.tables.formats import MISSING, fixed, significant

DECIMALS = {
    "mL": 1, "mL/kg": 2, "mL/cmH2O": 1, "L/min": 2, "cmH2O": 2, "1/min": 1, "J/min": 2, "kg": 1, "mm": 2, "%": 1,
}  # fmt: skip
"""How many decimals a number of each unit has in a table; of other units six significant digits are shown. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What a table knows of a column of its DataFrame.

    Parameters
    ----------
    heading : str
        Words above the column, shown in two lines where that makes it narrower.
    unit : str, default ""
        Unit of the numbers in the DataFrame; ``""`` or ``"1"`` is not shown.
    show : callable of float to str, or None, default None
        How a number is written; None: with the :data:`DECIMALS` of its unit.
    shown_unit : str or None, default None
        Unit of what is written, if `show` writes another one.
    mark : str, default ""
        Name of a further column of the DataFrame; where that is true, ``!`` stands behind the number.
    width : int or None, default None
        Longest line of a text, which goes on below in the next one; None: one line. [1]

    Examples
    --------
    >>> Column(heading="auto-PEEP", unit="cmH2O").text(0.456)
    '0.46'
    """

    heading: str
    unit: str = ""
    show: Callable[[float], str] | None = None
    shown_unit: str | None = None
    mark: str = ""
    width: int | None = None

    def text(self, value: Any) -> str:
        """One value as it is shown.

        Parameters
        ----------
        value : object
            A number, a text, a list of texts, or None. [unit]

        Returns
        -------
        str
            Without the unit; a dash for what is missing.
        """
        if isinstance(value, str):
            return value
        if isinstance(value, list | tuple):
            return ", ".join(map(str, value))
        if pd.isna(value):
            return MISSING
        if self.show is not None:
            return self.show(value)
        if self.unit in DECIMALS:
            return fixed(value, DECIMALS[self.unit])
        return significant(float(value)) if isinstance(value, float | np.floating) else str(value)

    @property
    def unit_text(self) -> str:
        """The unit that is shown; empty if there is none."""
        unit = self.unit if self.shown_unit is None else self.shown_unit
        return "" if unit == "1" else unit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """One DataFrame of a table, and how it is shown.

    Parameters
    ----------
    name : str
        Name of the DataFrame among those of the table.
    frame : pandas.DataFrame
        The numbers and texts. The levels of its index that have a name are shown to the left.
    columns : mapping of str to Column
        What is known of each column that is shown, in this order, and of levels of the index that need it.
    title : str, default ""
        A line above.
    is_upright : bool, default False
        Whether the only row is shown as a list: a line for each column, with its heading, number and unit.
    total : sequence of str, default ()
        Columns whose sums stand in a last line.
    most_rows : int or None, default None
        Of more rows the first and last are shown, an even number; None: all. [1]
    """

    name: str
    frame: pd.DataFrame
    columns: Mapping[Any, Column]
    title: str = ""
    is_upright: bool = False
    total: Sequence[str] = ()
    most_rows: int | None = None
