"""The base of all descriptions: something frozen that a user describes."""

import contextlib
import contextvars
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, ClassVar, Self

from pydantic import BaseModel, ConfigDict, ValidationError, model_serializer

from ventsim.errors import InputError, PlausibilityWarning, suggestion, warn_caller
from ventsim.model.wording import label, one_mapping, reworded, shown, unnamed
from ventsim.quantities import quantity_of

# Fields, by the class of their description, whose values are no longer doubted.
_SETTLED: contextvars.ContextVar[frozenset[tuple[type, str]]] = contextvars.ContextVar(
    "settled", default=frozenset()
)


@contextlib.contextmanager
def doubts_settled(cls: type[BaseModel], names: Iterable[str]) -> Iterator[None]:
    """Do not warn of unlikely values of these fields while descriptions are made inside the ``with`` block.

    For values that have been doubted already, or are doubted in other words.

    Parameters
    ----------
    cls : type
        Class of the descriptions.
    names : iterable of str
        Names of its fields.

    Examples
    --------
    >>> from ventsim.model.parts import Tube
    >>> with doubts_settled(Tube, ["length"]):
    ...     Tube(length=12.0).length
    12.0
    """
    token = _SETTLED.set(_SETTLED.get() | {(cls, name) for name in names})
    try:
        yield
    finally:
        _SETTLED.reset(token)


class Description(BaseModel):
    """Base of everything that a user describes: frozen, keyword-only, unknown names refused.

    A subclass

    1. sets `kind`, the words by which messages call it, and `error_type`, the exception for impossible
       values;
    2. declares its fields, the numeric ones as ``Annotated[float, Quantity(...)]`` with a plausible default
       or none;
    3. may check fields against each other in a validator that raises `error_type`;
    4. sets `tagged` if its dumped form needs `kind` in order to be read back.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> Lung(compliance=50.0, resistance=5.0).changed({"compliance": 30.0}).compliance
    30.0
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    kind: ClassVar[str] = "description"
    error_type: ClassVar[type[InputError]] = InputError
    tagged: ClassVar[bool] = False

    def __new__(cls, *values: Any, **data: Any) -> Self:
        # Here and not in __init__, whose arguments are the signature that pydantic shows.
        if values:
            raise cls.error_type(unnamed(cls, values, data))
        return super().__new__(cls)

    def __init__(self, **data: Any) -> None:
        if self.tagged and "kind" in data:
            if data["kind"] != self.kind:
                raise self.error_type(
                    f"{label(type(self))}: the kind is {data['kind']!r}, not '{self.kind}'.\n"
                    "  Correct the kind, or use the class that belongs to it."
                )
            data = {name: value for name, value in data.items() if name != "kind"}
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise reworded(type(self), error) from None
        settled = _SETTLED.get()
        for name, field in type(self).model_fields.items():
            quantity, given = quantity_of(field), getattr(self, name)
            if quantity is None or given is None or (type(self), name) in settled:
                continue
            doubts = [(value, quantity.doubt(value)) for value in _numbers(given)]
            told = next(((value, doubt) for value, doubt in doubts if doubt), None)  # one for each field
            if told:
                text = f"{label(type(self))}: {name} {quantity.text(told[0])} {told[1]}"
                warn_caller(PlausibilityWarning(text))

    def __getattr__(self, name: str) -> Any:
        try:
            return super().__getattr__(name)
        except AttributeError:
            if name.startswith("_") or hasattr(type(self), name):
                raise
        own = {word for word in dir(type(self)) if not word.startswith("_") and not hasattr(BaseModel, word)}
        names = dict.fromkeys([*type(self).model_fields, *sorted(own - {"error_type", "tagged"})])
        # With `obj` alone, Python itself does not add a second suggestion.
        raise AttributeError(f"{self.kind}: there is no {name!r}.\n  {suggestion(name, names)}", obj=self)

    def __setattr__(self, name: str, value: Any) -> None:
        raise self.error_type(
            f"{self.kind}: {name} cannot be set; a description does not change after it is made.\n"
            f"  Make a new one: .changed({{{name!r}: {value!r}}})."
        )

    def __delattr__(self, name: str) -> None:
        raise self.error_type(
            f"{self.kind}: {name} cannot be deleted; a description does not change after it is made.\n"
            "  Make a new one: .changed({...})."
        )

    @one_mapping
    def changed(self, changes: Mapping[str, Any]) -> Self:
        """A new description with some values replaced, checked like any other.

        Values that stay are not doubted a second time.

        Parameters
        ----------
        changes : mapping of str to object
            New values by field name.

        Returns
        -------
        Description
            Of the same type.

        Raises
        ------
        InputError
            If a name is unknown or a value is impossible.

        Examples
        --------
        >>> from ventsim.model.parts import Tube
        >>> Tube(length=1.5).changed({"bore": 15.0}).bore
        15.0
        """
        kept = {name: getattr(self, name) for name in type(self).model_fields if name not in changes}
        with doubts_settled(type(self), kept):
            return type(self)(**{**kept, **changes})

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
        return {"kind": self.kind, **data} if self.tagged else data


def _numbers(given: Any) -> list[float]:
    """The single numbers of a field: one, those of a list, or those of all rows."""
    return [number for item in given for number in _numbers(item)] if isinstance(given, tuple) else [given]
