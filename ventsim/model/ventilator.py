"""The ventilator: breath settings, the segments of a breath, and the machine that carries them out."""

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from ventsim.errors import InputError, PartError, SettingsError, fault_of_any_number
from ventsim.model.descriptions import Description, Family
from ventsim.model.laws.flow import OR_FLOW_LAW, AnyFlowLaw
from ventsim.parameters import public
from ventsim.quantities import quantity
from ventsim.units import ATMOSPHERE_CMH2O, ML_PER_L

SECONDS_PER_MINUTE = 60.0


@public
@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    r"""A part of one breath during which the source follows one smooth curve.

    It ends by time, or earlier by flow.

    Parameters
    ----------
    duration : float
        Length in time, the longest that it can last. The last segment of a breath lasts until the next breath is
        due, a whole number of periods after an earlier one, also where segments before it have ended early. [s]
    phase : {"inspiration", "pause", "expiration"}
        What happens; a pause is the end of the inspiratory phase, without flow from the ventilator.
    drive : {"pressure", "flow", "closed"}
        What the source sets at the inspiratory port; ``"closed"``: nothing leaves it.
    shape : {"constant", "linear", "exponential", "sine"}, default "constant"
        Form of the curve.
    start : float, default 0
        Value at the beginning. [cmH2O for pressure, L/s for flow]
    change : float, default 0
        Size of the curve, see below. [as `start`]
    time_constant : float, default 0
        Time constant of an exponential curve. [s]
    end_flow : float or None, default None
        Flow from the source, above 0; the segment ends as soon as the flow falls below it. A flow that never
        reaches it does not end the segment. None: it ends by time alone. [L/s]

    Notes
    -----
    With time :math:`t` since the beginning, duration :math:`d`, start :math:`s` and change :math:`c`:

    constant :math:`s`; linear :math:`s + c\,t/d`; exponential :math:`s + c\,(1 - e^{-t/\tau})`; sine
    :math:`s + c\,\sin(\pi t/d)`.

    Pressures are relative to the atmosphere, PEEP included.

    Examples
    --------
    >>> ramp = Segment(
    ...     duration=0.5, phase="inspiration", drive="pressure", shape="linear", start=5.0, change=10.0
    ... )
    >>> ramp.value(0.25)
    10.0
    """

    duration: float
    phase: Literal["inspiration", "pause", "expiration"]
    drive: Literal["pressure", "flow", "closed"]
    shape: Literal["constant", "linear", "exponential", "sine"] = "constant"
    start: float = 0.0
    change: float = 0.0
    time_constant: float = 0.0
    end_flow: float | None = None

    @property
    def can_end_early(self) -> bool:
        """Whether something else than time can end it."""
        return self.end_flow is not None

    @public
    def value(self, time: float) -> float:
        """Value of the source.

        Parameters
        ----------
        time : float
            Time since the beginning of the segment, 0 to `duration`. [s]

        Returns
        -------
        float
            Pressure or flow. [cmH2O or L/s]

        Examples
        --------
        >>> half_sine = Segment(duration=1.0, phase="inspiration", drive="flow", shape="sine", change=0.8)
        >>> half_sine.value(0.5)
        0.8
        """
        match self.shape:
            case "linear":
                return self.start + self.change * time / self.duration
            case "exponential":
                return self.start + self.change * (1.0 - math.exp(-time / self.time_constant))
            case "sine":
                return self.start + self.change * math.sin(math.pi * time / self.duration)
            case _:
                return self.start

    @public
    def crossings(self, level: Annotated[float, fault_of_any_number]) -> tuple[float, ...]:
        """When the source passes a level, upwards or downwards.

        Parameters
        ----------
        level : float
            Pressure or flow, which may be infinite. [cmH2O or L/s]

        Returns
        -------
        tuple of float
            Times since the beginning of the segment, none, one or two. [s]

        Examples
        --------
        >>> half_sine = Segment(duration=1.0, phase="inspiration", drive="flow", shape="sine", change=0.8)
        >>> half_sine.crossings(0.4)
        (0.1667, 0.8333)
        """
        part = (level - self.start) / self.change if self.change != 0.0 else math.inf
        if not 0.0 < part < 1.0:
            return ()
        if self.shape == "sine":
            first = self.duration * math.asin(part) / math.pi
            return first, self.duration - first
        time = self.duration * part
        if self.shape == "exponential":
            time = -self.time_constant * math.log1p(-part)
        return (time,) if self.shape != "constant" and time < self.duration else ()


SETTINGS = Family(
    name="breath setting",
    tag="kind",
    example="PressureControl(...) or VolumeControl(...)",
    accepts=lambda value: isinstance(value, BreathSettings),
    error=SettingsError,
)
"""Breath settings."""

SETTINGS_KINDS = MappingProxyType(SETTINGS.kinds)
"""The class of each kind of breath settings, by the word that files use for it."""


class BreathSettings(Description, ABC):
    """Base of the breath settings: timing and baseline, the same for every mode.

    The inspiratory phase lasts from the beginning of one breath to the opening of the exhalation valve; a
    pause at its end is part of it. Exactly one of `inspiratory_time` and `ie_ratio` is given. A final
    subclass

    1. sets `kind`; one of the library enters :data:`SETTINGS` by ``@SETTINGS.member``;
    2. returns the segments of its inspiratory phase from `inspiration`, none of them empty, together as long
       as `inspiratory_phase_time`.
    """

    error_type: ClassVar[type[InputError]] = SettingsError
    tag: ClassVar[str] = "kind"

    rate: Annotated[float, quantity("rate")]
    peep: Annotated[float, quantity("peep")] = 5.0
    inspiratory_time: Annotated[float, quantity("inspiratory_time")] | None = None
    ie_ratio: Annotated[float, quantity("ie_ratio")] | None = None

    def _faults(self) -> Iterator[str]:
        given = [name for name in ("inspiratory_time", "ie_ratio") if getattr(self, name) is not None]
        if len(given) != 1:
            found = "both are given" if given else "neither is given"
            yield (
                f"needs exactly one of inspiratory_time and ie_ratio; {found}.\n"
                "  Give inspiratory_time in s, or ie_ratio as inspiration by expiration (0.5 for 1:2)."
            )
        if self.inspiratory_phase_time >= self.period:
            yield (
                f"inspiratory_time {self.inspiratory_phase_time:.6g} s leaves no expiration in "
                f"a period of {self.period:.6g} s (rate {self.rate:.6g} 1/min).\n"
                f"  Allowed: below {self.period:.6g} s. Lower inspiratory_time or rate."
            )

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
    def flow_time(self) -> float:
        """Length of the inspiratory phase without its pause, if the mode has one. [s]"""
        return self.inspiratory_phase_time

    @abstractmethod
    def inspiration(self) -> tuple[Segment, ...]:
        """The segments of the inspiratory phase."""

    def segments(self) -> tuple[Segment, ...]:
        """The segments of one period.

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
    rise_shape: Annotated[Literal["linear", "exponential"], Field(description="shape of the rise of pressure")] = (
        "linear"
    )

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        if self.rise_time > self.inspiratory_phase_time:
            yield (
                f"rise_time {self.rise_time:.6g} s is longer than the inspiration of "
                f"{self.inspiratory_phase_time:.6g} s.\n"
                f"  Allowed: at most {self.inspiratory_phase_time:.6g} s. "
                "Lower rise_time or lengthen inspiration."
            )

    def inspiration(self) -> tuple[Segment, ...]:
        """The rise of pressure, and the plateau after a linear one."""
        whole, top = self.inspiratory_phase_time, self.peep + self.inspiratory_pressure
        plateau = Segment(duration=whole - self.rise_time, phase="inspiration", drive="pressure", start=top)
        if self.rise_time == 0.0:
            return (plateau,)
        rise = Segment(
            duration=whole if self.rise_shape == "exponential" else self.rise_time,
            phase="inspiration",
            drive="pressure",
            shape=self.rise_shape,
            start=self.peep,
            change=self.inspiratory_pressure,
            time_constant=self.rise_time / RISE_TIME_CONSTANTS if self.rise_shape == "exponential" else 0.0,
        )
        return (rise,) if rise.duration == whole else (rise, plateau)


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
        Literal["constant", "decelerating", "sine"], Field(description="shape of the flow")
    ] = "constant"
    end_flow_ratio: Annotated[float, quantity("end_flow_ratio")] = 0.0

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        if self.pause_time >= self.inspiratory_phase_time:
            yield (
                f"pause_time {self.pause_time:.6g} s leaves no time for flow in an inspiratory "
                f"phase of {self.inspiratory_phase_time:.6g} s, which includes the pause.\n"
                f"  Allowed: below {self.inspiratory_phase_time:.6g} s. "
                "Lower pause_time or lengthen inspiration."
            )
        if self.end_flow_ratio > 0.0 and self.flow_pattern != "decelerating":
            yield (
                f"end_flow_ratio {self.end_flow_ratio:.6g} has no meaning for the flow pattern "
                f"'{self.flow_pattern}'.\n  Leave end_flow_ratio out, or set flow_pattern='decelerating'."
            )

    @property
    def flow_time(self) -> float:
        """Length of the inspiratory phase without its pause. [s]"""
        return self.inspiratory_phase_time - self.pause_time

    @property
    def peak_flow(self) -> float:
        """Largest flow of the pattern. [L/s]"""
        mean = self.tidal_volume / ML_PER_L / self.flow_time
        falling, sine = 2.0 * mean / (1.0 + self.end_flow_ratio), math.pi / 2.0 * mean
        return {"constant": mean, "decelerating": falling, "sine": sine}[self.flow_pattern]

    def inspiration(self) -> tuple[Segment, ...]:
        """The flow pattern, and the pause if there is one."""
        peak = self.peak_flow
        forms: dict[str, dict[str, Any]] = {
            "constant": {"start": peak},
            "decelerating": {"shape": "linear", "start": peak, "change": peak * (self.end_flow_ratio - 1.0)},
            "sine": {"shape": "sine", "change": peak},
        }
        form = forms[self.flow_pattern]
        flow = Segment(duration=self.flow_time, phase="inspiration", drive="flow", **form)
        if self.pause_time == 0.0:
            return (flow,)
        return (flow, Segment(duration=self.pause_time, phase="pause", drive="closed"))


class Ventilator(Description):
    """The machine between the breath settings and the circuit: its two ports, valves and limits.

    Gas leaves through the inspiratory port, whose valve lets nothing back, and returns through the expiratory
    port, whose exhalation valve is shut in inspiration and opens to PEEP in expiration.

    The ambient pressure holds for the whole circuit: where it is low, gas is thin and gives way more. Densities
    and stored gas of parts and laws are given for the standard atmosphere and follow it; viscosity stays the same.

    Source and exhalation valve may have any flow law. The flow limit holds in every mode: a set flow above it is
    cut, and a set pressure is missed while the flow that it needs is larger.

    Gas inside the machine and in a humidifier is compressed at the inspiratory port. Without them, as by default,
    a circuit with two limbs of 1.5 m stores 2.0 mL/cmH2O at a pressure that is held; with 100 mL in the machine
    and a humidifier of 300 mL it stores 2.4. Both lie within the 1.5 to 2.5 mL/cmH2O of three adult circuits
    (Respiratory Care 39(8), 1994, DOI 10.1177/193336549403900803 as printed).

    Defaults: flow limit of 180 L/min and relief are common practice, no source. From memory: exhalation valves
    lose 2 to 5 cmH2O at 1 L/s, humidifiers hold 200 to 400 mL, many machines let no more than 2 to 2.5 L be set.
    That the loss of the exhalation valve is linear is a convention of ventsim: with most of it quadratic, as
    ``laws.Rohrer(linear=1, quadratic=2)``, end-expiratory pressures of a published bench study come out lower, and
    more of its rows fail (case 12 of the validation). Studies can carry the range, as a number or as a law.

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> Ventilator().ports
    ('inspiratory', 'expiratory')
    """

    kind: ClassVar[str] = "ventilator"
    error_type: ClassVar[type[InputError]] = PartError
    ports: ClassVar[tuple[str, ...]] = ("inspiratory", "expiratory")

    source_resistance: Annotated[float | AnyFlowLaw, quantity("source_resistance"), OR_FLOW_LAW] = 0.5
    exhalation_resistance: Annotated[float | AnyFlowLaw, quantity("exhalation_resistance"), OR_FLOW_LAW] = 3.0
    internal_volume: Annotated[float, quantity("internal_volume")] = 0.0
    humidifier_volume: Annotated[float, quantity("humidifier_volume")] = 0.0
    flow_limit: Annotated[float, quantity("flow_limit")] | None = 3.0
    ambient_pressure: Annotated[
        float, quantity("ambient_pressure", "absolute pressure of the room in which machine and circuit stand")
    ] = ATMOSPHERE_CMH2O
    largest_tidal_volume: Annotated[float, quantity("largest_tidal_volume")] | None = 2500.0
    relief_pressure: Annotated[float, quantity("relief_pressure")] | None = 60.0


def check_settings(ventilator: Ventilator, settings: BreathSettings) -> None:
    """Check that a ventilator can carry out breath settings.

    Parameters
    ----------
    ventilator : Ventilator
        The machine.
    settings : BreathSettings
        The breath settings.

    Raises
    ------
    SettingsError
        If PEEP, or the highest pressure that is set, lies above the relief pressure, or if a volume is set that is
        larger than the machine allows.

    Examples
    --------
    >>> from ventsim.model.ventilator import PressureControl
    >>> check_settings(Ventilator(), PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5))
    """
    largest = ventilator.largest_tidal_volume
    if largest is not None and isinstance(settings, VolumeControl) and settings.tidal_volume > largest:
        raise SettingsError(
            f"{settings.kind}: tidal_volume {settings.tidal_volume:.6g} mL is above the ventilator's "
            f"largest_tidal_volume of {largest:.6g} mL.\n"
            f"  Allowed: at most {largest:.6g} mL. Lower tidal_volume or raise largest_tidal_volume."
        )
    relief = ventilator.relief_pressure
    if relief is None:
        return
    driven = [segment for segment in settings.segments() if segment.drive == "pressure"]
    top = max((max(one.start, one.start + one.change) for one in driven), default=settings.peep)
    for pressure, words, lower in (
        (settings.peep, f"peep {settings.peep:.6g} cmH2O is", "peep or"),
        (top, f"the set pressure of {top:.6g} cmH2O, PEEP included, is", "inspiratory_pressure or peep, or"),
    ):
        if pressure > relief:
            raise SettingsError(
                f"{settings.kind}: {words} above the ventilator's relief_pressure of {relief:.6g} cmH2O.\n"
                f"  Allowed: at most {relief:.6g} cmH2O. Lower {lower} raise relief_pressure."
            )
