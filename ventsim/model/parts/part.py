"""The base of everything that a circuit is made of."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import KW_ONLY, dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description, Family
from ventsim.model.laws.elastic import ElasticLaw
from ventsim.model.laws.flow import FlowLaw, flow_law
from ventsim.parameters import public
from ventsim.quantities import rule
from ventsim.units import ATMOSPHERE_CMH2O, FloatArray


@dataclass(frozen=True, slots=True)
class Passage:
    r"""A path for gas between two points.

    Parameters
    ----------
    start, end : str
        Names of the two points. Flow is positive from `start` to `end`.
    forward : FlowLaw
        Pressure drop while gas flows from `start` to `end`.
    backward : FlowLaw or None
        Pressure drop while gas flows from `end` to `start`; None: closed against that flow.
    opening_pressure : float, default 0
        Pressure difference below which a closed passage stays shut; only where `backward` is None. [cmH2O]
    leak_conductance : float, default 0
        Linear path in parallel, open both ways; only where `backward` is None. [L/s/cmH2O]
    contained_volume : float, default 0
        Gas inside at atmospheric pressure, which passes in the order in which it came. [mL]

    Notes
    -----
    With :math:`\Delta p = p_\mathrm{start} - p_\mathrm{end}` a two-way passage obeys `forward` for
    :math:`\Delta p \ge 0` and `backward` below. A one-way passage carries no flow while :math:`\Delta p` is
    at most the opening pressure :math:`p_o`, and :math:`\Delta p - p_o = f(\dot V)` above it; its leak adds
    :math:`g\,\Delta p` at any :math:`\Delta p`. If both directions have no resistance, the two ends are one
    and the same point.

    Examples
    --------
    >>> from ventsim.model.laws import OPEN
    >>> Passage("inlet", "outlet", OPEN, OPEN).is_ideal
    True
    """

    start: str
    end: str
    forward: FlowLaw
    backward: FlowLaw | None
    _: KW_ONLY
    opening_pressure: float = 0.0
    leak_conductance: float = 0.0
    contained_volume: float = 0.0

    @property
    def is_one_way(self) -> bool:
        """Whether the passage is closed against flow from `end` to `start`."""
        return self.backward is None

    @property
    def is_ideal(self) -> bool:
        """Whether the two ends are one and the same point."""
        return self.backward is not None and self.forward.is_zero and self.backward.is_zero


@dataclass(frozen=True, slots=True)
class Store:
    r"""Gas held at a point, in proportion to its pressure.

    Parameters
    ----------
    at : str
        Name of the point.
    compliance : float
        Volume gained for each unit of pressure, above 0. [mL/cmH2O]
    gas_volume : float, default 0
        Gas that mixes at the point, at atmospheric pressure. [mL]
    compression : float, default 0
        Part of `compliance` that is gas compressed at the standard atmosphere. It grows as ambient pressure falls.
        [mL/cmH2O]

    Notes
    -----
    .. math:: v = C\,p

    Examples
    --------
    >>> Store("alveoli", 50.0).compliance
    50.0
    """

    at: str
    compliance: float
    _: KW_ONLY
    gas_volume: float = 0.0
    compression: float = 0.0


@public
@dataclass(frozen=True, slots=True, kw_only=True)
class MuscleEffort:
    r"""Pressure of the respiratory muscles over time, repeated with a period; positive breathes in.

    Parameters
    ----------
    times : tuple of float
        Times within a period, rising, from 0 to `period` at most. [s]
    pressures : tuple of float
        Pressure at each of the times. [cmH2O]
    period : float
        Time from one effort to the next. [s]
    half_sine : bool, default False
        Whether the pressure between two times is half a sine wave: then there are the three values 0, amplitude, 0
        at begin, middle and end. Otherwise it is a straight line.

    Notes
    -----
    Before the first time and after the last one the pressure is 0 if `half_sine`, otherwise the nearest value.

    Examples
    --------
    >>> effort = MuscleEffort(times=(0.0, 0.5, 1.0), pressures=(0.0, 8.0, 0.0), period=4.0, half_sine=True)
    >>> float(effort.pressure(4.5))
    8.0
    """

    times: tuple[float, ...]
    pressures: tuple[float, ...]
    period: float
    half_sine: bool = False

    @public
    def pressure(self, time: ArrayLike) -> FloatArray:
        """Pressure of the muscles at a time.

        Parameters
        ----------
        time : float or array of shape (n,)
            Time since the start of a run. [s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure. [cmH2O]

        Examples
        --------
        >>> line = MuscleEffort(times=(0.0, 1.0), pressures=(0.0, 5.0), period=2.0)
        >>> float(line.pressure(0.5))
        2.5
        """
        phase = np.mod(time, self.period)
        if not self.half_sine:
            return np.interp(phase, self.times, self.pressures)
        begin, end = self.times[0], self.times[-1]
        inside = (phase >= begin) & (phase <= end)
        angle = np.pi * (phase - begin) / (end - begin)
        return np.where(inside, self.pressures[1] * np.sin(angle), 0.0)


@dataclass(frozen=True, slots=True)
class ElasticStore:
    """Gas held at a point behind a curved pressure-volume relation, with or without an effort of muscles.

    Parameters
    ----------
    at : str
        Name of the point.
    law : ElasticLaw
        Pressure that belongs to each volume above relaxation volume.
    effort : MuscleEffort or None, default None
        Pressure of the respiratory muscles over time, which lowers the pressure at the point.
    gas_volume : float, default 0
        Gas that mixes at the point, at relaxation volume. [mL]

    Notes
    -----
    The pressure at the point is that of the law minus that of the muscles.

    Examples
    --------
    >>> from ventsim.model.laws import Exponential
    >>> ElasticStore("alveoli", Exponential(largest_volume=6000.0, pressure_rate=0.12)).at
    'alveoli'
    """

    at: str
    law: ElasticLaw
    effort: MuscleEffort | None = None
    _: KW_ONLY
    gas_volume: float = 0.0


@dataclass(frozen=True, slots=True)
class Atmosphere:
    """A point that is open to the atmosphere, where the pressure is 0 whatever flows.

    Parameters
    ----------
    at : str
        Name of the point.

    Examples
    --------
    >>> Atmosphere("outside").at
    'outside'
    """

    at: str


@dataclass(frozen=True, slots=True)
class Inertia:
    r"""A path for gas without friction, whose gas has to be accelerated.

    At least one end must store gas, or lie in series with a resistance.

    Parameters
    ----------
    start, end : str
        Names of the two points. Flow is positive from `start` to `end`.
    inertance : float
        Pressure difference for each unit of acceleration of the flow, above 0. [cmH2O·s²/L]

    Notes
    -----
    .. math:: I \, d\dot V/dt = p_\mathrm{start} - p_\mathrm{end}

    Examples
    --------
    >>> Inertia("inlet", "middle", 0.05).inertance
    0.05
    """

    start: str
    end: str
    inertance: float
    is_one_way: ClassVar[bool] = False


Element = Passage | Store | ElasticStore | Atmosphere | Inertia


PARTS = Family(name="part", tag="kind", example="Tube(length=1.5)")
"""Everything that a circuit can be made of."""


class Part(Description, ABC):
    """Base of everything that a circuit is made of.

    A final subclass

    1. sets `kind`, unique among the parts; one of the library enters :data:`PARTS` by ``@PARTS.member``;
    2. names its ports in `ports`, a property only if they depend on its values;
    3. returns from `elements` passages that connect all its ports with each other, and stores.

    Examples
    --------
    >>> from ventsim.model.parts import YPiece
    >>> YPiece().ports
    ('inspiratory', 'expiratory', 'patient')
    """

    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    @property
    @abstractmethod
    def ports(self) -> tuple[str, ...]:
        """Names of the openings that a joint can use."""

    @abstractmethod
    def elements(self) -> tuple[Element, ...]:
        """The passages and stores that this part consists of.

        Returns
        -------
        tuple of Passage or Store
            Points are ports of this part or points inside it.
        """


class InLine(Part, ABC):
    """Base of the parts with two ends."""

    ports: ClassVar[tuple[str, ...]] = ("inlet", "outlet")


def filled_passage(
    forward: FlowLaw, backward: FlowLaw | None, *, gas_volume: float, inertance: float = 0.0,
    wall_compliance: float = 0.0, polytropic_exponent: float = 1.0, **options: float,
) -> tuple[Element, ...]:  # fmt: skip
    """A passage from inlet to outlet, with inertia behind it if there is any, and half of its gas at each end."""
    end = "outlet" if inertance == 0.0 else "middle"
    passage = Passage("inlet", end, forward, backward, contained_volume=gas_volume, **options)
    inertia = () if inertance == 0.0 else (Inertia("middle", "outlet", inertance),)
    stores = gas_stores(
        gas_volume, at=("inlet", "outlet"), wall_compliance=wall_compliance,
        polytropic_exponent=polytropic_exponent,
    )  # fmt: skip
    return (passage, *inertia, *stores)


def without_resistance(part: Part, *names: str) -> Iterator[str]:
    """Laws without any pressure drop where a part needs one.

    Parameters
    ----------
    part : Part
        The part.
    *names : str
        Its fields that hold a number or a flow law; None is left out.

    Returns
    -------
    iterator of str
        What is wrong with each that is a plain joint.
    """
    for name in names:
        value = getattr(part, name)
        if value is not None and flow_law(value).is_zero:
            yield f"{name} is 0.\n  Give a resistance above 0, or a law that has one."


@public
def gas_stores(
    gas_volume: Annotated[float, rule("gas_volume")], *, at: tuple[str, ...],
    wall_compliance: Annotated[float, rule("wall_compliance")] = 0.0, mixes: bool = False,
    polytropic_exponent: Annotated[float, rule("polytropic_exponent")] = 1.0,
) -> tuple[Store, ...]:  # fmt: skip
    r"""Stores for the gas in a rigid or slightly elastic space, shared equally between some points.

    Isothermal by default: the walls keep the gas at their temperature, which holds for narrow tubes and slow
    changes.

    Parameters
    ----------
    gas_volume : float
        Volume of the space. [mL]
    at : tuple of str
        The points.
    wall_compliance : float, default 0
        Stretch of the walls. [mL/cmH2O]
    mixes : bool, default False
        Whether the gas mixes at the points. Otherwise it lies in a passage between them, which says so, and the
        points take up what compression and stretch make room for.
    polytropic_exponent : float, default 1
        1: isothermal; 1.4: adiabatic. [1]

    Returns
    -------
    tuple of Store
        One for each point; none if nothing is stored.

    Notes
    -----
    .. math:: C = V / (n \, p_\mathrm{atm}) + C_\mathrm{wall}

    at the standard atmosphere, with the exponent :math:`n`. For :math:`n = 1` it is exact for gas counted at
    atmospheric pressure, as ventsim counts it, as long as the walls stretch in proportion.

    References
    ----------
    .. [1] Boyle's law at the standard atmosphere of 101325 Pa.

    Examples
    --------
    >>> gas_stores(1000.0, at=("centre",))[0].compliance
    0.96784
    """
    compression = gas_volume / ATMOSPHERE_CMH2O / polytropic_exponent
    compliance, n = compression + wall_compliance, len(at)
    if compliance == 0.0:
        return ()
    mixed = gas_volume / n if mixes else 0.0
    return tuple(Store(point, compliance / n, gas_volume=mixed, compression=compression / n) for point in at)
