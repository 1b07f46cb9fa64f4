"""Hours of breathing: measures of each breath, what the ventilator displays, and its alarms."""

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import InputError, SchemaError, fault_of_numbers
from ventsim.parameters import public
from ventsim.tables import clock, in_words
from ventsim.units import FloatArray
from ventsim.view.plot import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Distances of marks on the axis of time, of which the smallest is used that gives few enough. [s]
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
_MOST_MARKS = 9
_PANEL, _ALARM = 1.6, 0.2  # heights of a panel and of a row of alarms [inch]
_BRIEFEST = 0.004  # width of the bar of a short alarm, at least, of 1 for the panel
_OF_LUNGS = ("inspired_tidal_volume", "end_inspiratory_alveolar_pressure")
_DISPLAYED = ("displayed_expired_tidal_volume", "displayed_peak_pressure")
_LONGEST = 20  # letters of a label in a line


@public
def hours(
    measures: xr.Dataset,
    *,
    displayed: xr.Dataset | None = None,
    alarms: xr.Dataset | None = None,
    instants: "Sequence[float] | Mapping[str, float]" = (),
    axes: "style.GivenAxes" = None,
) -> "style.DrawnAxes":
    """Tidal volume and end-inspiratory pressure of every lung over the run, above what the ventilator shows of it.

    Parameters
    ----------
    measures : xarray.Dataset
        Measures of a run.
    displayed : xarray.Dataset, optional
        Result of :func:`ventsim.monitor.displayed_values`: two more panels, with the expired volume and the peak
        pressure that are displayed.
    alarms : xarray.Dataset, optional
        Result of :func:`ventsim.monitor.alarms`: one more panel, with bars for the times at which each is raised.
    instants : sequence of float, or mapping of str to float, optional
        Times at which something changes, marked by thin lines; the names of a mapping are written at them. [s]
    axes : sequence of matplotlib Axes, optional
        Where to draw, one for each panel; a new figure if not given.

    Returns
    -------
    array of matplotlib Axes of shape (n_panels,)
        2 panels, 4 with what is displayed, and 1 more with alarms. The figure is ``axes[0].figure``.

    Raises
    ------
    SchemaError
        If a measure, a displayed value or the alarms are missing, there is no breath, or the number of Axes does
        not fit.

    Examples
    --------
    ``hours(run.measures, displayed=vs.monitor.displayed_values(run.measures))[0].figure.savefig("hours.png")``
    """
    style.need(measures, *_OF_LUNGS, "breath_end")
    if not measures.sizes["breath"]:
        raise SchemaError("there is no breath in these measures.\n  Give those of a run with a whole breath.")
    heights = [_PANEL] * (2 if displayed is None else 4)
    raised: dict[str, NDArray[np.bool_]] = {}
    if alarms is not None:
        style.need(alarms, "alarm_raised", "breath_end")
        rows = alarms["alarm_raised"].transpose("alarm", "breath").values > 0
        names = [in_words(str(name)) for name in alarms["alarm"].values]
        raised = {name: row for name, row in zip(names, rows, strict=True) if row.any()}
        heights.append(_ALARM * max(len(raised), 1) + 0.1)
    what = "two for the lungs, two more for what is displayed, one more for alarms"
    size, ratios = (7.5, sum(heights) + 0.9), {"height_ratios": heights}
    drawn = style.panels(axes, len(heights), where="hours", what=what, size=size, sharex=True, gridspec_kw=ratios)
    _draw_values(drawn, measures, displayed)
    if alarms is not None:
        _draw_alarms(drawn[-1], raised, ends=alarms["breath_end"].values)
    _mark(drawn, instants)
    for ax in drawn:
        ax.margins(x=0.01)
        ax.spines[["top", "right"]].set_visible(False)
    _mark_times(drawn[-1], float(measures["breath_end"][-1]))
    return drawn


def _draw_values(drawn: "style.DrawnAxes", measures: xr.Dataset, displayed: xr.Dataset | None) -> None:
    """Measures of the lungs in the first two panels, what is displayed in the next two."""
    lungs = [str(lung) for lung in measures["lung"].values]
    for ax, name in zip(drawn, _OF_LUNGS, strict=False):
        style.draw_lungs(ax, measures["breath_end"].values, measures[name].values, lungs)
    style.legend(drawn[0], names=lungs)
    if displayed is not None:
        style.need(displayed, *_DISPLAYED, "breath_end")
        for ax, name in zip(drawn[2:], _DISPLAYED, strict=False):
            ax.plot(displayed["breath_end"].values, displayed[name].values, color="black", linewidth=1.1)
    for ax, name in zip(drawn, _OF_LUNGS if displayed is None else _OF_LUNGS + _DISPLAYED, strict=False):
        ax.set_ylabel("\n".join(textwrap.wrap(style.axis_label(name), _LONGEST)), fontsize="small")
        ax.set_ylim(0.0, 1.08 * max(ax.get_ylim()[1], 1.0))


def _mark(drawn: "style.DrawnAxes", instants: "Sequence[float] | Mapping[str, float]") -> None:
    """A thin line through all panels at each instant, with its name if it has one."""
    times = list(instants.values()) if isinstance(instants, Mapping) else instants
    if fault := fault_of_numbers(times, "instants"):
        raise InputError(f"hours: {fault}.")
    named = instants if isinstance(instants, Mapping) else {}
    for ax in drawn:
        for instant in named.values() if named else instants:
            ax.axvline(instant, **style.FAINT)
    for name, instant in named.items():
        position = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "xytext": (2.0, -2.0)}
        drawn[0].annotate(name, (instant, 1.0), rotation=90, ha="left", va="top", fontsize="small", **position)


def _draw_alarms(ax: "Axes", raised: Mapping[str, NDArray[np.bool_]], *, ends: FloatArray) -> None:
    """A row for each alarm, with bars for the times at which it is raised."""
    briefest = _BRIEFEST * float(np.ptp(ends))
    for y, row in enumerate(raised.values()):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(int)))
        for first, stop in zip(edges[::2], edges[1::2], strict=True):
            # Raised at the end of a breath, an alarm stands until the end of one without its condition.
            lasts = max(ends[min(stop, ends.size - 1)] - ends[first], briefest)
            ax.barh(y, lasts, left=ends[first], height=0.7, color=style.COLOURS[1], edgecolor="none")
    ax.set_yticks(range(len(raised)), list(raised), fontsize="small")
    ax.set_ylim(max(len(raised), 1) - 0.5, -0.5)
    ax.tick_params(axis="y", length=0)
    ax.set_ylabel("alarms", fontsize="small")
    if not raised:
        ax.annotate("no alarm", (0.01, 0.5), xycoords="axes fraction", va="center", fontsize="small", color="0.3")


def _mark_times(ax: "Axes", end: float) -> None:
    """Hours and minutes along the axis of time, or minutes and seconds in a run of less than an hour."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    step = next((step for step in _STEPS if end / step <= _MOST_MARKS), _STEPS[-1])
    form: Literal["h:min", "min:s"] = "h:min" if end >= 3600.0 else "min:s"
    ax.xaxis.set_major_locator(MultipleLocator(step))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda time, _: clock(time, form=form)))
    ax.set_xlabel(f"time [{form}]")
