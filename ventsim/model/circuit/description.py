"""The circuit itself."""

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import Annotated, Any, ClassVar, Self

import networkx as nx
from pydantic import Field, PlainSerializer, PlainValidator, PrivateAttr, model_validator

from ventsim.errors import (
    CircuitError,
    CircuitWarning,
    InputError,
    PlausibilityWarning,
    check_name,
    suggestion,
    warn_caller,
)
from ventsim.model.circuit.graph import (
    VENTILATOR,
    build_graph,
    check_connections,
    direction_faults,
    warn_of_second_tracheal_tubes,
)
from ventsim.model.circuit.overview import circuit_html, circuit_words
from ventsim.model.descriptions import Description, FrozenMapping, named, plain_values, shown
from ventsim.model.parts import PARTS, LungPart, Part
from ventsim.model.parts.part import Element
from ventsim.model.ventilator import BreathSettings, Ventilator
from ventsim.parameters import fault_of_fields, public
from ventsim.units import ATMOSPHERE_CMH2O

Joint = tuple[str, str]


LONGEST_NAME = 100
"""Most characters in the name of a part."""

MOST_LUNGS = 256
"""Most lungs of a circuit: the time for one grows faster than their square."""


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
            text = shown(name)
            raise CircuitError(f"{text} cannot be the name of a part: it is no text.\n  Write {text!r}.")
        is_name = isinstance(name, str) and name.strip() and name.isprintable() and len(name) <= LONGEST_NAME
        if not is_name or "." in name or name == VENTILATOR:
            raise CircuitError(
                f"{shown(name)} cannot be the name of a part.\n"
                f"  Allowed: any text that is not empty, has no full stop and is not '{VENTILATOR}', of at most "
                f"{LONGEST_NAME} characters that can be printed."
            )
        parts[name] = item if isinstance(item, Part) else _read_part(name, item)
        if type(parts[name]).__module__.partition(".")[0] != "ventsim":
            _check_own(name, parts[name])
    if (count := sum(isinstance(part, LungPart) for part in parts.values())) > MOST_LUNGS:
        raise CircuitError(f"there are {count} lungs.\n  Allowed: at most {MOST_LUNGS} on one ventilator.")
    return FrozenMapping(parts)


def _check_own(name: str, part: Part) -> None:
    """Refuse a part of a user's own that does not consist of passages and stores, or of wrong ones."""
    elements = part.elements()
    if not isinstance(elements, Sequence) or not all(isinstance(one, Element) for one in elements):
        raise CircuitError(
            f"part '{name}': elements() returns {shown(elements)}.\n  Return a tuple of Passage, Store and so on."
        )
    for one in elements:
        if fault := fault_of_fields(one):
            raise CircuitError(f"part '{name}': {type(one).__name__}: {fault}.")


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


def _read_joints(value: object) -> tuple[Joint, ...]:
    """Joints as pairs of text."""
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise CircuitError(
            f"{shown(value)} is not a list of joints.\n  Give pairs of ends: [('y.patient', 'a.airway'), ...]."
        )
    joints = []
    for item in value:
        is_pair = isinstance(item, Sequence) and not isinstance(item, str) and len(item) == 2
        if not is_pair or not all(isinstance(end, str) for end in item):
            raise CircuitError(f"joint {shown(item)} is not a pair of ends.\n  Write ('y.patient', 'a.airway').")
        joints.append((item[0], item[1]))
    return tuple(joints)


def _check_joints(parts: Mapping[str, Part], joints: Sequence[Joint]) -> None:
    """Refuse joints that name nothing, use a port twice or leave one open."""
    if not parts:
        raise CircuitError("the circuit has no parts.\n  Give a lung and what joins it to the ventilator.")
    if not any(isinstance(part, LungPart) for part in parts.values()):
        raise CircuitError("the circuit has no lung.\n  Add a Lung, or take a circuit from ventsim.layouts.")
    ports = {VENTILATOR: Ventilator.ports} | {name: part.ports for name, part in parts.items()}
    used: dict[str, Joint] = {}
    for joint in joints:
        for end in joint:
            name, dot, port = end.partition(".")
            if name not in ports:
                raise CircuitError(f"joint {joint}: there is no part '{name}'.\n  {suggestion(name, ports)}")
            if not dot or port not in ports[name]:
                found = f"has no port '{port}'" if dot else "needs a port"
                raise CircuitError(
                    f"joint {joint}: '{name}' {found}.\n  {suggestion(port, ports[name])}\n"
                    f"  Write an end as 'part.port', such as '{name}.{ports[name][0]}'."
                )
            if joint[0] == joint[1]:
                raise CircuitError(f"joint {joint} joins a port to itself.\n  Name two different ends.")
            if end in used:
                raise CircuitError(
                    f"port '{end}' is used twice: in joint {used[end]} and in joint {joint}.\n"
                    "  A port takes one joint. Put a TPiece or an Adapter between to branch off."
                )
            used[end] = joint
    every = [f"{name}.{port}" for name, names in ports.items() for port in names]
    free = [end for end in every if end not in used]
    if free:
        several = "ports are" if len(free) > 1 else "port is"
        raise CircuitError(
            f"{len(free)} {several} not joined to anything: {', '.join(map(repr, free))}.\n"
            "  Every port needs one joint; use a fitting with fewer ports, or join the open ends."
        )


# Breathing gas of any mixture at the standard atmosphere and 0 to 40 °C, dry or moist [kg/m³].
_DENSITIES = (1.08, 1.45)


def _warn_of_density_scaled_twice(parts: Mapping[str, Part], ambient_pressure: float) -> None:
    """Warn of densities that seem to be those at the ambient pressure, which they follow by themselves."""
    ratio, (low, high) = ambient_pressure / ATMOSPHERE_CMH2O, _DENSITIES
    if ratio == 1.0:
        return
    for name, part in parts.items():
        for item in (part, vars(part).get("resistance")):
            density = vars(item).get("density") if isinstance(item, Description) else None
            if density is not None and not low <= density <= high and low <= density / ratio <= high:
                text = (
                    f"the density of '{name}', {density:.4g} kg/m³, seems to be that at {ambient_pressure:.4g} "
                    "cmH2O: with the ventilator's ambient_pressure it is counted twice.\n"
                    f"  Give it for the standard atmosphere, {density / ratio:.4g} kg/m³, as breathing_gas does "
                    "without pressure."
                )
                warn_caller(PlausibilityWarning(text))


class Circuit(Description):
    """Parts, the joints between their ports, and the ventilator that drives them.

    A joint names two ends, each as ``"part.port"``; the ventilator's are ``"ventilator.inspiratory"`` and
    ``"ventilator.expiratory"``. Joined ends are one and the same point. Every port is used exactly once.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts by name. A name is up to 100 characters that can be printed, without full stop, and
        not ``"ventilator"``.
    joints : sequence of (str, str)
        Ends that are joined.
    ventilator : Ventilator, default Ventilator()
        The machine.

    Raises
    ------
    CircuitError
        If a name or joint is wrong, a port stays open, or a lung has no way to both of the ventilator's
        ports.

    Warns
    -----
    CircuitWarning
        If a one-way valve points against the flow that its place in the circuit asks for.
    PlausibilityWarning
        If a tracheal tube leads to a lung whose resistance includes that of one, or a density seems to be that at
        the ventilator's ambient pressure, which it follows by itself.

    Examples
    --------
    >>> from ventsim.model.parts import Lung, YPiece
    >>> circuit = Circuit(
    ...     parts={"y": YPiece(), "a": Lung(compliance=50.0, resistance=5.0)},
    ...     joints=[
    ...         ("ventilator.inspiratory", "y.inspiratory"),
    ...         ("y.patient", "a.airway"),
    ...         ("y.expiratory", "ventilator.expiratory"),
    ...     ],
    ... )
    >>> list(circuit.lungs)
    ['a']
    """

    kind: ClassVar[str] = "circuit"
    error_type: ClassVar[type[InputError]] = CircuitError

    parts: Annotated[
        Mapping[str, Part],
        PlainValidator(read_parts),
        PlainSerializer(plain_values),
        Field(description="the parts by name"),
    ]
    joints: Annotated[
        Sequence[Joint],
        PlainValidator(_read_joints),
        Field(description="pairs of ends, each 'part.port', that are joined"),
    ]
    ventilator: Annotated[Ventilator, Field(description="the machine")] = Ventilator()

    _layout: Any = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _check(self) -> Self:
        _check_joints(self.parts, self.joints)
        graph = self.graph()
        check_connections(graph, self.parts)
        faults = direction_faults(graph, self.parts)
        if faults:
            warn_caller(CircuitWarning("\n".join(faults)))
        warn_of_second_tracheal_tubes(graph, self.parts)
        _warn_of_density_scaled_twice(self.parts, self.ventilator.ambient_pressure)
        return self

    @classmethod
    @public
    def from_pairs(
        cls,
        pairs: Iterable[tuple[str, Part]],
        *,
        joints: Iterable[tuple[str, str]],
        ventilator: Ventilator | None = None,
    ) -> Self:
        """A circuit from a list of named parts, in which a name that occurs twice is an error.

        Parameters
        ----------
        pairs : iterable of (str, Part)
            Names and parts.
        joints : iterable of (str, str)
            Ends that are joined.
        ventilator : Ventilator or None, default None
            The machine; None: the default one.

        Returns
        -------
        Circuit
            The checked circuit.

        Raises
        ------
        CircuitError
            If two parts have the same name, or as for the class.

        Examples
        --------
        >>> from ventsim.model.parts import Lung
        >>> lung = Lung(compliance=50.0, resistance=5.0)
        >>> Circuit.from_pairs([("a", lung), ("a", lung)], joints=[])
        Traceback (most recent call last):
        ventsim.errors.CircuitError: two parts are called 'a': a lung and a lung.
          Give every part a name of its own.
        """
        parts: dict[str, Part] = {}
        for name, part in pairs:
            if name in parts:
                raise CircuitError(
                    f"two parts are called '{name}': a {parts[name].kind} and a {part.kind}.\n"
                    "  Give every part a name of its own."
                )
            parts[name] = part
        machine = Ventilator() if ventilator is None else ventilator
        return cls(parts=parts, joints=tuple(joints), ventilator=machine)

    def __repr__(self) -> str:
        return f"<Circuit: {circuit_words(self)}>"

    __str__ = __repr__

    def _repr_html_(self) -> str:
        return circuit_html(self)

    @public
    def with_parts(self, parts: Mapping[str, Part]) -> Self:
        """The circuit with some parts exchanged, at the same joints.

        Parameters
        ----------
        parts : mapping of str to Part
            New parts by the names of those that they replace.

        Returns
        -------
        Circuit
            The checked circuit.

        Raises
        ------
        CircuitError
            If there is no part of a name, or the ports of the new part have other names.

        Examples
        --------
        >>> from ventsim.model.layouts import single
        >>> from ventsim.model.parts import Lung
        >>> circuit = single(Lung(compliance=50.0, resistance=5.0), name="a")
        >>> circuit.with_parts({"a": Lung(compliance=25.0, resistance=5.0)}).lungs["a"].compliance
        25.0
        """
        if not isinstance(parts, Mapping):
            raise CircuitError(
                f"with_parts takes one mapping of names to parts; got {shown(parts)}.\n"
                "  Write .with_parts({'name': ...})."
            )
        for name, part in parts.items():
            check_name(name, self.parts, wrong=f"there is no part {name!r} to exchange", error=CircuitError)
            if not isinstance(part, Part):
                raise CircuitError(
                    f"part {name!r}: {shown(part)} is not a part.\n  Give a part, such as Tube(length=1.5)."
                )
            old = self.parts[name]
            if set(part.ports) != set(old.ports):
                raise CircuitError(
                    f"part {name!r}: the {part.kind} has the ports {_listed(part.ports)}; the {old.kind} in "
                    f"whose place it comes has {_listed(old.ports)}.\n"
                    "  Take a part with these ports, or give joints too: .changed({'parts': ..., 'joints': ...})."
                )
        return self.changed({"parts": FrozenMapping({**self.parts, **parts})})

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Circuit):
            return NotImplemented
        # Whatever made them: a layout knows its circuit, which knows the layout.
        return (self.parts, self.joints, self.ventilator) == (other.parts, other.joints, other.ventilator)

    def __hash__(self) -> int:
        return hash((self.parts, self.joints, self.ventilator))

    @property
    def layout(self) -> Any:
        """The :class:`ventsim.layouts.Layout` that made this circuit; None: it was joined part by part."""
        return self._layout

    @public
    def of_layout(self, layout: Any) -> Self:
        """The same circuit, which remembers the layout that made it.

        Parameters
        ----------
        layout : Layout
            The layout.

        Returns
        -------
        Circuit
            With the attribute `layout`.
        """
        circuit = self.model_copy()
        object.__setattr__(circuit, "__pydantic_private__", {"_layout": layout})
        return circuit

    @cached_property
    def lungs(self) -> Mapping[str, LungPart]:
        """The lungs by name, in the order of the parts."""
        return FrozenMapping({name: part for name, part in self.parts.items() if isinstance(part, LungPart)})

    def graph(self) -> nx.MultiDiGraph:
        """The circuit as a graph, for drawing and for searching ways.

        Returns
        -------
        networkx.MultiDiGraph
            Nodes ``"part.point"``; edges along passages, and along joints (attribute ``passage`` None).

        Examples
        --------
        >>> from ventsim.model.layouts import single
        >>> from ventsim.model.parts import Lung
        >>> "lung.alveoli" in single(Lung(compliance=50.0, resistance=5.0)).graph()
        True
        """
        return build_graph(self.parts, self.joints)


def _listed(ports: Iterable[str]) -> str:
    return ", ".join(map(repr, ports))


def circuit_of(scenario: Any, settings: Any = None, *, where: str) -> Circuit:
    """The circuit that a verb is about: itself, or that of a scenario or layout.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        What the user gave first.
    settings : BreathSettings or None, default None
        What the user gave second: allowed with a circuit, as in verbs that need it.
    where : str
        The verb, for messages.

    Returns
    -------
    Circuit
        The circuit.

    Raises
    ------
    CircuitError
        If one of the two is of the wrong type, or a scenario has settings beside it.
    """
    circuit = getattr(scenario, "circuit", scenario)
    if not isinstance(circuit, Circuit):
        raise CircuitError(
            f"{where}: {shown(scenario)} is not a circuit.\n"
            "  Give what layouts.shared(...) returns, a Circuit, or a Scenario."
        )
    if settings is not None and hasattr(scenario, "settings"):
        raise CircuitError(f"{where}: settings are given, but the scenario has its own.\n  Leave them out.")
    if not isinstance(settings, BreathSettings | None):
        raise CircuitError(
            f"{where}: settings {shown(settings)} are of the wrong type.\n"
            "  Give PressureControl(...) or VolumeControl(...), or leave them out."
        )
    return circuit
