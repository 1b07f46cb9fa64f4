"""What can change while a run goes on, as frozen descriptions: values, joints, lungs, leaks."""

import math
import numbers
from abc import ABC, abstractmethod
from types import MappingProxyType
from typing import Annotated, ClassVar, Self

from pydantic import Field, PlainValidator, model_validator

from ventsim.errors import InputError
from ventsim.model.parts import Description, Leak
from ventsim.quantities import quantity

LATEST = 1e7
"""Latest time of a change. [s]"""


def _read_name(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{value!r} is not a name.\n  Give text that is not empty.")
    return value


def _read_target(value: object) -> float | str | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, numbers.Real | str):
        raise InputError(f"{value!r} is neither a number nor text.\n  Give the value from then on.")
    if isinstance(value, str):
        return value
    try:
        number = float(value)
    except OverflowError:  # a whole number beyond the range of floats
        number = math.inf
    if not math.isfinite(number):
        raise InputError(f"{number} is not allowed.\n  Allowed: finite numbers, and text.")
    return number


Name = Annotated[str, PlainValidator(_read_name)]


class TimedChange(Description, ABC):
    """Base of all changes: when they begin and when they end.

    A final subclass sets `kind`, is listed in ``CHANGE_KINDS``, and says in `what` what it changes.
    """

    tagged: ClassVar[bool] = True

    at: Annotated[float, quantity("at")]
    until: Annotated[float, quantity("until")] | None = None

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.until is not None and self.until <= self.at:
            raise InputError(
                f"{self.kind}: until {self.until:.10g} s is not after at {self.at:.10g} s.\n"
                f"  Allowed: above {self.at:.10g} s. Correct one of them, or leave until out."
            )
        return self

    @property
    @abstractmethod
    def what(self) -> str:
        """What changes, for messages."""

    @property
    def end(self) -> float:
        """When it ends; infinite if it is for good. [s]"""
        return math.inf if self.until is None else self.until


class Change(TimedChange):
    """A single value changes, at once or bit by bit.

    Exactly one of `to` and `factor` is given. Values of parts and of the ventilator change at the very instant,
    breath settings with the next breath.

    Parameters
    ----------
    path : str
        The value: ``"settings.peep"``, ``"ventilator.exhalation_resistance"``, ``"lungs.b.compliance"``,
        ``"parts.b inspiratory tube.bore"``, ``"parts.b inspiratory valve.state"``; items of a list are counted
        from 1: ``"lungs.b.regions.2.resistance"``.
    to : float, str or None, default None
        The value afterwards; the text "none" where None is meant. [unit of the value]
    factor : float or None, default None
        The value afterwards over the one at `at`. [1]
    at : float
        When it begins. [s]
    until : float or None, default None
        When it ends; the value moves there in a straight line. None: a step at `at`. [s]

    Raises
    ------
    InputError
        If a value is impossible, not exactly one of `to` and `factor` is given, or a text is to change bit by bit.

    Examples
    --------
    >>> Change(path="lungs.b.compliance", factor=0.5, at=7200.0, until=10800.0).until
    10800.0
    """

    kind: ClassVar[str] = "change"

    path: Annotated[Name, Field(description="the value, such as 'lungs.b.compliance'")]
    to: Annotated[float | str | None, PlainValidator(_read_target), Field(description="the value afterwards")] = (
        None
    )
    factor: Annotated[float, quantity("factor")] | None = None

    @model_validator(mode="after")
    def _check_target(self) -> Self:
        if (self.to is None) == (self.factor is None):
            found = "neither is given" if self.to is None else "both are given"
            raise InputError(
                f"{self.kind}: needs exactly one of to and factor; {found}.\n"
                "  Give to, the value afterwards, or factor, by which the value is multiplied."
            )
        if isinstance(self.to, str) and self.until is not None:
            raise InputError(
                f"{self.kind}: to {self.to!r} is text, which cannot change bit by bit.\n"
                "  Leave until out for a step, or give a number."
            )
        return self

    @property
    def what(self) -> str:
        """The path."""
        return f"the change of '{self.path}'"


class Disconnection(TimedChange):
    """A joint comes apart; both ends are open to the room until it is put together again.

    Parameters
    ----------
    joint : str
        One of the two ends, ``"part.port"``; each end is in one joint only.
    at : float
        When it comes apart. [s]
    until : float or None, default None
        When it is put together again; None: never. [s]

    Raises
    ------
    InputError
        If a value is impossible.

    Examples
    --------
    >>> Disconnection(joint="b.airway", at=120.0, until=180.0).end
    180.0
    """

    kind: ClassVar[str] = "disconnection"

    joint: Annotated[Name, Field(description="one end of the joint, 'part.port'")]

    @property
    def what(self) -> str:
        """The joint."""
        return f"the disconnection at '{self.joint}'"


class LungRemoval(TimedChange):
    """A lung is taken off at its joint: the circuit is closed with a cap there, the lung is open to the room.

    A tracheal tube that is a part of its own stays with the circuit. With `at` 0 the lung is put on at `until`.

    Parameters
    ----------
    lung : str
        Name of the lung.
    at : float
        When it is taken off. [s]
    until : float or None, default None
        When it is put on again; None: never. [s]

    Raises
    ------
    InputError
        If a value is impossible.

    Examples
    --------
    >>> LungRemoval(lung="b", at=0.0, until=600.0).lung
    'b'
    """

    kind: ClassVar[str] = "lung removal"

    lung: Annotated[Name, Field(description="name of the lung")]

    @property
    def what(self) -> str:
        """The lung."""
        return f"taking lung '{self.lung}' off"


class Clamp(TimedChange):
    """No gas passes a part, whose gas stays in it: a clamp on a tube, a closed tap.

    Parameters
    ----------
    part : str
        Name of the part, not a lung.
    at : float
        When it is closed. [s]
    until : float or None, default None
        When it is opened again; None: never. [s]

    Raises
    ------
    InputError
        If a value is impossible.

    Examples
    --------
    >>> Clamp(part="b inspiratory tube", at=60.0).end
    inf
    """

    kind: ClassVar[str] = "clamp"

    part: Annotated[Name, Field(description="name of the part")]

    @property
    def what(self) -> str:
        """The part."""
        return f"the clamp on '{self.part}'"


class LeakOnset(TimedChange):
    r"""A joint begins to leak to the room, such as a cuff at the airway of a lung.

    Parameters
    ----------
    joint : str
        One of the two ends, ``"part.port"``; each end is in one joint only.
    linear_resistance : float, default 0
        Linear part of the resistance of the hole. [cmH2O·s/L]
    quadratic_resistance : float, default 0
        Quadratic part of the resistance of the hole. [cmH2O·s²/L²]
    at : float
        When it begins. [s]
    until : float or None, default None
        When it is sealed; None: never. [s]

    Raises
    ------
    InputError
        If a value is impossible, or both resistances are 0.

    Notes
    -----
    The law is that of :class:`ventsim.parts.Leak`.

    Examples
    --------
    >>> LeakOnset(joint="b.airway", linear_resistance=100.0, at=60.0).leak.linear_resistance
    100.0
    """

    kind: ClassVar[str] = "leak onset"

    joint: Annotated[Name, Field(description="one end of the joint, 'part.port'")]
    linear_resistance: Annotated[float, quantity("linear", "linear part of the resistance of the hole")] = 0.0
    quadratic_resistance: Annotated[
        float, quantity("quadratic", "quadratic part of the resistance of the hole")
    ] = 0.0

    @model_validator(mode="after")
    def _check_hole(self) -> Self:
        if self.linear_resistance == 0.0 and self.quadratic_resistance == 0.0:
            raise InputError(
                f"{self.kind}: without resistance the hole would hold the circuit at atmospheric pressure.\n"
                "  Give linear_resistance in cmH2O·s/L or quadratic_resistance in cmH2O·s²/L² above 0, or use a "
                "Disconnection."
            )
        return self

    @property
    def leak(self) -> Leak:
        """The part that is put into the joint."""
        return Leak(linear_resistance=self.linear_resistance, quadratic_resistance=self.quadratic_resistance)

    @property
    def what(self) -> str:
        """The joint."""
        return f"the leak at '{self.joint}'"


Fault = Disconnection | LungRemoval | Clamp | LeakOnset
"""A change of what gas can pass, for a time or for good."""

AnyChange = Change | Fault
"""Everything that can change while a run goes on."""

CHANGE_KINDS = MappingProxyType({cls.kind: cls for cls in (Change, Disconnection, LungRemoval, Clamp, LeakOnset)})
"""The class of each kind of change, by the word that files use for it."""
