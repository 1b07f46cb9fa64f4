"""A breathing tube: resistance along it, gas and wall stretch at its ends."""

from typing import Annotated, ClassVar

from pydantic import Field

from ventsim.model.laws.gas_fields import GasDensity, GasViscosity
from ventsim.model.laws.measured import tube_law
from ventsim.model.laws.tube_friction import (
    AIR_DENSITY,
    AIR_VISCOSITY,
    CORRUGATION_FACTOR,
    Wall,
    tube_inertance,
    tube_volume,
)
from ventsim.model.parts.elements import Element, FlowLaw, Inertia, Passage, Rohrer
from ventsim.model.parts.part import Part, gas_stores
from ventsim.quantities import quantity
from ventsim.units import ATMOSPHERE_CMH2O

ADULT_BORE = 22.0
"""Bore of an adult breathing tube. [mm] Nominal size of the 22 mm cone of ISO 5356-1."""

WALL_COMPLIANCE_PER_METRE = 0.3
"""Wall stretch of one metre of corrugated 22 mm tube. [mL/cmH2O per m]

Common practice, no source. Chosen so that two limbs of 1.5 m, with their gas, store 2.0 mL/cmH2O, inside the
1.5 to 2.5 mL/cmH2O measured on three adult circuits (Respiratory Care 39(8), 1994, DOI
10.1177/193336549403900803 as printed).
"""


class Tube(Part):
    r"""A straight tube of constant bore.

    The stored gas is split evenly between the two ends.

    Parameters
    ----------
    length : float
        Length. [m]
    bore : float, default 22
        Inner diameter. [mm]
    resistance : float or None, default None
        Linear resistance of the whole tube. [cmH2O·s/L]
    quadratic_resistance : float or None, default None
        Quadratic resistance of the whole tube. [cmH2O·s²/L²]
        If neither resistance is given, the pressure drop follows from the geometry; if only one is given, the
        other is 0. A given resistance is that of the whole tube, whatever its wall, heads and gas.
    gas_volume : float or None, default None
        Gas inside; None: cross-section times length. [mL]
    wall_compliance : float or None, default None
        Stretch of the whole wall; None: from length and bore. [mL/cmH2O]
    wall : {"corrugated", "smooth"}, default "corrugated"
        What the wall is like inside.
    corrugation_factor : float, default 2
        Turbulent friction of a corrugated wall over that of a smooth one (two to four is usual, from
        memory). [1]
    loss_coefficient : float, default 0
        Dynamic heads lost at entrance, bends and exit together. [1]
    density : float, default 1.204
        Density of the gas. [kg/m³]
    viscosity : float, default 18.21
        Viscosity of the gas. [µPa·s]
    inertia : bool, default False
        Whether the gas in the tube has to be accelerated.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: C = V / p_\mathrm{atm} + C_\mathrm{wall}, \qquad C_\mathrm{wall} = c L (D/22)^2

    The wall scales as if each stretched in proportion to the gas it holds; rough guide for bores of 10 to
    30 mm. The pressure drop by geometry is :func:`ventsim.parts.tube_pressure_drop`: laminar, then
    turbulent after Blasius, with a smooth blend between.

    References
    ----------
    .. [1] For the pressure drop see there; the wall's scaling is common practice, no source.

    Examples
    --------
    >>> tube = Tube(length=1.5)
    >>> tube.stored_compliance
    1.002
    >>> Tube(length=0.0, resistance=8.0).stored_compliance
    0.0
    """

    kind: ClassVar[str] = "tube"

    length: Annotated[float, quantity("length", plausible=(0.0, 10.0))]
    bore: Annotated[float, quantity("bore", plausible=(2.5, 40.0))] = ADULT_BORE
    resistance: (
        Annotated[
            float,
            quantity(
                "resistance",
                "linear resistance of the whole tube; None: from length and bore",
                plausible=(0.0, 300.0),
            ),
        ]
        | None
    ) = None
    quadratic_resistance: (
        Annotated[
            float,
            quantity(
                "quadratic",
                "quadratic resistance of the whole tube; None: from length and bore",
                plausible=(0.0, 1000.0),
            ),
        ]
        | None
    ) = None
    gas_volume: (
        Annotated[
            float, quantity("gas_volume", "gas inside; None: cross-section times length", plausible=(0.0, 5000.0))
        ]
        | None
    ) = None
    wall_compliance: Annotated[float, quantity("wall_compliance")] | None = None

    wall: Annotated[Wall, Field(description="what the wall is like inside")] = "corrugated"
    corrugation_factor: Annotated[float, quantity("corrugation_factor")] = CORRUGATION_FACTOR
    loss_coefficient: Annotated[float, quantity("loss_coefficient")] = 0.0
    density: GasDensity = AIR_DENSITY
    viscosity: GasViscosity = AIR_VISCOSITY
    inertia: Annotated[bool, Field(description="whether the gas in the tube has to be accelerated")] = False

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def pressure_law(self) -> FlowLaw:
        """The pressure drop in use, by given resistances or by geometry."""
        if self.resistance is not None or self.quadratic_resistance is not None:
            return Rohrer(self.resistance or 0.0, self.quadratic_resistance or 0.0)
        return tube_law(
            bore=self.bore,
            length=self.length,
            density=self.density,
            viscosity=self.viscosity,
            loss_coefficient=self.loss_coefficient,
            wall=self.wall,
            corrugation_factor=self.corrugation_factor,
        )

    @property
    def contained_volume(self) -> float:
        """Gas inside at atmospheric pressure, given or from length and bore. [mL]"""
        return tube_volume(self.bore, self.length) if self.gas_volume is None else self.gas_volume

    @property
    def inertance(self) -> float:
        """Pressure for each unit of acceleration, from length and bore; 0 without inertia. [cmH2O·s²/L]"""
        return tube_inertance(self.bore, self.length, density=self.density) if self.inertia else 0.0

    @property
    def wall_stretch(self) -> float:
        """Compliance of the wall, given or from length and bore. [mL/cmH2O]"""
        if self.wall_compliance is not None:
            return self.wall_compliance
        return WALL_COMPLIANCE_PER_METRE * self.length * (self.bore / ADULT_BORE) ** 2

    @property
    def stored_compliance(self) -> float:
        """Volume taken up for each unit of pressure, by compression of the gas and by the wall. [mL/cmH2O]"""
        return self.contained_volume / ATMOSPHERE_CMH2O + self.wall_stretch

    def elements(self) -> tuple[Element, ...]:
        """A passage, with inertia behind it if asked for, and half of the storage at each end."""
        law = self.pressure_law
        stores = gas_stores(self.contained_volume, at=self.ports, wall_compliance=self.wall_stretch)
        if self.inertance == 0.0:
            return (Passage("inlet", "outlet", law, law), *stores)
        return (Passage("inlet", "middle", law, law), Inertia("middle", "outlet", self.inertance), *stores)
