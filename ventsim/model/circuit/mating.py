"""Which joints of a circuit could not be put together, because their cones do not fit."""

from collections.abc import Mapping
from types import MappingProxyType

from ventsim.errors import CircuitError
from ventsim.model.circuit.description import Circuit
from ventsim.model.circuit.named_parts import VENTILATOR
from ventsim.model.descriptions import shown
from ventsim.model.parts.cones import Cone, cones_mate, cones_of

VENTILATOR_CONES: Mapping[str, tuple[Cone, ...]] = MappingProxyType(
    {"inspiratory": (Cone(22, "male"),), "expiratory": (Cone(22, "male"),)}
)
"""Cones of the ventilator's ports. ISO 5356-1, from memory."""


def connector_mismatches(circuit: Circuit) -> tuple[str, ...]:
    """Joints whose cones do not mate: other sizes, or both male, or both female.

    A circuit with faults can be simulated all the same.

    Parameters
    ----------
    circuit : Circuit
        The circuit.

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
    >>> from ventsim.model.layouts import Branch, single
    >>> from ventsim.model.parts import Lung, Tube
    >>> branch = Branch(inspiratory_tube=Tube(length=1.5, bore=15.0))
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a", branch=branch)
    >>> print(connector_mismatches(circuit)[0])
    joint of 'ventilator.inspiratory' and 'a inspiratory tube.inlet': 22 mm male does not fit 15 mm female.
      Put an Adapter between them, or take parts of one size.
    """
    if not isinstance(circuit, Circuit):
        raise CircuitError(f"{shown(circuit)} is not a circuit.\n  Give a Circuit, or layouts.shared(...).")
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
