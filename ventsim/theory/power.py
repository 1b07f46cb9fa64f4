"""Mechanical power: published bedside formulas for the energy that goes into the lung each minute.

The functions keep the published factor 0.098, which rounds 0.0980665 J for each cmH2O·L.
"""

import numpy as np

from ventsim.errors import InputError
from ventsim.theory.inputs import FloatArray, Floats, checked_together, unboxed
from ventsim.units import ML_PER_L

JOULES = 0.098  # as printed in the papers [J/(cmH2O·L)]


def mechanical_power_gattinoni_2016(
    *,
    tidal_volume: Floats,
    compliance: Floats,
    resistance: Floats,
    rate: Floats,
    ie_ratio: Floats,
    peep: Floats,
) -> Floats:
    r"""Mechanical power of volume control with constant flow, from the mechanics of the lung.

    Assumes one linear passive compartment, flow during all of inspiration, and no auto-PEEP.

    Parameters
    ----------
    tidal_volume : float or array
        Volume of a breath. [mL]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance to inspiration. [cmH2O·s/L]
    rate : float or array
        Breaths each minute. [1/min]
    ie_ratio : float or array
        Inspiratory over expiratory time, 0.5 for 1:2. [1]
    peep : float or array
        Set pressure of expiration. [cmH2O]

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Raises
    ------
    InputError
        If a value is impossible, or the shapes of arrays do not fit.

    Notes
    -----
    With elastance :math:`E = 1/C` and the I:E ratio r:

    .. math:: 0.098\,f\left\{V_T^2\left[\frac{E}{2} + f\,\frac{1 + r}{60\,r}\,R\right] + V_T\,PEEP\right\}

    References
    ----------
    .. [1] Gattinoni et al., Intensive Care Med 2016;42:1567-1575 (formula from memory).

    Examples
    --------
    >>> mechanical_power_gattinoni_2016(
    ...     tidal_volume=500.0, compliance=50.0, resistance=10.0, rate=20.0, ie_ratio=0.5, peep=5.0
    ... )
    14.7
    """
    values = {
        "tidal_volume": tidal_volume,
        "compliance": compliance,
        "resistance": resistance,
        "rate": rate,
        "ie_ratio": ie_ratio,
        "peep": peep,
    }
    volume, compliance, resistance, rate, ratio, peep = checked_together("mechanical_power_gattinoni_2016", values)
    litres = volume / ML_PER_L
    elastic = 0.5 * volume / compliance
    resistive = litres * rate * (1.0 + ratio) / (60.0 * ratio) * resistance
    return unboxed(JOULES * rate * litres * (elastic + resistive + peep))


def mechanical_power_simplified_gattinoni_2016(
    *, tidal_volume: Floats, rate: Floats, peak_pressure: Floats, plateau_pressure: Floats, peep: Floats
) -> Floats:
    r"""Mechanical power of volume control with constant flow, from displayed pressures.

    Assumes what :func:`mechanical_power_gattinoni_2016` assumes.

    Parameters
    ----------
    tidal_volume : float or array
        Volume of a breath. [mL]
    rate : float or array
        Breaths each minute. [1/min]
    peak_pressure : float or array
        Highest airway pressure. [cmH2O]
    plateau_pressure : float or array
        Airway pressure at the end of an inspiratory pause. [cmH2O]
    peep : float or array
        Set pressure of expiration. [cmH2O]

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Raises
    ------
    InputError
        If a value is impossible, the pressures are out of order, or the shapes of arrays do not fit.

    Notes
    -----
    .. math:: 0.098\,f\,V_T\left[p_{peak} - \tfrac12\,(p_{plat} - PEEP)\right]

    References
    ----------
    .. [1] Gattinoni et al., Intensive Care Med 2016;42:1567-1575 (formula from memory).

    Examples
    --------
    >>> mechanical_power_simplified_gattinoni_2016(
    ...     tidal_volume=500.0, rate=20.0, peak_pressure=20.0, plateau_pressure=15.0, peep=5.0
    ... )
    14.7
    """
    where = "mechanical_power_simplified_gattinoni_2016"
    values = {
        "tidal_volume": tidal_volume,
        "rate": rate,
        "peak_pressure": peak_pressure,
        "plateau_pressure": plateau_pressure,
        "peep": peep,
    }
    volume, rate, peak, plateau, peep = checked_together(where, values)
    _check_order(where, lower=("peep", peep), upper=("plateau_pressure", plateau))
    _check_order(where, lower=("plateau_pressure", plateau), upper=("peak_pressure", peak))
    return unboxed(JOULES * rate * volume / ML_PER_L * (peak - 0.5 * (plateau - peep)))


def mechanical_power_giosa_2019(
    *, tidal_volume: Floats, rate: Floats, peak_pressure: Floats, peep: Floats, flow: Floats
) -> Floats:
    r"""Mechanical power of volume control with constant flow, without a pause.

    Assumes a resistance of 10 cmH2O·s/L and what :func:`mechanical_power_gattinoni_2016` assumes.

    Parameters
    ----------
    tidal_volume : float or array
        Volume of a breath. [mL]
    rate : float or array
        Breaths each minute. [1/min]
    peak_pressure : float or array
        Highest airway pressure. [cmH2O]
    peep : float or array
        Set pressure of expiration. [cmH2O]
    flow : float or array
        Inspiratory flow; the paper has it in L/min. [L/s]

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Raises
    ------
    InputError
        If a value is impossible, the pressures are out of order, or the shapes of arrays do not fit.

    Notes
    -----
    With the minute volume in L/min and the flow F in L/min:

    .. math:: \dot V_E\,\frac{p_{peak} + PEEP + F/6}{20}

    References
    ----------
    .. [1] Giosa et al., 2019, PMC6879677.

    Examples
    --------
    >>> mechanical_power_giosa_2019(tidal_volume=500.0, rate=20.0, peak_pressure=20.0, peep=5.0, flow=0.5)
    15.0
    """
    where = "mechanical_power_giosa_2019"
    values = {
        "tidal_volume": tidal_volume,
        "rate": rate,
        "peak_pressure": peak_pressure,
        "peep": peep,
        "flow": flow,
    }
    volume, rate, peak, peep, flow = checked_together(where, values)
    _check_order(where, lower=("peep", peep), upper=("peak_pressure", peak))
    return unboxed(rate * volume / ML_PER_L * (peak + peep + 10.0 * flow) / 20.0)


def mechanical_power_becher_2019(
    *, tidal_volume: Floats, rate: Floats, inspiratory_pressure: Floats, peep: Floats
) -> Floats:
    r"""Mechanical power of pressure control, simplified.

    Assumes that pressure is at its set value for all of inspiration.

    Parameters
    ----------
    tidal_volume : float or array
        Volume of a breath. [mL]
    rate : float or array
        Breaths each minute. [1/min]
    inspiratory_pressure : float or array
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float or array
        Set pressure of expiration. [cmH2O]

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Raises
    ------
    InputError
        If a value is impossible, or the shapes of arrays do not fit.

    Notes
    -----
    .. math:: 0.098\,f\,V_T\,(PEEP + \Delta p)

    Exact for a square wave of pressure. A slow rise makes it too large: against the integral of pressure over
    volume in 50 patients the error was 19.4 ± 12.9 % [2]_.

    References
    ----------
    .. [1] Becher et al., Intensive Care Med 2019;45:1321-1323 (formula from memory).
    .. [2] Intensive Care Med Exp 2022, s40635-022-00448-5.

    Examples
    --------
    >>> mechanical_power_becher_2019(tidal_volume=450.0, rate=20.0, inspiratory_pressure=15.0, peep=5.0)
    17.64
    """
    values = {
        "tidal_volume": tidal_volume,
        "rate": rate,
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
    }
    volume, rate, step, peep = checked_together("mechanical_power_becher_2019", values)
    return unboxed(JOULES * rate * volume / ML_PER_L * (peep + step))


def _check_order(where: str, *, lower: tuple[str, FloatArray], upper: tuple[str, FloatArray]) -> None:
    (low_name, low), (high_name, high) = lower, upper
    bad = high < low
    if np.any(bad):
        raise InputError(
            f"{where}: {high_name} {float(high[bad][0]):.6g} cmH2O is below {low_name} "
            f"{float(low[bad][0]):.6g} cmH2O.\n  Allowed: at least {low_name}.\n"
            "  Give all pressures relative to atmosphere, and check which is which."
        )
