"""The look of the validation figures: curves above, their difference below."""

from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike
from PIL import Image

from ventsim.plot import COLOURS

__all__ = ["COLOURS", "curves_and_difference", "draw_curves", "draw_difference", "draw_limits", "save"]

FLOOR = 1e-17  # what a difference of exactly nothing is drawn as


def curves_and_difference(
    title: str, *, x: str, y: str, difference: str, log_difference: bool = True
) -> tuple[Figure, Axes, Axes]:
    """A figure with a panel for curves and one for differences below it, on a logarithmic axis if asked."""
    figure = Figure(figsize=(7.0, 5.2), layout="constrained")
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    top.set_title(title, fontsize="medium", loc="left")
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
    """A reference as a line, and ventsim's value as open circles at some samples."""
    x, reference, value = np.asarray(x), np.asarray(reference), np.squeeze(np.asarray(value))
    axes.plot(x, reference, color=COLOURS[number], linewidth=1.4, label=label)
    some = np.linspace(0, len(x) - 1, min(len(x), 30)).astype(int)
    axes.plot(x[some], value[some], "o", color=COLOURS[number], markersize=4, markerfacecolor="none")


def draw_difference(
    axes: Axes, x: ArrayLike, *, difference: ArrayLike, number: int, label: str | None = None
) -> None:
    """Size of a difference as a line."""
    size = np.maximum(np.abs(np.squeeze(np.asarray(difference))), FLOOR)
    axes.plot(np.asarray(x), size, color=COLOURS[number], linewidth=1.0, label=label)


def draw_limits(axes: Axes, limits: Iterable[tuple[float, str]]) -> None:
    """Limits as broken lines with their names."""
    for limit, name in limits:
        axes.axhline(limit, color="0.35", linewidth=0.9, linestyle=(0, (5, 3)))
        axes.annotate(
            name, (1.0, limit), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize="small",
            color="0.25", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
        )  # fmt: skip


def save(figure: Figure, path: Path) -> None:
    """Write a small figure without anything in it that depends on the machine."""
    buffer = BytesIO()
    figure.savefig(buffer, format="png", dpi=85, metadata={"Software": None})
    Image.open(buffer).convert("RGB").quantize(colors=160).save(path, optimize=True)
