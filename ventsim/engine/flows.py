"""Flows through all branches and gates of one slot, and into each node, at given pressures."""

from ventsim.engine.arrays import EXHALATION, GATE_CLOSED, GATE_OPEN, GATES, RELIEF, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.laws import DRIVE_FLOW, DRIVE_PRESSURE, branch_flow, source_value


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
