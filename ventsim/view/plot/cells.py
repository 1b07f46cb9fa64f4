"""Tables of coloured cells: how lungs affect one another, and which harm of faults stays unseen.

What rises is blue and what falls is orange, the more the stronger, with the number in the cell.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from ventsim.errors import SchemaError
from ventsim.parameters import public
from ventsim.studies.blind_spots import NOT_RUN
from ventsim.studies.tables import faults_frame
from ventsim.tables import fixed
from ventsim.view.plot import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NEEDED = (
    "tidal_volume_change", "unseen", "raised_after", "reason", "displayed_expired_tidal_volume_before",
    "displayed_expired_tidal_volume_change", "displayed_peak_pressure_change",
)  # fmt: skip
_UNKNOWN = style.change_label(np.nan, 0)
_FULL = 60.0  # change of volume that has the full colour [%]


@public
def blind_spots(found: xr.Dataset, *, axes: "style.GivenAxes" = None) -> "style.DrawnAxes":
    """A table of faults and lungs for each mode; a heavy frame marks harm that no alarm shows.

    The colour of a cell is the change of the lung's tidal volume, orange for less and blue for more, with the
    number in it. The columns to the right are what the ventilator displays of expired volume and peak
    pressure, and the first alarm.

    Parameters
    ----------
    found : xarray.Dataset
        Result of :func:`ventsim.studies.blind_spots`.
    axes : sequence of matplotlib Axes, optional
        One for each mode; a new figure if not given.

    Returns
    -------
    array of matplotlib Axes of shape (n_modes,)
        One picture for each mode. The figure is ``axes[0].figure``.

    Raises
    ------
    SchemaError
        If the Dataset is no blind-spot study, or there are not as many Axes as modes.

    Examples
    --------
    ``blind_spots(found)[0].figure.savefig("blind_spots.png")``
    """
    for name in _NEEDED:
        if name not in found:
            raise SchemaError(f"variable '{name}' is missing.\n  Use the result of ventsim.studies.blind_spots.")
    modes, n_faults, n_lungs = found.mode.values, found.sizes["fault"], found.sizes["lung"]
    size = (len(modes) * (3.9 + 0.62 * n_lungs), 1.5 + 0.36 * n_faults)
    what = "one for each mode"
    drawn = style.panels(axes, 1, len(modes), where="blind_spots", what=what, size=size, sharey=True)
    for ax, mode in zip(drawn, modes, strict=True):
        _draw_mode(ax, found.sel(mode=mode), str(mode))
    shared = drawn[0].get_shared_y_axes()
    for k, ax in enumerate(drawn):
        if k == 0 or not shared.joined(drawn[0], ax):  # beside one another, the first has the names of all
            ax.set_yticks(range(n_faults), list(map(style.as_text, found.fault.values)))
    return drawn


def _draw_mode(ax: "Axes", one: xr.Dataset, mode: str) -> None:
    n_faults, n_lungs = one.sizes["fault"], one.sizes["lung"]
    beside = (n_lungs + 0.15, n_lungs + 1.15, n_lungs + 2.55)  # columns of what is displayed and alarmed
    for row, (_, fault) in enumerate(faults_frame(one).iterrows()):
        reason = str(one["reason"].values[row])
        unknown = NOT_RUN if reason.startswith(NOT_RUN) else "failed" if reason else _UNKNOWN
        for column, lung in enumerate(f"lung {name}" for name in one["lung"].values):
            change = float(fault[lung])
            text = style.change_label(change, 0) if np.isfinite(change) else unknown
            _draw_cell(ax, column, row, change, unseen=fault[f"unseen in {lung}"], text=text)
        expired, after = float(fault["displayed expired"]), float(fault["alarm after"])
        volume = f"{style.change_label(expired, 0)} %" if np.isfinite(expired) else _UNKNOWN
        alarm = f"{fault['first alarm']}, {fixed(after, 0)} s" if np.isfinite(after) else "no alarm"
        texts = (volume, style.change_label(float(fault["displayed peak"]), 1), _UNKNOWN if reason else alarm)
        for x, text in zip(beside, texts, strict=True):
            quiet = text == "no alarm"
            ax.text(x, row, text, ha="center", va="center", fontsize=8, color="0.45" if quiet else "black")
    heads = [f"lung\n{style.as_text(name)}" for name in one.lung.values]
    heads += ["displayed\nexpired\nvolume", "displayed\npeak\n[cmH2O]", "first\nalarm"]
    ax.set_xticks([*range(n_lungs), *beside], heads, fontsize=8)
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    ax.set_xlim(-0.55, beside[-1] + 1.25)
    ax.set_ylim(n_faults - 0.45, -0.55)
    ax.spines[:].set_visible(False)
    ax.set_title(style.as_text(mode), loc="left", fontsize="medium", fontweight="bold")
    ax.set_xlabel("cells: change of tidal volume [%]; heavy frame: harm without an alarm", fontsize=8, loc="left")


def _draw_cell(ax: "Axes", column: int, row: int, change: float, *, unseen: bool, text: str) -> None:
    from matplotlib.colors import to_rgb
    from matplotlib.patches import Rectangle

    strength = min(abs(change) / _FULL, 1.0) if np.isfinite(change) else 0.0
    tint = np.array(to_rgb(style.LESS if change < 0 else style.MORE))
    colour = (1.0 - strength) + strength * tint
    cell: dict[str, Any] = {"facecolor": colour, "edgecolor": "0.8", "linewidth": 0.6}
    ax.add_patch(Rectangle((column - 0.46, row - 0.44), 0.92, 0.88, **cell))
    if unseen:
        frame: dict[str, Any] = {"fill": False, "edgecolor": "black", "linewidth": 2.2, "zorder": 3}
        ax.add_patch(Rectangle((column - 0.44, row - 0.42), 0.88, 0.84, **frame))
    weight = "bold" if unseen else "normal"
    ax.text(column, row, text, ha="center", va="center", fontsize=8, color=style.ink_on(colour), weight=weight)


_EFFECTS = ("compliance", "resistance")
_FULL_EFFECT = 1.0  # effect that has the full colour [%/%]


@public
def sensitivity_matrix(dataset: xr.Dataset, *, axes: "style.GivenAxes" = None) -> "style.DrawnAxes":
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
    drawn = style.panels(axes, 2, len(modes), where="sensitivity_matrix", what="two for each mode", size=size)
    drawn = drawn.reshape(2, len(modes))
    for row, effect in enumerate(_EFFECTS):
        for column, mode in enumerate(modes):
            ax = drawn[row, column]
            _draw_matrix(ax, dataset[f"{effect}_effect"].isel(mode=column).transpose("changed", "lung"))
            ax.set_title(f"{style.as_text(mode)}: {effect}", loc="left", fontsize="medium")
            ax.set_ylabel(f"changed {effect} of lung", fontsize="small")
            ax.set_xlabel("effect on tidal volume of lung [%/%]", fontsize="small")
    return drawn


def _draw_matrix(ax: "Axes", matrix: xr.DataArray) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    colours = LinearSegmentedColormap.from_list("less to more", [style.LESS, "white", style.MORE])
    ax.imshow(matrix.values, cmap=colours, vmin=-_FULL_EFFECT, vmax=_FULL_EFFECT, aspect="auto")
    for (row, column), value in np.ndenumerate(matrix.values):
        ink = style.ink_on(colours((value + _FULL_EFFECT) / (2.0 * _FULL_EFFECT)))
        text = "0" if abs(value) < 5e-4 else style.change_label(value, 3)
        ax.text(column, row, text, ha="center", va="center", fontsize=8, color=ink)
    ax.set_xticks(range(matrix.sizes["lung"]), list(map(style.as_text, matrix["lung"].values)))
    ax.set_yticks(range(matrix.sizes["changed"]), list(map(style.as_text, matrix["changed"].values)))
    ax.tick_params(length=0)
    ax.set_xticks(np.arange(0.5, matrix.sizes["lung"] - 1), minor=True)
    ax.set_yticks(np.arange(0.5, matrix.sizes["changed"] - 1), minor=True)
    ax.grid(which="minor", color="white", linewidth=1.5)
    ax.tick_params(which="minor", length=0)
