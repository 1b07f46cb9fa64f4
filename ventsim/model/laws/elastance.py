"""Laws of lungs that stiffen with their volume, and of the chest wall around them: pure functions.

Volumes are above the relaxed volume. The sigmoid curve is in :mod:`ventsim.laws.sigmoid`.
"""

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError
from ventsim.model.laws.pressure_volume import check_within
from ventsim.quantities import check, finite_array

FloatArray = NDArray[np.float64]


def exponential_volume(pressure: float | FloatArray, *, largest_volume: float, rate: float) -> FloatArray:
    r"""Volume of an exponential pressure-volume curve.

    Parameters
    ----------
    pressure : float or array of any shape
        Transmural pressure. [cmH2O]
    largest_volume : float
        Volume that is never reached, above 0. [mL]
    rate : float
        How fast the curve nears it, above 0. [1/cmH2O]

    Returns
    -------
    array of the shape of `pressure`
        Volume above the relaxed volume. [mL]

    Raises
    ------
    InputError
        If a number is not finite, or `largest_volume` or `rate` is not above 0.

    Notes
    -----
    .. math:: v = V_\mathrm{max} \left(1 - e^{-k p}\right)

    Good above about half of the total lung capacity, poor at low and at very high volume.

    References
    ----------
    .. [1] E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory).

    Examples
    --------
    >>> float(exponential_volume(10.0, largest_volume=6000.0, rate=0.12))
    4192.8
    """
    check("", {"largest_volume": largest_volume, "pressure_rate": rate})
    pressure = finite_array("", "pressure", pressure, unit="cmH2O")
    return -largest_volume * np.expm1(-rate * pressure)


def exponential_pressure(volume: float | FloatArray, *, largest_volume: float, rate: float) -> FloatArray:
    r"""Pressure of an exponential pressure-volume curve, the inverse of :func:`exponential_volume`.

    Parameters
    ----------
    volume : float or array of any shape
        Volume above the relaxed volume, below `largest_volume`. [mL]
    largest_volume : float
        Volume that is never reached, above 0. [mL]
    rate : float
        How fast the curve nears it, above 0. [1/cmH2O]

    Returns
    -------
    array of the shape of `volume`
        Transmural pressure. [cmH2O]

    Raises
    ------
    InputError
        If a volume is not below `largest_volume`, or as for :func:`exponential_volume`.

    Notes
    -----
    .. math:: p = -\frac{1}{k} \ln\left(1 - v / V_\mathrm{max}\right)

    References
    ----------
    .. [1] E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory).

    Examples
    --------
    >>> float(exponential_pressure(4192.835, largest_volume=6000.0, rate=0.12))
    10.0
    """
    check("", {"largest_volume": largest_volume, "pressure_rate": rate})
    volume = finite_array("", "volume", volume, unit="mL")
    check_within(volume, low=-np.inf, high=largest_volume)
    return -np.log1p(-volume / largest_volume) / rate


def exponential_compliance(pressure: float | FloatArray, *, largest_volume: float, rate: float) -> FloatArray:
    r"""Slope of an exponential pressure-volume curve.

    Parameters
    ----------
    pressure : float or array of any shape
        Transmural pressure. [cmH2O]
    largest_volume : float
        Volume that is never reached, above 0. [mL]
    rate : float
        How fast the curve nears it, above 0. [1/cmH2O]

    Returns
    -------
    array of the shape of `pressure`
        Compliance. [mL/cmH2O]

    Raises
    ------
    InputError
        As for :func:`exponential_volume`.

    Notes
    -----
    .. math:: \frac{dv}{dp} = k \left(V_\mathrm{max} - v\right)

    References
    ----------
    .. [1] Derivative of E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104.

    Examples
    --------
    >>> float(exponential_compliance(10.0, largest_volume=6000.0, rate=0.12))
    216.86
    """
    volume = exponential_volume(pressure, largest_volume=largest_volume, rate=rate)
    return rate * (largest_volume - volume)


def volume_dependent_pressure(
    volume: float | FloatArray, *, elastance: float, volume_elastance: float
) -> FloatArray:
    r"""Pressure of a lung whose elastance changes in proportion to its volume.

    Parameters
    ----------
    volume : float or array of any shape
        Volume above the relaxed volume. [mL]
    elastance : float
        Elastance at the relaxed volume, above 0. [cmH2O/mL]
    volume_elastance : float
        Elastance gained for each unit of volume; below 0 while a lung is recruited. [cmH2O/mL²]

    Returns
    -------
    array of the shape of `volume`
        Transmural pressure. [cmH2O]

    Raises
    ------
    InputError
        If a number is not finite, `elastance` is not above 0, or a volume lies where the curve turns back.

    Notes
    -----
    .. math:: p = (E_1 + E_2 v)\, v

    Rises with the volume on one side of :math:`v = -E_1 / 2 E_2` only, and is used there.

    References
    ----------
    .. [1] The form is common in respiratory mechanics (from memory).

    Examples
    --------
    >>> float(volume_dependent_pressure(500.0, elastance=0.02, volume_elastance=1e-5))
    12.5
    """
    check("", {"elastance": elastance})
    check("", {"volume_elastance": volume_elastance})
    volume = finite_array("", "volume", volume, unit="mL")
    turn = np.inf if volume_elastance == 0.0 else -elastance / (2.0 * volume_elastance)
    low, high = (turn, np.inf) if volume_elastance > 0.0 else (-np.inf, turn)
    check_within(volume, low=low, high=high)
    return (elastance + volume_elastance * volume) * volume


def volume_dependent_volume(
    pressure: float | FloatArray, *, elastance: float, volume_elastance: float
) -> FloatArray:
    r"""Volume of a lung whose elastance changes in proportion to its volume.

    The inverse of :func:`volume_dependent_pressure`.

    Parameters
    ----------
    pressure : float or array of any shape
        Transmural pressure. [cmH2O]
    elastance : float
        Elastance at the relaxed volume, above 0. [cmH2O/mL]
    volume_elastance : float
        Elastance gained for each unit of volume. [cmH2O/mL²]

    Returns
    -------
    array of the shape of `pressure`
        Volume above the relaxed volume. [mL]

    Raises
    ------
    InputError
        If a number is not finite, `elastance` is not above 0, or the curve turns back before a pressure.

    Notes
    -----
    .. math:: v = \frac{2 p}{E_1 + \sqrt{E_1^2 + 4 E_2 p}}

    References
    ----------
    .. [1] Root of the quadratic equation, in the form that also holds for :math:`E_2 = 0`.

    Examples
    --------
    >>> float(volume_dependent_volume(12.5, elastance=0.02, volume_elastance=1e-5))
    500.0
    """
    check("", {"elastance": elastance})
    check("", {"volume_elastance": volume_elastance})
    pressure = finite_array("", "pressure", pressure, unit="cmH2O")
    under_root = elastance**2 + 4.0 * volume_elastance * pressure
    if np.any(under_root <= 0.0):
        turn = -(elastance**2) / (4.0 * volume_elastance)
        wrong = float(np.extract(under_root <= 0.0, pressure)[0])
        side = "above" if volume_elastance > 0.0 else "below"
        raise InputError(
            f"pressure {wrong:.6g} cmH2O is not reached: the curve turns back at {turn:.6g} cmH2O.\n"
            f"  Allowed: {side} {turn:.6g} cmH2O."
        )
    return 2.0 * pressure / (elastance + np.sqrt(under_root))


def overdistension_index(tidal_volume: float, *, elastance: float, volume_elastance: float) -> float:
    r"""Share of the elastance at the end of inspiration that is due to the volume.

    Parameters
    ----------
    tidal_volume : float
        Volume of the breath, above 0. [mL]
    elastance : float
        Elastance at the beginning of the breath, above 0. [cmH2O/mL]
    volume_elastance : float
        Elastance gained for each unit of volume. [cmH2O/mL²]

    Returns
    -------
    float
        Share; below 0 if the elastance falls. [1]

    Raises
    ------
    InputError
        If a number is not finite, one of the first two is not above 0, or the elastance would fall to 0.

    Notes
    -----
    .. math:: \frac{E_2 V_T}{E_1 + E_2 V_T}

    Told to mean overdistension above 0.3 and recruitment below 0 (from memory); no advice.

    References
    ----------
    .. [1] The form is common in respiratory mechanics (from memory).

    Examples
    --------
    >>> overdistension_index(500.0, elastance=0.02, volume_elastance=1e-5)
    0.2
    """
    check("", {"tidal_volume": tidal_volume, "elastance": elastance})
    check("", {"volume_elastance": volume_elastance})
    gained = volume_elastance * tidal_volume
    if elastance + gained <= 0.0:
        raise InputError(
            f"volume_elastance {volume_elastance:.6g} cmH2O/mL² lets the elastance fall to "
            f"{elastance + gained:.6g} cmH2O/mL at {tidal_volume:.6g} mL.\n"
            f"  Allowed: above {-elastance / tidal_volume:.6g} cmH2O/mL²."
        )
    return gained / (elastance + gained)


def series_compliance(lung: float, chest_wall: float) -> float:
    r"""Compliance of a lung in a chest wall.

    Parameters
    ----------
    lung : float
        Compliance of the lung, above 0. [mL/cmH2O]
    chest_wall : float
        Compliance of the chest wall, above 0. [mL/cmH2O]

    Returns
    -------
    float
        Compliance of both together. [mL/cmH2O]

    Raises
    ------
    InputError
        If a number is not finite or not above 0.

    Notes
    -----
    .. math:: 1 / C_\mathrm{rs} = 1 / C_\mathrm{L} + 1 / C_\mathrm{cw}

    Both hold the same volume, so their pressures add up.

    References
    ----------
    .. [1] Textbooks of respiratory physiology (common practice, no source).

    Examples
    --------
    >>> series_compliance(200.0, 200.0)
    100.0
    """
    check("", {"compliance": lung, "chest_wall_compliance": chest_wall})
    return 1.0 / (1.0 / lung + 1.0 / chest_wall)
