"""Pressure control: a square wave of pressure drives one linear lung."""

from dataclasses import dataclass

import numpy as np

from ventsim.theory.inputs import Floats, unboxed
from ventsim.theory.pressure_state import settled_pressure
from ventsim.theory.waveform import BreathWaveform
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class PressureControlBreath:
    """The breath that repeats itself in pressure control.

    Attributes
    ----------
    tidal_volume : float or array
        Volume that goes in and out. [mL]
    end_inspiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of inspiration. [cmH2O]
    end_expiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of expiration. [cmH2O]
    auto_peep : float or array
        End-expiratory alveolar pressure above the set PEEP. [cmH2O]
    minute_volume : float or array
        Tidal volume times rate. [L/min]
    peak_inspiratory_flow : float or array
        Flow into the lung at the start of inspiration. [L/s]
    peak_expiratory_flow : float or array
        Flow out of the lung at the start of expiration, as a positive number. [L/s]
    mean_airway_pressure : float or array
        Mean pressure at the airway opening. [cmH2O]
    mean_alveolar_pressure : float or array
        Mean pressure in the lung. [cmH2O]
    """

    tidal_volume: Floats
    end_inspiratory_alveolar_pressure: Floats
    end_expiratory_alveolar_pressure: Floats
    auto_peep: Floats
    minute_volume: Floats
    peak_inspiratory_flow: Floats
    peak_expiratory_flow: Floats
    mean_airway_pressure: Floats
    mean_alveolar_pressure: Floats


def pressure_control(
    *,
    inspiratory_pressure: Floats,
    peep: Floats,
    compliance: Floats,
    resistance: Floats,
    expiratory_resistance: Floats | None = None,
    rate: Floats,
    inspiratory_time: Floats,
) -> PressureControlBreath:
    r"""Steady breath of one lung under a square wave of pressure.

    Assumes one linear passive compartment, an ideal pressure source and no gas stored in the circuit.

    Parameters
    ----------
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
    PressureControlBreath
        Volumes, pressures and flows, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, inspiration fills the whole period, or the shapes of arrays do not fit.

    Notes
    -----
    With :math:`a = e^{-t_i/(R_i C)}`, :math:`b = e^{-t_e/(R_e C)}`, :math:`D = t_i/T`:

    .. math::

        V_T &= C\,\Delta p\,\frac{(1-a)(1-b)}{1-ab} \\
        p_{ei} &= PEEP + \Delta p\,\frac{1-a}{1-ab} \\
        p_{ee} &= PEEP + \Delta p\,\frac{b(1-a)}{1-ab} \\
        \bar p_{aw} &= PEEP + D\,\Delta p \\
        \bar p_{alv} &= \bar p_{aw} + (R_e - R_i)\,V_T/T

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (formulas from memory, derived again and checked by integration).
    .. [2] Marini, Ravenscraft, Mean airway pressure, Crit Care Med 1992;20:1461-1472 and 1604-1616 (last
       line, from memory).

    Examples
    --------
    >>> breath = pressure_control(
    ...     inspiratory_pressure=20.0, peep=5.0, compliance=60.0, resistance=15.0, expiratory_resistance=25.0,
    ...     rate=20.0, inspiratory_time=1.0,
    ... )
    >>> breath.tidal_volume
    649.11
    >>> breath.auto_peep
    3.87249
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
    state, _ = settled_pressure("pressure_control", settings=settings, others={})
    volume = state.compliance * state.swing
    mean_airway = state.peep + state.step * state.inspiratory_time / state.period
    surplus = (state.expiratory_resistance - state.resistance) * volume / ML_PER_L / state.period
    return PressureControlBreath(
        tidal_volume=unboxed(volume),
        end_inspiratory_alveolar_pressure=unboxed(state.peep + state.end_inspiration),
        end_expiratory_alveolar_pressure=unboxed(state.peep + state.end_expiration),
        auto_peep=unboxed(state.end_expiration),
        minute_volume=unboxed(state.rate * volume / ML_PER_L),
        peak_inspiratory_flow=unboxed(state.onset / state.resistance),
        peak_expiratory_flow=unboxed(state.end_inspiration / state.expiratory_resistance),
        mean_airway_pressure=unboxed(mean_airway),
        mean_alveolar_pressure=unboxed(mean_airway + surplus),
    )


def pressure_control_waveform(
    time: Floats,
    *,
    inspiratory_pressure: float,
    peep: float,
    compliance: float,
    resistance: float,
    expiratory_resistance: float | None = None,
    rate: float,
    inspiratory_time: float,
) -> BreathWaveform:
    r"""Pressures, flow and volume over time in the steady breath of pressure control.

    Assumes what :func:`pressure_control` assumes.

    Parameters
    ----------
    time : float or array of any shape
        Time since the start of any inspiration; the breath repeats itself. [s]
    inspiratory_pressure : float
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float
        Set pressure of expiration. [cmH2O]
    compliance : float
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float
        Resistance to inspiration, from source to lung. [cmH2O·s/L]
    expiratory_resistance : float, optional
        Resistance to expiration, from lung to exhalation valve; without it, as to inspiration. [cmH2O·s/L]
    rate : float
        Breaths each minute. [1/min]
    inspiratory_time : float
        Duration of inspiration. [s]

    Returns
    -------
    BreathWaveform
        Each of the shape of `time`. At the moment of a switch, airway pressure and flow are those just after
        it.

    Raises
    ------
    InputError
        If a value is impossible, or inspiration fills the whole period.

    Notes
    -----
    With :math:`p_{ei}`, :math:`p_{ee}` of :func:`pressure_control`, time since the start of each phase:

    .. math::

        \text{inspiration:}\quad p_{alv} &= PEEP + \Delta p - (PEEP + \Delta p - p_{ee})\,e^{-t/(R_i C)} \\
        \text{expiration:}\quad p_{alv} &= PEEP + (p_{ei} - PEEP)\,e^{-t/(R_e C)} \\
        \dot V &= (p_{aw} - p_{alv})/R, \qquad V = C\,p_{alv}

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (formulas from memory, derived again and checked by integration).

    Examples
    --------
    >>> wave = pressure_control_waveform(
    ...     0.5, inspiratory_pressure=15.0, peep=5.0, compliance=50.0, resistance=10.0, rate=15.0,
    ...     inspiratory_time=4 / 3,
    ... )
    >>> wave.alveolar_pressure
    14.507
    >>> wave.flow
    0.549
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
    others = {"time of the cycle": time}
    state, (time,) = settled_pressure("pressure_control_waveform", settings=settings, others=others)
    phase = np.mod(time, state.period)
    inspiring = phase < state.inspiratory_time
    since = np.where(inspiring, phase, phase - state.inspiratory_time)
    resistance = np.where(inspiring, state.resistance, state.expiratory_resistance)
    decay = np.exp(-since / (resistance * state.compliance / ML_PER_L))
    airway = state.peep + np.where(inspiring, state.step, 0.0)
    drop = np.where(inspiring, state.onset, -state.end_inspiration) * decay
    alveolar = airway - drop
    return BreathWaveform(
        volume=unboxed(state.compliance * alveolar),
        flow=unboxed(drop / resistance),
        airway_pressure=unboxed(airway),
        alveolar_pressure=unboxed(alveolar),
    )
