"""Valves that open and close: which side of its law each branch is on, and consistent junction pressures.

Within a step every valve keeps its state, so that the stepper sees smooth laws.  After a step the states are
compared with the pressures; a step that carried too much gas through a valve in the wrong state is repeated up
to the instant of switching.
"""

import math

from ventsim.engine.arrays import (
    EXHALATION,
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
from ventsim.engine.elimination import factorise, solve_factored
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, ONE_WAY, TWO_WAY, choose_side, other_side_flow
from ventsim.engine.stepper import (
    assemble,
    dense_pressure,
    evaluate,
    find_fixed,
    gate_pressures,
    impose,
    imposes,
)

# A valve keeps its state while its pressure difference is this close to the switching point [cmH2O].
INDIFFERENCE = 1e-10
# Code of a switch that belongs to gate 0 (those of the other gates follow below), of none, and of all.
GATE_SWITCH, NOTHING_HELD, ALL_HELD = -2, -1, -100
# How closely the instant of a crossing is sought [cmH2O].
ROOT_TOLERANCE = 1e-13
# Junction inflow [L/s] at which the algebraic equations count as solved, and as no longer improvable.
SOLVED, STALLED = 1e-13, 1e-9
# A source that starts from nothing opens valves as if it gave this flow [L/s].
FIRST_BREATH_OF_FLOW = 1e-7
# Conductance [L/s/cmH2O] that gives a direction to a junction which every valve cuts off, and its largest move.
FAINT, LARGEST_MOVE = 1e-9, 50.0
# Largest number of Newton steps, of halvings within one, of rounds over the ideal gates, of steps to a crossing,
# of looks at how a step begins, of looks for relief inside a step, and of halvings to find its instant.
NEWTON_STEPS, HALVINGS, ROUNDS, ROOT_STEPS, PROBES = 80, 60, 20, 30, 6
RELIEF_PROBES, BISECTIONS = 8, 50


@compiled
def pick_branch_sides(branch, node_at, is_open, side, held):
    """Set the side of every branch whose law has two, except of the one that is `held` where it is."""
    for k in range(branch.shape[0]):
        if branch[k].kind == TWO_WAY or k == held or held == ALL_HELD:
            continue
        excess = node_at[branch[k].start].pressure - node_at[branch[k].end].pressure - branch[k].opening
        if abs(excess) > INDIFFERENCE and is_open[k] != (excess > 0.0):
            is_open[k] = excess > 0.0
            choose_side(branch[k], is_open[k], side[k])


@inlined
def gate_is_active(gate, segment, g):
    """Whether the segment allows a gate to open at all."""
    if g == SOURCE:
        return segment.drive == DRIVE_PRESSURE
    if g == EXHALATION:
        return segment.exhaling
    return gate[RELIEF].node >= 0


@inlined
def gate_drop(gate, node_at, gate_at, g):
    """Pressure difference that drives gas through a gate in its direction [cmH2O]."""
    return gate[g].sign * (gate_at[g].pressure - node_at[gate[g].node].pressure)


@inlined
def _relief_is_idle(gate, gate_mode):
    """Whether source or exhalation valve already imposes the pressure at the closed relief valve's node."""
    if gate_mode[RELIEF] != GATE_CLOSED:
        return False
    for g in range(RELIEF):  # noqa: SIM110 (generators are not compiled)
        if gate[g].node == gate[RELIEF].node and imposes(gate[g], gate_mode[g]):
            return True
    return False


@compiled
def _wanted_mode(gate, segment, mode, node_at, gate_at, g):
    """State that a gate should have at given pressures and, for an open ideal one, flow."""
    if not gate_is_active(gate, segment, g):
        return GATE_CLOSED
    if mode == GATE_OPEN and gate[g].resistance == 0.0:
        if gate_at[g].flow < -INDIFFERENCE:
            return GATE_CLOSED
        return GATE_LIMITED if gate_at[g].flow > gate[g].limit + INDIFFERENCE else GATE_OPEN
    drop = gate_drop(gate, node_at, gate_at, g)
    # At the limit of flow the pressure difference is that of the resistance; without a limit it is infinite.
    full = gate[g].resistance * gate[g].limit if gate[g].limit < math.inf else math.inf
    if abs(drop) <= INDIFFERENCE or abs(drop - full) <= INDIFFERENCE:
        return mode
    if drop < 0.0:
        return GATE_CLOSED
    if gate[g].resistance == 0.0:
        return mode if mode == GATE_LIMITED else GATE_OPEN
    return GATE_LIMITED if drop > full else GATE_OPEN


@compiled
def _pick_gate_modes(gate, segment, node_at, gate_at, gate_mode, held, ideal):
    """Set the states of the ideal gates, or of those with resistance; return whether any changed."""
    changed = False
    for g in range(GATES):
        if (gate[g].resistance == 0.0) != ideal or g == GATE_SWITCH - held or held == ALL_HELD:
            continue
        if g == RELIEF and _relief_is_idle(gate, gate_mode):
            continue
        mode = _wanted_mode(gate, segment, gate_mode[g], node_at, gate_at, g)
        if mode != gate_mode[g]:
            gate_mode[g] = mode
            changed = True
    return changed


@inlined
def junction_residual(node, node_at):
    """Largest net inflow [L/s] of a node that stores nothing."""
    worst = 0.0
    for i in range(node.shape[0]):
        if node[i].compliance == 0.0:
            worst = max(worst, abs(node_at[i].inflow))
    return worst


@compiled
def _refresh(net, segment, injection, held, run):
    """Sides, flows and inflows at the pressures of slot NOW; return the largest junction residual."""
    node_at, gate_at = run.node_at[NOW], run.gate_at[NOW]
    pick_branch_sides(net.branch, node_at, run.is_open, run.side, held)
    _pick_gate_modes(net.gate, segment, node_at, gate_at, run.gate_mode, held, False)
    evaluate(run.side, net.gate, run.gate_mode, injection, node_at, run.branch_at[NOW], gate_at)
    return junction_residual(net.node, node_at)


@compiled
def newton_direction(net, slot, run):
    """Column `right`: movement of the junctions of a slot that would balance them if laws were straight lines."""
    row, node_at = run.row, run.node_at[slot]
    find_fixed(net.gate, run.gate_mode, row)
    for i in range(row.shape[0]):
        row[i].held = row[i].fixed or net.node[i].compliance > 0.0
    assemble(net.node, net.branch, net.gate, run.gate_mode, run.branch_at[slot], 0.0, row, run.coupling)
    for i in range(row.shape[0]):
        row[i].diagonal += FAINT
        row[i].right = 0.0 if row[i].held else node_at[i].inflow
    factorise(net.first, net.later, net.target, row, run.coupling)
    solve_factored(net.first, net.later, row, run.coupling)


@compiled
def _move(now, start, row, scale):
    """Put the junctions at a part of the way along the Newton direction; return nothing."""
    for i in range(now.shape[0]):
        if not row[i].held:
            way = min(max(row[i].right, -LARGEST_MOVE), LARGEST_MOVE)
            now[i].pressure = start[i].pressure + scale * way


@compiled
def _pull(now, row):
    """Net inflows along the direction: positive while the balance lies ahead, negative beyond it."""
    total = 0.0
    for i in range(now.shape[0]):
        if not row[i].held:
            total += now[i].inflow * min(max(row[i].right, -LARGEST_MOVE), LARGEST_MOVE)
    return total


@compiled
def _solve_junctions(net, segment, injection, held, run):
    """Newton on the pressures of the junctions, all that stores gas held; return the residual.

    Flows rise with pressure differences, so the balance is the minimum of a convex function and the pull along
    any direction falls steadily.  A full step that overshoots (a valve that opens half-way) is cut back to where
    the pull has vanished, which converges from anywhere.
    """
    now, start, row = run.node_at[NOW], run.node_at[SCRATCH], run.row
    residual = _refresh(net, segment, injection, held, run)
    for _ in range(NEWTON_STEPS):
        if residual <= SOLVED:
            break
        newton_direction(net, NOW, run)
        for i in range(now.shape[0]):
            start[i].pressure = now[i].pressure
        pull = _pull(now, row)
        low, high, scale = 0.0, 1.0, 1.0
        for _ in range(HALVINGS):
            _move(now, start, row, scale)
            last = _refresh(net, segment, injection, held, run)
            ahead = _pull(now, row)
            if abs(ahead) <= 0.5 * pull or (scale == 1.0 and ahead > 0.0):
                break
            if ahead > 0.0:
                low = scale
            else:
                high = scale
            scale = 0.5 * (low + high)
        if last > 0.5 * residual and last <= STALLED:
            residual = last
            break
        residual = last
    return residual


@compiled
def _account_for_imposing(net, run):
    """Book the gas that a gate moves when it puts a node that stores gas at its pressure."""
    for g in range(GATES):
        if imposes(net.gate[g], run.gate_mode[g]):
            node = net.gate[g].node
            rise = run.gate_at[NOW, g].pressure - run.node_at[NOW, node].pressure
            run.passed[g] += net.gate[g].sign * net.node[node].compliance * rise


@compiled
def settle(net, segment, elapsed, held, run):
    """Make valve states, junction pressures and flows of slot NOW consistent; return the junction residual.

    What stores gas keeps its pressure.  Called where the source jumps and where a valve has switched; `held` is
    the valve that was just put into its state by `switch`, as named by `find_switch`, or `NOTHING_HELD`.
    """
    injection, slope = gate_pressures(net.relief_pressure, segment, elapsed, run.gate_at[NOW])
    starts_from_nothing = segment.drive == DRIVE_FLOW and injection == 0.0 and slope > 0.0
    if starts_from_nothing:
        injection = FIRST_BREATH_OF_FLOW
    for g in range(GATES):
        if not gate_is_active(net.gate, segment, g):
            run.gate_mode[g] = GATE_CLOSED
    residual = 0.0
    for _ in range(ROUNDS):
        _account_for_imposing(net, run)
        impose(net.gate, run.gate_mode, run.node_at[NOW], run.gate_at[NOW])
        residual = _solve_junctions(net, segment, injection, held, run)
        node_at, gate_at = run.node_at[NOW], run.gate_at[NOW]
        if not _pick_gate_modes(net.gate, segment, node_at, gate_at, run.gate_mode, held, True):
            break
    if starts_from_nothing:
        return _solve_junctions(net, segment, 0.0, ALL_HELD, run)
    return residual


@compiled
def _excess_at(run, a, b, opening, fraction):
    """Pressure difference of two nodes beyond the switching point, at a fraction of the step [cmH2O]."""
    return dense_pressure(run, a, fraction) - dense_pressure(run, b, fraction) - opening


@compiled
def _crossing_fraction(run, a, b, opening):
    """Fraction of the step at which the pressure difference of two nodes reaches the switching point.

    Regula falsi on the continuous output, with the Illinois rule against one-sided convergence.  A step that
    begins at the switching point may first move away from it: then the later crossing counts.
    """
    low, high = 0.0, 1.0
    at_low, at_high = _excess_at(run, a, b, opening, low), _excess_at(run, a, b, opening, high)
    for _ in range(PROBES):
        if abs(at_low) > INDIFFERENCE and at_low * at_high < 0.0:
            break
        low = 0.5 if low == 0.0 else 0.5 * low
        at_low = _excess_at(run, a, b, opening, low)
    if not at_low * at_high < 0.0:
        return 0.0
    for _ in range(ROOT_STEPS):
        middle = high - at_high * (high - low) / (at_high - at_low)
        value = _excess_at(run, a, b, opening, middle)
        if abs(value) <= ROOT_TOLERANCE:
            return middle
        if value * at_high < 0.0:
            low, at_low = high, at_high
        else:
            at_low *= 0.5
        high, at_high = middle, value
    return high


@inlined
def _branch_switch(branch, h, allowed, run):
    """`find_switch` for the branches."""
    keep, which, crossed = 1.0, NOTHING_HELD, False
    new, flows = run.node_at[NEXT], run.branch_at[NEXT]
    for k in range(branch.shape[0]):
        if branch[k].kind == TWO_WAY:
            continue
        a, b, opening = branch[k].start, branch[k].end, branch[k].opening
        drop = new[a].pressure - new[b].pressure
        if abs(drop - opening) <= INDIFFERENCE or run.is_open[k] == (drop > opening):
            continue
        crossed = True
        wrong_flow = abs(flows[k].flow - other_side_flow(branch[k], run.is_open[k], drop))
        # Nothing may flow back through a valve; a valve that opens a little late does no harm.
        late = 0.0 if run.is_open[k] and branch[k].kind == ONE_WAY else allowed
        if 0.5 * wrong_flow * h > late:
            fraction = _crossing_fraction(run, a, b, opening)
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
    """Put what `find_switch` has named into its other state."""
    if which >= 0:
        run.is_open[which] = not run.is_open[which]
        choose_side(net.branch[which], run.is_open[which], run.side[which])
        return
    g = GATE_SWITCH - which
    if run.gate_mode[g] != GATE_OPEN:
        run.gate_mode[g] = GATE_OPEN
    else:
        is_full = run.gate_at[NOW, g].flow > 0.5 * net.gate[g].limit
        run.gate_mode[g] = GATE_LIMITED if is_full else GATE_CLOSED


@inlined
def find_switch(net, segment, h, allowed, run):
    """Look for valves that the trial step has carried past their switching point.

    Returns the fraction of the step to keep (1 if the whole step stands), what switches there (the number of a
    branch, or `GATE_SWITCH - g` for gate g) and whether any valve has crossed.  `allowed` is the volume [L] that
    may pass a valve in the wrong state.
    """
    gate = net.gate
    keep, which, crossed = _branch_switch(net.branch, h, allowed, run)
    for g in range(GATES):
        if not gate_is_active(gate, segment, g) or (g == RELIEF and _relief_is_idle(gate, run.gate_mode)):
            continue
        mode = run.gate_mode[g]
        after = _gate_excess(gate, mode, run.node_at[NEXT], run.gate_at[NEXT], g)
        if after <= INDIFFERENCE:
            if g == RELIEF and mode == GATE_CLOSED:
                fraction = _relief_inside(run, gate[g].node, net.relief_pressure)
                if fraction < keep:
                    keep, which, crossed = fraction, GATE_SWITCH - g, True
            continue
        crossed = True
        before = min(_gate_excess(gate, mode, run.node_at[NOW], run.gate_at[NOW], g), 0.0)
        fraction, wrong_flow = before / (before - after), after
        if mode != GATE_OPEN or gate[g].resistance > 0.0:
            wrong_flow *= _gate_slope(net.branch, gate, run.branch_at[NEXT], g)
        if fraction < keep and 0.5 * wrong_flow * (1.0 - fraction) * h > allowed:
            keep, which = fraction, GATE_SWITCH - g
    return keep, which, crossed
