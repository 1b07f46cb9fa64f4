"""Measures of each breath, from any Dataset of the schema: simulated, streamed or measured; and their table.

Every measure has one definition, in :func:`ventsim.results.kernel.measured`, a compiled function on the samples of
breaths. The Dataset road (:func:`breath_measures`) and an engine that keeps no waveforms both go through it.

Volumes, means and work are differences of running integrals between the two ends of the breath, so they do
not depend on the sampling when the integrals came with the waveforms; nor do peaks when the extremes of each
breath did. In a recording without them a peak is the largest sample.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import SchemaError
from ventsim.parameters import public
from ventsim.quantities import QUANTITIES, warn_of_unlikely
from ventsim.results.kernel import (
    AT_EQUILIBRIUM,
    LUNG_SIGNALS,
    PORT_MEASURES,
    PORT_SIGNALS,
    TIMING,
    Samples,
    measured,
    variables_of,
)
from ventsim.results.schema import (
    CAUTION,
    TIME_ROUNDING,
    VARIABLES,
    breath_position,
    check_dataset,
    kind_of,
    label,
)
from ventsim.tables import Section, Table, fixed
from ventsim.units import CMH2O_L_J, ML_PER_L, FloatArray

# Running integral -> signal that it is the integral of, and factor to its unit.
_INTEGRALS = {
    "volume": ("flow", ML_PER_L),
    "airway_pressure_integral": ("airway_pressure", 1.0),
    "alveolar_pressure_integral": ("alveolar_pressure", 1.0),
    "delivered_volume": ("inspiratory_port_flow", ML_PER_L),
    "returned_volume": ("expiratory_port_flow", ML_PER_L),
    "inspiratory_port_pressure_integral": ("inspiratory_port_pressure", 1.0),
}
# Quantities of recorded signals, by their unit.
_RECORDED = {one.unit: one for one in (QUANTITIES["recorded_flow"], QUANTITIES["recorded_pressure"])}


@public
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

    Warns
    -----
    PlausibilityWarning
        If the largest number of a flow or pressure is unlikely, as in another unit.

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
    _check_recording(recording)
    added = _integrals(recording["time"].values, _signals_of(recording))
    return label(recording.assign({name: (VARIABLES[name].dims, values) for name, values in added.items()}))


def _check_recording(recording: xr.Dataset) -> None:
    """Refuse what does not fit the schema; warn of signals whose largest number is of another unit, probably."""
    check_dataset(recording, "recording")
    if kind_of(recording) == "recording":  # and not waveforms of a simulation
        for name, variable in recording.data_vars.items():
            quantity = _RECORDED.get(VARIABLES[str(name)].units) if "time" in variable.dims else None
            if quantity is not None:
                largest = float(np.nanmax(np.abs(variable.values), initial=0.0))
                warn_of_unlikely(f"recording: largest {name}", quantity, [largest])


def _signals_of(waveforms: xr.Dataset) -> dict[str, FloatArray]:
    """Arrays of the waveforms that measures are made of, with dims in the order of the schema."""
    names = [name for name in (*(LUNG_SIGNALS.names or ()), *(PORT_SIGNALS.names or ())) if name in waveforms]
    return {name: waveforms[name].transpose(*VARIABLES[name].dims).values.astype(float) for name in names}


def _integrals(time: FloatArray, signals: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """The running integrals that waveforms lack, in the order of the schema."""
    found: dict[str, FloatArray] = {}
    for name, (source, factor) in _INTEGRALS.items():
        if name not in signals and source in signals:
            found[name] = factor * _running_integral(time, _whole(signals[source], name=source, time=time))
    for name, sign in (("inspired_volume", 1.0), ("expired_volume", -1.0)):
        if name not in signals:
            flow = _whole(signals["flow"], name="flow", time=time)
            found[name] = ML_PER_L * _running_integral_of_positive_part(time, sign * flow)
    if "inspiratory_work" not in signals:
        power = signals["airway_pressure"] * np.maximum(signals["flow"], 0.0)
        power = _whole(power, name="airway_pressure", time=time)
        found["inspiratory_work"] = CMH2O_L_J * _running_integral(time, power)
    return {name: found[name] for name in VARIABLES if name in found}


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


def _whole(values: FloatArray, *, name: str, time: FloatArray) -> FloatArray:
    """The values, if they have no gap."""
    finite = np.isfinite(values)
    if finite.all():
        return values
    first = time[int(np.argmin(finite.all(axis=tuple(range(1, values.ndim)))))]
    raise SchemaError(
        f"'{name}' has a gap: no finite number [{VARIABLES[name].units}] at {first:.6g} s, so it cannot "
        "be integrated.\n  Fill short gaps (dataset.interpolate_na('time')) or cut the recording there."
    )


# Measures of the ports that are left out where a recording does not have a signal.
_NEEDS_SIGNAL = {
    "delivered_volume": ("port_delivered_volume", "volume_balance_error"),
    "returned_volume": ("port_returned_volume", "volume_balance_error"),
    "relief_volume": ("port_relief_volume",),
    "limited_time": ("port_limited_fraction",),
    "missed_pressure": ("port_missed_pressure",),
    "missed_volume": ("port_missed_volume",),
    "inspiratory_port_pressure": (
        "port_peak_pressure", "port_end_inspiratory_pressure", "port_plateau_pressure", "port_mean_pressure"
    ),
    "expiratory_port_pressure": ("port_peep",),
    "circuit_volume": ("lungs_held_volume", "compressed_volume", "volume_balance_error"),
    "leaked_volume": ("leak_volume",),
}  # fmt: skip


@public
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
        did. Definitions: :func:`ventsim.results.kernel.measured`.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or holds no whole breath.

    Warns
    -----
    PlausibilityWarning
        If the largest number of a recorded flow or pressure is unlikely, as in another unit.

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
    _check_recording(waveforms)
    n_breaths, n_lungs = waveforms.sizes["breath"], waveforms.sizes["lung"]
    # Without `flow_end` there is no pause.
    timing = _records(TIMING, n_breaths, {"flow_end": waveforms["inspiration_end"], **waveforms.data_vars})
    time = waveforms["time"].values.copy()  # writable, so that the compiled function sees one type of array
    whole = whole_breaths(waveforms)
    if not whole.any():
        raise SchemaError(
            f"no whole breath: the waveforms last from {time[0]:.6g} to {time[-1]:.6g} s, and none of the "
            f"{whole.size} breaths starts and ends in between.\n"
            "  Simulate or record until at least one breath has ended."
        )
    timing = timing[whole]
    time, signals = _with_breath_limits(time, signals=_signals_of(waveforms), timing=timing)
    added = _integrals(time, signals)
    signals |= added
    weight = np.full(n_lungs, np.nan)
    if "predicted_body_weight" in waveforms:
        weight[:] = waveforms["predicted_body_weight"].values
    at_equilibrium = None
    if set(AT_EQUILIBRIUM.names or ()) <= set(waveforms.data_vars):
        known = {name: waveforms[name].transpose("breath", "lung") for name in AT_EQUILIBRIUM.names or ()}
        at_equilibrium = _records(AT_EQUILIBRIUM, (n_breaths, n_lungs), known)[whole]
    waves = {"leaked_volume": np.zeros(()), **signals}  # without word of a leak there is none
    lungs, ports = _records(LUNG_SIGNALS, (time.size, n_lungs), waves), _records(PORT_SIGNALS, time.size, waves)
    measures = measured(Samples(time, lungs, ports), timing, weight, at_equilibrium=at_equilibrium)
    variables = variables_of(timing, "breath") | variables_of(measures.lungs, "breath", "lung")
    left_out = {name for signal, names in _NEEDS_SIGNAL.items() if signal not in signals for name in names}
    of_ports = variables_of(measures.ports, "breath")
    variables |= {name: variable for name, variable in of_ports.items() if name not in left_out}
    coords = {"breath": waveforms["breath"].values[whole], "lung": waveforms["lung"].values}
    attrs = {**waveforms.attrs, "integrated_from_samples": ", ".join(added) or "none"}
    return label(xr.Dataset(variables, coords=coords, attrs=attrs))


def whole_breaths(waveforms: xr.Dataset) -> NDArray[np.bool_]:
    """Whether waveforms show a breath from its start to its end, of each breath, shape (n_breaths,)."""
    first, last = waveforms["time"].values[[0, -1]]
    begun = waveforms["breath_start"].values >= first - TIME_ROUNDING
    return begun & (waveforms["breath_end"].values <= last + TIME_ROUNDING)


def _records(kind: np.dtype[np.void], shape: int | tuple[int, ...], values: Mapping[Any, Any]) -> NDArray[np.void]:
    """Records of a kind, from values by name; what is missing is NaN."""
    found = np.full(shape, np.nan, kind)
    for name in kind.names or ():
        if name in values:
            found[name] = values[name]
    return found


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


LIMITED_SHARE = 0.05
"""Share of inspiration at the flow limit that is worth a remark, a convention of ventsim. [1]"""

AT_FLOW_LIMIT = ("port_limited_fraction", "port_missed_pressure", "port_missed_volume")
"""Measures of what the flow limit costs."""

_OF_LUNGS = (
    "inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "tidal_volume_per_weight",
    "peak_airway_pressure", "mean_airway_pressure", "end_inspiratory_alveolar_pressure", "plateau_pressure",
    "driving_pressure", "total_peep", "auto_peep", "minute_volume", "mechanical_power",
)  # fmt: skip
_OF_PORTS = PORT_MEASURES.names or ()
_SUMMED = ("inspired_tidal_volume", "expired_tidal_volume", "tidal_volume_fraction", "minute_volume")


@public
def breath_table(measures: xr.Dataset, *, breath: int = -1) -> Table:
    """Measures of one breath: a row for each lung, their total, and the ports of the ventilator.

    Measures that are unknown for every lung are left out, and those of the flow limit where it hardly acts.

    Parameters
    ----------
    measures : xarray.Dataset
        Result of :func:`breath_measures`.
    breath : int, default -1
        Number of the breath, or -1 for the last one. [1]

    Returns
    -------
    Table
        Its DataFrames are ``"lungs"``, with a row for each lung, and ``"ports"``, with one row.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema, or has no such breath.

    Examples
    --------
    ``print(breath_table(breath_measures(waveforms)))`` prints the last breath of a simulation;
    ``breath_table(measures).frame["inspired_tidal_volume"]["a"]`` is one number of it.
    """
    check_dataset(measures, "measures")
    at = breath_position(measures, breath)
    one = {
        str(name): variable.isel(breath=at, missing_dims="ignore").values
        for name, variable in measures.variables.items()
    }
    start, _, held, end, peep = (float(one[name]) for name in TIMING.names or ())
    set_peep = "" if np.isnan(peep) else f", set PEEP {fixed(peep, 2)} cmH2O"
    times = f"{fixed(start, 3)} to {fixed(end, 3)} s, inspiration {fixed(held - start, 3)} s"
    limited = one.get("port_limited_fraction", np.zeros(())) > LIMITED_SHARE
    idle = [name for name in AT_FLOW_LIMIT if not (limited and one[name] > 0.0)]
    known = {
        name: np.atleast_1d(values)
        for name, values in one.items()
        if name in VARIABLES and name not in idle and not np.isnan(values).all()
    }
    lungs, ports = ({name: known[name] for name in names if name in known} for names in (_OF_LUNGS, _OF_PORTS))
    sections = [
        Section(
            name="lungs", frame=pd.DataFrame(lungs, index=pd.Index(one["lung"].tolist(), name="lung")),
            columns={name: VARIABLES[name].column for name in lungs},
            total=[name for name in _SUMMED if name in lungs],
        ),
        Section(
            name="ports", frame=pd.DataFrame(ports), columns={name: VARIABLES[name].column for name in ports},
            title="ventilator and circuit", is_upright=True,
        ),
    ]  # fmt: skip
    return Table(title=f"Breath {int(one['breath'])}: {times}{set_peep}", sections=sections, caution=CAUTION)
