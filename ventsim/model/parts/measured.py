"""A part that is known by points of pressure drop against flow, measured on a bench."""

from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from ventsim.errors import PartError
from ventsim.model.laws.measured import measured_curve, points_fault
from ventsim.model.parts.elements import Curve, Element, Passage
from ventsim.model.parts.part import Part, gas_stores
from ventsim.quantities import quantity

MeasuredFlows = Annotated[
    tuple[float, ...],
    quantity("flows"),
]
"""Flows of the points."""

MeasuredDrops = Annotated[
    tuple[float, ...],
    quantity("pressure_drops"),
]
"""Pressure drops of the points."""


class MeasuredPart(Part):
    """Anything in line whose pressure drop was measured at some flows.

    Without a hysteresis, and steady: the same curve whether flow rises or falls.

    Parameters
    ----------
    flows : tuple of float
        Measured flows, at least two, rising, without the point of rest. [L/s]
    drops : tuple of float
        Pressure drop at each of the flows, rising. [cmH2O]
    one_way : bool, default False
        Whether gas passes from inlet to outlet only; otherwise the part is the same in both directions.
    opening_pressure : float, default 0
        Pressure difference at which a one-way part begins to open; the drops are what is lost beyond it.
        [cmH2O]
    gas_volume : float, default 0
        Gas inside. [mL]

    Raises
    ------
    PartError
        If a value is impossible, the points do not rise, or a part that is not one-way has an opening
        pressure.

    Notes
    -----
    Exact at the points; between and beyond them see :func:`ventsim.parts.tabulated_pressure_drop`.

    Examples
    --------
    >>> gate = MeasuredPart(flows=(0.25, 0.5, 1.0), drops=(2.0, 7.0, 25.0))
    >>> float(gate.pressure_law.pressure_drop(0.5))
    7.0
    """

    kind: ClassVar[str] = "measured part"

    flows: MeasuredFlows
    drops: MeasuredDrops
    one_way: Annotated[bool, Field(description="whether gas passes from inlet to outlet only")] = False
    opening_pressure: Annotated[
        float, quantity("opening_pressure", "pressure difference at which a one-way part begins to open")
    ] = 0.0
    gas_volume: Annotated[float, quantity("gas_volume")] = 0.0

    @model_validator(mode="after")
    def _check_points(self) -> Self:
        fault = points_fault(self.flows, self.drops)
        if fault:
            raise PartError(f"{self.kind}: {fault}")
        if self.opening_pressure > 0.0 and not self.one_way:
            raise PartError(
                f"{self.kind}: opening_pressure {self.opening_pressure:.6g} cmH2O has no meaning for a part "
                "that is open both ways.\n  Leave opening_pressure out, or set one_way=True."
            )
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def pressure_law(self) -> Curve:
        """The curve through the points."""
        return measured_curve(self.flows, self.drops)

    def elements(self) -> tuple[Element, ...]:
        """A passage, and half of the gas at each end."""
        law = self.pressure_law
        passage = Passage(
            "inlet", "outlet", law, None if self.one_way else law, opening_pressure=self.opening_pressure
        )
        return (passage, *gas_stores(self.gas_volume, at=self.ports))
