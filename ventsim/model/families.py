"""Descriptions of one sort that are distinguished by a tag: flow laws, lungs, parts, breath settings, changes."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import GetCoreSchemaHandler, SerializationInfo
from pydantic_core import CoreSchema, core_schema

from ventsim.errors import InputError, PartError, suggestion
from ventsim.model.descriptions import Description, named, shown

_MOST = 64  # members of a list of descriptions


@dataclass(frozen=True, eq=False)
class Family:
    """What a field of several possible classes accepts, and how plain values name the class.

    Parameters
    ----------
    name : str
        What messages call a member.
    tag : str
        Key under which plain values hold the kind.
    example : str
        How a member is written in Python.
    default : str
        Kind that is meant where the tag is missing; empty: the tag is needed.
    accepts : callable or None, default None
        Whether an object that is no :class:`Description` keeps the contract of the family.
    error : type, default PartError
        What is raised.

    Attributes
    ----------
    kinds : dict of str to type
        The library's own classes, by the word that files use; they register themselves (see :meth:`member`).
    """

    name: str
    tag: str = field(repr=False)
    example: str = field(repr=False)
    default: str = field(default="", repr=False)
    accepts: Callable[[object], bool] | None = field(default=None, repr=False)
    error: type[InputError] = field(default=PartError, repr=False)
    kinds: dict[str, type[Description]] = field(default_factory=dict, repr=False)

    def member(self, cls: Any) -> Any:
        """Enter a class of the library; a class decorator."""
        self.kinds[cls.kind] = cls
        return cls

    def read(self, value: object, *, base: type | tuple[type, ...] = (), or_number: bool = False) -> Any:
        """A member, from itself or from its plain values.

        Parameters
        ----------
        value : object
            A member, or a mapping as files hold it.
        base : type or tuple of types
            Base classes of members, for those of a user's own making.
        or_number : bool, default False
            Whether a number would do as well, for the message.

        Returns
        -------
        object
            The member.

        Raises
        ------
        InputError
            If it is none, or a value is impossible.
        """
        if isinstance(value, (*self.kinds.values(), *(base if isinstance(base, tuple) else (base,)))):
            return value
        if isinstance(value, Mapping):
            with named(""):
                return self.class_of(value).from_dict(value)
        if not isinstance(value, type) and self.accepts is not None and self.accepts(value):
            return value
        what, article = shown(value), _article(self.name)
        if or_number:
            raise self.error(
                f"{what} is neither a number nor {article} {self.name}.\n  Give a number, or {self.example}."
            )
        raise self.error(f"{what} is not {article} {self.name}.\n  Give {self.example}.")

    def class_of(self, values: Mapping[str, Any]) -> Any:
        """The class that plain values name.

        Parameters
        ----------
        values : mapping of str to object
            Plain values.

        Returns
        -------
        type
            A class of the family.

        Raises
        ------
        InputError
            If the kind is missing or unknown.
        """
        kind = values.get(self.tag, self.default)
        if not isinstance(kind, str) or kind not in self.kinds:
            found = f"there is no {self.tag} {kind!r}" if kind else f"{self.tag} is missing"
            raise self.error(f"{found}.\n  {suggestion(str(kind or ''), self.kinds)}")
        return self.kinds[kind]


@dataclass(frozen=True, eq=False)
class Member:
    """Marks a field that holds members of a family; stands in the ``Annotated`` type of the field.

    Parameters
    ----------
    family : Family
        What the members are.
    many : bool, default False
        Whether the field holds a list of members, not one.
    or_number : bool, default False
        Whether a number, checked by the field's quantity, does as well.
    base : type or None, default None
        Base class of members of a user's own making.
    """

    family: Family
    many: bool = field(default=False, repr=False)
    or_number: bool = field(default=False, repr=False)
    base: type | None = field(default=None, repr=False)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        serialization = core_schema.plain_serializer_function_ser_schema(plain_values, info_arg=True)
        if not self.or_number:
            read = self._list if self.many else self._one
            return core_schema.no_info_plain_validator_function(read, serialization=serialization)

        def read_number(value: object, number: Any) -> Any:
            # Also True, text and None, which the quantity refuses.
            is_plain = isinstance(value, int | float | str | bytes | None) or hasattr(value, "__float__")
            return number(value) if is_plain else self._one(value)

        return core_schema.no_info_wrap_validator_function(
            read_number, handler(source), serialization=serialization
        )

    def _one(self, value: object) -> Any:
        return self.family.read(value, base=self.base or (), or_number=self.or_number)

    def _list(self, values: object) -> tuple[Any, ...]:
        name = self.family.name
        if not isinstance(values, Sequence) or isinstance(values, str):
            raise self.family.error(f"{shown(values)} is not a list of {name}s.\n  Give ({self.family.example},).")
        if len(values) > _MOST and name == "region":
            raise self.family.error(f"there are {len(values)} of them.\n  Allowed: 1 to {_MOST}.")
        found = []
        for number, value in enumerate(values, start=1):
            try:
                found.append(self._one(value))
            except InputError as error:
                raise type(error)(f"number {number}: {error}") from None
        return tuple(found)


class UnknownNameError(InputError, KeyError):
    """A name that a mapping does not have, with the nearest ones that it has."""

    __str__ = Exception.__str__


class FrozenMapping(Mapping[str, Any]):
    """Values by name that cannot be changed, can be hashed and answer a wrong name with the nearest one.

    Parameters
    ----------
    items : mapping of str to object
        The values.
    """

    __slots__ = ("_items",)

    def __init__(self, items: Mapping[str, Any]) -> None:
        self._items = dict(items)

    def __getitem__(self, name: str) -> Any:
        if name not in self._items:
            raise UnknownNameError(f"there is no {name!r}.\n  {suggestion(str(name), self._items)}")
        return self._items[name]

    def __contains__(self, name: object) -> bool:
        return name in self._items

    def __iter__(self) -> Any:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __hash__(self) -> int:
        return hash(frozenset(self._items.items()))

    def __repr__(self) -> str:
        pairs = (f"{name!r}: {shown(item)}" for name, item in self._items.items())
        return f"{{{', '.join(pairs)}}}"


def plain_values(value: Any, info: SerializationInfo) -> Any:
    """Plain values of what a field holds, for its serializer.

    Parameters
    ----------
    value : object
        A description, a mapping or tuple of them, or anything else.
    info : pydantic.SerializationInfo
        What the caller of ``model_dump`` asked for.

    Returns
    -------
    object
        Mappings and lists of plain values.
    """
    if isinstance(value, Description):
        return value.model_dump(
            mode=info.mode, exclude_none=info.exclude_none, exclude_defaults=info.exclude_defaults,
            exclude_unset=info.exclude_unset,
        )  # fmt: skip
    if isinstance(value, Mapping):
        return {name: plain_values(item, info) for name, item in value.items()}
    if isinstance(value, tuple):
        return [plain_values(item, info) for item in value]
    return value


def _article(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"
