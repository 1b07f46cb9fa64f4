"""The breath that repeats itself: what pressure and volume control, one lung and several have in common."""

from abc import abstractmethod
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ventsim.quantities import FloatArray, finite_array
from ventsim.theory.arguments import Floats, Numbers, Results, fitted
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class BreathWaveform(Results):
    """Lungs at given times: what sensors at the airway would show, and what is behind it.

    Attributes
    ----------
    volume : float or array
        Gas in the lung above its relaxation volume: compliance times alveolar pressure. [mL]
    flow : float or array
        Flow into the lung; negative while the lung empties. [L/s]
    airway_pressure : float or array
        Pressure at the airway opening; of several lungs, at their junction. [cmH2O]
    alveolar_pressure : float or array
        Pressure in the lung. [cmH2O]
    """

    volume: Floats
    flow: Floats
    airway_pressure: Floats
    alveolar_pressure: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class SteadyBreath(Results):
    """A breath that is like the one before.

    Attributes
    ----------
    given : Numbers
        The checked numbers of lung and settings.
    tidal_volume : float or array
        Volume that goes in and out. [mL]
    minute_volume : float or array
        Tidal volume times rate. [L/min]
    auto_peep : float or array
        End-expiratory alveolar pressure above the set PEEP. [cmH2O]
    driving_pressure : float or array
        End-inspiratory above end-expiratory alveolar pressure. [cmH2O]
    end_inspiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of inspiration. [cmH2O]
    end_expiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of expiration. [cmH2O]
    end_inspiratory_volume : float or array
        Gas above the relaxation volume at the end of inspiration. [mL]
    end_expiratory_volume : float or array
        Gas above the relaxation volume at the end of expiration. [mL]
    mean_airway_pressure : float or array
        Mean pressure at the airway opening; of several lungs, at the source. [cmH2O]
    mean_alveolar_pressure : float or array
        Mean pressure in the lung. [cmH2O]
    """

    given: Numbers = field(repr=False)
    tidal_volume: Floats
    minute_volume: Floats
    auto_peep: Floats
    driving_pressure: Floats
    end_inspiratory_alveolar_pressure: Floats
    end_expiratory_alveolar_pressure: Floats
    end_inspiratory_volume: Floats
    end_expiratory_volume: Floats
    mean_airway_pressure: Floats
    mean_alveolar_pressure: Floats


def shared_measures(
    n: Numbers, *, top: FloatArray, bottom: FloatArray, swing: FloatArray, mean_airway: FloatArray
) -> dict[str, Any]:
    """Measures that every breath has, from end-inspiratory and end-expiratory pressure above PEEP and the rest."""
    volume = n.compliance * swing
    mean_flow = volume / ML_PER_L / n.period
    return {
        "given": n,
        "tidal_volume": volume,
        "minute_volume": n.rate * volume / ML_PER_L,
        "auto_peep": bottom,
        "driving_pressure": swing,
        "end_inspiratory_alveolar_pressure": n.peep + top,
        "end_expiratory_alveolar_pressure": n.peep + bottom,
        "end_inspiratory_volume": n.compliance * (n.peep + top),
        "end_expiratory_volume": n.compliance * (n.peep + bottom),
        "mean_airway_pressure": mean_airway,
        "mean_alveolar_pressure": mean_airway + (n.expiratory_resistance - n.resistance) * mean_flow,
    }


@dataclass(frozen=True, kw_only=True, eq=False)
class OneLungBreath(SteadyBreath):
    """A breath of one lung that is like the one before.

    Attributes
    ----------
    peak_airway_pressure : float or array
        Highest pressure at the airway opening. [cmH2O]
    peak_inspiratory_flow : float or array
        Highest flow into the lung. [L/s]
    peak_expiratory_flow : float or array
        Flow out of the lung at the start of expiration, as a positive number. [L/s]
    """

    peak_airway_pressure: Floats
    peak_inspiratory_flow: Floats
    peak_expiratory_flow: Floats

    @abstractmethod
    def _inspiration(self, time: FloatArray) -> tuple[Floats, Floats]:
        """Alveolar pressure, and flow, some time after the start of inspiration."""

    def waveform(self, times: Floats) -> BreathWaveform:
        r"""Pressures, flow and volume over time.

        Parameters
        ----------
        times : float or array
            Time since the start of any inspiration; the breath repeats itself. [s]

        Returns
        -------
        BreathWaveform
            Each of the common shape of times and breath. At a switch, airway pressure and flow just after it.

        Notes
        -----
        In inspiration as the closed form of the breath says. In expiration, time since its start:

        .. math::

            p_{aw} = PEEP, \qquad p_{alv} = PEEP + (p_{ei} - PEEP)\,e^{-t/(R_e C)}, \qquad
            \dot V = (p_{aw} - p_{alv})/R_e

        Examples
        --------
        >>> from ventsim import Lung, PressureControl, theory
        >>> settings = PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, ie_ratio=0.5)
        >>> wave = theory.pressure_control(Lung(compliance=50.0, resistance=10.0), settings).waveform(0.5)
        >>> wave.alveolar_pressure, wave.flow
        (14.507, 0.549)
        """
        n = self.given
        given = {"times": finite_array("waveform", "times", times, unit="s"), "breath": n.rate}
        phase = np.mod(fitted("waveform", given)["times"], n.period)
        filled, inflow = self._inspiration(phase)
        since = np.maximum(phase - n.inspiratory_time, 0.0)
        decay = np.exp(-since / (n.expiratory_resistance * n.compliance / ML_PER_L))
        left = (self.auto_peep + self.driving_pressure) * decay
        is_expiration = phase >= n.inspiratory_time
        alveolar = np.where(is_expiration, n.peep + left, filled)
        return BreathWaveform(
            volume=n.compliance * alveolar,
            flow=np.where(is_expiration, -left / n.expiratory_resistance, inflow),
            airway_pressure=np.where(is_expiration, n.peep, filled + n.resistance * inflow),
            alveolar_pressure=alveolar,
        )
