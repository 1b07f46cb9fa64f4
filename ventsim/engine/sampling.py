"""Running integrals over a step and samples at chosen times, from the continuous output of the stepper."""

import math

from ventsim.engine.arrays import EXHALATION, NEXT, NOW, RELIEF, SCRATCH, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.dense import cubic, dense_pressure, state_inside
from ventsim.engine.laws import ONE_WAY


@inlined
def _inflow_since(fraction, h, stored, before, after, flow_before, flow_after):
    """Gas [L] that entered a lung in the first part of a step, what left it again not subtracted.

    `stored` is the change of its volume over that part; the flow is taken as linear to find its reversal.
    """
    if flow_before >= 0.0 and flow_after >= 0.0:
        return stored
    if flow_before <= 0.0 and flow_after <= 0.0:
        return 0.0
    turn = flow_before / (flow_before - flow_after)
    at_turn = cubic(turn, h, before, after, flow_before, flow_after) - before
    if flow_before > 0.0:
        return stored if fraction <= turn else at_turn
    return 0.0 if fraction <= turn else stored - at_turn


@inlined
def advance_integrals(net, h, run):
    """Running integrals of lungs and port at the end of the step (Simpson's rule on the continuous output)."""
    now, new = run.node_at[NOW], run.node_at[NEXT]
    for m in range(net.lung.shape[0]):
        airway, branch = net.lung[m].airway, net.lung[m].branch
        airway_middle, alveolar_middle = dense_pressure(run, airway, 0.5), 0.0
        for j in range(net.lung[m].first, net.lung[m].last):
            weight, alveoli = net.compartment[j].weight, net.compartment[j].node
            alveolar_middle += weight * dense_pressure(run, alveoli, 0.5)
        q0, q1 = run.branch_at[NOW, branch].flow, run.branch_at[NEXT, branch].flow
        before, p0 = _lung_state(net.node, net.lung, net.compartment, m, now)
        after, p1 = _lung_state(net.node, net.lung, net.compartment, m, new)
        old, out = run.lung_sum[m], run.next_lung_sum[m]
        rise = h / 6.0 * (p0 + 4.0 * alveolar_middle + p1)
        out.alveolar_pressure_integral = old.alveolar_pressure_integral + rise
        out.inspired_volume = old.inspired_volume + _inflow_since(1.0, h, after - before, before, after, q0, q1)
        p0, p1 = now[airway].pressure, new[airway].pressure
        rise = h / 6.0 * (p0 + 4.0 * airway_middle + p1)
        out.airway_pressure_integral = old.airway_pressure_integral + rise
        # The flow at mid-step follows from the balance of the lung: no law has to be evaluated again.
        q_middle = 1.5 * (after - before) / h - 0.25 * (q0 + q1)
        power = p0 * max(q0, 0.0) + 4.0 * airway_middle * max(q_middle, 0.0) + p1 * max(q1, 0.0)
        out.inspiratory_work = old.inspiratory_work + h / 6.0 * power
    port = net.port[0]
    total = now[port].pressure + 4.0 * dense_pressure(run, port, 0.5) + new[port].pressure
    run.next_port_sum[0] = run.port_sum[0] + h / 6.0 * total


@inlined
def _held(node, i, node_at):
    """Gas held by a node in a slot [L]."""
    return node_at[i].volume if node[i].elastic >= 0 else node[i].compliance * node_at[i].pressure


@inlined
def _lung_state(node, lung, compartment, m, node_at):
    """Volume [L] of a lung above its relaxed volume, and its mean alveolar pressure [cmH2O]."""
    volume = pressure = 0.0
    for j in range(lung[m].first, lung[m].last):
        alveoli = compartment[j].node
        volume += _held(node, alveoli, node_at)
        pressure += compartment[j].weight * node_at[alveoli].pressure
    return volume, pressure


@compiled
def _write_row(net, time, leaked_before, node_at, branch_at, gate_at, record):
    """Write pressures, flows and held gas of one sample; return its row, whose integrals are still to fill in."""
    row = record.used[0]
    record.used[0] += 1
    record.time[row] = time
    port = record.port[row]
    port.circuit_volume, port.leaked_volume = 0.0, leaked_before
    for i in range(node_at.shape[0]):
        if net.node[i].counted:
            port.circuit_volume += _held(net.node, i, node_at)
        elif net.node[i].outside:
            port.leaked_volume += net.node[i].compliance * node_at[i].pressure
    for m in range(net.lung.shape[0]):
        sample = record.lung[row, m]
        sample.volume, sample.alveolar_pressure = _lung_state(net.node, net.lung, net.compartment, m, node_at)
        sample.airway_pressure = node_at[net.lung[m].airway].pressure
        sample.flow = branch_at[net.lung[m].branch].flow
    port.inspiratory_port_pressure = node_at[net.port[0]].pressure
    port.expiratory_port_pressure = node_at[net.port[1]].pressure
    # A gate lets nothing back, by its law, however close to closing the sample lies.
    port.inspiratory_port_flow = max(gate_at[SOURCE].flow, 0.0) - max(gate_at[RELIEF].flow, 0.0)
    port.expiratory_port_flow = max(gate_at[EXHALATION].flow, 0.0)
    if record.node_pressure.shape[1] > 0:
        for i in range(node_at.shape[0]):
            record.node_pressure[row, i] = node_at[i].pressure
        for k in range(branch_at.shape[0]):
            flow = branch_at[k].flow
            drop = node_at[net.branch[k].start].pressure - node_at[net.branch[k].end].pressure
            # By the law of a valve: only its leak flows back, however close to closing the sample lies.
            one_way = net.branch[k].kind == ONE_WAY
            record.branch_flow[row, k] = max(flow, net.branch[k].leak * drop) if one_way else flow
    return row


@compiled
def record_state(net, time, run, record):
    """Write a sample of slot NOW (at an instant where the source jumps)."""
    before = run.leaked_before[0]
    row = _write_row(net, time, before, run.node_at[NOW], run.branch_at[NOW], run.gate_at[NOW], record)
    for m in range(run.lung_sum.shape[0]):
        sample, total = record.lung[row, m], run.lung_sum[m]
        sample.inspired_volume, sample.inspiratory_work = total.inspired_volume, total.inspiratory_work
        sample.airway_pressure_integral = total.airway_pressure_integral
        sample.alveolar_pressure_integral = total.alveolar_pressure_integral
    port = record.port[row]
    port.delivered_volume = run.passed[SOURCE] - run.passed[RELIEF]
    port.returned_volume, port.relief_volume = run.passed[EXHALATION], run.passed[RELIEF]
    port.inspiratory_port_pressure_integral = run.port_sum[0]


@inlined
def _passed_at(g, fraction, h, run):
    """Volume [L] that has passed a gate at a fraction of the step."""
    before = run.passed[g]
    flow_before, flow_after = run.gate_at[NOW, g].flow, run.gate_at[NEXT, g].flow
    return cubic(fraction, h, before, before + run.next_passed[g], flow_before, flow_after)


@inlined
def _record_inside(net, time, segment, elapsed, h, fraction, run, record):
    """Write a sample at a fraction of the step from slot NOW to slot NEXT."""
    state_inside(net, segment, time, elapsed, h, fraction, run)
    now, new, at, gate_at = run.node_at[NOW], run.node_at[NEXT], run.node_at[SCRATCH], run.gate_at[SCRATCH]
    row = _write_row(net, time, run.leaked_before[0], at, run.branch_at[SCRATCH], gate_at, record)
    for m in range(net.lung.shape[0]):
        airway, branch = net.lung[m].airway, net.lung[m].branch
        before, alveolar0 = _lung_state(net.node, net.lung, net.compartment, m, now)
        after, alveolar1 = _lung_state(net.node, net.lung, net.compartment, m, new)
        old, end, sample = run.lung_sum[m], run.next_lung_sum[m], record.lung[row, m]
        q0, q1 = run.branch_at[NOW, branch].flow, run.branch_at[NEXT, branch].flow
        inspired = _inflow_since(fraction, h, sample.volume - before, before, after, q0, q1)
        sample.inspired_volume = old.inspired_volume + inspired
        p0, p1 = now[airway].pressure, new[airway].pressure
        sample.airway_pressure_integral = cubic(
            fraction, h, old.airway_pressure_integral, end.airway_pressure_integral, p0, p1
        )
        sample.inspiratory_work = cubic(
            fraction, h, old.inspiratory_work, end.inspiratory_work, p0 * max(q0, 0.0), p1 * max(q1, 0.0)
        )
        sample.alveolar_pressure_integral = cubic(
            fraction, h, old.alveolar_pressure_integral, end.alveolar_pressure_integral, alveolar0, alveolar1
        )
    source, relief = _passed_at(SOURCE, fraction, h, run), _passed_at(RELIEF, fraction, h, run)
    port = record.port[row]
    port.delivered_volume, port.relief_volume = source - relief, relief
    port.returned_volume = _passed_at(EXHALATION, fraction, h, run)
    i = net.port[0]
    port.inspiratory_port_pressure_integral = cubic(
        fraction, h, run.port_sum[0], run.next_port_sum[0], now[i].pressure, new[i].pressure
    )


@compiled
def write_samples(net, segment, began, since, ends, elapsed, h, interval, run, record):
    """Write the samples of the uniform grid inside the accepted step, but not at `since` and `ends`."""
    nearly = 1e-9 * interval
    first, last = began + elapsed, began + elapsed + h
    index = math.ceil((first - nearly) / interval)
    while index * interval < last - nearly:
        time = index * interval
        index += 1
        if time <= since + nearly or time >= ends - nearly:
            continue
        fraction = min(max((time - first) / h, 0.0), 1.0)
        _record_inside(net, time, segment, elapsed, h, fraction, run, record)
