"""A circuit taken apart for a drawing: a tree of parts at each port, and one below each Y-piece."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import networkx as nx

from ventsim.model.circuit import VENTILATOR, Circuit

INSPIRATORY, EXPIRATORY = f"{VENTILATOR}.inspiratory", f"{VENTILATOR}.expiratory"
"""The ports of the ventilator, which is drawn as two boxes."""

_MEETS = "y-piece"  # kind of the part at which the limbs of a lung meet, as a rule
_ROOM = "the room"  # joined to both ports, so that what holds a lung to both of them is found as one thing


@dataclass(slots=True)
class Tree:
    """Parts that are reached from a root, each from one other; what is reached last has no children."""

    root: str
    parent: dict[str, str] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)

    def children(self, name: str) -> list[str]:
        """What is reached from a part, in the order of its ports."""
        return [child for child in self.order if self.parent.get(child) == name]

    def inside_out(self) -> list[str]:
        """All parts, children before their parents, in the order of the drawing."""
        done: list[str] = []
        waiting = [self.root]
        while waiting:
            name = waiting.pop()
            done.append(name)
            waiting += self.children(name)
        return done[::-1]

    def depths(self) -> dict[str, int]:
        """How many steps each part is away from the root."""
        depth = {self.root: 0}
        for name in self.order[1:]:
            depth[name] = depth[self.parent[name]] + 1
        return depth

    def without(self, names: Sequence[str]) -> "Tree":
        """The tree without some parts; what was reached through them hangs on the root."""
        order = [name for name in self.order if name not in names]
        parent = {
            name: self.root if above in names else above for name, above in self.parent.items() if name in order
        }
        return Tree(self.root, parent, order)


@dataclass(frozen=True, slots=True)
class Skeleton:
    """The parts of a circuit by what they are for in a drawing.

    `limbs` are the trees at the inspiratory and the expiratory port; `hanging` holds a tree for each part at which
    the limbs of a lung meet, which is called its Y-piece whatever its kind; `bridges` lead from one Y-piece to
    another; `leads_to` tells the Y-pieces that are joined to a part of a limb, `serves` the lungs of each part.
    """

    limbs: tuple[Tree, Tree]
    hanging: Mapping[str, Tree]
    bridges: Mapping[tuple[str, str], Sequence[str]]
    leads_to: Mapping[str, Sequence[str]]
    serves: Mapping[str, set[str]]


def owner(end: str) -> str:
    """What an end belongs to: the name of the part, or the end itself if it is a port of the ventilator."""
    name = end.rpartition(".")[0]
    return end if name == VENTILATOR else name


def take_apart(circuit: Circuit) -> Skeleton:
    """Find out what each part of a circuit is for."""
    near = _neighbours(circuit)
    tops, above = _tops(near, circuit)
    # Where a lung has come off its Y-piece, the limbs still meet there.
    left = {name for name, part in circuit.parts.items() if part.kind == _MEETS and name not in above}
    stop = {*above, *circuit.lungs, *left}
    inspiratory, expiratory = (_grow(near, root, stop=stop) for root in (INSPIRATORY, EXPIRATORY))
    limbs = _share_out(inspiratory, expiratory)
    beside = {name for tree in limbs for name in tree.order}
    roots = {*tops.values(), *left, *_islands(circuit, near)}
    in_order = [name for name in circuit.parts if name in roots]
    grown = {top: _grow(near, top, stop=beside | (roots - {top})) for top in in_order}
    bridges = _bridges(grown, near)
    across = [name for way in bridges.values() for name in way]
    hanging = {top: tree.without(across) for top, tree in grown.items()}
    leads_to = {name: [other for other in near[name] if other in hanging] for name in beside}
    return Skeleton(limbs, hanging, bridges, leads_to, _serves(limbs, hanging, bridges, leads_to, circuit.lungs))


def _neighbours(circuit: Circuit) -> dict[str, list[str]]:
    """What each part is joined to, in the order of its ports."""
    joined = dict(circuit.joints) | {b: a for a, b in circuit.joints}
    ports = {name: [f"{name}.{port}" for port in part.ports] for name, part in circuit.parts.items()}
    ports |= {port: [port] for port in (INSPIRATORY, EXPIRATORY)}
    return {name: [owner(joined[end]) for end in ends if end in joined] for name, ends in ports.items()}


def _tops(near: Mapping[str, Sequence[str]], circuit: Circuit) -> tuple[dict[str, str], set[str]]:
    """For each lung the part at which its two limbs meet, and all parts between that one and a lung."""
    graph = nx.Graph([(name, other) for name, others in near.items() for other in others])
    graph.add_edges_from([(_ROOM, INSPIRATORY), (_ROOM, EXPIRATORY)])
    before = nx.immediate_dominators(graph.to_directed(), _ROOM)
    tops: dict[str, str] = {}
    above: set[str] = set()
    for lung in circuit.lungs:
        if lung not in before:
            continue
        way = [lung]
        while before[way[-1]] not in (_ROOM, INSPIRATORY, EXPIRATORY):
            way.append(before[way[-1]])
        # Where one limb has come off, the way leads on along the other one, which still meets the lung here.
        meets = [k for k, name in enumerate(way) if circuit.parts[name].kind == _MEETS]
        meets = [k for k in meets if _has_lost_a_limb(near, way[k], circuit.lungs)]
        way = way[: meets[-1] + 1] if meets else way
        above.update(way[1:])
        tops[lung] = way[-1]
    return tops, above


def _has_lost_a_limb(near: Mapping[str, Sequence[str]], fitting: str, lungs: Iterable[str]) -> bool:
    """Whether a fitting has a branch that leads neither to a lung nor to a port."""
    aims = {INSPIRATORY, EXPIRATORY, *lungs}
    return any(aims.isdisjoint(_grow(near, branch, stop={fitting}).order) for branch in near[fitting])


def _islands(circuit: Circuit, near: Mapping[str, Sequence[str]]) -> list[str]:
    """The far end of each group of parts that nothing joins to the ventilator, seen from the lung in it."""
    seen = {*_grow(near, INSPIRATORY, stop=set()).order, *_grow(near, EXPIRATORY, stop=set()).order}
    found = []
    for name in (*circuit.lungs, *circuit.parts):
        if name not in seen:
            group = _grow(near, name, stop=set()).order
            found.append(group[-1])
            seen.update(group)
    return found


def _grow(near: Mapping[str, Sequence[str]], root: str, *, stop: set[str]) -> Tree:
    """All that is reached from a root, nearest first, without passing what is not to be passed."""
    tree = Tree(root, order=[root])
    for name in tree.order:
        for other in near[name]:
            if other not in tree.parent and other != root and other not in stop:
                tree.parent[other] = name
                tree.order.append(other)
    return tree


def _share_out(first: Tree, second: Tree) -> tuple[Tree, Tree]:
    """The trees with each part that is in both in the one whose root is nearer."""
    near_first, near_second = first.depths(), second.depths()
    both = near_first.keys() & near_second.keys()
    return (
        first.without([name for name in both if near_second[name] < near_first[name]]),
        second.without([name for name in both if near_first[name] <= near_second[name]]),
    )


def _bridges(grown: Mapping[str, Tree], near: Mapping[str, Sequence[str]]) -> dict[tuple[str, str], list[str]]:
    """Parts that lead from one Y-piece to another, once for each pair."""
    bridges: dict[tuple[str, str], list[str]] = {}
    for top, tree in grown.items():
        for name in tree.order:
            way = [] if name == top else [name]
            while way and tree.parent[way[0]] != top:
                way.insert(0, tree.parent[way[0]])
            for other in near[name]:
                if other in grown and other != top and (other, top) not in bridges:
                    bridges.setdefault((top, other), way)
    return bridges


def _serves(
    limbs: Iterable[Tree],
    hanging: Mapping[str, Tree],
    bridges: Mapping[tuple[str, str], Sequence[str]],
    leads_to: Mapping[str, Sequence[str]],
    lungs: Iterable[str],
) -> dict[str, set[str]]:
    """The lungs of each part: those it lies on the way to."""
    known = set(lungs)
    served: dict[str, set[str]] = {}
    for tree in hanging.values():
        for name in tree.inside_out():
            served[name] = ({name} & known).union(*(served[child] for child in tree.children(name)))
    for _ in bridges:  # as often as it may take to get from one end of a row to the other
        for (a, b), way in bridges.items():
            served[a] = served[b] = served[a] | served[b]
            served.update(dict.fromkeys(way, served[a]))
    for tree in limbs:
        for name in tree.inside_out():
            served[name] = set().union(*(served[other] for other in (*tree.children(name), *leads_to[name])))
    return served
