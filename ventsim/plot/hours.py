"""Hours of breathing: measures of each breath, what the ventilator displays, and its alarms."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.plot.style import COLOURS, axis_label, legend, need, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["hours"]

# Distances of marks on the axis of time, of which the smallest is used that gives few enough. [s]
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_MOST_MARKS = 9
_ROW = 0.15  # height of a row of alarms [inch]
_BRIEFEST = 0.004  # width of the bar of a short alarm, at least, of 1 for the panel
_SHOWN = {"color": "black", "linewidth": 1.1}


def hours(
    measures: xr.Dataset,
    *,
    displayed: xr.Dataset | None = None,
    alarms: xr.Dataset | None = None,
    instants: "Sequence[float] | Mapping[str, float]" = (),
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
        Result of :func:`ventsim.monitor.alarms`: bars in the last panel for the times at
        which each is raised.
    instants : sequence of float, or mapping of str to float, optional
        Times at which something changes, marked by thin lines; the names of a mapping are written at them. [s]
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
    times = list(instants.values() if isinstance(instants, Mapping) else instants)
    names_of_instants = instants if isinstance(instants, Mapping) else {}
    time = measures["breath_end"].values
    names = [str(lung) for lung in measures["lung"].values]
    for ax, name in zip(drawn, ("inspired_tidal_volume", "end_inspiratory_alveolar_pressure"), strict=False):
        for k, lung in enumerate(names):
            ax.plot(time, measures[name].values[:, k], label=lung, **style(k))
        ax.set_ylabel(axis_label(name).replace(" alveolar", "\nalveolar").replace("inspired ", "inspired\n"))
    legend(drawn[0], names=names)
    if displayed is not None:
        _draw_displayed(drawn[2], displayed, time=displayed["breath_end"].values)
    if alarms is not None:
        _draw_alarms(drawn[2], alarms)
    for ax in drawn:
        ax.margins(x=0.01)
        ax.spines[["top", "right"]].set_visible(False)
        for instant in times:
            ax.axvline(instant, color="0.6", linewidth=0.8, zorder=0.5)
    for name, instant in names_of_instants.items():
        place = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "xytext": (2.0, -2.0)}
        drawn[0].annotate(name, (instant, 1.0), rotation=90, ha="left", va="top", fontsize="x-small", **place)
    _clock(drawn[-1], float(time[-1]))
    return drawn


def _clock(ax: "Axes", end: float) -> None:
    """Hours and minutes along the axis of time, or minutes and seconds in a run of less than an hour."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    step = next((step for step in _STEPS if end / step <= _MOST_MARKS), _STEPS[-1])
    size, unit = (60, "h:min") if end >= 3600.0 else (1, "min:s")

    def text(time: float, _: int) -> str:
        whole, rest = divmod(round(time / size), 60)
        return f"{whole}:{rest:02d}"

    ax.xaxis.set_major_locator(MultipleLocator(step))
    ax.xaxis.set_major_formatter(FuncFormatter(text))
    ax.set_xlabel(f"time [{unit}]")


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


def _draw_alarms(ax: "Axes", alarms: xr.Dataset) -> None:
    """A row along the bottom for each alarm that is raised, with bars for the times at which it is."""
    raised = alarms["alarm_raised"].transpose("alarm", "breath").values > 0
    end = alarms["breath_end"].values
    rows = np.flatnonzero(raised.any(axis=1))
    height = _ROW / (ax.get_figure().get_figheight() * ax.get_position().height)
    briefest = _BRIEFEST * float(np.ptp(end)) if end.size > 1 else 0.0
    for place, row in enumerate(rows):
        bottom = 0.02 + height * place
        edges = np.flatnonzero(np.diff(np.concatenate([[False], raised[row], [False]]).astype(int)))
        for first, stop in zip(edges[::2], edges[1::2], strict=True):
            # Raised at the end of a breath, an alarm stands until the end of one without its condition.
            last = end[min(stop, end.size - 1)]
            bar = {"ymin": bottom, "ymax": bottom + 0.7 * height, "color": COLOURS[1], "zorder": 3}
            ax.axvspan(end[first], max(last, end[first] + briefest), **bar)
        name = str(alarms["alarm"].values[row]).replace("_", " ").replace("peep", "PEEP")
        text = {"xycoords": ("axes fraction", "axes fraction"), "fontsize": "small", "va": "center", "zorder": 4}
        ax.annotate(name, (0.01, bottom + 0.35 * height), **text)
    if not rows.size:
        ax.annotate("no alarm", (0.01, 0.06), xycoords="axes fraction", fontsize="small", color="0.3")
