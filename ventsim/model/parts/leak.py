"""A leak to the atmosphere."""

from typing import Annotated, ClassVar, Self

from pydantic import model_validator

from ventsim.errors import PartError
from ventsim.model.parts.elements import Atmosphere, Element, Passage, Rohrer
from ventsim.model.parts.part import Part
from ventsim.quantities import quantity


class Leak(Part):
    r"""A hole in the way of the gas, such as a cuff that does not seal or a loose joint.

    Sits between two other parts without a resistance of its own to what passes by; holds no gas.

    Parameters
    ----------
    linear_resistance : float, default 0
        Linear part of the resistance of the hole. [cmH2O·s/L]
    quadratic_resistance : float, default 0
        Quadratic part of the resistance of the hole. [cmH2O·s²/L²]

    Raises
    ------
    PartError
        If a value is impossible, or both are 0.

    Notes
    -----
    The flow :math:`q` to the atmosphere follows from the pressure in the circuit as

    .. math:: p = K_1 q + K_2 q |q|

    Where the pressure falls below that of the atmosphere, air comes in by the same law.

    Examples
    --------
    >>> Leak(linear_resistance=200.0).elements()[1].forward.pressure_drop(0.05)
    10.0
    """

    kind: ClassVar[str] = "leak"

    linear_resistance: Annotated[float, quantity("linear", "linear part of the resistance of the hole")] = 0.0
    quadratic_resistance: Annotated[
        float, quantity("quadratic", "quadratic part of the resistance of the hole")
    ] = 0.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.linear_resistance == 0.0 and self.quadratic_resistance == 0.0:
            raise PartError(
                f"{self.kind}: without resistance the hole would hold the circuit at atmospheric pressure.\n"
                "  Give linear_resistance in cmH2O·s/L or quadratic_resistance in cmH2O·s²/L² above 0; without "
                "a leak, leave the part out."
            )
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    def elements(self) -> tuple[Element, ...]:
        """An open way from end to end, and the hole."""
        way, hole = Rohrer(0.0, 0.0), Rohrer(self.linear_resistance, self.quadratic_resistance)
        return (
            Passage("inlet", "outlet", way, way),
            Passage("inlet", "outside", hole, hole),
            Atmosphere("outside"),
        )
