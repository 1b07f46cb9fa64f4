"""A circuit as a graph of points and passages, with the directions in which its valves let gas pass.

The graph answers whether a circuit is complete: joints fit, no port stays open, every lung lies between the ports
of the ventilator.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import networkx as nx
import numpy as np

from ventsim.errors import CircuitError, suggestion
from ventsim.model.descriptions import FrozenMapping, named, shown
from ventsim.model.parts import PARTS, LungPart, Part
from ventsim.model.parts.part import Inertia, Passage

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


_STILL = 1e-9  # pressure drop, of 1 in all, up to which a passage counts as a dead end without direction


def build_graph(
    parts: Mapping[str, Part], joints: Sequence[tuple[str, str]], *, ventilator_ports: Sequence[str]
) -> nx.MultiDiGraph:
    """Points as nodes; passages and joints as edges.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts.
    joints : sequence of (str, str)
        Pairs of ends.
    ventilator_ports : sequence of str
        Ports of the ventilator; no edge runs between them.

    Returns
    -------
    networkx.MultiDiGraph
        Nodes ``"part.point"`` with the attribute ``part``. Edges from start to end of each passage with the
        attributes ``part`` (name), ``kind`` (of the part) and ``passage``; of each joint with ``part`` None,
        ``kind`` ``"joint"`` and ``passage`` None.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> graph = build_graph({"a": Lung(compliance=50.0, resistance=5.0)}, [], ventilator_ports=())
    >>> list(graph.edges())
    [('a.airway', 'a.alveoli')]
    """
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    for port in ventilator_ports:
        graph.add_node(f"{VENTILATOR}.{port}", part=VENTILATOR)
    for name, part in parts.items():
        for port in part.ports:
            graph.add_node(f"{name}.{port}", part=name)
        for element in part.elements():
            if isinstance(element, Passage | Inertia):
                start, end = f"{name}.{element.start}", f"{name}.{element.end}"
                for node in (start, end):
                    graph.add_node(node, part=name)
                graph.add_edge(start, end, part=name, kind=part.kind, passage=element)
    for start, end in joints:
        graph.add_edge(start, end, part=None, kind="joint", passage=None)
    return graph


def direction_faults(graph: nx.MultiDiGraph, parts: Mapping[str, Part]) -> tuple[str, ...]:
    """What is wrong with the directions of the one-way passages.

    A one-way passage is against the flow if a steady stream from the inspiratory to the expiratory port,
    through the same circuit without valves, would pass it from end to start. Besides, every lung must be
    reached from the inspiratory port, and reach the expiratory one, in allowed directions.

    Parameters
    ----------
    graph : networkx.MultiDiGraph
        As :func:`build_graph` returns it, every lung connected to both ports.
    parts : mapping of str to Part
        The parts.

    Returns
    -------
    tuple of str
        One message for each fault; empty if there is none.
    """
    valves = [edge for edge in graph.edges(data=True) if edge[2]["passage"] and edge[2]["passage"].is_one_way]
    if not valves:
        return ()
    reversed_valves = _against_stream(graph, valves)
    faults = [
        f"{data['kind']} '{data['part']}' points against the flow from the ventilator's inspiratory "
        f"to its expiratory port.\n  Swap its two joints: '{start}' and '{end}'."
        for start, end, data in valves
        if data["part"] in reversed_valves
    ]
    allowed = _allowed_ways(graph, reversed_valves)
    for name, part in parts.items():
        if isinstance(part, LungPart):
            faults.extend(_blocked(name, f"{name}.{part.ports[0]}", allowed, valves))
    return tuple(faults)


def _allowed_ways(graph: nx.MultiDiGraph, reversed_valves: set[str]) -> nx.DiGraph:
    """An edge in each direction in which gas may pass once the reversed valves are set right."""
    ways: nx.DiGraph[str] = nx.DiGraph()
    ways.add_nodes_from(graph)
    for start, end, data in graph.edges(data=True):
        if data["passage"] is None or not data["passage"].is_one_way:
            ways.add_edges_from([(start, end), (end, start)])
        elif data["part"] in reversed_valves:
            ways.add_edge(end, start)
        else:
            ways.add_edge(start, end)
    return ways


def way_in(graph: nx.MultiDiGraph, airway: str, *, without: str = "") -> list[str] | None:
    """Parts that gas passes from the ventilator to an airway, on the shortest way that the valves allow.

    None if there is no way; `without` names a part that is closed.
    """
    ways = _allowed_ways(graph, set())
    ways.remove_nodes_from([node for node, part in graph.nodes(data="part") if part == without])
    found = nx.single_source_shortest_path(ways, f"{VENTILATOR}.inspiratory").get(airway)
    return None if found is None else list(dict.fromkeys(node.rpartition(".")[0] for node in found))


def _blocked(name: str, airway: str, ways: nx.DiGraph, valves: Sequence[tuple]) -> Iterable[str]:
    """Messages about a lung that cannot breathe in or out."""
    journeys = (
        ("in", f"{VENTILATOR}.inspiratory", airway, "from the ventilator's inspiratory port to it"),
        ("out", airway, f"{VENTILATOR}.expiratory", "from it to the ventilator's expiratory port"),
    )
    for word, source, target, way in journeys:
        if nx.has_path(ways, source, target):
            continue
        before, behind = nx.descendants(ways, source) | {source}, nx.ancestors(ways, target) | {target}
        culprits = [data["part"] for start, end, data in valves if end in before and start in behind]
        hint = f"Check the direction of {', '.join(map(repr, culprits)) or 'each'}."
        yield f"lung '{name}' cannot breathe {word}: one-way valves shut every way {way}.\n  {hint}"


def _against_stream(graph: nx.MultiDiGraph, valves: Sequence[tuple]) -> set[str]:
    """Names of parts whose one-way passage a steady stream would pass from end to start.

    The stream is that of a resistor network: every passage conducts equally well both ways, joined ends are
    one point, pressure 1 at the inspiratory port and 0 at the expiratory one.
    """
    joined: nx.Graph[str] = nx.Graph()
    joined.add_nodes_from(graph)
    joined.add_edges_from((start, end) for start, end, data in graph.edges(data=True) if data["kind"] == "joint")
    row = {node: index for index, group in enumerate(nx.connected_components(joined)) for node in group}
    size = max(row.values()) + 1
    source, sink = row[f"{VENTILATOR}.inspiratory"], row[f"{VENTILATOR}.expiratory"]
    edges = graph.edges(data=True)
    passages = [(row[start], row[end]) for start, end, data in edges if data["passage"] is not None]
    starts, ends = np.array(passages).T
    drops = np.eye(size)[starts] - np.eye(size)[ends]
    matrix = drops.T @ drops
    for fixed in (source, sink):
        matrix[fixed] = 0.0
        matrix[fixed, fixed] = 1.0
    known = np.zeros(size)
    known[source] = 1.0 if source != sink else 0.0
    pressure = np.linalg.solve(matrix, known)
    return {data["part"] for start, end, data in valves if pressure[row[end]] - pressure[row[start]] > _STILL}


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


# What is wrong with a lung that has no way to one of the ports.
_UNREACHED = {
    "inspiratory": "is not connected: nothing reaches its airway from",
    "expiratory": "cannot breathe out: no way leads from it to",
}


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
    reached = {port: nx.node_connected_component(plain, f"{VENTILATOR}.{port}") for port in _UNREACHED}
    lungs = [name for name, part in parts.items() if isinstance(part, LungPart)]
    for name, (port, what) in itertools.product(lungs, _UNREACHED.items()):
        if f"{name}.airway" not in reached[port]:
            raise CircuitError(
                f"lung '{name}' {what} the ventilator's {port} port.\n"
                f"  Parts connected to that port: {_names(reached[port])}.\n"
                "  Join a tube or fitting between one of them and the lung's part of the circuit."
            )
    either = reached["inspiratory"] | reached["expiratory"]
    for name, part in parts.items():
        if f"{name}.{part.ports[0]}" not in either:
            raise CircuitError(
                f"{part.kind} '{name}' is not connected to the ventilator.\n"
                f"  Connected parts: {_names(either)}.\n"
                "  Join it to one of them, or leave it out."
            )


def _names(ends: set[str]) -> str:
    return ", ".join(repr(name) for name in sorted({end.partition(".")[0] for end in ends}))
