"""The measures of breaths, compiled: the one definition of each of them."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ventsim.compiling import compiled
from ventsim.results.schema import TIME_ROUNDING, VARIABLES
from ventsim.units import ML_PER_L, FloatArray


def _fields(*dims: str, kind: str) -> np.dtype[np.void]:
    """A record of the variables of the schema with these dims that belong to this kind of Dataset first of all."""
    rows = [row for row in VARIABLES.values() if row.dims == dims and row.kinds[0] == kind]
    return np.dtype([(row.name, "f8") for row in rows])


TIMING = _fields("breath", kind="waveforms")
"""Times of a breath [s] and its set PEEP [cmH2O], by name."""

LUNG_SIGNALS = _fields("time", "lung", kind="waveforms")
"""A sample of the waveforms of a lung, by name. [units of the schema]"""

PORT_SIGNALS = _fields("time", kind="waveforms")
"""A sample of the waveforms of the ventilator's ports and of the circuit, by name. [units of the schema]"""

LUNG_MEASURES = _fields("breath", "lung", kind="measures")
"""The measures of a lung, by name. [units of the schema]"""

PORT_MEASURES = _fields("breath", kind="measures")
"""The measures of the ventilator's ports and of the circuit, by name. [units of the schema]"""


AT_EQUILIBRIUM = np.dtype([("applied_peep", "f8"), ("equilibrium_volume", "f8")])
"""What a lung would come to in an endless expiration, by name. [units of the schema]"""


def variables_of(records: NDArray[np.void], *dims: str) -> dict[str, tuple[tuple[str, ...], FloatArray]]:
    """The fields of an array of records as variables of a Dataset with these dims."""
    return {name: (dims, records[name]) for name in records.dtype.names or ()}


class Samples(NamedTuple):
    """Waveforms, one row per sample."""

    time: FloatArray  # (n,) increasing [s]
    lungs: NDArray[np.void]  # (n, n_lungs) of LUNG_SIGNALS
    ports: NDArray[np.void]  # (n,) of PORT_SIGNALS


class Measures(NamedTuple):
    """Measures, one row per breath."""

    timing: NDArray[np.void]  # (n_breaths,) of TIMING
    lungs: NDArray[np.void]  # (n_breaths, n_lungs) of LUNG_MEASURES
    ports: NDArray[np.void]  # (n_breaths,) of PORT_MEASURES


def measured(
    samples: Samples,
    timing: NDArray[np.void],
    predicted_body_weight: FloatArray,
    *,
    at_equilibrium: NDArray[np.void] | None = None,
) -> Measures:
    r"""Measures of breaths from their samples.

    The samples of a breath are those from its start until just before its end. The first is the one just after the
    start, the last one just before the end, and one lies just before the start of expiration. A signal that is NaN
    gives measures that are NaN.

    Parameters
    ----------
    samples : Samples
        Waveforms with all samples of the breaths. [units of the schema]
    timing : array of shape (n_breaths,)
        Records of :data:`TIMING`. [s, and cmH2O for PEEP]
    predicted_body_weight : array of shape (n_lungs,)
        Body weight, NaN where unknown. [kg]
    at_equilibrium : array of shape (n_breaths, n_lungs) or None, default None
        Records of :data:`AT_EQUILIBRIUM`; None: applied PEEP is set PEEP, the volume is unknown.

    Returns
    -------
    Measures
        One row for each breath. [units of the schema]

    Notes
    -----
    Volumes and work are differences over the breath; means are differences of a pressure integral divided by
    the duration. Plateau pressure is the airway pressure just before expiration, after a pause; at the port
    likewise, where the end-inspiratory pressure is the same with or without a pause.

    Total PEEP is the alveolar pressure at the end of the breath. Applied PEEP is the one after an endless
    expiration, leaks left aside: set PEEP and the least sum of opening pressures on a way from the lung to the
    exhalation valve, or that sum alone on a way to an end that is open to the room. Auto-PEEP is total PEEP less
    applied PEEP, trapped volume what the lung holds at the end of the breath above its volume at applied PEEP.

    Driving pressure is the elastic pressure of lung and chest wall at the end of inspiration minus the one at the
    start of the breath, so it is plateau pressure minus total PEEP in a passive lung whose breath repeats. Peaks
    are those of the continuous solution where the waveforms carry the extremes of each breath; in a recording they
    are the largest sample.

    Mechanical power is the work of airway pressure, measured from atmospheric pressure, on inspired gas, per
    minute: :math:`P = (60/T) \int_0^T p_{aw} \max(\dot V, 0) \, dt`. It is the work of the ventilator on the
    patient alone. The balance error is :math:`V_{del} - V_{ret} - \Delta V_{lungs} - \Delta V_{cir} - V_{leak}`.

    Reversed volume is what passes the end of a limb at the Y-piece against its direction:
    :math:`\int_0^T \max(-\dot V, 0) \, dt`. Gas that has come back into an inspiratory limb gets to other lungs
    if it is more than the limb contains.

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
    >>> samples = Samples(np.array([0.0, 1.0, 1.9]), np.zeros((3, 1), LUNG_SIGNALS), np.zeros(3, PORT_SIGNALS))
    >>> samples.lungs["inspired_volume"][:, 0] = [0.0, 500.0, 500.0]
    >>> timing = np.array([(0.0, 1.0, 1.5, 2.0, 5.0)], TIMING)
    >>> float(measured(samples, timing, np.array([60.0])).lungs["minute_volume"][0, 0])
    15.0
    """
    n_breaths, n_lungs = len(timing), samples.lungs.shape[1]
    if at_equilibrium is None:
        at_equilibrium = np.full((n_breaths, n_lungs), np.nan, AT_EQUILIBRIUM)
        at_equilibrium["applied_peep"] = timing["set_peep"][:, None]
    measures = Measures(timing, np.zeros((n_breaths, n_lungs), LUNG_MEASURES), np.zeros(n_breaths, PORT_MEASURES))
    _measure(samples, predicted_body_weight, at_equilibrium, measures)
    return measures


@compiled()
def _extreme(known: float, values: FloatArray, sign: float) -> float:
    """The extreme that came with the samples, or else that of the samples: the largest (1) or the least (-1)."""
    if known == known:
        return known
    found = values[0]
    for value in values:
        if sign * value > sign * found or value != value:
            found = value
    return found


@compiled()
def _measure(samples: Samples, predicted_body_weight: FloatArray, at_equilibrium: Any, measures: Measures) -> None:
    """Fill in the measures of all breaths whose timing is given."""
    for k in range(measures.timing.size):
        timing = measures.timing[k]
        first = np.searchsorted(samples.time, timing.breath_start)
        end = np.searchsorted(samples.time, timing.breath_end)
        # The last sample before expiration.
        held = max(np.searchsorted(samples.time[first:end], timing.inspiration_end) - 1, 0)
        _measure_lungs(
            samples.lungs[first:end], timing, held, predicted_body_weight, at_equilibrium[k], measures.lungs[k]
        )
        _measure_ports(samples.ports[first:end], samples.lungs[first:end], timing, held, measures.ports[k])


@compiled()
def _measure_lungs(
    lungs: Any, timing: Any, held: int, predicted_body_weight: Any, at_equilibrium: Any, measures: Any
) -> None:
    """The measures of each lung in one breath."""
    duration = timing.breath_end - timing.breath_start
    paused = timing.inspiration_end - timing.flow_end > TIME_ROUNDING
    all_inspired = 0.0
    for j in range(lungs.shape[1]):
        start, top, end, out = lungs[0, j], lungs[held, j], lungs[-1, j], measures[j]
        inspired = end.inspired_volume - start.inspired_volume
        all_inspired += inspired
        out.inspired_tidal_volume = inspired
        out.expired_tidal_volume = end.expired_volume - start.expired_volume
        out.tidal_volume_per_weight = inspired / predicted_body_weight[j]
        out.peak_airway_pressure = _extreme(end.highest_airway_pressure, lungs[:, j].airway_pressure, 1.0)
        out.mean_airway_pressure = (end.airway_pressure_integral - start.airway_pressure_integral) / duration
        out.mean_alveolar_pressure = (end.alveolar_pressure_integral - start.alveolar_pressure_integral) / duration
        out.end_inspiratory_alveolar_pressure = top.alveolar_pressure
        out.end_expiratory_alveolar_pressure = end.alveolar_pressure
        out.plateau_pressure = top.airway_pressure if paused else np.nan
        out.driving_pressure = top.elastic_pressure - start.elastic_pressure
        out.total_peep = end.alveolar_pressure
        out.applied_peep = at_equilibrium[j].applied_peep
        out.equilibrium_volume = at_equilibrium[j].equilibrium_volume
        out.auto_peep = end.alveolar_pressure - out.applied_peep
        out.trapped_volume = end.volume - out.equilibrium_volume
        out.peak_inspiratory_flow = max(_extreme(end.highest_flow, lungs[:, j].flow, 1.0), 0.0)
        out.peak_expiratory_flow = max(-_extreme(end.lowest_flow, lungs[:, j].flow, -1.0), 0.0)
        out.minute_volume = inspired / ML_PER_L * (60.0 / duration)
        out.mechanical_power = (end.inspiratory_work - start.inspiratory_work) * (60.0 / duration)
        out.inspiratory_contained_volume = end.inspiratory_limb_volume
        out.expiratory_contained_volume = end.expiratory_limb_volume
        out.inspiratory_reversed_volume = end.inspiratory_limb_backflow - start.inspiratory_limb_backflow
        out.expiratory_reversed_volume = end.expiratory_limb_backflow - start.expiratory_limb_backflow
    for j in range(lungs.shape[1]):
        measures[j].tidal_volume_fraction = measures[j].inspired_tidal_volume / all_inspired


@compiled()
def _measure_ports(ports: Any, lungs: Any, timing: Any, held: int, out: Any) -> None:
    """The measures of the ports and of the circuit in one breath."""
    start, top, end = ports[0], ports[held], ports[-1]
    duration = timing.breath_end - timing.breath_start
    paused = timing.inspiration_end - timing.flow_end > TIME_ROUNDING
    volume_change, taken_up = 0.0, 0.0
    for j in range(lungs.shape[1]):
        volume_change += lungs[-1, j].volume - lungs[0, j].volume
        taken_up += lungs[held, j].volume - lungs[0, j].volume
    out.port_delivered_volume = end.delivered_volume - start.delivered_volume
    out.port_returned_volume = end.returned_volume - start.returned_volume
    out.port_relief_volume = end.relief_volume - start.relief_volume
    # Pressure is missed at the end of inspiration, before a pause.
    flow_time = timing.flow_end - timing.breath_start
    out.port_limited_fraction = (end.limited_time - start.limited_time) / flow_time
    out.port_missed_pressure = top.missed_pressure
    out.port_missed_volume = end.missed_volume - start.missed_volume
    out.port_peak_pressure = _extreme(end.highest_inspiratory_port_pressure, ports.inspiratory_port_pressure, 1.0)
    out.port_end_inspiratory_pressure = top.inspiratory_port_pressure
    out.port_plateau_pressure = top.inspiratory_port_pressure if paused else np.nan
    pressure_integral = end.inspiratory_port_pressure_integral - start.inspiratory_port_pressure_integral
    out.port_mean_pressure = pressure_integral / duration
    out.port_peep = end.expiratory_port_pressure
    out.lungs_held_volume = taken_up
    out.compressed_volume = top.circuit_volume - start.circuit_volume
    out.leak_volume = end.leaked_volume - start.leaked_volume
    kept = out.port_delivered_volume - out.port_returned_volume
    stored = end.circuit_volume - start.circuit_volume
    out.volume_balance_error = kept - volume_change - stored - out.leak_volume
