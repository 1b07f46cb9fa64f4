"""Holes in a wall across a tube: their law, the hole that gives a wanted loss, how wide printed ones are."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field

from ventsim.errors import InputError, check_name, shown
from ventsim.model.laws.flow import FLOW_LAWS, FlowLaw
from ventsim.model.laws.tube_friction import AIR_DENSITY
from ventsim.parameters import public
from ventsim.quantities import check, finite_array, quantity
from ventsim.units import CMH2O_PA, FloatArray

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


@FLOW_LAWS.member
class Orifice(FlowLaw):
    r"""Pressure drop of a round hole in a wall across a tube.

    Assumes steady and incompressible flow that is turbulent in the hole; the same in both directions.

    Raises
    ------
    PartError
        If a value is impossible, or the true hole is wider than the tube or closed.

    Notes
    -----
    .. math:: \Delta p = K \dot V |\dot V|

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

    A hole that is made is rarely as wide as drawn: printed holes of nominally 2, 3 and 4 mm measured 1.38 to 1.94,
    2.24 to 2.95 and 3.48 to 3.99 mm [2]_. Calibrate each one; until then :func:`ventsim.laws.printed_bore` tells
    what to expect.

    References
    ----------
    .. [1] Textbook forms: thin edge after ISO 5167-2 with constant coefficient, thick edge after J.-C. de
       Borda and J. Weisbach (from memory).
    .. [2] D. J. Duke et al., 3D Printing in Medicine 8 (2022), DOI 10.1186/s41205-021-00129-1, table 6.

    Examples
    --------
    >>> Orifice(bore=5.0).coefficients[1]
    21.9
    >>> Orifice(bore=5.0, edge="thin").coefficients[1]
    42.7
    """

    kind: ClassVar[str] = "orifice"

    bore: Annotated[float, quantity("bore", "diameter of the hole as designed", plausible=(1.0, 30.0))]
    tube_bore: Annotated[float, quantity("tube_bore")] = 22.0
    edge: Annotated[Edge, Field(description="form of the hole: sharp and thin, or as long as it is wide")] = (
        "thick"
    )
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0
    discharge_coefficient: Annotated[float, quantity("discharge_coefficient")] = DISCHARGE_COEFFICIENT
    density: Annotated[float, quantity("density")] = AIR_DENSITY

    def _faults(self) -> Iterator[str]:
        if not 0.0 < self.true_bore <= self.tube_bore:
            size = f"bore {self.bore:.6g} mm"
            if self.bore_deviation:
                size += f" with bore_deviation {self.bore_deviation:.6g} mm"
            yield (
                f"{size} does not fit a tube_bore of {self.tube_bore:.6g} mm.\n  Allowed: together above 0 and at "
                f"most {self.tube_bore:.6g} mm. Correct the bore or the tube_bore."
            )

    @property
    def true_bore(self) -> float:
        """Diameter of the hole as it is. [mm]"""
        return self.bore + self.bore_deviation

    @property
    def widest_bore(self) -> float:
        """Bore with which the true hole is as wide as the tube. [mm]"""
        bore = self.tube_bore - self.bore_deviation
        # Sums are rounded: one digit less in the last place, if need be.
        return bore if bore + self.bore_deviation <= self.tube_bore else math.nextafter(bore, 0.0)

    @property
    def coefficients(self) -> tuple[float, float]:
        """No linear term, and the quadratic one of the hole. [cmH2O·s/L, cmH2O·s²/L²]"""
        area = math.pi / 4.0 * (self.true_bore * _MILLI) ** 2
        ratio = (self.true_bore / self.tube_bore) ** 2
        if self.edge == "thin":
            heads = (1.0 - ratio**2) / self.discharge_coefficient**2
        else:
            heads = 0.5 * (1.0 - ratio) + (1.0 - ratio) ** 2
        return 0.0, self.density / 2.0 * heads * (_SI_PER_FLOW / area) ** 2 / CMH2O_PA

    @public
    def pressure_drop(self, flow: ArrayLike) -> FloatArray:
        """Pressure at the start minus pressure at the end. [cmH2O]"""
        flow = finite_array(self.kind, "flow", flow, unit="L/s")
        return self.coefficients[1] * flow * np.abs(flow)


@public
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

    The inverse of the law :class:`Orifice`, in closed form.

    Parameters
    ----------
    pressure_drop : float
        Wanted loss. [cmH2O]
    flow : float
        Flow at which it is wanted. [L/s]
    tube_bore : float, default 22
        Inner diameter of the tube before and behind. [mm]
    edge : {"thin", "thick"}, default "thick"
        Form of the hole, as in :class:`Orifice`.
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
    .. [1] Solved here from the forms of :class:`Orifice`.

    Examples
    --------
    >>> orifice_bore(13.8, flow=0.5)
    4.0
    """
    values = {"pressure_drop": pressure_drop, "flow": flow, "tube_bore": tube_bore, "density": density}
    check("orifice_bore", values | {"discharge_coefficient": discharge_coefficient}, flow=quantity("wanted_flow"))
    check_name(edge, ("thin", "thick"), wrong=f"orifice_bore: there is no edge {shown(edge)}")
    area = math.pi / 4.0 * (tube_bore * _MILLI) ** 2
    heads = pressure_drop * CMH2O_PA / (density / 2.0 * (flow * _SI_PER_FLOW / area) ** 2)
    if edge == "thin":
        return tube_bore * (1.0 + discharge_coefficient**2 * heads) ** -0.25
    return tube_bore * math.sqrt(3.0 / (2.5 + math.sqrt(0.25 + 6.0 * heads)))


@dataclass(frozen=True, slots=True, kw_only=True)
class EquivalentBore:
    """The round hole that loses, at one flow, what a fitted law loses.

    Attributes
    ----------
    bore : float
        Diameter of the hole. [mm]
    bore_error : float
        Standard error of the bore, from that of the loss; NaN where that is unknown. [mm]
    pressure_drop : float
        Loss of the fitted law at the flow. [cmH2O]
    pressure_drop_error : float
        Standard error of the loss. [cmH2O]
    flow : float
        The flow. [L/s]

    Examples
    --------
    >>> from ventsim.model.laws import fit_rohrer
    >>> hole = fit_rohrer((0.2, 0.4, 0.6), (2.2, 8.9, 19.8), hold_at_zero="linear").equivalent_bore(flow=0.5)
    >>> hole.bore, hole.bore_error
    (4.001, 0.0029)
    """

    bore: float
    bore_error: float
    pressure_drop: float
    pressure_drop_error: float
    flow: float


def loss_exponent(bore: float, *, tube_bore: float, edge: Edge) -> float:
    """By which power of its bore the loss of a hole changes: d ln K / d ln d, below -4. [1]

    The derivative of the closed forms of :func:`ventsim.parts.orifice_coefficient`.
    """
    share = (bore / tube_bore) ** 2
    if edge == "thin":
        return -4.0 / (1.0 - share**2)
    free = 1.0 - share
    return -4.0 - 2.0 * share * (0.5 + 2.0 * free) / (0.5 * free + free**2)


NOMINAL_BORES = (2.0, 3.0, 4.0)
"""Bores as drawn. [mm]"""

TRUE_BORES = (
    (1.69, 2.60, 3.48),
    (1.87, 2.86, 3.90),
    (1.94, 2.95, 3.99),
    (1.92, 2.84, 3.86),
    (1.38, 2.81, 3.84),
    (1.74, 2.24, 3.63),
    (1.78, 2.91, 3.86),
    (1.73, 2.93, 3.91),
)
"""Mean true bores of eight pairs of printer and material, one row each, in the order of the nominal bores. [mm]"""

PRINTED_BORES_SOURCE = MappingProxyType(
    {
        "citation": "D. J. Duke, A. L. Clarke, A. L. Stephens, L. Djumas, S. D. Gregory, 3D Printing in Medicine "
        "8 (2022), DOI 10.1186/s41205-021-00129-1, tables 1 and 6",
        "trust": "tables read; measured under the microscope to 0.01 mm; which printer and material belongs to "
        "which row was not noted, nor the scatter of single holes about the mean of their row",
    }
)
"""Where the bores come from, and how far they are to be trusted."""

_NOMINAL = quantity(
    "bore", "bore as drawn", above=None, at_least=NOMINAL_BORES[0], at_most=NOMINAL_BORES[-1], plausible=None
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedBore:
    """What becomes of a hole that is drawn with some bore and printed on some printer.

    Attributes
    ----------
    nominal : float
        Bore as drawn. [mm]
    mean : float
        Mean of the true bores over eight pairs of printer and material. [mm]
    standard_deviation : float
        Standard deviation of the true bores between these pairs. [mm]
    narrowest, widest : float
        Smallest and largest of the eight. [mm]

    Examples
    --------
    >>> from ventsim.model.laws import Orifice
    >>> hole = printed_bore(3.0)
    >>> Orifice(bore=hole.nominal, bore_deviation=hole.deviation).true_bore
    2.7675
    """

    nominal: float
    mean: float
    standard_deviation: float
    narrowest: float
    widest: float

    @property
    def deviation(self) -> float:
        """Mean true bore minus the nominal one: the `bore_deviation` of an orifice. [mm]"""
        return self.mean - self.nominal


@public
def printed_bore(nominal: float) -> PrintedBore:
    r"""True bore of a printed hole, as eight pairs of printer and material made it.

    Assumes a printer and a material like one of these, none of them more likely than another. A guide to how
    far off a hole may be; it does not replace measuring the hole.

    Parameters
    ----------
    nominal : float
        Bore as drawn, 2 to 4; measured at 2, 3 and 4, in between interpolated. [mm]

    Returns
    -------
    PrintedBore
        Mean, standard deviation and range.

    Raises
    ------
    InputError
        If the bore is no number or outside what was measured.

    Notes
    -----
    Between two measured bores the true bore of each pair is taken as linear in the nominal one. The standard
    deviation is that between pairs, :math:`s^2 = \sum (d_i - \bar d)^2 / 7`; a hole made twice on one printer
    varies by less or more than that, which the source as read does not tell.

    References
    ----------
    .. [1] D. J. Duke et al., 3D Printing in Medicine 8 (2022), DOI 10.1186/s41205-021-00129-1, tables 1 and 6;
       microscope, to 0.01 mm.

    Examples
    --------
    >>> hole = printed_bore(2.0)
    >>> hole.mean, hole.narrowest, hole.widest
    (1.75625, 1.38, 1.94)
    """
    fault = _NOMINAL.fault(nominal)
    if fault:
        raise InputError(
            f"printed_bore: nominal {fault}\n"
            f"  {_NOMINAL.allowed()} None wider or narrower was measured; measure yours and give bore_deviation."
        )
    true = np.array([np.interp(nominal, NOMINAL_BORES, row) for row in TRUE_BORES])
    return PrintedBore(
        nominal=float(nominal),
        mean=math.fsum(true) / true.size,
        standard_deviation=float(true.std(ddof=1)),
        narrowest=float(true.min()),
        widest=float(true.max()),
    )
