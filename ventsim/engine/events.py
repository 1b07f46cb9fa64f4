"""Events within a step: valves that open and close, conditions that end a segment, and their instants.

Within a step every valve keeps its state, so that the stepper sees smooth laws.  After a step the states are
compared with the pressures; a step that carried too much gas through a valve in the wrong state, or went on beyond
the end of its segment, is cut short at the instant of the event.
"""

import math

from ventsim.engine.arrays import (
    GATE_CLOSED,
    GATE_LIMITED,
    GATE_OPEN,
    GATES,
    NEXT,
    NOW,
    RELIEF,
    SCRATCH,
    SOURCE,
)
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.consistency import (
    GATE_SWITCH,
    INDIFFERENCE,
    NOTHING_HELD,
    gate_drop,
    gate_is_active,
    has_sides,
    is_fed,
    relief_is_idle,
)
from ventsim.engine.dense import dense_pressure, highest_fraction, state_inside
from ventsim.engine.laws import ONE_WAY, choose_side, other_side_flow

# Code of the event that ends a segment, beside those of valves and gates.
SEGMENT_END = -10
# How closely the instant of an event is sought [cmH2O, or L/s].
ROOT_TOLERANCE = 1e-13
# Largest number of steps to a crossing, and of looks at how a step begins.
ROOT_STEPS, PROBES = 30, 6
# Distance [cmH2O] from the relief pressure below which a step is searched, looks at it, halvings to the instant.
RELIEF_MARGIN = 5.0
RELIEF_PROBES, BISECTIONS = 8, 50
# Distance [cmH2O] from the switching point within which a node that valves cut off follows its neighbour; error of
# a turn inside a step that is let pass, as a part of the tolerance; first fraction of a step that counts.
FOLLOWING, TURN, SHORTEST_TURN = 1e-8, 0.01, 1e-3


@inlined
def segment_excess(segment, gate_at):
    """How far a slot is from what ends its segment early; it ends where this becomes negative.

    Infinite for a segment that ends by time alone.
    """
    return gate_at[SOURCE].flow - segment.end_flow


@compiled
def excess_at(net, segment, began, elapsed, h, which, fraction, run):
    """How far an event is from its instant, at a fraction of the step; it changes its sign there."""
    state_inside(net, segment, began + elapsed + fraction * h, elapsed, h, fraction, run)
    at, gate_at = run.node_at[SCRATCH], run.gate_at[SCRATCH]
    if which >= 0:
        branch = net.branch[which]
        return at[branch.start].pressure - at[branch.end].pressure - branch.opening
    if which == SEGMENT_END:
        return segment_excess(segment, gate_at)
    g = GATE_SWITCH - which
    return _gate_excess(net.gate, run.gate_mode[g], at, gate_at, g)


@compiled
def _event_fraction(net, segment, began, elapsed, h, which, at_end, run):
    """Fraction of the step at which an event has its instant; `at_end` is its excess at the end of the step.

    Regula falsi on the continuous output, with the Illinois rule against one-sided convergence.  A step that
    begins at the instant of an event may first move away from it: then the later crossing counts.
    """
    low, high, at_high = 0.0, 1.0, at_end
    at_low = excess_at(net, segment, began, elapsed, h, which, low, run)
    for _ in range(PROBES):
        if abs(at_low) > INDIFFERENCE and at_low * at_high < 0.0:
            break
        low = 0.5 if low == 0.0 else 0.5 * low
        at_low = excess_at(net, segment, began, elapsed, h, which, low, run)
    if not at_low * at_high < 0.0:
        return 0.0
    for _ in range(ROOT_STEPS):
        middle = high - at_high * (high - low) / (at_high - at_low)
        value = excess_at(net, segment, began, elapsed, h, which, middle, run)
        if abs(value) <= ROOT_TOLERANCE:
            return middle
        if value * at_high < 0.0:
            low, at_low = high, at_high
        else:
            at_low *= 0.5
        high, at_high = middle, value
    return high


@inlined
def _branch_switch(net, segment, began, elapsed, h, allowed, run):
    """`find_event` for the branches."""
    keep, which, crossed = 1.0, NOTHING_HELD, False
    branch, new, flows = net.branch, run.node_at[NEXT], run.branch_at[NEXT]
    for k in range(branch.shape[0]):
        run.crossing[k] = False
        if not has_sides(branch[k]):
            continue
        a, b, opening = branch[k].start, branch[k].end, branch[k].opening
        drop = new[a].pressure - new[b].pressure
        if abs(drop - opening) <= INDIFFERENCE or run.is_open[k] == (drop > opening):
            continue
        crossed = True
        run.crossing[k] = True
        wrong_flow = abs(flows[k].flow - other_side_flow(branch[k], run.is_open[k], net.table, net.per_root, drop))
        # A valve that opens a little late does no harm; but nothing may flow back through one, and of a lung whose
        # airway resists in expiration otherwise the peak of flow would be that of the wrong direction.
        late = allowed if branch[k].kind == ONE_WAY and not run.is_open[k] else 0.0
        if 0.5 * wrong_flow * h > late:
            fraction = _event_fraction(net, segment, began, elapsed, h, k, drop - opening, run)
            if fraction < keep and 0.5 * wrong_flow * (1.0 - fraction) * h > late:
                keep, which = fraction, k
    return keep, which, crossed


@inlined
def _gate_excess(gate, mode, node_at, gate_at, g):
    """How far a gate is beyond its state: what is positive calls for another state.

    In L/s for an ideal gate that is open, otherwise in cmH2O.
    """
    if mode == GATE_OPEN and gate[g].resistance == 0.0:
        return max(-gate_at[g].flow, gate_at[g].flow - gate[g].limit)
    drop = gate_drop(gate, node_at, gate_at, g)
    if mode == GATE_CLOSED:
        return drop
    full = gate[g].resistance * gate[g].limit if gate[g].limit < math.inf else math.inf
    return full - drop if mode == GATE_LIMITED else max(-drop, drop - full)


@compiled
def _gate_slope(branch, gate, branch_at, g):
    """Flow per pressure [L/s/cmH2O] with which a gate would feed or drain its node."""
    if gate[g].resistance > 0.0:
        return 1.0 / gate[g].resistance
    total, node = 0.0, gate[g].node
    for k in range(branch.shape[0]):
        if branch[k].start == node or branch[k].end == node:
            total += branch_at[k].slope
    return total


@compiled
def _relief_inside(run, node, relief_pressure):
    """Fraction of the step at which relief is first due though neither end calls for it; or 1."""
    peak, fraction = relief_pressure + INDIFFERENCE, 1.0
    for probe in range(1, RELIEF_PROBES):
        pressure = dense_pressure(run, node, probe / RELIEF_PROBES)
        if pressure > peak:
            peak, fraction = pressure, probe / RELIEF_PROBES
    if fraction == 1.0:
        return 1.0
    low, high = 0.0, fraction
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if dense_pressure(run, node, middle) > relief_pressure:
            high = middle
        else:
            low = middle
    return high


@compiled
def switch(net, run, which):
    """Put what `find_event` has named into its other state, and valves that stand at the same point with it."""
    if which >= 0:
        now = run.node_at[NOW]
        for k in range(net.branch.shape[0]):
            excess = now[net.branch[k].start].pressure - now[net.branch[k].end].pressure - net.branch[k].opening
            if k == which or (run.crossing[k] and abs(excess) <= INDIFFERENCE):
                run.is_open[k] = not run.is_open[k]
                choose_side(net.branch[k], run.is_open[k], net.per_root, run.side[k])
        return
    g = GATE_SWITCH - which
    if run.gate_mode[g] != GATE_OPEN:
        run.gate_mode[g] = GATE_OPEN
    else:
        is_full = run.gate_at[NOW, g].flow > 0.5 * net.gate[g].limit
        run.gate_mode[g] = GATE_LIMITED if is_full else GATE_CLOSED


@compiled
def _turn_of_neighbour(net, segment, run):
    """Fraction of the step at which a pressure turns that a node follows which closed valves cut off; or 1.

    From there on the node keeps its pressure, see `hold_cut_off`.
    """
    found, now, new = 1.0, run.node_at[NOW], run.node_at[NEXT]
    for group in range(net.cut_off.shape[0]):
        row = net.cut_off[group]
        if is_fed(net, segment, row, run):
            continue
        here = net.cut_node[row.first_node]
        for w in range(row.first_way, row.last_way):
            k = net.cut_way[w] if net.cut_way[w] >= 0 else -1 - net.cut_way[w]
            a, b = net.branch[k].start, net.branch[k].end
            there, sign = (b, 1.0) if net.cut_way[w] >= 0 else (a, -1.0)
            if abs(now[a].pressure - now[b].pressure - net.branch[k].opening) > FOLLOWING or here == there:
                continue
            rise = sign * (now[there].pressure - new[there].pressure)
            fraction = highest_fraction(rise, -sign * run.row[there].dense1, -sign * run.row[there].dense2)
            if not 0.0 <= fraction < found:
                continue
            depth = sign * (new[there].pressure - dense_pressure(run, there, fraction))
            if depth > TURN * run.row[there].tolerance:
                found = fraction
    return found


@inlined
def find_event(net, segment, began, elapsed, h, allowed, run):
    """Look for valves that the trial step has carried past their switching point, and for the end of the segment.

    Returns the fraction of the step to keep (1 if the whole step stands), what happens there (the number of a
    branch, `GATE_SWITCH - g` for gate g, or `SEGMENT_END`) and whether any valve has crossed.  `allowed` is the
    volume [L] that may pass a valve in the wrong state.
    """
    gate = net.gate
    keep, which, crossed = _branch_switch(net, segment, began, elapsed, h, allowed, run)
    for g in range(GATES):
        if not gate_is_active(gate, segment, g) or (g == RELIEF and relief_is_idle(gate, run.gate_mode)):
            continue
        mode = run.gate_mode[g]
        after = _gate_excess(gate, mode, run.node_at[NEXT], run.gate_at[NEXT], g)
        if after <= INDIFFERENCE:
            # A pressure that bends within the step may pass the relief pressure between its ends.
            if g == RELIEF and mode == GATE_CLOSED and after > -RELIEF_MARGIN:
                fraction = _relief_inside(run, gate[g].node, net.relief_pressure)
                if fraction < keep:
                    keep, which, crossed = fraction, GATE_SWITCH - g, True
            continue
        crossed = True
        wrong_flow = after
        if mode != GATE_OPEN or gate[g].resistance > 0.0:
            wrong_flow *= _gate_slope(net.branch, gate, run.branch_at[NEXT], g)
        # Time at a limit is exact because it is left at its instant; and no pressure passes that of relief.
        late = allowed if mode == GATE_CLOSED and g != RELIEF else 0.0
        if 0.5 * wrong_flow * h > late:
            fraction = _event_fraction(net, segment, began, elapsed, h, GATE_SWITCH - g, after, run)
            if fraction < keep and 0.5 * wrong_flow * (1.0 - fraction) * h > late:
                keep, which = fraction, GATE_SWITCH - g
    if net.cut_off.shape[0] > 0:
        fraction = _turn_of_neighbour(net, segment, run)
        if SHORTEST_TURN < fraction < keep:
            keep, which = fraction, NOTHING_HELD
    if run.clock[0].armed:
        after = segment_excess(segment, run.gate_at[NEXT])
        if after < 0.0:
            fraction = _event_fraction(net, segment, began, elapsed, h, SEGMENT_END, after, run)
            if fraction < keep or which == NOTHING_HELD:
                keep, which = fraction, SEGMENT_END
    return keep, which, crossed
