"""Running integrals over a step and samples at chosen times, from the continuous output of the stepper."""

import math

from ventsim.engine.arrays import EDGES, EXHALATION, GATE_LIMITED, GATES, KEPT, NEXT, NOW, RELIEF, SCRATCH, SOURCE
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.consistency import junction_residual
from ventsim.engine.dense import cubic, dense_pressure, highest_fraction, parabola_root, state_inside
from ventsim.engine.elastic import effort_pressure
from ventsim.engine.laws import ONE_WAY, missed_volume
from ventsim.engine.stepper import take_step

# How close [1] a flow has to come to the highest so far, to be looked at more closely; slope at an end of a step,
# as a part of the mean one, up to which the flow may turn inside; residual of junctions [L/s] that leaves no mark.
NEARLY, UNSURE, BALANCED = 1e-2, 0.5, 1e-7
# Fractions of a step at which flows show the slopes at its ends; distance from an end at which a top is tried.
EDGE, NEAR_END = 0.01, 0.1
EDGE_FRACTIONS = (0.0, EDGE, 1.0 - EDGE, 1.0)
# Largest number of parabolas by which a top is sought, and the gain [1] at which it is found.
PARABOLAS, EXACT_TOP = 5, 1e-7
# Gauss's rule of three points on (-1, 1): 0 and ±sqrt(3/5), with the weights 8/9 and 5/9.
GAUSS_POINT, MIDDLE_WEIGHT, OUTER_WEIGHT = math.sqrt(0.6), 8.0 / 9.0, 5.0 / 9.0


@inlined
def _lung_flow(h, before, after, flow_before, flow_after):
    """Coefficients of the parabola of a lung's flow over a step: the slope of the cubic of its volume."""
    mean = (after - before) / h
    return 6.0 * mean - 4.0 * flow_before - 2.0 * flow_after, 3.0 * (flow_before + flow_after) - 6.0 * mean


@inlined
def _inflow_since(fraction, h, stored, before, after, flow_before, flow_after):
    """Gas [L] that entered a lung in the first part of a step, what left it again not subtracted.

    `stored` is the change of its volume over that part.
    """
    if flow_before >= 0.0 and flow_after >= 0.0:
        return stored
    if flow_before <= 0.0 and flow_after <= 0.0:
        return 0.0
    slope, curve = _lung_flow(h, before, after, flow_before, flow_after)
    turn = parabola_root(flow_before, slope, curve)
    at_turn = cubic(turn, h, before, after, flow_before, flow_after) - before
    if flow_before > 0.0:
        return stored if fraction <= turn else at_turn
    return 0.0 if fraction <= turn else stored - at_turn


@inlined
def _work(run, airway, h, before, after, flow_before, flow_after):
    """Work [cmH2O·L] of airway pressure on the gas that enters a lung in a step, up to a reversal or from it on.

    Gauss's rule of three points is exact for the product of the cubic of pressure and the parabola of flow.
    """
    if flow_before <= 0.0 and flow_after <= 0.0:
        return 0.0
    slope, curve = _lung_flow(h, before, after, flow_before, flow_after)
    first, last = 0.0, 1.0
    if flow_before < 0.0 or flow_after < 0.0:
        turn = parabola_root(flow_before, slope, curve)
        first, last = (turn, 1.0) if flow_before < 0.0 else (0.0, turn)
    middle, half, total = 0.5 * (first + last), 0.5 * (last - first), 0.0
    for point in range(3):
        at = middle + (point - 1) * GAUSS_POINT * half
        flow = flow_before + at * (slope + at * curve)
        total += (OUTER_WEIGHT if point != 1 else MIDDLE_WEIGHT) * dense_pressure(run, airway, at) * flow
    return h * half * total


@inlined
def _backward(net, k, sign, at, node_at):
    """Flow against the direction of the limb whose end is branch `k`; of a valve, only its leak flows back."""
    flow = at[k].flow
    if net.branch[k].kind == ONE_WAY:
        flow = max(
            flow,
            net.branch[k].leak * (node_at[net.branch[k].start].pressure - node_at[net.branch[k].end].pressure),
        )
    return -sign * flow


@inlined
def _backflow(net, m, side, h, run):
    """Gas [L] that passed the end of a lung's limb at the Y-piece in a step, against the limb's direction."""
    k, sign = net.lung[m].limb[side], net.lung[m].limb_sign[side]
    if k < 0:
        return 0.0
    before = _backward(net, k, sign, run.branch_at[NOW], run.node_at[NOW])
    after = _backward(net, k, sign, run.branch_at[NEXT], run.node_at[NEXT])
    passed = -sign * run.limb_passed[m, side]
    return max(_inflow_since(1.0, h, passed, 0.0, passed, before, after), 0.0)


@compiled
def _copy_end(run, source, target):
    """Copy a slot, and what has passed the gates until then."""
    for i in range(run.node_at.shape[1]):
        run.node_at[target, i] = run.node_at[source, i]
    for k in range(run.branch_at.shape[1]):
        run.branch_at[target, k] = run.branch_at[source, k]
    for g in range(GATES):
        run.gate_at[target, g] = run.gate_at[source, g]
        if target == KEPT:
            run.kept_passed[g] = run.next_passed[g]
        else:
            run.next_passed[g] = run.kept_passed[g]


@compiled
def _try_until(net, segment, began, elapsed, h, relative, run):
    """Slot SCRATCH: the state after a step of length `h`, which is only tried, with its junctions in balance."""
    _copy_end(run, NEXT, KEPT)
    take_step(net, segment, began, elapsed, h, relative, run)
    state_inside(net, segment, began + elapsed + h, elapsed, h, 1.0, run)
    _copy_end(run, KEPT, NEXT)


@compiled
def _top_flow(net, segment, began, elapsed, h, relative, is_behind_kink, run, k, sign, at):
    """Highest flow of a branch inside a step, in direction `sign`; `at` is about the fraction where it lies.

    The values are those of steps that end there, because behind a jump, where small stores fill in a part of a
    step, the continuous output is less exact than the end of a step.  The fraction is improved by parabolas.
    """
    first, last = 0.0, 1.0
    low, high = sign * run.branch_at[NOW, k].flow, sign * run.branch_at[NEXT, k].flow
    _try_until(net, segment, began, elapsed, at * h, relative, run)
    top = sign * run.branch_at[SCRATCH, k].flow
    for _ in range(PARABOLAS):
        before, after = (top - low) / (at - first), (top - high) / (last - at)
        if not before + after > 0.0:
            break
        move = 0.5 * (before * (last - at) - after * (at - first)) / (before + after)
        gain = move * move * (before + after) / (last - first)
        is_inside = first < at + move < last and top + gain > max(low, high)
        if gain < EXACT_TOP * abs(top) or not (is_inside or is_behind_kink):
            break
        tried = min(max(at + move, at - 0.9 * (at - first)), at + 0.9 * (last - at))
        _try_until(net, segment, began, elapsed, tried * h, relative, run)
        flow = sign * run.branch_at[SCRATCH, k].flow
        is_higher, is_later = flow > top, tried > at
        outer, outer_flow = (at, top) if is_higher else (tried, flow)
        if is_higher == is_later:
            first, low = outer, outer_flow
        else:
            last, high = outer, outer_flow
        if is_higher:
            at, top = tried, flow
    return top


@compiled
def _find_edges(net, segment, began, elapsed, h, relative, is_behind_kink, run):
    """Flows of all lungs at both ends of a step and a little inside, in balanced states: `edge_flow`."""
    for edge in range(EDGES):
        fraction = EDGE_FRACTIONS[edge]
        if edge == 1 and is_behind_kink:
            # What small stores do there, only a step that ends there shows.
            _try_until(net, segment, began, elapsed, fraction * h, relative, run)
        else:
            state_inside(net, segment, began + elapsed + fraction * h, elapsed, h, fraction, run)
        for m in range(net.lung.shape[0]):
            run.edge_flow[m, edge] = run.branch_at[SCRATCH, net.lung[m].branch].flow


@compiled
def _advance_peaks(net, segment, began, elapsed, h, relative, is_behind_kink, run):
    """Highest and lowest flow of each lung at the end of the step.

    Junctions are out of balance in the continuous output, and a little at the end of a step.  So where a flow may
    be highest inside a step, its ends are looked at in balance.
    """
    unbalanced = net.has_junctions and junction_residual(net.node, run.node_at[NEXT]) > BALANCED
    has_edges = False
    for m in range(net.lung.shape[0]):
        k, old, out = net.lung[m].branch, run.lung_sum[m], run.next_lung_sum[m]
        a, b, now, new = net.branch[k].start, net.branch[k].end, run.node_at[NOW], run.node_at[NEXT]
        rise = new[a].pressure - now[a].pressure - new[b].pressure + now[b].pressure
        first, second = run.row[a].dense1 - run.row[b].dense1, run.row[a].dense2 - run.row[b].dense2
        # How much the flow would change in the step at the slope of either end.
        steepest = run.branch_at[NEXT, k].slope * max(abs(rise + first), abs(rise - first - second))
        for side in range(2):
            sign, known = (1.0, old.highest_flow) if side == 0 else (-1.0, -old.lowest_flow)
            before, after = sign * run.branch_at[NOW, k].flow, sign * run.branch_at[NEXT, k].flow
            highest = max(before, after)
            may_turn = is_behind_kink or steepest > EXACT_TOP * abs(highest)
            if may_turn and highest >= known - NEARLY * abs(known):
                is_steady = min(rise * (rise + first), rise * (rise - first - second)) > UNSURE * rise * rise
                if unbalanced or not is_steady or (is_behind_kink and before >= after):
                    if not has_edges:
                        _find_edges(net, segment, began, elapsed, h, relative, is_behind_kink, run)
                        has_edges = True
                    before, after = sign * run.edge_flow[m, 0], sign * run.edge_flow[m, 3]
                    start = (sign * run.edge_flow[m, 1] - before) / EDGE
                    end = (after - sign * run.edge_flow[m, 2]) / EDGE
                    change = after - before
                    at = highest_fraction(change, start - change, 2.0 * change - start - end)
                    highest = max(before, after)
                    if is_behind_kink and start > 0.0:
                        at = EDGE
                    elif at < 0.0 and abs(end) < UNSURE * abs(change):
                        at = 1.0 - NEAR_END
                    elif at < 0.0 and abs(start) < UNSURE * abs(change):
                        at = NEAR_END
                    if at >= 0.0:
                        at = min(max(at, EDGE), 1.0 - EDGE)
                        top = _top_flow(
                            net, segment, began, elapsed, h, relative, is_behind_kink, run, k, sign, at
                        )
                        highest = max(highest, top)
            highest = max(known, highest)
            if side == 0:
                out.highest_flow = highest
            else:
                out.lowest_flow = -highest


@inlined
def _highest_pressure(run, i):
    """Highest pressure of a node in a step."""
    before, after = run.node_at[NOW, i].pressure, run.node_at[NEXT, i].pressure
    at = highest_fraction(after - before, run.row[i].dense1, run.row[i].dense2)
    highest = max(before, after)
    return max(highest, dense_pressure(run, i, at)) if at >= 0.0 else highest


@inlined
def advance_integrals(net, segment, began, elapsed, h, relative, is_behind_kink, run):
    """Running integrals of lungs and port at the end of the step, by rules exact for the continuous output."""
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
        out.inspiratory_work = old.inspiratory_work + _work(run, airway, h, before, after, q0, q1)
        out.highest_airway_pressure = max(old.highest_airway_pressure, _highest_pressure(run, airway))
        out.inspiratory_limb_backflow = old.inspiratory_limb_backflow + _backflow(net, m, 0, h, run)
        out.expiratory_limb_backflow = old.expiratory_limb_backflow + _backflow(net, m, 1, h, run)
    # Steps that are only tried overwrite what has passed the limbs, so the peaks of flows come last.
    _advance_peaks(net, segment, began, elapsed, h, relative, is_behind_kink, run)
    port, before, after = net.port[0], run.port_sum[0], run.next_port_sum[0]
    total = now[port].pressure + 4.0 * dense_pressure(run, port, 0.5) + new[port].pressure
    after.inspiratory_port_pressure_integral = before.inspiratory_port_pressure_integral + h / 6.0 * total
    # Where there is pressure relief, nothing is above it.
    highest = max(before.highest_inspiratory_port_pressure, min(_highest_pressure(run, port), net.relief_pressure))
    after.highest_inspiratory_port_pressure = highest
    missed = missed_volume(segment, elapsed, h)
    is_limited = missed > 0.0 or run.gate_mode[SOURCE] == GATE_LIMITED
    after.limited_time = before.limited_time + (h if is_limited else 0.0)
    after.missed_volume = before.missed_volume + missed


@inlined
def _held(node, i, node_at):
    """Gas held by a node in a slot [L]."""
    return node_at[i].volume if node[i].elastic >= 0 else node[i].compliance * node_at[i].pressure


@inlined
def _lung_state(node, lung, compartment, m, node_at):
    """Volume [L] of a lung above its relaxation volume, and its mean alveolar pressure [cmH2O]."""
    volume = pressure = 0.0
    for j in range(lung[m].first, lung[m].last):
        alveoli = compartment[j].node
        volume += _held(node, alveoli, node_at)
        pressure += compartment[j].weight * node_at[alveoli].pressure
    return volume, pressure


@compiled
def _write_row(net, time, leaked_before, gate_mode, node_at, branch_at, gate_at, record):
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
        sample.elastic_pressure = sample.alveolar_pressure
        for j in range(net.lung[m].first, net.lung[m].last):
            effort = net.node[net.compartment[j].node].effort
            if effort >= 0:
                muscles, _ = effort_pressure(net.effort[effort], net.effort_points, time)
                sample.elastic_pressure += net.compartment[j].weight * muscles
        sample.flow = branch_at[net.lung[m].branch].flow
    port.inspiratory_port_pressure = node_at[net.port[0]].pressure
    port.expiratory_port_pressure = node_at[net.port[1]].pressure
    # A gate lets nothing back, by its law, however close to closing the sample lies.
    port.inspiratory_port_flow = max(gate_at[SOURCE].flow, 0.0) - max(gate_at[RELIEF].flow, 0.0)
    port.expiratory_port_flow = max(gate_at[EXHALATION].flow, 0.0)
    port.missed_pressure = 0.0
    if gate_mode[SOURCE] == GATE_LIMITED:
        reached = node_at[net.gate[SOURCE].node].pressure + net.gate[SOURCE].resistance * gate_at[SOURCE].flow
        port.missed_pressure = gate_at[SOURCE].pressure - reached
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


@inlined
def _write_limbs(sample, lung, old, end, fraction):
    """Gas in the limbs of a lung and what has come back, on a straight line over a step; NaN without a limb."""
    rest = 1.0 - fraction
    sample.inspiratory_limb_volume, sample.expiratory_limb_volume = lung.limb_gas[0], lung.limb_gas[1]
    sample.inspiratory_limb_backflow = sample.expiratory_limb_backflow = math.nan
    if lung.limb[0] >= 0:
        back = rest * old.inspiratory_limb_backflow + fraction * end.inspiratory_limb_backflow
        sample.inspiratory_limb_backflow = back
    if lung.limb[1] >= 0:
        back = rest * old.expiratory_limb_backflow + fraction * end.expiratory_limb_backflow
        sample.expiratory_limb_backflow = back


@inlined
def _write_extremes(sample, total):
    """Extremes since the start of the breath."""
    sample.highest_airway_pressure = max(total.highest_airway_pressure, sample.airway_pressure)
    sample.highest_flow = max(total.highest_flow, sample.flow)
    sample.lowest_flow = min(total.lowest_flow, sample.flow)


@compiled
def record_state(net, time, run, record):
    """Write a sample of slot NOW (at an instant where the source jumps)."""
    before, now_branch, now_gate = run.leaked_before[0], run.branch_at[NOW], run.gate_at[NOW]
    row = _write_row(net, time, before, run.gate_mode, run.node_at[NOW], now_branch, now_gate, record)
    for m in range(run.lung_sum.shape[0]):
        sample, total = record.lung[row, m], run.lung_sum[m]
        sample.inspired_volume, sample.inspiratory_work = total.inspired_volume, total.inspiratory_work
        sample.airway_pressure_integral = total.airway_pressure_integral
        sample.alveolar_pressure_integral = total.alveolar_pressure_integral
        _write_limbs(sample, net.lung[m], total, total, 0.0)
        _write_extremes(sample, total)
    port, total = record.port[row], run.port_sum[0]
    highest = max(total.highest_inspiratory_port_pressure, port.inspiratory_port_pressure)
    port.highest_inspiratory_port_pressure = highest
    port.delivered_volume = run.passed[SOURCE] - run.passed[RELIEF]
    port.returned_volume, port.relief_volume = run.passed[EXHALATION], run.passed[RELIEF]
    port.inspiratory_port_pressure_integral = total.inspiratory_port_pressure_integral
    port.limited_time, port.missed_volume = total.limited_time, total.missed_volume


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
    leaked = run.leaked_before[0]
    row = _write_row(net, time, leaked, run.gate_mode, at, run.branch_at[SCRATCH], gate_at, record)
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
        _write_extremes(sample, old)
        _write_limbs(sample, net.lung[m], old, end, fraction)
    source, relief = _passed_at(SOURCE, fraction, h, run), _passed_at(RELIEF, fraction, h, run)
    port, i, total, end = record.port[row], net.port[0], run.port_sum[0], run.next_port_sum[0]
    highest = max(total.highest_inspiratory_port_pressure, port.inspiratory_port_pressure)
    port.highest_inspiratory_port_pressure = highest
    port.delivered_volume, port.relief_volume = source - relief, relief
    port.returned_volume = _passed_at(EXHALATION, fraction, h, run)
    before, after = total.inspiratory_port_pressure_integral, end.inspiratory_port_pressure_integral
    port.inspiratory_port_pressure_integral = cubic(fraction, h, before, after, now[i].pressure, new[i].pressure)
    port.limited_time = total.limited_time + fraction * (end.limited_time - total.limited_time)
    port.missed_volume = total.missed_volume + missed_volume(segment, elapsed, fraction * h)


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
