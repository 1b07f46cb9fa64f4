"""Flows through all branches and gates of one slot, and into each node, at given pressures.

Where the gas of a branch has inertia, its flow is an unknown of its own: a stage of I·dq/dt = p_start - p_end is
solved for the change of the flow, which leaves a conductance between the two nodes and a part of their right-hand
sides.
"""

from ventsim.engine.arrays import EXHALATION, GATE_CLOSED, GATE_OPEN, GATES, RELIEF, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, branch_flow, source_value
from ventsim.engine.method import ARGUMENTS, COUPLINGS, GAMMA, SLOPES, STAGES


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
def evaluate(side, table, gate, gate_mode, injection, node_at, branch_at, gate_at):
    """Flows of one slot at its pressures: through branches and gates, and into each node.

    The flow of a branch with inertia is part of the state and stays.  Where an ideal gate imposes the pressure,
    its flow is what the branches leave over and the inflow is 0.
    """
    for i in range(node_at.shape[0]):
        node_at[i].inflow = 0.0
    for k in range(side.shape[0]):
        a, b = side[k].start, side[k].end
        if side[k].inertial:
            flow, slope = branch_at[k].flow, 0.0
        else:
            flow, slope = branch_flow(side[k], table, node_at[a].pressure - node_at[b].pressure)
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


# Flow [L/s] below which its error is not counted relatively.
SMALL_FLOW = 0.1


@compiled
def push_inertial(s, h, inertial, branch, stage, row, pushed):
    """Changes of the flows at stage `s` while the nodes stay, and what they add to the right-hand sides."""
    for e in range(inertial.shape[0]):
        k = inertial[e]
        a, b = branch[k].start, branch[k].end
        push = 0.0
        for j in range(s):
            push += COUPLINGS[s, j] / h * pushed[e, j]
        drop = stage[a].pressure - stage[b].pressure + SLOPES[s] * h * (row[a].drift - row[b].drift)
        push = GAMMA * h * (push + drop / branch[k].inertance)
        pushed[e, s] = push
        if not row[a].fixed:
            row[a].right -= push
        if not row[b].fixed:
            row[b].right += push


@compiled
def flow_inertial(s, inertial, branch_now, branch_stage, pushed):
    """Flows of the branches with inertia at which stage `s` is evaluated."""
    for e in range(inertial.shape[0]):
        flow = branch_now[inertial[e]].flow
        for j in range(s):
            flow += ARGUMENTS[s, j] * pushed[e, j]
        branch_stage[inertial[e]].flow = flow


@compiled
def complete_push(s, h, inertial, branch, row, pushed):
    """Add what the movement of the nodes does to the branches with inertia."""
    for e in range(inertial.shape[0]):
        k = inertial[e]
        moved = row[branch[k].start].right - row[branch[k].end].right
        pushed[e, s] += GAMMA * h / branch[k].inertance * moved


@compiled
def finish_inertial(relative, inertial, stage, new, pushed):
    """Flows of the branches with inertia at the end of a step; return the error in units of the tolerance."""
    error = 0.0
    for e in range(inertial.shape[0]):
        move = pushed[e, STAGES - 1]
        flow = stage[inertial[e]].flow + move
        new[inertial[e]].flow = flow
        scaled = abs(move) / (relative * (SMALL_FLOW + abs(flow)))
        if not scaled <= error:
            error = scaled
    return error
