"""Laws of flow through a hole in a wall across a tube, and the hole that gives a wanted loss."""

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError, suggestion
from ventsim.model.laws.tube_friction import AIR_DENSITY
from ventsim.quantities import check, finite_array
from ventsim.units import CMH2O_PA

FloatArray = NDArray[np.float64]
Edge = Literal["thin", "thick"]
"""A thin edge lets the jet contract freely; behind a thick one it fills the hole again.

Thick is the default everywhere: a hole of 2 to 4 mm through the wall of a cap or an adapter, 2 to 3 mm of plastic
(common practice, no source), is about as long as it is wide, and the jet fills a hole again from about 0.75
diameters of length (textbooks, from memory). Thin belongs to discs and foils.
"""

DISCHARGE_COEFFICIENT = 0.61
"""Discharge coefficient of a thin sharp edge (textbooks, from memory). [1]"""

_SI_PER_FLOW = 1e-3  # L/s to m³/s
_MILLI = 1e-3


def orifice_coefficient(
    bore: float,
    *,
    tube_bore: float = 22.0,
    edge: Edge = "thick",
    density: float = AIR_DENSITY,
    discharge_coefficient: float = DISCHARGE_COEFFICIENT,
) -> float:
    r"""Quadratic resistance of a round hole in a tube.

    Assumes steady and incompressible flow that is turbulent in the hole.

    Parameters
    ----------
    bore : float
        Diameter of the hole, at most `tube_bore`. [mm]
    tube_bore : float, default 22
        Inner diameter of the tube before and behind. [mm]
    edge : {"thin", "thick"}, default "thick"
        Sharp edge much thinner than the hole is wide, or a hole at least as long as it is wide.
    density : float, default 1.204
        Density of the gas. [kg/m³]
    discharge_coefficient : float, default 0.61
        Real over ideal flow; thin edge only. [1]

    Returns
    -------
    float
        Pressure drop for each unit of flow squared. [cmH2O·s²/L²]

    Raises
    ------
    InputError
        If a value is impossible, the hole wider than the tube, or the edge unknown.

    Notes
    -----
    With :math:`A` the area of the hole, :math:`\beta = d/D` and :math:`s = \beta^2`:

    .. math::

        K_\mathrm{thin} = \frac{\rho}{2} \frac{1 - \beta^4}{C_d^2 A^2}, \qquad
        K_\mathrm{thick} = \frac{\rho}{2} \frac{\tfrac12 (1 - s) + (1 - s)^2}{A^2}

    Thin: what a flow meter would see; of this, less is regained the smaller the hole. Thick: contraction
    and sudden expansion, without friction in the hole; the default, because a hole drilled through a cap or an
    adapter is about as long as it is wide (common practice, no source).

    Below a pressure drop of about 50 cmH2O the error by compression is under 2 %. Holes of 2 to 8 mm in a 22 mm
    tube are smaller than the standards for flow meters cover; there, the discharge coefficient rises as the
    Reynolds number falls.

    References
    ----------
    .. [1] Textbook forms: thin edge after ISO 5167-2 with constant coefficient, thick edge after J.-C. de
       Borda and J. Weisbach (from memory).

    Examples
    --------
    >>> orifice_coefficient(5.0)
    21.9
    >>> orifice_coefficient(5.0, edge="thin")
    42.7
    """
    law = "orifice_coefficient"
    values = {"bore": bore, "tube_bore": tube_bore, "density": density}
    check(law, values | {"discharge_coefficient": discharge_coefficient})
    _check_edge(law, edge)
    if bore > tube_bore:
        raise InputError(
            f"{law}: bore {bore:g} mm is wider than the tube of {tube_bore:g} mm.\n"
            f"  Allowed: at most {tube_bore:g} mm. Correct the bore, or give the tube_bore."
        )
    area = math.pi / 4.0 * (bore * _MILLI) ** 2
    ratio = (bore / tube_bore) ** 2
    if edge == "thin":
        heads = (1.0 - ratio**2) / discharge_coefficient**2
    else:
        heads = 0.5 * (1.0 - ratio) + (1.0 - ratio) ** 2
    return density / 2.0 * heads * (_SI_PER_FLOW / area) ** 2 / CMH2O_PA


def orifice_pressure_drop(
    flow: float | FloatArray,
    *,
    bore: float,
    tube_bore: float = 22.0,
    edge: Edge = "thick",
    density: float = AIR_DENSITY,
    discharge_coefficient: float = DISCHARGE_COEFFICIENT,
) -> FloatArray:
    r"""Pressure drop of a round hole in a tube.

    Assumes what :func:`orifice_coefficient` assumes.

    Parameters
    ----------
    flow : float or array of shape (n,)
        Flow from start to end. [L/s]
    bore : float
        Diameter of the hole, at most `tube_bore`. [mm]
    tube_bore : float, default 22
        Inner diameter of the tube before and behind. [mm]
    edge : {"thin", "thick"}, default "thick"
        Form of the hole, as in :func:`orifice_coefficient`.
    density : float, default 1.204
        Density of the gas. [kg/m³]
    discharge_coefficient : float, default 0.61
        Real over ideal flow; thin edge only. [1]

    Returns
    -------
    array of shape (n,) or ()
        Pressure at the start minus pressure at the end, odd in the flow. [cmH2O]

    Raises
    ------
    InputError
        If a value is impossible, the hole wider than the tube, or the edge unknown.

    Notes
    -----
    .. math:: \Delta p = K \dot V |\dot V|

    References
    ----------
    .. [1] As for :func:`orifice_coefficient`.

    Examples
    --------
    >>> float(orifice_pressure_drop(0.5, bore=4.0))
    13.8
    """
    coefficient = orifice_coefficient(
        bore, tube_bore=tube_bore, edge=edge, density=density, discharge_coefficient=discharge_coefficient
    )
    flow = finite_array("orifice_pressure_drop", "flow", flow, unit="L/s")
    return coefficient * flow * np.abs(flow)


def orifice_bore(
    pressure_drop: float,
    *,
    flow: float,
    tube_bore: float = 22.0,
    edge: Edge = "thick",
    density: float = AIR_DENSITY,
    discharge_coefficient: float = DISCHARGE_COEFFICIENT,
) -> float:
    r"""Diameter of the hole that loses a wanted pressure at a flow.

    The inverse of :func:`orifice_pressure_drop`, in closed form.

    Parameters
    ----------
    pressure_drop : float
        Wanted loss. [cmH2O]
    flow : float
        Flow at which it is wanted. [L/s]
    tube_bore : float, default 22
        Inner diameter of the tube before and behind. [mm]
    edge : {"thin", "thick"}, default "thick"
        Form of the hole, as in :func:`orifice_coefficient`.
    density : float, default 1.204
        Density of the gas. [kg/m³]
    discharge_coefficient : float, default 0.61
        Real over ideal flow; thin edge only. [1]

    Returns
    -------
    float
        Diameter, below `tube_bore`. [mm]

    Raises
    ------
    InputError
        If a value is impossible or the edge unknown.

    Notes
    -----
    With :math:`m = \Delta p / \big(\tfrac{\rho}{2} (\dot V / A_D)^2\big)`, the loss in dynamic heads of the
    tube of area :math:`A_D`:

    .. math::

        \beta^4 = \frac{1}{1 + C_d^2 m} \quad\text{(thin)}, \qquad
        \beta^2 = \frac{3}{\tfrac52 + \sqrt{\tfrac14 + 6 m}} \quad\text{(thick)}

    References
    ----------
    .. [1] Solved here from the forms of :func:`orifice_coefficient`.

    Examples
    --------
    >>> orifice_bore(13.8, flow=0.5)
    4.0
    """
    values = {"pressure_drop": pressure_drop, "wanted_flow": flow, "tube_bore": tube_bore, "density": density}
    check("orifice_bore", values | {"discharge_coefficient": discharge_coefficient})
    _check_edge("orifice_bore", edge)
    area = math.pi / 4.0 * (tube_bore * _MILLI) ** 2
    heads = pressure_drop * CMH2O_PA / (density / 2.0 * (flow * _SI_PER_FLOW / area) ** 2)
    if edge == "thin":
        return tube_bore * (1.0 + discharge_coefficient**2 * heads) ** -0.25
    return tube_bore * math.sqrt(3.0 / (2.5 + math.sqrt(0.25 + 6.0 * heads)))


def _check_edge(law: str, edge: str) -> None:
    if edge not in ("thin", "thick"):
        raise InputError(f"{law}: there is no edge {edge!r}.\n  {suggestion(str(edge), ('thin', 'thick'))}")
