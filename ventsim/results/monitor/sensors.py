"""Errors of measurement of the ventilator's own sensors."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError, suggestion
from ventsim.model.descriptions import Description
from ventsim.quantities import quantity
from ventsim.units import FloatArray, convert


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
    """A band of volume alone; nothing is known of pressure, which is taken as exact."""
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


READINGS = (
    "inspired_tidal_volume", "expired_tidal_volume", "peak_pressure", "plateau_pressure", "mean_pressure", "peep",
)  # fmt: skip
"""What is read of each breath, in the order in which random numbers are drawn for it."""

_PERCENT = (("%", 0.01),)


class Sensors(Description):
    r"""How the readings of the ventilator's sensors differ from the truth; by default not at all.

    Both sensors of volume err alike, and so do all readings of pressure; scatter is independent from reading to
    reading and from breath to breath.

    Parameters
    ----------
    volume_gain_error : float, default 0
        Relative error of volume; 0.05 reads 5 % too much. [1]
    volume_offset : float, default 0
        Error of volume that does not depend on the volume. [mL]
    volume_standard_deviation : float, default 0
        Standard deviation of volume from breath to breath. [mL]
    pressure_gain_error : float, default 0
        Relative error of pressure. [1]
    pressure_offset : float, default 0
        Error of pressure that does not depend on the pressure. [cmH2O]
    pressure_standard_deviation : float, default 0
        Standard deviation of pressure from breath to breath. [cmH2O]
    seed : int, default 0
        Which random numbers are drawn. [1]

    Raises
    ------
    InputError
        If a value is impossible.

    Notes
    -----
    .. math:: x_\mathrm{read} = (1 + g)\,x + o + s\,z_n

    with gain error :math:`g`, offset :math:`o`, scatter :math:`s` and a normal random number :math:`z_n` that
    depends on the seed, the reading and the number :math:`n` of the breath alone. So a run that is split,
    continued or read only in part shows the same numbers. Errors that drift with time or depend on gas and
    temperature are not in the model.

    Examples
    --------
    >>> Sensors(volume_gain_error=0.05, pressure_standard_deviation=0.2, seed=7).volume_gain_error
    0.05
    """

    kind: ClassVar[str] = "sensors"

    volume_gain_error: Annotated[
        float, quantity("gain_error", "relative error of volume; 0.05 reads 5 % too much")
    ] = 0.0
    volume_offset: Annotated[float, quantity("volume_offset")] = 0.0
    volume_standard_deviation: Annotated[float, quantity("volume_standard_deviation")] = 0.0
    pressure_gain_error: Annotated[float, quantity("gain_error", "relative error of pressure")] = 0.0
    pressure_offset: Annotated[float, quantity("pressure_offset")] = 0.0
    pressure_standard_deviation: Annotated[float, quantity("pressure_standard_deviation")] = 0.0
    seed: Annotated[int, quantity("seed")] = 0

    @classmethod
    def worst_case(cls, band: str = "standard", *, reads: Literal["low", "high"] = "high") -> Self:
        """Sensors at one end of a band of :data:`SENSOR_BANDS`, without scatter.

        Parameters
        ----------
        band : str, default "standard"
            Name of the band; its entry tells source and trust.
        reads : {"low", "high"}, default "high"
            Whether the sensors read too little or too much, volume and pressure alike.

        Returns
        -------
        Sensors
            With gain errors and offsets of that end.

        Raises
        ------
        InputError
            If there is no such band or end.

        Examples
        --------
        >>> Sensors.worst_case("standard", reads="low").volume_gain_error
        -0.15
        """
        if band not in SENSOR_BANDS:
            raise InputError(f"sensors: there is no band {band!r}.\n  {suggestion(str(band), SENSOR_BANDS)}")
        found = SENSOR_BANDS[band]
        gains = {"low": found.lowest_volume_gain_error, "high": found.highest_volume_gain_error}
        if reads not in gains:
            raise InputError(f"sensors: reads {reads!r} is not one of the choices.\n  Allowed: 'low', 'high'.")
        sign = 1.0 if reads == "high" else -1.0
        return cls(
            volume_gain_error=gains[reads],
            volume_offset=sign * found.volume_offset,
            pressure_gain_error=sign * found.pressure_gain_error,
            pressure_offset=sign * found.pressure_offset,
        )

    def read(self, truth: Mapping[str, FloatArray], *, breaths: NDArray[np.integer]) -> dict[str, FloatArray]:
        """What the sensors read of each breath.

        Parameters
        ----------
        truth : mapping of str to array of shape (n_breaths,)
            True values by the names of `READINGS`. [mL or cmH2O]
        breaths : array of shape (n_breaths,)
            Numbers of the breaths, not negative. [1]

        Returns
        -------
        dict of str to array of shape (n_breaths,)
            Readings by name; NaN where the truth is NaN. [mL or cmH2O]

        Examples
        --------
        >>> Sensors(pressure_offset=-1.0).read({"peep": np.array([5.0])}, breaths=np.array([1]))["peep"]
        array([4.])
        """
        of_volume = (1.0 + self.volume_gain_error, self.volume_offset, self.volume_standard_deviation)
        of_pressure = (1.0 + self.pressure_gain_error, self.pressure_offset, self.pressure_standard_deviation)
        random = np.zeros((len(breaths), len(READINGS)))
        if self.volume_standard_deviation > 0.0 or self.pressure_standard_deviation > 0.0:
            random = np.array([_normal(self.seed, int(number)) for number in breaths]).reshape(random.shape)
        read = {}
        for name, numbers in zip(READINGS, random.T, strict=True):
            if name in truth:
                gain, offset, scatter = of_volume if name.endswith("volume") else of_pressure
                read[name] = gain * truth[name] + offset + scatter * numbers
        return read


def _normal(seed: int, breath: int) -> FloatArray:
    """Normal random numbers of one breath, the same whichever breaths were drawn before."""
    # A generator with a counter: the breath chooses a stretch of 2**64 blocks of its own. NumPy promises that raw
    # numbers stay the same in later versions, but not normal ones; hence the method of Box and Muller (1958).
    bits = np.random.Philox(key=seed, counter=np.array([0, breath, 0, 0], dtype=np.uint64))
    pairs = -(-len(READINGS) // 2)
    uniform = ((bits.random_raw(2 * pairs) >> np.uint64(11)) + 0.5) / 2.0**53  # inside (0, 1)
    radius, angle = np.sqrt(-2.0 * np.log(uniform[:pairs])), 2.0 * np.pi * uniform[pairs:]
    return np.concatenate([radius * np.cos(angle), radius * np.sin(angle)])[: len(READINGS)]
