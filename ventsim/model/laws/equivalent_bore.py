"""The bore of the hole that a measured restrictor acts like, and how surely."""

from dataclasses import dataclass

from ventsim.model.laws.orifice import Edge


@dataclass(frozen=True, slots=True, kw_only=True)
class EquivalentBore:
    """The round hole that loses, at one flow, what a fitted law loses.

    Attributes
    ----------
    bore : float
        Diameter of the hole. [mm]
    bore_error : float
        Standard error of the bore, from that of the loss; NaN where that is unknown. [mm]
    pressure_drop : float
        Loss of the fitted law at the flow. [cmH2O]
    pressure_drop_error : float
        Standard error of the loss. [cmH2O]
    flow : float
        The flow. [L/s]

    Examples
    --------
    >>> from ventsim.model.parts import fit_rohrer
    >>> hole = fit_rohrer((0.2, 0.4, 0.6), (2.2, 8.9, 19.8), hold_at_zero="linear").equivalent_bore(flow=0.5)
    >>> hole.bore, hole.bore_error
    (4.001, 0.0029)
    """

    bore: float
    bore_error: float
    pressure_drop: float
    pressure_drop_error: float
    flow: float


def loss_exponent(bore: float, *, tube_bore: float, edge: Edge) -> float:
    """By which power of its bore the loss of a hole changes: d ln K / d ln d, below -4. [1]

    The derivative of the closed forms of :func:`ventsim.parts.orifice_coefficient`.
    """
    share = (bore / tube_bore) ** 2
    if edge == "thin":
        return -4.0 / (1.0 - share**2)
    free = 1.0 - share
    return -4.0 - 2.0 * share * (0.5 + 2.0 * free) / (0.5 * free + free**2)
