"""The repeating breath of volume control, from which its measures and its waveform are made."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.theory.flow_patterns import check_pattern
from ventsim.theory.inputs import FloatArray, Floats, checked_times, checked_together
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class SettledVolume:
    """Checked settings, and the pressures of the lung above PEEP once every breath is like the one before.

    Attributes
    ----------
    tidal_volume : array
        Set volume. [mL]
    peep : array
        Set pressure of expiration. [cmH2O]
    compliance : array
        Compliance of lung and chest wall together. [mL/cmH2O]
    resistance : array
        Resistance to inspiration. [cmH2O·s/L]
    expiratory_resistance : array
        Resistance to expiration. [cmH2O·s/L]
    rate : array
        Breaths each minute. [1/min]
    inspiratory_time : array
        Duration of inspiration, with its pause. [s]
    pause_time : array
        Duration of the pause. [s]
    end_flow_ratio : array
        Flow at the end over flow at the start, for the decelerating ramp. [1]
    flow_time : array
        Inspiratory time without the pause. [s]
    period : array
        Duration of the whole breath. [s]
    expiratory_time_constant : array
        Expiratory resistance times compliance. [s]
    driving_pressure : array
        Tidal volume over compliance. [cmH2O]
    auto_peep : array
        Alveolar pressure above PEEP at the end of expiration. [cmH2O]
    """

    tidal_volume: FloatArray
    peep: FloatArray
    compliance: FloatArray
    resistance: FloatArray
    expiratory_resistance: FloatArray
    rate: FloatArray
    inspiratory_time: FloatArray
    pause_time: FloatArray
    end_flow_ratio: FloatArray
    flow_time: FloatArray
    period: FloatArray
    expiratory_time_constant: FloatArray
    driving_pressure: FloatArray
    auto_peep: FloatArray


def settled_volume(
    where: str, *, settings: Mapping[str, Floats | None], flow_pattern: str, others: Mapping[str, Floats]
) -> tuple[SettledVolume, list[FloatArray]]:
    """Check settings and solve for the repeating breath.

    Parameters
    ----------
    where : str
        Name of the function that was called, for messages.
    settings : mapping of str to float, array or None
        The arguments of `volume_control` by name, without the flow pattern.
    flow_pattern : str
        Name of the flow pattern.
    others : mapping of str to float or array
        Further numbers to check and bring to the same shape, such as times.

    Returns
    -------
    tuple of SettledVolume and list of array
        Settings and pressures, and the further numbers, all of one shape.

    Raises
    ------
    InputError
        If a value is impossible, no time is left for flow or expiration, or the shapes of arrays do not fit.
    """
    given = dict(settings)
    if given["expiratory_resistance"] is None:
        given["expiratory_resistance"] = given["resistance"]
    numbers = checked_together(where, given | dict(others))
    volume, peep, compliance, r_in, r_out, rate, time_in, pause, ratio, *rest = numbers
    check_pattern(where, flow_pattern=flow_pattern, end_flow_ratio=ratio)
    period = checked_times(where, rate=rate, inspiratory_time=time_in)
    _check_pause(where, pause_time=pause, inspiratory_time=time_in)
    emptying_time = r_out * compliance / ML_PER_L
    emptying = (period - time_in) / emptying_time
    driving = volume / compliance
    state = SettledVolume(
        tidal_volume=volume,
        peep=peep,
        compliance=compliance,
        resistance=r_in,
        expiratory_resistance=r_out,
        rate=rate,
        inspiratory_time=time_in,
        pause_time=pause,
        end_flow_ratio=ratio,
        flow_time=time_in - pause,
        period=period,
        expiratory_time_constant=emptying_time,
        driving_pressure=driving,
        # b / (1 - b), which neither overflows for a long expiration nor loses digits for a short one.
        auto_peep=driving * np.exp(-emptying) / -np.expm1(-emptying),
    )
    return state, rest


def _check_pause(where: str, *, pause_time: FloatArray, inspiratory_time: FloatArray) -> None:
    bad = pause_time >= inspiratory_time
    if np.any(bad):
        pause, whole = float(pause_time[bad][0]), float(inspiratory_time[bad][0])
        raise InputError(
            f"{where}: pause_time {pause:.6g} s leaves no time for flow within "
            f"inspiratory_time {whole:.6g} s.\n"
            f"  Allowed: less than {whole:.6g} s; inspiratory_time includes the pause.\n"
            "  Shorten pause_time or lengthen inspiratory_time."
        )
