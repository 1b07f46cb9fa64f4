"""A circuit as a graph of points and passages, with the directions in which its valves let gas pass.

The graph answers whether a circuit is complete, every lung lying between the ports of the ventilator, and which
limbs lead to each lung.
"""

import functools
import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import networkx as nx
import numpy as np

from ventsim.errors import CircuitError, PlausibilityWarning, warn_caller
from ventsim.model.parts import Lung, LungPart, Part, TrachealTube
from ventsim.model.parts.part import Inertia, Passage
from ventsim.model.ventilator import Ventilator

VENTILATOR = "ventilator"
"""Name by which joints call the ventilator."""

_STILL = 1e-9  # pressure drop, of 1 in all, up to which a passage counts as a dead end without direction
_USUAL_FLOW = 0.5  # at which the loss of a tracheal tube is given [L/s]


def build_graph(parts: Mapping[str, Part], joints: Sequence[tuple[str, str]]) -> nx.MultiDiGraph:
    """Points as nodes, the ports of the ventilator among them; passages and joints as edges.

    Parameters
    ----------
    parts : mapping of str to Part
        The parts.
    joints : sequence of (str, str)
        Pairs of ends.

    Returns
    -------
    networkx.MultiDiGraph
        Nodes ``"part.point"`` with the attribute ``part``. Edges from start to end of each passage with the
        attributes ``part`` (name), ``kind`` (of the part) and ``passage``; of each joint with ``part`` None,
        ``kind`` ``"joint"`` and ``passage`` None.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> graph = build_graph({"a": Lung(compliance=50.0, resistance=5.0)}, [])
    >>> list(graph.edges())
    [('a.airway', 'a.alveoli')]
    """
    graph: nx.MultiDiGraph[str] = nx.MultiDiGraph()
    graph.add_nodes_from((f"{VENTILATOR}.{port}" for port in Ventilator.ports), part=VENTILATOR)
    for name, part in parts.items():
        graph.add_nodes_from((f"{name}.{port}" for port in part.ports), part=name)
        for element in part.elements():
            if isinstance(element, Passage | Inertia):
                start, end = f"{name}.{element.start}", f"{name}.{element.end}"
                graph.add_nodes_from((start, end), part=name)
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
        is_two_way = data["passage"] is None or not data["passage"].is_one_way
        if is_two_way or data["part"] not in reversed_valves:
            ways.add_edge(start, end)
        if is_two_way or data["part"] in reversed_valves:
            ways.add_edge(end, start)
    return ways


def way_in(graph: nx.MultiDiGraph, airway: str, *, without: str = "") -> list[str] | None:
    """Parts that gas passes from the ventilator to an airway, on the shortest way that the valves allow.

    None if there is no way; `without` names a part that is closed.
    """
    ways = _allowed_ways(graph, set())
    ways.remove_nodes_from([node for node, part in graph.nodes(data="part") if part == without])
    found = nx.single_source_shortest_path(ways, f"{VENTILATOR}.inspiratory").get(airway)
    return None if found is None else list(dict.fromkeys(node.rpartition(".")[0] for node in found))


def warn_of_second_tracheal_tubes(graph: nx.MultiDiGraph, parts: Mapping[str, Part]) -> None:
    """Warn of tracheal tubes that are the only way to a lung whose resistance includes that of one.

    Parameters
    ----------
    graph : networkx.MultiDiGraph
        As :func:`build_graph` returns it, every lung connected to both ports.
    parts : mapping of str to Part
        The parts.

    Warns
    -----
    PlausibilityWarning
        For each lung and tube, with what to do.
    """
    tubes = {name: part for name, part in parts.items() if isinstance(part, TrachealTube)}
    lungs = [name for name, part in parts.items() if isinstance(part, Lung) and part.includes_tracheal_tube]
    for (tube, part), lung in itertools.product(tubes.items(), lungs):
        others = graph.subgraph([node for node, owner in graph.nodes(data="part") if owner != tube])
        reached = nx.node_connected_component(others.to_undirected(as_view=True), f"{lung}.airway")
        if any(node.startswith(f"{VENTILATOR}.") for node in reached):
            continue
        share = float(part.inspiratory_law.pressure_drop(_USUAL_FLOW)) / _USUAL_FLOW
        text = (
            f"the tracheal tube of lung '{lung}' is counted twice: the airway resistance includes one, and "
            f"'{tube}' of {part.inner_diameter:.4g} mm leads to the lung.\n"
            f"  Leave out '{tube}'. Or give the lung the resistance of the airway alone, about "
            f"{share:.2g} cmH2O·s/L less (that of the tube at {_USUAL_FLOW:g} L/s), and "
            "includes_tracheal_tube=False."
        )
        warn_caller(PlausibilityWarning(text))


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


class Limb(NamedTuple):
    """The way from the node where both limbs of a lung meet to the next node that has other ways, or to the port.

    `branches` are in order from that node outwards, `nodes` lie between them; `sign` is 1 where the flow of the
    first branch has the direction of the limb, towards the lung if it is inspiratory, and -1 otherwise.
    """

    branches: tuple[int, ...]
    nodes: tuple[int, ...]
    sign: int


NO_LIMB = Limb((), (), 0)

_ROOM = -1  # joined to both ports, so that what holds a lung to both of them is found as one node


@functools.lru_cache(maxsize=64)  # circuits that are tried one after the other are often wired alike
def find_limbs(
    ends: tuple[tuple[int, int], ...], *, ports: tuple[int, int], airways: tuple[int, ...], outside: frozenset[int]
) -> tuple[tuple[Limb, Limb], ...]:
    """The inspiratory and the expiratory limb of each lung.

    Parameters
    ----------
    ends : tuple of (int, int)
        Nodes at start and end of each branch.
    ports : (int, int)
        Nodes of the inspiratory and the expiratory port.
    airways : tuple of int
        Node of each lung's airway.
    outside : frozenset of int
        Nodes that are open to the atmosphere.

    Returns
    -------
    tuple of (Limb, Limb)
        One pair for each lung, with `NO_LIMB` where it has none of its own.

    Examples
    --------
    A lung at node 2, to which one branch leads from either port:

    >>> find_limbs(((0, 2), (2, 1), (2, 3)), ports=(0, 1), airways=(2,), outside=frozenset())[0]
    (Limb(branches=(0,), nodes=(), sign=1), Limb(branches=(1,), nodes=(), sign=1))
    """
    keep = {*ports, *airways}
    graph: nx.MultiGraph[int] = nx.MultiGraph()
    graph.add_nodes_from(keep)
    for k, (a, b) in enumerate(ends):
        if not {a, b} & outside:
            graph.add_edge(a, b, k)
    while dead_ends := [node for node, degree in graph.degree() if degree == 1 and node not in keep]:
        graph.remove_nodes_from(dead_ends)
    rooted = nx.DiGraph(graph)
    rooted.add_edges_from((_ROOM, port) for port in ports)
    before = nx.immediate_dominators(rooted, _ROOM)
    limbs = []
    for airway in airways:
        top = airway
        while before.get(top, _ROOM) not in (_ROOM, top):
            top = before[top]
        has_limbs = top in before and top not in ports
        limbs.append(_limbs_at(top, graph, ports, ends) if has_limbs else (NO_LIMB, NO_LIMB))
    return tuple(limbs)


def _limbs_at(
    top: int, graph: nx.MultiGraph, ports: tuple[int, int], ends: Sequence[tuple[int, int]]
) -> tuple[Limb, Limb]:
    """The limbs that meet at a node; each belongs to the port to which it is nearer."""
    rest: nx.Graph[int] = nx.Graph(graph)
    rest.remove_node(top)
    near = [nx.single_source_shortest_path_length(rest, port) if port in rest else {port: 0} for port in ports]
    unreached = len(rest) + 1
    sides: tuple[list[Limb], list[Limb]] = ([], [])
    for _, node, k in graph.edges(top, keys=True):
        distances = [distance.get(node, unreached) for distance in near]
        if min(distances) < unreached:
            side = int(distances[1] < distances[0])
            towards = 1 if ends[k][1] == top else -1
            sides[side].append(_walk(k, node, graph, ports, sign=towards * (1 - 2 * side)))
    return sides[0][0] if len(sides[0]) == 1 else NO_LIMB, sides[1][0] if len(sides[1]) == 1 else NO_LIMB


def _walk(branch: int, node: int, graph: nx.MultiGraph, ports: tuple[int, int], *, sign: int) -> Limb:
    """From the meeting node outwards, to the first node with another way or the port."""
    branches, nodes = [branch], []
    while node not in ports and graph.degree(node) == 2:
        nodes.append(node)
        node, branch = next((other, k) for _, other, k in graph.edges(node, keys=True) if k != branches[-1])
        branches.append(branch)
    return Limb(tuple(branches), tuple(nodes), sign)
