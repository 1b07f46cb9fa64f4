"""What a part is made of, in words that know nothing of parts: flow passages and gas stores.

Every part describes itself as a few of these elements. The numerical engine reads nothing else, so that a new
part needs no change in the engine. A passage joins two points and a store sits at one; points are the ports
of the part (``"inlet"``) or points inside it (``"alveoli"``).
"""

from dataclasses import KW_ONLY, dataclass

__all__ = ["Element", "Passage", "Rohrer", "Store"]


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
        """Whether gas passes without any pressure drop."""
        return self.linear == 0.0 and self.quadratic == 0.0


@dataclass(frozen=True, slots=True)
class Passage:
    r"""A path for gas between two points.

    Parameters
    ----------
    start, end : str
        Names of the two points. Flow is positive from `start` to `end`.
    forward : Rohrer
        Pressure drop while gas flows from `start` to `end`.
    backward : Rohrer or None
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
    forward: Rohrer
    backward: Rohrer | None
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


Element = Passage | Store
