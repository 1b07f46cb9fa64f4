"""Fields of a description that hold one of several other descriptions, told apart by their kind."""

from collections.abc import Mapping
from types import UnionType
from typing import Any, get_args

from pydantic import SerializationInfo

from ventsim.errors import PartError, suggestion
from ventsim.model.descriptions import Description
from ventsim.model.wording import shown


def read_nested(value: object, *, choices: UnionType, needs_kind: bool = True) -> Description:
    """One of several descriptions, from itself or from its plain values with a ``kind``.

    Parameters
    ----------
    value : object
        A description, or a mapping as files hold it.
    choices : union of types
        The classes that are allowed, all of them tagged with their kind.
    needs_kind : bool, default True
        Whether plain values have to name their kind; otherwise they may also tell it by their names, and the
        first class that they fit is taken.

    Returns
    -------
    Description
        Of one of the classes.

    Raises
    ------
    PartError
        If it is none of them, or a value is impossible.

    Examples
    --------
    >>> from ventsim.model.laws.curves import ElasticCurve
    >>> read_nested({"kind": "sigmoid"}, choices=ElasticCurve)
    Traceback (most recent call last):
    ventsim.errors.PartError: there is no kind 'sigmoid'.
      Did you mean 'sigmoid curve'?
    """
    kinds = {cls.kind: cls for cls in get_args(choices)}
    if isinstance(value, choices):
        return value
    if not isinstance(value, Mapping):
        names = " or ".join(f"{cls.__name__}(...)" for cls in kinds.values())
        raise PartError(f"{shown(value)} is of the wrong type.\n  Give {names}.")
    if "kind" not in value and not needs_kind:
        return _by_names(value, kinds).from_dict(value)
    kind = value.get("kind")
    if kind not in list(kinds):
        found = "kind is missing" if kind is None else f"there is no kind {kind!r}"
        raise PartError(f"{found}.\n  {suggestion(str(kind or ''), kinds)}")
    return kinds[kind].from_dict(value)


def _by_names(value: Mapping[Any, Any], kinds: Mapping[str, type[Description]]) -> type[Description]:
    """The first class that has all these fields and needs no others."""
    for cls in kinds.values():
        needed = {name for name, info in cls.model_fields.items() if info.is_required()}
        if needed <= set(value) <= set(cls.model_fields):
            return cls
    known = list(dict.fromkeys(name for cls in kinds.values() for name in cls.model_fields))
    wrong = next((name for name in value if name not in known), None)
    if wrong is not None:
        raise PartError(f"there is no {wrong!r}.\n  {suggestion(str(wrong), known)}")
    raise PartError(
        f"kind is missing, and {', '.join(map(repr, value))} do not tell it.\n  {suggestion('', kinds)}"
    )


def dump_nested(item: Description | None, info: SerializationInfo) -> dict[str, Any] | None:
    """Plain values of a description that a field holds; the inverse of :func:`read_nested`.

    Parameters
    ----------
    item : Description or None
        The description.
    info : pydantic.SerializationInfo
        What the caller of ``model_dump`` asked for.

    Returns
    -------
    dict of str to object, or None
        With its ``kind``.
    """
    return None if item is None else item.model_dump(mode=info.mode, exclude_none=info.exclude_none)
