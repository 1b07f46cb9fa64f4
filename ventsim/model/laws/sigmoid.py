"""The sigmoid pressure-volume curve: pure functions of numbers and arrays.

Volumes are those of the published form, counted from wherever the lower asymptote is.
"""

import numpy as np
from numpy.typing import NDArray

from ventsim.model.laws.pressure_volume import check_within
from ventsim.quantities import check, finite_array

FloatArray = NDArray[np.float64]

# Where the third derivative of the logistic curve is 0: cosh(x) = 2, that is x = ln(2 + √3).
_BEND = float(np.log(2.0 + np.sqrt(3.0)))


def sigmoid_volume(
    pressure: float | FloatArray,
    *,
    vital_capacity: float,
    inflection_pressure: float,
    width: float,
    lower_asymptote: float = 0.0,
) -> FloatArray:
    r"""Volume of a sigmoid pressure-volume curve.

    Parameters
    ----------
    pressure : float or array of any shape
        Transmural pressure. [cmH2O]
    vital_capacity : float
        Volume between the asymptotes, above 0. [mL]
    inflection_pressure : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends, above 0. [cmH2O]
    lower_asymptote : float, default 0
        Volume towards which the curve falls. [mL]

    Returns
    -------
    array of the shape of `pressure`
        Volume. [mL]

    Raises
    ------
    InputError
        If a number is not finite, or `vital_capacity` or `width` is not above 0.

    Notes
    -----
    .. math:: V = a + \frac{b}{1 + e^{-(p - c) / d}}

    Describes static curves of normal and injured lungs over their whole range; one branch, no hysteresis.

    References
    ----------
    .. [1] J. G. Venegas, R. S. Harris, B. A. Simon, A comprehensive equation for the pulmonary
       pressure-volume curve, J Appl Physiol 84 (1998) 389-395 (abstract).

    Examples
    --------
    >>> float(sigmoid_volume(10.0, vital_capacity=2000.0, inflection_pressure=15.0, width=5.0))
    537.9
    """
    check("", {"vital_capacity": vital_capacity, "width": width})
    check("", {"inflection_pressure": inflection_pressure, "lower_asymptote": lower_asymptote})
    pressure = finite_array("", "pressure", pressure, unit="cmH2O")
    return lower_asymptote + vital_capacity * _logistic((pressure - inflection_pressure) / width)


def sigmoid_pressure(
    volume: float | FloatArray,
    *,
    vital_capacity: float,
    inflection_pressure: float,
    width: float,
    lower_asymptote: float = 0.0,
) -> FloatArray:
    r"""Pressure of a sigmoid pressure-volume curve, the inverse of :func:`sigmoid_volume`.

    Parameters
    ----------
    volume : float or array of any shape
        Volume between the asymptotes. [mL]
    vital_capacity : float
        Volume between the asymptotes, above 0. [mL]
    inflection_pressure : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends, above 0. [cmH2O]
    lower_asymptote : float, default 0
        Volume towards which the curve falls. [mL]

    Returns
    -------
    array of the shape of `volume`
        Transmural pressure. [cmH2O]

    Raises
    ------
    InputError
        If a volume is not between the asymptotes, or as for :func:`sigmoid_volume`.

    Notes
    -----
    .. math:: p = c - d \ln\left(\frac{b}{V - a} - 1\right)

    References
    ----------
    .. [1] J. G. Venegas, R. S. Harris, B. A. Simon, J Appl Physiol 84 (1998) 389-395 (abstract).

    Examples
    --------
    >>> float(sigmoid_pressure(1000.0, vital_capacity=2000.0, inflection_pressure=15.0, width=5.0))
    15.0
    """
    check("", {"vital_capacity": vital_capacity, "width": width})
    check("", {"inflection_pressure": inflection_pressure, "lower_asymptote": lower_asymptote})
    volume, top = finite_array("", "volume", volume, unit="mL"), lower_asymptote + vital_capacity
    check_within(volume, low=lower_asymptote, high=top)
    return inflection_pressure + width * (np.log(volume - lower_asymptote) - np.log(top - volume))


def sigmoid_compliance(
    pressure: float | FloatArray, *, vital_capacity: float, inflection_pressure: float, width: float
) -> FloatArray:
    r"""Slope of a sigmoid pressure-volume curve.

    Parameters
    ----------
    pressure : float or array of any shape
        Transmural pressure. [cmH2O]
    vital_capacity : float
        Volume between the asymptotes, above 0. [mL]
    inflection_pressure : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends, above 0. [cmH2O]

    Returns
    -------
    array of the shape of `pressure`
        Compliance. [mL/cmH2O]

    Raises
    ------
    InputError
        As for :func:`sigmoid_volume`.

    Notes
    -----
    .. math:: \frac{dV}{dp} = \frac{b}{d} \frac{e^{-x}}{(1 + e^{-x})^2}, \qquad x = (p - c) / d

    The highest compliance, at the inflection_pressure, is :math:`b / 4d`.

    References
    ----------
    .. [1] Derivative of J. G. Venegas et al., J Appl Physiol 84 (1998) 389-395.

    Examples
    --------
    >>> float(sigmoid_compliance(15.0, vital_capacity=2000.0, inflection_pressure=15.0, width=5.0))
    100.0
    """
    volume = sigmoid_volume(
        pressure, vital_capacity=vital_capacity, inflection_pressure=inflection_pressure, width=width
    )
    return volume * (1.0 - volume / vital_capacity) / width


def sigmoid_corners(inflection_pressure: float, *, width: float) -> tuple[float, float]:
    r"""Pressures at which the tangent at the inflection meets the two asymptotes.

    Parameters
    ----------
    inflection_pressure : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends, above 0. [cmH2O]

    Returns
    -------
    tuple of float
        Lower and upper corner. [cmH2O]

    Raises
    ------
    InputError
        If a number is not finite or `width` is not above 0.

    Notes
    -----
    .. math:: c \pm 2 d

    References
    ----------
    .. [1] From memory; follows from the slope :math:`b / 4d` at the inflection.

    Examples
    --------
    >>> sigmoid_corners(15.0, width=5.0)
    (5.0, 25.0)
    """
    check("", {"inflection_pressure": inflection_pressure, "width": width})
    return inflection_pressure - 2.0 * width, inflection_pressure + 2.0 * width


def sigmoid_bending_points(inflection_pressure: float, *, width: float) -> tuple[float, float]:
    r"""Pressures at which the compliance of a sigmoid changes fastest with the pressure.

    Parameters
    ----------
    inflection_pressure : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends, above 0. [cmH2O]

    Returns
    -------
    tuple of float
        Lower and upper point. [cmH2O]

    Raises
    ------
    InputError
        If a number is not finite or `width` is not above 0.

    Notes
    -----
    .. math:: c \pm d \ln(2 + \sqrt 3) = c \pm 1.317\,d

    where the third derivative of the curve is 0.

    References
    ----------
    .. [1] From memory, where they are called points of maximum curvature; derived here.

    Examples
    --------
    >>> sigmoid_bending_points(15.0, width=5.0)
    (8.415, 21.585)
    """
    check("", {"inflection_pressure": inflection_pressure, "width": width})
    return inflection_pressure - _BEND * width, inflection_pressure + _BEND * width


def _logistic(x: FloatArray) -> FloatArray:
    """1 / (1 + exp(-x)) without overflow."""
    small = np.exp(-np.abs(x))
    return np.where(x >= 0.0, 1.0, small) / (1.0 + small)
