"""Consistent states: which side of its law each valve is on, and junction pressures that balance the flows."""

import math

from ventsim.engine.arrays import (
    EXHALATION,
    GATE_CLOSED,
    GATE_LIMITED,
    GATE_OPEN,
    GATES,
    NOW,
    RELIEF,
    SCRATCH,
    SOURCE,
)
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.elimination import factorise, solve_factored
from ventsim.engine.flows import evaluate, find_fixed, gate_pressures, impose, imposes
from ventsim.engine.laws import DIRECTIONAL, DRIVE_FLOW, DRIVE_PRESSURE, ONE_WAY, choose_side
from ventsim.engine.stepper import assemble

# A valve keeps its state while its pressure difference is this close to the switching point [cmH2O].
INDIFFERENCE = 1e-12
# Code of a switch that belongs to gate 0 (those of the other gates follow below), of none, and of all.
GATE_SWITCH, NOTHING_HELD, ALL_HELD = -2, -1, -100
# Junction inflow [L/s] at which the algebraic equations count as solved, and as no longer improvable.
SOLVED, STALLED = 1e-13, 1e-9
# A source that starts from nothing opens valves as if it gave this flow [L/s].
FIRST_BREATH_OF_FLOW = 1e-7
# Conductance [L/s/cmH2O] that gives a direction to a junction which every valve cuts off, and its first limit.
FAINT, LARGEST_MOVE = 1e-9, 50.0
# Largest number of Newton steps, of halvings within one, and of rounds over the ideal gates.
NEWTON_STEPS, HALVINGS, ROUNDS = 80, 60, 20


@inlined
def has_sides(branch):
    """Whether the law of a branch (a row of the table) has two sides."""
    return branch.kind == DIRECTIONAL or branch.kind == ONE_WAY


@compiled
def pick_branch_sides(branch, node_at, is_open, per_root, side, held):
    """Set the side of every branch whose law has two, except of the one that is `held` where it is."""
    for k in range(branch.shape[0]):
        if not has_sides(branch[k]) or k == held or held == ALL_HELD:
            continue
        excess = node_at[branch[k].start].pressure - node_at[branch[k].end].pressure - branch[k].opening
        if abs(excess) > INDIFFERENCE and is_open[k] != (excess > 0.0):
            is_open[k] = excess > 0.0
            choose_side(branch[k], is_open[k], per_root, side[k])


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
def relief_is_idle(gate, gate_mode):
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
        if g == RELIEF and relief_is_idle(gate, gate_mode):
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
    pick_branch_sides(net.branch, node_at, run.is_open, net.per_root, run.side, held)
    _pick_gate_modes(net.gate, segment, node_at, gate_at, run.gate_mode, held, False)
    evaluate(run.side, net.table, net.gate, run.gate_mode, injection, node_at, run.branch_at[NOW], gate_at)
    return junction_residual(net.node, node_at)


@compiled
def newton_direction(net, slot, run):
    """Column `right`: movement of the junctions of a slot that would balance them if laws were straight lines."""
    row, node_at = run.row, run.node_at[slot]
    find_fixed(net.gate, run.gate_mode, row)
    for i in range(row.shape[0]):
        row[i].held = row[i].fixed or net.node[i].compliance > 0.0
    assemble(net.branch, net.gate, run.gate_mode, run.branch_at[slot], 0.0, row, run.coupling)
    for i in range(row.shape[0]):
        row[i].diagonal += FAINT
        row[i].right = 0.0 if row[i].held else node_at[i].inflow
    factorise(net.first, net.later, net.target, row, run.coupling)
    solve_factored(net.first, net.later, row, run.coupling)


@compiled
def _move(now, start, row, largest, scale):
    """Put the junctions at a part of the way along the Newton direction, no move larger than `largest`."""
    for i in range(now.shape[0]):
        if not row[i].held:
            way = min(max(row[i].right, -largest), largest)
            now[i].pressure = start[i].pressure + scale * way


@compiled
def _pull(now, row, largest):
    """Net inflows along the direction: positive while the balance lies ahead, negative beyond it."""
    total = 0.0
    for i in range(now.shape[0]):
        if not row[i].held:
            total += now[i].inflow * min(max(row[i].right, -largest), largest)
    return total


@inlined
def _any_closed(gate_mode, before):
    """Whether a gate is closed that was not so before."""
    for g in range(GATES):  # noqa: SIM110 (generators are not compiled)
        if gate_mode[g] == GATE_CLOSED and before[g] != GATE_CLOSED:
            return True
    return False


@compiled
def _solve_junctions(net, segment, injection, held, run):
    """Newton on the pressures of the junctions, all that stores gas held; return the residual.

    Flows rise with pressure differences, so the balance is the minimum of a convex function and the pull along
    any direction falls steadily.  A full step that overshoots (a valve that opens half-way) is cut back to where
    the pull has vanished, which converges from anywhere.
    """
    now, start, row, largest = run.node_at[NOW], run.node_at[SCRATCH], run.row, LARGEST_MOVE
    residual = _refresh(net, segment, injection, held, run)
    for _ in range(NEWTON_STEPS):
        if residual <= SOLVED:
            break
        newton_direction(net, NOW, run)
        for i in range(now.shape[0]):
            start[i].pressure = now[i].pressure
        for g in range(GATES):
            run.gate_before[g] = run.gate_mode[g]
        pull = _pull(now, row, largest)
        low, high, scale = 0.0, 1.0, 1.0
        for _ in range(HALVINGS):
            _move(now, start, row, largest, scale)
            last = _refresh(net, segment, injection, held, run)
            ahead = _pull(now, row, largest)
            # A gate that has closed on the way leaves no flow at any pressure beyond its own: that is too far.
            is_beyond = ahead == 0.0 and _any_closed(run.gate_mode, run.gate_before)
            if not is_beyond and (abs(ahead) <= 0.5 * pull or (scale == 1.0 and ahead > 0.0)):
                break
            if ahead > 0.0:
                low = scale
            else:
                high = scale
            scale = 0.5 * (low + high)
        largest *= 1.5
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


@inlined
def is_fed(net, segment, row, run):
    """Whether a gate that is open, or a set flow, leads to a group of `CUT_OFF`."""
    for c in range(row.first_node, row.last_node):
        for g in range(GATES):
            set_flow = g == SOURCE and segment.drive == DRIVE_FLOW
            if net.gate[g].node == net.cut_node[c] and (run.gate_mode[g] != GATE_CLOSED or set_flow):
                return True
    return False


@compiled
def hold_cut_off(net, segment, slot, run):
    """Pressures of a slot where closed valves cut off nodes that store nothing: the limit of a little gas there.

    Such gas keeps its pressure, column `before`, unless a valve would let it out or more of it in.  Where that is
    no pressure at all, gas passes, and the balance of flows has found the pressure.
    """
    at = run.node_at[slot]
    for _ in range(2):  # a group may lie behind another one
        for group in range(net.cut_off.shape[0]):
            row = net.cut_off[group]
            if is_fed(net, segment, row, run):
                continue
            low, high = -math.inf, math.inf
            for w in range(row.first_way, row.last_way):
                way = net.cut_way[w]
                if way >= 0:
                    high = min(high, at[net.branch[way].end].pressure + net.branch[way].opening)
                else:
                    low = max(low, at[net.branch[-1 - way].start].pressure - net.branch[-1 - way].opening)
            if low > high:
                continue
            pressure, moved = 0.0, 0.0
            for c in range(row.first_node, row.last_node):
                pressure += run.row[net.cut_node[c]].before / (row.last_node - row.first_node)
            pressure = min(max(pressure, low), high)
            for c in range(row.first_node, row.last_node):
                moved = max(moved, abs(at[net.cut_node[c]].pressure - pressure))
            if moved <= INDIFFERENCE:
                continue
            for c in range(row.first_node, row.last_node):
                at[net.cut_node[c]].pressure = pressure
                run.row[net.cut_node[c]].dense1 = run.row[net.cut_node[c]].dense2 = 0.0
            for w in range(row.first_way, row.last_way):
                k = net.cut_way[w] if net.cut_way[w] >= 0 else -1 - net.cut_way[w]
                excess = at[net.branch[k].start].pressure - at[net.branch[k].end].pressure - net.branch[k].opening
                if run.is_open[k] and excess < -INDIFFERENCE:
                    run.is_open[k] = False
                    choose_side(net.branch[k], False, net.per_root, run.side[k])
                    run.branch_at[slot, k].slope = 0.0
                run.branch_at[slot, k].flow = 0.0


@compiled
def settle(net, segment, elapsed, held, run):
    """Make valve states, junction pressures and flows of slot NOW consistent; return the junction residual.

    What stores gas keeps its pressure.  Called where the source jumps and where a valve has switched; `held` is
    the valve that was just put into its state by `switch`, as named by `find_event`, or `NOTHING_HELD`.
    """
    for i in range(run.row.shape[0]):
        run.row[i].before = run.node_at[NOW, i].pressure
    injection, slope = gate_pressures(net.relief_pressure, segment, elapsed, run.gate_at[NOW])
    starts_from_nothing = segment.drive == DRIVE_FLOW and injection == 0.0 and slope > 0.0
    if starts_from_nothing:
        injection = FIRST_BREATH_OF_FLOW
    for g in range(GATES):
        # Relief starts every segment closed: it must not hold a pressure that another gate is to set.
        if (g == RELIEF and elapsed == 0.0) or not gate_is_active(net.gate, segment, g):
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
        residual = _solve_junctions(net, segment, 0.0, ALL_HELD, run)
    hold_cut_off(net, segment, NOW, run)
    return residual
