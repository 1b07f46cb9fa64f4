"""What a closed form returns when it is asked for pressures, flow and volume over time."""

from dataclasses import dataclass

from ventsim.theory.inputs import Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class BreathWaveform:
    """One lung at given times: what sensors at its airway would show, and what is behind it.

    Attributes
    ----------
    volume : float or array of the shape of the times
        Gas in the lung above its relaxed volume: compliance times alveolar pressure. [mL]
    flow : float or array of the shape of the times
        Flow into the lung; negative while the lung empties. [L/s]
    airway_pressure : float or array of the shape of the times
        Pressure at the airway opening. [cmH2O]
    alveolar_pressure : float or array of the shape of the times
        Pressure in the lung. [cmH2O]
    """

    volume: Floats
    flow: Floats
    airway_pressure: Floats
    alveolar_pressure: Floats
