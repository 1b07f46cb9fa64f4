"""Compiled laws of branches and sources: how much gas flows at a given pressure difference."""

import math

import numpy as np

from ventsim.engine.compiling import compiled, entry, inlined
from ventsim.engine.tables import table_flow

# Kinds of branch: the same law both ways; another law against the arrow; closed against the arrow; inertia alone.
TWO_WAY, DIRECTIONAL, ONE_WAY, INERTIAL = range(4)

# A purely quadratic law has an infinite slope at rest.  Below this pressure difference [cmH2O] it is rounded
# off; at 1 cmH2O the flow is then 2.5e-9 too small, relatively.
ROUNDING = 1e-4

# A part of a breath within which the source does not jump.
SEGMENT = np.dtype(
    [
        ("duration", "f8"),  # [s]
        ("end_flow", "f8"),  # of the source, below which the segment ends early; minus infinity: never [L/s]
        ("drive", "i8"),
        ("shape", "i8"),
        ("start", "f8"),  # of the source, [cmH2O] or [L/s]
        ("change", "f8"),
        ("time_constant", "f8"),  # [s]
        ("limit", "f8"),  # what a set flow is cut to where it is higher; infinity: nowhere [L/s]
        # Since the start of the segment, when what is set rises above the limit or falls below it [s].
        ("corner", "f8", (2,)),
        ("exhaling", "?"),  # whether the exhalation valve may open
        ("peep", "f8"),  # behind the exhalation valve [cmH2O]
    ],
    align=True,
)
DRIVE_CLOSED, DRIVE_PRESSURE, DRIVE_FLOW = range(3)
SHAPE_CONSTANT, SHAPE_LINEAR, SHAPE_EXPONENTIAL, SHAPE_SINE = range(4)


@inlined
def rohrer_flow(drop, linear, quadratic):
    """Flow [L/s] and its slope [L/s/cmH2O] where drop = linear·q + quadratic·q·|q|."""
    if quadratic == 0.0:
        return drop / linear, 1.0 / linear
    if linear == 0.0:
        rounded = math.sqrt(drop * drop + ROUNDING * ROUNDING)
        scale = 1.0 / math.sqrt(quadratic * rounded)
        return drop * scale, scale * (1.0 - 0.5 * drop * drop / (rounded * rounded))
    root = math.sqrt(linear * linear + 4.0 * quadratic * abs(drop))
    return 2.0 * drop / (linear + root), 1.0 / root


@inlined
def branch_flow(side, table, drop):
    """Flow [L/s] and slope [L/s/cmH2O] of a branch on one side of its law (a row of the table `SIDE`).

    The side is continued smoothly beyond its end, so that the stepper sees no kink within a step.
    """
    if side.table >= 0:
        flow, slope = table_flow(table[side.table], side.per_root, drop - side.opening)
    else:
        flow, slope = rohrer_flow(drop - side.opening, side.linear, side.quadratic)
    return flow + side.leak * drop, slope + side.leak


@compiled
def choose_side(branch, is_open, per_root, side):
    """Fill in the side of the law that a branch is on; against a closed valve the resistance is infinite."""
    side.leak = branch.leak
    side.inertial = branch.kind == INERTIAL
    side.table = branch.forward_table if is_open else (-1 if branch.kind == ONE_WAY else branch.backward_table)
    side.per_root = per_root[side.table] if side.table >= 0 else 0.0
    if is_open:
        side.linear, side.quadratic, side.opening = branch.forward_linear, branch.forward_quadratic, branch.opening
    elif branch.kind == ONE_WAY:
        side.linear, side.quadratic, side.opening = math.inf, 0.0, 0.0
    else:
        side.linear, side.quadratic, side.opening = branch.backward_linear, branch.backward_quadratic, 0.0


@compiled
def other_side_flow(branch, is_open, table, per_root, drop):
    """Flow [L/s] of a branch (a row of the table `BRANCH`) on the side of its law that it is not on."""
    flow = branch.leak * drop
    if is_open and branch.kind == ONE_WAY:
        return flow
    opening = branch.opening if not is_open else 0.0
    index = branch.forward_table if not is_open else branch.backward_table
    if index >= 0:
        passing, _ = table_flow(table[index], per_root[index], drop - opening)
    elif not is_open:
        passing, _ = rohrer_flow(drop - opening, branch.forward_linear, branch.forward_quadratic)
    else:
        passing, _ = rohrer_flow(drop, branch.backward_linear, branch.backward_quadratic)
    return flow + passing


# How far ahead of an instant [s] it is decided whether the limit holds from there on.
AHEAD = 1e-12


@inlined
def source_value(segment, elapsed):
    """Value and slope in time of the source of a segment, `elapsed` seconds after its start."""
    value, slope = set_value(segment, elapsed)
    if segment.limit < math.inf:
        ahead, _ = set_value(segment, elapsed + AHEAD)
        if ahead > segment.limit:
            return segment.limit, 0.0
    return value, slope


@compiled
def set_value(segment, elapsed):
    """Value and slope in time of what is set, `elapsed` seconds after the start of a segment."""
    if segment.shape == SHAPE_CONSTANT:
        return segment.start, 0.0
    if segment.shape == SHAPE_LINEAR:
        slope = segment.change / segment.duration
        return segment.start + slope * elapsed, slope
    if segment.shape == SHAPE_EXPONENTIAL:
        decay = math.exp(-elapsed / segment.time_constant)
        return segment.start + segment.change * (1.0 - decay), segment.change * decay / segment.time_constant
    rate = math.pi / segment.duration
    angle = rate * elapsed
    return segment.start + segment.change * math.sin(angle), segment.change * rate * math.cos(angle)


@inlined
def next_corner(segment, elapsed):
    """When the limit of flow next begins to hold or ceases, since the start of the segment, or infinity. [s]"""
    for k in range(2):
        if segment.corner[k] > elapsed + AHEAD:
            return segment.corner[k]
    return math.inf


@entry
def source_integral(segment, elapsed, h):
    """Integral of the source over `h` seconds from `elapsed` on, between corners: of a flow, the volume [L]."""
    return set_integral(segment, elapsed, h) - missed_volume(segment, elapsed, h)


@compiled
def missed_volume(segment, elapsed, h):
    """Volume [L] that the limit of flow takes away from what is set, in `h` seconds between corners."""
    if segment.limit == math.inf:
        return 0.0
    value, _ = set_value(segment, elapsed + 0.5 * h)
    return set_integral(segment, elapsed, h) - segment.limit * h if value > segment.limit else 0.0


@compiled
def set_integral(segment, elapsed, h):
    """Integral of what is set over `h` seconds from `elapsed` on."""
    if segment.shape == SHAPE_CONSTANT:
        return segment.start * h
    if segment.shape == SHAPE_LINEAR:
        return h * (segment.start + segment.change / segment.duration * (elapsed + 0.5 * h))
    if segment.shape == SHAPE_EXPONENTIAL:
        tau = segment.time_constant
        gone = math.exp(-elapsed / tau) - math.exp(-(elapsed + h) / tau)
        return (segment.start + segment.change) * h - segment.change * tau * gone
    rate = math.pi / segment.duration
    turned = math.cos(rate * elapsed) - math.cos(rate * (elapsed + h))
    return segment.start * h + segment.change / rate * turned
