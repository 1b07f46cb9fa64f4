"""Pictures of sweeps: measures against one parameter as lines, against two as a map."""

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError, suggestion
from ventsim.parameters import public
from ventsim.results.schema import VARIABLES
from ventsim.tables import significant
from ventsim.units import FloatArray
from ventsim.view.plot import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LUNG, _CASE = "lung", "case"
_MOST_PANELS = 9
_MARKED_UP_TO = 30  # points on a line that get a mark each


@public
def sweep_lines(
    dataset: xr.Dataset,
    variable: str,
    *,
    along: str | None = None,
    legend: bool = True,
    axes: "style.GivenAxes" = None,
) -> "style.DrawnAxes":
    """A measure against one parameter, one line for each lung; one picture for each value of a second parameter.

    A line is broken where a point has no breath. A label that is too long for its axis takes two lines.

    Parameters
    ----------
    dataset : xarray.Dataset
        Result of :func:`ventsim.studies.sweep` with one or two parameters.
    variable : str
        Name of a measure.
    along : str or None, default None
        Name of the parameter on the horizontal axis, which is its path with ``_`` for a space; None: the first
        one.
    legend : bool, default True
        Whether to name the lungs; False: for a picture beside one that does.
    axes : sequence of matplotlib Axes, optional
        One for each value of the second parameter; a new figure if not given.

    Returns
    -------
    numpy.ndarray of matplotlib Axes, of shape (n_values,)
        One for each value of the second parameter; a single one if there is none.

    Raises
    ------
    SchemaError
        If the measure or the parameter is missing, or there are too many parameters or values.

    Examples
    --------
    ``sweep_lines(found, "inspired_tidal_volume")[0].figure.savefig("sweep.png")``
    """
    values = _measure(dataset, variable)
    along = _first_parameter(values, along)
    second = _second_parameter(values, along)
    parts = [values] if second is None else [values.isel({second: k}) for k in range(values.sizes[second])]
    labels_shared = axes is None and len(parts) > 1
    drawn = _panels(axes, len(parts))
    for ax, part in zip(drawn, parts, strict=True):
        _draw_lines(ax, part, along)
        if second is not None:
            ax.set_title(_value_text(part[second]), loc="left", fontsize="medium")
        if not labels_shared:
            width, height = style.panel_size(ax)
            ax.set_xlabel(style.in_lines(_parameter_label(values[along]), width))
            ax.set_ylabel(style.in_lines(style.axis_label(variable), height))
    if labels_shared and second is not None:
        figure = drawn[0].figure  # labels once for all pictures, because the names are longer than one is wide
        width, height = figure.get_figwidth(), figure.get_figheight()
        figure.supxlabel(style.in_lines(_parameter_label(values[along]), width), fontsize="medium")
        figure.supylabel(style.in_lines(style.axis_label(variable), height), fontsize="medium")
        figure.suptitle(style.in_lines(_parameter_label(values[second]), width), fontsize="medium")
    if legend and _LUNG in values.dims and second is None:
        style.legend(drawn[0], names=[str(name) for name in values[_LUNG].values])
    elif legend and _LUNG in values.dims:
        drawn[0].legend(frameon=False, fontsize="small", handlelength=2.8)
    return drawn


def _first_parameter(values: xr.DataArray, along: str | None) -> str:
    """What to draw along: a dimension, or a path of paired values on the dimension of the cases."""
    dims = [str(name) for name in values.dims if name != _LUNG]
    paired = [str(name) for name, coord in values.coords.items() if coord.dims == (_CASE,) and name != _CASE]
    parameters = paired + dims
    if not parameters:
        raise SchemaError("the Dataset has no parameter.\n  Use the result of ventsim.studies.sweep.")
    if along is not None and along not in parameters:
        raise SchemaError(f"the sweep has no parameter '{along}'.\n  {suggestion(along, parameters)}")
    return along or parameters[0]


def _second_parameter(values: xr.DataArray, along: str) -> str | None:
    """The parameter beside the one on the horizontal axis; None if there is none."""
    others = [str(name) for name in values.dims if name not in (*values[along].dims, _LUNG)]
    if not others:
        return None
    if len(others) > 1:
        raise SchemaError(
            f"there are {len(others) + 1} parameters; lines show one or two.\n"
            f"  Select a value of the others first: dataset.sel({{'{others[-1]}': ...}})."
        )
    if values.sizes[others[0]] > _MOST_PANELS:
        raise SchemaError(
            f"'{others[0]}' has {values.sizes[others[0]]} values; there is a picture for each of at most "
            f"{_MOST_PANELS}.\n"
            f"  Select some first: dataset.isel({{'{others[0]}': [0, 1, 2]}}), or use sweep_map."
        )
    return others[0]


def _panels(axes: "style.GivenAxes", count: int) -> "style.DrawnAxes":
    """The Axes that are given, or those of a new figure, at most three beside each other."""
    columns, rows = (1, count) if axes is not None else (min(count, 3), -(-count // 3))
    size = (6.4, 4.5) if count == 1 else (1.2 + 3.2 * columns, 1.2 + 2.7 * rows)
    what = "one for each value of the second parameter"
    drawn = style.panels(axes, rows, columns, where="sweep_lines", what=what, size=size, sharex=True, sharey=True)
    if axes is None:
        for unused in drawn[count:]:
            unused.set_visible(False)
        for ax in drawn[:count][-columns:]:  # numbers below what is now the lowest of its column
            ax.tick_params(labelbottom=True)
    return drawn[:count]


def _draw_lines(ax: "Axes", panel: xr.DataArray, along: str) -> None:
    positions, ticks = _positions(panel[along])
    order = np.argsort(positions, kind="stable")
    lungs = [str(lung) for lung in panel[_LUNG].values] if _LUNG in panel.dims else [None]
    values = panel.transpose(*panel[along].dims, ...).values.reshape(order.size, len(lungs))
    marker: dict[str, Any] = {"marker": "o", "markersize": 3.5} if len(positions) <= _MARKED_UP_TO else {}
    style.draw_lungs(ax, positions[order], values[order], lungs, **marker)
    if ticks is not None:
        ax.set_xticks(range(len(ticks)), ticks)
    ax.grid(color="0.9", linewidth=0.6)


@public
def sweep_map(
    dataset: xr.Dataset,
    variable: str,
    *,
    lung: str | None = None,
    limit: float | None = None,
    axes: "Axes | None" = None,
) -> "Axes":
    """A measure over two parameters in colours, with the line along which it has the value of a limit.

    Points without a breath are hatched. The map gets lighter with the value, in grey print too.

    Parameters
    ----------
    dataset : xarray.Dataset
        Result of :func:`ventsim.studies.sweep` with two parameters, both in a full grid.
    variable : str
        Name of a measure.
    lung : str or None, default None
        The lung, for a measure of lungs; None: the only one, or a measure of the ports.
    limit : float or None, default None
        Where to draw a line, such as 8 mL/kg; None: no line. [unit of the measure]
    axes : matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib Axes
        The first parameter runs from left to right, the second upwards.

    Raises
    ------
    SchemaError
        If the measure or the lung is missing, or there are not two parameters.

    Examples
    --------
    ``sweep_map(found, "tidal_volume_per_weight", lung="b", limit=8.0).figure.savefig("map.png")``
    """
    values = _of_lung(_measure(dataset, variable), lung)
    across, upwards = _grid_parameters(values)
    (x, x_ticks), (y, y_ticks) = (_positions(values[name]) for name in (across, upwards))
    columns, rows = np.argsort(x), np.argsort(y)
    x, y = x[columns], y[rows]
    shown = np.ma.masked_invalid(values.transpose(upwards, across).values[np.ix_(rows, columns)])
    axes = style.one_panel(axes, size=(6.4, 4.8))
    axes.patch.set(facecolor="white", edgecolor="0.5", hatch="///")  # seen where the map has a hole
    mesh = axes.pcolormesh(x, y, shown, shading="nearest", cmap="cividis")
    bar = axes.figure.colorbar(mesh, ax=axes)
    bar.set_label(style.axis_label(variable))
    if limit is not None:
        _draw_limit(axes, bar.ax, x, y, shown, limit=limit, unit=VARIABLES[variable].units)
    for axis, ticks, name in ((axes.xaxis, x_ticks, across), (axes.yaxis, y_ticks, upwards)):
        if ticks is not None:
            axis.set_ticks(range(len(ticks)), ticks)
        axis.set_label_text(_parameter_label(values[name]))
    if _LUNG in values.coords:
        axes.set_title(f"lung {style.as_text(values[_LUNG].item())}", loc="left", fontsize="medium")
    return axes


def _grid_parameters(values: xr.DataArray) -> tuple[str, str]:
    """The two parameters of a full grid, with two or more different values each."""
    parameters = [str(name) for name in values.dims]
    if len(parameters) != 2 or _CASE in parameters:
        raise SchemaError(
            f"a map needs two parameters in a full grid; there are {', '.join(parameters) or 'none'}.\n"
            "  Select a value of the others first (dataset.sel), or use sweep_lines."
        )
    for name in parameters:
        positions, _ = _positions(values[name])
        if len(set(positions.tolist())) < max(len(positions), 2):
            raise SchemaError(f"'{name}' must have two or more different values for a map.\n  Use sweep_lines.")
    return parameters[0], parameters[1]


def _draw_limit(
    ax: "Axes", bar: "Axes", x: NDArray[Any], y: NDArray[Any], shown: Any, *, limit: float, unit: str
) -> None:
    """The line of a limit in map and colour bar, black on white so that it shows on light and dark."""
    import matplotlib.patheffects as effects

    bar.axhline(limit, color="white", linewidth=3.0)
    bar.axhline(limit, color="black", linewidth=1.4)
    if shown.min() < limit < shown.max():
        line = ax.contour(x, y, shown, levels=[limit], colors="black", linewidths=1.6)
        line.set_path_effects([effects.withStroke(linewidth=3.4, foreground="white")])
        text = f"{limit:g}" if unit == "1" else f"{limit:g} {unit}"
        for label in ax.clabel(line, fmt={limit: text}, fontsize=9):
            label.set_path_effects([effects.withStroke(linewidth=2.5, foreground="white")])


def _measure(dataset: xr.Dataset, variable: str) -> xr.DataArray:
    known = [name for name in dataset.data_vars if name in VARIABLES and VARIABLES[name].units]
    if variable not in known:
        raise SchemaError(f"the sweep has no measure '{variable}'.\n  {suggestion(variable, map(str, known))}")
    style.need(dataset, variable)
    return dataset[variable]


def _of_lung(values: xr.DataArray, lung: str | None) -> xr.DataArray:
    if _LUNG not in values.dims:
        return values
    names = [str(name) for name in values[_LUNG].values]
    if lung is None and len(names) == 1:
        return values.isel({_LUNG: 0})
    if lung not in names:
        wrong = "say which lung" if lung is None else f"there is no lung '{lung}'"
        raise SchemaError(f"{wrong}.\n  {suggestion(str(lung or ''), names)}")
    return values.sel({_LUNG: lung})


def _positions(parameter: xr.DataArray) -> tuple[FloatArray, list[str] | None]:
    """Places on an axis, and names for them where the values are words."""
    if parameter.dtype.kind in "fiu":
        return parameter.values.astype(float), None
    words = [str(value) for value in parameter.values]
    names = list(dict.fromkeys(words))
    return np.array([names.index(word) for word in words], dtype=float), names


def _parameter_label(parameter: xr.DataArray) -> str:
    name, unit = parameter.attrs.get("long_name", str(parameter.name)), parameter.attrs.get("units", "1")
    return name if unit == "1" else f"{name} [{unit}]"


def _value_text(parameter: xr.DataArray) -> str:
    value, unit = parameter.item(), parameter.attrs.get("units", "1")
    text = significant(value, 4) if isinstance(value, int | float) else str(value)
    return text if unit == "1" else f"{text} {unit}"
