"""Parts that sit in line with a tube: one-way valve, restrictor and filter."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from ventsim.errors import PartError
from ventsim.model.laws.measured import measured_curve, points_fault
from ventsim.model.parts.elements import Element, FlowLaw, Passage, Rohrer
from ventsim.model.parts.measured import MeasuredDrops, MeasuredFlows
from ventsim.model.parts.part import Part, gas_stores
from ventsim.quantities import quantity
from ventsim.units import L_PER_MIN, ML_PER_L

_ML_PER_MIN = L_PER_MIN * ML_PER_L

# Opening pressure of a valve that is stuck closed: beyond what any ventilator gives. [cmH2O]
_NEVER = 1e6


class OneWayValve(Part):
    r"""A flap or disc valve that lets gas pass from inlet to outlet only.

    Opens and closes at once, without inertia or hysteresis.

    Parameters
    ----------
    opening_pressure : float, default 0.2
        Pressure difference at which it begins to open. [cmH2O]
    forward_resistance : float, default 1
        Linear resistance once open. [cmH2O·s/L]
    back_leak : float, default 0
        Flow past the seat for each unit of pressure difference, both ways. [mL/min per cmH2O]
    gas_volume : float, default 0
        Gas inside. [mL]
    flows : tuple of float or None, default None
        Flows of a measured curve, rising; with `drops` it replaces `forward_resistance`. [L/s]
    drops : tuple of float or None, default None
        Pressure lost beyond the opening pressure at each of the flows. [cmH2O]
    state : {"working", "stuck open", "stuck closed", "missing"}, default "working"
        Stuck open, the flap stays in the stream and resists both ways; missing, gas passes without
        resistance; stuck closed, only the back leak passes.

    Raises
    ------
    PartError
        If a value is impossible, or the points do not rise.

    Notes
    -----
    .. math:: \dot V = \max(0, \Delta p - p_o) / R + g\,\Delta p

    The defaults lie within what is told of 22 mm disc and flap valves: opening at 0.1 to 0.5 cmH2O, 0.5 to 2
    cmH2O at 60 L/min, back leak below 100 mL/min (common practice, no source).

    Examples
    --------
    >>> OneWayValve().elements()[0].is_one_way
    True
    """

    kind: ClassVar[str] = "one-way valve"

    opening_pressure: Annotated[float, quantity("opening_pressure", plausible=(0.0, 5.0))] = 0.2
    forward_resistance: Annotated[
        float,
        quantity("resistance", "linear resistance once open", above=0.0, at_least=None, plausible=(0.001, 50.0)),
    ] = 1.0
    back_leak: Annotated[float, quantity("back_leak")] = 0.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0

    flows: MeasuredFlows | None = None
    drops: MeasuredDrops | None = None
    state: Annotated[
        Literal["working", "stuck open", "stuck closed", "missing"],
        Field(description="whether the flap moves"),
    ] = "working"

    @model_validator(mode="after")
    def _check_points(self) -> Self:
        if self.flows is None and self.drops is None:
            return self
        fault = points_fault(self.flows or (), self.drops or ())
        if fault:
            raise PartError(f"{self.kind}: {fault}")
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def pressure_law(self) -> FlowLaw:
        """The pressure lost beyond the opening pressure while the valve is open."""
        if self.flows is not None and self.drops is not None:
            return measured_curve(self.flows, self.drops)
        return Rohrer(self.forward_resistance, 0.0)

    def elements(self) -> tuple[Element, ...]:
        """A passage, one-way unless stuck open or missing, and half of the gas at each end."""
        stores, law = gas_stores(self.gas_volume, at=self.ports), self.pressure_law
        match self.state:
            case "stuck open":
                passage = Passage("inlet", "outlet", law, law)
            case "missing":
                passage = Passage("inlet", "outlet", Rohrer(0.0, 0.0), Rohrer(0.0, 0.0))
            case _:
                passage = Passage(
                    "inlet",
                    "outlet",
                    forward=law,
                    backward=None,
                    opening_pressure=_NEVER if self.state == "stuck closed" else self.opening_pressure,
                    leak_conductance=self.back_leak / _ML_PER_MIN,
                )
        return (passage, *stores)


class Restrictor(Part):
    r"""A narrowing that is put into a limb to lower the flow to one lung.

    Holds no gas and is the same in both directions.

    Parameters
    ----------
    linear_resistance : float, default 0
        Linear part of the resistance. [cmH2O·s/L]
    quadratic_resistance : float, default 0
        Quadratic part, as of an orifice. [cmH2O·s²/L²]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = K_1 \dot V + K_2 \dot V |\dot V|

    With both at 0 it is a plain joint: a restrictor that stands fully open.

    Examples
    --------
    >>> Restrictor(linear_resistance=20.0).elements()[0].forward.pressure_drop(0.5)
    10.0
    """

    kind: ClassVar[str] = "restrictor"

    linear_resistance: Annotated[float, quantity("linear", plausible=(0.0, 2000.0))] = 0.0
    quadratic_resistance: Annotated[float, quantity("quadratic", plausible=(0.0, 10000.0))] = 0.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    def elements(self) -> tuple[Element, ...]:
        """One passage."""
        law = Rohrer(self.linear_resistance, self.quadratic_resistance)
        return (Passage("inlet", "outlet", law, law),)


class Filter(Part):
    r"""A breathing filter or heat and moisture exchanger.

    The same in both directions, and unchanged by moisture.

    Parameters
    ----------
    resistance : float, default 1
        Linear part of the resistance. [cmH2O·s/L]
    quadratic_resistance : float, default 1
        Quadratic part of the resistance. [cmH2O·s²/L²]
    gas_volume : float, default 60
        Gas inside; between Y-piece and lung it is dead space. [mL]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = K_1 \dot V + K_2 \dot V |\dot V|

    The default resistances give 2 cmH2O at 60 L/min; adult filters are told to have 1 to 3 (common practice,
    no source). Six adult filters for heat and moisture were measured to hold 55 to 92 mL; 35 to 90 mL are
    usual.

    Examples
    --------
    >>> Filter().elements()[0].forward.pressure_drop(1.0)
    2.0
    """

    kind: ClassVar[str] = "filter"

    resistance: Annotated[
        float, quantity("resistance", "linear part of the resistance", plausible=(0.0, 50.0))
    ] = 1.0
    quadratic_resistance: Annotated[float, quantity("quadratic", plausible=(0.0, 50.0))] = 1.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 300.0))] = 60.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    def elements(self) -> tuple[Element, ...]:
        """A passage, and half of the gas at each end."""
        law = Rohrer(self.resistance, self.quadratic_resistance)
        return (Passage("inlet", "outlet", law, law), *gas_stores(self.gas_volume, at=self.ports))
