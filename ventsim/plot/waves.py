"""Waveforms, loops and shares of one run."""

from typing import TYPE_CHECKING, Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.plot.style import COLOURS, FAINT, axis_label, legend, need, style
from ventsim.schema import TIME_ROUNDING, VARIABLES, breath_position
from ventsim.units import convert

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["loops", "shares", "waveforms"]


def waveforms(
    waves: xr.Dataset,
    *,
    breaths: int | None = None,
    flow_unit: Literal["L/s", "L/min"] = "L/min",
    axes: "NDArray[np.object_] | list[Axes] | None" = None,
) -> "NDArray[np.object_]":
    """Airway pressure, flow and volume of every lung against time, one above the other.

    Parameters
    ----------
    waves : xarray.Dataset
        Waves of a simulation, or a recording with ``volume``.
    breaths : int, optional
        Show the last so many whole breaths; all of the run if not given. [1]
    flow_unit : {"L/s", "L/min"}, default "L/min"
        Unit in which flow is drawn.
    axes : sequence of three matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    array of matplotlib Axes of shape (3,)
        Pressure, flow, volume. The figure is ``axes[0].figure``.

    Raises
    ------
    SchemaError
        If a waveform is missing, or `breaths` is not between 1 and the number of whole breaths.

    Examples
    --------
    ``waveforms(simulate(circuit, settings), breaths=3)[0].figure.savefig("waves.png")``
    """
    import matplotlib.pyplot as plt

    names = ("airway_pressure", "flow", "volume")
    need(waves, *names, "breath_start", "breath_end")
    shown = waves if breaths is None else _last_breaths(waves, breaths)
    if axes is None:
        height = 6.4 + 0.09 * shown.sizes["lung"]
        _, axes = plt.subplots(3, 1, sharex=True, figsize=(7.5, height), layout="constrained")
    drawn = np.asarray(axes, dtype=object).ravel()
    if drawn.size != 3:
        raise SchemaError(f"waveforms needs three Axes; it got {drawn.size}.\n  Use plt.subplots(3, 1).")
    for ax, name in zip(drawn, names, strict=True):
        unit = flow_unit if name == "flow" else VARIABLES[name].units
        values = shown[name].transpose("time", "lung").values
        values = convert(values, source=VARIABLES[name].units, target=unit)
        for k, lung in enumerate(shown["lung"].values):
            ax.plot(shown["time"].values, values[:, k], label=str(lung), **style(k))
        ax.set_ylabel(axis_label(name, unit=unit))
        ax.axhline(0.0, **FAINT)
        ax.margins(x=0.01)
    drawn[-1].set_xlabel("time [s]")
    legend(drawn[0], names=[str(lung) for lung in shown["lung"].values])
    return drawn


def loops(waves: xr.Dataset, *, breath: int = -1, ax: "Axes | None" = None) -> "Axes":
    """Pressure-volume loop of every lung in one breath: volume against airway pressure.

    Parameters
    ----------
    waves : xarray.Dataset
        Waves of a simulation, or a recording with ``volume``.
    breath : int, default -1
        Number of the breath, or -1 for the last whole one. [1]
    ax : matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib Axes
        One line for each lung.

    Raises
    ------
    SchemaError
        If a waveform is missing, or there is no such whole breath.

    Examples
    --------
    ``loops(simulate(circuit, settings)).figure.savefig("loops.png")``
    """
    import matplotlib.pyplot as plt

    need(waves, "airway_pressure", "volume", "breath_start", "breath_end")
    whole = _whole_breaths(waves)
    one = whole.isel(breath=breath_position(whole, breath))
    # The value just before the breath closes the loop of a breath that repeats.
    start = np.nextafter(float(one["breath_start"]), -np.inf)
    shown = _between(waves, start=start, end=float(one["breath_end"]))
    if ax is None:
        _, ax = plt.subplots(figsize=(6.0, 5.0 + 0.09 * shown.sizes["lung"]), layout="constrained")
    for k, lung in enumerate(shown["lung"].values):
        one = shown.isel(lung=k)
        ax.plot(one["airway_pressure"].values, one["volume"].values, label=str(lung), **style(k))
    ax.set_xlabel(axis_label("airway_pressure"))
    ax.set_ylabel(axis_label("volume"))
    legend(ax, names=[str(lung) for lung in shown["lung"].values])
    return ax


def shares(measures: xr.Dataset, *, breath: int = -1, ax: "Axes | None" = None) -> "Axes":
    """Share of each lung in the inspired volume of one breath, with the volume written beside its bar.

    A line marks the equal share.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`ventsim.metrics.breath_measures`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]
    ax : matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib Axes
        One bar for each lung, from top to bottom.

    Raises
    ------
    SchemaError
        If a measure is missing, or there is no such breath.

    Examples
    --------
    ``shares(breath_measures(waves)).figure.savefig("shares.png")``
    """
    import matplotlib.pyplot as plt

    need(measures, "share", "inspired_tidal_volume")
    one = measures.isel(breath=breath_position(measures, breath))
    lungs = [str(lung) for lung in one["lung"].values]
    percent = 100.0 * one["share"].values
    volumes = one["inspired_tidal_volume"].values
    if ax is None:
        _, ax = plt.subplots(figsize=(6.0, 1.3 + 0.42 * len(lungs)), layout="constrained")
    colours = [COLOURS[k % len(COLOURS)] for k in range(len(lungs))]
    bars = ax.barh(range(len(lungs)), percent, height=0.65, color=colours, edgecolor="black", linewidth=0.6)
    texts = [f"{volume:.0f} mL ({part:.1f} %)" for volume, part in zip(volumes, percent, strict=True)]
    ax.bar_label(bars, texts, padding=5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})
    equal = 100.0 / len(lungs)
    ax.axvline(equal, color="0.3", linewidth=1.0, linestyle=(0, (4, 2)), label="equal share", zorder=0.5)
    ax.set_yticks(range(len(lungs)), lungs)
    ax.invert_yaxis()
    ax.set_xlim(0.0, 1.45 * max(np.nanmax(percent, initial=0.0), equal))
    ax.set_xlabel(axis_label("share", unit="%"))
    ax.set_title(f"breath {int(one['breath'])}", loc="left", fontsize="medium")
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False, borderaxespad=0.2)
    return ax


def _whole_breaths(waves: xr.Dataset) -> xr.Dataset:
    """Times of the breaths that the waveforms show from start to end."""
    time = waves["time"].values
    timing = waves[["breath_start", "breath_end"]]
    begun = timing["breath_start"].values >= time[0] - TIME_ROUNDING
    ended = timing["breath_end"].values <= time[-1] + TIME_ROUNDING
    return timing.isel(breath=np.flatnonzero(begun & ended))


def _last_breaths(waves: xr.Dataset, breaths: int) -> xr.Dataset:
    whole = _whole_breaths(waves)
    count = whole.sizes["breath"]
    if not 1 <= breaths <= count:
        raise SchemaError(
            f"cannot show the last {breaths} breaths: there are {count} whole ones.\n"
            f"  Choose 1 to {count}, or None for all of the run."
        )
    start, end = float(whole["breath_start"][-breaths]), float(whole["breath_end"][-1])
    return _between(waves, start=start, end=end)


def _between(waves: xr.Dataset, *, start: float, end: float) -> xr.Dataset:
    """Waves from `start` to just before `end`, without the jump that begins the next breath."""
    return waves.sel(time=slice(start, np.nextafter(end, -np.inf)))
