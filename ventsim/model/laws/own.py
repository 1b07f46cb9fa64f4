"""What laws of a user's own making have in common."""

from typing import Any, ClassVar

from ventsim.model.descriptions import Description


class _NameOfItsClass:
    """The kind of a law of the user's own: the name of its class."""

    def __get__(self, law: "UsersOwn | None", cls: type) -> str:
        if law is None or "wrapped" not in law.__dict__:  # the class, or a law that is being made
            return "law of the user's own"
        return type(law.wrapped).__name__


class UsersOwn(Description):
    """An object of a user's own class, seen as a description.

    Messages, tables and files call it by the name of its class.
    """

    kind: ClassVar[Any] = _NameOfItsClass()

    wrapped: Any

    def __hash__(self) -> int:
        try:
            return hash((type(self), *self.__dict__.values()))
        except TypeError:
            return id(self.wrapped)

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return hash(self) == hash(other) and bool(self.__dict__ == other.__dict__)

    def __repr__(self) -> str:
        return f"{self.kind}(...)"

    __str__ = __repr__
