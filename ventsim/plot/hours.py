"""Hours of breathing: measures of each breath, what the ventilator displays, and its alarms."""

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.plot.style import axis_label, legend, need, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

__all__ = ["hours"]

_MINUTES_FROM, _HOURS_FROM = 180.0, 7200.0
_SHOWN = {"color": "black", "linewidth": 1.1}


def hours(
    measures: xr.Dataset,
    *,
    displayed: xr.Dataset | None = None,
    alarms: xr.Dataset | None = None,
    instants: "Sequence[float]" = (),
    axes: "NDArray[np.object_] | list[Axes] | None" = None,
) -> "NDArray[np.object_]":
    """Tidal volume and end-inspiratory pressure of every lung over the run, above what the ventilator displays.

    Parameters
    ----------
    measures : xarray.Dataset
        Measures of a run.
    displayed : xarray.Dataset, optional
        Result of :func:`ventsim.monitor.displayed_values`: drawn in the last panel.
    alarms : xarray.Dataset, optional
        Result of :func:`ventsim.monitor.alarms`: a bar in the last panel for the time in which any is raised.
    instants : sequence of float, optional
        Times at which something changes, marked by thin lines. [s]
    axes : sequence of three matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    array of matplotlib Axes of shape (3,)
        Tidal volume, end-inspiratory alveolar pressure, displayed values. The figure is ``axes[0].figure``.

    Raises
    ------
    SchemaError
        If a measure is missing, or there are not three Axes.

    Examples
    --------
    ``hours(run.measures, displayed=vs.monitor.displayed_values(run.measures))[0].figure.savefig("hours.png")``
    """
    import matplotlib.pyplot as plt

    need(measures, "inspired_tidal_volume", "end_inspiratory_alveolar_pressure", "breath_end")
    if axes is None:
        height = 6.4 + 0.09 * measures.sizes["lung"]
        _, axes = plt.subplots(3, 1, sharex=True, figsize=(7.5, height), layout="constrained")
    drawn = np.asarray(axes, dtype=object).ravel()
    if drawn.size != 3:
        raise SchemaError(f"hours needs three Axes; it got {drawn.size}.\n  Use plt.subplots(3, 1).")
    factor, unit = _clock(float(measures["breath_end"][-1]))
    time = measures["breath_end"].values * factor
    names = [str(lung) for lung in measures["lung"].values]
    for ax, name in zip(drawn, ("inspired_tidal_volume", "end_inspiratory_alveolar_pressure"), strict=False):
        for k, lung in enumerate(names):
            ax.plot(time, measures[name].values[:, k], label=lung, **style(k))
        ax.set_ylabel(axis_label(name).replace(" alveolar", "\nalveolar").replace("inspired ", "inspired\n"))
    legend(drawn[0], names=names)
    if displayed is not None:
        _draw_displayed(drawn[2], displayed, time=displayed["breath_end"].values * factor)
    if alarms is not None:
        _draw_alarms(drawn[2], alarms, factor=factor)
    for ax in drawn:
        ax.margins(x=0.01)
        ax.spines[["top", "right"]].set_visible(False)
        for instant in instants:
            ax.axvline(instant * factor, color="0.6", linewidth=0.8, zorder=0.5)
    drawn[-1].set_xlabel(f"time [{unit}]")
    return drawn


def _clock(end: float) -> tuple[float, str]:
    """Factor and unit for an axis of a run that ends then."""
    if end > _HOURS_FROM:
        return 1.0 / 3600.0, "h"
    return (1.0 / 60.0, "min") if end > _MINUTES_FROM else (1.0, "s")


def _draw_displayed(ax: "Axes", displayed: xr.Dataset, *, time: NDArray[np.float64]) -> None:
    volume = displayed["displayed_expired_tidal_volume"].values
    lines = ax.plot(time, volume, label="expired volume", **_SHOWN)
    ax.set_ylabel("displayed\nexpired volume [mL]")
    ax.set_ylim(0.0, 1.25 * max(float(np.nanmax(volume)), 1.0))
    right = ax.twinx()
    pressure = displayed["displayed_peak_pressure"].values
    lines += right.plot(time, pressure, label="peak pressure", linestyle=(0, (4, 1.5)), **_SHOWN)
    right.set_ylim(0.0, 1.25 * max(float(np.nanmax(pressure)), 1.0))
    right.set_ylabel("displayed\npeak pressure [cmH2O]")
    right.spines["top"].set_visible(False)
    ax.legend(handles=lines, loc="lower left", ncols=2, frameon=False, bbox_to_anchor=(0.0, 1.0))


def _draw_alarms(ax: "Axes", alarms: xr.Dataset, *, factor: float) -> None:
    """A bar along the bottom for every stretch of breaths in which an alarm is raised."""
    raised = (alarms["alarm_raised"].values > 0).any(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], raised, [False]]).astype(int)))
    start, end = alarms["breath_start"].values * factor, alarms["breath_end"].values * factor
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        ax.axvspan(start[first], end[last - 1], ymax=0.06, color="#D55E00", hatch="////", alpha=0.9)
    text = "alarm" if raised.any() else "no alarm"
    ax.annotate(text, (0.99, 0.09), xycoords="axes fraction", ha="right", fontsize="small", color="0.3")
