"""The look of the validation figures: curves above, their difference below; readable without colours."""

import textwrap
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike
from PIL import Image

from ventsim.view.plot import COLOURS

__all__ = [
    "COLOURS",
    "LINES",
    "MARKS",
    "TWO_TOLERANCES",
    "curves_and_difference",
    "draw_band",
    "draw_curves",
    "draw_difference",
    "draw_limits",
    "save",
]

FLOOR = 1e-17  # what a difference of exactly nothing is drawn as

LINES = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (6, 1.5, 1, 1.5)))
"""Kinds of line that go with the first colours, for prints in grey."""
MARKS = ("o", "s", "^", "D")
"""Marks that go with the first colours, for prints in grey."""
TWO_TOLERANCES = "upper curves: default tolerance, 5e-07; lower curves: tolerance 1e-10"
"""What to write over differences at both tolerances."""


def curves_and_difference(
    title: str, *, x: str, y: str, difference: str, note: str = "", log_difference: bool = True
) -> tuple[Figure, Axes, Axes]:
    """A figure with a panel for curves and one for differences below it, on a logarithmic axis if asked.

    A note stands over the lower panel.
    """
    figure = Figure(figsize=(7.4, 5.4), layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    top.set_title(title, fontsize="medium", loc="left")
    bottom.set_title(note, fontsize="small", loc="left", color="0.25")
    top.set_ylabel(y)
    bottom.set_ylabel(difference)
    bottom.set_xlabel(x)
    if log_difference:
        bottom.set_yscale("log")
    for axes in (top, bottom):
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(color="0.92", linewidth=0.6)
    return figure, top, bottom


def draw_curves(
    axes: Axes, x: ArrayLike, *, reference: ArrayLike, value: ArrayLike, label: str, number: int
) -> None:
    """A reference as a line, and ventsim's value as open marks at some samples."""
    x, reference, value = np.asarray(x), np.asarray(reference), np.squeeze(np.asarray(value))
    look = {"color": COLOURS[number], "marker": MARKS[number], "markersize": 4, "markerfacecolor": "none"}
    axes.plot(x, reference, color=COLOURS[number], linestyle=LINES[number], linewidth=1.4)
    some = np.linspace(0, len(x) - 1, min(len(x), 30)).astype(int)
    axes.plot(x[some], value[some], linestyle="none", **look)
    axes.plot([], [], linestyle=LINES[number], linewidth=1.4, label=label, **look)  # both, in the legend


def draw_difference(
    axes: Axes, x: ArrayLike, *, difference: ArrayLike, number: int, label: str | None = None
) -> None:
    """Size of a difference as a line."""
    size = np.maximum(np.abs(np.squeeze(np.asarray(difference))), FLOOR)
    axes.plot(np.asarray(x), size, color=COLOURS[number], linestyle=LINES[number], linewidth=1.0, label=label)


def draw_limits(axes: Axes, limits: Iterable[tuple[float, str]]) -> None:
    """Limits as broken lines with their names right of the panel, where they hide nothing."""
    for limit, name in limits:
        axes.axhline(limit, color="0.35", linewidth=0.9, linestyle=(0, (5, 3)))
        _name_at_the_side(axes, limit, name)


def draw_band(axes: Axes, ends: tuple[float, float], *, name: str) -> None:
    """A range as a light band across the panel with its name right of it."""
    low, high = ends
    axes.axhspan(low, high, facecolor="0.85", edgecolor="0.6", linewidth=0.5, zorder=0)
    middle = float(np.sqrt(low * high)) if axes.get_yscale() == "log" else (low + high) / 2
    _name_at_the_side(axes, middle, name)


def _name_at_the_side(axes: Axes, height: float, name: str) -> None:
    axes.annotate(
        textwrap.fill(name, 18), (1.01, height), xycoords=("axes fraction", "data"), ha="left", va="center",
        fontsize="small", color="0.25", annotation_clip=False,
    )  # fmt: skip


def save(figure: Figure, path: Path) -> None:
    """Write a small figure without anything in it that depends on the machine."""
    buffer = BytesIO()
    figure.savefig(buffer, format="png", dpi=85, metadata={"Software": None})
    Image.open(buffer).convert("RGB").quantize(colors=160).save(path, optimize=True)
