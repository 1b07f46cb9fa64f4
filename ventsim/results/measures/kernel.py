"""The measures of one breath, compiled: the one definition of each of them."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ventsim.results.schema import TIME_ROUNDING
from ventsim.units import ML_PER_L

FloatArray = NDArray[np.float64]

TIMING = ("breath_start", "flow_end", "inspiration_end", "breath_end", "set_peep")
"""Order of the numbers in `timing` of :func:`measure_breath`."""

LUNG_SIGNALS = (
    "airway_pressure", "alveolar_pressure", "flow", "volume", "inspired_volume", "expired_volume",
    "airway_pressure_integral", "alveolar_pressure_integral", "inspiratory_work",
)  # fmt: skip
"""Order of the last axis of `lung_signals` of :func:`measure_breath`."""
_P_AW, _P_ALV, _FLOW, _VOLUME, _V_IN, _V_OUT, _INT_P_AW, _INT_P_ALV, _WORK = range(len(LUNG_SIGNALS))

PORT_SIGNALS = (
    "inspiratory_port_pressure", "expiratory_port_pressure", "delivered_volume", "returned_volume",
    "relief_volume", "inspiratory_port_pressure_integral", "circuit_volume", "leaked_volume",
)  # fmt: skip
"""Order of the last axis of `port_signals` of :func:`measure_breath`."""
_P_I, _P_E, _V_DEL, _V_RET, _V_REL, _INT_P_I, _V_CIR, _V_LEAK = range(len(PORT_SIGNALS))

LUNG_MEASURES = (
    "inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "tidal_volume_per_weight",
    "peak_airway_pressure", "mean_airway_pressure", "mean_alveolar_pressure",
    "end_inspiratory_alveolar_pressure", "end_expiratory_alveolar_pressure", "plateau_pressure",
    "driving_pressure", "total_peep", "auto_peep", "peak_inspiratory_flow", "peak_expiratory_flow",
    "minute_volume", "mechanical_power",
)  # fmt: skip
"""Order of the columns of `lung_out` of :func:`measure_breath`."""

PORT_MEASURES = (
    "port_delivered_volume", "port_returned_volume", "port_relief_volume", "port_peak_pressure",
    "port_end_inspiratory_pressure", "port_plateau_pressure", "port_mean_pressure", "port_peep",
    "lungs_held_volume", "compressed_volume", "volume_balance_error", "leak_volume",
)  # fmt: skip
"""Order of the numbers in `port_out` of :func:`measure_breath`."""


@njit(cache=True, nogil=True)
def _largest(values: FloatArray, sign: float) -> float:
    """The largest of ``sign * values``, or NaN if one is NaN."""
    found = sign * values[0]
    for value in values:
        if sign * value > found or value != value:
            found = sign * value
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def measure_breath(
    time: FloatArray,
    timing: FloatArray,
    lung_signals: FloatArray,
    port_signals: FloatArray,
    predicted_body_weight: FloatArray,
    lung_out: FloatArray,
    port_out: FloatArray,
) -> None:
    r"""Measures of one breath from its samples, written into two arrays.

    The arguments are positional because compiled code calls this function. The first sample is the one just
    after the start of the breath, the last one just before its end, and one lies just before the start of
    expiration. A signal that is NaN gives measures that are NaN.

    Parameters
    ----------
    time : array of shape (n,)
        Times of the samples, increasing. [s]
    timing : array of shape (5,)
        Times of the breath and set PEEP in the order of :data:`TIMING`. [s, and cmH2O for PEEP]
    lung_signals : array of shape (n, n_lungs, 9)
        Waveforms in the order of :data:`LUNG_SIGNALS`. [units of the schema]
    port_signals : array of shape (n, 8)
        Waveforms in the order of :data:`PORT_SIGNALS`. [units of the schema]
    predicted_body_weight : array of shape (n_lungs,)
        Body weight, NaN where unknown. [kg]
    lung_out : array of shape (n_lungs, 17)
        Receives the measures of each lung in the order of :data:`LUNG_MEASURES`. [units of the schema]
    port_out : array of shape (12,)
        Receives the measures of the breath in the order of :data:`PORT_MEASURES`. [units of the schema]

    Notes
    -----
    Volumes and work are differences over the breath; means are differences of a pressure integral divided by
    the duration. Plateau pressure is the airway pressure just before expiration, after a pause; at the port
    likewise, where the end-inspiratory pressure is the same with or without a pause. Total PEEP is the alveolar
    pressure at the end of the breath. Driving pressure is the alveolar pressure at the end of
    inspiration minus the one at the start of the breath, so it is plateau pressure minus total PEEP when the
    breath repeats. Mechanical power is the work of airway pressure, measured from atmospheric pressure, on
    inspired gas, per minute: :math:`P = (60/T) \int_0^T p_{aw} \max(\dot V, 0) \, dt`. Unaccounted volume
    is :math:`V_{del} - V_{ret} - \Delta V_{lungs} - \Delta V_{cir} - V_{leak}`.

    Inspired and expired volume count what passes the airway in the whole breath, whichever way the source drives
    it. So a lung that still takes gas from the circuit when expiration has begun inspires more than it holds at
    the end of inspiration. What lungs and circuit hold then is together what was delivered until then, less what
    was returned and leaked.

    References
    ----------
    .. [1] Power as the pressure-volume integral of inspiration: Gattinoni et al., Intensive Care Med
       2016;42:1567-1575 (from memory). Driving pressure as plateau pressure minus PEEP: Beitler et al.,
       Am J Respir Crit Care Med 2020;202:600-604.

    Examples
    --------
    One lung takes 500 mL in a second; the breath lasts two:

    >>> import numpy as np
    >>> time, timing = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 1.5, 2.0, 5.0])
    >>> lungs, ports = np.zeros((3, 1, 9)), np.zeros((3, 8))
    >>> lungs[:, 0, LUNG_SIGNALS.index("inspired_volume")] = [0.0, 500.0, 500.0]
    >>> lung_out, port_out = np.empty((1, 17)), np.empty(12)
    >>> measure_breath(time, timing, lungs, ports, np.array([60.0]), lung_out, port_out)
    >>> float(lung_out[0, LUNG_MEASURES.index("minute_volume")])
    15.0
    """
    last = time.size - 1
    duration = timing[3] - timing[0]
    per_minute = 60.0 / duration
    held = max(np.searchsorted(time, timing[2]) - 1, 0)  # last sample before expiration
    paused = timing[2] - timing[1] > TIME_ROUNDING
    volume_change, all_inspired, taken_up = 0.0, 0.0, 0.0
    for j in range(lung_signals.shape[1]):
        s, out = lung_signals[:, j], lung_out[j]
        rise = s[last] - s[0]
        all_inspired += rise[_V_IN]
        volume_change += rise[_VOLUME]
        taken_up += s[held, _VOLUME] - s[0, _VOLUME]
        out[0] = rise[_V_IN]
        out[1] = rise[_V_OUT]
        out[3] = rise[_V_IN] / predicted_body_weight[j]
        out[4] = _largest(s[:, _P_AW], 1.0)
        out[5] = rise[_INT_P_AW] / duration
        out[6] = rise[_INT_P_ALV] / duration
        out[7] = s[held, _P_ALV]
        out[8] = s[last, _P_ALV]
        out[9] = s[held, _P_AW] if paused else np.nan
        out[10] = s[held, _P_ALV] - s[0, _P_ALV]
        out[11] = s[last, _P_ALV]
        out[12] = s[last, _P_ALV] - timing[4]
        out[13] = max(_largest(s[:, _FLOW], 1.0), 0.0)
        out[14] = max(_largest(s[:, _FLOW], -1.0), 0.0)
        out[15] = rise[_V_IN] / ML_PER_L * per_minute
        out[16] = rise[_WORK] * per_minute
    for j in range(lung_signals.shape[1]):
        lung_out[j, 2] = lung_out[j, 0] / all_inspired
    p = port_signals
    rise = p[last] - p[0]
    port_out[0] = rise[_V_DEL]
    port_out[1] = rise[_V_RET]
    port_out[2] = rise[_V_REL]
    port_out[3] = _largest(p[:, _P_I], 1.0)
    port_out[4] = p[held, _P_I]
    port_out[5] = p[held, _P_I] if paused else np.nan
    port_out[6] = rise[_INT_P_I] / duration
    port_out[7] = p[last, _P_E]
    port_out[8] = taken_up
    port_out[9] = p[held, _V_CIR] - p[0, _V_CIR]
    port_out[10] = rise[_V_DEL] - rise[_V_RET] - volume_change - rise[_V_CIR] - rise[_V_LEAK]
    port_out[11] = rise[_V_LEAK]
