"""One part of a breath, during which the source follows a smooth curve."""

import math
from dataclasses import dataclass
from typing import Literal


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
