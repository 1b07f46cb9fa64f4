"""Is a circuit complete? Joints fit, no port stays open, every lung lies between the ventilator's ports."""

from collections.abc import Mapping, Sequence

import networkx as nx

from ventsim.errors import CircuitError, suggestion
from ventsim.model.circuit.graph import VENTILATOR
from ventsim.model.descriptions import shown
from ventsim.model.parts import LungPart, Part

Joint = tuple[str, str]


def read_joints(value: object) -> tuple[Joint, ...]:
    """Joints as pairs of text.

    Parameters
    ----------
    value : object
        Sequence of pairs of ends.

    Returns
    -------
    tuple of (str, str)
        The joints.

    Raises
    ------
    CircuitError
        If an item is not a pair of text.

    Examples
    --------
    >>> read_joints([["y.patient", "a.airway"]])
    (('y.patient', 'a.airway'),)
    """
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise CircuitError(
            f"{shown(value)} is not a list of joints.\n  Give pairs of ends: [('y.patient', 'a.airway'), ...]."
        )
    joints = []
    for item in value:
        is_pair = isinstance(item, Sequence) and not isinstance(item, str) and len(item) == 2
        if not is_pair or not all(isinstance(end, str) for end in item):
            raise CircuitError(f"joint {item!r} is not a pair of ends.\n  Write ('y.patient', 'a.airway').")
        joints.append((item[0], item[1]))
    return tuple(joints)


def check_joints(parts: Mapping[str, Part], joints: Sequence[Joint], *, ventilator_ports: Sequence[str]) -> None:
    """Refuse joints that name nothing, use a port twice or leave one open.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts.
    joints : sequence of (str, str)
        Pairs of ends.
    ventilator_ports : sequence of str
        Ports of the ventilator.

    Raises
    ------
    CircuitError
        With the nearest right name, or the ports that are open.
    """
    if not parts:
        raise CircuitError("the circuit has no parts.\n  Give a lung and what joins it to the ventilator.")
    if not any(isinstance(part, LungPart) for part in parts.values()):
        raise CircuitError("the circuit has no lung.\n  Add a Lung, or take a circuit from ventsim.layouts.")
    ports = {VENTILATOR: tuple(ventilator_ports)} | {name: part.ports for name, part in parts.items()}
    used: dict[str, Joint] = {}
    for joint in joints:
        for end in joint:
            _check_end(end, joint, ports)
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


def _check_end(end: str, joint: Joint, ports: Mapping[str, tuple[str, ...]]) -> None:
    name, dot, port = end.partition(".")
    if name not in ports:
        raise CircuitError(f"joint {joint}: there is no part '{name}'.\n  {suggestion(name, ports)}")
    if not dot or port not in ports[name]:
        found = f"has no port '{port}'" if dot else "needs a port"
        raise CircuitError(
            f"joint {joint}: '{name}' {found}.\n  {suggestion(port, ports[name])}\n"
            f"  Write an end as 'part.port', such as '{name}.{ports[name][0]}'."
        )


def check_connections(graph: nx.MultiDiGraph, parts: Mapping[str, Part]) -> None:
    """Refuse lungs without a way to both ports of the ventilator, and parts that nothing reaches.

    Parameters
    ----------
    graph : networkx.MultiDiGraph
        As :func:`ventsim.model.circuit.graph.build_graph` returns it; directions are ignored.
    parts : mapping of str to Part
        The parts.

    Raises
    ------
    CircuitError
        With the parts that are connected.
    """
    plain = graph.to_undirected(as_view=True)
    inspiratory = nx.node_connected_component(plain, f"{VENTILATOR}.inspiratory")
    expiratory = nx.node_connected_component(plain, f"{VENTILATOR}.expiratory")
    for name, part in parts.items():
        end = f"{name}.{part.ports[0]}"
        if isinstance(part, LungPart) and end not in inspiratory:
            what = f"lung '{name}' is not connected: nothing reaches its airway from"
            raise _unreached(what, "inspiratory", inspiratory)
        if isinstance(part, LungPart) and end not in expiratory:
            what = f"lung '{name}' cannot breathe out: no way leads from it to"
            raise _unreached(what, "expiratory", expiratory)
    for name, part in parts.items():
        if f"{name}.{part.ports[0]}" not in inspiratory | expiratory:
            raise CircuitError(
                f"{part.kind} '{name}' is not connected to the ventilator.\n"
                f"  Connected parts: {_names(inspiratory | expiratory)}.\n"
                "  Join it to one of them, or leave it out."
            )


def _unreached(what: str, port: str, reached: set[str]) -> CircuitError:
    return CircuitError(
        f"{what} the ventilator's {port} port.\n"
        f"  Parts connected to that port: {_names(reached)}.\n"
        "  Join a tube or fitting between one of them and the lung's part of the circuit."
    )


def _names(ends: set[str]) -> str:
    return ", ".join(repr(name) for name in sorted({end.partition(".")[0] for end in ends}))
