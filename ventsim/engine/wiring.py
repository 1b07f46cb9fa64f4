"""What joins what: points of a circuit become nodes in an order that suits the elimination; no numbers yet.

Points between which nothing resists the flow are one and the same node.  Circuits that differ in their numbers
alone have one wiring.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from ventsim.engine.elimination import Elimination, coupling_position, minimum_degree_order, plan_elimination

INSPIRATORY_PORT = "ventilator.inspiratory"
EXPIRATORY_PORT = "ventilator.expiratory"


@dataclass(frozen=True, eq=False)
class Wiring:
    """Nodes and branches without their numbers.

    `index` tells the node of each point, `kept` which carriers of flow join two different nodes, `ends` and
    `coupling` their nodes and places in the factorisation.
    """

    index: dict[str, int]
    n_nodes: int
    kept: tuple[int, ...]
    ends: tuple[tuple[int, int], ...]
    coupling: tuple[int, ...]
    plan: Elimination
    node_names: tuple[str, ...]


class _Points:
    """Which points of a circuit are one and the same node (disjoint sets that keep the first member)."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def node_of(self, point: str) -> str:
        parent = self._parent.setdefault(point, point)
        if parent != point:
            parent = self._parent[point] = self.node_of(parent)
        return parent

    def join(self, a: str, b: str) -> None:
        self._parent[self.node_of(b)] = self.node_of(a)

    def groups(self) -> dict[str, list[str]]:
        members: dict[str, list[str]] = {}
        for point in self._parent:
            members.setdefault(self.node_of(point), []).append(point)
        return members


def wire(
    *,
    points: Sequence[str],
    joined: Sequence[tuple[str, str]],
    carriers: Sequence[tuple[str, str]],
    lungs: Sequence[str],
) -> Wiring:
    """Find nodes, their order and the pattern of the factorisation.

    Parameters
    ----------
    points : sequence of str
        All points in the order of the parts, each "part.point".
    joined : sequence of (str, str)
        Points that are one: joints, and passages without resistance.
    carriers : sequence of (str, str)
        Start and end of everything that carries flow.
    lungs : sequence of str
        Names of the lungs, which give their nodes names.

    Returns
    -------
    Wiring
    """
    sets = _Points()
    for port in (INSPIRATORY_PORT, EXPIRATORY_PORT):
        sets.node_of(port)
    for point in points:
        sets.node_of(point)
    for a, b in joined:
        sets.join(a, b)
    groups = sets.groups()
    roots = list(groups)
    number = {root: i for i, root in enumerate(roots)}
    ends = [(number[sets.node_of(a)], number[sets.node_of(b)]) for a, b in carriers]
    kept = [k for k, (a, b) in enumerate(ends) if a != b]
    ends = [ends[k] for k in kept]
    order = minimum_degree_order(len(roots), ends)
    rank = {node: i for i, node in enumerate(order)}
    ranked = tuple((rank[a], rank[b]) for a, b in ends)
    plan = plan_elimination(len(roots), list(ranked))
    return Wiring(
        index={point: rank[number[root]] for root, members in groups.items() for point in members},
        n_nodes=len(roots),
        kept=tuple(kept),
        ends=ranked,
        coupling=tuple(coupling_position(plan, a, b) for a, b in ranked),
        plan=plan,
        node_names=tuple(_node_name(groups[roots[i]], lungs) for i in order),
    )


def _node_name(members: list[str], lungs: Sequence[str]) -> str:
    airways = [f"{lung}.airway" for lung in lungs if f"{lung}.airway" in members]
    alveoli = [f"{lung}.alveoli" for lung in lungs if f"{lung}.alveoli" in members]
    if len(airways + alveoli) == 1:
        return (airways + alveoli)[0]
    for port in (INSPIRATORY_PORT, EXPIRATORY_PORT):
        if port in members:
            return port
    return members[0]
