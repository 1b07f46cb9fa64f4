"""One step of a stiffly accurate Rosenbrock method on a network with ideal junctions.

The unknowns are the pressures of all nodes.  With C the stored gas per pressure (0 at a junction) and L the
Laplacian of the branch slopes, each stage solves (C/(γh) + L)·U = r, whose matrix is symmetric.  Volumes that
pass the ventilator's valves are integrated by the same stages, so that the balance of gas holds to rounding
whatever the step.
"""

from ventsim.engine.arrays import GATE_CLOSED, GATE_OPEN, GATES, NEXT, NOW, SCRATCH, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.elastic import OFF_CORNER, bend_end, bend_stores, effort_pressure, elastic_pressure
from ventsim.engine.elimination import factorise, solve_factored
from ventsim.engine.flows import (
    SMALL_FLOW,
    complete_push,
    evaluate,
    find_fixed,
    finish_inertial,
    flow_inertial,
    gate_pressures,
    impose,
    imposes,
    push_inertial,
)
from ventsim.engine.laws import DRIVE_FLOW, INERTIAL, source_integral
from ventsim.engine.method import ARGUMENTS, COUPLINGS, GAMMA, SLOPES, STAGES, TIMES

# Injected volume [L] below which its error is not counted relatively.
SMALL_VOLUME = 1e-3
# How much larger than the tolerance the error of a lung's flow may be. Pressures alone would leave it free where
# little gas is held: there the error of a pressure is eased, and a small resistance makes much flow of it.
FLOW_EASING = 10.0
# The same of the source's flow at its limit, and the part of the limit from which on it counts.
LIMIT_EASING, NEAR_LIMIT = 20.0, 0.8


@compiled
def assemble(branch, gate, gate_mode, branch_at, storage_factor, row, coupling):
    """Matrix C·storage_factor + L, with unit rows where the pressure is `held`; C is the column `compliance`."""
    for i in range(row.shape[0]):
        row[i].diagonal = row[i].compliance * storage_factor
    for s in range(coupling.shape[0]):
        coupling[s] = 0.0
    for k in range(branch.shape[0]):
        a, b, slope = branch[k].start, branch[k].end, branch_at[k].slope
        if branch[k].kind == INERTIAL and storage_factor > 0.0:
            slope = 1.0 / (branch[k].inertance * storage_factor)
        row[a].diagonal += slope
        row[b].diagonal += slope
        if not (row[a].held or row[b].held):
            coupling[branch[k].coupling] -= slope
    for g in range(GATES):
        if gate_mode[g] == GATE_OPEN and gate[g].resistance > 0.0:
            row[gate[g].node].diagonal += 1.0 / gate[g].resistance
    for i in range(row.shape[0]):
        if row[i].held:
            row[i].diagonal = 1.0


@compiled
def find_drifts(node, gate, gate_mode, effort, points, clock, source_slope, row):
    """Column `drift`: pressures that change by themselves, imposed by the source or moved by muscles."""
    for i in range(row.shape[0]):
        row[i].drift = 0.0
        if node[i].effort >= 0:
            _, slope = effort_pressure(effort[node[i].effort], points, clock)
            row[i].drift = -slope
    if imposes(gate[SOURCE], gate_mode[SOURCE]):
        row[gate[SOURCE].node].drift = source_slope


@compiled
def time_derivative(branch, gate, gate_mode, branch_at, drive, source_slope, row):
    """Column `rate`: how fast each inflow changes because pressures drift and the source moves."""
    for i in range(row.shape[0]):
        row[i].rate = 0.0
    for k in range(branch.shape[0]):
        a, b = branch[k].start, branch[k].end
        change = branch_at[k].slope * (row[a].drift - row[b].drift)
        row[a].rate -= change
        row[b].rate += change
    node = gate[SOURCE].node
    if drive == DRIVE_FLOW:
        row[node].rate += source_slope
    for g in range(GATES):
        if gate_mode[g] == GATE_OPEN and gate[g].resistance > 0.0:
            own = source_slope if g == SOURCE else 0.0
            row[gate[g].node].rate += (own - row[gate[g].node].drift) / gate[g].resistance


@inlined
def gate_flow_rates(branch, gate, gate_mode, branch_at, drive, source_slope, row, use_right, rates):
    """Linear change of each gate's flow as the source changes by `source_slope` and the nodes by `right`.

    Without `use_right` the nodes change by their drift: then this is the partial derivative in time.
    """
    for g in range(GATES):
        rates[g] = source_slope if g == SOURCE and drive == DRIVE_FLOW else 0.0
        if gate_mode[g] != GATE_OPEN:
            continue
        node, own = gate[g].node, source_slope if g == SOURCE else 0.0
        if gate[g].resistance > 0.0:
            moved = row[node].right if use_right else row[node].drift
            rates[g] = gate[g].sign * (own - moved) / gate[g].resistance
            continue
        inflow = source_slope if drive == DRIVE_FLOW and gate[SOURCE].node == node else 0.0
        for k in range(branch.shape[0]):
            a, b = branch[k].start, branch[k].end
            if a == node or b == node:
                moved = row[a + b - node].right if use_right else row[a + b - node].drift
                inflow += branch_at[k].slope * (moved - own)
        rates[g] -= gate[g].sign * inflow


@inlined
def _begin(net, segment, began, elapsed, h, run):
    """Factor the matrix of a step, work out the derivatives in time; return whether anything moves by itself."""
    node, row = net.node, run.row
    find_fixed(net.gate, run.gate_mode, row)
    for i in range(row.shape[0]):
        row[i].held = row[i].fixed
        row[i].compliance = node[i].compliance
    for c in range(net.curved.shape[0]):
        i = net.curved[c]
        _, elastance = elastic_pressure(net.elastic[node[i].elastic], run.node_at[NOW, i].volume)
        row[i].compliance = 1.0 / elastance
    now = run.branch_at[NOW]
    assemble(net.branch, net.gate, run.gate_mode, now, 1.0 / (GAMMA * h), row, run.coupling)
    factorise(net.first, net.later, net.target, row, run.coupling)
    _, slope = gate_pressures(net.relief_pressure, segment, elapsed, run.gate_at[NOW])
    moving = slope != 0.0 or net.effort.shape[0] > 0
    if moving or net.inertial.shape[0] > 0:
        clock = began + elapsed + OFF_CORNER * h
        find_drifts(node, net.gate, run.gate_mode, net.effort, net.effort_points, clock, slope, row)
    if moving:
        time_derivative(net.branch, net.gate, run.gate_mode, now, segment.drive, slope, row)
        gate_flow_rates(
            net.branch, net.gate, run.gate_mode, now, segment.drive, slope, row, False, run.gate_rate[0]
        )
    return moving


@inlined
def _set_stage(s, moved, now, stage):
    """Pressures at which stage `s` evaluates the laws, as if all stores were straight."""
    for i in range(stage.shape[0]):
        pressure = now[i].pressure
        for j in range(s):
            pressure += ARGUMENTS[s, j] * moved[i, j]
        stage[i].pressure = pressure


@inlined
def _set_right(s, h, moving, moved, at, row):
    """Right-hand side of stage `s` from the inflows of slot `at` and the stages before."""
    for i in range(row.shape[0]):
        right = 0.0
        if not row[i].fixed:
            for j in range(s):
                right += COUPLINGS[s, j] * moved[i, j]
            right = at[i].inflow + row[i].compliance * right / h
            if moving:
                right += SLOPES[s] * h * row[i].rate
        row[i].right = right


@inlined
def _pass_gates(s, h, moving, gate_at, rates, passed):
    """Volumes that pass the gates in stage `s`; `rates[0]` in time and `rates[1]` with the nodes' movement."""
    for g in range(GATES):
        rate = gate_at[g].flow + rates[1, g]
        if moving:
            rate += SLOPES[s] * h * rates[0, g]
        for j in range(s):
            rate += COUPLINGS[s, j] / h * passed[g, j]
        passed[g, s] = GAMMA * h * rate


@inlined
def _pass_limbs(s, h, moving, net, now_branch, at_branch, row, pushed, passed):
    """Volumes that pass the patients' ends of the limbs in stage `s`, as `_pass_gates`."""
    for m in range(passed.shape[0]):
        for side in range(2):
            k = net.lung[m].limb[side]
            if k < 0:
                continue
            a, b, rate = net.branch[k].start, net.branch[k].end, at_branch[k].flow
            if net.branch[k].kind == INERTIAL:
                for e in range(net.inertial.shape[0]):
                    if net.inertial[e] == k:
                        rate += pushed[e, s]
            else:
                change = row[a].right - row[b].right
                if moving:
                    change += SLOPES[s] * h * (row[a].drift - row[b].drift)
                rate += now_branch[k].slope * change
            for j in range(s):
                rate += COUPLINGS[s, j] / h * passed[m, side, j]
            passed[m, side, s] = GAMMA * h * rate


@compiled
def injection_error(segment, elapsed, h, relative, injected):
    """Error of the volume that the source injected in a step, in units of the tolerance.

    It is known exactly; and where a relief valve takes the gas away, no pressure would show the error.
    """
    exact = source_integral(segment, elapsed, h)
    return abs(injected - exact) / (relative * (SMALL_VOLUME + abs(exact)))


@inlined
def passed_volume(stages):
    """Volume [L] that passed in the whole step, from its stages."""
    last = STAGES - 1
    volume = stages[last]
    for j in range(last):
        volume += ARGUMENTS[last, j] * stages[j]
    return volume


@inlined
def _finish(relative, now, stage, moved, row, passed, new, next_passed):
    """Pressures and passed volumes at the end of the step; return the error in units of the tolerance."""
    last = STAGES - 1
    for g in range(GATES):
        next_passed[g] = passed_volume(passed[g])
    error = 0.0
    for i in range(new.shape[0]):
        move = moved[i, last]
        pressure = stage[i].pressure + move
        new[i].pressure = pressure
        if not row[i].fixed:
            size = max(abs(now[i].pressure), abs(pressure))
            scaled = abs(move) / (row[i].tolerance + relative * size)
            if not scaled <= error:  # so that NaN is not lost
                error = scaled
    return error


@inlined
def _flow_error(lung, branch, gate, gate_mode, relative, new, new_gate, moved):
    """Error of the flows into the lungs, and of a source near its limit, at the end of a step; as `_finish`."""
    error, last = 0.0, STAGES - 1
    for m in range(lung.shape[0]):
        k = lung[m].branch
        move = abs(moved[branch[k].start, last] - moved[branch[k].end, last])
        error = max(error, new[k].slope * move / (FLOW_EASING * relative * (SMALL_FLOW + abs(new[k].flow))))
    source, flow = gate[SOURCE], new_gate[SOURCE].flow
    if source.resistance > 0.0 and gate_mode[SOURCE] != GATE_CLOSED and flow > NEAR_LIMIT * source.limit:
        # The instants at which the limit begins and ceases to hold are as exact as this flow.
        move = abs(moved[source.node, last])
        error = max(error, move / (source.resistance * LIMIT_EASING * relative * (SMALL_FLOW + source.limit)))
    return error


@compiled
def take_step(net, segment, began, elapsed, h, relative, run):
    """Try one step of length `h` from slot NOW to slot NEXT; return its error in units of the tolerance.

    `began` is the time at which the segment began.  What passes the gates is left in `next_passed`.
    """
    moving = _begin(net, segment, began, elapsed, h, run)
    # The tables are taken out of their bundles once: handing the bundles to every function would cost more time
    # than the arithmetic.
    branch, gate, row, moved, rates, side = net.branch, net.gate, run.row, run.moved, run.gate_rate, run.side
    first, later, coupling, passed, table = net.first, net.later, run.coupling, run.passed_stage, net.table
    gate_mode, drive, relief_pressure, inertial = run.gate_mode, segment.drive, net.relief_pressure, net.inertial
    now, new, stage = run.node_at[NOW], run.node_at[NEXT], run.node_at[SCRATCH]
    now_branch, new_branch, stage_branch = run.branch_at[NOW], run.branch_at[NEXT], run.branch_at[SCRATCH]
    now_gate, new_gate, stage_gate = run.gate_at[NOW], run.gate_at[NEXT], run.gate_at[SCRATCH]
    curved, node, elastic, effort, points = net.curved, net.node, net.elastic, net.effort, net.effort_points
    for s in range(STAGES):
        at = now if s == 0 else stage
        if s > 0:
            _set_stage(s, moved, now, stage)
            time = elapsed + TIMES[s] * h
            if curved.shape[0] > 0:
                bend_stores(curved, node, elastic, effort, points, began + time, row, now, stage)
            injection, _ = gate_pressures(relief_pressure, segment, time, stage_gate)
            impose(gate, gate_mode, stage, stage_gate)
            if inertial.shape[0] > 0:
                flow_inertial(s, inertial, now_branch, stage_branch, run.pushed)
            evaluate(side, table, gate, gate_mode, injection, stage, stage_branch, stage_gate)
        _set_right(s, h, moving, moved, at, row)
        if inertial.shape[0] > 0:
            push_inertial(s, h, inertial, branch, at, row, run.pushed)
        solve_factored(first, later, row, coupling)
        if inertial.shape[0] > 0:
            complete_push(s, h, inertial, branch, row, run.pushed)
        for i in range(row.shape[0]):
            moved[i, s] = row[i].right
        gate_flow_rates(branch, gate, gate_mode, now_branch, drive, 0.0, row, True, rates[1])
        _pass_gates(s, h, moving, now_gate if s == 0 else stage_gate, rates, passed)
        at_branch = now_branch if s == 0 else stage_branch
        _pass_limbs(s, h, moving, net, now_branch, at_branch, row, run.pushed, run.limb_stage)
    error = _finish(relative, now, stage, moved, row, passed, new, run.next_passed)
    for m in range(net.lung.shape[0]):
        for end in range(2):
            run.limb_passed[m, end] = passed_volume(run.limb_stage[m, end])
    if curved.shape[0] > 0:
        bend_end(curved, node, elastic, effort, points, began + elapsed + h, row, moved, stage, new)
    if inertial.shape[0] > 0:
        error = max(error, finish_inertial(relative, inertial, stage_branch, new_branch, run.pushed))
    injection, _ = gate_pressures(relief_pressure, segment, elapsed + h, new_gate)
    impose(gate, gate_mode, new, new_gate)
    evaluate(side, table, gate, gate_mode, injection, new, new_branch, new_gate)
    error = max(error, _flow_error(net.lung, branch, gate, gate_mode, relative, new_branch, new_gate, moved))
    if drive == DRIVE_FLOW:
        scaled = injection_error(segment, elapsed, h, relative, run.next_passed[SOURCE])
        if not scaled <= error:
            error = scaled
    return error
