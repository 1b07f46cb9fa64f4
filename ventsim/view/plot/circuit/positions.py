"""Where the parts of a circuit go in a drawing: gas goes from left to right, lungs hang below their Y-pieces."""

from collections.abc import Mapping, Sequence

from ventsim.view.plot.circuit.trees import Skeleton, Tree

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
        bridges = [
            way for pair, way in skeleton.bridges.items() if top in pair and set(pair) <= set(row[: number + 1])
        ]
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
