"""Continuous output: the state inside a step, and steps that are cut short where an event lies."""

import math

from ventsim.engine.arrays import GATES, NEXT, NOW, SCRATCH, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.consistency import newton_direction
from ventsim.engine.elastic import OFF_CORNER, effort_pressure, elastic_pressure
from ventsim.engine.flows import evaluate, gate_pressures, impose, imposes
from ventsim.engine.laws import DRIVE_FLOW, SHAPE_CONSTANT, source_value
from ventsim.engine.method import DENSE, STAGES
from ventsim.engine.stepper import injection_error

# Largest correction of a junction inside a step [cmH2O]; a larger one would belong to a valve about to switch.
LARGEST_CORRECTION = 0.1


@inlined
def prepare_dense(net, segment, began, elapsed, h, run):
    """Work out the coefficients of the continuous output of a step for all nodes."""
    row, moved = run.row, run.moved
    for i in range(row.shape[0]):
        first = second = 0.0
        for j in range(STAGES - 1):
            first += DENSE[0, j] * moved[i, j]
            second += DENSE[1, j] * moved[i, j]
        row[i].dense1, row[i].dense2 = first, second
    if imposes(net.gate[SOURCE], run.gate_mode[SOURCE]) and segment.shape != SHAPE_CONSTANT:
        # Its stages know nothing of the curve on which the source leads a node.
        i = net.gate[SOURCE].node
        rise = run.node_at[NEXT, i].pressure - run.node_at[NOW, i].pressure
        _, before = source_value(segment, elapsed)
        _, after = source_value(segment, elapsed + h)
        _bend(row[i], rise, h * before, h * after)
    if net.curved.shape[0] > 0:
        bend_dense(net, began + elapsed + h, h, run)


@inlined
def _bend(row, rise, before, after):
    """Coefficients of the cubic with this rise and these slopes at both ends, in a step of length 1."""
    row.dense1 = before - rise
    row.dense2 = rise - after - row.dense1


@compiled
def bend_dense(net, clock, h, run):
    """Continuous output of the curved stores: the cubic through pressures and their rates at both ends."""
    for c in range(net.curved.shape[0]):
        i = net.curved[c]
        node = net.node[i]
        rise = run.node_at[NEXT, i].pressure - run.node_at[NOW, i].pressure
        before = run.node_at[NOW, i].inflow / run.row[i].compliance
        _, elastance = elastic_pressure(net.elastic[node.elastic], run.node_at[NEXT, i].volume)
        after = run.node_at[NEXT, i].inflow * elastance
        if node.effort >= 0:
            _, slope = effort_pressure(net.effort[node.effort], net.effort_points, clock - (1.0 - OFF_CORNER) * h)
            before -= slope
            _, slope = effort_pressure(net.effort[node.effort], net.effort_points, clock - OFF_CORNER * h)
            after -= slope
        _bend(run.row[i], rise, h * before, h * after)


@inlined
def dense_pressure(run, node, fraction):
    """Pressure of a node at a fraction of the step, from the continuous output."""
    rest = 1.0 - fraction
    bent = run.row[node].dense1 + fraction * run.row[node].dense2
    before, after = run.node_at[NOW, node].pressure, run.node_at[NEXT, node].pressure
    return rest * before + fraction * (after + rest * bent)


@inlined
def _dense_sum(stages, fraction):
    """What the stages of one unknown contribute to the continuous output, beside its values at both ends."""
    first = second = 0.0
    for j in range(STAGES - 1):
        first += DENSE[0, j] * stages[j]
        second += DENSE[1, j] * stages[j]
    return (1.0 - fraction) * fraction * (first + fraction * second)


@compiled
def cut_step(net, segment, began, elapsed, h, fraction, relative, run):
    """End the step early: slot NEXT, passed volumes and continuous output become those of its first part.

    Returns the error of the injected volume in units of the tolerance; beyond 1 the part is to be stepped anew.
    """
    rest, square, now, new, new_gate = (
        1.0 - fraction,
        fraction**2,
        run.node_at[NOW],
        run.node_at[NEXT],
        run.gate_at[NEXT],
    )
    for i in range(new.shape[0]):
        new[i].pressure = dense_pressure(run, i, fraction)
        first, second = run.row[i].dense1, run.row[i].dense2
        run.row[i].dense2 = square * fraction * second
        run.row[i].dense1 = run.row[i].dense2 - square * (second - first)
    for c in range(net.curved.shape[0]):
        # Volumes are cut as the stages have it, so that the balance of gas is kept.
        i = net.curved[c]
        bent = run.row[i].compliance * _dense_sum(run.moved[i], fraction)
        new[i].volume = rest * now[i].volume + fraction * new[i].volume + bent
        new[i].pressure, _ = elastic_pressure(net.elastic[net.node[i].elastic], new[i].volume)
        if net.node[i].effort >= 0:
            clock = began + elapsed + fraction * h
            muscles, _ = effort_pressure(net.effort[net.node[i].effort], net.effort_points, clock)
            new[i].pressure -= muscles
    for e in range(net.inertial.shape[0]):
        before, after = run.branch_at[NOW, net.inertial[e]].flow, run.branch_at[NEXT, net.inertial[e]].flow
        cut = rest * before + fraction * after + _dense_sum(run.pushed[e], fraction)
        run.branch_at[NEXT, net.inertial[e]].flow = cut
    for g in range(GATES):
        run.next_passed[g] = fraction * run.next_passed[g] + _dense_sum(run.passed_stage[g], fraction)
    for m in range(net.lung.shape[0]):
        for end in range(2):
            bent = _dense_sum(run.limb_stage[m, end], fraction)
            run.limb_passed[m, end] = fraction * run.limb_passed[m, end] + bent
    injection, _ = gate_pressures(net.relief_pressure, segment, elapsed + fraction * h, new_gate)
    impose(net.gate, run.gate_mode, new, new_gate)
    evaluate(run.side, net.table, net.gate, run.gate_mode, injection, new, run.branch_at[NEXT], new_gate)
    if net.curved.shape[0] > 0:
        bend_dense(net, began + elapsed + fraction * h, fraction * h, run)
    if segment.drive != DRIVE_FLOW:
        return 0.0
    return injection_error(segment, elapsed, fraction * h, relative, run.next_passed[SOURCE])


@inlined
def cubic(fraction, h, before, after, rate_before, rate_after):
    """Cubic through two values and two rates of change."""
    rest = 1.0 - fraction
    return (
        before * rest * rest * (1.0 + 2.0 * fraction)
        + after * fraction * fraction * (3.0 - 2.0 * fraction)
        + h * fraction * rest * (rest * rate_before - fraction * rate_after)
    )


@inlined
def highest_fraction(rise, first, second):
    """Where inside (0, 1) a cubic with this rise and coefficients of the continuous output is highest, or -1.

    There its slope falls through zero.
    """
    start, end = rise + first, rise - first - second
    return parabola_root(start, 2.0 * (second - first), -3.0 * second) if start > 0.0 > end else -1.0


@inlined
def parabola_root(first, slope, curve):
    """Where in (0, 1) the parabola first + slope·x + curve·x² crosses zero, whose ends have opposite signs."""
    root = math.sqrt(max(slope * slope - 4.0 * curve * first, 0.0))
    large = -0.5 * (slope + math.copysign(root, slope))
    one = first / large if large != 0.0 else 0.5
    if 0.0 <= one <= 1.0 or curve == 0.0:
        return min(max(one, 0.0), 1.0)
    return min(max(large / curve, 0.0), 1.0)


@compiled
def _balance_junctions(net, injection, run):
    """Bring the junctions of slot SCRATCH into balance with what stores gas: the continuous output is less exact.

    One Newton step; it starts so close that the next one would change nothing.
    """
    at = run.node_at[SCRATCH]
    newton_direction(net, SCRATCH, run)
    for i in range(at.shape[0]):
        if not run.row[i].held and abs(run.row[i].right) < LARGEST_CORRECTION:
            at[i].pressure += run.row[i].right
    evaluate(
        run.side, net.table, net.gate, run.gate_mode, injection, at, run.branch_at[SCRATCH], run.gate_at[SCRATCH]
    )


@compiled
def state_inside(net, segment, time, elapsed, h, fraction, run):
    """Slot SCRATCH: the state at a fraction of the step from slot NOW to slot NEXT, which is the given time."""
    now, new, at, gate_at = run.node_at[NOW], run.node_at[NEXT], run.node_at[SCRATCH], run.gate_at[SCRATCH]
    for i in range(at.shape[0]):
        at[i].pressure = dense_pressure(run, i, fraction)
    for c in range(net.curved.shape[0]):
        i = net.curved[c]
        at[i].volume = cubic(fraction, h, now[i].volume, new[i].volume, now[i].inflow, new[i].inflow)
        at[i].pressure, _ = elastic_pressure(net.elastic[net.node[i].elastic], at[i].volume)
        if net.node[i].effort >= 0:
            muscles, _ = effort_pressure(net.effort[net.node[i].effort], net.effort_points, time)
            at[i].pressure -= muscles
    for e in range(net.inertial.shape[0]):
        k = net.inertial[e]
        a, b, inertance = net.branch[k].start, net.branch[k].end, net.branch[k].inertance
        rate0, rate1 = (
            (now[a].pressure - now[b].pressure) / inertance,
            (new[a].pressure - new[b].pressure) / inertance,
        )
        before, after = run.branch_at[NOW, k].flow, run.branch_at[NEXT, k].flow
        run.branch_at[SCRATCH, k].flow = cubic(fraction, h, before, after, rate0, rate1)
    injection, _ = gate_pressures(net.relief_pressure, segment, elapsed + fraction * h, gate_at)
    impose(net.gate, run.gate_mode, at, gate_at)
    evaluate(run.side, net.table, net.gate, run.gate_mode, injection, at, run.branch_at[SCRATCH], gate_at)
    if net.has_junctions:
        _balance_junctions(net, injection, run)
