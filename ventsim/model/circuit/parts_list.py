"""What has to be on the table before a circuit can be put together."""

import math
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import pandas as pd

from ventsim.model.circuit.description import circuit_of
from ventsim.model.circuit.graph import VENTILATOR
from ventsim.model.descriptions import Description
from ventsim.model.parts import Part, Tube
from ventsim.model.parts.cones import ANY_CONE, Cone, cones_mate, cones_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import quantity_of
from ventsim.tables import Column, Section, Table, significant

VENTILATOR_CONES: Mapping[str, tuple[Cone, ...]] = MappingProxyType(
    {"inspiratory": (Cone(22, "male"),), "expiratory": (Cone(22, "male"),)}
)
"""Cones of the ventilator's ports. ISO 5356-1, from memory."""


@public
def connector_mismatches(scenario: Any, settings: BreathSettings | None = None) -> tuple[str, ...]:
    """Joints whose cones do not mate: other sizes, or both male, or both female.

    A circuit with faults can be simulated all the same.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        Whose circuit is looked at.
    settings : BreathSettings, optional
        Allowed beside a circuit, as in all verbs; nothing depends on them.

    Returns
    -------
    tuple of str
        One message for each joint; empty if everything fits.

    Raises
    ------
    CircuitError
        If it is not a circuit.

    Examples
    --------
    >>> from ventsim.model.layouts import PatientLimbs, single
    >>> from ventsim.model.parts import Lung, Tube
    >>> limbs = PatientLimbs(inspiratory_tube=Tube(length=1.5, bore=15.0))
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a", limbs=limbs)
    >>> print(connector_mismatches(circuit)[0])
    joint of 'ventilator.inspiratory' and 'a inspiratory tube.inlet': 22 mm male does not fit 15 mm female.
      Put an Adapter between them, or take parts of one size.
    """
    circuit = circuit_of(scenario, settings, where="connector_mismatches")
    cones = {f"{VENTILATOR}.{port}": given for port, given in VENTILATOR_CONES.items()}
    for name, part in circuit.parts.items():
        cones |= {f"{name}.{port}": given for port, given in cones_of(part).items()}
    faults = []
    for start, end in circuit.joints:
        first, second = cones.get(start, ()), cones.get(end, ())
        if not cones_mate(first, second):
            remedy = "two parts of other genders"
            if not {cone.size for cone in first} & {cone.size for cone in second}:
                remedy = "parts of one size"
            faults.append(
                f"joint of {start!r} and {end!r}: {_text(first)} does not fit {_text(second)}.\n"
                f"  Put an Adapter between them, or take {remedy}."
            )
    return tuple(faults)


def _text(cones: tuple[Cone, ...]) -> str:
    return " / ".join(map(str, cones))


_ELSEWHERE = ("length", "bore", "inner_diameter")  # fields with a column of their own
# Fields that tell how to calculate, not what to fetch.
_OF_THE_RUN = ("density", "viscosity", "inertia", "includes_tracheal_tube", "polytropic_exponent", "wrapped")
_COLUMNS = {
    "kind": Column(heading="part", width=14),
    "count": Column(heading="count"),
    "length": Column(heading="length", unit="m"),
    "bore": Column(heading="bore", unit="mm", show=significant),
    "cones": Column(heading="ports", width=18),
    "values": Column(heading="values", width=32),
    "names": Column(heading="names", width=24),
}


@public
def parts_list(scenario: Any, settings: BreathSettings | None = None) -> Table:
    """The parts of a circuit, equal ones in one row; the length of tube in all, and joints that do not fit.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        Whose circuit is listed.
    settings : BreathSettings, optional
        Allowed beside a circuit, as in all verbs; nothing depends on them.

    Returns
    -------
    Table
        Its DataFrame has one row for each sort of part, in the order of the circuit, with the columns ``kind``;
        ``count`` [1]; ``length`` [m] and ``bore`` [mm], NaN for parts that have none; ``cones``, text with the
        cones of each port; ``values``, text with the other numbers and choices that tell the part from others;
        ``names``, tuple of the names in the circuit.

    Raises
    ------
    CircuitError
        If it is not a circuit.

    Examples
    --------
    >>> from ventsim.model.layouts import shared
    >>> from ventsim.model.parts import Lung
    >>> lung = Lung(compliance=50.0, resistance=5.0)
    >>> parts = parts_list(shared({"a": lung, "b": lung})).frame
    >>> parts.loc[parts["kind"] == "tube", ["count", "length", "bore"]].values.tolist()
    [[4.0, 1.5, 22.0]]
    """
    circuit = circuit_of(scenario, settings, where="parts_list")
    faults = connector_mismatches(circuit)
    sorts: list[tuple[Part, list[str]]] = []
    for name, part in circuit.parts.items():
        # Compared, not hashed: a part of the user's own making need not be hashable.
        same = next((names for known, names in sorts if known == part), None)
        if same is None:
            sorts.append((part, [name]))
        else:
            same.append(name)
    rows = [
        {
            "kind": part.kind,
            "count": len(names),
            "length": _number(part, "length"),
            "bore": _number(part, "bore", "inner_diameter"),
            "cones": _cones_text(part),
            "values": ", ".join(_texts(part, without=(*_ELSEWHERE, *_OF_THE_RUN))),
            "names": tuple(names),
        }
        for part, names in sorts
    ]
    tubes = [part.length for part in circuit.parts.values() if isinstance(part, Tube)]
    notes = (
        [f"{len(tubes)} tubes, {significant(sum(tubes))} m in all; {len(circuit.parts)} parts."] if tubes else []
    )
    notes += ["Joints that do not fit:", *faults] if faults else ["All joints fit."]
    return Table(sections=[Section(name="parts", frame=pd.DataFrame(rows), columns=_COLUMNS)], notes=notes)


def _number(part: Part, *names: str) -> float:
    """The first of these numbers that the part has, else NaN."""
    given = [getattr(part, name) for name in names if name in type(part).model_fields]
    return given[0] if given and given[0] is not None else math.nan


def _cones_text(part: Part) -> str:
    """Ports with the same cones together: ``inlet, outlet: 22 mm female``."""
    ports: dict[str, list[str]] = {}
    for port, cones in cones_of(part).items():
        words = "any cone" if cones == ANY_CONE else " / ".join(map(str, cones))
        ports.setdefault(words, []).append(port)
    return "; ".join(f"{', '.join(names)}: {words}" for words, names in ports.items())


def _texts(item: Description, *, without: Sequence[str]) -> Iterable[str]:
    """Fields with their values; a law with its kind, and its own values behind it."""
    for name, info in type(item).model_fields.items():
        given, quantity = getattr(item, name), quantity_of(info)
        if given is None or name in without:
            continue
        several = isinstance(given, tuple)
        for number, value in enumerate(given if several else (given,), start=1):
            words = f"{name} {number}" if several else name
            if isinstance(value, Description):
                kind = value.kind if value.tag else ""
                inside = ", ".join(_texts(value, without=_OF_THE_RUN))
                yield f"{words} {kind} ({inside})" if kind else f"{words} ({inside})"
            else:
                yield f"{words} {quantity.text(value) if quantity else value}"
