"""Long labels of axes in two lines, by an estimate of how long they are and how much room there is."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Mean width of a letter, in sizes of the type, and of the type in inches.
_LETTER, _POINT = 0.54, 1.0 / 72.0
# What a layout engine leaves for numbers and labels beside and below each picture, about. [inch]
_BESIDE, _BELOW = 0.7, 0.37


def in_lines(text: str, inches: float) -> str:
    """A label as it is if it fits, else in two lines.

    Preferably a line ends after a colon or before the unit; otherwise where the longer line is shortest.

    Parameters
    ----------
    text : str
        The label.
    inches : float
        Room for it. [inch]

    Returns
    -------
    str
        With at most one line break.

    Examples
    --------
    >>> in_lines("airway pressure [cmH2O]", 1.2)
    'airway pressure\\n[cmH2O]'
    """
    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties

    size = FontProperties(size=mpl.rcParams["axes.labelsize"]).get_size_in_points()
    most = inches / (_LETTER * _POINT * size)
    spaces = [space for space, letter in enumerate(text) if letter == " "]
    if len(text) <= most or not spaces:
        return text

    def longer(space: int) -> int:
        return max(space, len(text) - space - 1)

    natural = [space for space in spaces if text[space - 1] == ":" or text[space + 1 :].startswith("[")]
    space = min([space for space in natural if longer(space) <= most] or spaces, key=longer)
    return f"{text[:space]}\n{text[space + 1 :]}"


def panel_width(ax: "Axes") -> float:
    """About how wide a picture will be. [inch]"""
    share = _share(ax, upright=False)
    whole = ax.figure.bbox.width / ax.figure.dpi
    return ax.get_position().width * whole if share is None else share * whole - _BESIDE


def panel_height(ax: "Axes") -> float:
    """About how high a picture will be. [inch]"""
    share = _share(ax, upright=True)
    whole = ax.figure.bbox.height / ax.figure.dpi
    return ax.get_position().height * whole if share is None else share * whole - _BELOW


def _share(ax: "Axes", *, upright: bool) -> float | None:
    """Share of the figure that a layout engine will give to a picture; None if pictures stay where they are."""
    from matplotlib.gridspec import GridSpec

    spec = ax.get_subplotspec()
    if ax.figure.get_layout_engine() is None or spec is None or not isinstance(spec.get_gridspec(), GridSpec):
        return None
    grid = spec.get_gridspec()
    ratios, span = (grid.get_height_ratios(), spec.rowspan) if upright else (grid.get_width_ratios(), spec.colspan)
    parts = np.asarray(ratios, dtype=float)
    return float(parts[span.start : span.stop].sum() / parts.sum())
