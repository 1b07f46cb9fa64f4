"""What sits at an end of the circuit to which nothing else is joined: an open end, or a cap."""

import math
from typing import Annotated, ClassVar

from ventsim.model.laws.flow import Rohrer
from ventsim.model.laws.tube_friction import AIR_DENSITY
from ventsim.model.parts.elements import Atmosphere, Element, Passage
from ventsim.model.parts.part import PARTS, Part
from ventsim.quantities import quantity
from ventsim.units import CMH2O_PA

_SI_PER_FLOW = 1e-3  # L/s to m³/s
_MILLI = 1e-3


@PARTS.member
class OpenEnd(Part):
    r"""An end that is open to the room, such as a joint that has come apart.

    Holds no gas and is the same in both directions.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    One dynamic head is lost, with the area :math:`A` of the opening:

    .. math:: \Delta p = \frac{\rho}{2 A^2} \, q |q|

    Gas that leaves loses all of its motion in the room. Gas that comes in around a thin wall that stands free
    in the room loses as much by the theory of J.-C. de Borda, in which the jet shrinks to half of the area;
    handbooks give 0.8 to 1 for it, 0.5 for a sharp edge that is flush with a wall, and less for a rounded one
    (both from memory).

    Examples
    --------
    >>> OpenEnd(bore=15.0).elements()[0].forward.pressure_drop(1.0)
    0.197
    """

    kind: ClassVar[str] = "open end"

    bore: Annotated[float, quantity("bore", "inner diameter of the opening", plausible=(2.0, 40.0))] = 22.0
    density: Annotated[float, quantity("density")] = AIR_DENSITY

    @property
    def ports(self) -> tuple[str, ...]:
        """The end."""
        return ("inlet",)

    @property
    def pressure_law(self) -> Rohrer:
        """The dynamic head that is lost."""
        area = math.pi / 4.0 * (self.bore * _MILLI) ** 2
        return Rohrer.of(0.0, self.density / 2.0 * (_SI_PER_FLOW / area) ** 2 / CMH2O_PA)

    def elements(self) -> tuple[Element, ...]:
        """A passage to the room."""
        law = self.pressure_law
        return (Passage("inlet", "room", law, law), Atmosphere("room"))


@PARTS.member
class Cap(Part):
    """A cap that closes an end. Holds no gas.

    Examples
    --------
    >>> Cap().elements()
    ()
    """

    kind: ClassVar[str] = "cap"

    @property
    def ports(self) -> tuple[str, ...]:
        """The end that is closed."""
        return ("inlet",)

    def elements(self) -> tuple[Element, ...]:
        """None: the end is an end."""
        return ()
