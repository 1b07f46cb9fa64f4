"""Two lungs that breathe sinusoidally side by side, seen as one lung."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.theory.inputs import FloatArray, Floats, checked, checked_two_lungs, unboxed
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class EffectiveMechanics:
    """The one lung that takes the same sinusoidal flow at the same pressure as two in parallel.

    Attributes
    ----------
    compliance : float or array
        Effective (dynamic) compliance. [mL/cmH2O]
    resistance : float or array
        Effective resistance. [cmH2O·s/L]
    """

    compliance: Floats
    resistance: Floats


def two_compartment_effective(
    frequency: Floats, *, compliances: Sequence[float] | FloatArray, resistances: Sequence[float] | FloatArray
) -> EffectiveMechanics:
    r"""Effective compliance and resistance of two parallel compartments over frequency.

    Assumes two linear compartments that join at one point, and sinusoidal flow that has settled.

    Parameters
    ----------
    frequency : float or array
        Frequency of the flow; zero and infinity give the limits. [Hz]
    compliances : sequence of float, or array of shape (2,)
        Compliance of each compartment. [mL/cmH2O]
    resistances : sequence of float, or array of shape (2,)
        Resistance of each compartment, up to the common point. [cmH2O·s/L]

    Returns
    -------
    EffectiveMechanics
        Compliance and resistance, each of the shape of `frequency`.

    Raises
    ------
    InputError
        If the frequency is negative, another value is not above zero, or there are not exactly two
        compartments.

    Notes
    -----
    With the angular frequency :math:`\omega` and :math:`\tau_i = R_i C_i`:

    .. math::

        C(\omega) = \frac{\omega^2 (\tau_2 C_1 + \tau_1 C_2)^2 + (C_1 + C_2)^2}
                         {\omega^2 (\tau_1^2 C_2 + \tau_2^2 C_1) + (C_1 + C_2)}

        R(\omega) = \frac{\omega^2 \tau_1 \tau_2 (\tau_2 C_1 + \tau_1 C_2) + (\tau_1 C_1 + \tau_2 C_2)}
                         {\omega^2 (\tau_2 C_1 + \tau_1 C_2)^2 + (C_1 + C_2)^2}

    With equal time constants neither depends on frequency; otherwise both fall as it rises.

    References
    ----------
    .. [1] Otis, McKerrow, Bartlett, Mead, McIlroy, Selverstone, Radford, Mechanical factors in distribution
       of pulmonary ventilation, J Appl Physiol 1956;8:427-443 (form from memory).

    Examples
    --------
    >>> lung = two_compartment_effective(0.25, compliances=[50.0, 50.0], resistances=[5.0, 25.0])
    >>> lung.compliance
    79.471
    >>> lung.resistance
    5.5626
    """
    where = "two_compartment_effective"
    frequency = checked(where, frequency, name="frequency")
    (c1, c2), (r1, r2) = checked_two_lungs(where, {"compliances": compliances, "resistances": resistances})
    c1, c2 = c1 / ML_PER_L, c2 / ML_PER_L  # litres, so that compliance times resistance is a time
    t1, t2 = r1 * c1, r2 * c2
    cross = t2 * c1 + t1 * c2
    # Weights of the terms without and with the squared frequency, over their sum, so that infinity works.
    with np.errstate(over="ignore"):
        steady = 1.0 / (1.0 + (2.0 * np.pi * frequency) ** 2 * t1 * t2)
    moving = (1.0 - steady) / (t1 * t2)
    divided = moving * cross**2 + steady * (c1 + c2) ** 2
    compliance = divided / (moving * (t1**2 * c2 + t2**2 * c1) + steady * (c1 + c2))
    resistance = (moving * t1 * t2 * cross + steady * (t1 * c1 + t2 * c2)) / divided
    return EffectiveMechanics(compliance=unboxed(compliance * ML_PER_L), resistance=unboxed(resistance))
