"""A valve that holds a pressure at the end of an expiratory limb."""

from typing import Annotated, ClassVar

from ventsim.model.parts.elements import Element, Passage, Rohrer
from ventsim.model.parts.part import Part, gas_stores
from ventsim.quantities import quantity


class PeepValve(Part):
    r"""A spring-loaded PEEP valve: gas passes from inlet to outlet only, above a threshold pressure.

    Opens and closes at once, without inertia or hysteresis. What lies behind adds to the threshold: in
    series with the PEEP of a ventilator, the lung gets the sum of both. For a fixed hole take
    :class:`Orifice`.

    Parameters
    ----------
    opening_pressure : float, default 5
        Threshold. [cmH2O]
    resistance : float, default 1
        Linear resistance once open. [cmH2O·s/L]
    quadratic_resistance : float, default 0
        Quadratic resistance once open. [cmH2O·s²/L²]
    gas_volume : float, default 0
        Gas inside. [mL]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = p_o + K_1 \dot V + K_2 \dot V^2

    The default resistance is common practice, no source.

    Examples
    --------
    >>> PeepValve(opening_pressure=10.0).elements()[0].opening_pressure
    10.0
    """

    kind: ClassVar[str] = "peep valve"

    opening_pressure: Annotated[float, quantity("opening_pressure", "threshold")] = 5.0
    resistance: Annotated[
        float,
        quantity("resistance", "linear resistance once open", above=0.0, at_least=None, plausible=(0.001, 50.0)),
    ] = 1.0
    quadratic_resistance: Annotated[
        float, quantity("quadratic", "quadratic resistance once open", plausible=(0.0, 100.0))
    ] = 0.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    def elements(self) -> tuple[Element, ...]:
        """A one-way passage, and half of the gas at each end."""
        law = Rohrer(self.resistance, self.quadratic_resistance)
        passage = Passage("inlet", "outlet", law, None, opening_pressure=self.opening_pressure)
        return (passage, *gas_stores(self.gas_volume, at=self.ports))
