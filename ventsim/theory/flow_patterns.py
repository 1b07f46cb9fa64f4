"""Shapes of the set flow in volume control, as fractions of flow time and tidal volume."""

from typing import Literal, get_args

import numpy as np

from ventsim.errors import InputError, suggestion
from ventsim.theory.inputs import FloatArray

FlowPattern = Literal["constant", "decelerating", "sine"]


def check_pattern(where: str, *, flow_pattern: str, end_flow_ratio: FloatArray) -> None:
    """Refuse an unknown pattern, or an end ratio for a pattern that has none.

    Parameters
    ----------
    where : str
        Name of the function that was called, for the message.
    flow_pattern : str
        Name of the pattern.
    end_flow_ratio : array of any shape
        Flow at the end over flow at the start. [1]

    Raises
    ------
    InputError
        If there is no such pattern, or a ratio is given that it does not use.
    """
    known = get_args(FlowPattern)
    if flow_pattern not in known:
        raise InputError(
            f"{where}: flow_pattern {flow_pattern!r} is unknown.\n"
            f"  Allowed: {', '.join(map(repr, known))}.\n  {suggestion(str(flow_pattern), known)}"
        )
    if flow_pattern != "decelerating" and np.any(end_flow_ratio != 0.0):
        ratio = float(end_flow_ratio[end_flow_ratio != 0.0][0])
        raise InputError(
            f"{where}: end_flow_ratio {ratio:.6g} has no meaning for flow_pattern {flow_pattern!r}.\n"
            "  Allowed: only with flow_pattern 'decelerating'.\n  Leave end_flow_ratio out."
        )


def flow_shape(fraction: FloatArray, *, flow_pattern: FlowPattern, end_flow_ratio: FloatArray) -> FloatArray:
    r"""Flow over mean flow.

    Parameters
    ----------
    fraction : array of any shape
        Time over flow time, from 0 to 1. [1]
    flow_pattern : {"constant", "decelerating", "sine"}
        Name of the pattern.
    end_flow_ratio : array of the same shape
        Flow at the end over flow at the start, for the decelerating ramp. [1]

    Returns
    -------
    array of the same shape
        Flow over mean flow. [1]

    Notes
    -----
    With the fraction s and end ratio k: 1; :math:`\frac{2}{1+k}(1 - (1-k)s)`; :math:`\frac{\pi}{2}\sin \pi
    s`.
    """
    if flow_pattern == "constant":
        return np.ones_like(fraction)
    if flow_pattern == "sine":
        return 0.5 * np.pi * np.sin(np.pi * fraction)
    return 2.0 / (1.0 + end_flow_ratio) * (1.0 - (1.0 - end_flow_ratio) * fraction)


def volume_shape(fraction: FloatArray, *, flow_pattern: FlowPattern, end_flow_ratio: FloatArray) -> FloatArray:
    """Volume over tidal volume: the integral of :func:`flow_shape`.

    Parameters
    ----------
    fraction : array of any shape
        Time over flow time, from 0 to 1. [1]
    flow_pattern : {"constant", "decelerating", "sine"}
        Name of the pattern.
    end_flow_ratio : array of the same shape
        Flow at the end over flow at the start, for the decelerating ramp. [1]

    Returns
    -------
    array of the same shape
        Volume over tidal volume. [1]
    """
    if flow_pattern == "constant":
        return fraction
    if flow_pattern == "sine":
        return np.sin(0.5 * np.pi * fraction) ** 2
    return 2.0 / (1.0 + end_flow_ratio) * fraction * (1.0 - (1.0 - end_flow_ratio) * fraction / 2.0)


def volume_mean(*, flow_pattern: FlowPattern, end_flow_ratio: FloatArray) -> FloatArray:
    """Mean over the flow time of :func:`volume_shape`.

    Parameters
    ----------
    flow_pattern : {"constant", "decelerating", "sine"}
        Name of the pattern.
    end_flow_ratio : array of any shape
        Flow at the end over flow at the start, for the decelerating ramp. [1]

    Returns
    -------
    array of the same shape
        Mean volume over tidal volume. [1]
    """
    if flow_pattern == "decelerating":
        return (2.0 + end_flow_ratio) / (3.0 * (1.0 + end_flow_ratio))
    return np.full_like(end_flow_ratio, 0.5)


def peak_pressure_fraction(
    time_constant_ratio: FloatArray, *, flow_pattern: FlowPattern, end_flow_ratio: FloatArray
) -> FloatArray:
    r"""Moment of the highest airway pressure while the lung fills.

    Parameters
    ----------
    time_constant_ratio : array of any shape
        Inspiratory time constant over flow time. [1]
    flow_pattern : {"constant", "decelerating", "sine"}
        Name of the pattern.
    end_flow_ratio : array of the same shape
        Flow at the end over flow at the start, for the decelerating ramp. [1]

    Returns
    -------
    array of the same shape
        Time over flow time, from 0 to 1. [1]

    Notes
    -----
    Where volume shape plus ratio r times flow shape is largest: constant 1; decelerating
    :math:`\frac{1}{1-k} - r`, within 0 and 1; sine :math:`1 - \frac{1}{\pi}\arctan(\pi r)`.
    """
    if flow_pattern == "constant":
        return np.ones_like(time_constant_ratio)
    if flow_pattern == "sine":
        return 1.0 - np.arctan(np.pi * time_constant_ratio) / np.pi
    steepness = 1.0 - end_flow_ratio
    # A ramp with end ratio 1 is constant flow, whose pressure is highest at the end.
    highest = 1.0 / np.where(steepness > 0.0, steepness, 1.0) - time_constant_ratio
    return np.where(steepness > 0.0, np.clip(highest, 0.0, 1.0), 1.0)
