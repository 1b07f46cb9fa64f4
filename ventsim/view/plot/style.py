"""What all pictures have in common: colours, patterns, labels with units."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.results.schema import VARIABLES
from ventsim.results.schema.check import refuse_other_kind
from ventsim.results.schema.table import Kind
from ventsim.tables import signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#F0E442")
"""Colours of the lungs, in the order of use."""

PATTERNS: tuple[Any, ...] = (
    "solid",
    (0, (5, 1.5)),
    (0, (1, 1)),
    (0, (6, 1.5, 1, 1.5)),
    (0, (9, 2)),
    (0, (3, 1, 1, 1, 1, 1)),
    (0, (2, 2)),
    (0, (8, 1.5, 1, 1.5, 1, 1.5)),
)
FAINT: dict[str, Any] = {"color": "0.6", "linewidth": 0.8, "zorder": 0.5}


def line_style(k: int) -> dict[str, Any]:
    """Colour and pattern of lung number `k`; no two of the first 64 lungs have the same of both."""
    n = len(COLOURS)
    return {"color": COLOURS[k % n], "linestyle": PATTERNS[(k + k // n) % n], "linewidth": 1.6}


def legend(ax: "Axes", *, names: list[str]) -> None:
    """Names of the lungs above the picture, where they can hide no line, in as many columns as fit."""
    inches = ax.figure.bbox.width / ax.figure.dpi * ax.get_position().width
    entry = 0.75 + 0.078 * max(map(len, names))  # width of a piece of line and a name in ordinary type [inch]
    columns = max(1, min(len(names), 4, int(inches / entry)))
    ax.legend(ncols=columns, frameon=False, handlelength=2.8, loc="lower left", bbox_to_anchor=(0.0, 1.0))


def panels(
    axes: "NDArray[np.object_] | Sequence[Axes] | None", rows: int, columns: int = 1, *, where: str, what: str,
    size: tuple[float, float], **options: Any,
) -> "NDArray[np.object_]":  # fmt: skip
    """The Axes that were given to the function `where`, or new ones, one after the other."""
    import matplotlib.pyplot as plt

    if axes is None:
        _, axes = plt.subplots(rows, columns, figsize=size, layout="constrained", squeeze=False, **options)
    return counted(axes, rows * columns, where=where, what=what)


def counted(
    axes: "NDArray[np.object_] | Sequence[Axes]", count: int, *, where: str, what: str
) -> "NDArray[np.object_]":
    """Axes one after the other; refuse another number than the function `where` needs."""
    drawn = np.asarray(axes, dtype=object).ravel()
    if drawn.size != count:
        raise SchemaError(
            f"{where} needs {count} Axes ({what}); it got {drawn.size}.\n  Use plt.subplots(...) to make {count}."
        )
    return drawn


def axis_label(name: str, *, unit: str | None = None) -> str:
    return f"{VARIABLES[name].long_name} [{unit or VARIABLES[name].units}]"


def change_label(number: float, digits: int) -> str:
    """A change as a picture shows it, with the minus that its axes have."""
    return signed(number, digits).replace("-", "−")


def need(dataset: xr.Dataset, *names: str) -> None:
    """Refuse a Dataset without these variables, or without their units."""
    for name in names:
        if name not in dataset:
            kinds = VARIABLES[name].kinds
            refuse_other_kind(dataset, cast(Kind, kinds[0]) if len(kinds) == 1 else "recording")
            remedy = "Add it to the Dataset"
            if name == "volume":
                remedy = "ventsim.results.measures.integrate_recording adds it to a recording"
            elif VARIABLES[name].kinds == ("measures",):
                remedy = "ventsim.breath_measures computes it from waveforms"
            raise SchemaError(f"variable '{name}' is missing, so nothing can be drawn.\n  {remedy}.")
        if dataset[name].attrs.get("units") != VARIABLES[name].units:
            raise SchemaError(
                f"variable '{name}' is not labelled in {VARIABLES[name].units}.\n"
                "  Convert the numbers to that unit, then use ventsim.schema.label(dataset)."
            )
