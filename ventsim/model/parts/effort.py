"""Effort of the respiratory muscles: a pressure over time that repeats at the patient's own rate.

The ventilator does not react to it: breaths of the machine and efforts of the patient keep their own times.
"""

import itertools
from collections.abc import Iterator
from typing import Annotated, ClassVar

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description, Family, Member
from ventsim.model.parts.part import MuscleEffort
from ventsim.quantities import quantity

_SAME = 1e-9  # times and pressures that differ by less, relative to the largest, are equal


EFFORTS = Family(name="effort", tag="kind", example="HalfSineEffort(amplitude=5, duration=1, rate=15)")
"""Efforts of the respiratory muscles."""


@EFFORTS.member
class HalfSineEffort(Description):
    r"""Half a wave of a sine for each breath of the patient, and rest until the next.

    Raises
    ------
    PartError
        If a value is impossible, or an effort would last beyond the period of the patient's breaths.

    Notes
    -----
    .. math:: p_\mathrm{mus}(t) = A \sin\big(\pi (t - t_0) / T_\mathrm{mus}\big)

    for :math:`t_0 \le t \le t_0 + T_\mathrm{mus}`, else 0; repeated every :math:`60 / f`. The alveolar
    pressure is that of the pressure-volume curve minus :math:`p_\mathrm{mus}`. The half-sine is a common
    simplification (common practice, no source).

    Examples
    --------
    >>> effort = HalfSineEffort(amplitude=8.0, duration=1.0, rate=15.0, delay=0.5)
    >>> float(effort.over_time().pressure(1.0))
    8.0
    """

    kind: ClassVar[str] = "half-sine effort"
    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    amplitude: Annotated[float, quantity("amplitude")]
    duration: Annotated[float, quantity("effort_duration")]
    rate: Annotated[float, quantity("effort_rate")]
    delay: Annotated[float, quantity("effort_delay")] = 0.0

    def _faults(self) -> Iterator[str]:
        end = self.delay + self.duration
        if end > self.period * (1.0 + _SAME):
            yield (
                f"delay {self.delay:.6g} s and duration {self.duration:.6g} s end at {end:.6g} s, "
                f"beyond the period of {self.period:.6g} s.\n"
                f"  Allowed at a rate of {self.rate:.6g}/min: {self.period:.6g} s for both together. "
                "Lower rate, duration or delay."
            )

    @property
    def period(self) -> float:
        """Time from one effort to the next. [s]"""
        return 60.0 / self.rate

    def over_time(self) -> MuscleEffort:
        """The pressure of the muscles over time.

        Returns
        -------
        MuscleEffort
            As an elastic store takes it.
        """
        end = min(self.delay + self.duration, self.period)
        return MuscleEffort(
            times=(self.delay, 0.5 * (self.delay + end), end),
            pressures=(0.0, self.amplitude, 0.0),
            period=self.period,
            half_sine=True,
        )


@EFFORTS.member
class SampledEffort(Description):
    """A measured or drawn waveform of the pressure of the muscles, straight between its points.

    Raises
    ------
    PartError
        If times and pressures do not fit each other or the period.

    Notes
    -----
    Before the first and after the last point of a period the pressure stays as it is there.

    Examples
    --------
    >>> effort = SampledEffort(times=(0.0, 0.8, 1.0), pressures=(0.0, 6.0, 0.0), period=4.0)
    >>> float(effort.over_time().pressure(4.4))
    3.0
    """

    kind: ClassVar[str] = "sampled effort"
    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    times: Annotated[tuple[float, ...], quantity("times")]
    pressures: Annotated[tuple[float, ...], quantity("muscle_pressures")]
    period: Annotated[float, quantity("effort_period")]

    def _faults(self) -> Iterator[str]:
        if len(self.times) != len(self.pressures):
            yield (
                f"there are {len(self.times)} times, but {len(self.pressures)} pressures.\n"
                "  Give one pressure for each time."
            )
        if len(self.times) < 2:
            yield (
                f"{len(self.times)} points do not make a course over time.\n  Give at least 2 times and pressures."
            )
        for earlier, later in itertools.pairwise(self.times):
            if later <= earlier:
                yield (
                    f"times: {later:.6g} s follows {earlier:.6g} s.\n  Allowed: each later than the one before."
                )
        if self.times[-1] > self.period:
            yield (
                f"times end at {self.times[-1]:.6g} s, beyond the period of {self.period:.6g} s.\n"
                "  Raise the period or leave out the last points."
            )
        first, last = self.pressures[0], self.pressures[-1]
        if abs(last - first) > _SAME * max(map(abs, self.pressures)):
            yield (
                f"pressures begin at {first:.6g} cmH2O and end at {last:.6g} cmH2O, so they would "
                "jump when the effort repeats.\n  Let the last be equal to the first."
            )

    def over_time(self) -> MuscleEffort:
        """The pressure of the muscles over time.

        Returns
        -------
        MuscleEffort
            As an elastic store takes it.
        """
        return MuscleEffort(times=self.times, pressures=self.pressures, period=self.period)


EffortField = Annotated[HalfSineEffort | SampledEffort, Member(EFFORTS)]
"""A field that holds an effort."""
