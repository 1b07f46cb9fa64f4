"""Points measured on a bench, read and checked."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.model.laws.measured import MeasuredCurve
from ventsim.units import FloatArray


def checked_points(
    function: str,
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    standard_deviation: Sequence[float] | FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points as arrays; scatter is 1 for all where none is given."""
    columns = {"flows": (flows, "L/s", "finite, not 0"), "pressures": (pressures, "cmH2O", "finite")}
    if standard_deviation is not None:
        columns["standard_deviation"] = (standard_deviation, "cmH2O", "finite, above 0")
    arrays = {}
    for name, (values, unit, allowed) in columns.items():
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
        if name == "standard_deviation":
            wrong |= array <= 0.0
        if wrong.any():
            raise InputError(
                f"{function}: {name} hold {array[wrong][0]:.6g} {unit}.\n"
                f"  Allowed: {allowed}. Leave out the point, or correct it."
            )
    if not arrays["flows"].size:
        raise InputError(f"{function}: there are no points.\n  Give flows in L/s and pressures in cmH2O.")
    return arrays["flows"], arrays["pressures"], arrays.get("standard_deviation", np.ones_like(arrays["flows"]))


# A step of a smoothed curve, at least, as a share of its largest pressure: a law has to rise.
_LEAST_STEP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotoneFit:
    """A rising curve through points, smoothed only where they do not rise.

    Attributes
    ----------
    law : MeasuredCurve
        The rising curve, for the `resistance` of a part.
    flows : tuple of float
        The points as measured. [L/s]
    pressures : tuple of float
        The points as measured. [cmH2O]
    standard_deviation : tuple of float or None
        Standard deviation of each pressure, as given. [cmH2O]

    Examples
    --------
    >>> fit_monotone((0.5, 1.0, 1.5), (2.0, 6.0, 12.0)).law.kind
    'measured curve'
    """

    law: MeasuredCurve
    flows: tuple[float, ...]
    pressures: tuple[float, ...]
    standard_deviation: tuple[float, ...] | None

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
        return self.law.pressure_drop(flow)

    @property
    def residuals(self) -> FloatArray:
        """Measured pressure of each point minus that of the curve, shape (n,). [cmH2O]"""
        return np.asarray(self.pressures) - self.pressure_drop(np.asarray(self.flows))


def fit_monotone(
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    *,
    standard_deviation: Sequence[float] | FloatArray | None = None,
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
    standard_deviation : sequence of float or None, default None
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
    :class:`ventsim.laws.MeasuredCurve`.

    References
    ----------
    .. [1] R. E. Barlow et al., Statistical Inference under Order Restrictions, 1972 (from memory).

    Examples
    --------
    >>> fit = fit_monotone((0.25, 0.5, 0.75, 1.0), (1.0, 3.2, 3.0, 7.0))
    >>> fit.law.flows, fit.law.pressure_drops
    ((0.25, 0.625, 1.0), (1.0, 3.1, 7.0))
    """
    q, p, sigma = checked_points("fit_monotone", flows, pressures, standard_deviation)
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
        law=MeasuredCurve(
            flows=tuple(block[1] for block in pooled), pressure_drops=tuple(block[2] for block in pooled)
        ),
        flows=tuple(q.tolist()),
        pressures=tuple(p.tolist()),
        standard_deviation=None if standard_deviation is None else tuple(sigma.tolist()),
    )
