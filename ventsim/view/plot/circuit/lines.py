"""The lines of a drawing of a circuit, from part to part."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ventsim.model.circuit import Circuit
from ventsim.view.plot.circuit.positions import STEP, Point, positions_of
from ventsim.view.plot.circuit.trees import Skeleton, owner, take_apart


@dataclass(frozen=True, slots=True)
class Pipe:
    """What is drawn for a joint: its two ends, each "part.port", and a line from the first to the second."""

    ends: tuple[str, str]
    line: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Segment:
    """A line to be drawn, and the joints whose gas passes it: number, and 1 along the line or -1 against it."""

    line: tuple[Point, ...]
    carries: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Geometry:
    """A drawing without ink: positions of the parts, and lines between them.

    `pipes` are in the order of the joints; `tops` are the Y-pieces, `hangs` what is below them; `serves` are the
    lungs of each part.
    """

    spots: Mapping[str, Point]
    pipes: tuple[Pipe, ...]
    segments: tuple[Segment, ...]
    tops: frozenset[str]
    hangs: frozenset[str]
    serves: Mapping[str, set[str]]


def geometry(circuit: Circuit) -> Geometry:
    """Find positions for all parts, and lines for all joints."""
    skeleton = take_apart(circuit)
    spots = positions_of(skeleton)
    pipes = tuple(Pipe((a, b), _line(owner(a), owner(b), spots, skeleton)) for a, b in circuit.joints)
    return Geometry(
        spots=spots,
        pipes=pipes,
        segments=_segments(pipes, spots),
        tops=frozenset(skeleton.hanging),
        hangs=frozenset(name for tree in skeleton.hanging.values() for name in tree.order[1:]),
        serves=skeleton.serves,
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


def _segments(pipes: Sequence[Pipe], spots: Mapping[str, Point]) -> tuple[Segment, ...]:
    """Lines to be drawn; those that leave a fitting upright on one side become one line that branches."""
    corners: dict[tuple[str, bool], list[tuple[float, int, float]]] = {}
    segments: list[Segment] = []
    for number, pipe in enumerate(pipes):
        first = _starts_upright(pipe, spots)
        if first is None:
            segments.append(Segment(pipe.line, ((number, 1.0),)))
            continue
        fitting, sign, corner = (
            (owner(pipe.ends[0]), 1.0, pipe.line[1]) if first else (owner(pipe.ends[1]), -1.0, pipe.line[-2])
        )
        segments.append(Segment(pipe.line[1:] if first else pipe.line[:-1], ((number, 1.0),)))
        corners.setdefault((fitting, corner[1] > spots[fitting][1]), []).append((corner[1], number, sign))
    for (fitting, _), branches in corners.items():
        x, y = spots[fitting]
        branches.sort(key=lambda branch: abs(branch[0] - y))
        for k, (end, _, _) in enumerate(branches):
            if end != y:
                carries = tuple((number, sign) for _, number, sign in branches[k:])
                segments.append(Segment(((x, y), (x, end)), carries))
            y = end
    return tuple(segments)


def _starts_upright(pipe: Pipe, spots: Mapping[str, Point]) -> bool | None:
    """Whether a line with corners leaves its first end upright (True) or its second (False); None: neither."""
    if len(pipe.line) == 4:  # below a Y-piece: upright at both ends, the upper one is that of the fitting
        return pipe.line[0][1] < pipe.line[-1][1]
    if len(pipe.line) == 3:
        a, corner, b = pipe.line
        if a[0] != b[0] and a[1] != b[1]:
            return corner[0] == a[0]
    return None
