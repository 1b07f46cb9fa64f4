"""Pressure control from rest: breath after breath towards the steady one, and one slow rise of pressure."""

from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.theory.inputs import Floats, checked_together, unboxed
from ventsim.theory.pressure_state import settled_pressure
from ventsim.theory.waveform import BreathWaveform
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class ApproachBreath:
    """One of the first breaths after the ventilator is switched on.

    Attributes
    ----------
    inspired_volume : float or array
        Volume that goes in. [mL]
    expired_volume : float or array
        Volume that comes out, less than goes in until the breath repeats itself. [mL]
    end_inspiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of inspiration. [cmH2O]
    end_expiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of expiration. [cmH2O]
    """

    inspired_volume: Floats
    expired_volume: Floats
    end_inspiratory_alveolar_pressure: Floats
    end_expiratory_alveolar_pressure: Floats


def pressure_control_approach(
    breath: Floats,
    *,
    inspiratory_pressure: Floats,
    peep: Floats,
    compliance: Floats,
    resistance: Floats,
    expiratory_resistance: Floats | None = None,
    rate: Floats,
    inspiratory_time: Floats,
) -> ApproachBreath:
    r"""The n-th breath of pressure control after rest at PEEP.

    Assumes what :func:`pressure_control` assumes, and a lung at PEEP before the first breath.

    Parameters
    ----------
    breath : float or array
        Number of the breath; the first is 1. Whole numbers. [1]
    inspiratory_pressure : float or array
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float or array
        Set pressure of expiration. [cmH2O]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance to inspiration, from source to lung. [cmH2O·s/L]
    expiratory_resistance : float or array, optional
        Resistance to expiration, from lung to exhalation valve; without it, as to inspiration. [cmH2O·s/L]
    rate : float or array
        Breaths each minute. [1/min]
    inspiratory_time : float or array
        Duration of inspiration. [s]

    Returns
    -------
    ApproachBreath
        Volumes and pressures of that breath, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, inspiration fills the whole period, or the shapes of arrays do not fit.

    Notes
    -----
    With :math:`a = e^{-t_i/(R_i C)}` and :math:`b = e^{-t_e/(R_e C)}`, the pressure above PEEP at the end of
    expiration n is

    .. math:: p_{ee,n} = p_{ee,\infty}\,\bigl(1 - (ab)^n\bigr)

    and from one breath to the next :math:`p_{ei,n} = a\,p_{ee,n-1} + (1-a)\,\Delta p`.

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (steady state, from memory; the approach is derived here and checked by recursion).

    Examples
    --------
    >>> first = pressure_control_approach(
    ...     1, inspiratory_pressure=20.0, peep=5.0, compliance=60.0, resistance=15.0,
    ...     expiratory_resistance=25.0, rate=20.0, inspiratory_time=1.0,
    ... )
    >>> first.inspired_volume
    804.97
    >>> first.expired_volume
    592.78
    """
    settings = {
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
        "compliance": compliance,
        "resistance": resistance,
        "expiratory_resistance": expiratory_resistance,
        "rate": rate,
        "inspiratory_time": inspiratory_time,
    }
    where = "pressure_control_approach"
    state, (breath,) = settled_pressure(where, settings=settings, others={"breath": breath})
    fraction = np.mod(breath, 1.0)
    if np.any(fraction):
        raise InputError(
            f"{where}: breath {float(breath[fraction > 0][0]):.6g} is not a whole number.\n"
            "  Allowed: 1, 2, 3 and so on.\n  Give the number of a breath; the first is 1."
        )
    cycle = state.filling + state.emptying
    before = state.end_expiration * -np.expm1(-(breath - 1.0) * cycle)
    after = state.end_expiration * -np.expm1(-breath * cycle)
    top = before * np.exp(-state.filling) - state.step * np.expm1(-state.filling)
    return ApproachBreath(
        inspired_volume=unboxed(state.compliance * (top - before)),
        expired_volume=unboxed(state.compliance * (top - after)),
        end_inspiratory_alveolar_pressure=unboxed(state.peep + top),
        end_expiratory_alveolar_pressure=unboxed(state.peep + after),
    )


def pressure_rise_from_rest(
    time: Floats,
    *,
    inspiratory_pressure: Floats,
    peep: Floats,
    rise_time_constant: Floats,
    compliance: Floats,
    resistance: Floats,
) -> BreathWaveform:
    r"""Filling of a lung at rest by a pressure that rises exponentially.

    Assumes one linear passive compartment at PEEP when the rise begins, and an ideal pressure source.

    Parameters
    ----------
    time : float or array
        Time since the start of the rise. [s]
    inspiratory_pressure : float or array
        Final pressure above PEEP. [cmH2O]
    peep : float or array
        Pressure before the rise. [cmH2O]
    rise_time_constant : float or array
        Time constant of the rise; it may equal that of the lung. [s]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance to inspiration, from source to lung. [cmH2O·s/L]

    Returns
    -------
    BreathWaveform
        Pressures, flow and volume, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, or the shapes of arrays do not fit.

    Notes
    -----
    With the time constant of the lung :math:`\tau = RC` and that of the rise :math:`\tau_r`:

    .. math::

        p_{aw} &= PEEP + \Delta p\,(1 - e^{-t/\tau_r}) \\
        p_{alv} &= PEEP + \Delta p
                   \left[1 - \frac{\tau e^{-t/\tau} - \tau_r e^{-t/\tau_r}}{\tau - \tau_r}\right]

    For equal time constants the bracket becomes :math:`1 - (1 + t/\tau)\,e^{-t/\tau}`.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (equation of motion, from memory; the
       response to this rise is derived here and checked by integration).

    Examples
    --------
    >>> wave = pressure_rise_from_rest(
    ...     1.0, inspiratory_pressure=15.0, peep=5.0, rise_time_constant=0.1, compliance=50.0, resistance=10.0
    ... )
    >>> wave.alveolar_pressure
    17.4626
    """
    values = {
        "time": time,
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
        "rise_time_constant": rise_time_constant,
        "compliance": compliance,
        "resistance": resistance,
    }
    time, step, peep, rise, compliance, resistance = checked_together("pressure_rise_from_rest", values)
    lung = resistance * compliance / ML_PER_L
    slow, fast = np.maximum(lung, rise), np.minimum(lung, rise)
    gap = time * (slow - fast) / (slow * fast)
    # (1 - exp(-x)) / x, which is 1 for equal time constants: the difference quotient of the two exponentials.
    quotient = np.where(gap > 0.0, -np.expm1(-gap) / np.where(gap > 0.0, gap, 1.0), 1.0)
    shared = time * np.exp(-time / slow) * quotient
    alveolar = peep + step * (-np.expm1(-time / lung) - shared / lung)
    return BreathWaveform(
        volume=unboxed(compliance * alveolar),
        flow=unboxed(step / resistance * shared / rise),
        airway_pressure=unboxed(peep - step * np.expm1(-time / rise)),
        alveolar_pressure=unboxed(alveolar),
    )
