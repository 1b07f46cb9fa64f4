"""What a part is made of, in words that know nothing of parts: flow passages and gas stores.

Every part describes itself as a few of these elements. The numerical engine reads nothing else, so that a new
part needs no change in the engine. A passage joins two points and a store sits at one; points are the ports
of the part (``"inlet"``) or points inside it (``"alveoli"``).
"""

from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ventsim.model.laws.pressure_volume import MuscleEffort, PressureVolume

FloatArray = NDArray[np.float64]

# Coefficients up to which a law is none: rounding of the pressures at its ends would be larger than its drop.
NEGLIGIBLE_LINEAR, NEGLIGIBLE_QUADRATIC = 1e-7, 1e-12


@dataclass(frozen=True, slots=True)
class Rohrer:
    r"""Pressure drop with a linear and a quadratic term, odd in the flow.

    Parameters
    ----------
    linear : float
        Coefficient of the flow, at least 0. [cmH2O·s/L]
    quadratic : float
        Coefficient of the flow times its size, at least 0. [cmH2O·s²/L²]

    Notes
    -----
    .. math:: \Delta p = K_1 \dot V + K_2 \dot V |\dot V|

    References
    ----------
    .. [1] F. Rohrer, Der Strömungswiderstand in den menschlichen Atemwegen, Pflügers Archiv 162, 225-299
       (1915). From memory.

    Examples
    --------
    >>> Rohrer(2.0, 1.0).pressure_drop(-0.5)
    -1.25
    """

    linear: float
    quadratic: float

    def pressure_drop(self, flow: float) -> float:
        """Pressure at the start minus pressure at the end.

        Parameters
        ----------
        flow : float
            Flow from start to end. [L/s]

        Returns
        -------
        float
            Pressure drop, with the sign of the flow. [cmH2O]

        Examples
        --------
        >>> Rohrer(2.0, 1.0).pressure_drop(1.0)
        3.0
        """
        return self.linear * flow + self.quadratic * flow * abs(flow)

    @property
    def is_zero(self) -> bool:
        """Whether gas passes without any pressure drop that could be told from none (1e-7 cmH2O at 1 L/s)."""
        return self.linear <= NEGLIGIBLE_LINEAR and self.quadratic <= NEGLIGIBLE_QUADRATIC


@dataclass(frozen=True, slots=True)
class Curve:
    """Pressure drop by any function that rises with the flow, odd in the flow.

    Parameters
    ----------
    function : callable
        Called as ``function(flow, **arguments)`` with an array of flows of at least 0 [L/s]; returns the pressure
        drops [cmH2O]. Strictly rising from 0 at 0, with a finite slope above 0 there.
    arguments : tuple of (str, value)
        Further arguments of the function, hashable.
    largest_flow : float, default 5
        Flow up to which the law is used as it is; beyond, it goes on in a straight line. [L/s]

    Notes
    -----
    The engine turns the law into a table once. Parts of one circuit with equal laws share it.

    Examples
    --------
    >>> import numpy as np
    >>> law = Curve(lambda flow, factor: factor * flow * (1 + np.sqrt(flow)), (("factor", 2.0),))
    >>> float(law.pressure_drop(-1.0))
    -4.0
    """

    function: Callable[..., FloatArray]
    arguments: tuple[tuple[str, Any], ...] = ()
    largest_flow: float = 5.0

    def pressure_drop(self, flow: float | FloatArray) -> FloatArray:
        """Pressure at the start minus pressure at the end.

        Parameters
        ----------
        flow : float or array of shape (n,)
            Flow from start to end. [L/s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure drop, with the sign of the flow. [cmH2O]

        Examples
        --------
        >>> import numpy as np
        >>> Curve(np.sinh).pressure_drop(np.array([-1.0, 1.0]))
        array([-1.17520119,  1.17520119])
        """
        flow = np.asarray(flow, dtype=float)
        return np.sign(flow) * self.function(np.abs(flow), **dict(self.arguments))

    @property
    def is_zero(self) -> bool:
        """Whether gas passes without any pressure drop: never."""
        return False


FlowLaw = Rohrer | Curve
"""How the pressure drop of a passage follows from the flow."""


@dataclass(frozen=True, slots=True)
class Passage:
    r"""A path for gas between two points.

    Parameters
    ----------
    start, end : str
        Names of the two points. Flow is positive from `start` to `end`.
    forward : Rohrer or Curve
        Pressure drop while gas flows from `start` to `end`.
    backward : Rohrer, Curve or None
        Pressure drop while gas flows from `end` to `start`; None: closed against that flow.
    opening_pressure : float, default 0
        Pressure difference below which a closed passage stays shut; only where `backward` is None. [cmH2O]
    leak_conductance : float, default 0
        Linear path in parallel, open both ways; only where `backward` is None. [L/s/cmH2O]

    Notes
    -----
    With :math:`\Delta p = p_\mathrm{start} - p_\mathrm{end}` a two-way passage obeys `forward` for
    :math:`\Delta p \ge 0` and `backward` below. A one-way passage carries no flow while :math:`\Delta p` is
    at most the opening pressure :math:`p_o`, and :math:`\Delta p - p_o = f(\dot V)` above it; its leak adds
    :math:`g\,\Delta p` at any :math:`\Delta p`. If both directions have no resistance, the two ends are one
    and the same point.

    Examples
    --------
    >>> Passage("inlet", "outlet", Rohrer(0.0, 0.0), Rohrer(0.0, 0.0)).is_ideal
    True
    """

    start: str
    end: str
    forward: FlowLaw
    backward: FlowLaw | None
    _: KW_ONLY
    opening_pressure: float = 0.0
    leak_conductance: float = 0.0

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


@dataclass(frozen=True, slots=True)
class ElasticStore:
    """Gas held at a point behind a curved pressure-volume relation, with or without an effort of muscles.

    Parameters
    ----------
    at : str
        Name of the point.
    curve : PressureVolume
        Pressure that belongs to each volume, relaxed volume 0.
    effort : MuscleEffort or None, default None
        Pressure of the respiratory muscles over time, which lowers the pressure at the point.

    Notes
    -----
    The pressure at the point is that of the curve minus that of the muscles.

    Examples
    --------
    >>> from ventsim.model.laws.pressure_volume import PressureVolume
    >>> ElasticStore("alveoli", PressureVolume(linear=0.02)).at
    'alveoli'
    """

    at: str
    curve: PressureVolume
    effort: MuscleEffort | None = None


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

    @property
    def is_one_way(self) -> bool:
        """Whether the path is closed against flow from `end` to `start`: never."""
        return False


Element = Passage | Store | ElasticStore | Atmosphere | Inertia
