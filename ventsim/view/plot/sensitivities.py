"""How the mechanics of each lung affect the volume of every lung: a matrix for each mode."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.view.plot.style import LESS, MORE, change_label, ink_on, panels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_EFFECTS = ("compliance", "resistance")
_FULL = 1.0  # effect that has the full colour [%/%]


def sensitivity_matrix(
    dataset: xr.Dataset, *, axes: "NDArray[np.object_] | Sequence[Axes] | None" = None
) -> "NDArray[np.object_]":
    """A matrix for each mode, of compliance above and of resistance below, with the numbers in the cells.

    A row is the lung that is changed, a column the lung whose tidal volume changes, in % for each %. The stronger
    the colour, the larger the effect; blue and a plus sign: more volume, orange and a minus sign: less.

    Parameters
    ----------
    dataset : xarray.Dataset
        Result of :func:`ventsim.studies.sensitivity_matrix`.
    axes : sequence of matplotlib Axes, of shape (2, n_modes), optional
        Where to draw; a new figure if not given.

    Returns
    -------
    numpy.ndarray of matplotlib Axes, of shape (2, n_modes)
        Effects of compliance and of resistance.

    Raises
    ------
    SchemaError
        If the Dataset is no such study, or the number of Axes does not fit.

    Examples
    --------
    ``sensitivity_matrix(found)[0, 0].figure.savefig("sensitivities.png")``
    """
    for name in (f"{effect}_effect" for effect in _EFFECTS):
        if name not in dataset or set(dataset[name].dims) != {"mode", "changed", "lung"}:
            raise SchemaError(
                f"variable '{name}' with dims (mode, changed, lung) is missing.\n"
                "  Use the result of ventsim.studies.sensitivity_matrix."
            )
    modes, n = [str(mode) for mode in dataset["mode"].values], dataset.sizes["lung"]
    size = (len(modes) * max(1.4 + 0.62 * n, 3.4), 2.0 + 2 * (0.7 + 0.46 * n))
    drawn = panels(axes, 2, len(modes), where="sensitivity_matrix", what="two for each mode", size=size)
    drawn = drawn.reshape(2, len(modes))
    for row, effect in enumerate(_EFFECTS):
        for column, mode in enumerate(modes):
            ax = drawn[row, column]
            matrix = dataset[f"{effect}_effect"].isel(mode=column).transpose("changed", "lung")
            _draw_matrix(ax, matrix)
            ax.set_title(f"{mode}: {effect}", loc="left", fontsize="medium")
            ax.set_ylabel(f"changed {effect} of lung", fontsize="small")
            ax.set_xlabel("effect on tidal volume of lung [%/%]", fontsize="small")
    return drawn


def _draw_matrix(ax: "Axes", matrix: xr.DataArray) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    colours = LinearSegmentedColormap.from_list("less to more", [LESS, "white", MORE])
    ax.imshow(matrix.values, cmap=colours, vmin=-_FULL, vmax=_FULL, aspect="auto")
    for (row, column), value in np.ndenumerate(matrix.values):
        ink = ink_on(colours((value + _FULL) / (2.0 * _FULL)))
        text = "0" if abs(value) < 5e-4 else change_label(value, 3)
        ax.text(column, row, text, ha="center", va="center", fontsize=8, color=ink)
    ax.set_xticks(range(matrix.sizes["lung"]), [str(name) for name in matrix["lung"].values])
    ax.set_yticks(range(matrix.sizes["changed"]), [str(name) for name in matrix["changed"].values])
    ax.tick_params(length=0)
    ax.set_xticks(np.arange(0.5, matrix.sizes["lung"] - 1), minor=True)
    ax.set_yticks(np.arange(0.5, matrix.sizes["changed"] - 1), minor=True)
    ax.grid(which="minor", color="white", linewidth=1.5)
    ax.tick_params(which="minor", length=0)
