"""Flow laws: how the pressure drop of a path follows from the flow, and the contract that each keeps."""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, ClassVar, Protocol

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, PartError, is_number
from ventsim.model.descriptions import Description, Family, Member
from ventsim.model.laws.own import UsersOwn
from ventsim.parameters import public
from ventsim.quantities import finite_array, quantity, rule
from ventsim.units import FloatArray

LARGEST_FLOW = 5.0
"""Flow up to which laws are used as they are; beyond, they go on in a straight line. [L/s]"""

# Coefficients up to which a law is none: rounding of the pressures at its ends would be larger than its drop.
NEGLIGIBLE_LINEAR, NEGLIGIBLE_QUADRATIC = 1e-7, 1e-12

FLOW_LAWS = Family(
    name="flow law",
    tag="law",
    example="laws.Rohrer(linear=5, quadratic=8)",
    accepts=lambda value: callable(getattr(value, "pressure_drop", None)),
    number=quantity("resistance"),
    member_of=lambda value: flow_law(value),
)
"""The flow laws; any object with a method ``pressure_drop(flow)`` is one."""


class AnyFlowLaw(Protocol):
    """What a field of a resistance takes besides a number: a law of the library, or an object of your own.

    Examples
    --------
    >>> class Sinh:
    ...     def pressure_drop(self, flow):
    ...         return np.sinh(flow)
    >>> law: AnyFlowLaw = Sinh()
    """

    @abstractmethod
    def pressure_drop(self, flow: Any, /) -> Any:
        """Pressure at the start minus pressure at the end, strictly rising from 0 at 0.

        Parameters
        ----------
        flow : array of shape (n,)
            Flows of at least 0. [L/s]

        Returns
        -------
        array of shape (n,)
            Pressure drops. [cmH2O]
        """


class FlowLaw(Description, ABC):
    """Base of the flow laws: pressure drop as a function of the flow, odd in it.

    A law of your own is any object with the method `pressure_drop`, which takes an array of flows of at least 0
    [L/s] and returns the pressure drops [cmH2O]: strictly rising from 0 at 0, with a finite slope above 0 there.
    It may have the attribute `largest_flow` [L/s] and, if it is hashable, parts of one circuit with equal laws
    share a table. Laws in series add: ``laws.Rohrer(linear=5) + laws.Orifice(bore=4)``.

    Examples
    --------
    >>> law = Rohrer(linear=2.0, quadratic=1.0) + 3.0
    >>> float(law.pressure_drop(0.5))
    2.75
    """

    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "law"

    @abstractmethod
    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow from start to end. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure drop, with the sign of the flow. [cmH2O]
        """

    @property
    def coefficients(self) -> tuple[float, float] | None:
        """Linear and quadratic coefficient, if the law has no other term. [cmH2O·s/L, cmH2O·s²/L²]"""
        return None

    @property
    def largest_flow(self) -> float:
        """Flow up to which the law is used as it is; beyond, it goes on in a straight line. [L/s]"""
        return LARGEST_FLOW

    @public
    def at_density(self, ratio: float) -> "FlowLaw":
        """The law in gas of another density.

        Parameters
        ----------
        ratio : float
            New density divided by the one for which the law is given. [1]

        Returns
        -------
        FlowLaw
            With its `density` multiplied; a law without that field, measured or given as numbers, stays as it is.
        """
        if "density" not in type(self).model_fields:
            return self
        return self.model_copy(update={"density": self.density * ratio})

    @property
    def is_zero(self) -> bool:
        """Whether gas passes without a pressure drop that differs from none by more than 1e-7 cmH2O at 1 L/s."""
        linear, quadratic = self.coefficients or (1.0, 1.0)
        return linear <= NEGLIGIBLE_LINEAR and quadratic <= NEGLIGIBLE_QUADRATIC

    def __add__(self, other: Any) -> "FlowLaw":
        return in_series(self, other)

    def __radd__(self, other: Any) -> "FlowLaw":
        return in_series(other, self)


@FLOW_LAWS.member
class Rohrer(FlowLaw):
    r"""Pressure drop with a linear and a quadratic term.

    Raises
    ------
    PartError
        If a coefficient is negative or no number.

    Notes
    -----
    .. math:: \Delta p = K_1 \dot V + K_2 \dot V |\dot V|

    With both at 0 it is a plain joint.

    References
    ----------
    .. [1] F. Rohrer, Der Strömungswiderstand in den menschlichen Atemwegen, Pflügers Archiv 162, 225-299
       (1915). From memory.

    Examples
    --------
    >>> float(Rohrer(linear=2.0, quadratic=1.0).pressure_drop(-0.5))
    -1.25
    """

    kind: ClassVar[str] = "rohrer"

    linear: Annotated[float, quantity("linear")] = 0.0
    quadratic: Annotated[float, quantity("quadratic")] = 0.0

    @classmethod
    @public
    def of(
        cls, linear: Annotated[float, rule("linear")], quadratic: Annotated[float, rule("quadratic")] = 0.0
    ) -> "Rohrer":
        """The law of two coefficients that have been checked.

        Parameters
        ----------
        linear : float
            Linear coefficient, at least 0. [cmH2O·s/L]
        quadratic : float, default 0
            Quadratic coefficient, at least 0. [cmH2O·s²/L²]

        Returns
        -------
        Rohrer
            The law.
        """
        return cls.model_construct(linear=linear, quadratic=quadratic)

    @property
    def coefficients(self) -> tuple[float, float]:
        """Linear and quadratic coefficient. [cmH2O·s/L, cmH2O·s²/L²]"""
        return self.linear, self.quadratic

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        return self.linear * flow + self.quadratic * flow * np.abs(flow)


OPEN = Rohrer.of(0.0)
"""The law of a plain joint."""


@FLOW_LAWS.member
class PowerLaw(FlowLaw):
    r"""Pressure drop as a power of the flow, as tracheal tubes are often measured.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = K \dot V^n

    Below the laminar flow :math:`q_0` the power, whose slope at rest would be 0, is replaced by the polynomial
    :math:`K q_0^{n-1} [(2 - n) q + (n - 1) q^2 / q_0]`, which meets it there with value and slope.

    References
    ----------
    .. [1] The form is common for tracheal tubes (textbooks, from memory).

    Examples
    --------
    >>> float(PowerLaw(coefficient=6.5, exponent=1.75).pressure_drop(1.0))
    6.5
    """

    kind: ClassVar[str] = "power"

    coefficient: Annotated[float, quantity("coefficient")]
    exponent: Annotated[float, quantity("exponent")]
    laminar_flow: Annotated[float, quantity("laminar_flow")] = 0.05

    @property
    def coefficients(self) -> tuple[float, float] | None:
        """Linear and quadratic coefficient, where the exponent is 1 or 2. [cmH2O·s/L, cmH2O·s²/L²]"""
        return {1.0: (self.coefficient, 0.0), 2.0: (0.0, self.coefficient)}.get(self.exponent)

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        size, n, q0 = np.abs(flow), self.exponent, self.laminar_flow
        slow = q0 ** (n - 1.0) * ((2.0 - n) * size + (n - 1.0) * size**2 / q0)
        return np.sign(flow) * self.coefficient * np.where(size < q0, slow, size**n)


@FLOW_LAWS.member
class Series(FlowLaw):
    r"""Laws one behind the other, whose pressure drops add up.

    Raises
    ------
    PartError
        If there is none, or one is neither a flow law nor a number of at least 0.

    Notes
    -----
    A number is a linear law.

    .. math:: \Delta p = \sum_i \Delta p_i(\dot V)

    Examples
    --------
    >>> float(Series(laws=(Rohrer(linear=2.0), PowerLaw(coefficient=1.0, exponent=1.75))).pressure_drop(1.0))
    3.0
    """

    kind: ClassVar[str] = "series"

    laws: Annotated[Sequence[Any], Member(FLOW_LAWS, many=True)]

    def _faults(self) -> Iterator[str]:
        if not self.laws:
            yield f"laws holds none.\n  Give at least one, such as {FLOW_LAWS.example}."

    @property
    def coefficients(self) -> tuple[float, float] | None:
        """Sums of the coefficients, if no law has another term. [cmH2O·s/L, cmH2O·s²/L²]"""
        found = [law.coefficients for law in self.laws]
        plain = [one for one in found if one is not None]
        return None if len(plain) < len(found) else (sum(k for k, _ in plain), sum(k for _, k in plain))

    @property
    def largest_flow(self) -> float:
        """The largest of the laws. [L/s]"""
        return max(law.largest_flow for law in self.laws)

    @public
    def at_density(self, ratio: float) -> FlowLaw:
        """Each of the laws in gas of another density."""
        return self.model_copy(update={"laws": tuple(law.at_density(ratio) for law in self.laws)})

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        return np.sum([law.pressure_drop(flow) for law in self.laws], axis=0)


class UserLaw(UsersOwn, FlowLaw):
    """A flow law of the user's own making, seen as one of the library.

    Examples
    --------
    >>> class Sinh:
    ...     def pressure_drop(self, flow):
    ...         return np.sinh(flow)
    >>> UserLaw(wrapped=Sinh(), pressure_factor=2.0).pressure_drop(np.array([-1.0, 1.0]))
    array([-2.35040239,  2.35040239])
    """

    pressure_factor: Annotated[float, quantity("factor", "factor on its pressure drop", above=0.0)] = 1.0

    @property
    def largest_flow(self) -> float:
        """As the law says, or the usual one. [L/s]"""
        return float(getattr(self.wrapped, "largest_flow", LARGEST_FLOW))

    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end, odd in the flow. [cmH2O]"""
        flow = np.asarray(flow, dtype=float)
        drop = np.asarray(self.wrapped.pressure_drop(np.abs(flow)), dtype=float)
        return np.sign(flow) * self.pressure_factor * drop


@public
def flow_law(value: Annotated[Any, FLOW_LAWS.fault_of]) -> FlowLaw:
    """The law that a field stands for: a number is a linear one.

    Parameters
    ----------
    value : float or flow law
        A checked value of a field; an object of a user's own with `pressure_drop` is wrapped. [cmH2O·s/L]

    Returns
    -------
    FlowLaw
        The law.

    Examples
    --------
    >>> flow_law(10.0).coefficients
    (10.0, 0.0)
    """
    if isinstance(value, FlowLaw):
        return value
    return Rohrer.of(value) if is_number(value) else UserLaw(wrapped=value)


def in_series(*values: Any) -> FlowLaw:
    """Laws one behind the other, as one law.

    Parameters
    ----------
    *values : float or flow law
        The laws; a number is a linear one. [cmH2O·s/L]

    Returns
    -------
    FlowLaw
        :class:`Rohrer` if no law has another term, else :class:`Series`.

    Examples
    --------
    >>> in_series(Rohrer(linear=2.0), 3.0, Rohrer(quadratic=1.0)).coefficients
    (5.0, 1.0)
    """
    given: list[FlowLaw] = []
    for value in values:
        law = FLOW_LAWS.read(value)
        given += law.laws if isinstance(law, Series) else [law]
    plain = [law.coefficients for law in given if law.coefficients is not None]
    linear, quadratic = sum(k for k, _ in plain), sum(k for _, k in plain)
    others = [law for law in given if law.coefficients is None]
    if not others:
        return Rohrer(linear=linear, quadratic=quadratic)
    rest: Sequence[FlowLaw] = [Rohrer(linear=linear, quadratic=quadratic)] if linear or quadratic else []
    return Series(laws=(*rest, *others)) if len(others) + len(rest) > 1 else others[0]


OR_FLOW_LAW = Member(FLOW_LAWS, or_number=True)
"""Marks a field that takes a number or a flow law."""
