"""Valves that let gas pass in one direction only."""

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ventsim.model.laws.flow import OPEN, OR_FLOW_LAW, AnyFlowLaw, flow_law
from ventsim.model.parts.part import PARTS, Element, InLine, filled_passage, without_resistance
from ventsim.quantities import quantity
from ventsim.units import L_PER_MIN, ML_PER_L

_ML_PER_MIN = L_PER_MIN * ML_PER_L

NEVER = 1e6
"""Opening pressure of what stays closed: beyond what any ventilator gives. [cmH2O]"""

_ONCE_OPEN = quantity(
    "resistance", "resistance once open, beyond the opening pressure", above=0.0, at_least=None,
    plausible=(0.001, 50.0),
)  # fmt: skip


@PARTS.member
class OneWayValve(InLine):
    r"""A flap or disc valve that lets gas pass from inlet to outlet only.

    Opens and closes at once, without inertia or hysteresis.

    Stuck open, the flap stays in the stream and resists both ways; missing, gas passes without resistance; stuck
    closed, only the back leak passes. The back leak passes both ways.

    Raises
    ------
    PartError
        If a value is impossible, or it has no resistance once open.

    Notes
    -----
    .. math:: \dot V = f^{-1}(\max(0, \Delta p - p_o)) + g\,\Delta p

    The defaults lie within the usual figures of 22 mm disc and flap valves: opening at 0.1 to 0.5 cmH2O, 0.5 to 2
    cmH2O at 60 L/min, back leak below 100 mL/min (from memory, no source seen). How much of the loss is quadratic
    was not found; studies can carry the range from ``laws.Rohrer(linear=0.5)`` to ``laws.Rohrer(quadratic=2)``.

    Examples
    --------
    >>> OneWayValve().elements()[0].is_one_way
    True
    """

    kind: ClassVar[str] = "one-way valve"

    opening_pressure: Annotated[float, quantity("opening_pressure", plausible=(0.0, 5.0))] = 0.2
    resistance: Annotated[float | AnyFlowLaw, _ONCE_OPEN, OR_FLOW_LAW] = 1.0
    back_leak: Annotated[float, quantity("back_leak")] = 0.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0
    state: Annotated[
        Literal["working", "stuck open", "stuck closed", "missing"], Field(description="whether the flap moves")
    ] = "working"

    def _faults(self) -> Iterator[str]:
        yield from without_resistance(self, "resistance")

    def elements(self) -> tuple[Element, ...]:
        """A passage, one-way unless stuck open or missing, and half of the gas at each end."""
        law = flow_law(self.resistance)
        if self.state in ("stuck open", "missing"):
            both = law if self.state == "stuck open" else OPEN
            return filled_passage(both, both, gas_volume=self.gas_volume)
        opening = NEVER if self.state == "stuck closed" else self.opening_pressure
        leak = self.back_leak / _ML_PER_MIN
        return filled_passage(
            law, None, gas_volume=self.gas_volume, opening_pressure=opening, leak_conductance=leak
        )


@PARTS.member
class PeepValve(InLine):
    r"""A spring-loaded PEEP valve: gas passes from inlet to outlet only, above a threshold pressure.

    Opens and closes at once, without inertia or hysteresis. What lies behind adds to the threshold: in
    series with the PEEP of a ventilator, the lung gets the sum of both. For a fixed hole take a
    :class:`Restrictor` with the law of an orifice.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = p_o + f(\dot V)

    The default resistance is common practice, no source.

    Examples
    --------
    >>> PeepValve(opening_pressure=10.0).elements()[0].opening_pressure
    10.0
    """

    kind: ClassVar[str] = "peep valve"

    opening_pressure: Annotated[float, quantity("opening_pressure", "threshold")] = 5.0
    resistance: Annotated[float | AnyFlowLaw, _ONCE_OPEN, OR_FLOW_LAW] = 1.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0

    def _faults(self) -> Iterator[str]:
        yield from without_resistance(self, "resistance")

    def elements(self) -> tuple[Element, ...]:
        """One passage, and half of the gas at each end."""
        law = flow_law(self.resistance)
        return filled_passage(law, None, gas_volume=self.gas_volume, opening_pressure=self.opening_pressure)
