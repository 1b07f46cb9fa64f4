"""The circuit itself."""

from collections.abc import Iterable, Mapping
from typing import Annotated, ClassVar, Self

import networkx as nx
from pydantic import BeforeValidator, Field, PlainSerializer, PlainValidator, model_validator

from ventsim.circuit.checks import check_connections, check_joints, read_joints
from ventsim.circuit.graph import build_graph, direction_faults
from ventsim.circuit.named_parts import dump_parts, read_parts
from ventsim.errors import CircuitError, CircuitWarning, InputError, warn_caller
from ventsim.parts import Description, LungPart, Part
from ventsim.ventilator import Ventilator

__all__ = ["Circuit"]


class Circuit(Description):
    """Parts, the joints between their ports, and the ventilator that drives them.

    A joint names two ends, each as ``"part.port"``; the ventilator's are ``"ventilator.inspiratory"`` and
    ``"ventilator.expiratory"``. Joined ends are one and the same point. Every port is used exactly once.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts by name. A name is any text without full stop, and not ``"ventilator"``.
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

    Examples
    --------
    >>> from ventsim.parts import Lung, YPiece
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
        PlainSerializer(dump_parts),
        Field(description="the parts by name"),
    ]
    joints: Annotated[
        tuple[tuple[str, str], ...],
        BeforeValidator(read_joints),
        Field(description="pairs of ends, each 'part.port', that are joined"),
    ]
    ventilator: Annotated[Ventilator, Field(description="the machine")] = Ventilator()

    @model_validator(mode="after")
    def _check(self) -> Self:
        check_joints(self.parts, self.joints, ventilator_ports=self.ventilator.ports)
        graph = self.graph()
        check_connections(graph, self.parts)
        faults = direction_faults(graph, self.parts)
        if faults:
            warn_caller(CircuitWarning("\n".join(faults)))
        return self

    @classmethod
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
        >>> from ventsim.parts import Lung
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

    @property
    def lungs(self) -> dict[str, LungPart]:
        """The lungs by name, in the order of the parts."""
        return {name: part for name, part in self.parts.items() if isinstance(part, LungPart)}

    def graph(self) -> nx.MultiDiGraph:
        """The circuit as a graph, for drawing and for searching ways.

        Returns
        -------
        networkx.MultiDiGraph
            Nodes ``"part.point"``; edges along passages, and along joints (attribute ``passage`` None).

        Examples
        --------
        >>> from ventsim.layouts import single
        >>> from ventsim.parts import Lung
        >>> "lung.alveoli" in single(Lung(compliance=50.0, resistance=5.0)).graph()
        True
        """
        return build_graph(self.parts, self.joints, ventilator_ports=self.ventilator.ports)
