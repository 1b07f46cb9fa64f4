"""What a part is made of, in words that know nothing of parts: flow passages and gas stores.

Every part describes itself as a few of these elements. The numerical engine reads nothing else, so that a new
part needs no change in the engine. A passage joins two points and a store sits at one; points are the ports
of the part (``"inlet"``) or points inside it (``"alveoli"``).
"""

from dataclasses import KW_ONLY, dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.model.laws.elastic import ElasticLaw
from ventsim.model.laws.flow import FlowLaw

FloatArray = NDArray[np.float64]


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
        Whether the course between two times is half a sine wave: then there are the three values 0, amplitude, 0
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

    def pressure(self, time: float | FloatArray) -> FloatArray:
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
