"""How wide printed holes are: bores measured under the microscope, against those drawn."""

import math
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from ventsim.errors import InputError
from ventsim.quantities import quantity

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
