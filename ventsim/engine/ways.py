"""Ways of gas in a network: which nodes valves can cut off, and what a lung has to overcome on its way out."""

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.arrays import CUT_OFF, EXHALATION, Network
from ventsim.engine.laws import ONE_WAY
from ventsim.units import FloatArray


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
        if empty[a] and empty[b] and groups[a] is not groups[b]:
            groups[a].extend(groups[b])
            for i in groups[b]:
                groups[i] = groups[a]
        elif not (empty[a] and empty[b]):
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
    least = {int(network.gate["node"][EXHALATION]): 0.0}
    waiting = list(least)
    while waiting:
        node = min(waiting, key=least.__getitem__)
        waiting.remove(node)
        for other, opening in ways.get(node, ()):
            if least[node] + opening < least.get(other, np.inf):
                least[other] = least[node] + opening
                waiting.append(other)
    return np.array([least.get(airway, np.inf) for airway in network.lung["airway"].tolist()])
