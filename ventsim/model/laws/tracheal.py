"""Laws of flow through tracheal tubes: usual lengths, obstruction by secretions, pressure drop by size."""

from types import MappingProxyType

import numpy as np

from ventsim.model.laws.tube_friction import AIR_DENSITY, AIR_VISCOSITY, TubeFriction
from ventsim.quantities import check

TRACHEAL_LOSS_COEFFICIENT = 1.5
"""Dynamic heads lost at entrance and exit of a tracheal tube. [1]

About 0.5 for the contraction and 1 for the expansion into the trachea (textbooks, from memory).
"""

TRACHEAL_TUBE_LENGTHS = MappingProxyType(
    {
        2.5: 0.12,
        4.0: 0.12,
        6.0: 0.29,
        6.5: 0.30,
        7.0: 0.31,
        7.5: 0.31,
        8.0: 0.33,
        9.0: 0.33,
    }
)
"""Usual length [m] by inner diameter [mm].

From 6 mm the length of an uncut tube (from memory). Up to 4 mm the 12 cm of a bench test of tubes for
newborns (Oca et al., Respir Care 47 (2002) 994-997, abstract). A tube that was cut is shorter: give its own
length.
"""


def tracheal_tube_length(inner_diameter: float) -> float:
    """Usual length of a tracheal tube by its size.

    Between two sizes of :data:`TRACHEAL_TUBE_LENGTHS` the length is interpolated, beyond them it stays.

    Parameters
    ----------
    inner_diameter : float
        Size. [mm]

    Returns
    -------
    float
        Length. [m]

    Raises
    ------
    InputError
        If the size is impossible.

    Examples
    --------
    >>> tracheal_tube_length(8.0)
    0.33
    """
    check("tracheal_tube_length", {"inner_diameter": inner_diameter}, warn=False)
    return float(np.interp(inner_diameter, list(TRACHEAL_TUBE_LENGTHS), list(TRACHEAL_TUBE_LENGTHS.values())))


def tracheal_tube_friction(
    inner_diameter: float,
    *,
    length: float | None = None,
    obstructed_fraction: float = 0.0,
    loss_coefficient: float = TRACHEAL_LOSS_COEFFICIENT,
    density: float = AIR_DENSITY,
    viscosity: float = AIR_VISCOSITY,
) -> TubeFriction:
    r"""Flow law of a tracheal tube from its size.

    Parameters
    ----------
    inner_diameter : float
        Size, the inner diameter when clean. [mm]
    length : float or None, default None
        Length; None: usual for the size. [m]
    obstructed_fraction : float, default 0
        Part of the inner diameter that secretions take. [1]
    loss_coefficient : float, default 1.5
        Dynamic heads lost at ends and joint. [1]
    density : float, default 1.204
        Density of the gas. [kg/m³]
    viscosity : float, default 18.21
        Viscosity of the gas. [µPa·s]

    Returns
    -------
    TubeFriction
        Of a smooth tube of the open bore.

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = \Big(f(\mathrm{Re}) \frac{L}{D} + \sum K\Big) \frac{\rho}{2} V^2, \qquad
        D = (1 - n) D_0

    At 30 L/min in dry air it differs by -8, -6, -7, +3 and +1 % from 6.64, 4.62, 3.43, 2.30 and 1.82 cmH2O
    measured on tubes of 6 to 8 mm [1]_, of which the slip joint took 2.25, 1.33, 0.88, 0.58 and 0.37 (1.2
    to 0.6 dynamic heads, part of the 1.5). Expect 25 % on any one tube. Around 0.25 L/s, in the transition
    to turbulence, it may be more: there the smooth blend lies up to a fifth below the turbulent formula,
    which a disturbed entrance brings nearer. Over a stay, secretions took 1.5 to 6.5 % of the inner
    diameter [2]_; 6.5 % raise the drop 1.3 to 1.4 times.

    References
    ----------
    .. [1] K. Futagawa et al., BMC Anesthesiol (2017), DOI 10.1186/s12871-017-0432-1 (abstract).
    .. [2] Anesthesiology 85 (1996) 1341-1349 (abstract).

    Examples
    --------
    >>> float(tracheal_tube_friction(8.0).pressure_drop(1.0))
    6.78
    """
    values = {"inner_diameter": inner_diameter, "obstructed_fraction": obstructed_fraction}
    check("tracheal_tube_friction", values, warn=False)
    return TubeFriction(
        bore=inner_diameter * (1.0 - obstructed_fraction),
        length=tracheal_tube_length(inner_diameter) if length is None else length,
        wall="smooth",
        loss_coefficient=loss_coefficient,
        density=density,
        viscosity=viscosity,
    )
