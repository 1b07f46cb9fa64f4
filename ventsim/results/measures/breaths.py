"""Measures of every breath of a Dataset."""

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.results.measures.integrals import integrated, signals_of
from ventsim.results.measures.kernel import (
    LUNG_SIGNALS,
    PORT_SIGNALS,
    TIMING,
    Samples,
    measured,
    variables_of,
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
        did. Definitions: :func:`measured`.

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
    whole = timing["breath_start"] >= time[0] - TIME_ROUNDING
    whole &= timing["breath_end"] <= time[-1] + TIME_ROUNDING
    if not whole.any():
        raise SchemaError(
            f"no whole breath: the waveforms last from {time[0]:.6g} to {time[-1]:.6g} s, and none of the "
            f"{whole.size} breaths starts and ends in between.\n"
            "  Simulate or record until at least one breath has ended."
        )
    timing = timing[whole]
    time, signals = _with_breath_limits(time, signals=signals_of(waveforms), timing=timing)
    signals, added = integrated(time, signals=signals)
    weight = np.full(waveforms.sizes["lung"], np.nan)
    if "predicted_body_weight" in waveforms:
        weight[:] = waveforms["predicted_body_weight"].values
    measures = measured(_samples(time, signals=signals, n_lungs=weight.size), timing, weight)
    variables = variables_of(timing, "breath") | variables_of(measures.lungs, "breath", "lung")
    for name, variable in variables_of(measures.ports, "breath").items():
        if all(needed in signals for needed in _NEEDED_BY_PORT_MEASURE[name]):
            variables[name] = variable
    coords = {"breath": waveforms["breath"].values[whole], "lung": waveforms["lung"].values}
    attrs = {**waveforms.attrs, "integrated_from_samples": ", ".join(added) or "none"}
    return label(xr.Dataset(variables, coords=coords, attrs=attrs))


def _timing(waveforms: xr.Dataset) -> NDArray[np.void]:
    """Times of the breaths and set PEEP, of `TIMING`; without ``flow_end`` there is no pause."""
    default = {"flow_end": waveforms["inspiration_end"], "set_peep": waveforms["breath_end"] * np.nan}
    timing = np.empty(waveforms.sizes["breath"], TIMING)
    for name in TIMING.names or ():
        timing[name] = (waveforms[name] if name in waveforms else default[name]).values
    return timing


def _samples(time: FloatArray, *, signals: dict[str, FloatArray], n_lungs: int) -> Samples:
    """Waveforms as records; what is missing is NaN, and without word of a leak there is none."""
    lungs, ports = np.empty((time.size, n_lungs), LUNG_SIGNALS), np.empty(time.size, PORT_SIGNALS)
    for records in (lungs, ports):
        for name in records.dtype.names or ():
            records[name] = signals.get(name, 0.0 if name == "leaked_volume" else np.nan)
    return Samples(time, lungs, ports)


def _with_breath_limits(
    time: FloatArray, *, signals: dict[str, FloatArray], timing: NDArray[np.void]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Signals with samples at each start of a breath, and just before each end of inspiration and breath."""
    before_ends = [np.nextafter(timing[name], -np.inf) for name in ("inspiration_end", "breath_end")]
    missing = np.setdiff1d(np.concatenate([timing["breath_start"], *before_ends]), time)
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
