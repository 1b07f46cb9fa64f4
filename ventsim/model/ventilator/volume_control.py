"""Volume control."""

import math
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from ventsim.errors import SettingsError
from ventsim.model.ventilator.segment import Segment
from ventsim.model.ventilator.settings import BreathSettings
from ventsim.quantities import quantity
from ventsim.units import ML_PER_L


class VolumeControl(BreathSettings):
    r"""Volume control: during inspiration a set flow leaves the inspiratory port.

    The inspiratory time includes the pause, so that the flow lasts `inspiratory_time` minus `pause_time`.

    Parameters
    ----------
    tidal_volume : float
        Set volume that leaves the ventilator in one breath. [mL]
    rate : float
        Breaths in one minute. [1/min]
    peep : float, default 5
        Positive end-expiratory pressure. [cmH2O]
    inspiratory_time : float or None, default None
        Length of the inspiratory phase, pause included. [s]
    ie_ratio : float or None, default None
        Length of the inspiratory phase divided by that of expiration, in place of `inspiratory_time`.
        What time that is, is in ``inspiratory_phase_time``, without the pause in ``flow_time`` [s];
        `inspiratory_time` stays None. [1]
    pause_time : float, default 0
        End-inspiratory pause, without flow from the ventilator. [s]
    flow_pattern : {"constant", "decelerating", "sine"}, default "constant"
        Course of the flow: constant, falling along a straight line, or half a sine wave.
    end_flow_ratio : float, default 0
        Flow at the end of a decelerating pattern divided by that at its beginning, 0 to 1. [1]

    Raises
    ------
    SettingsError
        If a value is impossible, or if the times contradict each other.

    Notes
    -----
    With the tidal volume :math:`V`, the flow time :math:`t_f` and the end flow ratio :math:`k` the peak flow
    is

    .. math:: \frac{V}{t_f}, \qquad \frac{2 V}{t_f (1 + k)}, \qquad \frac{\pi V}{2 t_f}

    for the constant, the decelerating and the sine pattern. Terms follow ISO 19223.

    Examples
    --------
    >>> settings = VolumeControl(tidal_volume=500.0, rate=15.0, inspiratory_time=1.25, pause_time=0.25)
    >>> settings.peak_flow
    0.5
    """

    kind: ClassVar[str] = "volume control"

    tidal_volume: Annotated[float, quantity("tidal_volume")]
    pause_time: Annotated[float, quantity("pause_time")] = 0.0
    flow_pattern: Annotated[
        Literal["constant", "decelerating", "sine"], Field(description="course of the flow")
    ] = "constant"
    end_flow_ratio: Annotated[float, quantity("end_flow_ratio")] = 0.0

    @model_validator(mode="after")
    def _check_pattern(self) -> Self:
        if self.pause_time >= self.inspiratory_phase_time:
            raise SettingsError(
                f"{self.kind}: pause_time {self.pause_time:.6g} s leaves no time for flow in an inspiratory "
                f"phase of {self.inspiratory_phase_time:.6g} s, which includes the pause.\n"
                f"  Allowed: below {self.inspiratory_phase_time:.6g} s. "
                "Lower pause_time or lengthen inspiration."
            )
        if self.end_flow_ratio > 0.0 and self.flow_pattern != "decelerating":
            raise SettingsError(
                f"{self.kind}: end_flow_ratio {self.end_flow_ratio:.6g} has no meaning for the flow pattern "
                f"'{self.flow_pattern}'.\n  Leave end_flow_ratio out, or set flow_pattern='decelerating'."
            )
        return self

    @property
    def flow_time(self) -> float:
        """Length of the inspiratory phase without its pause. [s]"""
        return self.inspiratory_phase_time - self.pause_time

    @property
    def peak_flow(self) -> float:
        """Largest flow of the pattern. [L/s]"""
        mean = self.tidal_volume / ML_PER_L / self.flow_time
        match self.flow_pattern:
            case "decelerating":
                return 2.0 * mean / (1.0 + self.end_flow_ratio)
            case "sine":
                return math.pi / 2.0 * mean
            case _:
                return mean

    def inspiration(self) -> tuple[Segment, ...]:
        """The flow pattern, and the pause if there is one."""
        peak, time = self.peak_flow, self.flow_time
        match self.flow_pattern:
            case "decelerating":
                fall = peak * (self.end_flow_ratio - 1.0)
                flow = Segment(
                    duration=time, phase="inspiration", drive="flow", shape="linear", start=peak, change=fall
                )
            case "sine":
                flow = Segment(duration=time, phase="inspiration", drive="flow", shape="sine", change=peak)
            case _:
                flow = Segment(duration=time, phase="inspiration", drive="flow", start=peak)
        if self.pause_time == 0.0:
            return (flow,)
        return (flow, Segment(duration=self.pause_time, phase="pause", drive="closed"))
