"""Pressure control of any number of lungs side by side, behind one shared resistance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.theory.inputs import FloatArray, Floats, checked
from ventsim.theory.parallel_state import LungGroup, settled_group
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class ParallelLungsBreath:
    """The breath that repeats itself in lungs that share one source of pressure.

    Attributes
    ----------
    tidal_volume : array of shape (lung,)
        Volume at the end of inspiration minus volume at the end of expiration. [mL]
    end_inspiratory_volume : array of shape (lung,)
        Gas above the relaxed volume at the end of inspiration. [mL]
    end_expiratory_volume : array of shape (lung,)
        Gas above the relaxed volume at the end of expiration. [mL]
    end_inspiratory_alveolar_pressure : array of shape (lung,)
        Pressure in each lung at the end of inspiration. [cmH2O]
    end_expiratory_alveolar_pressure : array of shape (lung,)
        Pressure in each lung at the end of expiration. [cmH2O]
    auto_peep : array of shape (lung,)
        End-expiratory alveolar pressure above the set PEEP. [cmH2O]
    mean_alveolar_pressure : array of shape (lung,)
        Mean pressure in each lung. [cmH2O]
    mean_airway_pressure : float
        Mean pressure of the source. [cmH2O]
    """

    tidal_volume: FloatArray
    end_inspiratory_volume: FloatArray
    end_expiratory_volume: FloatArray
    end_inspiratory_alveolar_pressure: FloatArray
    end_expiratory_alveolar_pressure: FloatArray
    auto_peep: FloatArray
    mean_alveolar_pressure: FloatArray
    mean_airway_pressure: float


@dataclass(frozen=True, kw_only=True, eq=False)
class ParallelLungsWaveform:
    """Lungs that share one source of pressure, at given times.

    Attributes
    ----------
    volume : array of shape (..., lung)
        Gas in each lung above its relaxed volume; the first dimensions are those of the times. [mL]
    flow : array of shape (..., lung)
        Flow into each lung; negative while it empties. [L/s]
    alveolar_pressure : array of shape (..., lung)
        Pressure in each lung. [cmH2O]
    junction_pressure : array of the shape of the times
        Pressure where the branches to the lungs part, behind the shared resistance. [cmH2O]
    source_pressure : array of the shape of the times
        Pressure of the source. [cmH2O]
    """

    volume: FloatArray
    flow: FloatArray
    alveolar_pressure: FloatArray
    junction_pressure: FloatArray
    source_pressure: FloatArray


def parallel_lungs_pressure_control(
    *,
    inspiratory_pressure: float,
    peep: float,
    compliances: Sequence[float] | FloatArray,
    resistances: Sequence[float] | FloatArray,
    expiratory_resistances: Sequence[float] | FloatArray | None = None,
    shared_resistance: float = 0.0,
    expiratory_shared_resistance: float | None = None,
    rate: float,
    inspiratory_time: float,
) -> ParallelLungsBreath:
    r"""Steady breath of several lungs under one square wave of pressure.

    Assumes linear passive lungs, an ideal pressure source, no gas stored in the circuit, and branches that
    let gas pass both ways, so that one lung may fill another while their pressures differ.

    Parameters
    ----------
    inspiratory_pressure : float
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float
        Set pressure of expiration. [cmH2O]
    compliances : sequence of float, or array of shape (lung,)
        Compliance of each lung with its chest wall. [mL/cmH2O]
    resistances : sequence of float, or array of shape (lung,)
        Resistance of each branch to inspiration, from junction to lung. [cmH2O·s/L]
    expiratory_resistances : sequence of float, or array of shape (lung,), optional
        Resistance of each branch to expiration; without it, as to inspiration. [cmH2O·s/L]
    shared_resistance : float, default 0.0
        Resistance from source to junction in inspiration. [cmH2O·s/L]
    expiratory_shared_resistance : float, optional
        Resistance from junction to exhalation valve in expiration; without it, as in inspiration. [cmH2O·s/L]
    rate : float
        Breaths each minute. [1/min]
    inspiratory_time : float
        Duration of inspiration. [s]

    Returns
    -------
    ParallelLungsBreath
        Volumes and pressures of each lung.

    Raises
    ------
    InputError
        If a value is impossible, the lists differ in length, or inspiration fills the whole period.

    Notes
    -----
    With the pressures p of the lungs above PEEP, their compliances C, the conductances :math:`G_i = 1/R_i` of
    the branches and the shared resistance :math:`R_s`, each phase obeys

    .. math::

        C\,\dot p = -K\,(p - p_{source}), \qquad K = \mathrm{diag}(G) - \frac{R_s\,G G^T}{1 + R_s \sum G}

    so that :math:`E = e^{-C^{-1}Kt}` carries the lungs through it. With the matrices of both phases

    .. math:: p_{ei} = (I - E_i E_e)^{-1} (I - E_i)\,\Delta p, \qquad p_{ee} = E_e\,p_{ei}

    Inspiratory and expiratory resistances belong to the phase, not to the direction of flow. One-way valves
    change nothing as long as no branch flow turns round within its phase. Without shared resistance the lungs
    do not affect each other, and each breathes as in :func:`pressure_control`.

    References
    ----------
    .. [1] Derived here; checked by integration and by an independent circuit simulation of the electrical
       analogue.

    Examples
    --------
    >>> breath = parallel_lungs_pressure_control(
    ...     inspiratory_pressure=15.0, peep=5.0, compliances=[50.0, 25.0], resistances=[10.0, 10.0],
    ...     shared_resistance=5.0, rate=15.0, inspiratory_time=4 / 3,
    ... )
    >>> breath.tidal_volume.tolist()
    [566.842, 321.477]
    """
    settings = {
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
        "shared_resistance": shared_resistance,
        "expiratory_shared_resistance": expiratory_shared_resistance,
        "rate": rate,
        "inspiratory_time": inspiratory_time,
    }
    lungs = {
        "compliances": compliances,
        "resistances": resistances,
        "expiratory_resistances": expiratory_resistances,
    }
    group = settled_group("parallel_lungs_pressure_control", settings=settings, lungs=lungs)
    top, bottom = group.peep + group.end_inspiration, group.peep + group.end_expiration
    tidal = group.compliances * group.swing
    mean_airway = group.peep + group.step * group.inspiratory_time / group.period
    mean_flows = tidal / ML_PER_L / group.period
    branch_surplus = (1.0 / group.expiratory_conductances - 1.0 / group.conductances) * mean_flows
    shared_surplus = (group.expiratory_shared_resistance - group.shared_resistance) * mean_flows.sum()
    return ParallelLungsBreath(
        tidal_volume=tidal,
        end_inspiratory_volume=group.compliances * top,
        end_expiratory_volume=group.compliances * bottom,
        end_inspiratory_alveolar_pressure=top,
        end_expiratory_alveolar_pressure=bottom,
        auto_peep=group.end_expiration,
        mean_alveolar_pressure=mean_airway + branch_surplus + shared_surplus,
        mean_airway_pressure=float(mean_airway),
    )


def parallel_lungs_waveform(
    time: Floats,
    *,
    inspiratory_pressure: float,
    peep: float,
    compliances: Sequence[float] | FloatArray,
    resistances: Sequence[float] | FloatArray,
    expiratory_resistances: Sequence[float] | FloatArray | None = None,
    shared_resistance: float = 0.0,
    expiratory_shared_resistance: float | None = None,
    rate: float,
    inspiratory_time: float,
) -> ParallelLungsWaveform:
    r"""Pressures, flows and volumes over time in the steady breath of several lungs.

    Assumes what :func:`parallel_lungs_pressure_control` assumes.

    Parameters
    ----------
    time : float or array of any shape
        Time since the start of any inspiration; the breath repeats itself. [s]
    inspiratory_pressure : float
        Set pressure of inspiration above PEEP. [cmH2O]
    peep : float
        Set pressure of expiration. [cmH2O]
    compliances : sequence of float, or array of shape (lung,)
        Compliance of each lung with its chest wall. [mL/cmH2O]
    resistances : sequence of float, or array of shape (lung,)
        Resistance of each branch to inspiration, from junction to lung. [cmH2O·s/L]
    expiratory_resistances : sequence of float, or array of shape (lung,), optional
        Resistance of each branch to expiration; without it, as to inspiration. [cmH2O·s/L]
    shared_resistance : float, default 0.0
        Resistance from source to junction in inspiration. [cmH2O·s/L]
    expiratory_shared_resistance : float, optional
        Resistance from junction to exhalation valve in expiration; without it, as in inspiration. [cmH2O·s/L]
    rate : float
        Breaths each minute. [1/min]
    inspiratory_time : float
        Duration of inspiration. [s]

    Returns
    -------
    ParallelLungsWaveform
        Lungs along the last dimension, after those of `time`. At the moment of a switch, flows and pressures
        of source and junction are those just after it.

    Raises
    ------
    InputError
        If a value is impossible, the lists differ in length, or inspiration fills the whole period.

    Notes
    -----
    The laws of :func:`parallel_lungs_pressure_control`, with the pressure of the junction above PEEP

    .. math:: p_y = \frac{p_{source} + R_s \sum G_i\,p_i}{1 + R_s \sum G_i}

    References
    ----------
    .. [1] Derived here; checked by integration.

    Examples
    --------
    >>> wave = parallel_lungs_waveform(
    ...     4 / 3, inspiratory_pressure=15.0, peep=5.0, compliances=[50.0, 25.0], resistances=[10.0, 10.0],
    ...     shared_resistance=5.0, rate=15.0, inspiratory_time=4 / 3,
    ... )
    >>> wave.alveolar_pressure.tolist()
    [16.8567, 18.1521]
    """
    settings = {
        "inspiratory_pressure": inspiratory_pressure,
        "peep": peep,
        "shared_resistance": shared_resistance,
        "expiratory_shared_resistance": expiratory_shared_resistance,
        "rate": rate,
        "inspiratory_time": inspiratory_time,
    }
    lungs = {
        "compliances": compliances,
        "resistances": resistances,
        "expiratory_resistances": expiratory_resistances,
    }
    where = "parallel_lungs_waveform"
    group = settled_group(where, settings=settings, lungs=lungs)
    phase = np.mod(checked(where, time, name="time of the cycle"), group.period)
    inspiring = phase < group.inspiratory_time
    since = np.where(inspiring, phase, phase - group.inspiratory_time)
    filling = group.step - group.inspiration.decay(group.step - group.end_expiration, since)
    emptying = group.expiration.decay(group.end_inspiration, since)
    above = np.where(inspiring[..., np.newaxis], filling, emptying)  # lungs above PEEP [cmH2O]
    source = np.where(inspiring, group.step, 0.0)
    junction, flow = _junction(group, above, source=source, inspiring=inspiring)
    return ParallelLungsWaveform(
        volume=group.compliances * (group.peep + above),
        flow=flow,
        alveolar_pressure=group.peep + above,
        junction_pressure=group.peep + junction,
        source_pressure=group.peep + source,
    )


def _junction(
    group: LungGroup, above: FloatArray, *, source: FloatArray, inspiring: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Pressure of the junction above PEEP, and flow into each lung, from those of source and lungs."""
    conductances = np.where(inspiring[..., np.newaxis], group.conductances, group.expiratory_conductances)
    shared = np.where(inspiring, group.shared_resistance, group.expiratory_shared_resistance)
    from_lungs = shared * (conductances * above).sum(axis=-1)
    junction = (source + from_lungs) / (1.0 + shared * conductances.sum(axis=-1))
    return junction, conductances * (junction[..., np.newaxis] - above)
