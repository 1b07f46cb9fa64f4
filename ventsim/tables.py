"""Tables: DataFrames with units until they are shown, and the one writing of numbers, changes and times.

A :class:`Table` prints as aligned text and shows as HTML in a notebook; its DataFrames hold the numbers.
"""

import html
import itertools
import math
import numbers
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import pandas as pd

MISSING = "-"
"""What stands for an unknown number."""


def fixed(number: float, digits: int) -> str:
    """A number with so many decimals, and without a minus before zero.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(float("nan"), 1)
    ('0.0', '-')
    """
    return MISSING if math.isnan(number) else f"{round(float(number), digits) + 0.0:.{digits}f}"


def signed(number: float, digits: int) -> str:
    """A change with its sign, which what is rounded to zero has not.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> signed(2.5, 1), signed(-0.04, 1)
    ('+2.5', '0.0')
    """
    text = fixed(number, digits)
    return f"+{text}" if number > 0.0 and float(text) != 0.0 else text


def significant(number: float, digits: int = 6) -> str:
    """A number with so many significant digits at most, and without a minus before zero.

    Parameters
    ----------
    number : float
        Any number. [any unit]
    digits : int, default 6
        Number of significant digits. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> significant(0.30000000004), significant(-0.0)
    ('0.3', '0')
    """
    return MISSING if math.isnan(number) else f"{float(number) + 0.0:.{digits}g}"


def percent(fraction: float, digits: int = 1) -> str:
    """A fraction in percent, without the sign for it.

    Parameters
    ----------
    fraction : float
        Any fraction. [1]
    digits : int, default 1
        Number of decimals. [1]

    Returns
    -------
    str
        A dash for NaN.

    Examples
    --------
    >>> percent(0.646)
    '64.6'
    """
    return fixed(100.0 * fraction, digits)


def clock(
    time: float, *, form: Literal["h:min:s", "h:min", "min:s"] = "h:min:s", digits: int | None = None
) -> str:
    """A time as a clock shows it.

    Parameters
    ----------
    time : float
        Since the start of the run. [s]
    form : {"h:min:s", "h:min", "min:s"}, default "h:min:s"
        What is shown of it; the last part is rounded.
    digits : int or None, default None
        Decimals of the seconds of ``"h:min:s"``; None: hundredths where there are any. [1]

    Returns
    -------
    str
        Such as ``"6:00:00"``; a dash for what is not finite.

    Examples
    --------
    >>> clock(21600.0), clock(213.75), clock(213.75, digits=1), clock(5400.0, form="h:min")
    ('6:00:00', '0:03:33.75', '0:03:33.8', '1:30')
    """
    if not math.isfinite(time):
        return MISSING
    if form != "h:min:s":
        first, last = divmod(round(time / 60.0 if form == "h:min" else time), 60)
        return f"{first}:{last:02d}"
    places = 2 if digits is None else digits
    whole, part = divmod(round(time * 10**places), 10**places)
    minutes, seconds = divmod(whole, 60)
    text = f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return text if not places or (digits is None and not part) else f"{text}.{part:0{places}d}"


def in_words(name: str) -> str:
    """A name of a measure or alarm as people write it.

    Parameters
    ----------
    name : str
        With underscores.

    Returns
    -------
    str
        With blanks.

    Examples
    --------
    >>> in_words("peep_rise")
    'PEEP rise'
    """
    return name.replace("_", " ").replace("peep", "PEEP")


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
        if isinstance(value, list | tuple):
            return ", ".join(map(str, value))
        if pd.isna(value):
            return MISSING
        if not isinstance(value, numbers.Real):
            return str(value)
        number = float(value)
        if self.show is not None:
            return self.show(number)
        if self.unit in DECIMALS:
            return fixed(number, DECIMALS[self.unit])
        return str(value) if isinstance(value, numbers.Integral) else significant(number)

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


_GAP = "  "
_SHORT = 8  # letters of a heading that always stays in one line


class _Grid(NamedTuple):
    """A section as texts, which both writers lay out."""

    heads: list[str]
    units: list[str]
    rows: list[list[str]]
    n_index: int  # how many columns name the row
    is_right: list[bool]
    widths: list[int | None]  # longest line of a text


def _grid(section: Section) -> _Grid:
    """The levels of the index that have names, and the columns, with all rows that are shown."""
    frame, columns = section.frame, section.columns
    if section.is_upright:  # one line for each column of the only row
        shown = [column.text(frame[name].iloc[0]) for name, column in columns.items()]
        width = max(map(len, shown))
        pairs = zip(shown, columns.values(), strict=True)
        lines = [[column.heading, f"{text.rjust(width)} {column.unit_text}".rstrip()] for text, column in pairs]
        return _Grid(["", ""], ["", ""], lines, 1, [False, False], [None, None])
    levels = {str(name): frame.index.get_level_values(str(name)) for name in frame.index.names if name is not None}
    known = {name: columns.get(name) or Column(heading=name) for name in levels} | dict(columns)
    values: dict[str, Any] = {name: levels[name] if name in levels else frame[name] for name in known}
    texts = [[column.text(value) for value in values[name]] for name, column in known.items()]
    for k, column in enumerate(known.values()):
        if column.mark:
            marks = ["!" if is_on else " " for is_on in frame[column.mark]]
            texts[k] = [text + mark for text, mark in zip(texts[k], marks, strict=True)]
    rows = [list(row) for row in zip(*texts, strict=True)]
    if section.most_rows is not None and len(rows) > section.most_rows:
        half = section.most_rows // 2
        rows[half:-half] = [[f"... {len(rows) - 2 * half} more", *[""] * (len(known) - 1)]]
    if section.total:
        sums = {name: columns[name].text(frame[name].sum(skipna=False)) for name in section.total}
        rows.append(["total", *(sums.get(name, "") for name in list(known)[1:])])
    return _Grid(
        [column.heading for column in known.values()],
        [f"[{column.unit_text}]" if column.unit_text else "" for column in known.values()],
        rows,
        len(levels),
        [pd.api.types.is_numeric_dtype(of_one.dtype) for of_one in values.values()],
        [column.width for column in known.values()],
    )


def _text_lines(grid: _Grid) -> list[str]:
    """Columns side by side, numbers to the right."""
    cells = [[_wrapped(*cell) for cell in zip(row, grid.widths, strict=True)] for row in grid.rows]
    units = [[unit] for unit in grid.units]
    rooms = [max(len(line) for cell in column for line in cell) for column in zip(units, *cells, strict=True)]
    heads = [_broken(*head) for head in zip(grid.heads, rooms, strict=True)]
    height = max(map(len, heads))
    heads = [[""] * (height - len(head)) + head for head in heads]
    widths = [max(room, *map(len, head)) for room, head in zip(rooms, heads, strict=True)]
    above = [row for row, words in ((heads, grid.heads), (units, grid.units)) if any(words)]
    lines = []
    for row in above + cells:
        for parts in itertools.zip_longest(*row, fillvalue=""):
            placed = zip(parts, widths, grid.is_right, strict=True)
            aligned = (part.rjust(width) if right else part.ljust(width) for part, width, right in placed)
            lines.append(_GAP.join(aligned).rstrip())
    return lines


def _wrapped(text: str, width: int | None) -> list[str]:
    """Lines of a text; a list is broken behind its commas where its items are short enough."""
    if width is None:
        return text.splitlines() or [""]
    items = (item if len(item) >= width else item.replace(" ", "\N{NO-BREAK SPACE}") for item in text.split(", "))
    lines = textwrap.wrap(", ".join(items), width, break_long_words=False, break_on_hyphens=False)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines] or [""]


def _broken(heading: str, room: int) -> list[str]:
    """A heading in one line if it is short or there is room, else in the two that need least."""
    if len(heading) <= max(room, _SHORT):
        return [heading]
    ends = [k for k, letter in enumerate(heading) if letter == " "]
    pairs = [[heading[:k], heading[k + 1 :]] for k in ends]
    if not pairs:
        pairs = [[heading[: k + 1], heading[k + 1 :]] for k, letter in enumerate(heading) if letter == "-"]
    return min(pairs, key=lambda pair: max(map(len, pair)), default=[heading])


def _html_table(grid: _Grid, title: str) -> str:
    """A table of HTML, with the title as its caption."""
    sides = ["right" if right else "left" for right in grid.is_right]
    heads = [
        "<br>".join(html.escape(text) for text in pair if text)
        for pair in zip(grid.heads, grid.units, strict=True)
    ]
    lines = [f"<caption>{html.escape(title)}</caption>"] if title else []
    if any(heads):
        lines.append(_html_row(heads, sides, n_names=len(heads)))
    lines += [_html_row(map(html.escape, row), sides, n_names=grid.n_index) for row in grid.rows]
    return "\n".join(["<table>", *lines, "</table>"])


def _html_row(cells: Iterable[str], sides: Iterable[str], *, n_names: int) -> str:
    """A row, whose first cells name it."""
    row = ""
    for k, (cell, side) in enumerate(zip(cells, sides, strict=True)):
        tag = "th" if k < n_names else "td"
        row += f'<{tag} style="text-align:{side}">{cell}</{tag}>'
    return f"<tr>{row}</tr>"


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
        blocks = [self.title]
        for section in self._shown():
            title = [section.title] if section.title else []
            blocks.append("\n".join([*title, *_text_lines(_grid(section))]))
        blocks.append("\n".join(_folded(line) for note in self.notes for line in note.splitlines()))
        blocks.append(self.caution if caution else "")
        return "\n\n".join(filter(None, blocks))

    def __repr__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        parts = [_paragraph(self.title, "strong")]
        parts += [_html_table(_grid(section), section.title) for section in self._shown()]
        parts += [_paragraph(note, "span") for note in self.notes] + [_paragraph(self.caution, "em")]
        # The classes keep a name such as "$a$" from being set as a formula.
        return "\n".join(['<div class="tex2jax_ignore mathjax_ignore">', *filter(None, parts), "</div>"])

    def _shown(self) -> list[Section]:
        return [section for section in self.sections if not section.frame.empty]


def _folded(line: str) -> str:
    """A line of a note, in as many as the page is wide for."""
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.fill(line, _PAGE, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def _paragraph(text: str, tag: str) -> str:
    """Lines of text, with their breaks; nothing without a text."""
    return text and f"<p><{tag}>{html.escape(text).replace(chr(10), '<br>')}</{tag}></p>"
