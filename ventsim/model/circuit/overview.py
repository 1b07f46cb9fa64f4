"""A circuit in a few words, and as a small table for notebooks: lungs, numbers of parts by kind, ventilator."""

from collections import Counter
from typing import TYPE_CHECKING

import pandas as pd

from ventsim.model.descriptions import Description
from ventsim.model.parts import LungPart
from ventsim.quantities import quantity_of
from ventsim.tables import Column, Section, Table

if TYPE_CHECKING:
    from ventsim.model.circuit.description import Circuit

_MOST_NAMES = 8  # lungs that are named one by one


def circuit_words(circuit: "Circuit") -> str:
    """Lungs, numbers of parts by kind, and what is special about the ventilator.

    Parameters
    ----------
    circuit : Circuit
        The circuit.

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> circuit_words(single(Lung(compliance=50.0, resistance=5.0), name="a"))
    '1 lung (a); 4 parts: 2 x tube, 1 x y-piece, 1 x lung; default ventilator'
    """
    names = list(circuit.lungs)
    listed = ", ".join(names[:_MOST_NAMES]) + (", ..." if len(names) > _MOST_NAMES else "")
    lungs = f"{len(names)} lung{'s' if len(names) > 1 else ''} ({listed})"
    kinds = Counter(part.kind for part in circuit.parts.values())
    parts = ", ".join(f"{count} x {kind}" for kind, count in kinds.items())
    values = ", ".join(_own_values(circuit.ventilator))
    machine = f"ventilator with {values}" if values else "default ventilator"
    return f"{lungs}; {len(circuit.parts)} parts: {parts}; {machine}"


def circuit_html(circuit: "Circuit") -> str:
    """The same as a table, in which each lung has its numbers.

    Parameters
    ----------
    circuit : Circuit
        The circuit.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> "compliance 50 mL/cmH2O" in circuit_html(single(Lung(compliance=50.0, resistance=5.0)))
    True
    """
    rows = {f"{part.kind} {name}": ", ".join(_own_values(part)) for name, part in circuit.lungs.items()}
    others: dict[str, list[str]] = {}
    for name, part in circuit.parts.items():
        if not isinstance(part, LungPart):
            others.setdefault(part.kind, []).append(name)
    rows |= {f"{len(names)} x {kind}": ", ".join(names) for kind, names in others.items()}
    rows["ventilator"] = ", ".join(_own_values(circuit.ventilator)) or "default values"
    frame = pd.DataFrame({"values": rows}).rename_axis("")
    section = Section(name="parts", frame=frame, columns={"values": Column(heading="")})
    return Table(sections=[section])._repr_html_()


def _own_values(item: Description) -> list[str]:
    """Numbers and choices that are not the default ones; what is a description itself by its kind."""
    texts = []
    for name, info in type(item).model_fields.items():
        value, quantity = getattr(item, name), quantity_of(info)
        if not info.is_required() and value == info.default:
            continue
        if isinstance(value, Description):
            text = value.kind
        elif isinstance(value, tuple):
            text = f"{len(value)} values"
        else:
            text = "none" if value is None else quantity.text(value) if quantity else str(value)
        texts.append(f"{name} {text}")
    return texts
