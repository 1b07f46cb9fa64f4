"""Order of elimination for the symmetric matrices of a network, and the compiled factorisation.

A circuit is nearly a tree.  Eliminating its leaves first makes almost no fill-in, so the factorisation is a
short list of multiplications that is worked out once per circuit.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.compiling import compiled

# A pivot that has lost all but this part of its diagonal belongs to a node that nothing supplies.
LOST_PIVOT = 1e-12


class Elimination(NamedTuple):
    """Pattern of the factor: nodes are numbered in the order in which they are eliminated.

    `later[first[i]:first[i + 1]]` are the nodes coupled to node i that are eliminated after it; the position
    in `later` is also the position of the coupling's value.  `target` holds, pair by pair in the order in
    which `factorise` visits them, where the product of two couplings goes.
    """

    first: NDArray[np.uint64]
    later: NDArray[np.uint64]
    target: NDArray[np.uint64]


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
    for i in range(n_nodes):
        ordered = sorted(later[i])
        for position, a in enumerate(ordered):
            later[a].update(ordered[position + 1 :])
    first = np.concatenate(([0], np.cumsum([len(nodes) for nodes in later]))).astype(np.uint64)
    flat = np.array([j for nodes in later for j in sorted(nodes)], dtype=np.uint64)
    place = {(i, int(flat[s])): s for i in range(n_nodes) for s in range(first[i], first[i + 1])}
    target = [
        place[(int(flat[s]), int(flat[t]))]
        for i in range(n_nodes)
        for s in range(first[i], first[i + 1])
        for t in range(s + 1, first[i + 1])
    ]
    return Elimination(first, flat, np.array(target, dtype=np.uint64))


def coupling_position(plan: Elimination, a: int, b: int) -> int:
    """Where the coupling of two nodes stands in the list of couplings."""
    low, high = min(a, b), max(a, b)
    row = plan.later[plan.first[low] : plan.first[low + 1]]
    return int(plan.first[low] + np.searchsorted(row, high))


@compiled
def factorise(first, later, target, row, coupling):
    """Factor the matrix in place; the inverse pivot of a node that nothing supplies is set to 0.

    `row` is the table of the nodes with their `diagonal` and `inverse`; `coupling` has the shape of `later` and
    holds values of at most 0.  The matrix is a diagonal matrix plus the Laplacian of a graph, so no pivoting is
    needed.
    """
    for i in range(row.shape[0]):
        row[i].inverse = row[i].diagonal
    pair = 0
    for i in range(row.shape[0]):
        pivot = row[i].diagonal
        # `inverse` still holds the diagonal as it was before any elimination.
        inverse = 1.0 / pivot if pivot > LOST_PIVOT * row[i].inverse else 0.0
        row[i].inverse = inverse
        for s in range(first[i], first[i + 1]):
            scaled = coupling[s] * inverse
            row[later[s]].diagonal -= scaled * coupling[s]
            for t in range(s + 1, first[i + 1]):
                coupling[target[pair]] -= scaled * coupling[t]
                pair += 1
            coupling[s] = scaled


@compiled
def solve_factored(first, later, row, coupling):
    """Replace the column `right` of the table of nodes by the solution, with the factor of `factorise`."""
    n = row.shape[0]
    for i in range(n):
        value = row[i].right
        for s in range(first[i], first[i + 1]):
            row[later[s]].right -= coupling[s] * value
    for i in range(n - 1, -1, -1):
        value = row[i].right * row[i].inverse
        for s in range(first[i], first[i + 1]):
            value -= coupling[s] * row[later[s]].right
        row[i].right = value
