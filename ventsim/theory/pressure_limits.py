"""Limits of pressure control: a lung that empties completely, and a rate that grows without end."""

from dataclasses import dataclass

import numpy as np

from ventsim.theory.inputs import Floats, checked_together, unboxed
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class RateCeiling:
    """What pressure control tends to as the rate grows.

    Attributes
    ----------
    minute_volume : float or array
        Largest minute volume; tidal volume itself tends to zero. [L/min]
    mean_alveolar_pressure : float or array
        Pressure at which the lung comes to stand. [cmH2O]
    """

    minute_volume: Floats
    mean_alveolar_pressure: Floats


def pressure_control_fully_emptied(
    *, inspiratory_pressure: Floats, compliance: Floats, resistance: Floats, inspiratory_time: Floats
) -> Floats:
    r"""Tidal volume of pressure control when expiration is long enough to empty the lung.

    Assumes one linear passive compartment, and an expiratory time much longer than its time constant.

    Parameters
    ----------
    inspiratory_pressure : float or array
        Set pressure of inspiration above PEEP. [cmH2O]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance to inspiration, from source to lung. [cmH2O·s/L]
    inspiratory_time : float or array
        Duration of inspiration. [s]

    Returns
    -------
    float or array
        Tidal volume. [mL]

    Raises
    ------
    InputError
        If a value is not above zero, or the shapes of arrays do not fit.

    Notes
    -----
    .. math:: V_T = C\,\Delta p\,\bigl(1 - e^{-t_i/(R_i C)}\bigr)

    It is the upper bound of the tidal volume at any rate.

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (from memory, derived again).

    Examples
    --------
    >>> pressure_control_fully_emptied(
    ...     inspiratory_pressure=10.0, compliance=50.0, resistance=5.0, inspiratory_time=1.0
    ... )
    490.84
    """
    values = {
        "inspiratory_pressure": inspiratory_pressure,
        "compliance": compliance,
        "resistance": resistance,
        "inspiratory_time": inspiratory_time,
    }
    step, compliance, resistance, time_in = checked_together("pressure_control_fully_emptied", values)
    filled = -np.expm1(-time_in / (resistance * compliance / ML_PER_L))
    return unboxed(compliance * step * filled)


def pressure_control_rate_ceiling(
    *,
    inspiratory_pressure: Floats,
    peep: Floats,
    resistance: Floats,
    expiratory_resistance: Floats | None = None,
    duty_cycle: Floats,
) -> RateCeiling:
    r"""Largest minute volume of pressure control, reached as the rate grows at a fixed duty cycle.

    Assumes one linear passive compartment; its compliance does not matter.

    Parameters
    ----------
    inspiratory_pressure : float or array
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float or array
        Set pressure of expiration. [cmH2O]
    resistance : float or array
        Resistance to inspiration, from source to lung. [cmH2O·s/L]
    expiratory_resistance : float or array, optional
        Resistance to expiration, from lung to exhalation valve; without it, as to inspiration. [cmH2O·s/L]
    duty_cycle : float or array
        Inspiratory time as a part of the period, between 0 and 1. [1]

    Returns
    -------
    RateCeiling
        Minute volume and mean alveolar pressure, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, or the shapes of arrays do not fit.

    Notes
    -----
    .. math::

        \dot V_E &= \frac{60\,\Delta p\,D(1-D)}{D R_e + (1-D) R_i} \\
        \bar p_{alv} &= PEEP + \frac{\Delta p\,D R_e}{D R_e + (1-D) R_i}

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (from memory, derived again).

    Examples
    --------
    >>> ceiling = pressure_control_rate_ceiling(
    ...     inspiratory_pressure=15.0, peep=5.0, resistance=10.0, duty_cycle=0.5
    ... )
    >>> ceiling.minute_volume
    22.5
    >>> ceiling.mean_alveolar_pressure
    12.5
    """
    values = {
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
        "resistance": resistance,
        "expiratory_resistance": resistance if expiratory_resistance is None else expiratory_resistance,
        "duty_cycle": duty_cycle,
    }
    step, peep, r_in, r_out, duty = checked_together("pressure_control_rate_ceiling", values)
    weight = duty * r_out + (1.0 - duty) * r_in
    return RateCeiling(
        minute_volume=unboxed(60.0 * step * duty * (1.0 - duty) / weight),
        mean_alveolar_pressure=unboxed(peep + step * duty * r_out / weight),
    )
