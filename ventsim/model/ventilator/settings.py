"""What all breath settings share: timing, baseline, and their course over one period."""

from abc import ABC, abstractmethod
from typing import Annotated, ClassVar, Self

from pydantic import model_validator

from ventsim.errors import InputError, SettingsError
from ventsim.model.descriptions import Description
from ventsim.model.families import Family
from ventsim.model.ventilator.segment import Segment
from ventsim.quantities import quantity

SECONDS_PER_MINUTE = 60.0


SETTINGS = Family(
    name="breath setting", tag="kind", example="PressureControl(...) or VolumeControl(...)", error=SettingsError
)
"""Breath settings."""


class BreathSettings(Description, ABC):
    """Base of the breath settings: timing and baseline, the same for every mode.

    The inspiratory phase lasts from the beginning of one breath to the opening of the exhalation valve; a
    pause at its end is part of it. Exactly one of `inspiratory_time` and `ie_ratio` is given. A final
    subclass

    1. sets `kind` and is listed in :data:`ventsim.model.ventilator.SETTINGS_KINDS`;
    2. returns the segments of its inspiratory phase from `inspiration`, none of them empty, together as long
       as `inspiratory_phase_time`.
    """

    error_type: ClassVar[type[InputError]] = SettingsError
    tag: ClassVar[str] = "kind"

    rate: Annotated[float, quantity("rate")]
    peep: Annotated[float, quantity("peep")] = 5.0
    inspiratory_time: Annotated[float, quantity("inspiratory_time")] | None = None
    ie_ratio: Annotated[float, quantity("ie_ratio")] | None = None

    @model_validator(mode="after")
    def _check_timing(self) -> Self:
        given = [name for name in ("inspiratory_time", "ie_ratio") if getattr(self, name) is not None]
        if len(given) != 1:
            found = "both are given" if given else "neither is given"
            raise SettingsError(
                f"{self.kind}: needs exactly one of inspiratory_time and ie_ratio; {found}.\n"
                "  Give inspiratory_time in s, or ie_ratio as inspiration by expiration (0.5 for 1:2)."
            )
        if self.inspiratory_phase_time >= self.period:
            raise SettingsError(
                f"{self.kind}: inspiratory_time {self.inspiratory_phase_time:.6g} s leaves no expiration in "
                f"a period of {self.period:.6g} s (rate {self.rate:.6g} 1/min).\n"
                f"  Allowed: below {self.period:.6g} s. Lower inspiratory_time or rate."
            )
        return self

    @property
    def period(self) -> float:
        """Time from one breath to the next. [s]"""
        return SECONDS_PER_MINUTE / self.rate

    @property
    def inspiratory_phase_time(self) -> float:
        """Length of the inspiratory phase, pause included. [s]"""
        if self.inspiratory_time is not None:
            return self.inspiratory_time
        ratio = self.ie_ratio or 0.0  # never None or 0 once the settings have been checked
        return self.period * ratio / (1.0 + ratio)

    @property
    def expiratory_time(self) -> float:
        """Length of expiration. [s]"""
        return self.period - self.inspiratory_phase_time

    @property
    @abstractmethod
    def flow_time(self) -> float:
        """Length of the inspiratory phase without its pause. [s]"""

    @abstractmethod
    def inspiration(self) -> tuple[Segment, ...]:
        """The segments of the inspiratory phase."""

    def segments(self) -> tuple[Segment, ...]:
        """The course of one period, segment by segment.

        Returns
        -------
        tuple of Segment
            Inspiration, pause if there is one, expiration; together they last one period.

        Examples
        --------
        >>> from ventsim.model.ventilator import PressureControl
        >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
        >>> [(segment.phase, segment.drive) for segment in settings.segments()]
        [('inspiration', 'pressure'), ('expiration', 'closed')]
        """
        expiration = Segment(duration=self.expiratory_time, phase="expiration", drive="closed")
        return (*self.inspiration(), expiration)
