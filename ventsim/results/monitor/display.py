"""What the ventilator displays of each breath."""

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.errors import InputError, SchemaError
from ventsim.quantities import check
from ventsim.results.monitor.sensors import Sensors
from ventsim.results.schema import CAUTION, VARIABLES, breath_position, check_dataset, label
from ventsim.tables import Column, Section, Table, clock, fixed, in_words
from ventsim.units import ML_PER_L, FloatArray

SECONDS_PER_MINUTE = 60.0
_LEAST_RISE = 1e-6  # of pressure in a breath; less is rounding, not a breath [cmH2O]

_TIMING = ("breath_start", "flow_end", "inspiration_end", "breath_end", "set_peep")

# Reading -> measure that is read, and the waveforms of a recording any of which leads to that measure.
_READ = {
    "inspired_tidal_volume": ("port_delivered_volume", ("inspiratory_port_flow", "delivered_volume")),
    "expired_tidal_volume": ("port_returned_volume", ("expiratory_port_flow", "returned_volume")),
    "peak_pressure": ("port_peak_pressure", ("inspiratory_port_pressure",)),
    "plateau_pressure": ("port_plateau_pressure", ("inspiratory_port_pressure",)),
    "mean_pressure": ("port_mean_pressure", ("inspiratory_port_pressure",)),
    "peep": ("port_peep", ("expiratory_port_pressure",)),
}


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
    if sensors is not None and not isinstance(sensors, Sensors):
        raise InputError(f"sensors: got {type(sensors).__name__}, but Sensors or None is needed.")
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
    variables |= {name: ("breath", measures[name].values) for name in _TIMING}
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
_OF_ALARMS = {
    "first_raised": Column(heading="first raised", unit="s", show=partial(clock, digits=1), shown_unit="h:min:s"),
    "breaths_raised": Column(heading="raised in", unit="breaths"),
    "breaths_with_condition": Column(heading="condition in", unit="breaths"),
}


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


def alarms_table(alarms: xr.Dataset) -> Table:
    """Alarms of a run: which ones, when each was raised first, and in how many breaths.

    Alarms whose condition never held are left out. One whose condition held, but never long enough, has a dash in
    place of the time.

    Parameters
    ----------
    alarms : xarray.Dataset
        Result of :func:`alarms`.

    Returns
    -------
    Table
        Its DataFrame has a row for each alarm; times are shown as hours:minutes:seconds of the run.

    Raises
    ------
    SchemaError
        If the Dataset does not fit the schema.

    Examples
    --------
    ``print(alarms_table(alarms(displayed, AlarmLimits.around(displayed, breath=1))))`` prints what has changed so
    much since the first breath that the ventilator alarms.
    """
    check_dataset(alarms, "alarms")
    counts = {
        "breaths_raised": alarms["alarm_raised"].astype(bool).sum("breath"),
        "breaths_with_condition": alarms["alarm_condition"].astype(bool).sum("breath"),
    }
    frame = alarms[["first_raised"]].assign(counts).to_dataframe().rename(index=in_words)
    frame = frame[frame["breaths_with_condition"] > 0]
    count = alarms.sizes["breath"]
    title = f"Alarms of the ventilator in {count} breath{'' if count == 1 else 's'}"
    return Table(
        title=title if len(frame) else f"{title}: none",
        sections=[Section(name="alarms", frame=frame, columns=_OF_ALARMS)], caution=CAUTION,
    )  # fmt: skip
