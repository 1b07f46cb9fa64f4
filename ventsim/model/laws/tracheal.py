"""Laws of flow through tracheal tubes: usual lengths and bends, secretions, pressure drop by size."""

from types import MappingProxyType

import numpy as np

from ventsim.model.laws.tube_friction import AIR_DENSITY, AIR_VISCOSITY, TubeFriction
from ventsim.parameters import public
from ventsim.quantities import check

TRACHEAL_LOSS_COEFFICIENT = 1.5
"""Dynamic heads lost at entrance and exit of a tracheal tube. [1]

About 0.5 for the contraction and 1 for the expansion into the trachea (textbooks, from memory).
"""

TRACHEAL_TUBE_LENGTHS = MappingProxyType(
    {2.5: 0.12, 4.0: 0.20, 5.0: 0.24, 6.0: 0.29, 6.5: 0.30, 7.0: 0.31, 7.5: 0.31, 8.0: 0.33, 9.0: 0.33}
)
"""Usual length [m] by inner diameter [mm].

From 4 mm the length of an uncut tube (from memory). At 2.5 mm the 12 cm of a bench test of tubes for newborns of
2.5 to 4 mm (Oca et al., Respir Care 47 (2002) 994-997, abstract). A tube that was cut is shorter: give its own
length.
"""

TRACHEAL_BEND_RADIUS = 0.14
"""Radius of the bend in which a tracheal tube is made. [m]

The 140 mm of ISO 5361 (from memory).
"""

LARGEST_BENT_SIZE = 7.0
"""Size up to which the bend is counted by default. [mm]

The largest of the tubes of 2.5 to 7 mm whose laminar flow was found to follow Ito's law of curved tubes
(P.-H. Jarreau et al., J Appl Physiol 87 (1999) 36-46, abstract).
"""


@public
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


@public
def tracheal_tube_curvature(inner_diameter: float) -> float:
    """Usual curvature of a tracheal tube by its size.

    One over :data:`TRACHEAL_BEND_RADIUS` up to 7 mm, 0 above, as :func:`tracheal_tube_friction` explains.

    Parameters
    ----------
    inner_diameter : float
        Size. [mm]

    Returns
    -------
    float
        One over the radius of the bend. [1/m]

    Raises
    ------
    InputError
        If the size is impossible.

    Examples
    --------
    >>> tracheal_tube_curvature(3.0), tracheal_tube_curvature(8.0)
    (7.14, 0.0)
    """
    check("tracheal_tube_curvature", {"inner_diameter": inner_diameter}, warn=False)
    return 1.0 / TRACHEAL_BEND_RADIUS if inner_diameter <= LARGEST_BENT_SIZE else 0.0


@public
def tracheal_tube_friction(
    inner_diameter: float,
    *,
    length: float | None = None,
    curvature: float | None = None,
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
    curvature : float or None, default None
        One over the radius of the bend; 0: straight; None: usual for the size. [1/m]
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
        Of a smooth, bent tube of the open bore.

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

    The bend raises laminar friction alone. Tubes of 2.5 to 3.5 mm follow Ito's law of laminar flow in bends, those
    of 4 to 7 mm follow it while laminar and Blasius' formula when turbulent [3]_, adult tubes follow Blasius'
    [4]_, and in children's tubes curvature had no effect [5]_. So sizes to 7 mm are bent by default, and from Re
    4000 no curvature counts. For 2.5 and 3.5 mm another bench found resistance in proportion to flow even at low
    flow [6]_: measure where it matters. That a tube a quarter shorter lost 14 % less [5]_ agrees
    with the shares of friction and heads here (see the tests).

    References
    ----------
    .. [1] K. Futagawa et al., BMC Anesthesiol (2017), DOI 10.1186/s12871-017-0432-1 (abstract).
    .. [2] Anesthesiology 85 (1996) 1341-1349 (abstract).
    .. [3] P.-H. Jarreau et al., J Appl Physiol 87 (1999) 36-46 (abstract).
    .. [4] F. Lofaso et al., Am Rev Respir Dis 146 (1992) 974-979, as reported in [3]_.
    .. [5] Pediatr Anesth, April 2015 (abstract).
    .. [6] J. J. Pérez Fontán et al., Crit Care Med 13 (1985) 1052-1055 (abstract).

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
        curvature=tracheal_tube_curvature(inner_diameter) if curvature is None else curvature,
        loss_coefficient=loss_coefficient,
        density=density,
        viscosity=viscosity,
    )
