"""Fields that parts with a law from geometry share: the gas inside."""

from typing import Annotated

from ventsim.quantities import Quantity

GasDensity = Annotated[
    float,
    Quantity(
        unit="kg/m³",
        meaning="density of the gas (default: dry air of 20 °C)",
        above=0.0,
        plausible=(0.5, 2.0),
        slips=(("g/m³", 1e-3), ("g/cm³", 1e3)),
    ),
]
"""Density of the gas inside a part."""

GasViscosity = Annotated[
    float,
    Quantity(
        unit="µPa·s",
        meaning="viscosity of the gas (default: dry air of 20 °C)",
        above=0.0,
        plausible=(10.0, 30.0),
        slips=(("Pa·s", 1e6), ("mPa·s", 1e3)),
    ),
]
"""Viscosity of the gas inside a part."""
