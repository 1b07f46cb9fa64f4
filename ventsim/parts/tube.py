"""A breathing tube: resistance along it, gas and wall stretch at its ends."""

import math
from typing import Annotated, ClassVar

from ventsim.parts.base import Part, gas_stores
from ventsim.parts.elements import Element, Passage, Rohrer
from ventsim.parts.quantity import (
    BORE_SLIPS,
    COMPLIANCE_SLIPS,
    LENGTH_SLIPS,
    RESISTANCE_SLIPS,
    Quantity,
)
from ventsim.units import ATMOSPHERE_CMH2O

__all__ = [
    "ADULT_BORE",
    "LINEAR_PER_METRE",
    "QUADRATIC_PER_METRE",
    "WALL_COMPLIANCE_PER_METRE",
    "Tube",
]

ADULT_BORE = 22.0
"""Bore of an adult breathing tube. [mm] Nominal size of the 22 mm cone of ISO 5356-1."""

LINEAR_PER_METRE = 0.025
"""Linear resistance of one metre of smooth 22 mm tube. [cmH2O·s/L per m]

With :data:`QUADRATIC_PER_METRE` it passes through the Blasius pressure drop in dry air of 20 °C at 60 and 120
L/min (0.078 and 0.261 cmH2O per metre) to 1 %. Corrugation raises the drop two to four times (common
practice, no source).
"""

QUADRATIC_PER_METRE = 0.053
"""Quadratic resistance of one metre of smooth 22 mm tube, as for the linear one. [cmH2O·s²/L² per m]"""

WALL_COMPLIANCE_PER_METRE = 0.3
"""Wall stretch of one metre of corrugated 22 mm tube. [mL/cmH2O per m]

Common practice, no source. Chosen so that two limbs of 1.5 m, with their gas, store 2.0 mL/cmH2O, inside the
1.5 to 2.5 mL/cmH2O measured on three adult circuits (Respiratory Care 39(8), 1994, DOI
10.1177/193336549403900803 as printed).
"""


class Tube(Part):
    r"""A straight tube of constant bore.

    Gas moves without inertia; the stored gas is split evenly between the two ends.

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
        If neither resistance is given, both follow from length and bore; if only one is given, the other is
        0.
    gas_volume : float or None, default None
        Gas inside; None: cross-section times length. [mL]
    wall_compliance : float or None, default None
        Stretch of the whole wall; None: from length and bore. [mL/cmH2O]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = K_1 \dot V + K_2 \dot V |\dot V|, \qquad C = V / p_\mathrm{atm} + C_\mathrm{wall}

    From length :math:`L` and bore :math:`D`, with the figures for one metre of 22 mm tube:
    :math:`K_1 = k_1 L (22/D)^4`, :math:`K_2 = k_2 L (22/D)^5`, :math:`C_\mathrm{wall} = c L (D/22)^2`, the
    last as if each wall stretched in proportion to the gas it holds. Smooth wall; rough guide for bores of 10
    to 30 mm.

    References
    ----------
    .. [1] Poiseuille's law (fourth power of the bore) and the law of rough turbulent flow (fifth power); the
       wall's scaling is common practice, no source.

    Examples
    --------
    >>> tube = Tube(length=1.5)
    >>> tube.stored_compliance
    1.002
    >>> Tube(length=0.0, resistance=8.0).stored_compliance
    0.0
    """

    kind: ClassVar[str] = "tube"

    length: Annotated[
        float,
        Quantity(unit="m", meaning="length", at_least=0.0, plausible=(0.0, 10.0), slips=LENGTH_SLIPS),
    ]
    bore: Annotated[
        float,
        Quantity(unit="mm", meaning="inner diameter", above=0.0, plausible=(2.5, 40.0), slips=BORE_SLIPS),
    ] = ADULT_BORE
    resistance: (
        Annotated[
            float,
            Quantity(
                unit="cmH2O·s/L",
                meaning="linear resistance of the whole tube; None: from length and bore",
                at_least=0.0,
                plausible=(0.0, 300.0),
                slips=RESISTANCE_SLIPS,
            ),
        ]
        | None
    ) = None
    quadratic_resistance: (
        Annotated[
            float,
            Quantity(
                unit="cmH2O·s²/L²",
                meaning="quadratic resistance of the whole tube; None: from length and bore",
                at_least=0.0,
                plausible=(0.0, 1000.0),
            ),
        ]
        | None
    ) = None
    gas_volume: (
        Annotated[
            float,
            Quantity(
                unit="mL",
                meaning="gas inside; None: cross-section times length",
                at_least=0.0,
                plausible=(0.0, 5000.0),
            ),
        ]
        | None
    ) = None
    wall_compliance: (
        Annotated[
            float,
            Quantity(
                unit="mL/cmH2O",
                meaning="stretch of the whole wall; None: from length and bore",
                at_least=0.0,
                plausible=(0.0, 20.0),
                slips=COMPLIANCE_SLIPS,
            ),
        ]
        | None
    ) = None

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def pressure_law(self) -> Rohrer:
        """The resistances in use, given or from length and bore."""
        if self.resistance is None and self.quadratic_resistance is None:
            ratio = ADULT_BORE / self.bore
            return Rohrer(
                LINEAR_PER_METRE * self.length * ratio**4, QUADRATIC_PER_METRE * self.length * ratio**5
            )
        return Rohrer(self.resistance or 0.0, self.quadratic_resistance or 0.0)

    @property
    def contained_volume(self) -> float:
        """Gas inside at atmospheric pressure, given or from length and bore. [mL]"""
        if self.gas_volume is not None:
            return self.gas_volume
        return math.pi / 4.0 * self.bore**2 * self.length  # mm² times m is mL

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
        """A passage, and half of the storage at each end."""
        law = self.pressure_law
        stores = gas_stores(self.contained_volume, at=self.ports, wall_compliance=self.wall_stretch)
        return (Passage("inlet", "outlet", law, law), *stores)
