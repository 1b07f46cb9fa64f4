"""Running integrals of sampled waveforms, for recordings that come without them."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.results.measures.kernel import LUNG_SIGNALS, PORT_SIGNALS
from ventsim.results.schema import VARIABLES, check_dataset, label
from ventsim.units import CMH2O_L_J, ML_PER_L

FloatArray = NDArray[np.float64]

# Running integral -> signal that it is the integral of, and factor to its unit.
_INTEGRALS = {
    "volume": ("flow", ML_PER_L),
    "airway_pressure_integral": ("airway_pressure", 1.0),
    "alveolar_pressure_integral": ("alveolar_pressure", 1.0),
    "delivered_volume": ("inspiratory_port_flow", ML_PER_L),
    "returned_volume": ("expiratory_port_flow", ML_PER_L),
    "inspiratory_port_pressure_integral": ("inspiratory_port_pressure", 1.0),
}


def integrate_recording(recording: xr.Dataset) -> xr.Dataset:
    """A recording with the running integrals that it lacks, formed from its samples.

    Waveforms are taken as straight lines between samples (trapezoidal rule), with the instant at which flow
    reverses found on that line; integrals that are there already stay as they are. The error falls with the
    square of the sampling interval.

    Parameters
    ----------
    recording : xarray.Dataset
        At least ``airway_pressure`` and ``flow`` with dims (time, lung), and breath times.

    Returns
    -------
    xarray.Dataset
        The recording with ``volume`` (from 0 at its start), ``inspired_volume``, ``expired_volume``,
        ``airway_pressure_integral`` and ``inspiratory_work``; where the signals are there, also with
        ``alveolar_pressure_integral``, ``inspiratory_port_pressure_integral``, ``delivered_volume`` and
        ``returned_volume``.

    Raises
    ------
    SchemaError
        If the recording does not fit the schema, or if a signal to be integrated has gaps.

    Examples
    --------
    >>> import xarray as xr
    >>> recording = label(xr.Dataset(
    ...     {"airway_pressure": (("time", "lung"), [[5.0], [15.0], [5.0]]),
    ...      "flow": (("time", "lung"), [[0.5], [0.5], [-0.5]]),
    ...      "breath_start": ("breath", [0.0]), "inspiration_end": ("breath", [1.0]),
    ...      "breath_end": ("breath", [2.0])},
    ...     coords={"time": [0.0, 1.0, 2.0], "lung": ["a"], "breath": [1]}))
    >>> integrate_recording(recording).inspired_volume.values.ravel().tolist()
    [0.0, 500.0, 625.0]
    """
    check_dataset(recording, "recording")
    signals, added = integrated(recording["time"].values, signals=signals_of(recording))
    return label(recording.assign({name: (VARIABLES[name].dims, signals[name]) for name in added}))


def signals_of(waveforms: xr.Dataset) -> dict[str, FloatArray]:
    """Arrays of the waveforms that measures are made of.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms or a recording that fits the schema.

    Returns
    -------
    dict of str to array of shape (n,) or (n, n_lungs)
        Those waveforms that are there, with dims in the order of the schema. [units of the schema]

    Examples
    --------
    >>> import xarray as xr
    >>> sorted(signals_of(xr.Dataset({"flow": (("time", "lung"), [[0.5]])})))
    ['flow']
    """
    names = [name for name in (*(LUNG_SIGNALS.names or ()), *(PORT_SIGNALS.names or ())) if name in waveforms]
    return {name: waveforms[name].transpose(*VARIABLES[name].dims).values.astype(float) for name in names}


def integrated(time: FloatArray, *, signals: dict[str, FloatArray]) -> tuple[dict[str, FloatArray], list[str]]:
    """Waveforms with the running integrals that they lack.

    Parameters
    ----------
    time : array of shape (n,)
        Times of the samples, increasing. [s]
    signals : dict of str to array of shape (n,) or (n, n_lungs)
        Waveforms by name, with ``flow`` and ``airway_pressure`` at least. [units of the schema]

    Returns
    -------
    dict of str to array of shape (n,) or (n, n_lungs)
        All waveforms. [units of the schema]
    list of str
        Names of those that were added.

    Raises
    ------
    SchemaError
        If a waveform to be integrated has gaps.

    Examples
    --------
    >>> flow = np.array([[0.5], [0.5]])
    >>> integrated(np.array([0.0, 2.0]), signals={"flow": flow, "airway_pressure": 20 * flow})[0]["volume"]
    array([[   0.],
           [1000.]])
    """
    found: dict[str, FloatArray] = {}
    for name, (source, factor) in _INTEGRALS.items():
        if name not in signals and source in signals:
            _refuse_gaps(signals[source], name=source, time=time)
            found[name] = factor * _running_integral(time, signals[source])
    for name, sign in (("inspired_volume", 1.0), ("expired_volume", -1.0)):
        if name not in signals:
            _refuse_gaps(signals["flow"], name="flow", time=time)
            found[name] = ML_PER_L * _running_integral_of_positive_part(time, sign * signals["flow"])
    if "inspiratory_work" not in signals:
        power = signals["airway_pressure"] * np.maximum(signals["flow"], 0.0)
        _refuse_gaps(power, name="airway_pressure", time=time)
        found["inspiratory_work"] = CMH2O_L_J * _running_integral(time, power)
    return {**signals, **found}, [name for name in VARIABLES if name in found]


def _running_integral(time: FloatArray, values: FloatArray) -> FloatArray:
    pieces = np.diff(time).reshape(-1, *[1] * (values.ndim - 1)) * (values[1:] + values[:-1]) / 2
    return np.concatenate([np.zeros_like(values[:1]), np.cumsum(pieces, axis=0)])


def _running_integral_of_positive_part(time: FloatArray, values: FloatArray) -> FloatArray:
    """As the trapezoidal rule, but exact for straight lines that cross zero between two samples."""
    high, low = np.maximum(values[1:], values[:-1]), np.minimum(values[1:], values[:-1])
    crossing = (high > 0) & (low < 0)
    part = np.where(crossing, high / np.where(crossing, high - low, 1.0), 1.0)  # of the interval, above zero
    mean = part * (np.maximum(high, 0.0) + np.maximum(low, 0.0)) / 2
    return np.concatenate([np.zeros_like(values[:1]), np.cumsum(np.diff(time)[:, None] * mean, axis=0)])


def _refuse_gaps(values: FloatArray, *, name: str, time: FloatArray) -> None:
    finite = np.isfinite(values)
    if not finite.all():
        first = time[int(np.argmin(finite.all(axis=tuple(range(1, values.ndim)))))]
        raise SchemaError(
            f"'{name}' has a gap: no finite number [{VARIABLES[name].units}] at {first:.6g} s, so it cannot "
            "be integrated.\n  Fill short gaps (dataset.interpolate_na('time')) or cut the recording there."
        )
