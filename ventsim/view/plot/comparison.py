"""Two results above each other, and their difference below."""

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError, suggestion
from ventsim.results.schema import VARIABLES
from ventsim.tables import significant
from ventsim.units import FloatArray
from ventsim.view.plot.style import FAINT, axis_label, legend, line_style, need, panels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DRAWABLE = (("time", "lung"), ("time",))
_MARKS = 40  # of the reference, for each lung


def differences(
    values: xr.Dataset,
    reference: xr.Dataset,
    *,
    variable: str = "volume",
    logarithmic: bool = False,
    axes: "NDArray[np.object_] | list[Axes] | None" = None,
) -> "NDArray[np.object_]":
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
    _check(values, reference, variable)
    shown, other = _at_common_times(values, reference, variable)
    ratios = {"height_ratios": (3, 2)}
    drawn = panels(
        axes, 2, where="differences", what="curves and difference", size=(7.0, 5.0), sharex=True,
        gridspec_kw=ratios,
    )  # fmt: skip
    names = (
        [str(lung) for lung in shown["lung"].values] if "lung" in shown.dims else [VARIABLES[variable].long_name]
    )
    gap = _draw_curves(drawn[0], drawn[1], shown, other, names, logarithmic=logarithmic)
    _label(drawn[0], drawn[1], variable, gap, logarithmic=logarithmic)
    legend(drawn[0], names=[*names, "reference"])
    return drawn


def _draw_curves(
    top: "Axes", bottom: "Axes", shown: xr.DataArray, other: xr.DataArray, names: list[str], *, logarithmic: bool
) -> FloatArray:
    """Both curves of each lung above, their difference below; return the differences."""
    one, two = (np.atleast_2d(array.transpose(..., "time").values) for array in (shown, other))
    time, gaps = shown["time"].values, one - two
    some = np.unique(np.linspace(0, len(time) - 1, min(len(time), _MARKS)).astype(int))
    for k, name in enumerate(names):
        look = line_style(k)
        top.plot(time, one[k], label=name, **look)
        marks: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.0, "markerfacecolor": "none"}
        top.plot(time[some], two[k][some], color=look["color"], **marks)
        size = np.where(gaps[k] == 0.0, np.nan, np.abs(gaps[k]))
        bottom.plot(time, size if logarithmic else gaps[k], **look)
    top.plot([], [], color="0.3", linestyle="none", marker="o", markerfacecolor="none", label="reference")
    return gaps


def _check(values: xr.Dataset, reference: xr.Dataset, variable: str) -> None:
    drawable = [name for name, row in VARIABLES.items() if row.dims in _DRAWABLE]
    if variable not in drawable:
        raise SchemaError(f"'{variable}' cannot be drawn against time.\n  {suggestion(str(variable), drawable)}")
    for dataset in (values, reference):
        need(dataset, variable)
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
        columns = np.atleast_2d(other.transpose(..., "time").values)
        columns = np.array([np.interp(shown["time"].values, base, column) for column in columns])
        other = shown.transpose(..., "time").copy(data=columns.reshape(shown.transpose(..., "time").shape))
    return shown, other


def _label(top: "Axes", bottom: "Axes", variable: str, gap: FloatArray, *, logarithmic: bool) -> None:
    unit = VARIABLES[variable].units
    top.set_ylabel(axis_label(variable))
    for ax in (top, bottom):
        ax.margins(x=0.01)
    bottom.set_xlabel("time [s]")
    largest = float(np.nanmax(np.abs(gap), initial=0.0))
    if logarithmic and largest > 0.0:
        bottom.set_yscale("log")
        bottom.set_ylabel(f"size of difference [{unit}]")
    else:
        bottom.axhline(0.0, **FAINT)
        bottom.set_ylabel(f"difference [{unit}]")
    bottom.set_title(f"largest difference {significant(largest, 3)} {unit}", loc="left", fontsize="medium")
