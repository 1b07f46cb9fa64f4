"""Laws of flow as elements of parts: of a tube from its geometry, and through measured points."""

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError
from ventsim.model.laws.tube_friction import Wall, tube_pressure_drop
from ventsim.model.parts.elements import Curve, FlowLaw, Rohrer
from ventsim.quantities import finite_array

FloatArray = NDArray[np.float64]

LARGEST_FLOW = 5.0
"""Flow up to which the laws of parts are used as they are; beyond, they go on in a straight line. [L/s]"""

# Slope at rest, at least, as a share of the slope to the first point: keeps the inverse law finite.
_LEAST_START = 0.05


def tabulated_pressure_drop(
    flow: float | NDArray[np.float64], *, flows: Sequence[float], drops: Sequence[float]
) -> NDArray[np.float64]:
    r"""Pressure drop by a monotone cubic through rest and measured points.

    Assumes that the part is the same in both directions.

    Parameters
    ----------
    flow : float or array of shape (n,)
        Flow from start to end. [L/s]
    flows : sequence of float
        Measured flows, rising, above 0; rest is added. [L/s]
    drops : sequence of float
        Pressure drop at each flow, rising, above 0. [cmH2O]

    Returns
    -------
    array of shape (n,) or ()
        Pressure at the start minus pressure at the end; exact at the points, rises with the flow, is odd in
        it. [cmH2O]

    Raises
    ------
    InputError
        If there are fewer than two points, or they do not rise.

    Notes
    -----
    Cubic Hermite pieces with the slopes of Fritsch and Butland: between two secants their weighted harmonic
    mean; at rest and at the last point the slope of a parabola through three points, held within what keeps
    the curve rising, and at rest at 5 % of the first secant or more. Beyond the last point the curve goes
    on straight.

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, A method for constructing local monotone piecewise cubic interpolants,
       SIAM J Sci Stat Comput 5 (1984) 300-304 (from memory).

    Examples
    --------
    >>> float(tabulated_pressure_drop(-1.0, flows=(0.5, 1.0, 2.0), drops=(1.0, 3.0, 9.0)))
    -3.0
    """
    fault = points_fault(flows, drops)
    if fault:
        raise InputError(f"tabulated_pressure_drop: {fault}")
    x, y = np.concatenate([[0.0], flows]), np.concatenate([[0.0], drops])
    slopes = _slopes(x, y)
    flow = finite_array("tabulated_pressure_drop", "flow", flow, unit="L/s")
    size = np.abs(flow)
    cell = np.clip(np.searchsorted(x, size, side="right") - 1, 0, x.size - 2)
    width = x[cell + 1] - x[cell]
    t = np.minimum((size - x[cell]) / width, 1.0)
    start, end = y[cell] * (1 + 2 * t) * (1 - t) ** 2, y[cell + 1] * t**2 * (3 - 2 * t)
    bend = width * (slopes[cell] * t * (1 - t) ** 2 - slopes[cell + 1] * t**2 * (1 - t))
    beyond = slopes[-1] * np.maximum(size - x[-1], 0.0)
    return np.sign(flow) * (start + end + bend + beyond)


def measured_curve(flows: Sequence[float], drops: Sequence[float]) -> Curve:
    """The law through measured points as an element of a part.

    Parameters
    ----------
    flows : sequence of float
        Measured flows, rising, above 0. [L/s]
    drops : sequence of float
        Pressure drop at each flow, rising, above 0. [cmH2O]

    Returns
    -------
    Curve
        :func:`tabulated_pressure_drop` with these points.

    Examples
    --------
    >>> float(measured_curve((0.5, 1.0), (1.0, 3.0)).pressure_drop(0.5))
    1.0
    """
    points = (("flows", tuple(map(float, flows))), ("drops", tuple(map(float, drops))))
    return Curve(tabulated_pressure_drop, points, largest_flow=max(LARGEST_FLOW, float(max(flows))))


def tube_law(
    *,
    bore: float,
    length: float,
    density: float,
    viscosity: float,
    loss_coefficient: float,
    wall: Wall = "smooth",
    corrugation_factor: float = 1.0,
) -> FlowLaw:
    """The law of a straight tube as an element of a part.

    Parameters
    ----------
    bore : float
        Inner diameter. [mm]
    length : float
        Length. [m]
    density : float
        Density of the gas. [kg/m³]
    viscosity : float
        Viscosity of the gas. [µPa·s]
    loss_coefficient : float
        Dynamic heads lost at both ends. [1]
    wall : {"smooth", "corrugated"}, default "smooth"
        What the wall is like.
    corrugation_factor : float, default 1
        Turbulent friction of a corrugated wall over that of a smooth one. [1]

    Returns
    -------
    Rohrer or Curve
        :func:`ventsim.parts.tube_pressure_drop` with these values; a plain joint or a quadratic resistance
        if there is no length.

    Examples
    --------
    >>> tube_law(bore=22.0, length=0.0, density=1.2, viscosity=18.0, loss_coefficient=0.0).is_zero
    True
    """
    if length == 0.0:
        # Friction is gone, and what is left is exactly quadratic.
        heads = tube_pressure_drop(
            1.0,
            bore=bore,
            length=0.0,
            density=density,
            viscosity=viscosity,
            loss_coefficient=loss_coefficient,
        )
        return Rohrer(0.0, float(heads))
    arguments = {
        "bore": bore,
        "length": length,
        "density": density,
        "viscosity": viscosity,
        "wall": wall,
        "corrugation_factor": corrugation_factor,
        "loss_coefficient": loss_coefficient,
    }
    return Curve(tube_pressure_drop, tuple(arguments.items()), largest_flow=LARGEST_FLOW)


def points_fault(flows: Sequence[float], drops: Sequence[float]) -> str:
    """Why points cannot make a flow law.

    Parameters
    ----------
    flows : sequence of float
        Flows. [L/s]
    drops : sequence of float
        Pressure drops. [cmH2O]

    Returns
    -------
    str
        Message without the name of the part; empty if the points are right.

    Examples
    --------
    >>> print(points_fault((0.5, 1.0), (2.0, 1.5)))
    drops fall from 2 to 1.5 cmH2O while flows rise from 0.5 to 1 L/s.
      Allowed: points that rise in both. Measure again, or smooth them with fit_monotone.
    """
    if len(flows) != len(drops):
        return (
            f"{len(flows)} flows and {len(drops)} drops do not make points.\n"
            "  Give one pressure drop [cmH2O] for each flow [L/s]."
        )
    if len(flows) < 2:
        return (
            f"a curve needs more points than {len(flows)}.\n"
            "  Give at least two besides rest, or a linear and a quadratic resistance instead."
        )
    for name, values, unit in (("flows", flows, "L/s"), ("drops", drops, "cmH2O")):
        wrong = [value for value in values if not (np.isfinite(value) and value > 0.0)]
        if wrong:
            return (
                f"{name} hold {wrong[0]:.6g} {unit}.\n"
                f"  Allowed: above 0 {unit}. Leave out the point of rest, and give sizes without sign."
            )
    for i, (first, second) in enumerate(itertools.pairwise(flows)):
        if second <= first:
            return (
                f"flows do not rise from {first:.6g} to {second:.6g} L/s.\n"
                "  Sort the points by flow, each flow once."
            )
        if drops[i + 1] <= drops[i]:
            verb = "fall" if drops[i + 1] < drops[i] else "stay"
            return (
                f"drops {verb} from {drops[i]:.6g} to {drops[i + 1]:.6g} cmH2O while flows rise from "
                f"{first:.6g} to {second:.6g} L/s.\n"
                "  Allowed: points that rise in both. Measure again, or smooth them with fit_monotone."
            )
    return ""


def _slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Slope of the curve at each point."""
    h, secant = np.diff(x), np.diff(y) / np.diff(x)
    slopes = np.empty_like(x)
    near, far = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    slopes[1:-1] = (near + far) / (near / secant[:-1] + far / secant[1:])
    start = ((2.0 * h[0] + h[1]) * secant[0] - h[0] * secant[1]) / (h[0] + h[1])
    end = ((2.0 * h[-1] + h[-2]) * secant[-1] - h[-1] * secant[-2]) / (h[-1] + h[-2])
    slopes[0] = np.clip(start, _LEAST_START * secant[0], 3.0 * secant[0])
    slopes[-1] = np.clip(end, _LEAST_START * secant[-1], 3.0 * secant[-1])
    return slopes
