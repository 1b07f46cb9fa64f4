"""Flow laws from points measured on a bench: a fit of two coefficients, or a rising curve."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError
from ventsim.parts.curve_law import tabulated_pressure_drop
from ventsim.parts.inline import Restrictor
from ventsim.parts.measured import MeasuredPart

__all__ = ["MonotoneFit", "RohrerFit", "fit_monotone", "fit_rohrer"]

FloatArray = NDArray[np.float64]

# A step of a smoothed curve, at least, as a share of its largest pressure: a law has to rise.
_LEAST_STEP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class RohrerFit:
    """A linear and a quadratic resistance fitted to points.

    Attributes
    ----------
    linear : float
        Coefficient of the flow. [cmH2O·s/L]
    quadratic : float
        Coefficient of the flow times its size. [cmH2O·s²/L²]
    linear_error, quadratic_error : float
        Standard errors; 0 for a coefficient held at 0, NaN where as many points as coefficients leave
        nothing to estimate them from. [cmH2O·s/L, cmH2O·s²/L²]
    correlation : float
        Of the two errors; NaN where one of them is 0 or NaN. [1]
    held_at_zero : tuple of str
        Coefficients that the points alone would make negative, and that were therefore held at 0.
    flows : tuple of float
        The points. [L/s]
    pressures : tuple of float
        The points. [cmH2O]
    scatter : tuple of float or None
        Standard deviation of each pressure, as given. [cmH2O]

    Examples
    --------
    >>> fit_rohrer((0.5, 1.0, 1.5), (2.0, 6.0, 12.0)).restrictor().quadratic_resistance
    4.0
    """

    linear: float
    quadratic: float
    linear_error: float
    quadratic_error: float
    correlation: float
    held_at_zero: tuple[str, ...]
    flows: tuple[float, ...]
    pressures: tuple[float, ...]
    scatter: tuple[float, ...] | None

    def pressure_drop(self, flow: float | FloatArray) -> FloatArray:
        """Pressure drop of the fitted law.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure drop, odd in the flow. [cmH2O]
        """
        flow = np.asarray(flow, dtype=float)
        return self.linear * flow + self.quadratic * flow * np.abs(flow)

    @property
    def residuals(self) -> FloatArray:
        """Measured minus fitted pressure of each point, shape (n,). [cmH2O]"""
        return np.asarray(self.pressures) - self.pressure_drop(np.asarray(self.flows))

    def restrictor(self) -> Restrictor:
        """The fitted law as a part.

        Returns
        -------
        Restrictor
            With both resistances.
        """
        return Restrictor(linear_resistance=self.linear, quadratic_resistance=self.quadratic)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotoneFit:
    """A rising curve through points, smoothed only where they do not rise.

    Attributes
    ----------
    curve_flows : tuple of float
        Points of the curve, rising, without rest. [L/s]
    curve_drops : tuple of float
        Points of the curve, rising. [cmH2O]
    flows : tuple of float
        The points as measured. [L/s]
    pressures : tuple of float
        The points as measured. [cmH2O]
    scatter : tuple of float or None
        Standard deviation of each pressure, as given. [cmH2O]

    Examples
    --------
    >>> fit_monotone((0.5, 1.0, 1.5), (2.0, 6.0, 12.0)).part().kind
    'measured part'
    """

    curve_flows: tuple[float, ...]
    curve_drops: tuple[float, ...]
    flows: tuple[float, ...]
    pressures: tuple[float, ...]
    scatter: tuple[float, ...] | None

    def pressure_drop(self, flow: float | FloatArray) -> FloatArray:
        """Pressure drop of the curve.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure drop, odd in the flow. [cmH2O]
        """
        return tabulated_pressure_drop(flow, flows=self.curve_flows, drops=self.curve_drops)

    @property
    def residuals(self) -> FloatArray:
        """Measured pressure of each point minus that of the curve, shape (n,). [cmH2O]"""
        return np.asarray(self.pressures) - self.pressure_drop(np.asarray(self.flows))

    def part(self, *, one_way: bool = False) -> MeasuredPart:
        """The curve as a part.

        Parameters
        ----------
        one_way : bool, default False
            Whether the part lets gas pass from inlet to outlet only.

        Returns
        -------
        MeasuredPart
            With the points of the curve.
        """
        return MeasuredPart(flows=self.curve_flows, drops=self.curve_drops, one_way=one_way)


def fit_rohrer(
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    *,
    scatter: Sequence[float] | FloatArray | None = None,
) -> RohrerFit:
    r"""Fit a linear and a quadratic resistance to measured points by weighted least squares.

    Assumes independent errors of pressure and exact flows. Neither coefficient becomes negative.

    Parameters
    ----------
    flows : sequence of float
        Flows, not 0; points of either direction, with pressures of the same sign. [L/s]
    pressures : sequence of float
        Pressure drop at each flow. [cmH2O]
    scatter : sequence of float or None, default None
        Standard deviation of each pressure, above 0; None: the same for all, estimated from the residuals.
        [cmH2O]

    Returns
    -------
    RohrerFit
        Coefficients with standard errors, and the points.

    Raises
    ------
    InputError
        If there are fewer than two different flows, the lists differ in length, or a value is impossible.

    Notes
    -----
    With rows :math:`x_i = (q_i, q_i |q_i|)/\sigma_i` and :math:`y_i = p_i/\sigma_i`:

    .. math:: (K_1, K_2) = (X^T X)^{-1} X^T y, \qquad \mathrm{cov} = s^2 (X^T X)^{-1}

    :math:`s^2` is 1 if the scatter is given, otherwise the sum of squared residuals over the number of
    points less that of coefficients. If a coefficient came out negative it is held at 0 and the other one
    fitted alone.

    References
    ----------
    .. [1] Linear least squares, textbooks of statistics; the law: F. Rohrer, Pflügers Archiv 162 (1915)
       225-299 (from memory).

    Examples
    --------
    >>> fit = fit_rohrer((0.25, 0.5, 1.0), (1.2, 3.1, 9.0))
    >>> fit.linear, fit.quadratic
    (3.4, 5.6)
    """
    q, p, sigma = _checked("fit_rohrer", flows, pressures, scatter)
    if np.unique(np.abs(q)).size < 2:
        raise InputError(
            "fit_rohrer: points at one flow cannot tell a linear from a quadratic resistance.\n"
            "  Give points at two or more flows."
        )
    design = np.column_stack([q, q * np.abs(q)]) / sigma[:, None]
    target = p / sigma
    free, factors = [0, 1], _least_squares(design, target)
    if np.any(factors < 0.0):
        # Of the two fits with one coefficient alone, the better one is the best without negative
        # coefficients.
        single = [_least_squares(design[:, [k]], target)[0] for k in (0, 1)]
        misfit = [np.sum((target - design[:, k] * max(single[k], 0.0)) ** 2) for k in (0, 1)]
        free = [int(np.argmin(misfit))]
        factors = np.zeros(2)
        factors[free[0]] = single[free[0]]
    if np.any(factors < 0.0) or not np.any(factors > 0.0):
        raise InputError(
            "fit_rohrer: the pressures have the other sign than the flows.\n"
            "  Give the pressure before the part minus that behind it."
        )
    covariance = np.linalg.inv(design[:, free].T @ design[:, free])
    if scatter is None:
        left = q.size - len(free)
        covariance *= np.sum((target - design @ factors) ** 2) / left if left else math.nan
    errors = np.zeros(2)
    errors[free] = np.sqrt(np.diag(covariance))
    both = len(free) == 2 and np.all(errors > 0.0)
    return RohrerFit(
        linear=float(factors[0]),
        quadratic=float(factors[1]),
        linear_error=float(errors[0]),
        quadratic_error=float(errors[1]),
        correlation=float(covariance[0, 1] / errors.prod()) if both else math.nan,
        held_at_zero=tuple(name for k, name in enumerate(("linear", "quadratic")) if k not in free),
        flows=tuple(q.tolist()),
        pressures=tuple(p.tolist()),
        scatter=None if scatter is None else tuple(sigma.tolist()),
    )


def fit_monotone(
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    *,
    scatter: Sequence[float] | FloatArray | None = None,
) -> MonotoneFit:
    r"""A rising curve through measured points, for parts that no formula fits.

    Points of both directions are taken together. Repeated flows are averaged; neighbours whose pressures
    fall are pooled to one point at their mean flow and mean pressure.

    Parameters
    ----------
    flows : sequence of float
        Flows, not 0. [L/s]
    pressures : sequence of float
        Pressure drop at each flow, of the sign of the flow. [cmH2O]
    scatter : sequence of float or None, default None
        Standard deviation of each pressure, above 0; weighs the means by its inverse square. [cmH2O]

    Returns
    -------
    MonotoneFit
        The curve and the points.

    Raises
    ------
    InputError
        If fewer than two points remain, the lists differ in length, or a value is impossible.

    Notes
    -----
    Least squares among all rising sequences (pool adjacent violators), then the monotone cubic of
    :func:`ventsim.parts.tabulated_pressure_drop`.

    References
    ----------
    .. [1] R. E. Barlow et al., Statistical Inference under Order Restrictions, 1972 (from memory).

    Examples
    --------
    >>> fit = fit_monotone((0.25, 0.5, 0.75, 1.0), (1.0, 3.2, 3.0, 7.0))
    >>> fit.curve_flows, fit.curve_drops
    ((0.25, 0.625, 1.0), (1.0, 3.1, 7.0))
    """
    q, p, sigma = _checked("fit_monotone", flows, pressures, scatter)
    size, drop = np.abs(q), p * np.sign(q)
    if np.any(drop <= 0.0):
        k = int(np.argmax(drop <= 0.0))
        raise InputError(
            f"fit_monotone: pressure {p[k]:.6g} cmH2O has not the sign of its flow of {q[k]:.6g} L/s.\n"
            "  Give the pressure before the part minus that behind it, less the reading at rest."
        )
    blocks: list[list[float]] = []  # weight, mean flow, mean pressure
    weights = sigma**-2.0
    for value in np.unique(size):
        here = size == value
        weight = float(weights[here].sum())
        blocks.append([weight, float(value), float((weights * drop)[here].sum() / weight)])
    step = _LEAST_STEP * float(drop.max())
    pooled: list[list[float]] = []
    for block in blocks:
        pooled.append(block)
        while len(pooled) > 1 and pooled[-1][2] < pooled[-2][2] + step:
            (w2, q2, p2), (w1, q1, p1) = pooled.pop(), pooled.pop()
            w = w1 + w2
            pooled.append([w, (w1 * q1 + w2 * q2) / w, (w1 * p1 + w2 * p2) / w])
    if len(pooled) < 2:
        raise InputError(
            f"fit_monotone: {len(blocks)} flow(s) leave {len(pooled)} point of a rising curve.\n"
            "  Give points at two or more flows whose pressures rise."
        )
    return MonotoneFit(
        curve_flows=tuple(block[1] for block in pooled),
        curve_drops=tuple(block[2] for block in pooled),
        flows=tuple(q.tolist()),
        pressures=tuple(p.tolist()),
        scatter=None if scatter is None else tuple(sigma.tolist()),
    )


def _least_squares(design: FloatArray, target: FloatArray) -> FloatArray:
    return np.linalg.lstsq(design, target, rcond=None)[0]


def _checked(
    function: str,
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    scatter: Sequence[float] | FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points as arrays; scatter is 1 for all where none is given."""
    columns = {"flows": (flows, "L/s"), "pressures": (pressures, "cmH2O")}
    columns |= {} if scatter is None else {"scatter": (scatter, "cmH2O")}
    arrays = {}
    for name, (values, unit) in columns.items():
        try:
            arrays[name] = np.atleast_1d(np.asarray(values, dtype=float))
        except (TypeError, ValueError):
            raise InputError(
                f"{function}: {name} {values!r} are not numbers.\n  Give numbers in {unit}."
            ) from None
        array = arrays[name]
        if array.ndim != 1 or array.shape != arrays["flows"].shape:
            raise InputError(
                f"{function}: {name} has shape {array.shape}, flows {arrays['flows'].shape}.\n"
                "  Give one value for each point."
            )
        wrong = ~np.isfinite(array)
        if name == "flows":
            wrong |= array == 0.0
        if name == "scatter":
            wrong |= array <= 0.0
        if wrong.any():
            allowed = {"flows": "finite, not 0", "pressures": "finite", "scatter": "finite, above 0"}[name]
            raise InputError(
                f"{function}: {name} hold {array[wrong][0]:.6g} {unit}.\n"
                f"  Allowed: {allowed}. Leave out the point, or correct it."
            )
    return arrays["flows"], arrays["pressures"], arrays.get("scatter", np.ones_like(arrays["flows"]))
