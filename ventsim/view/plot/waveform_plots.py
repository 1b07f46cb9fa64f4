"""Waveforms, loops and shares of one run, and how the waveforms of two differ."""

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import xarray as xr

from ventsim.errors import SchemaError, suggestion
from ventsim.parameters import public
from ventsim.results.measures import whole_breaths
from ventsim.results.schema import VARIABLES, breath_position
from ventsim.tables import fixed, percent, significant
from ventsim.units import convert
from ventsim.view.plot import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_APART = 0.004  # of the height of a picture, about the width of a line


@public
def waveforms(
    waveforms: xr.Dataset,
    *,
    breaths: int | None = None,
    flow_unit: Literal["L/s", "L/min"] = "L/min",
    axes: "style.GivenAxes" = None,
) -> "style.DrawnAxes":
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
    style.need(waveforms, *names, "breath_start", "breath_end")
    shown = waveforms if breaths is None else _last_breaths(waveforms, breaths)
    lungs = [str(lung) for lung in shown["lung"].values]
    size = (7.5, 6.4 + 0.09 * len(lungs))
    drawn = style.panels(axes, 3, where="waveforms", what="pressure, flow and volume", size=size, sharex=True)
    for ax, name in zip(drawn, names, strict=True):
        unit = flow_unit if name == "flow" else VARIABLES[name].units
        values = shown[name].transpose("time", "lung").values
        drawn_values = np.asarray(convert(values, source=VARIABLES[name].units, target=unit))
        style.draw_lungs(ax, shown["time"].values, drawn_values, lungs)
        ax.set_ylabel(style.in_lines(style.axis_label(name, unit=unit), style.panel_size(ax)[1]))
        ax.axhline(0.0, **style.FAINT)
        ax.margins(x=0.01)
    together = "; ".join(f"{', '.join(group)} coincide" for group in _alike(shown, names, lungs))
    drawn[-1].set_xlabel(f"time [s]\n{style.as_text(together)}" if together else "time [s]")
    style.legend(drawn[0], names=lungs)
    return drawn


def _alike(waveforms: xr.Dataset, names: tuple[str, ...], lungs: list[str]) -> list[list[str]]:
    """Groups of lungs whose lines cannot be distinguished in a picture."""
    columns = [waveforms[name].transpose("lung", "time").values for name in names]
    known = [column[np.isfinite(column)] for column in columns]
    apart = [_APART * float(np.ptp(column)) if column.size else 0.0 for column in known]
    groups: list[list[int]] = []
    for k in range(len(lungs)):
        for group in groups:
            pairs = [(column[k], column[group[0]]) for column in columns]
            if all(np.allclose(*pair, 0.0, most, equal_nan=True) for pair, most in zip(pairs, apart, strict=True)):
                group.append(k)
                break
        else:
            groups.append([k])
    return [[lungs[k] for k in group] for group in groups if len(group) > 1]


@public
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
    style.need(waveforms, "airway_pressure", "volume", "breath_start", "breath_end")
    whole = _whole_breaths(waveforms)
    one = whole.isel(breath=breath_position(whole, breath))
    # The value just before the breath closes the loop of a breath that repeats.
    start = np.nextafter(float(one["breath_start"]), -np.inf)
    shown = _between(waveforms, start=start, end=float(one["breath_end"]))
    ax = style.one_panel(ax, size=(6.0, 5.0 + 0.09 * shown.sizes["lung"]))
    for k, lung in enumerate(shown["lung"].values):
        one = shown.isel(lung=k)
        ax.plot(
            one["airway_pressure"].values, one["volume"].values, label=style.as_text(lung), **style.line_style(k)
        )
        _draw_direction(ax, one, colour=style.line_style(k)["color"])
    ax.set_xlabel(style.axis_label("airway_pressure"))
    ax.set_ylabel(style.axis_label("volume"))
    style.legend(ax, names=[str(lung) for lung in shown["lung"].values])
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


@public
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
    needed = ("tidal_volume_fraction", "inspired_tidal_volume")
    style.need(measures, *needed)
    one = measures.isel(breath=breath_position(measures, breath))
    lungs = [str(lung) for lung in one["lung"].values]
    fractions, volumes = (one[name].values for name in needed)
    ax = style.one_panel(ax, size=(6.0, 1.3 + 0.42 * len(lungs)))
    bar: dict[str, Any] = {"height": 0.65, "color": style.COLOURS, "edgecolor": "black", "linewidth": 0.6}
    bars = ax.barh(range(len(lungs)), 100.0 * fractions, **bar)
    texts = [f"{fixed(volume, 0)} mL ({percent(part)} %)" for volume, part in zip(volumes, fractions, strict=True)]
    ax.bar_label(bars, texts, padding=5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})
    equal = 100.0 / len(lungs)
    ax.axvline(equal, color="0.3", linewidth=1.0, linestyle=(0, (4, 2)), label="equal share", zorder=0.5)
    ax.set_yticks(range(len(lungs)), list(map(style.as_text, lungs)))
    ax.invert_yaxis()
    ax.set_xlim(0.0, 1.45 * max(100.0 * np.nanmax(fractions, initial=0.0), equal))
    ax.set_xlabel(style.axis_label("tidal_volume_fraction", unit="%"))
    ax.set_title(f"breath {int(one['breath'])}", loc="left", fontsize="medium")
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False, borderaxespad=0.2)
    return ax


def _whole_breaths(waveforms: xr.Dataset) -> xr.Dataset:
    """Times of the breaths that the waveforms show from start to end."""
    return waveforms[["breath_start", "breath_end"]].isel(breath=np.flatnonzero(whole_breaths(waveforms)))


def _last_breaths(waveforms: xr.Dataset, breaths: int) -> xr.Dataset:
    whole = _whole_breaths(waveforms)
    count = whole.sizes["breath"]
    if not 1 <= breaths <= count:
        raise SchemaError(
            f"cannot show the last {breaths} breaths: there are {count} whole ones.\n"
            f"  Choose 1 to {count}, or None for all of the run."
        )
    return _between(waveforms, start=float(whole["breath_start"][-breaths]), end=float(whole["breath_end"][-1]))


def _between(waveforms: xr.Dataset, *, start: float, end: float) -> xr.Dataset:
    """Waveforms from `start` to just before `end`, without the jump that begins the next breath."""
    return waveforms.sel(time=slice(start, np.nextafter(end, -np.inf)))


_DRAWABLE = (("time", "lung"), ("time",))
_MARKS = 40  # of the reference, for each lung


@public
def differences(
    values: xr.Dataset,
    reference: xr.Dataset,
    *,
    variable: str = "volume",
    logarithmic: bool = False,
    axes: "style.GivenAxes" = None,
) -> "style.DrawnAxes":
    """One variable of two results against time, and below it the first minus the second.

    The difference has a panel of its own because two curves that lie upon each other hide how far they differ.

    Parameters
    ----------
    values, reference : xarray.Dataset
        Waveforms or recordings with the same lungs: another model, a coarser tolerance, a recording.
    variable : str, default "volume"
        Name of a variable with dims (time, lung) or (time).
    logarithmic : bool, default False
        Whether to draw the size of the difference on a logarithmic axis, with gaps where there is none at all.
    axes : sequence of two matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    array of matplotlib Axes of shape (2,)
        The curves, with the reference as circles; the difference. The figure is ``axes[0].figure``.

    Raises
    ------
    SchemaError
        If the variable is missing or cannot be drawn against time, the lungs differ, or no sample of `values`
        lies within the time of the reference.

    Notes
    -----
    Where the two are sampled at other times, the reference is interpolated linearly at the samples of `values`
    that lie within it; keep the samples close, or the difference shows the interpolation.

    Examples
    --------
    ``differences(recorded, simulated, variable="flow")[0].figure.savefig("difference.png")``
    """
    _check_comparable(values, reference, variable)
    shown, other = _at_common_times(values, reference, variable)
    size, ratios, what = (7.0, 5.0), {"height_ratios": (3, 2)}, "curves and difference"
    drawn = style.panels(axes, 2, where="differences", what=what, size=size, sharex=True, gridspec_kw=ratios)
    row = VARIABLES[variable]
    names = [str(lung) for lung in shown["lung"].values] if "lung" in shown.dims else [row.long_name]
    largest = _draw_both(drawn[0], drawn[1], shown, other, names, logarithmic=logarithmic)
    if logarithmic and largest > 0.0:
        drawn[1].set_yscale("log")
        drawn[1].set_ylabel(f"size of difference [{row.units}]")
    else:
        drawn[1].axhline(0.0, **style.FAINT)
        drawn[1].set_ylabel(f"difference [{row.units}]")
    drawn[1].set_title(f"largest difference {significant(largest, 3)} {row.units}", loc="left", fontsize="medium")
    drawn[1].set_xlabel("time [s]")
    drawn[0].set_ylabel(style.axis_label(variable))
    for ax in drawn:
        ax.margins(x=0.01)
    style.legend(drawn[0], names=[*names, "reference"])
    return drawn


def _draw_both(
    top: "Axes", bottom: "Axes", shown: xr.DataArray, other: xr.DataArray, names: list[str], *, logarithmic: bool
) -> float:
    """Both curves of each lung above, their difference below; return the largest one."""
    one, two = (np.atleast_2d(array.transpose(..., "time").values) for array in (shown, other))
    time, gaps = shown["time"].values, one - two
    some = np.unique(np.linspace(0, len(time) - 1, min(len(time), _MARKS)).astype(int))
    for k, name in enumerate(names):
        look = style.line_style(k)
        top.plot(time, one[k], label=style.as_text(name), **look)
        marks: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.0, "markerfacecolor": "none"}
        top.plot(time[some], two[k][some], color=look["color"], **marks)
        size = np.where(gaps[k] == 0.0, np.nan, np.abs(gaps[k]))
        bottom.plot(time, size if logarithmic else gaps[k], **look)
    top.plot([], [], color="0.3", linestyle="none", marker="o", markerfacecolor="none", label="reference")
    return float(np.nanmax(np.abs(gaps), initial=0.0))


def _check_comparable(values: xr.Dataset, reference: xr.Dataset, variable: str) -> None:
    drawable = [name for name, row in VARIABLES.items() if row.dims in _DRAWABLE]
    if variable not in drawable:
        raise SchemaError(f"'{variable}' cannot be drawn against time.\n  {suggestion(str(variable), drawable)}")
    for dataset in (values, reference):
        style.need(dataset, variable)
    if "lung" in values[variable].dims:
        one, two = ([str(lung) for lung in dataset["lung"].values] for dataset in (values, reference))
        if sorted(one) != sorted(two):
            raise SchemaError(
                f"the lungs differ: {', '.join(one)} against {', '.join(two)}.\n"
                "  Rename them with dataset.assign_coords(lung=[...]), or choose with dataset.sel(lung=[...])."
            )


def _at_common_times(
    values: xr.Dataset, reference: xr.Dataset, variable: str
) -> tuple[xr.DataArray, xr.DataArray]:
    """The variable of both, at the times of the first that lie within the second."""
    t, base = values["time"].values, reference["time"].values
    inside = (t >= base[0]) & (t <= base[-1]) if base.size else np.zeros(t.size, dtype=bool)
    if not inside.any() and t.size and base.size and t[0] <= base[-1] and base[0] <= t[-1]:
        raise SchemaError(
            f"no sample lies within the time of the reference, {base[0]:g} to {base[-1]:g} s.\n"
            "  Exchange the two, or take samples that are closer."
        )
    if not inside.any():
        spans = " against ".join(f"{x[0]:g} to {x[-1]:g} s" if x.size else "none" for x in (t, base))
        raise SchemaError(f"the two have no time in common: {spans}.\n  Shift one with assign_coords(time=...).")
    shown, other = values[variable].isel(time=np.flatnonzero(inside)), reference[variable]
    if "lung" in shown.dims:
        other = other.sel(lung=shown["lung"].values)
    if not np.array_equal(shown["time"].values, base):
        shown, other = shown.transpose(..., "time"), other.transpose(..., "time")
        interpolated = [np.interp(shown["time"].values, base, line) for line in np.atleast_2d(other.values)]
        other = shown.copy(data=np.reshape(interpolated, shown.shape))
    return shown, other
