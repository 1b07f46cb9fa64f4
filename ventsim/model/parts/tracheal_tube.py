"""The tube in a patient's trachea."""

from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from ventsim.errors import PartError
from ventsim.model.laws.gas_fields import GasDensity, GasViscosity
from ventsim.model.laws.measured import LARGEST_FLOW, tube_law
from ventsim.model.laws.tracheal import TRACHEAL_LOSS_COEFFICIENT, tracheal_tube_length
from ventsim.model.laws.tube_friction import (
    AIR_DENSITY,
    AIR_VISCOSITY,
    power_law_pressure_drop,
    tube_inertance,
    tube_volume,
)
from ventsim.model.parts.elements import Curve, Element, FlowLaw, Inertia, Passage, Rohrer
from ventsim.model.parts.part import Part, gas_stores
from ventsim.quantities import quantity

_Coefficient = Annotated[
    float,
    quantity("coefficient", "pressure drop at 1 L/s of a power law (in expiration None: as in inspiration)"),
]
_Exponent = Annotated[
    float,
    quantity(
        "exponent",
        "exponent of the flow of a power law (in expiration None: as in inspiration)",
        plausible=(1.5, 2.0),
    ),
]


class TrachealTube(Part):
    r"""A tracheal or tracheostomy tube with its slip joint.

    Its wall is smooth and stiff, its bend is neglected. Inspiration flows from inlet to outlet.

    Parameters
    ----------
    inner_diameter : float
        Size, the inner diameter when clean. [mm]
    length : float or None, default None
        Length; None: usual for the size. [m]
    obstructed_fraction : float, default 0
        Share of the inner diameter that secretions take. [1]
    loss_coefficient : float, default 1.5
        Dynamic heads lost at both ends and the slip joint together. [1]
    expiratory_loss_coefficient : float or None, default None
        The same in expiration; None: as in inspiration. [1]
    resistance : float or None, default None
        Linear resistance, as measured. [cmH2O·s/L]
    quadratic_resistance : float or None, default None
        Quadratic resistance, as measured. [cmH2O·s²/L²]
    power_coefficient : float or None, default None
        Pressure drop at 1 L/s of a power law, as measured. [cmH2O·(s/L)ⁿ]
    power_exponent : float or None, default None
        Exponent of the flow of that law. [1]
    expiratory_power_coefficient : float or None, default None
        The coefficient in expiration; None: as in inspiration. [cmH2O·(s/L)ⁿ]
    expiratory_power_exponent : float or None, default None
        The exponent in expiration; None: as in inspiration. [1]
    density : float, default 1.204
        Density of the gas. [kg/m³]
    viscosity : float, default 18.21
        Viscosity of the gas. [µPa·s]
    inertia : bool, default False
        Whether the gas in the tube has to be accelerated.

    Raises
    ------
    PartError
        If a value is impossible, both kinds of measured coefficients are given, or one of a pair is missing.

    Notes
    -----
    If neither resistance nor power is given, the law is :func:`ventsim.parts.tracheal_tube_pressure_drop`.
    Measured coefficients hold for the tube as it was measured: obstructed_fraction, heads and gas do not change them.
    Two coefficients for each direction are usual because the drop differs between inspiration and
    expiration [1]_.

    References
    ----------
    .. [1] J. Guttmann et al., Anesthesiology 79 (1993) 503-513 (abstract).

    Examples
    --------
    >>> float(TrachealTube(inner_diameter=8.0).inspiratory_law.pressure_drop(1.0))
    6.78
    >>> TrachealTube(inner_diameter=8.0).contained_volume
    16.6
    """

    kind: ClassVar[str] = "tracheal tube"

    inner_diameter: Annotated[float, quantity("inner_diameter")]
    length: (
        Annotated[float, quantity("length", "length; None: usual for the size", plausible=(0.05, 0.45))] | None
    ) = None
    obstructed_fraction: Annotated[
        float, quantity("obstructed_fraction", "share of the inner diameter that secretions take")
    ] = 0.0
    loss_coefficient: Annotated[
        float, quantity("loss_coefficient", "dynamic heads lost at ends and joint", plausible=(0.0, 5.0))
    ] = TRACHEAL_LOSS_COEFFICIENT
    expiratory_loss_coefficient: (
        Annotated[float, quantity("expiratory_loss_coefficient", plausible=(0.0, 5.0))] | None
    ) = None
    resistance: (
        Annotated[
            float,
            quantity("resistance", "linear resistance as measured; None: from the size", plausible=(0.0, 300.0)),
        ]
        | None
    ) = None
    quadratic_resistance: (
        Annotated[
            float,
            quantity(
                "quadratic", "quadratic resistance as measured; None: from the size", plausible=(0.0, 2000.0)
            ),
        ]
        | None
    ) = None
    power_coefficient: _Coefficient | None = None
    power_exponent: _Exponent | None = None
    expiratory_power_coefficient: _Coefficient | None = None
    expiratory_power_exponent: _Exponent | None = None
    density: GasDensity = AIR_DENSITY
    viscosity: GasViscosity = AIR_VISCOSITY
    inertia: Annotated[bool, Field(description="whether the gas in the tube has to be accelerated")] = False

    @model_validator(mode="after")
    def _check_coefficients(self) -> Self:
        power, expiratory = self._power, self._expiratory_power
        if (power[0] is None) != (power[1] is None) or (expiratory[0] is None) != (expiratory[1] is None):
            raise PartError(
                f"{self.kind}: a power law needs both its coefficient and its exponent.\n"
                "  Give power_coefficient and power_exponent together, and likewise those of expiration."
            )
        if expiratory[0] is not None and power[0] is None:
            raise PartError(
                f"{self.kind}: expiratory_power_coefficient is given without power_coefficient.\n"
                "  Give the pair of inspiration too."
            )
        if power[0] is not None and not (self.resistance is None and self.quadratic_resistance is None):
            raise PartError(
                f"{self.kind}: a power law and resistances are given at once.\n"
                "  Give power_coefficient with power_exponent, or resistance and quadratic_resistance."
            )
        return self

    @property
    def ports(self) -> tuple[str, ...]:
        """The slip joint and the end in the trachea."""
        return ("inlet", "outlet")

    @property
    def tube_length(self) -> float:
        """Length, given or usual for the size. [m]"""
        return tracheal_tube_length(self.inner_diameter) if self.length is None else self.length

    @property
    def open_bore(self) -> float:
        """Inner diameter that secretions leave open. [mm]"""
        return self.inner_diameter * (1.0 - self.obstructed_fraction)

    @property
    def contained_volume(self) -> float:
        """Gas inside at atmospheric pressure. [mL]"""
        return tube_volume(self.open_bore, self.tube_length)

    @property
    def inspiratory_law(self) -> FlowLaw:
        """Pressure drop while gas flows towards the lung."""
        return self._law(self._power, self.loss_coefficient)

    @property
    def expiratory_law(self) -> FlowLaw:
        """Pressure drop while gas flows away from the lung."""
        power = self._power if self.expiratory_power_coefficient is None else self._expiratory_power
        heads = self.expiratory_loss_coefficient
        return self._law(power, self.loss_coefficient if heads is None else heads)

    def elements(self) -> tuple[Element, ...]:
        """A passage, with inertia behind it if asked for, and half of the gas at each end."""
        stores = gas_stores(self.contained_volume, at=self.ports)
        inertance = tube_inertance(self.open_bore, self.tube_length, density=self.density)
        if not self.inertia or inertance == 0.0:
            return (Passage("inlet", "outlet", self.inspiratory_law, self.expiratory_law), *stores)
        friction = Passage("inlet", "middle", self.inspiratory_law, self.expiratory_law)
        return (friction, Inertia("middle", "outlet", inertance), *stores)

    @property
    def _power(self) -> tuple[float | None, float | None]:
        return (self.power_coefficient, self.power_exponent)

    @property
    def _expiratory_power(self) -> tuple[float | None, float | None]:
        return (self.expiratory_power_coefficient, self.expiratory_power_exponent)

    def _law(self, power: tuple[float | None, float | None], loss_coefficient: float) -> FlowLaw:
        coefficient, exponent = power
        if coefficient is not None and exponent is not None:
            if exponent in (1.0, 2.0):
                return Rohrer(*((coefficient, 0.0) if exponent == 1.0 else (0.0, coefficient)))
            return Curve(
                power_law_pressure_drop, (("coefficient", coefficient), ("exponent", exponent)), LARGEST_FLOW
            )
        if self.resistance is not None or self.quadratic_resistance is not None:
            return Rohrer(self.resistance or 0.0, self.quadratic_resistance or 0.0)
        return tube_law(
            bore=self.open_bore,
            length=self.tube_length,
            density=self.density,
            viscosity=self.viscosity,
            loss_coefficient=loss_coefficient,
        )
