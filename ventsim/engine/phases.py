"""The compiled loop over breaths: segments between jumps, steps with error control, switching and samples."""

import numpy as np

from ventsim.engine.arrays import (
    FIRST_STEP,
    GATES,
    NEXT,
    NOW,
    REJECTED,
    SETTLINGS,
    STEPS,
    SWITCHES,
)
from ventsim.engine.compiling import compiled, inlined
from ventsim.engine.dense import cut_step, prepare_dense
from ventsim.engine.elastic import next_effort_point
from ventsim.engine.laws import choose_side
from ventsim.engine.method import ORDER
from ventsim.engine.sampling import advance_integrals, record_state, write_samples
from ventsim.engine.settling import NOTHING_HELD, junction_residual, settle
from ventsim.engine.stepper import take_step
from ventsim.engine.switching import find_switch, switch

# How a run can end.
FINISHED, STEP_TOO_SMALL, JUNCTION_UNSOLVED, VALVES_CHATTER = range(4)

# Smallest step [s], smallest one remembered as the first of a segment, and step control.
SMALLEST_STEP, SHORTEST_FIRST_STEP = 1e-13, 1e-7
SAFETY, LARGEST_GROWTH, LARGEST_SHRINK = 0.9, 6.0, 0.2
# Junction inflow [L/s] beyond which the junctions are solved anew between steps, or beyond which a run stops.
JUNCTION_DRIFT, JUNCTION_FAILURE = 1e-6, 1e-6
# Largest number of valves that may switch one after the other at one instant.
MOST_STANDSTILLS = 200


@inlined
def _take_over(run):
    """Make the end of the accepted step the new state."""
    for i in range(run.node_at.shape[1]):
        run.node_at[NOW, i].pressure = run.node_at[NEXT, i].pressure
        run.node_at[NOW, i].inflow = run.node_at[NEXT, i].inflow
        run.node_at[NOW, i].volume = run.node_at[NEXT, i].volume
    for k in range(run.branch_at.shape[1]):
        run.branch_at[NOW, k].flow = run.branch_at[NEXT, k].flow
        run.branch_at[NOW, k].slope = run.branch_at[NEXT, k].slope
    for g in range(GATES):
        run.gate_at[NOW, g].flow = run.gate_at[NEXT, g].flow
        run.passed[g] += run.next_passed[g]
    for m in range(run.lung_sum.shape[0]):
        run.lung_sum[m] = run.next_lung_sum[m]
    run.port_sum[0] = run.next_port_sum[0]
    run.counters[STEPS] += 1


@compiled
def run_segment(net, segment, index, began, since, ends, demands, interval, run, record):
    """Run one segment, which begins at time `began`, from the state at time `since` to time `ends`.

    Returns how it ended.
    """
    limit = min(segment.duration, ends - began)
    elapsed = since - began
    recording = record.time.shape[0] > 0
    run.counters[SETTLINGS] += 1
    if not settle(net, segment, elapsed, NOTHING_HELD, run) <= JUNCTION_FAILURE:
        return JUNCTION_UNSOLVED
    if recording:
        record_state(net, since, run, record)
    is_first, standstills = elapsed == 0.0, 0
    h = run.first_step[index] if is_first else FIRST_STEP
    while elapsed < limit:
        remaining = limit - elapsed
        is_last = h >= remaining * (1.0 - 1e-9)
        trial = remaining if is_last else min(h, 0.5 * remaining)
        if net.effort.shape[0] > 0:
            corner = next_effort_point(net.effort, net.effort_points, began + elapsed) - began - elapsed
            if corner < trial * (1.0 - 1e-9):
                trial, is_last = corner, False
        error = take_step(net, segment, began, elapsed, trial, demands.relative, run)
        factor = SAFETY * max(error, 1e-12) ** (-1.0 / ORDER)
        if not error <= 1.0:
            run.counters[REJECTED] += 1
            h = trial * max(LARGEST_SHRINK, factor) if error > 1.0 else trial * LARGEST_SHRINK
            if h < SMALLEST_STEP:
                return STEP_TOO_SMALL
            continue
        prepare_dense(net, began + elapsed + trial, trial, run)
        h = trial * min(LARGEST_GROWTH, max(LARGEST_SHRINK, factor))
        keep, which, crossed = find_switch(net, segment, elapsed, trial, demands.late_volume, run)
        if keep < 1.0:
            run.counters[SWITCHES] += 1
            standstills = standstills + 1 if keep * trial < SMALLEST_STEP else 0
            if standstills > MOST_STANDSTILLS:
                return VALVES_CHATTER
            # What follows is tried with the length that the laws allowed before the valve was met.
            h, is_last = trial, False
            if standstills > 0:
                # If neither state of the valve suits the step, the step is too long to tell.
                if standstills > 1:
                    h = 0.5 * trial
                switch(net, run, which)
                if not settle(net, segment, elapsed, which, run) <= JUNCTION_FAILURE:
                    return JUNCTION_UNSOLVED
                continue
            error = cut_step(net, segment, began, elapsed, trial, keep, demands.relative, run)
            trial *= keep
            if not error <= 1.0:
                h = trial
                continue
        if is_first and not is_last:
            run.first_step[index] = max(trial, SHORTEST_FIRST_STEP)
        is_first = False
        advance_integrals(net, trial, run)
        if recording:
            write_samples(net, segment, began, since, ends, elapsed, trial, interval, run, record)
        _take_over(run)
        elapsed = limit if is_last else elapsed + trial
        if crossed or junction_residual(net.node, run.node_at[NOW]) > JUNCTION_DRIFT:
            run.counters[SETTLINGS] += 1
            if which != NOTHING_HELD:
                switch(net, run, which)
            if not settle(net, segment, elapsed, which, run) <= JUNCTION_FAILURE:
                return JUNCTION_UNSOLVED
    if recording:
        record_state(net, np.nextafter(ends, -np.inf), run, record)
    return FINISHED


@compiled
def run_breaths(net, segments, span, demands, interval, run, record):
    """Run the breaths of a span one after the other.

    Samples lie on multiples of `interval`, and on both sides of every instant between two segments.
    """
    for k in range(net.branch.shape[0]):
        choose_side(net.branch[k], run.is_open[k], net.per_root, run.side[k])
    period = 0.0
    for index in range(segments.shape[0]):
        period += segments[index].duration
    for breath in range(span.first_breath, span.first_breath + span.n_breaths):
        start, offset = span.origin + breath * period, 0.0
        for index in range(segments.shape[0]):
            began = start + offset
            offset += segments[index].duration
            is_last = index == segments.shape[0] - 1
            # One segment ends at the very number at which the next begins, whatever the rounding.
            ends = span.origin + (breath + 1) * period if is_last else start + offset
            if ends <= span.resumed:
                continue
            since, ends = max(began, span.resumed), min(ends, span.stop)
            # At a time of hours, two neighbouring numbers are further apart than the smallest step.
            if ends - since <= max(SMALLEST_STEP, 4e-16 * abs(ends)):
                return FINISHED
            status = run_segment(net, segments[index], index, began, since, ends, demands, interval, run, record)
            if status != FINISHED:
                return status
    return FINISHED
