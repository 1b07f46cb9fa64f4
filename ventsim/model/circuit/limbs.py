"""The limbs of each lung: what lies between the node where they meet and the ways of other lungs."""

import functools
from collections.abc import Sequence
from typing import NamedTuple

import networkx as nx


class Limb(NamedTuple):
    """The way from the node where both limbs of a lung meet to the next node that has other ways, or to the port.

    `branches` are in order from that node outwards, `nodes` lie between them; `sign` is 1 where the flow of the
    first branch has the direction of the limb, towards the lung if it is inspiratory, and -1 otherwise.
    """

    branches: tuple[int, ...]
    nodes: tuple[int, ...]
    sign: int


NO_LIMB = Limb((), (), 0)

Ways = dict[int, list[tuple[int, int]]]
"""Branches at each node, each with the node at its other end."""

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
    ways: Ways = {node: [] for node in (*ports, *airways)}
    for k, (a, b) in enumerate(ends):
        if a not in outside and b not in outside:
            ways.setdefault(a, []).append((k, b))
            ways.setdefault(b, []).append((k, a))
    _prune(ways, keep={*ports, *airways})
    graph = nx.DiGraph((node, other) for node, found in ways.items() for _, other in found)
    graph.add_edges_from((_ROOM, port) for port in ports)
    before = nx.immediate_dominators(graph, _ROOM)
    limbs = []
    for airway in airways:
        top = airway
        while before.get(top, _ROOM) not in (_ROOM, top):
            top = before[top]
        limbs.append(
            (NO_LIMB, NO_LIMB) if top in ports or top not in before else _limbs_at(top, ways, ports, ends)
        )
    return tuple(limbs)


def _prune(ways: Ways, *, keep: set[int]) -> None:
    """Take away what leads nowhere."""
    loose = [node for node, found in ways.items() if len(found) == 1 and node not in keep]
    while loose:
        node = loose.pop()
        for k, other in ways.pop(node):
            ways[other].remove((k, node))
            if len(ways[other]) == 1 and other not in keep:
                loose.append(other)


def _limbs_at(top: int, ways: Ways, ports: tuple[int, int], ends: Sequence[tuple[int, int]]) -> tuple[Limb, Limb]:
    """The limbs that meet at a node; each belongs to the port to which it is nearer."""
    rest = nx.Graph((node, other) for node, found in ways.items() for _, other in found)
    rest.remove_node(top)
    near = [nx.single_source_shortest_path_length(rest, port) if port in rest else {port: 0} for port in ports]
    unreached = len(rest) + 1
    sides: tuple[list[Limb], list[Limb]] = ([], [])
    for k, node in ways[top]:
        distances = [distance.get(node, unreached) for distance in near]
        if min(distances) < unreached:
            side = int(distances[1] < distances[0])
            towards = 1 if ends[k][1] == top else -1
            sides[side].append(_walk(top, k, node, ways, ports, sign=towards * (1 - 2 * side)))
    return sides[0][0] if len(sides[0]) == 1 else NO_LIMB, sides[1][0] if len(sides[1]) == 1 else NO_LIMB


def _walk(top: int, branch: int, node: int, ways: Ways, ports: tuple[int, int], *, sign: int) -> Limb:
    """From the meeting node outwards, to the first node with another way or the port."""
    branches, nodes, last = [branch], [], top
    while node not in ports and len(ways[node]) == 2:
        nodes.append(node)
        branch, after = next(way for way in ways[node] if way != (branches[-1], last))
        branches.append(branch)
        node, last = after, node
    return Limb(tuple(branches), tuple(nodes), sign)
