"""Flow through straight tubes: friction, heads lost at the ends, inertance, contained gas.

Where density and viscosity have a default, it is dry air of 20 °C at the standard
atmosphere; :func:`ventsim.gas.breathing_gas` gives those of other gases.
"""

import math
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from ventsim.model.gas import breathing_gas
from ventsim.model.laws.flow import FLOW_LAWS, FlowLaw
from ventsim.quantities import check, finite_array, quantity
from ventsim.units import CMH2O_PA, FloatArray

Wall = Literal["smooth", "corrugated"]
"""What the wall of a tube is like inside."""

AIR_DENSITY = round(breathing_gas().density, 4)
"""Density of dry air of 20 °C at 101325 Pa. [kg/m³]"""

AIR_VISCOSITY = round(breathing_gas().viscosity, 2)
"""Viscosity of dry air of 20 °C. [µPa·s]"""

CORRUGATION_FACTOR = 2.0
"""Turbulent friction of a corrugated wall over that of a smooth one. [1]

Two to four is usual (from memory, no source seen).
"""

LAMINAR_REYNOLDS = 2000.0
"""Reynolds number up to which flow is laminar (common practice). [1]"""

TURBULENT_REYNOLDS = 4000.0
"""Reynolds number from which flow is turbulent (common practice). [1]"""

_MICRO, _MILLI = 1e-6, 1e-3
_BLASIUS = 0.3164  # [1]


def reynolds_number(
    flow: float | FloatArray, *, bore: float, density: float = AIR_DENSITY, viscosity: float = AIR_VISCOSITY
) -> FloatArray:
    r"""Ratio of inertial to viscous forces in a round tube.

    Parameters
    ----------
    flow : float or array of shape (n,)
        Flow, of either sign. [L/s]
    bore : float
        Inner diameter. [mm]
    density : float, default 1.204
        Density of the gas. [kg/m³]
    viscosity : float, default 18.21
        Dynamic viscosity of the gas. [µPa·s]

    Returns
    -------
    array of shape (n,) or ()
        Reynolds number, at least 0. [1]

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math:: \mathrm{Re} = \frac{4 \rho |\dot V|}{\pi D \mu}

    References
    ----------
    .. [1] Definition, as in F. M. White, Viscous Fluid Flow.

    Examples
    --------
    >>> float(reynolds_number(1.0, bore=22.0))
    3826.5
    """
    check("reynolds_number", {"bore": bore, "density": density, "viscosity": viscosity}, warn=False)
    speed = (
        4.0
        * np.abs(finite_array("reynolds_number", "flow", flow, unit="L/s"))
        * _MILLI
        / (math.pi * bore * _MILLI)
    )
    return density * speed / (viscosity * _MICRO)


def friction_factor(reynolds: float | FloatArray, *, corrugation_factor: float = 1.0) -> FloatArray:
    r"""Darcy friction factor of a round tube, from laminar to turbulent flow without a jump.

    Assumes a straight tube and flow that is fully developed.

    Parameters
    ----------
    reynolds : float or array of shape (n,)
        Reynolds number, above 0. [1]
    corrugation_factor : float, default 1
        Turbulent friction over that of a smooth wall, at least 1. [1]

    Returns
    -------
    array of shape (n,) or ()
        Friction factor. [1]

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math::

        f = (1 - w) \frac{64}{\mathrm{Re}} + w \, \kappa \, \frac{0.3164}{\mathrm{Re}^{1/4}}, \qquad
        w = 10 x^3 - 15 x^4 + 6 x^5, \quad x = \frac{\mathrm{Re} - 2000}{2000} \text{ held within 0 to 1}

    Laminar up to Re 2000, Blasius from 4000, valid to 100 000; above, Blasius' formula is a little too low
    for smooth walls. The blend between is a convention: there, real flow changes to and fro. The factor
    :math:`\kappa` of corrugation does not touch laminar friction.

    References
    ----------
    .. [1] H. Blasius, Das Ähnlichkeitsgesetz bei Reibungsvorgängen in Flüssigkeiten, Forschungsarbeiten des
       VDI 131 (1913) (from memory).
    .. [2] Adult tracheal tubes follow Blasius' formula: F. Lofaso et al., Am Rev Respir Dis 146 (1992)
       974-979, as reported by P.-H. Jarreau et al., J Appl Physiol 87 (1999) 36-46 (abstract).

    Examples
    --------
    >>> float(friction_factor(1000.0)), float(friction_factor(1e4))
    (0.064, 0.03164)
    """
    check("friction_factor", {"corrugation_factor": corrugation_factor})
    for value in np.ravel(reynolds):
        check("friction_factor", {"reynolds": value})
    reynolds = np.asarray(reynolds, dtype=float)
    return _friction_times_square(reynolds, corrugation_factor) / reynolds**2


@FLOW_LAWS.member
class TubeFriction(FlowLaw):
    r"""Pressure drop of a straight tube from its size, with heads lost at entrance, bends and exit.

    Assumes steady and incompressible flow, fully developed from the entrance on.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: \Delta p = \Big(f(\mathrm{Re}) \frac{L}{D} + \sum K\Big) \frac{\rho}{2} V^2, \qquad
        V = \frac{4 \dot V}{\pi D^2}

    with the friction factor of :func:`friction_factor`. Valid for pressure drops small against the atmosphere
    (below 5 %) and Reynolds numbers to 100 000.

    References
    ----------
    .. [1] Equations of Darcy and Weisbach, Hagen and Poiseuille, Blasius; see :func:`friction_factor`.

    Examples
    --------
    >>> float(TubeFriction(bore=22.0, length=1.5, wall="smooth").pressure_drop(2.0))
    0.392
    """

    kind: ClassVar[str] = "tube friction"

    bore: Annotated[float, quantity("bore")]
    length: Annotated[float, quantity("length")]
    wall: Annotated[Wall, Field(description="what the wall is like inside")] = "smooth"
    corrugation_factor: Annotated[float, quantity("corrugation_factor")] = CORRUGATION_FACTOR
    loss_coefficient: Annotated[float, quantity("loss_coefficient")] = 0.0
    density: Annotated[float, quantity("density")] = AIR_DENSITY
    viscosity: Annotated[float, quantity("viscosity")] = AIR_VISCOSITY

    @property
    def coefficients(self) -> tuple[float, float] | None:
        """Without length friction is gone, and what is left is quadratic. [cmH2O·s/L, cmH2O·s²/L²]"""
        return (0.0, float(self.pressure_drop(1.0))) if self.length == 0.0 else None

    def pressure_drop(self, flow: float | FloatArray) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        reynolds = reynolds_number(flow, bore=self.bore, density=self.density, viscosity=self.viscosity)
        factor = self.corrugation_factor if self.wall == "corrugated" else 1.0
        slenderness = self.length / (self.bore * _MILLI)
        heads = slenderness * _friction_times_square(reynolds, factor) + self.loss_coefficient * reynolds**2
        unit_head = (self.viscosity * _MICRO) ** 2 / (
            2.0 * self.density * (self.bore * _MILLI) ** 2
        )  # at Re 1 [Pa]
        return np.sign(flow) * heads * unit_head / CMH2O_PA


def tube_inertance(bore: float, length: float, *, density: float = AIR_DENSITY) -> float:
    r"""Pressure that accelerates the gas in a tube, for each unit of acceleration of the flow.

    Assumes that all gas in a cross-section moves alike.

    Parameters
    ----------
    bore : float
        Inner diameter. [mm]
    length : float
        Length. [m]
    density : float, default 1.204
        Density of the gas. [kg/m³]

    Returns
    -------
    float
        Inertance. [cmH2O·s²/L]

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math:: I = \rho L / A

    In laminar flow the true figure is up to a third larger.

    References
    ----------
    .. [1] Newton's second law for a plug of gas.

    Examples
    --------
    >>> tube_inertance(22.0, 1.5)
    0.0485
    """
    check("tube_inertance", {"bore": bore, "length": length, "density": density}, warn=False)
    area = math.pi / 4.0 * (bore * _MILLI) ** 2
    return density * length / area * _MILLI / CMH2O_PA


def tube_volume(bore: float, length: float) -> float:
    r"""Gas inside a round tube.

    Parameters
    ----------
    bore : float
        Inner diameter. [mm]
    length : float
        Length. [m]

    Returns
    -------
    float
        Cross-section times length. [mL]

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math:: V = \pi D^2 L / 4

    Examples
    --------
    >>> tube_volume(22.0, 1.5)
    570.2
    """
    check("tube_volume", {"bore": bore, "length": length}, warn=False)
    return math.pi / 4.0 * bore**2 * length  # mm² times m is mL


def _friction_times_square(reynolds: FloatArray, corrugation_factor: float) -> FloatArray:
    """Friction factor times the square of the Reynolds number, which is 0 at rest."""
    share = np.clip((reynolds - LAMINAR_REYNOLDS) / (TURBULENT_REYNOLDS - LAMINAR_REYNOLDS), 0.0, 1.0)
    # Two derivatives that agree at both ends let the engine tabulate the law to some parts in a million.
    share = share**3 * (10.0 + share * (6.0 * share - 15.0))
    return (1.0 - share) * 64.0 * reynolds + share * corrugation_factor * _BLASIUS * reynolds**1.75
