"""What has to be on the table before a circuit can be put together."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from ventsim.errors import CircuitError
from ventsim.model.circuit.description import Circuit
from ventsim.model.circuit.mating import connector_mismatches
from ventsim.model.descriptions import Description, shown
from ventsim.model.parts import Part, Tube
from ventsim.model.parts.cones import ANY_CONE, cones_of
from ventsim.quantities import quantity_of

if TYPE_CHECKING:
    import pandas as pd

_ELSEWHERE = ("length", "bore", "inner_diameter")  # fields with a column of their own
_OF_THE_RUN = ("density", "viscosity", "inertia")  # fields that tell how to calculate, not what to fetch
_PAGE = 110  # columns of text


def parts_list(circuit: Circuit) -> "pd.DataFrame":
    """The parts of a circuit, equal ones in one row.

    Parameters
    ----------
    circuit : Circuit
        The circuit.

    Returns
    -------
    pandas.DataFrame
        One row for each sort of part, in the order of the circuit, with the columns ``kind``; ``count`` [1];
        ``length`` [m] and ``bore`` [mm], empty text for parts that have none, so select tubes before
        calculating; ``cones``, text with the cones of each port; ``values``, text with the other numbers and
        choices that tell the part from others; ``names``, tuple of the names in the circuit.

    Raises
    ------
    CircuitError
        If it is not a circuit.

    Examples
    --------
    >>> from ventsim.model.layouts import shared
    >>> from ventsim.model.parts import Lung
    >>> lung = Lung(compliance=50.0, resistance=5.0)
    >>> table = parts_list(shared({"a": lung, "b": lung}))
    >>> table.loc[table["kind"] == "tube", ["count", "length", "bore"]].values.tolist()
    [[4, 1.5, 22.0]]
    """
    import pandas as pd

    rows = []
    for part, names in _sorts(circuit):
        rows.append(
            {
                "kind": part.kind,
                "count": len(names),
                "length": _number(part, "length"),
                "bore": _number(part, "bore", "inner_diameter"),
                "cones": _cones_text(part),
                "values": ", ".join(_values(part)),
                "names": names,
            }
        )
    return pd.DataFrame(rows)


def parts_list_text(circuit: Circuit) -> str:
    """The parts of a circuit as text, with the length of tube in all and the joints that do not fit.

    Parameters
    ----------
    circuit : Circuit
        The circuit.

    Returns
    -------
    str
        Some lines for each sort of part, then the sums.

    Raises
    ------
    CircuitError
        If it is not a circuit.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> print(parts_list_text(single(Lung(compliance=50.0, resistance=5.0))).splitlines()[0])
    2 x tube, 1.5 m, bore 22 mm
    """
    lines = []
    for part, names in _sorts(circuit):
        lines.append(f"{len(names)} x {part.kind}{_size_text(part)}")
        details = {"ports": _cones_text(part), "values": ", ".join(_values(part)), "as": ", ".join(names)}
        for title, text in details.items():
            if text:
                lines.extend(_folded(f"    {title.ljust(6)}  ", text))
    tubes = [part for part in circuit.parts.values() if isinstance(part, Tube)]
    if tubes:
        length = sum(tube.length for tube in tubes)
        lines.extend(["", f"{len(tubes)} tubes, {length:.6g} m in all; {len(circuit.parts)} parts."])
    faults = connector_mismatches(circuit)
    fit = "All joints fit." if not faults else "Joints that do not fit:"
    return "\n".join([*lines, fit, *faults])


def _sorts(circuit: Circuit) -> list[tuple[Part, tuple[str, ...]]]:
    """Each sort of part with its names."""
    if not isinstance(circuit, Circuit):
        raise CircuitError(f"{shown(circuit)} is not a circuit.\n  Give a Circuit, or layouts.shared(...).")
    sorts: list[tuple[Part, list[str]]] = []
    for name, part in circuit.parts.items():
        # Compared, not hashed: a part of the user's own making need not be hashable.
        same = next((names for known, names in sorts if known == part), None)
        if same is None:
            sorts.append((part, [name]))
        else:
            same.append(name)
    return [(part, tuple(names)) for part, names in sorts]


def _number(part: Part, *names: str) -> float | str:
    """The first of these numbers that the part has; otherwise a cell that stays empty."""
    given = [getattr(part, name) for name in names if name in type(part).model_fields]
    return given[0] if given and given[0] is not None else ""


def _size_text(part: Part) -> str:
    texts = [
        f"{word}{quantity_of(info).text(getattr(part, name))}"
        for name, word in (("length", ""), ("bore", "bore "), ("inner_diameter", "inner diameter "))
        if (info := type(part).model_fields.get(name)) is not None and getattr(part, name) is not None
    ]
    return "".join(f", {text}" for text in texts)


def _cones_text(part: Part) -> str:
    """Ports with the same cones together: ``inlet, outlet: 22 mm female``."""
    ports: dict[str, list[str]] = {}
    for port, cones in cones_of(part).items():
        words = "any cone" if cones == ANY_CONE else " / ".join(map(str, cones))
        ports.setdefault(words, []).append(port)
    return "; ".join(f"{', '.join(names)}: {words}" for words, names in ports.items())


def _values(item: Description, before: str = "") -> Iterable[str]:
    """Numbers and choices that are given, those of descriptions inside included."""
    for name, info in type(item).model_fields.items():
        given, quantity = getattr(item, name), quantity_of(info)
        if name in (*_ELSEWHERE, *_OF_THE_RUN) or given is None:
            continue
        several = isinstance(given, tuple)
        for number, value in enumerate(given if several else (given,), start=1):
            words = f"{before}{name} {number}" if several else f"{before}{name}"
            if isinstance(value, Description):
                yield from _values(value, f"{words} ")
            else:
                yield f"{words} {quantity.text(value) if quantity else value}"


def _folded(head: str, text: str) -> list[str]:
    """The text in lines of one page's width, broken at its commas."""
    lines, line = [], head
    for number, piece in enumerate(pieces := text.split(", ")):
        word = piece + (", " if number < len(pieces) - 1 else "")
        if len(line) + len(word.rstrip()) > _PAGE and line.strip() and line != head:
            lines.append(line.rstrip())
            line = " " * len(head)
        line += word
    return [*lines, line.rstrip()]
