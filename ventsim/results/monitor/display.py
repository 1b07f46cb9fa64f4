"""What the ventilator displays of each breath, with the errors of its own sensors."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import InputError, SchemaError, shown, suggestion
from ventsim.model.descriptions import Description
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.results.kernel import TIMING
from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset, label
from ventsim.tables import Column, Section, Table, fixed
from ventsim.units import ML_PER_L, FloatArray, convert

SECONDS_PER_MINUTE = 60.0
_LEAST_RISE = 1e-6  # of pressure in a breath; less is rounding, not a breath [cmH2O]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorBand:
    """How far the readings of a ventilator may be from the truth, and who says so.

    A reading of a volume lies between (1 + `lowest_volume_gain_error`) times the truth minus `volume_offset` and
    (1 + `highest_volume_gain_error`) times the truth plus `volume_offset`; one of a pressure within
    `pressure_gain_error` times the truth plus `pressure_offset`, either way. What is unknown is 0.

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
    volume_offset: float = 0.0
    pressure_gain_error: float = 0.0
    pressure_offset: float = 0.0
    source: str
    trust: str


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
        "nine intensive care ventilators": SensorBand(
            lowest_volume_gain_error=300.0 / 396.0 - 1.0,
            highest_volume_gain_error=800.0 / 681.0 - 1.0,
            source="Lyazidi et al., Intensive Care Med 2010;36:2074-2080: extremes of what nine intensive care "
            "ventilators delivered in volume control, at body temperature and saturated; taken as errors of "
            "their sensors, which holds if they displayed what was set.",
            trust="Volumes read in the abstract, first author from memory; conversion to errors of sensors ours.",
        ),
        # 2.9 % plus twice 2.2 %
        "intensive care ventilator": SensorBand(
            lowest_volume_gain_error=-0.073,
            highest_volume_gain_error=0.073,
            source="Savary et al., Ann Intensive Care 2020, doi 10.1186/s13613-020-00782-5: error of the volume "
            "delivered by an intensive care ventilator, 2.9 % with standard deviation 2.2 %; mean plus two "
            "standard deviations, either way, taken as error of the sensor.",
            trust="Figures read in the abstract; conversion to a band ours.",
        ),
        "transport ventilators": SensorBand(
            lowest_volume_gain_error=-0.088,
            highest_volume_gain_error=0.088,
            source="Savary et al., Ann Intensive Care 2020, doi 10.1186/s13613-020-00782-5: error of the volume "
            "delivered by transport ventilators, 2.5 to 8.8 %; the largest, either way, taken as error of the "
            "sensor.",
            trust="Figures read in the abstract; conversion to a band ours.",
        ),
    }
)
"""How far the readings of ventilators may be from the truth, by name; each with source and trust."""


# Reading -> measure that is read, and the waveforms of a recording any of which leads to that measure; in the
# order in which random numbers are drawn.
_READ = {
    "inspired_tidal_volume": ("port_delivered_volume", ("inspiratory_port_flow", "delivered_volume")),
    "expired_tidal_volume": ("port_returned_volume", ("expiratory_port_flow", "returned_volume")),
    "peak_pressure": ("port_peak_pressure", ("inspiratory_port_pressure",)),
    "plateau_pressure": ("port_plateau_pressure", ("inspiratory_port_pressure",)),
    "mean_pressure": ("port_mean_pressure", ("inspiratory_port_pressure",)),
    "peep": ("port_peep", ("expiratory_port_pressure",)),
}


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
    @public
    def worst_case(cls, band: str = "standard", *, reads: Literal["low", "high"] = "high") -> Self:
        """Sensors at one end of a band of :data:`SENSOR_BANDS`, without scatter.

        Parameters
        ----------
        band : str, default "standard"
            Name of the band; its entry says source and trust.
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
            raise InputError(f"sensors: there is no band {shown(band)}.\n  {suggestion(str(band), SENSOR_BANDS)}")
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

    @public
    def read(self, truth: Mapping[str, FloatArray], *, breaths: NDArray[np.integer]) -> dict[str, FloatArray]:
        """What the sensors read of each breath.

        Parameters
        ----------
        truth : mapping of str to array of shape (n_breaths,)
            True values of volumes and pressures, by the names of what is displayed. [mL or cmH2O]
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
        random = np.zeros((len(breaths), len(_READ)))
        if self.volume_standard_deviation > 0.0 or self.pressure_standard_deviation > 0.0:
            random = np.array([_normal(self.seed, int(number)) for number in breaths]).reshape(random.shape)
        read = {}
        for name, numbers in zip(_READ, random.T, strict=True):
            if name in truth:
                gain, offset, scatter = of_volume if name.endswith("volume") else of_pressure
                read[name] = gain * truth[name] + offset + scatter * numbers
        return read


def _normal(seed: int, breath: int) -> FloatArray:
    """Normal random numbers of one breath, the same whichever breaths were drawn before."""
    # A generator with a counter: each breath has 2**64 blocks of its own. NumPy promises that raw
    # numbers stay the same in later versions, but not normal ones; hence the method of Box and Muller (1958).
    bits = np.random.Philox(key=seed, counter=np.array([0, breath, 0, 0], dtype=np.uint64))
    pairs = -(-len(_READ) // 2)
    uniform = ((bits.random_raw(2 * pairs) >> np.uint64(11)) + 0.5) / 2.0**53  # inside (0, 1)
    radius, angle = np.sqrt(-2.0 * np.log(uniform[:pairs])), 2.0 * np.pi * uniform[pairs:]
    return np.concatenate([radius * np.cos(angle), radius * np.sin(angle)])[: len(_READ)]


@public
def displayed_values(
    measures: xr.Dataset, *, sensors: Sensors | None = None, circuit_compliance: float = 0.0
) -> xr.Dataset:
    r"""What the ventilator displays of each breath, from what passes its own ports.

    Every number belongs to one breath; real machines often average over several. The ventilator knows nothing of
    the single lungs, of auto-PEEP, or of gas that moves from lung to lung.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`ventsim.breath_measures`, or the measures of :func:`ventsim.simulate_long`, with those
        of the ports.
    sensors : Sensors or None, default None
        Errors of the sensors; None: they read the truth.
    circuit_compliance : float, default 0
        Compliance of the circuit as the ventilator knows it. If it is above 0, the gas that it takes to fill the
        circuit is subtracted from both volumes. [mL/cmH2O]

    Returns
    -------
    xarray.Dataset
        Variables ``displayed_...`` with dims (breath,), the times of the breaths and set PEEP. What sensors and
        circuit compliance were assumed is in the attributes.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or lacks a measure of the ports.
    InputError
        If another argument is impossible.

    Notes
    -----
    Volumes are those that leave the inspiratory and enter the expiratory port. Peak, plateau and mean pressure are
    those at the inspiratory port, PEEP that at the expiratory port at the end of the breath. From the readings
    :math:`V_I, V_E, p_\mathrm{peak}, p_\mathrm{plat}, p_\mathrm{PEEP}` and the duration :math:`T`:

    .. math::

        f = 60/T, \quad \dot V_E = f V_E, \quad
        C_\mathrm{dyn} = \frac{V_E}{p_\mathrm{peak} - p_\mathrm{PEEP}}, \quad
        C_\mathrm{stat} = \frac{V_E}{p_\mathrm{plat} - p_\mathrm{PEEP}}

    Plateau pressure and static compliance are NaN without a pause, and a compliance is NaN where its pressure
    difference is not above 0. With a circuit compliance :math:`C_c`, :math:`C_c (p - p_\mathrm{PEEP})` is
    subtracted from both volumes first, with plateau pressure after a pause and else peak pressure (common
    practice, no source), but never more than there is. Negative volumes are displayed as 0.

    Examples
    --------
    Auto-PEEP is not seen by the ventilator: a lung of 60 mL/cmH2O seems stiffer than it is.

    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=60, resistance=25), ideal=True)
    >>> settings = vs.VolumeControl(tidal_volume=500, rate=20, inspiratory_time=1.2, pause_time=0.3)
    >>> displayed = displayed_values(vs.breath_measures(vs.steady_breath(circuit, settings)))
    >>> float(displayed.displayed_static_compliance[0])
    42.0
    """
    if not isinstance(measures, xr.Dataset):
        raise SchemaError(
            f"measures: got {type(measures).__name__}, but a Dataset is needed.\n"
            "  Use the result of ventsim.breath_measures, or the measures of ventsim.simulate_long."
        )
    check_dataset(measures, "measures")
    for name, waveforms in _READ.values():
        if name not in measures:
            raise SchemaError(
                f"the measures have no variable '{name}', without which the ventilator has nothing to display.\n"
                f"  Add {' or '.join(map(repr, waveforms))} to the recording, then use breath_measures again."
            )
    check("displayed values", {"circuit_compliance": circuit_compliance})
    truth = {name: measures[measure].values.astype(float) for name, (measure, _) in _READ.items()}
    read = (sensors or Sensors()).read(truth, breaths=measures["breath"].values)
    if circuit_compliance > 0.0:
        top = np.where(np.isnan(read["plateau_pressure"]), read["peak_pressure"], read["plateau_pressure"])
        held = circuit_compliance * np.maximum(top - read["peep"], 0.0)
        read |= {name: read[name] - held for name in ("inspired_tidal_volume", "expired_tidal_volume")}
    read |= {name: np.maximum(values, 0.0) for name, values in read.items() if name.endswith("volume")}
    expired, peep = read["expired_tidal_volume"], read["peep"]
    rate = SECONDS_PER_MINUTE / (measures["breath_end"] - measures["breath_start"]).values
    read |= {
        "minute_volume": rate * expired / ML_PER_L,
        "rate": rate,
        "dynamic_compliance": _compliance(expired, read["peak_pressure"] - peep),
        "static_compliance": _compliance(expired, read["plateau_pressure"] - peep),
    }
    variables: dict[str, Any] = {f"displayed_{name}": ("breath", values) for name, values in read.items()}
    variables |= {name: ("breath", measures[name].values) for name in TIMING.names or ()}
    attrs = {
        **measures.attrs,
        "sensors": "exact" if sensors is None else sensors.model_dump_json(),
        "subtracted_circuit_compliance_mL_per_cmH2O": float(circuit_compliance),
    }
    return label(xr.Dataset(variables, coords={"breath": measures["breath"].values}, attrs=attrs))


def _compliance(volume: FloatArray, rise: FloatArray) -> FloatArray:
    """Volume per pressure, NaN where pressure does not rise by more than rounding."""
    return np.divide(volume, rise, out=np.full_like(volume, np.nan), where=rise > _LEAST_RISE)


_DISPLAYED = (
    "displayed_inspired_tidal_volume", "displayed_expired_tidal_volume", "displayed_minute_volume",
    "displayed_rate", "displayed_peak_pressure", "displayed_plateau_pressure", "displayed_mean_pressure",
    "displayed_peep", "displayed_dynamic_compliance", "displayed_static_compliance",
)  # fmt: skip


@public
def displayed_table(displayed: xr.Dataset, *, breath: int = -1) -> Table:
    """What the ventilator displays of one breath.

    Parameters
    ----------
    displayed : xarray.Dataset
        Result of :func:`displayed_values`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]

    Returns
    -------
    Table
        Its DataFrame has one row; shown with a dash for what is unknown.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or has no such breath.

    Examples
    --------
    ``print(displayed_table(displayed_values(measures)))`` prints what the ventilator displays of the last breath.
    """
    check_dataset(displayed, "displayed")
    one = displayed.isel(breath=breath_position(displayed, breath))
    start, end, peep = (float(one[name]) for name in ("breath_start", "breath_end", "set_peep"))
    known = "" if np.isnan(peep) else f", set PEEP {fixed(peep, 2)} cmH2O"
    columns = {
        name: Column(heading=VARIABLES[name].long_name.removeprefix("displayed "), unit=VARIABLES[name].units)
        for name in _DISPLAYED
    }
    frame = pd.DataFrame({name: [float(one[name])] for name in _DISPLAYED})
    times = f"{fixed(start, 3)} to {fixed(end, 3)} s{known}"
    return Table(
        title=f"Displayed by the ventilator, breath {int(one['breath'])}: {times}",
        sections=[Section(name="displayed", frame=frame, columns=columns, is_upright=True)], caution=CAUTION,
    )  # fmt: skip
