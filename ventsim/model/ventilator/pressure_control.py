"""Pressure control."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from ventsim.errors import SettingsError
from ventsim.model.ventilator.segment import Segment
from ventsim.model.ventilator.settings import SETTINGS, BreathSettings
from ventsim.quantities import quantity

RISE_TIME_CONSTANTS = 3.0  # an exponential rise has covered 1 - exp(-3) = 95 % at the end of the rise time


@SETTINGS.member
class PressureControl(BreathSettings):
    r"""Pressure control: in inspiration the inspiratory port is held at PEEP plus the inspiratory pressure.

    Raises
    ------
    SettingsError
        If a value is impossible, or if the times contradict each other.

    Notes
    -----
    .. math:: p(t) = p_\mathrm{PEEP} + \Delta p \, r(t)

    with :math:`r` rising from 0 to 1. Terms follow ISO 19223.

    Examples
    --------
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> settings.inspiratory_phase_time
    1.333
    """

    kind: ClassVar[str] = "pressure control"

    inspiratory_pressure: Annotated[float, quantity("inspiratory_pressure")]
    rise_time: Annotated[float, quantity("rise_time")] = 0.0
    rise_shape: Annotated[
        Literal["linear", "exponential"], Field(description="course of the rise of pressure")
    ] = "linear"

    @model_validator(mode="after")
    def _check_rise(self) -> Self:
        if self.rise_time > self.inspiratory_phase_time:
            raise SettingsError(
                f"{self.kind}: rise_time {self.rise_time:.6g} s is longer than the inspiration of "
                f"{self.inspiratory_phase_time:.6g} s.\n"
                f"  Allowed: at most {self.inspiratory_phase_time:.6g} s. "
                "Lower rise_time or lengthen inspiration."
            )
        return self

    @property
    def flow_time(self) -> float:
        """Length of inspiration; pressure control has no pause. [s]"""
        return self.inspiratory_phase_time

    def inspiration(self) -> tuple[Segment, ...]:
        """The rise of pressure, and the plateau after a linear one."""
        whole, top = self.inspiratory_phase_time, self.peep + self.inspiratory_pressure
        if self.rise_time == 0.0:
            return (Segment(duration=whole, phase="inspiration", drive="pressure", start=top),)
        rise = Segment(
            duration=whole if self.rise_shape == "exponential" else self.rise_time,
            phase="inspiration",
            drive="pressure",
            shape=self.rise_shape,
            start=self.peep,
            change=self.inspiratory_pressure,
            time_constant=self.rise_time / RISE_TIME_CONSTANTS if self.rise_shape == "exponential" else 0.0,
        )
        if rise.duration == whole:
            return (rise,)
        plateau = Segment(duration=whole - self.rise_time, phase="inspiration", drive="pressure", start=top)
        return (rise, plateau)
