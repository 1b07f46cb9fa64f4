"""What a user describes: frozen, checked, with messages of one form; and families of such descriptions.

A family is what a field of several possible classes accepts: flow laws, lungs, parts, breath settings, changes.
"""

import inspect
import numbers
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Self, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    SerializationInfo,
    ValidationError,
    model_serializer,
    model_validator,
)
from pydantic_core import CoreSchema, core_schema

from ventsim.errors import InputError, PartError, fault_of_name, is_number, suggestion
from ventsim.model.field_table import with_parameters
from ventsim.model.messages import reworded, shown, unnamed, with_article
from ventsim.quantities import Quantity, quantity_of, warn_of_unlikely

_NAME: ContextVar[str] = ContextVar("name of the description in hand", default="")
# Fields, by the class of their description, of whose unlikely values nothing is said.
_QUIET: ContextVar[frozenset[tuple[type, str]]] = ContextVar("quiet", default=frozenset())


@contextmanager
def _set(variable: ContextVar[Any], value: object) -> Iterator[None]:
    token = variable.set(value)
    try:
        yield
    finally:
        variable.reset(token)


def named(name: str) -> AbstractContextManager[None]:
    """Give a name to the descriptions made inside the ``with`` block, for their messages.

    A part does not know its name in the circuit; a reader of files does, and says so here.

    Parameters
    ----------
    name : str
        Name of the part in its circuit.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> with named("b"):
    ...     Lung(compliance=-1.0, resistance=5.0)
    Traceback (most recent call last):
    ventsim.errors.PartError: lung 'b': compliance -1 mL/cmH2O is not allowed.
      Allowed: above 0 mL/cmH2O; usual: 0.2 to 300 mL/cmH2O.
    """
    return _set(_NAME, name)


def without_warnings_of(cls: type[BaseModel], names: Iterable[str]) -> AbstractContextManager[None]:
    """Do not warn of unlikely values of these fields while descriptions are made inside the ``with`` block.

    For values that have been warned of already, or are warned of in other words.

    Parameters
    ----------
    cls : type
        Class of the descriptions.
    names : iterable of str
        Names of its fields.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> with without_warnings_of(Tube, ["length"]):
    ...     Tube(length=12.0).length
    12.0
    """
    return _set(_QUIET, _QUIET.get() | {(cls, name) for name in names})


def label(cls: type[BaseModel]) -> str:
    """How messages call a description: its kind, and its name where it is known.

    Parameters
    ----------
    cls : type
        Class of the description.

    Returns
    -------
    str
        Such as ``lung 'b'``.
    """
    name = _NAME.get()
    kind = getattr(cls, "kind", cls.__name__)
    return f"{kind} '{name}'" if name else kind


class Description(BaseModel):
    """Base of everything that a user describes: frozen, keyword-only, unknown names refused.

    A subclass

    1. sets `kind`, the words by which messages and files call it, and `error_type`, the exception for impossible
       values;
    2. declares its fields, the numeric ones as ``Annotated[float, quantity("name")]`` with a plausible default
       or none; its docstring gets the section *Parameters* from them;
    3. may check fields against each other in `_faults`, which yields what is wrong;
    4. may name in `leading` the fields that a value without a name most likely means, if not those needed;
    5. sets `tag` to the key under which its dumped form holds `kind`, if it needs that to be read back.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> Lung(compliance=50.0, resistance=5.0).changed(compliance=30.0).compliance
    30.0
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    kind: ClassVar[str] = "description"
    error_type: ClassVar[type[InputError]] = InputError
    tag: ClassVar[str] = ""
    leading: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def __pydantic_init_subclass__(cls, **options: Any) -> None:
        super().__pydantic_init_subclass__(**options)
        text = cls.__doc__ or ""
        if cls.model_fields and "Parameters\n" not in text:
            cls.__doc__ = with_parameters(inspect.cleandoc(text), cls.model_fields)

    def __new__(cls, *values: Any, **data: Any) -> Self:
        # Here and not in __init__, whose arguments are the signature that pydantic shows.
        if values:
            raise cls.error_type(unnamed(label(cls), cls, values, data))
        if cls.__abstractmethods__:
            raise cls.error_type(
                f"{cls.__name__} is what others have in common.\n  Make one of those, or your own."
            )
        return super().__new__(cls)

    def __init__(self, **data: Any) -> None:
        given = data.pop(self.tag, self.kind) if self.tag else self.kind
        if given != self.kind:
            raise self.error_type(
                f"{label(type(self))}: the {self.tag} is {shown(given)}, not '{self.kind}'.\n"
                f"  Correct the {self.tag}, or use the class that belongs to it."
            )
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise reworded(label(type(self)), type(self), error) from None
        except TypeError as error:
            if "keywords must be strings" not in str(error):
                raise
            # Said by pydantic of a mapping that stands for a description.
            raise self.error_type(
                f"{label(type(self))}: a mapping of values by name has a name that is not text: "
                f"{', '.join(f'{name}={shown(value)}' for name, value in data.items())}.\n"
                "  Write names as text: {'length': 1.5}."
            ) from None
        self._warn_of_unlikely_values()

    def _faults(self) -> Iterator[str]:
        """Why the values do not fit each other; what comes later may rely on what came before."""
        yield from ()

    @model_validator(mode="after")
    def _refuse_faults(self) -> Self:
        for fault in self._faults():
            raise self.error_type(f"{label(type(self))}: {fault}")
        return self

    def _warn_of_unlikely_values(self) -> None:
        """One warning for each field."""
        quiet = _QUIET.get()
        for name, quantity in _quantities(type(self)).items():
            if (type(self), name) in quiet:
                continue
            warn_of_unlikely(f"{label(type(self))}: {name}", quantity, _numbers(getattr(self, name)))

    def __getattr__(self, name: str) -> Any:
        try:
            return super().__getattr__(name)  # type: ignore[misc]
        except AttributeError:
            if name.startswith("_") or hasattr(type(self), name):
                raise
        own = {word for word in dir(type(self)) if not word.startswith("_") and not hasattr(BaseModel, word)}
        names = dict.fromkeys([*type(self).model_fields, *sorted(own - {"error_type", "tag", "leading"})])
        # With `obj` alone, Python itself does not add a second suggestion.
        raise AttributeError(f"{self.kind}: there is no {name!r}.\n  {suggestion(name, names)}", obj=self)

    def __setattr__(self, name: str, value: Any) -> None:
        raise self.error_type(
            f"{self.kind}: {name} cannot be set; a description does not change after it is made.\n"
            f"  Make a new one: .changed({name}={shown(value)})."
        )

    def __delattr__(self, name: str) -> None:
        raise self.error_type(
            f"{self.kind}: {name} cannot be deleted; a description does not change after it is made.\n"
            "  Make a new one: .changed(...)."
        )

    def changed(self, values: Mapping[str, Any] | None = None, /, **by_name: Any) -> Self:
        """A new description with some values replaced, checked like any other.

        Parameters
        ----------
        values : mapping of str to object, optional
            New values by field name.
        **by_name
            The same, as keywords.

        Returns
        -------
        Description
            Of the same type. Values that stay are not warned of a second time.

        Raises
        ------
        InputError
            If a name is unknown or a value is impossible.

        Examples
        --------
        >>> from ventsim.model.parts import Tube
        >>> Tube(length=1.5).changed(bore=15.0).bore
        15.0
        """
        if values is not None and (
            not isinstance(values, Mapping) or not all(isinstance(name, str) for name in values)
        ):
            raise self.error_type(
                f"{self.kind}: changed takes new values by name; got {shown(values)}.\n"
                "  Write .changed(name=value), or .changed({'name': value})."
            )
        new = {**(values or {}), **by_name}
        kept = {name: getattr(self, name) for name in type(self).model_fields if name not in new}
        with without_warnings_of(type(self), kept):
            return type(self)(**{**kept, **new})

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Build from plain values, as ``model_dump`` returns them or a file holds them.

        Parameters
        ----------
        data : mapping of str to object
            Values by field name.

        Returns
        -------
        Description
            Of this type.

        Raises
        ------
        InputError
            If a name is unknown or missing, or a value is impossible.

        Examples
        --------
        >>> from ventsim.model.parts import Tube
        >>> Tube.from_dict({"length": 2}).length
        2.0
        """
        if not isinstance(data, Mapping) or any(fault_of_name(name, "") for name in data):
            raise cls.error_type(
                f"{label(cls)}: {shown(data)} is not a mapping of names to values.\n"
                f"  Allowed names: {', '.join(cls.model_fields)}."
            )
        return cls(**data)

    @model_serializer(mode="wrap")
    def _dump(self, handler: Any) -> dict[str, Any]:
        data = handler(self)
        return {self.tag: self.kind, **data} if self.tag else data


@cache
def _quantities(cls: type[BaseModel]) -> dict[str, Quantity]:
    """The quantities of the numeric fields that have a usual range."""
    fields = {name: quantity_of(info) for name, info in cls.model_fields.items()}
    return {name: one for name, one in fields.items() if one is not None and one.plausible is not None}


def _numbers(value: Any) -> Iterator[float]:
    """The numbers of a field: one, those of a list, those of all rows; none of a law or of None."""
    if isinstance(value, tuple):
        for item in value:
            yield from _numbers(item)
    elif isinstance(value, int | float):
        yield value


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
    accepts : callable, default none
        Whether an object of a user's own class keeps the contract of the family.
    number : Quantity or None, default None
        What a number means that stands for a member; None: none does.
    member_of : callable, default none
        The member that such an object or number stands for.
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
    accepts: Callable[[object], bool] = field(default=lambda value: False, repr=False)
    number: Quantity | None = field(default=None, repr=False)
    member_of: Callable[[Any], Any] = field(default=lambda value: value, repr=False)
    error: type[InputError] = field(default=PartError, repr=False)
    kinds: dict[str, type[Description]] = field(default_factory=dict, repr=False)

    def member(self, cls: Any) -> Any:
        """Enter a class of the library; a class decorator."""
        self.kinds[cls.kind] = cls
        return cls

    def read(self, value: object) -> Any:
        """A member, from itself, from its plain values or from a number that stands for one.

        Parameters
        ----------
        value : object
            A member, a mapping as files hold it, or a number.

        Returns
        -------
        object
            The member.

        Raises
        ------
        InputError
            If it is none, or a value is impossible.
        """
        if isinstance(value, tuple(self.kinds.values())):
            return value
        if isinstance(value, Mapping) and "wrapped" in value:  # an object of a user's own, as it is dumped
            rest = {name: item for name, item in value.items() if name not in (self.tag, "wrapped")}
            return self.read(value["wrapped"]).changed(rest)
        if isinstance(value, Mapping):
            with named(""):
                return self.class_of(value).from_dict(value)
        if not isinstance(value, type) and self.accepts(value):
            return self.member_of(value)
        what, wanted = shown(value), with_article(self.name)
        if self.number is None:
            raise self.error(f"{what} is not {wanted}.\n  Give {self.example}.")
        if not isinstance(value, numbers.Real):
            raise self.error(f"{what} is neither a number nor {wanted}.\n  Give a number, or {self.example}.")
        fault = self.number.fault(value)
        if fault:
            raise self.error(f"{self.number.meaning}: {fault}\n  {self.number.remedy(value)}")
        return self.member_of(float(value))

    def fault_of(self, value: object, name: str) -> str:
        """What is wrong with a number that should stand for a member, for the annotation of an argument.

        Parameters
        ----------
        value : object
            What was given; what is no number passes.
        name : str
            How the message calls it.

        Returns
        -------
        str
            Two lines without the last full stop; empty if nothing is wrong.
        """
        fault = self.number.fault(value) if self.number is not None and is_number(value) else ""
        return f"{name} {fault}\n  {self.number.remedy(value).rstrip('.')}" if fault and self.number else ""

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
            found = f"there is no {self.tag} {shown(kind)}" if kind else f"{self.tag} is missing"
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
    """

    family: Family
    many: bool = field(default=False, repr=False)
    or_number: bool = field(default=False, repr=False)

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
        return self.family.read(value)

    def _list(self, values: object) -> tuple[Any, ...]:
        name = self.family.name
        if not isinstance(values, Sequence) or isinstance(values, str):
            raise self.family.error(f"{shown(values)} is not a list of {name}s.\n  Give ({self.family.example},).")
        found = []
        for number, value in enumerate(values, start=1):
            try:
                found.append(self._one(value))
            except InputError as error:
                raise type(error)(f"number {number}: {error}") from None
        return tuple(found)


Held = TypeVar("Held", covariant=True)
Given = TypeVar("Given", contravariant=True)

if TYPE_CHECKING:

    class Kept(Generic[Held, Given]):
        """Type of a field that holds another type than it is given: ``Kept[held, given]``."""

        def __get__(self, description: object, owner: object) -> Held: ...

        def __set__(self, description: object, value: Given) -> None: ...

else:

    class Kept:
        """The type that is held."""

        def __class_getitem__(cls, types: tuple[Any, Any]) -> Any:
            return types[0]


FloatTuple = Kept[tuple[float, ...], Iterable[float]]
"""Type of a field of several numbers, which are given as a list, tuple or array and kept as a tuple."""


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
