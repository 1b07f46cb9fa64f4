"""How wrong the sensors of ventilators may be: bands from a standard and from measured machines."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ventsim.units import convert


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorBand:
    """How far the readings of a ventilator may be from the truth, and who says so.

    A reading of a volume lies between (1 + `lowest_volume_gain_error`) times the truth minus `volume_offset` and
    (1 + `highest_volume_gain_error`) times the truth plus `volume_offset`; one of a pressure within
    `pressure_gain_error` times the truth plus `pressure_offset`, either way.

    Attributes
    ----------
    lowest_volume_gain_error, highest_volume_gain_error : float
        Ends of the relative error of volume. [1]
    volume_offset : float
        Error of volume that does not depend on the volume, either way. [mL]
    pressure_gain_error : float
        Relative error of pressure, either way. [1]
    pressure_offset : float
        Error of pressure that does not depend on the pressure, either way. [cmH2O]
    source : str
        Where the figures come from, and what they are.
    trust : str
        How far they were checked.
    """

    lowest_volume_gain_error: float
    highest_volume_gain_error: float
    volume_offset: float
    pressure_gain_error: float
    pressure_offset: float
    source: str
    trust: str


def _of_volume(low: float, high: float, *, source: str, trust: str) -> SensorBand:
    """A band of volume alone; nothing is told of pressure, which is taken as exact."""
    return SensorBand(
        lowest_volume_gain_error=low, highest_volume_gain_error=high, volume_offset=0.0,
        pressure_gain_error=0.0, pressure_offset=0.0, source=source, trust=trust,
    )  # fmt: skip


SENSOR_BANDS: Mapping[str, SensorBand] = MappingProxyType(
    {
        "standard": SensorBand(
            lowest_volume_gain_error=-0.15,
            highest_volume_gain_error=0.15,
            volume_offset=4.0,
            pressure_gain_error=0.04,
            pressure_offset=float(convert(2.0, source="hPa", target="cmH2O")),
            source="ISO 80601-2-12: expired volume above 50 mL within 4 mL and 15 % of the actual one, airway "
            "pressure within 2 hPa and 4 % of the actual one.",
            trust="From memory, medium confidence; the standard was not seen.",
        ),
        # Set volumes 300, 500 and 800 mL; delivered 261 to 396, 437 to 622 and 681 to 953 mL. A machine that
        # controls volume with its own sensor displays what was set: the errors are 300/396 - 1 and 800/681 - 1.
        "nine intensive care ventilators": _of_volume(
            300.0 / 396.0 - 1.0,
            800.0 / 681.0 - 1.0,
            source="Lyazidi et al., Intensive Care Med 2010;36:2074-2080: extremes of what nine intensive care "
            "ventilators delivered in volume control, at body temperature and saturated; taken as errors of "
            "their sensors, which holds if they displayed what was set.",
            trust="Volumes read in the abstract, first author from memory; conversion to errors of sensors ours.",
        ),
        # 2.9 % plus twice 2.2 %
        "intensive care ventilator": _of_volume(
            -0.073,
            0.073,
            source="Savary et al., Ann Intensive Care 2020, doi 10.1186/s13613-020-00782-5: error of the volume "
            "delivered by an intensive care ventilator, 2.9 % with standard deviation 2.2 %; mean plus two "
            "standard deviations, either way, taken as error of the sensor.",
            trust="Figures read in the abstract; conversion to a band ours.",
        ),
        "transport ventilators": _of_volume(
            -0.088,
            0.088,
            source="Savary et al., Ann Intensive Care 2020, doi 10.1186/s13613-020-00782-5: error of the volume "
            "delivered by transport ventilators, 2.5 to 8.8 %; the largest, either way, taken as error of the "
            "sensor.",
            trust="Figures read in the abstract; conversion to a band ours.",
        ),
    }
)
"""How far the readings of ventilators may be from the truth, by name; each with source and trust."""
