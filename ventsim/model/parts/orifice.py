"""A restrictor that is a hole of known size."""

from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from ventsim.errors import PartError
from ventsim.model.laws.gas_fields import GasDensity
from ventsim.model.laws.orifice import DISCHARGE_COEFFICIENT, Edge, orifice_coefficient
from ventsim.model.laws.tube_friction import AIR_DENSITY
from ventsim.model.parts.elements import Element, Passage, Rohrer
from ventsim.model.parts.part import Part
from ventsim.quantities import quantity


class Orifice(Part):
    r"""A wall with a round hole across a tube: a restrictor, or a fixed-orifice PEEP valve.

    Holds no gas and is the same in both directions. The law is for turbulent flow in the hole.

    Parameters
    ----------
    bore : float
        Diameter of the hole as designed, at most `tube_bore`. [mm]
    tube_bore : float, default 22
        Inner diameter of the tube before and behind. [mm]
    edge : {"thin", "thick"}, default "thick"
        Sharp edge much thinner than the hole is wide, or a hole at least as long as it is wide.
    bore_deviation : float, default 0
        True diameter minus `bore`. [mm]
    discharge_coefficient : float, default 0.61
        Real over ideal flow; thin edge only. [1]
    density : float, default 1.204
        Density of the gas. [kg/m³]

    Raises
    ------
    PartError
        If a value is impossible, or the true hole is wider than the tube or closed.

    Notes
    -----
    .. math:: \Delta p = K \dot V |\dot V|

    with the coefficient of :func:`ventsim.parts.orifice_coefficient`. A hole that is made is rarely as wide
    as drawn: printed holes of nominally 2, 3 and 4 mm measured 1.38 to 1.94, 2.24 to 2.95 and 3.48 to 3.99
    mm [1]_. Calibrate each one; until then :func:`ventsim.parts.printed_bore` tells what to expect. The edge is
    thick by default for the reason given at :func:`ventsim.parts.orifice_coefficient`.

    References
    ----------
    .. [1] D. J. Duke et al., 3D Printing in Medicine 8 (2022), DOI 10.1186/s41205-021-00129-1, table 6.

    Examples
    --------
    >>> Orifice(bore=5.0).elements()[0].forward.pressure_drop(1.0)
    21.9
    """

    kind: ClassVar[str] = "orifice"

    bore: Annotated[float, quantity("bore", "diameter of the hole as designed", plausible=(1.0, 30.0))]
    tube_bore: Annotated[float, quantity("tube_bore")] = 22.0
    edge: Annotated[Edge, Field(description="form of the hole")] = "thick"
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0
    discharge_coefficient: Annotated[float, quantity("discharge_coefficient")] = DISCHARGE_COEFFICIENT
    density: GasDensity = AIR_DENSITY

    @model_validator(mode="after")
    def _check_bore(self) -> Self:
        if not 0.0 < self.true_bore <= self.tube_bore:
            size = f"bore {self.bore:.6g} mm"
            if self.bore_deviation:
                size += f" with bore_deviation {self.bore_deviation:.6g} mm"
            raise PartError(
                f"{self.kind}: {size} does not fit a tube_bore of {self.tube_bore:.6g} mm.\n"
                f"  Allowed: together above 0 and at most {self.tube_bore:.6g} mm. "
                "Correct the bore or the tube_bore."
            )
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def true_bore(self) -> float:
        """Diameter of the hole as it is. [mm]"""
        return self.bore + self.bore_deviation

    @property
    def pressure_law(self) -> Rohrer:
        """The quadratic resistance of the hole."""
        coefficient = orifice_coefficient(
            self.true_bore,
            tube_bore=self.tube_bore,
            edge=self.edge,
            density=self.density,
            discharge_coefficient=self.discharge_coefficient,
        )
        return Rohrer(0.0, coefficient)

    def elements(self) -> tuple[Element, ...]:
        """One passage."""
        return (Passage("inlet", "outlet", self.pressure_law, self.pressure_law),)
