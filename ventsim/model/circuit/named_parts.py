"""The parts of a circuit by name, and how they are read from plain values and written back."""

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import SerializationInfo

from ventsim.errors import CircuitError, InputError, suggestion
from ventsim.model.parts import PART_KINDS, Part
from ventsim.model.wording import named, shown

VENTILATOR = "ventilator"
"""Name by which joints call the ventilator."""


class UnknownNameError(InputError, KeyError):
    """There is nothing of that name; a ``KeyError`` whose text is a message."""

    __str__ = Exception.__str__


class FrozenParts(Mapping[str, Part]):
    """Parts by name, in the order given, that cannot be changed.

    Equal to any mapping with the same items, whatever their order. A wrong name is answered with the nearest one.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> FrozenParts({"a": Lung(compliance=50.0, resistance=5.0)})["a"].compliance
    50.0
    """

    __slots__ = ("_parts",)

    def __init__(self, parts: Mapping[str, Part]) -> None:
        self._parts = dict(parts)

    def __getitem__(self, name: str) -> Part:
        if name not in self._parts:
            raise UnknownNameError(f"there is no {name!r}.\n  {suggestion(str(name), self._parts)}")
        return self._parts[name]

    def __contains__(self, name: object) -> bool:
        return name in self._parts

    def __iter__(self) -> Iterator[str]:
        return iter(self._parts)

    def __len__(self) -> int:
        return len(self._parts)

    def __hash__(self) -> int:
        return hash(frozenset(self._parts.items()))

    def __repr__(self) -> str:
        pairs = (f"{name!r}: {shown(part)}" for name, part in self._parts.items())
        return f"{{{', '.join(pairs)}}}"


def read_parts(value: object) -> FrozenParts:
    """Parts from a mapping of parts, or of plain values with a ``kind`` as files hold them.

    Parameters
    ----------
    value : object
        Mapping of names to parts or to mappings.

    Returns
    -------
    FrozenParts
        In the same order.

    Raises
    ------
    CircuitError
        If a name is not allowed, or an item is not a part.
    PartError
        If a part is impossible.

    Examples
    --------
    >>> read_parts({"limb": {"kind": "tube", "length": 1.5}})["limb"].length
    1.5
    """
    if not isinstance(value, Mapping):
        raise CircuitError(
            f"{shown(value)} is not a mapping of names to parts.\n"
            "  Give {'a': Lung(...), ...}, or use Circuit.from_pairs."
        )
    parts = {}
    for name, item in value.items():
        if isinstance(name, int | float):
            raise CircuitError(f"{name!r} cannot be the name of a part: it is no text.\n  Write {str(name)!r}.")
        if not isinstance(name, str) or not name.strip() or "." in name or name == VENTILATOR:
            raise CircuitError(
                f"{name!r} cannot be the name of a part.\n"
                f"  Allowed: any text that is not empty, has no full stop and is not '{VENTILATOR}'."
            )
        parts[name] = item if isinstance(item, Part) else _read_part(name, item)
    return FrozenParts(parts)


def _read_part(name: str, item: object) -> Part:
    if not isinstance(item, Mapping):
        raise CircuitError(
            f"part '{name}': {shown(item)} is not a part.\n  Give a part of ventsim, such as Tube(length=1.5)."
        )
    kind = item.get("kind")
    if kind not in PART_KINDS:
        found = "has no kind" if kind is None else f"has the unknown kind {kind!r}"
        raise CircuitError(f"part '{name}' {found}.\n  {suggestion(str(kind or ''), PART_KINDS)}")
    with named(name):
        return PART_KINDS[kind].from_dict(item)


def dump_parts(parts: Mapping[str, Part], info: SerializationInfo) -> dict[str, Any]:
    """Plain values of all parts, each with its ``kind``; the inverse of :func:`read_parts`.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts.
    info : pydantic.SerializationInfo
        What the caller of ``model_dump`` asked for.

    Returns
    -------
    dict of str to dict
        In the same order.
    """
    return {
        name: part.model_dump(
            mode=info.mode,
            exclude_none=info.exclude_none,
            exclude_defaults=info.exclude_defaults,
            exclude_unset=info.exclude_unset,
        )
        for name, part in parts.items()
    }
