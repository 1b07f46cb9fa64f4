"""What all pictures have in common: colours, patterns, labels with units, in two lines where they are long."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError, shown
from ventsim.results.schema import VARIABLES, Kind, refuse_other_kind
from ventsim.tables import signed
from ventsim.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    GivenAxes = NDArray[np.object_] | Sequence[Axes] | None
    DrawnAxes = NDArray[np.object_]


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
LESS, MORE = COLOURS[1], COLOURS[0]
"""Colours of what has fallen and of what has risen."""

FAINT: dict[str, Any] = {"color": "0.6", "linewidth": 0.8, "zorder": 0.5}


def line_style(k: int) -> dict[str, Any]:
    """Colour and pattern of lung number `k`; no two of the first 64 lungs have the same of both."""
    n = len(COLOURS)
    return {"color": COLOURS[k % n], "linestyle": PATTERNS[(k + k // n) % n], "linewidth": 1.6}


def as_text(name: object) -> str:
    """A name as it is to be drawn: a dollar sign does not begin a formula."""
    return str(name).replace("$", r"\$")


def draw_lungs(ax: "Axes", x: FloatArray, values: FloatArray, names: Iterable[Any], **look: Any) -> None:
    """A line for each lung, of which `values` has a column, with its name, colour and pattern."""
    for k, (name, line) in enumerate(zip(names, values.T, strict=True)):
        ax.plot(x, line, label=as_text(name), **line_style(k), **look)


def legend(ax: "Axes", *, names: list[str]) -> None:
    """Names of the lungs above the picture, where they can hide no line, in as many columns as fit."""
    inches = ax.figure.bbox.width / ax.figure.dpi * ax.get_position().width
    entry = 0.75 + 0.078 * max(map(len, names))  # width of a piece of line and a name in ordinary type [inch]
    columns = max(1, min(len(names), 4, int(inches / entry)))
    ax.legend(ncols=columns, frameon=False, handlelength=2.8, loc="lower left", bbox_to_anchor=(0.0, 1.0))


def panels(
    axes: "GivenAxes", rows: int, columns: int = 1, *, where: str, what: str,
    size: tuple[float, float], **options: Any,
) -> "DrawnAxes":  # fmt: skip
    """The Axes that were given to the function `where`, or new ones, one after the other."""
    import matplotlib.pyplot as plt

    if axes is None:
        _, axes = plt.subplots(rows, columns, figsize=size, layout="constrained", squeeze=False, **options)
    if not isinstance(axes, Sequence | np.ndarray):
        _check_axes([axes], where=where)
    drawn = np.asarray(axes, dtype=object).ravel()
    count = rows * columns
    _check_axes(drawn, where=where)
    if drawn.size != count:
        raise SchemaError(
            f"{where} needs {count} Axes ({what}); it got {drawn.size}.\n  Use plt.subplots(...) to make {count}."
        )
    return drawn


def one_panel(ax: "Axes | None", *, size: tuple[float, float]) -> "Axes":
    """The Axes that are given, or those of a new figure."""
    import matplotlib.pyplot as plt

    if ax is None:
        return plt.subplots(figsize=size, layout="constrained")[1]
    _check_axes([ax], where="ax")
    return ax


def _check_axes(axes: Iterable[Any], *, where: str) -> None:
    from matplotlib.axes import Axes

    for ax in axes:
        if not isinstance(ax, Axes):
            raise SchemaError(f"{where}: got {shown(ax)}, not Axes.\n  Use plt.subplots(...) to make them.")


def ink_on(colour: Any) -> str:
    """Black or white, whichever can be read on a colour of red, green and blue from 0 to 1."""
    return "black" if float(np.dot(colour[:3], (0.3, 0.6, 0.1))) > 0.5 else "white"


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

    text = as_text(text)
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


def panel_size(ax: "Axes") -> tuple[float, float]:
    """About how wide and high a picture will be, by its share of the figure if a layout engine sets it. [inch]"""
    from matplotlib.gridspec import GridSpec

    width, height = ax.figure.bbox.width / ax.figure.dpi, ax.figure.bbox.height / ax.figure.dpi
    spec, at = ax.get_subplotspec(), ax.get_position()
    if ax.figure.get_layout_engine() is None or spec is None or not isinstance(spec.get_gridspec(), GridSpec):
        return at.width * width, at.height * height  # pictures stay where they are
    grid = spec.get_gridspec()
    across = _share(grid.get_width_ratios(), spec.colspan)
    return across * width - _BESIDE, _share(grid.get_height_ratios(), spec.rowspan) * height - _BELOW


def _share(ratios: Any, span: range) -> float:
    parts = np.asarray(ratios, dtype=float)
    return float(parts[span.start : span.stop].sum() / parts.sum())
