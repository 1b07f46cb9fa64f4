"""Measures of every breath of a Dataset."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.results.measures.integrals import integrated, signals_of
from ventsim.results.measures.kernel import (
    LUNG_MEASURES,
    LUNG_SIGNALS,
    PORT_MEASURES,
    PORT_SIGNALS,
    TIMING,
    measure_breath,
)
from ventsim.results.schema import TIME_ROUNDING, check_dataset, label

FloatArray = NDArray[np.float64]

_NEEDED_BY_PORT_MEASURE = {
    "port_delivered_volume": ("delivered_volume",),
    "port_returned_volume": ("returned_volume",),
    "port_relief_volume": ("relief_volume",),
    "port_peak_pressure": ("inspiratory_port_pressure",),
    "port_end_inspiratory_pressure": ("inspiratory_port_pressure",),
    "port_plateau_pressure": ("inspiratory_port_pressure",),
    "port_mean_pressure": ("inspiratory_port_pressure",),
    "port_peep": ("expiratory_port_pressure",),
    "lungs_held_volume": ("volume", "circuit_volume"),
    "compressed_volume": ("circuit_volume",),
    "volume_balance_error": ("delivered_volume", "returned_volume", "circuit_volume"),
    "leak_volume": ("leaked_volume",),
}


def breath_measures(waveforms: xr.Dataset) -> xr.Dataset:
    """Measures of every whole breath.

    A breath of which the waveforms show only a part, such as the last one of a recording that was stopped, is
    left out. Running integrals that are missing are formed from the samples (:func:`integrate_recording`);
    what needs a signal that is missing is NaN for a lung, and absent for the ports of the ventilator. Where
    there is no sample just before a switching instant, waveforms are interpolated linearly to it.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms of a simulation, or a recording: ``airway_pressure`` and ``flow`` with dims (time, lung), and
        ``breath_start``, ``inspiration_end`` and ``breath_end`` with dims (breath,) will do.

    Returns
    -------
    xarray.Dataset
        Measures with dims (breath, lung) and (breath,), and the times of the breaths. The attribute
        ``integrated_from_samples`` names the integrals that did not come with the waveforms; ``"none"`` if all
        did. Definitions: :func:`measure_breath`.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or holds no whole breath.

    Examples
    --------
    A recording of one breath with sinusoidal flow, invented for this example:

    >>> import numpy as np, xarray as xr
    >>> time = np.linspace(0.0, 4.0, 401)
    >>> flow = 0.5 * np.sin(np.pi * time / 2)
    >>> recording = xr.Dataset(
    ...     {"airway_pressure": (("time", "lung"), 5 + np.maximum(20 * flow, 0)[:, None]),
    ...      "flow": (("time", "lung"), flow[:, None]),
    ...      "breath_start": ("breath", [0.0]), "inspiration_end": ("breath", [2.0]),
    ...      "breath_end": ("breath", [4.0])},
    ...     coords={"time": time, "lung": ["a"], "breath": [1]})
    >>> measures = breath_measures(label(recording))
    >>> float(measures.inspired_tidal_volume[0, 0])
    636.6
    """
    check_dataset(waveforms, "recording")
    timing = _timing(waveforms)
    time = waveforms["time"].values.copy()  # writable, so that the compiled function sees one type of array
    whole = (timing[:, 0] >= time[0] - TIME_ROUNDING) & (timing[:, 3] <= time[-1] + TIME_ROUNDING)
    if not whole.any():
        raise SchemaError(
            f"no whole breath: the waveforms last from {time[0]:.6g} to {time[-1]:.6g} s, and none of the "
            f"{whole.size} breaths starts and ends in between.\n"
            "  Simulate or record until at least one breath has ended."
        )
    timing = timing[whole]
    time, signals = _with_breath_limits(time, signals=signals_of(waveforms), timing=timing)
    signals, added = integrated(time, signals=signals)
    shape = (time.size, waveforms.sizes["lung"])
    lungs = np.stack([signals.get(name, np.full(shape, np.nan)) for name in LUNG_SIGNALS], axis=-1)
    # Without word of a leak there is none.
    absent = {name: np.full(shape[:1], 0.0 if name == "leaked_volume" else np.nan) for name in PORT_SIGNALS}
    ports = np.stack([signals.get(name, absent[name]) for name in PORT_SIGNALS], axis=-1)
    weight = np.full(shape[1], np.nan)
    if "predicted_body_weight" in waveforms:
        weight[:] = waveforms["predicted_body_weight"].values
    lung_out = np.empty((len(timing), shape[1], len(LUNG_MEASURES)))
    port_out = np.empty((len(timing), len(PORT_MEASURES)))
    for k, row in enumerate(timing):
        part = slice(*np.searchsorted(time, (row[0], row[3])))
        measure_breath(time[part], row, lungs[part], ports[part], weight, lung_out[k], port_out[k])
    measures = {name: ("breath", timing[:, k]) for k, name in enumerate(TIMING)}
    measures |= {name: (("breath", "lung"), lung_out[:, :, k]) for k, name in enumerate(LUNG_MEASURES)}
    for k, name in enumerate(PORT_MEASURES):
        if all(needed in signals for needed in _NEEDED_BY_PORT_MEASURE[name]):
            measures[name] = ("breath", port_out[:, k])
    coords = {"breath": waveforms["breath"].values[whole], "lung": waveforms["lung"].values}
    attrs = {**waveforms.attrs, "integrated_from_samples": ", ".join(added) or "none"}
    return label(xr.Dataset(measures, coords=coords, attrs=attrs))


def _timing(waveforms: xr.Dataset) -> FloatArray:
    """Times of the breaths and set PEEP, shape (n_breaths, 5); without ``flow_end`` there is no pause."""
    default = {"flow_end": waveforms["inspiration_end"], "set_peep": waveforms["breath_end"] * np.nan}
    return np.stack([waveforms.get(name, default.get(name)).values.astype(float) for name in TIMING], axis=-1)


def _with_breath_limits(
    time: FloatArray, *, signals: dict[str, FloatArray], timing: FloatArray
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Signals with samples at each start of a breath, and just before each end of inspiration and breath."""
    before_ends = np.nextafter(timing[:, 2:4], -np.inf)
    missing = np.setdiff1d(np.concatenate([timing[:, 0], before_ends.ravel()]), time)
    if missing.size == 0:
        return time, signals
    after = np.searchsorted(time, missing)
    left = np.clip(after - 1, 0, time.size - 2)
    weight = np.clip((missing - time[left]) / (time[left + 1] - time[left]), 0.0, 1.0)
    filled = {}
    for name, values in signals.items():
        w = weight.reshape(-1, *[1] * (values.ndim - 1))
        filled[name] = np.insert(values, after, (1.0 - w) * values[left] + w * values[left + 1], axis=0)
    return np.insert(time, after, missing), filled
