"""Flow laws through points that were measured on a bench: one curve, one of points that scatter, a family."""

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import FloatTuple, Kept, shown, without_warnings_of
from ventsim.model.laws.bench_fit import checked_points
from ventsim.model.laws.flow import FLOW_LAWS, LARGEST_FLOW, FlowLaw
from ventsim.parameters import public
from ventsim.quantities import check, finite_array, quantity
from ventsim.units import FloatArray

# Slope at rest, at least, as a share of the slope to the first point: keeps the inverse law finite.
_LEAST_START = 0.05
# A step of a smoothed curve, at least, as a share of its largest pressure: a law has to rise.
_LEAST_STEP = 1e-6


@FLOW_LAWS.member
class MeasuredCurve(FlowLaw):
    r"""Pressure drop by a monotone cubic through rest and measured points.

    Assumes that the part is the same in both directions, steady and without hysteresis. Exact at the points.

    Raises
    ------
    PartError
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
    >>> float(MeasuredCurve(flows=(0.5, 1.0, 2.0), pressure_drops=(1.0, 3.0, 9.0)).pressure_drop(-1.0))
    -3.0
    """

    kind: ClassVar[str] = "measured curve"

    flows: Annotated[FloatTuple, quantity("flows")]
    pressure_drops: Annotated[FloatTuple, quantity("pressure_drops")]

    def _faults(self) -> Iterator[str]:
        yield from points_faults(self.flows, self.pressure_drops)

    @property
    def largest_flow(self) -> float:
        """At least that of the last point. [L/s]"""
        return max(LARGEST_FLOW, self.flows[-1])

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        return _curve(finite_array(self.kind, "flow", flow, unit="L/s"), self.flows, self.pressure_drops)


@FLOW_LAWS.member
class AdjustableCurve(FlowLaw):
    r"""A needle, screw or gate valve, set to an opening between those at which it was measured.

    The same in both directions, steady and without hysteresis: play of the thread is not in it, so turn to the
    setting from the side from which the valve was turned on the bench. The pressure drops are one row for each
    opening, at each of the flows, rising along the row and nowhere larger than at a narrower opening.

    Raises
    ------
    PartError
        If a value is impossible, the rows do not belong to openings and flows, a row does not rise, a wider
        opening resists more than a narrower one, or the setting lies outside the measured ones.

    Notes
    -----
    Between two neighbouring openings, flow by flow, the logarithm of the pressure drop is linear in the
    opening:

    .. math::

        \Delta p_j(s) = \Delta p_{j,a}^{\,1 - w} \, \Delta p_{j,b}^{\,w}, \qquad
        w = \frac{s - s_a}{s_b - s_a}

    Then the rising curve of :class:`MeasuredCurve` through the points
    :math:`(\dot V_j, \Delta p_j)`. The weighted geometric mean of two rising rows
    rises, is positive, lies between the two, and is exact at the measured openings; a curve over more than
    two openings could break the first of these. A power of the flow stays a power of the flow.

    Valid as far as openings are close. It is exact for a valve whose drop falls by the same share with each
    turn. Half-way between openings of which one is twice the other, it gives 12.5 % too much if the free area
    grows with the opening (:math:`\Delta p \sim s^{-2}`), 27 % if the bore does
    (:math:`\Delta p \sim s^{-4}`); both errors fall with the square of the distance of the openings.

    References
    ----------
    .. [1] The law of interpolation is a choice of ventsim; the errors are computed here.

    Examples
    --------
    >>> valve = AdjustableCurve(
    ...     openings=(1.0, 2.0), flows=(0.5, 1.0), pressure_drops=((9.0, 36.0), (1.0, 4.0)), opening=1.5
    ... )
    >>> float(valve.pressure_drop(1.0))
    12.0
    """

    kind: ClassVar[str] = "adjustable curve"

    openings: Annotated[FloatTuple, quantity("openings")]
    flows: Annotated[FloatTuple, quantity("flows")]
    pressure_drops: Annotated[
        Kept[tuple[tuple[float, ...], ...], Iterable[Iterable[float]]],
        quantity("pressure_drops", "for each opening a row of the pressure drop at each of the flows"),
    ]
    opening: Annotated[float, quantity("opening")]

    @classmethod
    @public
    def from_fits(cls, fits: Mapping[float, Any], *, flows: Sequence[float], opening: float) -> Self:
        """From bench points that scatter, fitted opening by opening.

        Parameters
        ----------
        fits : mapping of float to RohrerFit or MonotoneFit
            By opening [1], in any order: what :func:`ventsim.laws.fit_rohrer` or
            :func:`ventsim.laws.fit_monotone` made of the points.
        flows : sequence of float
            Flows at which the fits are read, rising, at most the largest flow that was measured at every
            opening. [L/s]
        opening : float
            The setting in use. [1]

        Returns
        -------
        AdjustableCurve
            With one row for each fit.

        Raises
        ------
        PartError
            If a value is no fit, a flow lies beyond those measured, or as for the class.
        InputError
            If a flow is no finite number.

        Examples
        --------
        >>> from ventsim.model.laws import fit_rohrer
        >>> fits = {
        ...     1.0: fit_rohrer((0.25, 0.5, 1.0), (2.3, 9.1, 35.9)),
        ...     2.0: fit_rohrer((0.25, 0.5, 1.0), (0.26, 0.99, 4.02)),
        ... }
        >>> valve = AdjustableCurve.from_fits(fits, flows=(0.25, 0.5, 1.0), opening=2.0)
        >>> float(valve.pressure_drop(1.0))
        4.02
        """
        if not isinstance(fits, Mapping):
            raise PartError(
                f"{cls.kind}: fits {shown(fits)} is not a mapping of openings to fits.\n"
                "  Give {1.0: fit_rohrer(...), 2.0: fit_rohrer(...)}."
            )
        at = np.atleast_1d(finite_array(f"{cls.kind}: flows", "flow", flows, unit="L/s"))
        largest = float(at.max(initial=0.0))
        for place, fit in fits.items():
            check(cls.kind, {"opening": place}, error=PartError)
            if not (hasattr(fit, "pressure_drop") and hasattr(fit, "flows")):
                raise PartError(
                    f"{cls.kind}: {shown(fit)} at opening {shown(place)} is not a fit.\n"
                    "  Give what fit_rohrer(...) or fit_monotone(...) returns."
                )
            measured = max(map(abs, fit.flows))
            if largest > measured:
                raise PartError(
                    f"{cls.kind}: flow {largest:.6g} L/s was not measured at opening {shown(place)}.\n"
                    f"  Allowed: at most {measured:.6g} L/s. Leave out the flow, or measure further."
                )
        openings = sorted(fits)
        rows = [tuple(fits[place].pressure_drop(at).tolist()) for place in openings]
        return cls(openings=tuple(openings), flows=tuple(at.tolist()), pressure_drops=tuple(rows), opening=opening)

    def _faults(self) -> Iterator[str]:
        if len(self.openings) < 2:
            yield (
                f"openings hold {len(self.openings)} setting(s), which leaves nothing to set.\n"
                "  Give two or more, or a laws.MeasuredCurve."
            )
        for first, second in itertools.pairwise(self.openings):
            if second <= first:
                yield (
                    f"openings do not rise from {first:.6g} to {second:.6g}.\n"
                    "  Sort openings and rows, from narrow to wide, each opening once."
                )
        if len(self.pressure_drops) != len(self.openings):
            yield (
                f"pressure_drops hold {len(self.pressure_drops)} row(s) for {len(self.openings)} openings.\n"
                "  Give one row of pressure drops [cmH2O] for each opening."
            )
        rows = list(zip(self.openings, self.pressure_drops, strict=True))
        for opening, row in rows:
            yield from (f"at opening {opening:.6g}: {fault}" for fault in points_faults(self.flows, row))
        for (narrow, more), (wide, less) in itertools.pairwise(rows):
            for flow, before, after in zip(self.flows, more, less, strict=True):
                if after > before:
                    yield (
                        f"at {flow:.6g} L/s the drop rises from {before:.6g} to {after:.6g} cmH2O while it is "
                        f"opened from {narrow:.6g} to {wide:.6g}.\n"
                        "  Allowed: the wider, the less. Measure again or leave one of the two out; if the scale "
                        "counts turns of closing, give the openings with a minus sign."
                    )
        if not self.openings[0] <= self.opening <= self.openings[-1]:
            yield (
                f"opening {self.opening:.6g} is outside the openings at which it was measured.\n"
                f"  Allowed: {self.openings[0]:.6g} to {self.openings[-1]:.6g}. Correct it, or measure there."
            )

    @property
    def largest_flow(self) -> float:
        """At least that of the last point. [L/s]"""
        return max(LARGEST_FLOW, self.flows[-1])

    @property
    def drops_in_use(self) -> tuple[float, ...]:
        """Pressure drop at each of the flows at the setting in use. [cmH2O]"""
        if self.opening in self.openings:
            return self.pressure_drops[self.openings.index(self.opening)]
        wide = int(np.searchsorted(self.openings, self.opening))
        weight = (self.opening - self.openings[wide - 1]) / (self.openings[wide] - self.openings[wide - 1])
        rows = np.log(self.pressure_drops[wide - 1]), np.log(self.pressure_drops[wide])
        return tuple(np.exp((1.0 - weight) * rows[0] + weight * rows[1]).tolist())

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        return _curve(finite_array(self.kind, "flow", flow, unit="L/s"), self.flows, self.drops_in_use)


def _curve(flow: FloatArray, flows: Sequence[float], drops: Sequence[float]) -> FloatArray:
    """The rising cubic through rest and the points, odd in the flow."""
    x, y = np.concatenate([[0.0], flows]), np.concatenate([[0.0], drops])
    slopes = _slopes(x, y)
    size = np.abs(flow)
    cell = np.clip(np.searchsorted(x, size, side="right") - 1, 0, x.size - 2)
    width = x[cell + 1] - x[cell]
    t = np.minimum((size - x[cell]) / width, 1.0)
    start, end = y[cell] * (1 + 2 * t) * (1 - t) ** 2, y[cell + 1] * t**2 * (3 - 2 * t)
    bend = width * (slopes[cell] * t * (1 - t) ** 2 - slopes[cell + 1] * t**2 * (1 - t))
    beyond = slopes[-1] * np.maximum(size - x[-1], 0.0)
    return np.sign(flow) * (start + end + bend + beyond)


def points_faults(flows: Sequence[float], pressure_drops: Sequence[float]) -> Iterator[str]:
    """Why points cannot make a flow law.

    Parameters
    ----------
    flows : sequence of float
        Flows above 0. [L/s]
    pressure_drops : sequence of float
        Pressure drops above 0. [cmH2O]

    Returns
    -------
    iterator of str
        Messages without the name of the part; none if the points are right.

    Examples
    --------
    >>> print(next(points_faults((0.5, 1.0), (2.0, 1.5))))
    pressure_drops fall from 2 to 1.5 cmH2O while flows rise from 0.5 to 1 L/s.
      Allowed: points that rise in both. Measure again, or smooth them with fit_monotone.
    """
    if len(flows) != len(pressure_drops):
        yield (
            f"{len(flows)} flows and {len(pressure_drops)} pressure drops do not make points.\n"
            "  Give one pressure drop [cmH2O] for each flow [L/s]."
        )
    if len(flows) < 2:
        yield (
            f"a curve needs more points than {len(flows)}.\n"
            "  Give at least two besides rest, or laws.Rohrer with a linear and a quadratic coefficient."
        )
    points = zip(flows, pressure_drops, strict=True)
    for (first, before), (second, after) in itertools.pairwise(points):
        if second <= first:
            yield (
                f"flows do not rise from {first:.6g} to {second:.6g} L/s.\n"
                "  Sort the points by flow, each flow once."
            )
        if after <= before:
            yield (
                f"pressure_drops {'fall' if after < before else 'stay'} from {before:.6g} to {after:.6g} cmH2O "
                f"while flows rise from {first:.6g} to {second:.6g} L/s.\n"
                "  Allowed: points that rise in both. Measure again, or smooth them with fit_monotone."
            )


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

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
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


@public
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
    with without_warnings_of(MeasuredCurve, ["flows", "pressure_drops"]):  # as the points have been warned of
        law = MeasuredCurve(flows=[block[1] for block in pooled], pressure_drops=[block[2] for block in pooled])
    return MonotoneFit(
        law=law,
        flows=tuple(q.tolist()),
        pressures=tuple(p.tolist()),
        standard_deviation=None if standard_deviation is None else tuple(sigma.tolist()),
    )
