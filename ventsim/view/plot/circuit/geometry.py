"""A drawing of a circuit without ink: trees of parts, where these go, and the lines between them.

There is a tree of parts at each port, and one below each Y-piece. Gas goes from left to right, and lungs hang
below their Y-pieces.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import networkx as nx

from ventsim.model.circuit import VENTILATOR, Circuit

INSPIRATORY, EXPIRATORY = f"{VENTILATOR}.inspiratory", f"{VENTILATOR}.expiratory"
"""The ports of the ventilator, which is drawn as two boxes."""

_MEETS = "y-piece"  # kind of the part at which the limbs of a lung meet, as a rule
_ROOM = "the room"  # joined to both ports, so that what holds a lung to both of them is found as one thing


@dataclass(frozen=True, slots=True)
class Tree:
    """Parts that are reached from a root, each from one other; what is reached last has no children."""

    root: str
    parent: dict[str, str] = field(default_factory=dict)  # in the order in which they are reached

    @property
    def order(self) -> list[str]:
        """All parts, the root first."""
        return [self.root, *self.parent]

    def children(self, name: str) -> list[str]:
        """What is reached from a part, in the order of its ports."""
        return [child for child, above in self.parent.items() if above == name]

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
        for name, above in self.parent.items():
            depth[name] = depth[above] + 1
        return depth

    def without(self, names: Sequence[str]) -> "Tree":
        """The tree without some parts; what was reached through them hangs on the root."""
        kept = {name: above for name, above in self.parent.items() if name not in names}
        return Tree(self.root, {name: self.root if above in names else above for name, above in kept.items()})


@dataclass(frozen=True, slots=True)
class Skeleton:
    """The parts of a circuit by what they are for in a drawing.

    `limbs` are the trees at the inspiratory and the expiratory port; `hanging` holds a tree for each part at which
    the limbs of a lung meet, which is called its Y-piece whatever its kind; `bridges` lead from one Y-piece to
    another; `leads_to` has the Y-pieces that are joined to a part of a limb.
    """

    limbs: tuple[Tree, Tree]
    hanging: Mapping[str, Tree]
    bridges: Mapping[tuple[str, str], Sequence[str]]
    leads_to: Mapping[str, Sequence[str]]


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
    grown = {top: _grow(near, top, stop=beside | (roots - {top})) for top in circuit.parts if top in roots}
    bridges = _bridges(grown, near)
    across = [name for way in bridges.values() for name in way]
    hanging = {top: tree.without(across) for top, tree in grown.items()}
    leads_to = {name: [other for other in near[name] if other in hanging] for name in beside}
    return Skeleton(limbs, hanging, bridges, leads_to)


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
    tree, reached = Tree(root), [root]
    for name in reached:
        for other in near[name]:
            if other not in reached and other not in stop:
                tree.parent[other] = name
                reached.append(other)
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


def _serves(skeleton: Skeleton, lungs: Mapping[str, object]) -> dict[str, set[str]]:
    """The lungs of each part: those it lies on the way to."""
    served: dict[str, set[str]] = {}
    for tree in skeleton.hanging.values():
        for name in tree.inside_out():
            served[name] = ({name} & lungs.keys()).union(*(served[child] for child in tree.children(name)))
    for _ in skeleton.bridges:  # as often as it may take to get from one end of a row to the other
        for (a, b), way in skeleton.bridges.items():
            served[a] = served[b] = served[a] | served[b]
            served.update(dict.fromkeys(way, served[a]))
    for tree in skeleton.limbs:
        for name in tree.inside_out():
            below = (*tree.children(name), *skeleton.leads_to[name])
            served[name] = set().union(*(served[other] for other in below))
    return served


STEP = 0.62
"""Distance from one part to the next below a Y-piece; 1 is that along a limb."""

_TO_PORT = 1.35  # from the first part of a limb to the box of the port, which is large
_APART = 1.6  # from one lung to the next below the same Y-piece, with room for numbers
_GAP = 1.0  # between a lung and the limb of the next one
_AWAY = (0.35, 0.45)  # of a dead end from what it hangs on
_NEAR = 0.3  # closer than that in both directions, two parts would lie upon each other

Point = tuple[float, float]
"""To the right, and down."""


def positions_of(skeleton: Skeleton) -> dict[str, Point]:
    """Find a position for every part and for both ports; no two have the same."""
    spots: dict[str, Point] = {}
    y, width = 0.0, 0.0
    for row in _rows(skeleton):
        below, wide, deep = _lay_row(row, skeleton)
        spots.update({name: (x, y + down) for name, (x, down) in below.items()})
        y, width = y + deep + _GAP, max(width, wide)
    for tree, edge, sign in zip(skeleton.limbs, (0.0, width), (-1.0, 1.0), strict=True):
        spots.update(_spread(tree, skeleton.leads_to, spots, edge=edge, sign=sign))
    return spots


def _rows(skeleton: Skeleton) -> list[list[str]]:
    """Y-pieces that lie in one row, from left to right; those without a bridge have a row of their own."""
    rows: list[list[str]] = [[top] for top in skeleton.hanging]
    for a, b in skeleton.bridges:
        first, second = (next(row for row in rows if top in row) for top in (a, b))
        if first is not second:
            first += second
            rows.remove(second)
    return rows


def _lay_row(row: Sequence[str], skeleton: Skeleton) -> tuple[dict[str, Point], float, float]:
    """Positions of the Y-pieces of a row, the first at (0, 0), and of all below and between; width and depth."""
    spots: dict[str, Point] = {}
    x, deepest = 0.0, 0.0
    for number, top in enumerate(row):
        so_far = set(row[: number + 1])
        bridges = [way for pair, way in skeleton.bridges.items() if top in pair and so_far.issuperset(pair)]
        between = [name for way in bridges for name in way]
        spots.update({name: (x + k, 0.0) for k, name in enumerate(between)})
        x += len(between)
        below, wide, deep = _hang(skeleton.hanging[top])
        spots.update({name: (x + right, down) for name, (right, down) in below.items()})
        x, deepest = x + wide + 1.0, max(deepest, deep)
    return spots, x - 1.0, deepest


def _hang(tree: Tree) -> tuple[dict[str, Point], float, float]:
    """Positions below a Y-piece, which is at (0, 0), their width and depth."""
    depth = tree.depths()
    column: dict[str, float] = {}
    free = 0.0
    for name in tree.inside_out():
        children = tree.children(name)
        column[name] = column[children[0]] if children else free
        free += 0.0 if children else _APART
    spots = {name: (column[name], STEP * depth[name]) for name in tree.order}
    return spots, max(column.values()), STEP * max(depth.values())


def _spread(
    tree: Tree, leads_to: Mapping[str, Sequence[str]], spots: Mapping[str, Point], *, edge: float, sign: float
) -> dict[str, Point]:
    """Positions of the parts between one port and the Y-pieces, to the left of `edge` or to the right."""
    at: dict[str, Point] = {}
    rows: dict[str, int] = {}
    inside = tree.inside_out()
    for name in inside:
        children = [child for child in tree.children(name) if child in at]
        tops = sorted(leads_to[name], key=lambda top: spots[top][1])
        if not children and not tops:
            continue  # a dead end: beside what it hangs on, below
        ends = sorted([(at[child][1], rows[child]) for child in children] + [(spots[top][1], 1) for top in tops])
        levels = [abs(at[child][0] - edge) for child in children]
        step = _TO_PORT if name == tree.root else 1.0
        across = edge + sign * (step + max(levels, default=0.0))
        rows[name] = sum(count for _, count in ends)
        # In a chain, one child is a limb and the other leads on: straight to the limb, so that nothing crosses.
        alike = len({count > 1 for _, count in ends}) == 1
        down = 0.5 * (ends[0][0] + ends[-1][0]) if alike else ends[0][0]
        # Y-pieces in one row have limbs at one height, each of which needs a position of its own.
        at[name] = _free((across, down), [*spots.values(), *at.values()], step=_GAP)
    at.setdefault(tree.root, (edge + sign, 0.0))
    for name in reversed(inside):
        if name not in at:
            x, y = at[tree.parent[name]]
            spot = (x - _AWAY[0] * sign, y + _AWAY[1])
            at[name] = _free(spot, [*spots.values(), *at.values()], step=_AWAY[1])
    return {name: at[name] for name in inside}


def _free(spot: Point, taken: Sequence[Point], *, step: float) -> Point:
    """The spot, or the first one below it that is not taken."""
    across, down = spot
    while any(abs(across - x) < _NEAR and abs(down - y) < _NEAR for x, y in taken):
        down += step
    return across, down


Joint = tuple[str, str]
"""Its two ends, each "part.port"."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A line to be drawn, and the joints whose gas passes it, with 1 along the line or -1 against it."""

    line: Sequence[Point]
    carries: Sequence[tuple[Joint, float]]


@dataclass(frozen=True, slots=True)
class Geometry:
    """A drawing without ink: positions of the parts, and lines between them.

    `lines` lead from the first end of each joint to the second, `segments` are what is drawn of them; `tops` are
    the Y-pieces, `hangs` what is below them; `serves` are the lungs of each part.
    """

    spots: Mapping[str, Point]
    lines: Mapping[Joint, Sequence[Point]]
    segments: Sequence[Segment]
    tops: frozenset[str]
    hangs: frozenset[str]
    serves: Mapping[str, set[str]]


def geometry(circuit: Circuit) -> Geometry:
    """Find positions for all parts, and lines for all joints."""
    skeleton = take_apart(circuit)
    spots = positions_of(skeleton)
    lines = {(a, b): _line(owner(a), owner(b), spots, skeleton) for a, b in circuit.joints}
    return Geometry(
        spots=spots,
        lines=lines,
        segments=_segments(lines, spots),
        tops=frozenset(skeleton.hanging),
        hangs=frozenset(name for tree in skeleton.hanging.values() for name in tree.order[1:]),
        serves=_serves(skeleton, circuit.lungs),
    )


def _line(a: str, b: str, spots: Mapping[str, Point], skeleton: Skeleton) -> tuple[Point, ...]:
    """The line of a joint: upright first, then level, seen from the port; upright at both ends below a Y-piece."""
    (ax, ay), (bx, by) = spots[a], spots[b]
    for tree in skeleton.hanging.values():
        if a in tree.order and b in tree.order:
            middle = min(ay, by) + 0.5 * STEP
            return (ax, ay), (ax, middle), (bx, middle), (bx, by)
    for tree in skeleton.limbs:
        if a in tree.order and (tree.parent.get(b) == a or b in skeleton.hanging):
            return (ax, ay), (ax, by), (bx, by)
        if b in tree.order and (tree.parent.get(a) == b or a in skeleton.hanging):
            return (ax, ay), (bx, ay), (bx, by)
    return (ax, ay), (bx, by)


def _segments(lines: Mapping[Joint, Sequence[Point]], spots: Mapping[str, Point]) -> list[Segment]:
    """Lines to be drawn; those that leave a fitting upright on one side become one line that branches."""
    corners: dict[tuple[str, bool], list[tuple[float, Joint, float]]] = {}
    segments: list[Segment] = []
    for joint, line in lines.items():
        first, rest = _starts_upright(line), line
        if first is not None:
            end, sign, corner = (joint[0], 1.0, line[1]) if first else (joint[1], -1.0, line[-2])
            rest = line[1:] if first else line[:-1]
            is_below = corner[1] > spots[owner(end)][1]
            corners.setdefault((owner(end), is_below), []).append((corner[1], joint, sign))
        segments.append(Segment(rest, [(joint, 1.0)]))
    for (fitting, _), branches in corners.items():
        x, y = spots[fitting]
        branches.sort(key=lambda branch: abs(branch[0] - y))
        for k, (end_y, _, _) in enumerate(branches):
            if end_y != y:
                carries = [(joint, sign) for _, joint, sign in branches[k:]]
                segments.append(Segment(((x, y), (x, end_y)), carries))
            y = end_y
    return segments


def _starts_upright(line: Sequence[Point]) -> bool | None:
    """Whether a line with corners leaves its first end upright (True) or its second (False); None: neither."""
    a, corner, b = line[0], line[1], line[-1]
    if len(line) == 4:  # below a Y-piece: upright at both ends, the upper one is that of the fitting
        return a[1] < b[1]
    if len(line) == 3 and a[0] != b[0] and a[1] != b[1]:
        return corner[0] == a[0]
    return None
