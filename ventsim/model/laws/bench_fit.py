"""A linear and a quadratic resistance fitted to points measured on a bench, and the bore of a hole like them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, check_name, shown
from ventsim.model.laws.flow import Rohrer
from ventsim.model.laws.orifice import DISCHARGE_COEFFICIENT, Edge, EquivalentBore, loss_exponent, orifice_bore
from ventsim.model.laws.tube_friction import AIR_DENSITY
from ventsim.parameters import public
from ventsim.quantities import check, quantity, warn_of_unlikely
from ventsim.units import FloatArray

Coefficient = Literal["linear", "quadratic"]

_COEFFICIENTS = ("linear", "quadratic")


def checked_points(
    function: str,
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    standard_deviation: Sequence[float] | FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points as arrays; scatter is 1 for all where none is given. Warns of unlikely flows and pressures."""
    pressure = quantity("pressure_drops", plausible=(0.0, 500.0))
    columns = {"flows": (flows, quantity("flows"), "finite, not 0"), "pressures": (pressures, pressure, "finite")}
    if standard_deviation is not None:
        columns["standard_deviation"] = (standard_deviation, pressure, "finite, above 0")
    arrays = {}
    for name, (values, here, allowed) in columns.items():
        try:
            arrays[name] = np.atleast_1d(np.asarray(values, dtype=float))
        except (TypeError, ValueError):
            raise InputError(
                f"{function}: {name} {shown(values)} are not numbers.\n  Give numbers in {here.unit}."
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
        if name == "standard_deviation":
            wrong |= array <= 0.0
        if wrong.any():
            raise InputError(
                f"{function}: {name} hold {here.text(array[wrong][0])}.\n"
                f"  Allowed: {allowed}. Leave out the point, or correct it."
            )
        warn_of_unlikely(f"{function}: {name}", here, np.abs(array).tolist())
    if not arrays["flows"].size:
        raise InputError(f"{function}: there are no points.\n  Give flows in L/s and pressures in cmH2O.")
    return arrays["flows"], arrays["pressures"], arrays.get("standard_deviation", np.ones_like(arrays["flows"]))


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
        Standard errors; 0 for a coefficient held at 0, NaN where as many points as coefficients, without a
        standard_deviation, leave nothing to estimate them from. [cmH2O·s/L, cmH2O·s²/L²]
    correlation : float
        Of the two errors; NaN where one of them is 0 or NaN. [1]
    held_at_zero : tuple of str
        Coefficients held at 0: as asked for, or because the points alone would make them negative.
    flows : tuple of float
        The points. [L/s]
    pressures : tuple of float
        The points. [cmH2O]
    standard_deviation : tuple of float or None
        Standard deviation of each pressure, as given. [cmH2O]

    Examples
    --------
    >>> fit_rohrer((0.5, 1.0, 1.5), (2.0, 6.0, 12.0)).law.quadratic
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
    standard_deviation: tuple[float, ...] | None

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
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

    @public
    def pressure_drop_error(self, flow: ArrayLike) -> FloatArray:
        r"""Standard error of the pressure drop of the fitted law, from those of its coefficients.

        It is that of the law, not that of one more reading, and knows nothing of what is wrong at every point
        alike, such as a flow meter out of adjustment.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Standard error, never negative, the same in both directions; NaN where the errors of the
            coefficients are unknown. [cmH2O]

        Notes
        -----
        With the errors :math:`e_1, e_2` and their correlation :math:`r`:

        .. math:: e^2 = (e_1 q)^2 + (e_2 q^2)^2 + 2 r \, e_1 |q| \, e_2 q^2

        A coefficient held at 0 counts as without error.

        References
        ----------
        .. [1] Propagation of errors of a law that is linear in its coefficients, textbooks of statistics.

        Examples
        --------
        >>> fit = fit_rohrer((0.25, 0.5, 1.0), (1.2, 3.1, 9.0), standard_deviation=(0.1, 0.1, 0.1))
        >>> float(fit.pressure_drop_error(0.5))
        0.0802
        """
        size = np.abs(np.asarray(flow, dtype=float))
        linear, quadratic = self.linear_error * size, self.quadratic_error * size**2
        together = 0.0 if math.isnan(self.correlation) else self.correlation
        # Rounding may bring the sum below 0 where the two errors cancel.
        square = linear**2 + quadratic**2 + 2.0 * together * linear * quadratic
        return np.sqrt(np.maximum(square, 0.0))

    @public
    def equivalent_bore(
        self,
        *,
        flow: float,
        tube_bore: float = 22.0,
        edge: Edge = "thick",
        density: float = AIR_DENSITY,
        discharge_coefficient: float = DISCHARGE_COEFFICIENT,
    ) -> EquivalentBore:
        r"""Diameter of the round hole that loses as much as the fitted law at a flow, with its standard error.

        Assumes that the law of the hole is exact; only the error of the fit is carried on.

        Parameters
        ----------
        flow : float
            Flow at which both lose the same, best within that of the points. [L/s]
        tube_bore : float, default 22
            Inner diameter of the tube before and behind. [mm]
        edge : {"thin", "thick"}, default "thick"
            Form of the hole, as in :class:`ventsim.laws.Orifice`.
        density : float, default 1.204
            Density of the gas on the bench. [kg/m³]
        discharge_coefficient : float, default 0.61
            Real over ideal flow; thin edge only. [1]

        Returns
        -------
        EquivalentBore
            Bore and loss, each with its standard error.

        Raises
        ------
        InputError
            If a value is impossible or the edge unknown.

        Notes
        -----
        .. math:: e_d = d \, \frac{e_{\Delta p}}{\Delta p} \bigg/ \left| \frac{d \ln K}{d \ln d} \right|

        where the last term, 4 for a narrow hole and more for a wide one, is the derivative of the law of
        :class:`ventsim.laws.Orifice`.

        References
        ----------
        .. [1] As for :func:`ventsim.laws.orifice_bore`.

        Examples
        --------
        >>> hole = fit_rohrer((0.2, 0.4, 0.6), (2.3, 8.8, 19.9), hold_at_zero="linear").equivalent_bore(flow=0.5)
        >>> hole.bore, hole.bore_error, hole.pressure_drop
        (3.998, 0.0031, 13.8)
        """
        check("equivalent_bore", {"flow": flow}, flow=quantity("wanted_flow"))
        drop = float(self.pressure_drop(flow))
        bore = orifice_bore(
            drop,
            flow=flow,
            tube_bore=tube_bore,
            edge=edge,
            density=density,
            discharge_coefficient=discharge_coefficient,
        )
        error = float(self.pressure_drop_error(flow))
        exponent = loss_exponent(bore, tube_bore=tube_bore, edge=edge)
        return EquivalentBore(
            bore=bore,
            bore_error=bore * error / drop / abs(exponent),
            pressure_drop=drop,
            pressure_drop_error=error,
            flow=float(flow),
        )

    @property
    def residuals(self) -> FloatArray:
        """Measured minus fitted pressure of each point, shape (n,). [cmH2O]"""
        return np.asarray(self.pressures) - self.pressure_drop(np.asarray(self.flows))

    @property
    def law(self) -> Rohrer:
        """The fitted law, for the `resistance` of a part."""
        return Rohrer(linear=self.linear, quadratic=self.quadratic)


@public
def fit_rohrer(
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    *,
    standard_deviation: Sequence[float] | FloatArray | None = None,
    hold_at_zero: Coefficient | None = None,
) -> RohrerFit:
    r"""Fit a linear and a quadratic resistance to measured points by weighted least squares.

    Assumes independent errors of pressure and exact flows. Neither coefficient becomes negative.

    Parameters
    ----------
    flows : sequence of float
        Flows, not 0; points of either direction, with pressures of the same sign. [L/s]
    pressures : sequence of float
        Pressure drop at each flow. [cmH2O]
    standard_deviation : sequence of float or None, default None
        Standard deviation of each pressure, above 0; None: the same for all, estimated from the residuals.
        [cmH2O]
    hold_at_zero : {"linear", "quadratic"} or None, default None
        Coefficient that is not fitted: ``"linear"`` for a hole; None: fit both.

    Returns
    -------
    RohrerFit
        Coefficients with standard errors, and the points.

    Raises
    ------
    InputError
        If there are fewer different flows than coefficients, the lists differ in length, a value is
        impossible, the law would not rise, or there is no such coefficient.

    Notes
    -----
    With rows :math:`x_i = (q_i, q_i |q_i|)/\sigma_i` and :math:`y_i = p_i/\sigma_i`:

    .. math:: (K_1, K_2) = (X^T X)^{-1} X^T y, \qquad \mathrm{cov} = s^2 (X^T X)^{-1}

    :math:`s^2` is 1 if the standard deviation is given, otherwise the sum of squared residuals over the number of
    points less that of coefficients. If a coefficient came out negative, or `hold_at_zero` says so, it is
    held at 0 and the other one fitted alone.

    References
    ----------
    .. [1] Linear least squares, textbooks of statistics; the law: F. Rohrer, Pflügers Archiv 162 (1915)
       225-299 (from memory).

    Examples
    --------
    >>> fit = fit_rohrer((0.25, 0.5, 1.0), (1.2, 3.1, 9.0))
    >>> fit.linear, fit.quadratic
    (3.4, 5.6)
    >>> fit_rohrer((0.25, 0.5, 1.0), (1.2, 3.1, 9.0), hold_at_zero="linear").quadratic
    9.23
    """
    if hold_at_zero is not None:
        wrong = f"fit_rohrer: there is no coefficient {shown(hold_at_zero)} to hold at zero"
        check_name(hold_at_zero, _COEFFICIENTS, wrong=wrong)
    q, p, sigma = checked_points("fit_rohrer", flows, pressures, standard_deviation)
    design = np.column_stack([q, q * np.abs(q)]) / sigma[:, None]
    # Of flows that differ by no more than rounding, one column is a multiple of the other.
    if hold_at_zero is None and np.linalg.matrix_rank(design / np.linalg.norm(design, axis=0)) < 2:
        raise InputError(
            "fit_rohrer: points at one flow cannot tell a linear from a quadratic resistance.\n"
            "  Give points at two or more flows, or say which is none with hold_at_zero."
        )
    target = p / sigma
    free, factors = _factors(design, target, hold_at_zero=hold_at_zero)
    if np.any(factors < 0.0) or not np.any(factors > 0.0):
        raise InputError(
            "fit_rohrer: the pressures are 0 or have the other sign than the flows.\n"
            "  Give the pressure before the part minus that behind it."
        )
    # By the triangular factor: the product of the design with itself would lose half of the digits.
    inverse = np.linalg.inv(np.linalg.qr(design[:, free], mode="r"))
    covariance = inverse @ inverse.T
    if standard_deviation is None:
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
        held_at_zero=tuple(name for k, name in enumerate(_COEFFICIENTS) if k not in free),
        flows=tuple(q.tolist()),
        pressures=tuple(p.tolist()),
        standard_deviation=None if standard_deviation is None else tuple(sigma.tolist()),
    )


def _factors(
    design: FloatArray, target: FloatArray, *, hold_at_zero: Coefficient | None
) -> tuple[list[int], FloatArray]:
    """Which of the two coefficients are fitted, and both."""
    if hold_at_zero is None:
        factors = _least_squares(design, target)
        if np.all(factors >= 0.0):
            return [0, 1], factors
    columns = [k for k, name in enumerate(_COEFFICIENTS) if name != hold_at_zero]
    single = {k: _least_squares(design[:, [k]], target)[0] for k in columns}
    # Of the two fits with one coefficient alone, the better one is the best without negative coefficients.
    free = min(columns, key=lambda k: float(np.sum((target - design[:, k] * max(single[k], 0.0)) ** 2)))
    factors = np.zeros(2)
    factors[free] = single[free]
    return [free], factors


def _least_squares(design: FloatArray, target: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.lstsq(design, target, rcond=None)[0], dtype=float)
