"""Waveforms, loops and shares of one run."""

from typing import TYPE_CHECKING, Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.results.schema import TIME_ROUNDING, VARIABLES, breath_position
from ventsim.tables import fixed, percent
from ventsim.units import FloatArray, convert
from ventsim.view.plot.style import (
    COLOURS,
    FAINT,
    axis_label,
    in_lines,
    legend,
    line_style,
    need,
    one_panel,
    panel_height,
    panels,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_APART = 0.004  # of the height of a picture, about the width of a line


def waveforms(
    waveforms: xr.Dataset,
    *,
    breaths: int | None = None,
    flow_unit: Literal["L/s", "L/min"] = "L/min",
    axes: "NDArray[np.object_] | list[Axes] | None" = None,
) -> "NDArray[np.object_]":
    """Airway pressure, flow and volume of every lung against time, one above the other.

    A label that is longer than its picture is high has its unit on a second line. Lungs whose lines lie upon one
    another are named below the axis of time.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms of a simulation, or a recording with ``volume``.
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
    ``waveforms(simulate(circuit, settings), breaths=3)[0].figure.savefig("waveforms.png")``
    """
    names = ("airway_pressure", "flow", "volume")
    need(waveforms, *names, "breath_start", "breath_end")
    shown = waveforms if breaths is None else _last_breaths(waveforms, breaths)
    size = (7.5, 6.4 + 0.09 * shown.sizes["lung"])
    drawn = panels(axes, 3, where="waveforms", what="pressure, flow and volume", size=size, sharex=True)
    for ax, name in zip(drawn, names, strict=True):
        unit = flow_unit if name == "flow" else VARIABLES[name].units
        values = shown[name].transpose("time", "lung").values
        drawn_values = np.asarray(convert(values, source=VARIABLES[name].units, target=unit))
        for k, lung in enumerate(shown["lung"].values):
            ax.plot(shown["time"].values, drawn_values[:, k], label=str(lung), **line_style(k))
        ax.set_ylabel(in_lines(axis_label(name, unit=unit), panel_height(ax)))
        ax.axhline(0.0, **FAINT)
        ax.margins(x=0.01)
    together = "; ".join(f"{', '.join(group)} coincide" for group in _alike(shown, names))
    drawn[-1].set_xlabel(f"time [s]\n{together}" if together else "time [s]")
    legend(drawn[0], names=[str(lung) for lung in shown["lung"].values])
    return drawn


def _alike(waveforms: xr.Dataset, names: tuple[str, ...]) -> list[list[str]]:
    """Groups of lungs whose lines cannot be distinguished in a picture."""
    columns = [waveforms[name].transpose("lung", "time").values for name in names]
    known = [column[np.isfinite(column)] for column in columns]
    spans = [float(np.ptp(column)) if column.size else 0.0 for column in known]
    groups: list[list[int]] = []
    for k in range(waveforms.sizes["lung"]):
        for group in groups:
            both = [(column[k], column[group[0]]) for column in columns]
            if all(_lie_on(a, b, apart=_APART * span) for (a, b), span in zip(both, spans, strict=True)):
                group.append(k)
                break
        else:
            groups.append([k])
    lungs = [str(lung) for lung in waveforms["lung"].values]
    return [[lungs[k] for k in group] for group in groups if len(group) > 1]


def _lie_on(one: FloatArray, other: FloatArray, *, apart: float) -> bool:
    """Whether two lines are nowhere further apart than that, and have the same gaps."""
    gaps = np.isnan(one)
    return np.array_equal(gaps, np.isnan(other)) and not np.any(np.abs(one - other)[~gaps] > apart)


def loops(waveforms: xr.Dataset, *, breath: int = -1, ax: "Axes | None" = None) -> "Axes":
    """Pressure-volume loop of every lung in one breath: volume against airway pressure.

    An arrow shows the direction, in the middle of the inspired volume.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms of a simulation, or a recording with ``volume``.
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
    need(waveforms, "airway_pressure", "volume", "breath_start", "breath_end")
    whole = _whole_breaths(waveforms)
    one = whole.isel(breath=breath_position(whole, breath))
    # The value just before the breath closes the loop of a breath that repeats.
    start = np.nextafter(float(one["breath_start"]), -np.inf)
    shown = _between(waveforms, start=start, end=float(one["breath_end"]))
    ax = one_panel(ax, size=(6.0, 5.0 + 0.09 * shown.sizes["lung"]))
    for k, lung in enumerate(shown["lung"].values):
        one = shown.isel(lung=k)
        ax.plot(one["airway_pressure"].values, one["volume"].values, label=str(lung), **line_style(k))
        _draw_direction(ax, one, colour=line_style(k)["color"])
    ax.set_xlabel(axis_label("airway_pressure"))
    ax.set_ylabel(axis_label("volume"))
    legend(ax, names=[str(lung) for lung in shown["lung"].values])
    return ax


def _draw_direction(ax: "Axes", one: xr.Dataset, *, colour: object) -> None:
    """The head of an arrow half-way up the rising side of a loop."""
    pressure, volume = one["airway_pressure"].values, one["volume"].values
    if not np.isfinite(volume).all() or np.ptp(volume) == 0.0:
        return
    middle = 0.5 * (volume.min() + volume.max())
    k = int(np.argmax((volume[:-1] < middle) & (volume[1:] >= middle)))
    arrow = {"arrowstyle": "-|>", "color": colour, "shrinkA": 0.0, "shrinkB": 0.0, "mutation_scale": 14.0}
    ax.annotate("", (pressure[k + 1], volume[k + 1]), (pressure[k], volume[k]), arrowprops=arrow)


def shares(measures: xr.Dataset, *, breath: int = -1, ax: "Axes | None" = None) -> "Axes":
    """Share of each lung in the inspired volume of one breath, with the volume written beside its bar.

    A line marks the equal share.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`ventsim.breath_measures`.
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
    ``shares(breath_measures(waveforms)).figure.savefig("shares.png")``
    """
    need(measures, "tidal_volume_fraction", "inspired_tidal_volume")
    one = measures.isel(breath=breath_position(measures, breath))
    lungs = [str(lung) for lung in one["lung"].values]
    fractions = one["tidal_volume_fraction"].values
    volumes = one["inspired_tidal_volume"].values
    ax = one_panel(ax, size=(6.0, 1.3 + 0.42 * len(lungs)))
    colours = [COLOURS[k % len(COLOURS)] for k in range(len(lungs))]
    bars = ax.barh(
        range(len(lungs)), 100.0 * fractions, height=0.65, color=colours, edgecolor="black", linewidth=0.6
    )
    texts = [f"{fixed(volume, 0)} mL ({percent(part)} %)" for volume, part in zip(volumes, fractions, strict=True)]
    ax.bar_label(bars, texts, padding=5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})
    equal = 100.0 / len(lungs)
    ax.axvline(equal, color="0.3", linewidth=1.0, linestyle=(0, (4, 2)), label="equal share", zorder=0.5)
    ax.set_yticks(range(len(lungs)), lungs)
    ax.invert_yaxis()
    ax.set_xlim(0.0, 1.45 * max(100.0 * np.nanmax(fractions, initial=0.0), equal))
    ax.set_xlabel(axis_label("tidal_volume_fraction", unit="%"))
    ax.set_title(f"breath {int(one['breath'])}", loc="left", fontsize="medium")
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False, borderaxespad=0.2)
    return ax


def _whole_breaths(waveforms: xr.Dataset) -> xr.Dataset:
    """Times of the breaths that the waveforms show from start to end."""
    time = waveforms["time"].values
    timing = waveforms[["breath_start", "breath_end"]]
    begun = timing["breath_start"].values >= time[0] - TIME_ROUNDING
    ended = timing["breath_end"].values <= time[-1] + TIME_ROUNDING
    return timing.isel(breath=np.flatnonzero(begun & ended))


def _last_breaths(waveforms: xr.Dataset, breaths: int) -> xr.Dataset:
    whole = _whole_breaths(waveforms)
    count = whole.sizes["breath"]
    if not 1 <= breaths <= count:
        raise SchemaError(
            f"cannot show the last {breaths} breaths: there are {count} whole ones.\n"
            f"  Choose 1 to {count}, or None for all of the run."
        )
    start, end = float(whole["breath_start"][-breaths]), float(whole["breath_end"][-1])
    return _between(waveforms, start=start, end=end)


def _between(waveforms: xr.Dataset, *, start: float, end: float) -> xr.Dataset:
    """Waveforms from `start` to just before `end`, without the jump that begins the next breath."""
    return waveforms.sel(time=slice(start, np.nextafter(end, -np.inf)))
