"""Volume control: a set flow fills one linear lung, which then empties through the exhalation valve."""

from dataclasses import dataclass

import numpy as np

from ventsim.theory.flow_patterns import (
    FlowPattern,
    flow_shape,
    peak_pressure_fraction,
    volume_mean,
    volume_shape,
)
from ventsim.theory.inputs import Floats, unboxed
from ventsim.theory.volume_state import settled_volume
from ventsim.theory.waveform import BreathWaveform
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class VolumeControlBreath:
    """The breath that repeats itself in volume control.

    Attributes
    ----------
    auto_peep : float or array
        End-expiratory alveolar pressure above the set PEEP. [cmH2O]
    end_expiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of expiration. [cmH2O]
    plateau_pressure : float or array
        Pressure in the lung at the end of inspiration; a pause shows it at the airway. [cmH2O]
    driving_pressure : float or array
        Plateau pressure above end-expiratory alveolar pressure. [cmH2O]
    peak_airway_pressure : float or array
        Highest pressure at the airway opening. [cmH2O]
    peak_airway_pressure_time : float or array
        Moment of the highest airway pressure after the start of inspiration. [s]
    end_flow_airway_pressure : float or array
        Pressure at the airway opening when the set flow ends, just before it stops. [cmH2O]
    onset_pressure_step : float or array
        Jump of airway pressure above alveolar pressure when the flow starts. [cmH2O]
    peak_inspiratory_flow : float or array
        Highest flow into the lung. [L/s]
    peak_expiratory_flow : float or array
        Flow out of the lung at the start of expiration, as a positive number. [L/s]
    minute_volume : float or array
        Tidal volume times rate. [L/min]
    mean_airway_pressure : float or array
        Mean pressure at the airway opening. [cmH2O]
    mean_alveolar_pressure : float or array
        Mean pressure in the lung. [cmH2O]
    """

    auto_peep: Floats
    end_expiratory_alveolar_pressure: Floats
    plateau_pressure: Floats
    driving_pressure: Floats
    peak_airway_pressure: Floats
    peak_airway_pressure_time: Floats
    end_flow_airway_pressure: Floats
    onset_pressure_step: Floats
    peak_inspiratory_flow: Floats
    peak_expiratory_flow: Floats
    minute_volume: Floats
    mean_airway_pressure: Floats
    mean_alveolar_pressure: Floats


def volume_control(
    *,
    tidal_volume: Floats,
    peep: Floats,
    compliance: Floats,
    resistance: Floats,
    expiratory_resistance: Floats | None = None,
    rate: Floats,
    inspiratory_time: Floats,
    pause_time: Floats = 0.0,
    flow_pattern: FlowPattern = "constant",
    end_flow_ratio: Floats = 0.0,
) -> VolumeControlBreath:
    r"""Steady breath of one lung that a set flow fills.

    Assumes one linear passive compartment, an ideal flow source, no gas stored in the circuit, and an airway
    that is at PEEP for all of expiration.

    Parameters
    ----------
    tidal_volume : float or array
        Set volume. [mL]
    peep : float or array
        Set pressure of expiration. [cmH2O]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float or array
        Resistance to inspiration, from airway opening to lung. [cmH2O·s/L]
    expiratory_resistance : float or array, optional
        Resistance to expiration, from lung to exhalation valve; without it, as to inspiration. [cmH2O·s/L]
    rate : float or array
        Breaths each minute. [1/min]
    inspiratory_time : float or array
        Duration of inspiration, including the pause. [s]
    pause_time : float or array, default 0.0
        Duration of the end-inspiratory pause. [s]
    flow_pattern : {"constant", "decelerating", "sine"}, default "constant"
        Shape of the set flow: constant, a falling straight line, or half a sine.
    end_flow_ratio : float or array, default 0.0
        Flow at the end over flow at the start, for the decelerating pattern only. [1]

    Returns
    -------
    VolumeControlBreath
        Pressures, flows and times, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, no time is left for flow or expiration, or the shapes of arrays do not fit.

    Notes
    -----
    With flow time :math:`t_f`, :math:`b = e^{-t_e/(R_e C)}`, and flow :math:`\dot V(t)` of integral V(t):

    .. math::

        p_{ee} &= PEEP + \frac{V_T}{C}\,\frac{b}{1-b}, \qquad p_{plat} = p_{ee} + V_T/C \\
        p_{peak} &= \max_t\,\bigl[p_{ee} + V(t)/C + R_i \dot V(t)\bigr] \\
        \bar p_{alv} &= \bar p_{aw} + (R_e - R_i)\,V_T/T

    Constant flow peaks at its end with :math:`p_{plat} + R_i V_T/t_f`. A ramp that falls to the part k starts
    with :math:`\frac{2 V_T}{(1+k)\,t_f}` and peaks at :math:`\frac{t_f}{1-k} - R_i C`, kept within the flow
    time. Half a sine has the highest flow :math:`\frac{\pi V_T}{2 t_f}` and peaks with :math:`p_{ee} +
    \frac{V_T}{2C}\bigl(1 + \sqrt{1 + (\pi R_i C/t_f)^2}\bigr)`.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (equation of motion, from memory; the
       breath is derived here and checked by integration and against a published example, Crit Care 2013,
       cc12561, Table 1).

    Examples
    --------
    >>> breath = volume_control(
    ...     tidal_volume=500.0, peep=5.0, compliance=50.0, resistance=10.0, rate=15.0, inspiratory_time=1.0
    ... )
    >>> breath.peak_airway_pressure
    20.02485
    >>> breath.plateau_pressure
    15.02485
    """
    settings = {
        "tidal_volume": tidal_volume,
        "peep": peep,
        "compliance": compliance,
        "resistance": resistance,
        "expiratory_resistance": expiratory_resistance,
        "rate": rate,
        "inspiratory_time": inspiratory_time,
        "pause_time": pause_time,
        "end_flow_ratio": end_flow_ratio,
    }
    state, _ = settled_volume("volume_control", settings=settings, flow_pattern=flow_pattern, others={})
    shape = {"flow_pattern": flow_pattern, "end_flow_ratio": state.end_flow_ratio}
    total_peep = state.peep + state.auto_peep
    plateau = total_peep + state.driving_pressure
    mean_flow = state.tidal_volume / ML_PER_L / state.flow_time
    resistive = state.resistance * mean_flow
    peak_at = peak_pressure_fraction(resistive / state.driving_pressure, **shape)
    peak = state.driving_pressure * volume_shape(peak_at, **shape) + resistive * flow_shape(peak_at, **shape)
    # The highest flow comes at the start, or in the middle of half a sine.
    fastest = np.full_like(peak_at, 0.5 if flow_pattern == "sine" else 0.0)
    area = (  # integral of airway pressure above PEEP over one breath [cmH2O·s]
        (state.auto_peep + state.driving_pressure * volume_mean(**shape) + resistive) * state.flow_time
        + (plateau - state.peep) * state.pause_time
    )
    mean_airway = state.peep + area / state.period
    surplus = (state.expiratory_resistance - state.resistance) * state.tidal_volume / ML_PER_L / state.period
    return VolumeControlBreath(
        auto_peep=unboxed(state.auto_peep),
        end_expiratory_alveolar_pressure=unboxed(total_peep),
        plateau_pressure=unboxed(plateau),
        driving_pressure=unboxed(state.driving_pressure),
        peak_airway_pressure=unboxed(total_peep + peak),
        peak_airway_pressure_time=unboxed(peak_at * state.flow_time),
        end_flow_airway_pressure=unboxed(plateau + resistive * flow_shape(np.ones_like(peak_at), **shape)),
        onset_pressure_step=unboxed(resistive * flow_shape(np.zeros_like(peak_at), **shape)),
        peak_inspiratory_flow=unboxed(mean_flow * flow_shape(fastest, **shape)),
        peak_expiratory_flow=unboxed((plateau - state.peep) / state.expiratory_resistance),
        minute_volume=unboxed(state.rate * state.tidal_volume / ML_PER_L),
        mean_airway_pressure=unboxed(mean_airway),
        mean_alveolar_pressure=unboxed(mean_airway + surplus),
    )


def volume_control_waveform(
    time: Floats,
    *,
    tidal_volume: float,
    peep: float,
    compliance: float,
    resistance: float,
    expiratory_resistance: float | None = None,
    rate: float,
    inspiratory_time: float,
    pause_time: float = 0.0,
    flow_pattern: FlowPattern = "constant",
    end_flow_ratio: float = 0.0,
) -> BreathWaveform:
    r"""Pressures, flow and volume over time in the steady breath of volume control.

    Assumes what :func:`volume_control` assumes.

    Parameters
    ----------
    time : float or array of any shape
        Time since the start of any inspiration; the breath repeats itself. [s]
    tidal_volume : float
        Set volume. [mL]
    peep : float
        Set pressure of expiration. [cmH2O]
    compliance : float
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : float
        Resistance to inspiration, from airway opening to lung. [cmH2O·s/L]
    expiratory_resistance : float, optional
        Resistance to expiration, from lung to exhalation valve; without it, as to inspiration. [cmH2O·s/L]
    rate : float
        Breaths each minute. [1/min]
    inspiratory_time : float
        Duration of inspiration, including the pause. [s]
    pause_time : float, default 0.0
        Duration of the end-inspiratory pause. [s]
    flow_pattern : {"constant", "decelerating", "sine"}, default "constant"
        Shape of the set flow: constant, a falling straight line, or half a sine.
    end_flow_ratio : float, default 0.0
        Flow at the end over flow at the start, for the decelerating pattern only. [1]

    Returns
    -------
    BreathWaveform
        Each of the shape of `time`. At the moment of a switch, airway pressure and flow are those just after
        it.

    Raises
    ------
    InputError
        If a value is impossible, or no time is left for flow or expiration.

    Notes
    -----
    While the flow is on, :math:`p_{alv} = p_{ee} + V(t)/C` and :math:`p_{aw} = p_{alv} + R_i \dot V(t)`; in
    the pause both are at the plateau; in expiration the airway is at PEEP and the lung decays towards it with
    :math:`R_e C`.

    Examples
    --------
    >>> wave = volume_control_waveform(
    ...     0.5, tidal_volume=500.0, peep=5.0, compliance=50.0, resistance=10.0, rate=15.0,
    ...     inspiratory_time=1.0,
    ... )
    >>> wave.airway_pressure
    15.02485
    >>> wave.flow
    0.5
    """
    settings = {
        "tidal_volume": tidal_volume,
        "peep": peep,
        "compliance": compliance,
        "resistance": resistance,
        "expiratory_resistance": expiratory_resistance,
        "rate": rate,
        "inspiratory_time": inspiratory_time,
        "pause_time": pause_time,
        "end_flow_ratio": end_flow_ratio,
    }
    others = {"time of the cycle": time}
    state, (time,) = settled_volume(
        "volume_control_waveform", settings=settings, flow_pattern=flow_pattern, others=others
    )
    shape = {"flow_pattern": flow_pattern, "end_flow_ratio": state.end_flow_ratio}
    phase = np.mod(time, state.period)
    flowing, exhaling = phase < state.flow_time, phase >= state.inspiratory_time
    fraction = np.minimum(phase / state.flow_time, 1.0)
    set_flow = state.tidal_volume / ML_PER_L / state.flow_time * flow_shape(fraction, **shape)
    filled = state.peep + state.auto_peep + state.driving_pressure * volume_shape(fraction, **shape)
    since = np.maximum(phase - state.inspiratory_time, 0.0)
    # Before expiration the time since its start is zero, and the excess is the one of the plateau, unused.
    excess = (state.auto_peep + state.driving_pressure) * np.exp(-since / state.expiratory_time_constant)
    alveolar = np.where(exhaling, state.peep + excess, filled)
    flow = np.where(flowing, set_flow, np.where(exhaling, -excess / state.expiratory_resistance, 0.0))
    airway = np.where(exhaling, state.peep, alveolar + np.where(flowing, state.resistance * set_flow, 0.0))
    return BreathWaveform(
        volume=unboxed(state.compliance * alveolar),
        flow=unboxed(flow),
        airway_pressure=unboxed(airway),
        alveolar_pressure=unboxed(alveolar),
    )
