"""The repeating breath of pressure control, from which its measures, its waveform and its onset are made."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ventsim.theory.inputs import FloatArray, Floats, checked_times, checked_together
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class SettledPressure:
    """Checked settings, and the pressures of the lung above PEEP once every breath is like the one before.

    Attributes
    ----------
    step : array
        Set inspiratory pressure above PEEP. [cmH2O]
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
        Duration of inspiration. [s]
    period : array
        Duration of the whole breath. [s]
    filling : array
        Inspiratory time over inspiratory time constant. [1]
    emptying : array
        Expiratory time over expiratory time constant. [1]
    end_inspiration : array
        Alveolar pressure above PEEP at the end of inspiration. [cmH2O]
    end_expiration : array
        Alveolar pressure above PEEP at the end of expiration. [cmH2O]
    swing : array
        Difference of these two. [cmH2O]
    onset : array
        Pressure that drives flow at the start of inspiration. [cmH2O]
    """

    step: FloatArray
    peep: FloatArray
    compliance: FloatArray
    resistance: FloatArray
    expiratory_resistance: FloatArray
    rate: FloatArray
    inspiratory_time: FloatArray
    period: FloatArray
    filling: FloatArray
    emptying: FloatArray
    end_inspiration: FloatArray
    end_expiration: FloatArray
    swing: FloatArray
    onset: FloatArray


def settled_pressure(
    where: str, *, settings: Mapping[str, Floats | None], others: Mapping[str, Floats]
) -> tuple[SettledPressure, list[FloatArray]]:
    """Check settings and solve for the repeating breath.

    Parameters
    ----------
    where : str
        Name of the function that was called, for messages.
    settings : mapping of str to float, array or None
        The arguments of `pressure_control` by name.
    others : mapping of str to float or array
        Further numbers to check and bring to the same shape, such as times.

    Returns
    -------
    tuple of SettledPressure and list of array
        Settings and pressures, and the further numbers, all of one shape.

    Raises
    ------
    InputError
        If a value is impossible, inspiration fills the whole period, or the shapes of arrays do not fit.
    """
    given = dict(settings)
    if given["expiratory_resistance"] is None:
        given["expiratory_resistance"] = given["resistance"]
    step, peep, compliance, r_in, r_out, rate, time_in, *rest = checked_together(where, given | dict(others))
    period = checked_times(where, rate=rate, inspiratory_time=time_in)
    filling = time_in / (r_in * compliance / ML_PER_L)
    emptying = (period - time_in) / (r_out * compliance / ML_PER_L)
    # Written with expm1, because 1 - exp(-x) and differences of the pressures lose digits at a fast rate.
    filled, emptied = -np.expm1(-filling), -np.expm1(-emptying)
    renewed = -np.expm1(-(filling + emptying))
    top = step * filled / renewed
    state = SettledPressure(
        step=step,
        peep=peep,
        compliance=compliance,
        resistance=r_in,
        expiratory_resistance=r_out,
        rate=rate,
        inspiratory_time=time_in,
        period=period,
        filling=filling,
        emptying=emptying,
        end_inspiration=top,
        end_expiration=top * np.exp(-emptying),
        swing=top * emptied,
        onset=step * emptied / renewed,
    )
    return state, rest
