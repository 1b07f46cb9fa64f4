"""Time constant of a lung, and how much of an exponential change is done after a while."""

import numpy as np

from ventsim.theory.inputs import Floats, checked_together, unboxed
from ventsim.units import ML_PER_L


def time_constant(*, compliance: Floats, resistance: Floats) -> Floats:
    r"""Time in which a passive lung completes 63 % of a change.

    Assumes a linear lung: one compliance, one resistance.

    Parameters
    ----------
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance between the lung and the pressure that drives it. [cmH2O·s/L]

    Returns
    -------
    float or array
        Time constant. [s]

    Raises
    ------
    InputError
        If a value is not above zero, or the shapes of arrays do not fit.

    Notes
    -----
    .. math:: \tau = R\,C

    Resistance is one number only while the pressure drop is proportional to flow. With a quadratic part, the
    time constant falls as the lung empties.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (from memory).

    Examples
    --------
    >>> time_constant(compliance=50.0, resistance=10.0)
    0.5
    """
    compliance, resistance = checked_together(
        "time_constant", {"compliance": compliance, "resistance": resistance}
    )
    return unboxed(resistance * compliance / ML_PER_L)


def fraction_complete(time: Floats, *, time_constant: Floats) -> Floats:
    r"""Part of an exponential change that is done after a given time.

    Assumes a step of pressure and a linear lung.

    Parameters
    ----------
    time : float or array
        Time since the step. [s]
    time_constant : float or array
        Time constant of the change. [s]

    Returns
    -------
    float or array
        Part of the final change, between 0 and 1. [1]

    Raises
    ------
    InputError
        If the time is negative, the time constant is not above zero, or the shapes of arrays do not fit.

    Notes
    -----
    .. math:: 1 - e^{-t/\tau}

    After three time constants 5 % is left, which is why expiration shorter than three time constants is a
    usual flag for trapped gas (common practice, no source).

    Examples
    --------
    >>> fraction_complete(1.5, time_constant=0.5)
    0.95021
    """
    time, time_constant = checked_together("fraction_complete", {"time": time, "time_constant": time_constant})
    return unboxed(-np.expm1(-time / time_constant))
