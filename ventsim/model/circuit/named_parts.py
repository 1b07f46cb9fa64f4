"""The named parts of a circuit."""

from collections.abc import Mapping
from typing import Any

from ventsim.errors import CircuitError
from ventsim.model.descriptions import named, shown
from ventsim.model.families import FrozenMapping
from ventsim.model.parts import PARTS, Part

VENTILATOR = "ventilator"
"""Name by which joints call the ventilator."""


def read_parts(value: object) -> FrozenMapping:
    """Parts by name, from themselves or from plain values; for the field of a circuit.

    Parameters
    ----------
    value : object
        What was given.

    Returns
    -------
    FrozenMapping
        The parts.

    Raises
    ------
    CircuitError
        If it is no mapping, a name is impossible, or an item is no part.
    """
    if not isinstance(value, Mapping):
        raise CircuitError(
            f"{shown(value)} is not a mapping of names to parts.\n"
            "  Give {'a': Lung(...), ...}, or use Circuit.from_pairs."
        )
    parts: dict[str, Any] = {}
    for name, item in value.items():
        if isinstance(name, int | float):
            raise CircuitError(f"{name!r} cannot be the name of a part: it is no text.\n  Write {str(name)!r}.")
        if not isinstance(name, str) or not name.strip() or "." in name or name == VENTILATOR:
            raise CircuitError(
                f"{name!r} cannot be the name of a part.\n"
                f"  Allowed: any text that is not empty, has no full stop and is not '{VENTILATOR}'."
            )
        parts[name] = item if isinstance(item, Part) else _read_part(name, item)
    return FrozenMapping(parts)


def _read_part(name: str, item: object) -> Part:
    if not isinstance(item, Mapping):
        raise CircuitError(
            f"part '{name}': {shown(item)} is not a part.\n  Give a part of ventsim, such as Tube(length=1.5)."
        )
    try:
        cls: type[Part] = PARTS.class_of(item)
    except PARTS.error as error:
        raise CircuitError(f"part '{name}': {error}") from None
    with named(name):
        return cls.from_dict(item)
