"""Sections as texts, laid out as plain text and as HTML."""

import html
import itertools
import textwrap
from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

from ventsim.tables.sections import Column, Section

_GAP = "  "
_SHORT = 8  # letters of a heading that always stays in one line


class Grid(NamedTuple):
    """A section as texts, which both writers lay out."""

    heads: list[str]
    units: list[str]
    rows: list[list[str]]
    n_index: int  # how many columns name the row
    is_right: list[bool]
    widths: list[int | None]  # longest line of a text


def grid_of(section: Section) -> Grid:
    """All that is shown of a section."""
    return _list(section) if section.is_upright else _rows_and_columns(section)


def _list(section: Section) -> Grid:
    """A line for each column of the only row."""
    values = {name: column.text(section.frame[name].iloc[0]) for name, column in section.columns.items()}
    width = max(map(len, values.values()))
    rows = [
        [column.heading, f"{values[name].rjust(width)} {column.unit_text}".rstrip()]
        for name, column in section.columns.items()
    ]
    return Grid(["", ""], ["", ""], rows, 1, [False, False], [None, None])


def _rows_and_columns(section: Section) -> Grid:
    """The levels of the index that have names, and the columns, with all rows that are shown."""
    frame, columns = section.frame, section.columns
    index = frame.index
    levels = {name: index.get_level_values(k) for k, name in enumerate(index.names) if name is not None}
    known = {**{name: Column(heading=str(name)) for name in levels}, **columns}
    values = {name: levels[name] if name in levels else frame[name] for name in known}
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
    return Grid(
        [column.heading for column in known.values()],
        [f"[{column.unit_text}]" if column.unit_text else "" for column in known.values()],
        rows,
        len(levels),
        [pd.api.types.is_numeric_dtype(of_one.dtype) for of_one in values.values()],
        [column.width for column in known.values()],
    )


def text_lines(grid: Grid) -> list[str]:
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


def html_table(grid: Grid, title: str) -> str:
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
    tags = itertools.chain(["th"] * n_names, itertools.repeat("td"))
    row = (
        f'<{tag} style="text-align:{side}">{cell}</{tag}>'
        for cell, side, tag in zip(cells, sides, tags, strict=False)
    )
    return f"<tr>{''.join(row)}</tr>"
