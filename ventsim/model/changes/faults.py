"""Circuits in which joints are apart, lungs taken off, parts closed, or joints leak."""

from collections.abc import Sequence
from typing import Any, ClassVar

from ventsim.errors import InputError, check_name, suggestion
from ventsim.model.changes.descriptions import Clamp, Fault, LeakOnset, LungRemoval
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import Joint, circuit_of
from ventsim.model.descriptions import FrozenMapping
from ventsim.model.laws.flow import OPEN, Rohrer
from ventsim.model.parts import NEVER, Cap, LungPart, OpenEnd, Part, cones_of
from ventsim.model.parts.part import Element, Inertia, Passage
from ventsim.parameters import public

# Never met, because a closed passage does not open; but it must be a law.
_CLOSED = Rohrer.of(1.0)


class Clamped(Part):
    """A part that no gas passes, while what is stored in it stays.

    Parameters
    ----------
    inner : Part
        The part as it was.

    Examples
    --------
    >>> from ventsim.model.parts import Restrictor
    >>> Clamped(inner=Restrictor()).elements()[0].opening_pressure
    1000000.0
    """

    kind: ClassVar[str] = "clamped part"

    inner: Part

    @property
    def ports(self) -> tuple[str, ...]:
        """Those of the part."""
        return self.inner.ports

    def elements(self) -> tuple[Element, ...]:
        """Closed passages in place of open ones, and the stores of the part.

        Gas with inertia stands still, so that both ends of its path are one point, unless that would join two
        ports.
        """
        group = {port: port for port in self.ports}  # which port a point belongs to; its own name: to none
        elements: list[Element] = []
        for element in self.inner.elements():
            if isinstance(element, Inertia):
                start, end = (_group_of(point, group) for point in (element.start, element.end))
                if start in self.ports and end in self.ports:
                    elements.append(_closed(element))
                    continue
                kept, joined = (end, start) if end in self.ports else (start, end)
                group[joined] = kept
                elements.append(Passage(element.start, element.end, OPEN, OPEN))
            else:
                elements.append(_closed(element) if isinstance(element, Passage) else element)
        return tuple(elements)


def _group_of(point: str, group: dict[str, str]) -> str:
    while group.setdefault(point, point) != point:
        point = group[point]
    return point


def _closed(path: Passage | Inertia) -> Passage:
    return Passage(path.start, path.end, _CLOSED, None, opening_pressure=NEVER)


def site_of(circuit: Circuit, fault: Fault) -> Joint | str:
    """Where in a circuit a fault is: the joint, or the name of the part.

    Parameters
    ----------
    circuit : Circuit
        The circuit without faults.
    fault : Disconnection, LungRemoval, Clamp or LeakOnset
        What happens to it.

    Returns
    -------
    tuple of (str, str), or str
        The same for two faults at one place.

    Raises
    ------
    InputError
        If there is no such joint, lung or part, with the nearest name.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
    >>> site_of(circuit, LungRemoval(lung="a", at=60.0))
    ('a y-piece.patient', 'a.airway')
    """
    if isinstance(fault, Clamp):
        check_name(fault.part, circuit.parts, wrong=f"part: there is no part '{fault.part}'")
        if isinstance(circuit.parts[fault.part], LungPart):
            raise InputError(
                f"part: '{fault.part}' is a lung, which cannot be clamped.\n"
                "  Clamp the part before it, or take the lung off with LungRemoval."
            )
        return fault.part
    if isinstance(fault, LungRemoval):
        lungs = circuit.lungs
        check_name(fault.lung, lungs, wrong=f"lung: there is no lung '{fault.lung}'")
        return _joint_at(circuit, f"{fault.lung}.{lungs[fault.lung].ports[0]}")
    return _joint_at(circuit, fault.joint)


def _joint_at(circuit: Circuit, end: str) -> Joint:
    for joint in circuit.joints:
        if end in joint:
            return joint
    name, _, port = end.partition(".")
    of_part = [known for joint in circuit.joints for known in joint if known.partition(".")[0] == name]
    if of_part:
        raise InputError(
            f"joint: '{name}' has no port '{port}'.\n  {suggestion(end, of_part)}"
            if port
            else f"joint: '{end}' is not an end.\n  {suggestion('', of_part)}"
        )
    names = dict.fromkeys(known.partition(".")[0] for joint in circuit.joints for known in joint)
    raise InputError(
        f"joint: there is no part '{name}'.\n  {suggestion(name, names)}\n"
        "  Write one end of the joint as 'part.port', such as 'b.airway'."
    )


@public
def with_faults(scenario: Any, faults: Sequence[Fault]) -> Circuit:
    """A circuit with faults at different places.

    Lungs and other parts keep names and order; ends, caps and leaks come after them. Only places that exist are
    changed, so the graph is not checked anew.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        Whose circuit is without faults.
    faults : sequence of Disconnection, LungRemoval, Clamp and LeakOnset
        What is wrong with it; times are not looked at.

    Returns
    -------
    Circuit
        The circuit itself if there are no faults.

    Raises
    ------
    InputError
        If a place does not exist, or it is no circuit.

    Examples
    --------
    >>> from ventsim.model.layouts import single
    >>> from ventsim.model.parts import Lung
    >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
    >>> with_faults(circuit, [LungRemoval(lung="a", at=60.0)]).joints[-2:]
    (('a y-piece.patient', 'cap on a y-piece patient.inlet'), ('a.airway', 'open end of a airway.inlet'))
    """
    circuit = circuit_of(scenario, where="with_faults")
    if len(faults) == 0:
        return circuit
    parts, joints = dict(circuit.parts), list(circuit.joints)
    for fault in faults:
        site = site_of(circuit, fault)
        if isinstance(site, str):
            parts[site] = Clamped(inner=parts[site])
            continue
        joints.remove(site)
        if isinstance(fault, LeakOnset):
            name = _add(parts, "leak at", fault.joint, fault.leak)
            joints += [(site[0], f"{name}.inlet"), (f"{name}.outlet", site[1])]
            continue
        for end in site:
            owner = end.partition(".")[0]
            if isinstance(fault, LungRemoval) and owner != fault.lung:
                name = _add(parts, "cap on", end, Cap())
            else:
                name = _add(parts, "open end of", end, _open_end(circuit, end))
            joints.append((end, f"{name}.inlet"))
    return Circuit.model_construct(parts=FrozenMapping(parts), joints=tuple(joints), ventilator=circuit.ventilator)


def _add(parts: dict[str, Part], what: str, end: str, part: Part) -> str:
    """Put a part into the circuit under a name of its own."""
    plain = name = f"{what} {end.replace('.', ' ')}"
    number = 1
    while name in parts:
        number += 1
        name = f"{plain} ({number})"
    parts[name] = part
    return name


def _open_end(circuit: Circuit, end: str) -> OpenEnd:
    """As wide as the narrowest cone of the end, 22 mm where no cone is known (the ventilator has such)."""
    name, _, port = end.partition(".")
    part = circuit.parts.get(name)
    sizes = [cone.size for cone in cones_of(part).get(port, ())] if part is not None else []
    return OpenEnd(bore=float(min(sizes))) if sizes else OpenEnd()
