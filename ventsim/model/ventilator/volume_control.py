"""Volume control."""

import math
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from ventsim.errors import SettingsError
from ventsim.model.ventilator.segment import Segment
from ventsim.model.ventilator.settings import SETTINGS, BreathSettings
from ventsim.quantities import quantity
from ventsim.units import ML_PER_L


@SETTINGS.member
class VolumeControl(BreathSettings):
    r"""Volume control: during inspiration a set flow leaves the inspiratory port.

    The inspiratory time includes the pause, so that the flow lasts `inspiratory_time` minus `pause_time`.

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
