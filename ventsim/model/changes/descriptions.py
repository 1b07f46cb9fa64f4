"""What can change while a run goes on, as frozen descriptions: values, joints, lungs, leaks."""

import math
import numbers
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Annotated, Any, ClassVar

from pydantic import Field, PlainSerializer, PlainValidator

from ventsim.errors import InputError
from ventsim.model.descriptions import Description, Family, plain_values, shown
from ventsim.model.laws import ELASTIC_LAWS, FLOW_LAWS, OR_FLOW_LAW, AnyFlowLaw, flow_law
from ventsim.model.parts import Leak
from ventsim.model.parts.inline import HOLE
from ventsim.quantities import quantity

LAWS = Family(
    name="law", tag="law", example=FLOW_LAWS.example, error=InputError, kinds=FLOW_LAWS.kinds | ELASTIC_LAWS.kinds
)
"""The laws of both families."""


def _read_name(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise InputError(f"{shown(value)} is not a name.\n  Give text that is not empty and can be printed.")
    return value


def _read_target(value: object) -> Any:
    if value is None or isinstance(value, str | Description):
        return value
    if isinstance(value, Mapping):
        return LAWS.read(value)
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        for family in (FLOW_LAWS, ELASTIC_LAWS):
            if family.accepts(value):
                return family.read(value)
        raise InputError(f"{shown(value)} is neither a number, text nor a law.\n  Give the value from then on.")
    if fault := quantity("value").fault(value):
        raise InputError(f"{fault}\n  Allowed: finite numbers, text and laws.")
    return float(value)


Name = Annotated[str, PlainValidator(_read_name)]


_EXAMPLE = "Change(path='settings.peep', to=8, at=60)"
CHANGES = Family(
    name="change",
    tag="kind",
    example=_EXAMPLE,
    default="change",
    accepts=lambda value: isinstance(value, TimedChange),
    error=InputError,
)
"""Everything that can change while a run goes on."""


class TimedChange(Description, ABC):
    """Base of all changes: when they begin and when they end.

    A final subclass sets `kind`, is listed in ``CHANGE_KINDS``, and says in `says` what it changes, with its
    fields in braces.
    """

    tag: ClassVar[str] = "kind"

    at: Annotated[float, quantity("at")]
    until: Annotated[float, quantity("until")] | None = None

    def _faults(self) -> Iterator[str]:
        if self.until is not None and self.until <= self.at:
            yield (
                f"until {self.until:.10g} s is not after at {self.at:.10g} s.\n"
                f"  Allowed: above {self.at:.10g} s. Correct one of them, or leave until out."
            )

    @property
    @abstractmethod
    def says(self) -> str:
        """What changes, with its own fields in braces."""

    @property
    def what(self) -> str:
        """What changes, for messages."""
        return self.says.format_map(dict(self))

    @property
    def end(self) -> float:
        """When it ends; infinite if it is for good. [s]"""
        return math.inf if self.until is None else self.until


@CHANGES.member
class Change(TimedChange):
    """A single value changes, at once or bit by bit.

    Exactly one of `to` and `factor` is given. Values of parts and of the ventilator change at the very instant,
    breath settings with the next breath.

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
    says: ClassVar[str] = "the change of '{path}'"

    path: Annotated[Name, Field(description="the value, such as 'lungs.b.compliance'")]
    to: Annotated[
        Any,
        PlainValidator(_read_target),
        PlainSerializer(plain_values),
        Field(description="the value afterwards: a number, text or a law"),
    ] = None
    factor: Annotated[float, quantity("factor")] | None = None

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        if (self.to is None) == (self.factor is None):
            found = "neither is given" if self.to is None else "both are given"
            yield (
                f"needs exactly one of to and factor; {found}.\n"
                "  Give to, the value afterwards, or factor, by which the value is multiplied."
            )
        if self.to is not None and not isinstance(self.to, float) and self.until is not None:
            yield (
                f"to {shown(self.to)} is no number, so it cannot change bit by bit.\n"
                "  Leave until out for a step, or give a number."
            )


@CHANGES.member
class Disconnection(TimedChange):
    """A joint comes apart; both ends are open to the room until it is put together again.

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
    says: ClassVar[str] = "the disconnection at '{joint}'"

    joint: Annotated[Name, Field(description="one end of the joint, 'part.port'")]


@CHANGES.member
class LungRemoval(TimedChange):
    """A lung is taken off at its joint: the circuit is closed with a cap there, the lung is open to the room.

    A tracheal tube that is a part of its own stays with the circuit. With `at` 0 the lung is put on at `until`.

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
    says: ClassVar[str] = "taking lung '{lung}' off"

    lung: Annotated[Name, Field(description="name of the lung")]


@CHANGES.member
class Clamp(TimedChange):
    """No gas passes a part, whose gas stays in it: a clamp on a tube, a closed tap.

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
    says: ClassVar[str] = "the clamp on '{part}'"

    part: Annotated[Name, Field(description="name of the part")]


@CHANGES.member
class LeakOnset(TimedChange):
    r"""A joint begins to leak to the room, such as a cuff at the airway of a lung.

    Raises
    ------
    InputError
        If a value is impossible, or both resistances are 0.

    Notes
    -----
    The law is that of :class:`ventsim.parts.Leak`.

    Examples
    --------
    >>> LeakOnset(joint="b.airway", resistance=100.0, at=60.0).leak.resistance
    100.0
    """

    kind: ClassVar[str] = "leak onset"
    says: ClassVar[str] = "the leak at '{joint}'"

    joint: Annotated[Name, Field(description="one end of the joint, 'part.port'")]
    resistance: Annotated[float | AnyFlowLaw, HOLE, OR_FLOW_LAW]

    def _faults(self) -> Iterator[str]:
        yield from super()._faults()
        if flow_law(self.resistance).is_zero:
            yield (
                "without resistance the hole would hold the circuit at atmospheric pressure.\n"
                "  Give a resistance above 0, a law that has one, or use a Disconnection."
            )

    @property
    def leak(self) -> Leak:
        """The part that is put into the joint."""
        return Leak(resistance=self.resistance)


Fault = Disconnection | LungRemoval | Clamp | LeakOnset
"""A change of what gas can pass, for a time or for good."""

AnyChange = Change | Fault
"""Everything that can change while a run goes on."""

CHANGE_KINDS = MappingProxyType(CHANGES.kinds)
"""The class of each kind of change, by the word that files use for it."""
