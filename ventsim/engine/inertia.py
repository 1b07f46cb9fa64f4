"""Stages of the branches whose gas has inertia: their flow is an unknown of its own.

A stage of I·dq/dt = p_start - p_end is solved for the change of the flow, which leaves a conductance between the
two nodes and a part of their right-hand sides.
"""

from ventsim.engine.arrays import STAGES
from ventsim.engine.compiling import compiled
from ventsim.engine.method import ARGUMENTS, COUPLINGS, GAMMA, SLOPES

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
