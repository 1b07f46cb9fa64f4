"""The base of everything that a user describes: frozen, checked, with messages of one form."""

import contextlib
import contextvars
import inspect
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, ClassVar, Self, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError, model_serializer
from pydantic.fields import FieldInfo

from ventsim.errors import InputError, PlausibilityWarning, nearest_names, suggestion, warn_caller
from ventsim.quantities import quantity_of

_LONGEST = 80  # characters of a wrong value in a message
_NAME: contextvars.ContextVar[str] = contextvars.ContextVar("name of the description in hand", default="")
# Fields, by the class of their description, of whose unlikely values nothing is said.
_QUIET: contextvars.ContextVar[frozenset[tuple[type, str]]] = contextvars.ContextVar("quiet", default=frozenset())


@contextlib.contextmanager
def named(name: str) -> Iterator[None]:
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
    token = _NAME.set(name)
    try:
        yield
    finally:
        _NAME.reset(token)


@contextlib.contextmanager
def without_warnings_of(cls: type[BaseModel], names: Iterable[str]) -> Iterator[None]:
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
    token = _QUIET.set(_QUIET.get() | {(cls, name) for name in names})
    try:
        yield
    finally:
        _QUIET.reset(token)


class Description(BaseModel):
    """Base of everything that a user describes: frozen, keyword-only, unknown names refused.

    A subclass

    1. sets `kind`, the words by which messages and files call it, and `error_type`, the exception for impossible
       values;
    2. declares its fields, the numeric ones as ``Annotated[float, quantity("name")]`` with a plausible default
       or none; its docstring gets the section *Parameters* from them;
    3. may check fields against each other in a validator that raises `error_type`;
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
            cls.__doc__ = _with_parameters(inspect.cleandoc(text), cls.model_fields)

    def __new__(cls, *values: Any, **data: Any) -> Self:
        # Here and not in __init__, whose arguments are the signature that pydantic shows.
        if values:
            raise cls.error_type(_unnamed(cls, values, data))
        return super().__new__(cls)

    def __init__(self, **data: Any) -> None:
        if self.tag and self.tag in data:
            if data[self.tag] != self.kind:
                raise self.error_type(
                    f"{label(type(self))}: the {self.tag} is {data[self.tag]!r}, not '{self.kind}'.\n"
                    f"  Correct the {self.tag}, or use the class that belongs to it."
                )
            data = {name: value for name, value in data.items() if name != self.tag}
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise _reworded(type(self), error) from None
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

    def _warn_of_unlikely_values(self) -> None:
        """One warning for each field."""
        quiet = _QUIET.get()
        for name, quantity in _quantities(type(self)).items():
            value = getattr(self, name)
            if value is None or (type(self), name) in quiet:
                continue
            for number in _numbers(value):
                found = quantity.unlikely(number)
                if found:
                    text = f"{label(type(self))}: {name} {quantity.text(number)} {found}"
                    warn_caller(PlausibilityWarning(text))
                    break

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
        if not isinstance(data, Mapping) or not all(isinstance(name, str) for name in data):
            raise cls.error_type(
                f"{label(cls)}: {shown(data)} is not a mapping of names to values.\n"
                f"  Allowed names: {', '.join(cls.model_fields)}."
            )
        return cls(**data)

    @model_serializer(mode="wrap")
    def _dump(self, handler: Any) -> dict[str, Any]:
        data = handler(self)
        return {self.tag: self.kind, **data} if self.tag else data


def _quantities(cls: type[BaseModel]) -> dict[str, Any]:
    """The quantities of the numeric fields, found once for each class."""
    found = cls.__dict__.get("_quantities_by_field")
    if found is None:
        fields = {name: quantity_of(info) for name, info in cls.model_fields.items()}
        found = {name: one for name, one in fields.items() if one is not None and one.plausible is not None}
        type.__setattr__(cls, "_quantities_by_field", found)
    return found


def _numbers(value: Any) -> Iterator[float]:
    """The numbers of a field: one, those of a list, those of all rows; none of a law."""
    if isinstance(value, tuple):
        for item in value:
            yield from _numbers(item)
    elif isinstance(value, int | float):
        yield value


def _with_parameters(text: str, fields: Mapping[str, FieldInfo]) -> str:
    """A docstring with the section *Parameters*, before its first other section."""
    lines = ["Parameters", "----------"]
    for name, info in fields.items():
        quantity = quantity_of(info)
        default = "" if info.is_required() else f", default {info.get_default(call_default_factory=True)!r}"
        unit = f" [{quantity.unit}]" if quantity is not None else ""
        meaning = info.description or (quantity.meaning if quantity else "")
        lines += [f"{name} : {_type_text(info)}{default}", f"    {meaning[:1].upper()}{meaning[1:]}.{unit}"]
    section = "\n".join(lines)
    rule = text.find("\n---")
    if rule < 0:
        return f"{text}\n\n{section}\n"
    start = text.rfind("\n", 0, rule) + 1
    return f"{text[:start]}{section}\n\n{text[start:]}"


def _type_text(info: FieldInfo) -> str:
    """The type of a field as docstrings write it."""
    choices = [choice for choice in get_args(info.annotation) if isinstance(choice, str)]
    if choices:
        return "{" + ", ".join(f'"{choice}"' for choice in choices) + "}"
    return " or ".join(dict.fromkeys(_type_names(info.annotation)))


def _type_names(annotation: Any) -> Iterator[str]:
    origin, inner = get_origin(annotation), get_args(annotation)
    if annotation in (None, type(None)):
        yield "None"
    elif origin is Annotated:
        yield from _type_names(inner[0])
    elif origin is tuple:
        yield f"tuple of {next(_type_names(inner[0]))}"
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        yield f"mapping of str to {next(_type_names(inner[1]))}"
    elif inner:
        for one in inner:
            yield from _type_names(one)
    else:
        yield "object" if annotation is Any else getattr(annotation, "__name__", str(annotation))


def shown(value: object) -> str:
    """A wrong value as messages show it: descriptions without all their numbers.

    Parameters
    ----------
    value : object
        What was given.

    Returns
    -------
    str
        One line for anything whose ``repr`` is one.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> shown(Tube(length=1.5)), shown(Tube), shown("tube")
    ('Tube(...)', 'the class Tube', "'tube'")
    """
    if isinstance(value, BaseModel):
        return f"{type(value).__name__}(...)"
    if isinstance(value, type):
        return f"the class {value.__name__}"
    if isinstance(value, Mapping):
        pairs = (f"{name!r}: {shown(item)}" for name, item in value.items())
        text = f"{{{', '.join(pairs)}}}"
    elif isinstance(value, list | tuple) and any(isinstance(item, BaseModel) for item in value):
        text = f"[{', '.join(map(shown, value))}]"
    else:
        text = repr(value)
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


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


def _unnamed(cls: type[BaseModel], values: tuple[Any, ...], data: Mapping[str, Any]) -> str:
    """Why values without names are refused, and how to write them."""
    fields = list(cls.model_fields)
    needed = list(getattr(cls, "leading", ())) or [
        name for name, info in cls.model_fields.items() if info.is_required()
    ]
    free = [name for name in needed if name not in data]
    pairs = dict.fromkeys(free or [name for name in fields if name not in data][:1], "...")
    # Only where the order of the fields shows which value is meant.
    if len(values) <= len(free) and fields[: len(needed)] == needed:
        pairs |= {name: shown(value) for name, value in zip(free, values, strict=False)}
    pairs |= {name: shown(value) for name, value in data.items()}
    call = f"{cls.__name__}({', '.join(f'{name}={text}' for name, text in pairs.items())})"
    several = "values are given" if len(values) > 1 else "a value is given"
    return (
        f"{label(cls)}: {several} without a name: {', '.join(map(shown, values))}.\n"
        f"  Write {call}.\n  Names: {', '.join(fields) or 'none, it has no values'}."
    )


def _reworded(cls: type[Description], error: ValidationError) -> InputError:
    """The same complaint in the form of the library; an error of its own passes as it is."""
    lines, kinds = [], set()
    for item in _misspellings_first(cls, error.errors(include_url=False)):
        cause = item.get("ctx", {}).get("error")
        if isinstance(cause, InputError):
            kinds.add(type(cause))
            where = "" if len(item["loc"]) == 0 else f"{label(cls)}: {_path(item['loc'])}: "
            lines.append(f"{where}{cause}")
        else:
            kinds.add(cls.error_type)
            lines.append(f"{label(cls)}: {_complaint(cls, item)}")
    kind = kinds.pop() if len(kinds) == 1 else cls.error_type
    return kind("\n".join(lines))


def _misspellings_first(cls: type[BaseModel], items: list[Any]) -> list[Any]:
    """Unknown names first, and not a word of missing what they probably mean."""
    unknown = [item for item in items if item["type"] == "extra_forbidden"]
    meant = {near for item in unknown for near in nearest_names(_path(item["loc"]), cls.model_fields, limit=1)}
    others = [
        item for item in items
        if item not in unknown and not (item["type"] == "missing" and _path(item["loc"]) in meant)
    ]  # fmt: skip
    return [*unknown, *others]


def _path(loc: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in loc)


def _complaint(cls: type[BaseModel], item: Mapping[str, Any]) -> str:
    """One error of pydantic's list, without the label."""
    name, given, fields = _path(item["loc"]), item["input"], cls.model_fields
    match item["type"]:
        case "quantity":
            return f"{name} {item['msg']}"
        case "missing":
            quantity = quantity_of(fields[name]) if name in fields else None
            described = fields[name].description if name in fields else None
            hint = f"{name}=... in {quantity.unit}, {quantity.meaning}" if quantity else f"{name}=..."
            return f"{name} is missing.\n  Give {f'{hint}, {described}' if described else hint}."
        case "extra_forbidden":
            return f"there is no '{name}'.\n  {suggestion(str(name), fields)}"
        case "literal_error":
            choices = [str(choice) for choice in get_args(fields[str(item["loc"][0])].annotation)]
            return f"{name} {shown(given)} is not one of the choices.\n  {suggestion(str(given), choices)}"
        case "model_type":
            wanted = item["ctx"]["class_name"]
            article = "an" if wanted[0] in "AEIOU" else "a"
            return f"{name} {shown(given)} is not {article} {wanted}.\n  Give {wanted}(...)."
        case "bool_type" | "bool_parsing":
            return f"{name} {shown(given)} is neither true nor false.\n  Give one of the two, without quotes."
        case _:
            return f"{name} {shown(given)} does not fit: {item['msg']}."
