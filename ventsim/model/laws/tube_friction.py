"""Flow through tubes: friction, heads lost at the ends, inertance, contained gas.

Where density and viscosity have a default, it is dry air of 20 °C at the standard
atmosphere; :func:`ventsim.gas.breathing_gas` gives those of other gases.
"""

import math
from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field

from ventsim.errors import InputError, PartError
from ventsim.model.gas import breathing_gas
from ventsim.model.laws.flow import FLOW_LAWS, FlowLaw
from ventsim.parameters import public
from ventsim.quantities import check, finite_array, quantity
from ventsim.units import CMH2O_PA, FloatArray

Wall = Literal["smooth", "corrugated"]
"""What the wall of a tube is like inside."""

AIR_DENSITY = round(breathing_gas().density, 4)
"""Density of dry air of 20 °C at 101325 Pa. [kg/m³]"""

AIR_VISCOSITY = round(breathing_gas().viscosity, 2)
"""Viscosity of dry air of 20 °C. [µPa·s]"""

CORRUGATED_FRICTION = 0.08
"""Friction factor of a corrugated wall in fully rough flow. [1]

Corrugated tubes have nearly constant friction factors of about 0.07 to 0.12 (from memory, no source seen); with
the laminar part added, this one lies in that range from Reynolds number 1600 on.
"""

LAMINAR_REYNOLDS = 2000.0
"""Reynolds number up to which flow in a smooth tube is laminar (common practice). [1]"""

TURBULENT_REYNOLDS = 4000.0
"""Reynolds number from which flow in a smooth tube is turbulent (common practice). [1]"""

_MICRO, _MILLI = 1e-6, 1e-3
_BLASIUS = 0.3164  # [1]
_FIRST_DEAN = 13.5  # from which Ito's formula holds [1]
_NO_BEND = "{} is given for a corrugated wall, whose friction no bend changes here.\n  Leave it out."


@public
def reynolds_number(
    flow: ArrayLike, *, bore: float, density: float = AIR_DENSITY, viscosity: float = AIR_VISCOSITY
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
    flow = np.abs(finite_array("reynolds_number", "flow", flow, unit="L/s"))
    return flow * _unit_reynolds(bore, density, viscosity)


def _unit_reynolds(bore: float, density: float, viscosity: float) -> float:
    """Reynolds number at 1 L/s. [1]"""
    return density * 4.0 * _MILLI / (math.pi * bore * _MILLI * viscosity * _MICRO)


@public
def friction_factor(
    reynolds: ArrayLike, *, corrugated_friction: float | None = None, relative_curvature: float = 0.0
) -> FloatArray:
    r"""Darcy friction factor of a round tube, from laminar to turbulent flow without a jump.

    Assumes steady flow that is fully developed.

    Parameters
    ----------
    reynolds : float or array of shape (n,)
        Reynolds number, above 0. [1]
    corrugated_friction : float or None, default None
        Friction factor of a corrugated wall in fully rough flow; None: a smooth wall. [1]
    relative_curvature : float, default 0
        Bore over the diameter of the bend in which a smooth tube lies, at most 0.05; 0: straight. [1]

    Returns
    -------
    array of shape (n,) or ()
        Friction factor. [1]

    Raises
    ------
    InputError
        If a value is impossible, or a corrugated tube is given a curvature.

    Notes
    -----
    Corrugated, with the friction :math:`F` of fully rough flow:

    .. math:: f = \frac{64}{\mathrm{Re}} + F

    The corrugation decides where inertia takes over: both terms are equal at Re = 64/F, 800 by default. The
    pressure drop is linear plus quadratic in the flow, so its local exponent d ln Δp / d ln q rises from 1 to 2
    and never exceeds 2.

    Smooth:

    .. math::

        f = (1 - w) \, g(\mathrm{De}) \frac{64}{\mathrm{Re}} + w \, \frac{0.3164}{\mathrm{Re}^{1/4}}, \qquad
        w = S\Big(\frac{\mathrm{Re} - 2000}{2000}\Big), \quad S(x) = 10 x^3 - 15 x^4 + 6 x^5
        \text{ with } x \text{ held within 0 to 1}

    .. math::

        g = 1 + S\Big(\frac{\mathrm{De} - 13.5}{13.5}\Big)
        \Big[\frac{21.5 \, \mathrm{De}}{(1.56 + \log_{10} \mathrm{De})^{5.73}} - 1\Big], \qquad
        \mathrm{De} = \mathrm{Re} \sqrt{c}

    with the relative curvature :math:`c`; :math:`g` is 1 up to De 13.5, and Ito's formula from De 27, to which it
    rises smoothly (at most 2.3 % below it). Laminar up to Re 2000, Blasius from 4000, valid to 100 000; above,
    Blasius' formula is a little too low for smooth walls. The blend between is a convention: there, real flow
    changes to and fro. In a straight tube friction has to rise fivefold while Re doubles, an exponent of 2.3 on
    average whatever the blend, and 3.4 at most here (at Re 3080); it is 1 below and 1.75 above. In a bend
    it stays below 2 where c is above 0.005.

    References
    ----------
    .. [1] H. Blasius, Das Ähnlichkeitsgesetz bei Reibungsvorgängen in Flüssigkeiten, Forschungsarbeiten des
       VDI 131 (1913) (from memory).
    .. [2] Adult tracheal tubes follow Blasius' formula: F. Lofaso et al., Am Rev Respir Dis 146 (1992)
       974-979, as reported by P.-H. Jarreau et al., J Appl Physiol 87 (1999) 36-46 (abstract).
    .. [3] H. Ito, Friction factors for turbulent flow in curved pipes, J Basic Eng 81 (1959) 123-134 (from
       memory).
    .. [4] Corrugated walls: a nearly constant 0.07 to 0.12 (from memory, no source seen). That laminar and rough
       friction add is a choice made here, the simplest without an early fall or a late rise.

    Examples
    --------
    >>> float(friction_factor(1000.0)), float(friction_factor(1e4))
    (0.064, 0.03164)
    >>> float(friction_factor(1e4, corrugated_friction=0.08))
    0.0864
    """
    check("friction_factor", {"relative_curvature": relative_curvature})
    for value in np.ravel(reynolds):
        check("friction_factor", {"reynolds": value})
    reynolds = np.asarray(reynolds, dtype=float)
    if corrugated_friction is None:
        return _smooth_friction_times_square(reynolds, relative_curvature) / reynolds**2
    check("friction_factor", {"corrugated_friction": corrugated_friction})
    if relative_curvature > 0.0:
        raise InputError(f"friction_factor: {_NO_BEND.format('relative_curvature')}")
    return 64.0 / reynolds + corrugated_friction


@FLOW_LAWS.member
class TubeFriction(FlowLaw):
    r"""Pressure drop of a tube from its size, with heads lost at entrance, bends and exit.

    Assumes steady and incompressible flow, fully developed from the entrance on.

    Raises
    ------
    PartError
        If a value is impossible, or a corrugated tube is given a curvature.

    Notes
    -----
    .. math:: \Delta p = \Big(f(\mathrm{Re}) \frac{L}{D} + \sum K\Big) \frac{\rho}{2} V^2, \qquad
        V = \frac{4 \dot V}{\pi D^2}

    with the friction factor of :func:`friction_factor`. Valid for pressure drops small against the atmosphere
    (below 5 %) and Reynolds numbers to 100 000. A corrugated tube is linear plus quadratic in the flow:

    .. math:: \Delta p = \frac{128 \mu L}{\pi D^4} \dot V
        + \Big(F \frac{L}{D} + \sum K\Big) \frac{8 \rho}{\pi^2 D^4} \dot V |\dot V|

    References
    ----------
    .. [1] Equations of Darcy and Weisbach, Hagen and Poiseuille, Blasius, Ito; see :func:`friction_factor`.

    Examples
    --------
    >>> float(TubeFriction(bore=22.0, length=1.5, wall="smooth").pressure_drop(2.0))
    0.392
    >>> float(TubeFriction(bore=22.0, length=1.5, wall="corrugated").pressure_drop(2.0))
    1.024
    """

    kind: ClassVar[str] = "tube friction"

    bore: Annotated[float, quantity("bore")]
    length: Annotated[float, quantity("length")]
    wall: Annotated[Wall, Field(description="what the wall is like inside")] = "smooth"
    corrugated_friction: Annotated[float, quantity("corrugated_friction")] = CORRUGATED_FRICTION
    curvature: Annotated[float, quantity("curvature")] = 0.0
    loss_coefficient: Annotated[float, quantity("loss_coefficient")] = 0.0
    density: Annotated[float, quantity("density")] = AIR_DENSITY
    viscosity: Annotated[float, quantity("viscosity")] = AIR_VISCOSITY

    def _faults(self) -> Iterator[str]:
        if self.curvature > 0.0 and self.wall == "corrugated":
            yield _NO_BEND.format("curvature")
        check(self.kind, {"relative_curvature": self.relative_curvature}, error=PartError)

    @property
    def relative_curvature(self) -> float:
        """Bore over the diameter of the bend. [1]"""
        return self.bore * _MILLI * self.curvature / 2.0

    @property
    def coefficients(self) -> tuple[float, float] | None:
        """Of a corrugated tube, or one without length; those of a smooth one are None. [cmH2O·s/L, cmH2O·s²/L²]"""
        if self.wall == "smooth" and self.length > 0.0:
            return None
        slenderness = self.length / (self.bore * _MILLI)
        reynolds = _unit_reynolds(self.bore, self.density, self.viscosity)
        linear = slenderness * 64.0 * reynolds
        quadratic = slenderness * self.corrugated_friction + self.loss_coefficient
        return linear * self._unit_head, quadratic * reynolds**2 * self._unit_head

    @property
    def _unit_head(self) -> float:
        """Dynamic head at a Reynolds number of 1. [cmH2O]"""
        bore = self.bore * _MILLI
        return (self.viscosity * _MICRO) ** 2 / (2.0 * self.density * bore**2) / CMH2O_PA

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        if self.coefficients is not None:
            linear, quadratic = self.coefficients
            return flow * (linear + quadratic * np.abs(flow))
        reynolds = _unit_reynolds(self.bore, self.density, self.viscosity) * np.abs(flow)
        friction = _smooth_friction_times_square(reynolds, self.relative_curvature)
        heads = self.length / (self.bore * _MILLI) * friction + self.loss_coefficient * reynolds**2
        return np.sign(flow) * heads * self._unit_head


@public
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


@public
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


def _smooth_friction_times_square(reynolds: FloatArray, relative_curvature: float) -> FloatArray:
    """Friction factor of a smooth wall times the square of the Reynolds number, which is 0 at rest."""
    turbulent = _smooth_rise((reynolds - LAMINAR_REYNOLDS) / (TURBULENT_REYNOLDS - LAMINAR_REYNOLDS))
    laminar_friction = 64.0 * reynolds * _dean_ratio(reynolds * math.sqrt(relative_curvature))
    return (1.0 - turbulent) * laminar_friction + turbulent * _BLASIUS * reynolds**1.75


def _dean_ratio(dean: FloatArray) -> FloatArray:
    """Laminar friction in a bend over that in a straight tube. [1]"""
    held = np.maximum(dean, _FIRST_DEAN)
    ito = 21.5 * held / (1.56 + np.log10(held)) ** 5.73
    return 1.0 + _smooth_rise((dean - _FIRST_DEAN) / _FIRST_DEAN) * (ito - 1.0)


def _smooth_rise(x: FloatArray) -> FloatArray:
    """From 0 at 0 to 1 at 1, level outside.

    Two derivatives that agree at both ends let the engine tabulate a law to some parts in a million.
    """
    x = np.clip(x, 0.0, 1.0)
    return x**3 * (10.0 + x * (6.0 * x - 15.0))
