"""The bases of all descriptions: something frozen that a user describes, and a part of a circuit."""

import contextlib
import contextvars
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar, Self, get_args

from pydantic import BaseModel, ConfigDict, ValidationError, model_serializer

from ventsim.errors import InputError, PartError, PlausibilityWarning, suggestion, warn_caller
from ventsim.parts.elements import Element, Store
from ventsim.parts.quantity import quantity_of
from ventsim.units import ATMOSPHERE_CMH2O

__all__ = ["Description", "Part", "gas_stores", "named", "shown"]

_NAME: contextvars.ContextVar[str] = contextvars.ContextVar("name of the part in hand", default="")


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
    >>> from ventsim.parts import Lung
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
    >>> from ventsim.parts import Lung
    >>> Lung(compliance=50.0, resistance=5.0).changed({"compliance": 30.0}).compliance
    30.0
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    kind: ClassVar[str] = "description"
    error_type: ClassVar[type[InputError]] = InputError
    tagged: ClassVar[bool] = False

    def __init__(self, **data: Any) -> None:
        if self.tagged and "kind" in data:
            if data["kind"] != self.kind:
                raise self.error_type(
                    f"{_label(type(self))}: the kind is {data['kind']!r}, not '{self.kind}'.\n"
                    "  Correct the kind, or use the class that belongs to it."
                )
            data = {name: value for name, value in data.items() if name != "kind"}
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise _reworded(type(self), error) from None
        for name, field in type(self).model_fields.items():
            quantity, given = quantity_of(field), getattr(self, name)
            if quantity is None or given is None:
                continue
            doubts = [(value, quantity.doubt(value)) for value in quantity.numbers(given)]
            told = next(((value, doubt) for value, doubt in doubts if doubt), None)  # one for each field
            if told:
                text = f"{_label(type(self))}: {name} {quantity.text(told[0])} {told[1]}"
                warn_caller(PlausibilityWarning(text))

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

    def changed(self, changes: Mapping[str, Any]) -> Self:
        """A new description with some values replaced, checked like any other.

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
        >>> from ventsim.parts import Tube
        >>> Tube(length=1.5).changed({"bore": 15.0}).bore
        15.0
        """
        return type(self)(**{**{name: getattr(self, name) for name in type(self).model_fields}, **changes})

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
        >>> from ventsim.parts import Tube
        >>> Tube.from_dict({"length": 2}).length
        2.0
        """
        if not isinstance(data, Mapping) or not all(isinstance(name, str) for name in data):
            raise cls.error_type(
                f"{_label(cls)}: {data!r} is not a mapping of names to values.\n"
                f"  Allowed names: {', '.join(cls.model_fields)}."
            )
        return cls(**data)

    @model_serializer(mode="wrap")
    def _dump(self, handler: Any) -> dict[str, Any]:
        data = handler(self)
        return {"kind": self.kind, **data} if self.tagged else data


class Part(Description, ABC):
    """Base of everything that a circuit is made of.

    A final subclass

    1. sets `kind`, unique among the parts, and is listed in ``ventsim.parts.PART_KINDS``;
    2. returns its ports from `ports`, always the same for the same values;
    3. returns from `elements` passages that connect all its ports with each other, and stores.

    Examples
    --------
    >>> from ventsim.parts import YPiece
    >>> YPiece().ports
    ('inspiratory', 'expiratory', 'patient')
    """

    error_type: ClassVar[type[InputError]] = PartError
    tagged: ClassVar[bool] = True

    @property
    @abstractmethod
    def ports(self) -> tuple[str, ...]:
        """Names of the openings that a joint can use."""

    @abstractmethod
    def elements(self) -> tuple[Element, ...]:
        """The passages and stores that this part consists of.

        Returns
        -------
        tuple of Passage or Store
            Points are ports of this part or points inside it.
        """


def gas_stores(gas_volume: float, *, at: tuple[str, ...], wall_compliance: float = 0.0) -> tuple[Store, ...]:
    r"""Stores for the gas in a rigid or slightly elastic space, shared equally between some points.

    Isothermal: the walls keep the gas at their temperature, which holds for narrow tubes and slow changes.

    Parameters
    ----------
    gas_volume : float
        Volume of the space. [mL]
    at : tuple of str
        The points.
    wall_compliance : float, default 0
        Stretch of the walls. [mL/cmH2O]

    Returns
    -------
    tuple of Store
        One for each point; none if nothing is stored.

    Notes
    -----
    .. math:: C = V / p_\mathrm{atm} + C_\mathrm{wall}

    Exact for gas counted at atmospheric pressure, as ventsim counts it, as long as the walls stretch in
    proportion.

    References
    ----------
    .. [1] Boyle's law at the standard atmosphere of 101325 Pa.

    Examples
    --------
    >>> gas_stores(1000.0, at=("centre",))[0].compliance
    0.96784
    """
    compliance = gas_volume / ATMOSPHERE_CMH2O + wall_compliance
    return tuple(Store(point, compliance / len(at)) for point in at) if compliance > 0.0 else ()


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
    >>> from ventsim.parts import Tube
    >>> shown(Tube(length=1.5)), shown(Tube), shown("tube")
    ('Tube(...)', 'the class Tube', "'tube'")
    """
    if isinstance(value, Description):
        return f"{type(value).__name__}(...)"
    return f"the class {value.__name__}" if isinstance(value, type) else repr(value)


def _label(cls: type[Description]) -> str:
    name = _NAME.get()
    return f"{cls.kind} '{name}'" if name else cls.kind


def _reworded(cls: type[Description], error: ValidationError) -> InputError:
    """The same complaint in the form of the house; an error of our own passes as it is."""
    lines, kinds = [], set()
    for item in error.errors(include_url=False):
        cause = item.get("ctx", {}).get("error")
        if isinstance(cause, InputError):
            kinds.add(type(cause))
            where = "" if len(item["loc"]) == 0 else f"{_label(cls)}: {_path(item['loc'])}: "
            lines.append(f"{where}{cause}")
        else:
            kinds.add(cls.error_type)
            lines.append(f"{_label(cls)}: {_complaint(cls, item)}")
    kind = kinds.pop() if len(kinds) == 1 else cls.error_type
    return kind("\n".join(lines))


def _path(loc: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in loc)


def _complaint(cls: type[Description], item: Mapping[str, Any]) -> str:
    """One error of pydantic's list, without the label."""
    name, given = _path(item["loc"]), item["input"]
    fields = cls.model_fields
    match item["type"]:
        case "quantity":
            return f"{name} {item['msg']}"
        case "missing":
            quantity = quantity_of(fields[name]) if name in fields else None
            told = fields[name].description if name in fields else None
            hint = f"{name}=... in {quantity.unit}, {quantity.meaning}" if quantity else f"{name}=..."
            hint = f"{hint}, {told}" if told else hint
            return f"{name} is missing.\n  Give {hint}."
        case "extra_forbidden":
            return f"there is no '{name}'.\n  {suggestion(str(name), fields)}"
        case "literal_error":
            choices = [str(choice) for choice in get_args(fields[str(item["loc"][0])].annotation)]
            return f"{name} {given!r} is not one of the choices.\n  {suggestion(str(given), choices)}"
        case "model_type":
            wanted = item["ctx"]["class_name"]
            article = "an" if wanted[0] in "AEIOU" else "a"
            return f"{name} {shown(given)} is not {article} {wanted}.\n  Give {wanted}(...)."
        case "bool_type" | "bool_parsing":
            return f"{name} {given!r} is neither true nor false.\n  Give one of the two, without quotes."
        case _:
            return f"{name} {given!r} does not fit: {item['msg']}."
