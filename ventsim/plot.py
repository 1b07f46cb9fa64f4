"""Pictures of waveforms and measures: each function takes a Dataset that fits the schema and returns Axes.

Every lung has one colour and one pattern of line, the same in every picture, so that lungs can be told apart
in grey print as well. Colours: palette of Okabe and Ito, Color Universal Design, 2008 (from memory), with
yellow last because it is faint on white. Matplotlib is imported when a picture is drawn, not with ventsim.
"""

from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.schema import TIME_ROUNDING, VARIABLES, breath_position
from ventsim.units import convert

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["COLOURS", "FittedLaw", "bench_fit", "loops", "shares", "waveforms"]

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#F0E442")
"""Colours of the lungs, in the order of use."""

_PATTERNS: tuple[object, ...] = (
    "solid",
    (0, (5, 1.5)),
    (0, (1, 1)),
    (0, (6, 1.5, 1, 1.5)),
    (0, (9, 2)),
    (0, (3, 1, 1, 1, 1, 1)),
    (0, (2, 2)),
    (0, (8, 1.5, 1, 1.5, 1, 1.5)),
)
_FAINT = {"color": "0.6", "linewidth": 0.8, "zorder": 0.5}


class FittedLaw(Protocol):
    """What a fit of bench points has to offer in order to be drawn.

    Attributes
    ----------
    flows : tuple of float
        The points as measured. [L/s]
    pressures : tuple of float
        The points as measured. [cmH2O]
    scatter : tuple of float or None
        Standard deviation of each pressure. [cmH2O]

    Examples
    --------
    ``fit: FittedLaw = ventsim.parts.fit_rohrer(flows, pressures)``
    """

    @property
    def flows(self) -> tuple[float, ...]:
        """The points as measured. [L/s]"""

    @property
    def pressures(self) -> tuple[float, ...]:
        """The points as measured. [cmH2O]"""

    @property
    def scatter(self) -> tuple[float, ...] | None:
        """Standard deviation of each pressure. [cmH2O]"""

    def pressure_drop(self, flow: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """Pressure drop of the fitted law.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure drop. [cmH2O]
        """


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
    _need(waves, *names, "breath_start", "breath_end")
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
            ax.plot(shown["time"].values, values[:, k], label=str(lung), **_style(k))
        ax.set_ylabel(_axis_label(name, unit=unit))
        ax.axhline(0.0, **_FAINT)
        ax.margins(x=0.01)
    drawn[-1].set_xlabel("time [s]")
    _legend(drawn[0], names=[str(lung) for lung in shown["lung"].values])
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

    _need(waves, "airway_pressure", "volume", "breath_start", "breath_end")
    whole = _whole_breaths(waves)
    one = whole.isel(breath=breath_position(whole, breath))
    # The value just before the breath closes the loop of a breath that repeats.
    start = np.nextafter(float(one["breath_start"]), -np.inf)
    shown = _between(waves, start=start, end=float(one["breath_end"]))
    if ax is None:
        _, ax = plt.subplots(figsize=(6.0, 5.0 + 0.09 * shown.sizes["lung"]), layout="constrained")
    for k, lung in enumerate(shown["lung"].values):
        one = shown.isel(lung=k)
        ax.plot(one["airway_pressure"].values, one["volume"].values, label=str(lung), **_style(k))
    ax.set_xlabel(_axis_label("airway_pressure"))
    ax.set_ylabel(_axis_label("volume"))
    _legend(ax, names=[str(lung) for lung in shown["lung"].values])
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

    _need(measures, "share", "inspired_tidal_volume")
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
    ax.set_xlabel(_axis_label("share", unit="%"))
    ax.set_title(f"breath {int(one['breath'])}", loc="left", fontsize="medium")
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False, borderaxespad=0.2)
    return ax


def bench_fit(fit: FittedLaw, *, ax: "Axes | None" = None) -> "Axes":
    """Points measured on a bench, with the law fitted to them from rest to the largest flow.

    Parameters
    ----------
    fit : FittedLaw
        Result of :func:`ventsim.parts.fit_rohrer` or :func:`ventsim.parts.fit_monotone`.
    ax : matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib Axes
        Pressure drop against flow.

    Examples
    --------
    ``bench_fit(fit_rohrer(flows, pressures)).figure.savefig("restrictor.png")``
    """
    import matplotlib.pyplot as plt

    if ax is None:
        _, ax = plt.subplots(figsize=(6.0, 4.5), layout="constrained")
    flows = np.asarray(fit.flows)
    line = np.linspace(min(0.0, flows.min()), max(0.0, flows.max()), 401)
    ax.plot(line, fit.pressure_drop(line), color=COLOURS[0], linewidth=1.6, label="fitted law")
    points = {"color": COLOURS[1], "linestyle": "none", "marker": "o", "markersize": 5, "capsize": 3}
    ax.errorbar(flows, fit.pressures, yerr=fit.scatter, label="measured", **points)
    ax.axhline(0.0, **_FAINT)
    ax.axvline(0.0, **_FAINT)
    ax.set_xlabel("flow [L/s]")
    ax.set_ylabel("pressure drop [cmH2O]")
    ax.legend(frameon=False)
    return ax


def _style(k: int) -> dict[str, object]:
    """Colour and pattern of lung number `k`; no two of the first 64 lungs have the same of both."""
    n = len(COLOURS)
    return {"color": COLOURS[k % n], "linestyle": _PATTERNS[(k + k // n) % n], "linewidth": 1.6}


def _legend(ax: "Axes", *, names: list[str]) -> None:
    """Names of the lungs above the picture, where they can hide no line, in as many columns as fit."""
    inches = ax.get_figure().get_figwidth() * ax.get_position().width
    entry = 0.75 + 0.078 * max(map(len, names))  # width of a piece of line and a name in ordinary type [inch]
    columns = max(1, min(len(names), 4, int(inches / entry)))
    place = {"loc": "lower left", "bbox_to_anchor": (0.0, 1.0)}
    ax.legend(ncols=columns, frameon=False, handlelength=2.8, **place)


def _axis_label(name: str, *, unit: str | None = None) -> str:
    return f"{VARIABLES[name].long_name} [{unit or VARIABLES[name].units}]"


def _need(dataset: xr.Dataset, *names: str) -> None:
    """Refuse a Dataset without these variables, or without their units."""
    for name in names:
        if name not in dataset:
            remedy = "Add it to the Dataset"
            if name == "volume":
                remedy = "ventsim.metrics.integrate_recording adds it to a recording"
            elif VARIABLES[name].kinds == ("measures",):
                remedy = "ventsim.metrics.breath_measures computes it from waves"
            raise SchemaError(f"variable '{name}' is missing, so nothing can be drawn.\n  {remedy}.")
        if dataset[name].attrs.get("units") != VARIABLES[name].units:
            raise SchemaError(
                f"variable '{name}' is not labelled in {VARIABLES[name].units}.\n"
                "  Convert the numbers to that unit, then use ventsim.schema.label(dataset)."
            )


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
