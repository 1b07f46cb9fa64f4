"""Which harm stays unseen: faults against lungs, with what the ventilator displays and alarms beside them."""

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.view.plot.style import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LESS, _MORE = COLOURS[1], COLOURS[0]
_NEEDED = (
    "tidal_volume_change", "unseen", "raised_after", "reason", "displayed_expired_tidal_volume_before",
    "displayed_expired_tidal_volume_change", "displayed_peak_pressure_change",
)  # fmt: skip
_FULL = 60.0  # change of volume that has the full colour [%]


def blind_spots(
    found: xr.Dataset, *, axes: "NDArray[np.object_] | list[Axes] | None" = None
) -> "NDArray[np.object_]":
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
    import matplotlib.pyplot as plt

    for name in _NEEDED:
        if name not in found:
            raise SchemaError(f"variable '{name}' is missing.\n  Use the result of ventsim.studies.blind_spots.")
    modes, n_faults, n_lungs = found.mode.values, found.sizes["fault"], found.sizes["lung"]
    if axes is None:
        size = (len(modes) * (3.9 + 0.62 * n_lungs), 1.5 + 0.36 * n_faults)
        _, axes = plt.subplots(1, len(modes), figsize=size, layout="constrained", sharey=True)
    drawn = np.atleast_1d(np.asarray(axes, dtype=object)).ravel()
    if drawn.size != len(modes):
        raise SchemaError(f"blind_spots needs {len(modes)} Axes, one for each mode; it got {drawn.size}.")
    for ax, mode in zip(drawn, modes, strict=True):
        _draw_mode(ax, found.sel(mode=mode), str(mode))
    shared = drawn[0].get_shared_y_axes()
    for k, ax in enumerate(drawn):
        if k == 0 or not shared.joined(drawn[0], ax):  # beside one another, the first has the names of all
            ax.set_yticks(range(n_faults), [str(name) for name in found.fault.values])
    return drawn


def _draw_mode(ax: "Axes", one: xr.Dataset, mode: str) -> None:
    n_faults, n_lungs = one.sizes["fault"], one.sizes["lung"]
    for row in range(n_faults):
        fault = one.isel(fault=row)
        for column in range(n_lungs):
            cell = fault.isel(lung=column)
            reason = str(fault.reason.item())
            unknown = "not run" if reason.startswith("not run") else "failed" if reason else "–"
            change, unseen = float(cell.tidal_volume_change), bool(cell.unseen == 1.0)
            _draw_cell(ax, column, row, change, unseen=unseen, unknown=unknown)
        before = float(fault.displayed_expired_tidal_volume_before)
        changed = float(fault.displayed_expired_tidal_volume_change)
        texts = (
            _signed(100.0 * changed / before if before > 0.0 else np.nan, 0, " %"),
            _signed(float(fault.displayed_peak_pressure_change), 1),
            _alarm(fault.raised_after) if not str(fault.reason.item()) else "–",
        )
        for place, text in zip(_places(n_lungs), texts, strict=True):
            quiet = text == "no alarm"
            ax.text(place, row, text, ha="center", va="center", fontsize=8, color="0.45" if quiet else "black")
    heads = [
        *(f"lung\n{name}" for name in one.lung.values),
        "displayed\nexpired\nvolume",
        "displayed\npeak\n[cmH2O]",
        "first\nalarm",
    ]
    ax.set_xticks([*range(n_lungs), *_places(n_lungs)], heads, fontsize=8)
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    ax.set_xlim(-0.55, _places(n_lungs)[-1] + 1.25)
    ax.set_ylim(n_faults - 0.45, -0.55)
    ax.spines[:].set_visible(False)
    ax.set_title(mode, loc="left", fontsize="medium", fontweight="bold")
    ax.set_xlabel("cells: change of tidal volume [%]; heavy frame: harm without an alarm", fontsize=8, loc="left")


def _places(n_lungs: int) -> tuple[float, float, float]:
    """Where the columns of what is displayed and alarmed stand."""
    return n_lungs + 0.15, n_lungs + 1.15, n_lungs + 2.55


def _draw_cell(ax: "Axes", column: int, row: int, change: float, *, unseen: bool, unknown: str) -> None:
    from matplotlib.colors import to_rgb
    from matplotlib.patches import Rectangle

    known = np.isfinite(change)
    strength = min(abs(change) / _FULL, 1.0) if known else 0.0
    tint = np.array(to_rgb(_LESS if change < 0 else _MORE))
    colour = (1.0 - strength) + strength * tint
    ax.add_patch(
        Rectangle((column - 0.46, row - 0.44), 0.92, 0.88, facecolor=colour, edgecolor="0.8", linewidth=0.6)
    )
    if unseen:
        ax.add_patch(
            Rectangle(
                (column - 0.44, row - 0.42), 0.88, 0.84, fill=False, edgecolor="black", linewidth=2.2, zorder=3
            )
        )
    light = float(colour @ (0.3, 0.6, 0.1)) > 0.5
    text = _signed(change, 0) if known else unknown
    weight = "bold" if unseen else "normal"
    ax.text(
        column, row, text, ha="center", va="center", fontsize=8, color="black" if light else "white", weight=weight
    )


def _signed(change: float, decimals: int, unit: str = "") -> str:
    """A change with its sign, which zero has not; a dash for what is unknown."""
    if not np.isfinite(change):
        return "–"
    rounded = round(change, decimals)
    return f"{rounded:+.{decimals}f}{unit}" if rounded else f"{0.0:.{decimals}f}{unit}"


def _alarm(raised_after: xr.DataArray) -> str:
    values = raised_after.values
    if not np.isfinite(values).any():
        return "no alarm"
    k = int(np.nanargmin(values))
    return f"{str(raised_after.alarm.values[k]).replace('_', ' ')}, {values[k]:.0f} s"
