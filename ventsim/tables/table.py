"""Tables that print and show themselves."""

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from ventsim.tables.sections import Section
from ventsim.tables.writing import Grid, grid_of, html_table, text_lines

_PAGE = 110  # letters in a line of a note


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Table:
    """One or more DataFrames that print as aligned text and show as HTML in a notebook.

    Parameters
    ----------
    sections : sequence of Section
        The DataFrames; an empty one is not shown.
    title : str, default ""
        Above everything.
    notes : sequence of str, default ()
        Below everything.
    caution : str, default ""
        Last line.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventsim.tables import Column, Section
    >>> frame = pd.DataFrame({"peep": [5.0, None]}, index=pd.Index(["a", "b"], name="lung"))
    >>> columns = {"peep": Column(heading="total PEEP", unit="cmH2O")}
    >>> table = Table(sections=[Section(name="lungs", frame=frame, columns=columns)])
    >>> print(table)
            total
    lung     PEEP
          [cmH2O]
    a        5.00
    b           -
    >>> table.frame.attrs["units"]
    {'peep': 'cmH2O'}
    """

    sections: Sequence[Section]
    title: str = ""
    notes: Sequence[str] = ()
    caution: str = ""

    @property
    def frame(self) -> pd.DataFrame:
        """The first DataFrame, with the unit of each column in ``attrs["units"]``; a copy."""
        return next(iter(self.frames.values()))

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """All DataFrames by name, with the unit of each column in ``attrs["units"]``; copies."""
        found = {}
        for section in self.sections:
            frame = section.frame.copy()
            frame.attrs["units"] = {name: column.unit for name, column in section.columns.items() if column.unit}
            found[section.name] = frame
        return found

    def text(self, *, caution: bool = True) -> str:
        """The table as text, in letters of one width.

        Parameters
        ----------
        caution : bool, default True
            Whether to end with the line of caution; False: for text in which it stands already.

        Returns
        -------
        str
            Lines without blanks at their ends.
        """
        blocks = [self.title] if self.title else []
        for section, grid in self._grids():
            title = [section.title] if section.title else []
            blocks.append("\n".join([*title, *text_lines(grid)]))
        blocks += (
            ["\n".join(_folded(line) for note in self.notes for line in note.splitlines())] if self.notes else []
        )
        blocks += [self.caution] if caution and self.caution else []
        return "\n\n".join(blocks)

    def __str__(self) -> str:
        return self.text()

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        parts = [_paragraph(self.title, "strong")] if self.title else []
        parts += [html_table(grid, section.title) for section, grid in self._grids()]
        parts += [_paragraph(note, "span") for note in self.notes]
        parts += [_paragraph(self.caution, "em")] if self.caution else []
        # The classes keep a name such as "$a$" from being set as a formula.
        return "\n".join(['<div class="tex2jax_ignore mathjax_ignore">', *parts, "</div>"])

    def _grids(self) -> list[tuple[Section, Grid]]:
        return [(section, grid_of(section)) for section in self.sections if not section.frame.empty]


def _folded(line: str) -> str:
    """A line of a note, in as many as the page is wide for."""
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.fill(line, _PAGE, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _paragraph(text: str, tag: str) -> str:
    """Lines of text, with their breaks."""
    return f"<p><{tag}>{html.escape(text).replace(chr(10), '<br>')}</{tag}></p>"
