"""One step of a stiffly accurate Rosenbrock method on a network with ideal junctions.

The unknowns are the pressures of all nodes.  With C the stored gas per pressure (0 at a junction) and L the
Laplacian of the branch slopes, each stage solves (C/(γh) + L)·U = r, whose matrix is symmetric.  Volumes that
pass the ventilator's valves are integrated by the same stages, so that the balance of gas holds to rounding
whatever the step.

Method: RODAS of E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, 2nd ed., Springer 1996,
section VI.4 (order 4 with an embedded order 3 and continuous output of order 3; L-stable; 6 stages).
Coefficients from memory; tests hold them to the order conditions and to the measured order of convergence.
"""

import numpy as np

from ventsim.engine.arrays import (
    EXHALATION,
    GATE_CLOSED,
    GATE_OPEN,
    GATES,
    NEXT,
    NOW,
    RELIEF,
    SCRATCH,
    SOURCE,
    STAGES,
)
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.elimination import factorise, solve_factored
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, branch_flow, source_integral, source_value

ORDER = 4
# Injected volume [L] below which its error is not counted relatively.
SMALL_VOLUME = 1e-3
GAMMA = 0.25
TIMES = np.array([0.0, 0.386, 0.21, 0.63, 1.0, 1.0])
SLOPES = np.array([0.25, -0.1043, 0.1035, -0.0362, 0.0, 0.0])
ARGUMENTS = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [1.544, 0.0, 0.0, 0.0, 0.0],
        [0.9466785280815826, 0.2557011698983284, 0.0, 0.0, 0.0],
        [3.314825187068521, 2.896124015972201, 0.9986419139977817, 0.0, 0.0],
        [1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950, 0.0],
        [1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950, 1.0],
    ]
)
COUPLINGS = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [-5.6688, 0.0, 0.0, 0.0, 0.0],
        [-2.430093356833875, -0.2063599157091915, 0.0, 0.0, 0.0],
        [-0.1073529058151375, -9.594562251023355, -20.47028614809616, 0.0, 0.0],
        [7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160, 0.0],
        [8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136, -6.058818238834054],
    ]
)
DENSE = np.array(
    [
        [10.12623508344586, -7.487995877610167, -34.80091861555747, -7.992771707568823, 1.025137723295662, 0.0],
        [-0.6762803392801253, 6.087714651680015, 16.43084320892478, 24.76722511418386, -6.594389125716872, 0.0],
    ]
)


@inlined
def imposes(gate, mode):
    """Whether a gate (a row of the table) in a state imposes the pressure of its node."""
    return mode == GATE_OPEN and gate.resistance == 0.0


@compiled
def gate_pressures(relief_pressure, segment, elapsed, gate_at):
    """Fill in the pressure behind each gate; return the flow [L/s] that the source injects and its slope."""
    value, slope = source_value(segment, elapsed)
    gate_at[SOURCE].pressure = value if segment.drive == DRIVE_PRESSURE else 0.0
    gate_at[EXHALATION].pressure = segment.peep
    gate_at[RELIEF].pressure = relief_pressure
    if segment.drive == DRIVE_FLOW:
        return value, slope
    return 0.0, slope if segment.drive == DRIVE_PRESSURE else 0.0


@compiled
def evaluate(side, gate, gate_mode, injection, node_at, branch_at, gate_at):
    """Flows of one slot at its pressures: through branches and gates, and into each node.

    Where an ideal gate imposes the pressure, its flow is what the branches leave over and the inflow is 0.
    """
    for i in range(node_at.shape[0]):
        node_at[i].inflow = 0.0
    for k in range(side.shape[0]):
        a, b = side[k].start, side[k].end
        flow, slope = branch_flow(side[k], node_at[a].pressure - node_at[b].pressure)
        branch_at[k].flow = flow
        branch_at[k].slope = slope
        node_at[a].inflow -= flow
        node_at[b].inflow += flow
    node_at[gate[SOURCE].node].inflow += injection
    for g in range(GATES):
        gate_at[g].flow = injection if g == SOURCE else 0.0
        if gate_mode[g] == GATE_CLOSED or imposes(gate[g], gate_mode[g]):
            continue
        flow = gate[g].limit
        if gate_mode[g] == GATE_OPEN:
            drop = gate[g].sign * (gate_at[g].pressure - node_at[gate[g].node].pressure)
            flow = drop / gate[g].resistance
        gate_at[g].flow = flow
        node_at[gate[g].node].inflow += gate[g].sign * flow
    for g in range(GATES):
        if imposes(gate[g], gate_mode[g]):
            gate_at[g].flow -= gate[g].sign * node_at[gate[g].node].inflow
            node_at[gate[g].node].inflow = 0.0


@compiled
def impose(gate, gate_mode, node_at, gate_at):
    """Set the pressure of nodes on which an ideal open gate imposes it."""
    for g in range(GATES):
        if imposes(gate[g], gate_mode[g]):
            node_at[gate[g].node].pressure = gate_at[g].pressure


@compiled
def find_fixed(gate, gate_mode, row):
    """Mark the nodes whose pressure an ideal open gate imposes."""
    for i in range(row.shape[0]):
        row[i].fixed = False
    for g in range(GATES):
        if imposes(gate[g], gate_mode[g]):
            row[gate[g].node].fixed = True


@compiled
def assemble(node, branch, gate, gate_mode, branch_at, storage_factor, row, coupling):
    """Matrix C·storage_factor + L, with unit rows where the pressure is `held`."""
    for i in range(row.shape[0]):
        row[i].diagonal = node[i].compliance * storage_factor
    for s in range(coupling.shape[0]):
        coupling[s] = 0.0
    for k in range(branch.shape[0]):
        a, b, slope = branch[k].start, branch[k].end, branch_at[k].slope
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
def time_derivative(branch, gate, gate_mode, branch_at, drive, source_slope, row):
    """Column `rate`: how fast each inflow changes because the source does, at constant pressures."""
    for i in range(row.shape[0]):
        row[i].rate = 0.0
    node = gate[SOURCE].node
    if drive == DRIVE_FLOW:
        row[node].rate = source_slope
    elif imposes(gate[SOURCE], gate_mode[SOURCE]):
        for k in range(branch.shape[0]):
            if branch[k].start == node:
                row[branch[k].end].rate += branch_at[k].slope * source_slope
            elif branch[k].end == node:
                row[branch[k].start].rate += branch_at[k].slope * source_slope
    elif gate_mode[SOURCE] == GATE_OPEN:
        row[node].rate = source_slope / gate[SOURCE].resistance


@inlined
def gate_flow_rates(branch, gate, gate_mode, branch_at, drive, source_slope, row, use_right, rates):
    """Linear change of each gate's flow as the source changes by `source_slope` and the nodes by `right`.

    Without `use_right` the nodes keep their pressures: then this is the partial derivative in time.
    """
    for g in range(GATES):
        rates[g] = source_slope if g == SOURCE and drive == DRIVE_FLOW else 0.0
        if gate_mode[g] != GATE_OPEN:
            continue
        node, own = gate[g].node, source_slope if g == SOURCE else 0.0
        if gate[g].resistance > 0.0:
            moved = row[node].right if use_right else 0.0
            rates[g] = gate[g].sign * (own - moved) / gate[g].resistance
            continue
        inflow = source_slope if drive == DRIVE_FLOW and gate[SOURCE].node == node else 0.0
        for k in range(branch.shape[0]):
            a, b = branch[k].start, branch[k].end
            if a == node or b == node:
                moved = row[a + b - node].right if use_right else 0.0
                inflow += branch_at[k].slope * (moved - own)
        rates[g] -= gate[g].sign * inflow


@inlined
def _begin(net, segment, elapsed, h, run):
    """Factor the matrix of a step and work out the derivatives in time; return whether the source moves."""
    find_fixed(net.gate, run.gate_mode, run.row)
    for i in range(run.row.shape[0]):
        run.row[i].held = run.row[i].fixed
    now = run.branch_at[NOW]
    assemble(net.node, net.branch, net.gate, run.gate_mode, now, 1.0 / (GAMMA * h), run.row, run.coupling)
    factorise(net.first, net.later, net.target, run.row, run.coupling)
    _, slope = gate_pressures(net.relief_pressure, segment, elapsed, run.gate_at[NOW])
    if slope == 0.0:
        return False
    time_derivative(net.branch, net.gate, run.gate_mode, now, segment.drive, slope, run.row)
    gate_flow_rates(
        net.branch, net.gate, run.gate_mode, now, segment.drive, slope, run.row, False, run.gate_rate[0]
    )
    return True


@inlined
def _set_stage(s, moved, now, stage):
    """Pressures at which stage `s` evaluates the laws."""
    for i in range(stage.shape[0]):
        pressure = now[i].pressure
        for j in range(s):
            pressure += ARGUMENTS[s, j] * moved[i, j]
        stage[i].pressure = pressure


@inlined
def _set_right(s, h, moving, node, moved, at, row):
    """Right-hand side of stage `s` from the inflows of slot `at` and the stages before."""
    for i in range(row.shape[0]):
        right = 0.0
        if not row[i].fixed:
            for j in range(s):
                right += COUPLINGS[s, j] * moved[i, j]
            right = at[i].inflow + node[i].compliance * right / h
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


@compiled
def injection_error(segment, elapsed, h, relative, injected):
    """Error of the volume that the source injected in a step, in units of the tolerance.

    It is known exactly; and where a relief valve takes the gas away, no pressure would show the error.
    """
    exact = source_integral(segment, elapsed, h)
    return abs(injected - exact) / (relative * (SMALL_VOLUME + abs(exact)))


@inlined
def passed_volume(passed, g):
    """Volume [L] that passed a gate in the whole step, from its stages."""
    last = STAGES - 1
    volume = passed[g, last]
    for j in range(last):
        volume += ARGUMENTS[last, j] * passed[g, j]
    return volume


@inlined
def _finish(relative, now, stage, moved, row, passed, new, next_passed):
    """Pressures and passed volumes at the end of the step; return the error in units of the tolerance."""
    last = STAGES - 1
    for g in range(GATES):
        next_passed[g] = passed_volume(passed, g)
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
def take_step(net, segment, elapsed, h, relative, run):
    """Try one step of length `h` from slot NOW to slot NEXT; return its error in units of the tolerance.

    What passes the gates is left in `next_passed`.
    """
    moving = _begin(net, segment, elapsed, h, run)
    # The tables are taken out of their bundles once: handing the bundles to every function would cost more time
    # than the arithmetic.
    node, branch, gate, row, moved, rates = net.node, net.branch, net.gate, run.row, run.moved, run.gate_rate
    first, later, coupling, passed = net.first, net.later, run.coupling, run.passed_stage
    side, gate_mode, drive, relief_pressure = run.side, run.gate_mode, segment.drive, net.relief_pressure
    now, new, stage = run.node_at[NOW], run.node_at[NEXT], run.node_at[SCRATCH]
    now_branch, new_branch, stage_branch = run.branch_at[NOW], run.branch_at[NEXT], run.branch_at[SCRATCH]
    now_gate, new_gate, stage_gate = run.gate_at[NOW], run.gate_at[NEXT], run.gate_at[SCRATCH]
    for s in range(STAGES):
        if s > 0:
            _set_stage(s, moved, now, stage)
            injection, _ = gate_pressures(relief_pressure, segment, elapsed + TIMES[s] * h, stage_gate)
            impose(gate, gate_mode, stage, stage_gate)
            evaluate(side, gate, gate_mode, injection, stage, stage_branch, stage_gate)
        _set_right(s, h, moving, node, moved, now if s == 0 else stage, row)
        solve_factored(first, later, row, coupling)
        for i in range(row.shape[0]):
            moved[i, s] = row[i].right
        gate_flow_rates(branch, gate, gate_mode, now_branch, drive, 0.0, row, True, rates[1])
        _pass_gates(s, h, moving, now_gate if s == 0 else stage_gate, rates, passed)
    error = _finish(relative, now, stage, moved, row, passed, new, run.next_passed)
    injection, _ = gate_pressures(relief_pressure, segment, elapsed + h, new_gate)
    impose(gate, gate_mode, new, new_gate)
    evaluate(side, gate, gate_mode, injection, new, new_branch, new_gate)
    if drive == DRIVE_FLOW:
        scaled = injection_error(segment, elapsed, h, relative, run.next_passed[SOURCE])
        if not scaled <= error:
            error = scaled
    return error


@inlined
def prepare_dense(row, moved):
    """Work out the coefficients of the continuous output of a step for all nodes."""
    for i in range(row.shape[0]):
        first = second = 0.0
        for j in range(STAGES - 1):
            first += DENSE[0, j] * moved[i, j]
            second += DENSE[1, j] * moved[i, j]
        row[i].dense1, row[i].dense2 = first, second


@inlined
def dense_pressure(run, node, fraction):
    """Pressure of a node at a fraction of the step, from the continuous output."""
    rest = 1.0 - fraction
    bent = run.row[node].dense1 + fraction * run.row[node].dense2
    before, after = run.node_at[NOW, node].pressure, run.node_at[NEXT, node].pressure
    return rest * before + fraction * (after + rest * bent)


@compiled
def cut_step(net, segment, elapsed, h, fraction, relative, run):
    """End the step early: slot NEXT, passed volumes and continuous output become those of its first part.

    Returns the error of the injected volume in units of the tolerance; beyond 1 the part is to be stepped anew.
    """
    rest, square, new, new_gate = 1.0 - fraction, fraction * fraction, run.node_at[NEXT], run.gate_at[NEXT]
    for i in range(new.shape[0]):
        new[i].pressure = dense_pressure(run, i, fraction)
        first, second = run.row[i].dense1, run.row[i].dense2
        run.row[i].dense2 = square * fraction * second
        run.row[i].dense1 = run.row[i].dense2 - square * (second - first)
    for g in range(GATES):
        first = second = 0.0
        for j in range(STAGES - 1):
            first += DENSE[0, j] * run.passed_stage[g, j]
            second += DENSE[1, j] * run.passed_stage[g, j]
        run.next_passed[g] = fraction * (run.next_passed[g] + rest * (first + fraction * second))
    injection, _ = gate_pressures(net.relief_pressure, segment, elapsed + fraction * h, new_gate)
    impose(net.gate, run.gate_mode, new, new_gate)
    evaluate(run.side, net.gate, run.gate_mode, injection, new, run.branch_at[NEXT], new_gate)
    if segment.drive != DRIVE_FLOW:
        return 0.0
    return injection_error(segment, elapsed, fraction * h, relative, run.next_passed[SOURCE])
