"""Fields that parts with a law from geometry share: the gas inside."""

from typing import Annotated

from ventsim.quantities import quantity

GasDensity = Annotated[
    float,
    quantity("density", plausible=(0.5, 2.0)),
]
"""Density of the gas inside a part."""

GasViscosity = Annotated[
    float,
    quantity("viscosity", plausible=(10.0, 30.0)),
]
"""Viscosity of the gas inside a part."""
