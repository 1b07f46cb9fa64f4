"""What joins what: nodes in the order of their elimination, those that valves can cut off, ways out of a lung.

Points between which nothing resists the flow are one and the same node.  Circuits that differ in their numbers
alone have one wiring.  A circuit is nearly a tree.  Eliminating its leaves first makes almost no fill-in, so the
factorisation is a short list of multiplications that is worked out once per wiring.
"""

import functools
import heapq
import itertools
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import CUT_OFF, EXHALATION, Network
from ventsim.engine.laws import ONE_WAY
from ventsim.units import FloatArray

INSPIRATORY_PORT = "ventilator.inspiratory"
EXPIRATORY_PORT = "ventilator.expiratory"

Member = TypeVar("Member", bound=Hashable)
_Groups = dict[Member, list[Member]]
"""The group of each member, one list for all of a group."""


class Elimination(NamedTuple):
    """Pattern of the factor: nodes are numbered in the order in which they are eliminated.

    `later[first[i]:first[i + 1]]` are the nodes coupled to node i that are eliminated after it; the position
    in `later` is also the position of the coupling's value.  `target` holds, pair by pair in the order in
    which `factorise` visits them, where the product of two couplings goes.
    """

    first: NDArray[np.uint64]
    later: NDArray[np.uint64]
    target: NDArray[np.uint64]


@dataclass(frozen=True, eq=False)
class Wiring:
    """Nodes and branches without their numbers.

    `index` tells the node of each point, `kept` which carriers of flow join two different nodes, `ends` and
    `coupling` their nodes and places in the factorisation.
    """

    index: dict[str, int]
    kept: tuple[int, ...]
    ends: tuple[tuple[int, int], ...]
    coupling: tuple[int, ...]
    plan: Elimination
    node_names: tuple[str, ...]


@functools.lru_cache(maxsize=64)  # circuits that are tried one after the other are often wired alike
def wire(
    *,
    points: tuple[str, ...],
    joined: tuple[tuple[str, str], ...],
    carriers: tuple[tuple[str, str], ...],
    lungs: tuple[str, ...],
) -> Wiring:
    """Find nodes, their order and the pattern of the factorisation.

    Parameters
    ----------
    points : tuple of str
        All points in the order of the parts, each "part.point".
    joined : tuple of (str, str)
        Points that are one: joints, and passages without resistance.
    carriers : tuple of (str, str)
        Start and end of everything that carries flow.
    lungs : tuple of str
        Names of the lungs, which give their nodes names.

    Returns
    -------
    Wiring
    """
    every = (INSPIRATORY_PORT, EXPIRATORY_PORT, *points, *itertools.chain(*joined))
    groups = {point: [point] for point in every}
    for a, b in joined:
        _unite(groups, a, b)
    members: dict[int, list[str]] = {}
    for point, group in groups.items():
        members.setdefault(id(group), []).append(point)
    nodes = list(members.values())
    number = {point: i for i, at in enumerate(nodes) for point in at}
    both = [(number[a], number[b]) for a, b in carriers]
    kept = [k for k, (a, b) in enumerate(both) if a != b]
    order = minimum_degree_order(len(nodes), [both[k] for k in kept])
    rank = {node: i for i, node in enumerate(order)}
    ends = tuple((rank[both[k][0]], rank[both[k][1]]) for k in kept)
    plan = plan_elimination(len(nodes), ends)
    return Wiring(
        index={point: rank[i] for point, i in number.items()},
        kept=tuple(kept),
        ends=ends,
        coupling=tuple(coupling_position(plan, a, b) for a, b in ends),
        plan=plan,
        node_names=tuple(_node_name(nodes[i], lungs) for i in order),
    )


def _unite(groups: _Groups[Member], a: Member, b: Member) -> None:
    """Make the groups of two members one."""
    if groups[a] is not groups[b]:
        groups[a].extend(groups[b])
        groups.update(dict.fromkeys(groups[b], groups[a]))


def _node_name(members: list[str], lungs: Sequence[str]) -> str:
    of_lungs = [f"{lung}.{end}" for end in ("airway", "alveoli") for lung in lungs if f"{lung}.{end}" in members]
    if len(of_lungs) == 1:
        return of_lungs[0]
    return next((port for port in (INSPIRATORY_PORT, EXPIRATORY_PORT) if port in members), members[0])


def minimum_degree_order(n_nodes: int, couples: Iterable[tuple[int, int]]) -> list[int]:
    """Nodes in the order of fewest remaining neighbours; ties go to the lowest number."""
    neighbours: list[set[int]] = [set() for _ in range(n_nodes)]
    for a, b in couples:
        neighbours[a].add(b)
        neighbours[b].add(a)
    order: list[int] = []
    remaining = set(range(n_nodes))
    while remaining:
        node = min(remaining, key=lambda i: (len(neighbours[i]), i))
        for i in neighbours[node]:
            neighbours[i].discard(node)
            neighbours[i] |= neighbours[node] - {i}
        remaining.remove(node)
        order.append(node)
    return order


def plan_elimination(n_nodes: int, couples: Iterable[tuple[int, int]]) -> Elimination:
    """Pattern of the factor of a matrix whose rows are already in the order of elimination."""
    later: list[set[int]] = [set() for _ in range(n_nodes)]
    for a, b in couples:
        later[min(a, b)].add(max(a, b))
    for nodes in later:
        for a in nodes:
            later[a].update(b for b in nodes if b > a)
    flat = [(i, j) for i, nodes in enumerate(later) for j in sorted(nodes)]
    place = {couple: s for s, couple in enumerate(flat)}
    pairs = itertools.chain(*(itertools.combinations(sorted(nodes), 2) for nodes in later))
    return Elimination(
        first=np.cumsum([0, *map(len, later)]).astype(np.uint64),
        later=np.array([j for _, j in flat], dtype=np.uint64),
        target=np.array([place[pair] for pair in pairs], dtype=np.uint64),
    )


def coupling_position(plan: Elimination, a: int, b: int) -> int:
    """Where the coupling of two nodes stands in the list of couplings."""
    low, high = min(a, b), max(a, b)
    row = plan.later[plan.first[low] : plan.first[low + 1]]
    return int(plan.first[low] + np.searchsorted(row, high))


def cut_off_groups(
    node: NDArray[np.void], branch: NDArray[np.void]
) -> tuple[NDArray[np.void], NDArray[np.int64], NDArray[np.int64]]:
    """Groups of nodes that store nothing and have no way out but one-way valves and gates.

    Returns the table `CUT_OFF`, and the nodes and ways that it refers to.
    """
    empty = (node["compliance"] == 0.0).tolist()
    groups = {i: [i] for i, is_empty in enumerate(empty) if is_empty}
    ends = list(zip(branch["start"].tolist(), branch["end"].tolist(), strict=True))
    valve = ((branch["kind"] == ONE_WAY) & (branch["leak"] == 0.0)).tolist()
    open_ended = set()
    for (a, b), is_valve in zip(ends, valve, strict=True):
        if is_valve or not (empty[a] or empty[b]):
            continue
        if empty[a] and empty[b]:
            _unite(groups, a, b)
        else:
            open_ended.add(a if empty[a] else b)
    rows: list[tuple[int, int, int, int]] = []
    nodes: list[int] = []
    ways: list[int] = []
    for group in {id(group): group for group in groups.values()}.values():
        if open_ended.isdisjoint(group):
            first_node, first_way = len(nodes), len(ways)
            nodes += group
            around = [(k, a in group, b in group) for k, (a, b) in enumerate(ends)]
            ways += [k if leads_out else -1 - k for k, leads_out, leads_in in around if leads_out != leads_in]
            rows.append((first_node, len(nodes), first_way, len(ways)))
    return np.array(rows, CUT_OFF), np.array(nodes, dtype=np.int64), np.array(ways, dtype=np.int64)


def opening_pressures(network: Network, *, never: float) -> FloatArray:
    """Least sum of opening pressures on a way from each lung to the exhalation valve, shape (n_lungs,). [cmH2O]

    A valve with the opening pressure `never` [cmH2O] is no way.
    """
    branch = network.branch
    both_ways = (branch["kind"] != ONE_WAY) | (branch["leak"] > 0.0)
    ways: dict[int, list[tuple[int, float]]] = {}
    outside = network.node["outside"].tolist()
    rows = (branch["start"], branch["end"], both_ways, branch["opening"])
    for start, end, is_open, opening in zip(*(column.tolist() for column in rows), strict=True):
        if opening < never and not (outside[start] or outside[end]):
            ways.setdefault(end, []).append((start, 0.0 if is_open else opening))
            if is_open:
                ways.setdefault(start, []).append((end, 0.0))
    least: dict[int, float] = {}
    waiting = [(0.0, int(network.gate["node"][EXHALATION]))]
    while waiting:
        pressure, node = heapq.heappop(waiting)
        if node not in least:
            least[node] = pressure
            for other, opening in ways.get(node, ()):
                heapq.heappush(waiting, (pressure + opening, other))
    return np.array([least.get(airway, np.inf) for airway in network.lung["airway"].tolist()])
