"""The compiled loop over the segments of breaths: steps with error control, events, samples, and the clock."""

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
    forget_extremes,
)
from ventsim.engine.compiling import compiled, entry, inlined
from ventsim.engine.consistency import GATE_SWITCH, NOTHING_HELD, hold_cut_off, junction_residual, settle
from ventsim.engine.dense import cut_step, prepare_dense
from ventsim.engine.elastic import longest_smooth_step, next_effort_point
from ventsim.engine.events import SEGMENT_END, excess_at, find_event, segment_excess, switch
from ventsim.engine.laws import choose_side, next_corner
from ventsim.engine.method import ORDER
from ventsim.engine.sampling import advance_integrals, record_state, write_samples
from ventsim.engine.stepper import take_step

# How a run can end.
FINISHED, STEP_TOO_SMALL, JUNCTION_UNSOLVED, VALVES_CHATTER = range(4)

# What becomes of a trial step: it stands, perhaps cut short; it is tried again; an event lies where it begins.
ACCEPT, REJECT, STAND = range(3)

# Smallest step [s], smallest one remembered as the first of a segment, and step control.
SMALLEST_STEP, SHORTEST_FIRST_STEP = 1e-13, 1e-7
SAFETY, LARGEST_GROWTH, LARGEST_SHRINK = 0.9, 6.0, 0.2
# Junction inflow [L/s] beyond which the junctions are solved anew between steps, or beyond which a run stops.
JUNCTION_DRIFT, JUNCTION_FAILURE = 1e-6, 1e-6
# Corrections of the instant at which a gate switches, by the slope over this last part of a step.
CORRECTIONS, SHORT_OF_END = 2, 0.01
# Largest number of valves that may switch one after the other at one instant.
MOST_STANDSTILLS = 200
# Largest number of steps, tried ones too, in a segment: some seconds of work. Some thousands are usual; where
# rounding leaves no accuracy, as in a lung filled to the very end of its curve, there would be no end.
MOST_ATTEMPTS = 500_000


@inlined
def _take_over(run):
    """Make the end of the accepted step the new state."""
    for i in range(run.node_at.shape[1]):
        run.node_at[NOW, i] = run.node_at[NEXT, i]
    for k in range(run.branch_at.shape[1]):
        run.branch_at[NOW, k] = run.branch_at[NEXT, k]
    for g in range(GATES):
        run.gate_at[NOW, g] = run.gate_at[NEXT, g]
        # Compensated summation (W. Kahan, 1965, from memory): over hours the rounding of small steps would show.
        step = run.next_passed[g] - run.passed_rest[g]
        total = run.passed[g] + step
        run.passed_rest[g] = (total - run.passed[g]) - step
        run.passed[g] = total
    for m in range(run.lung_sum.shape[0]):
        run.lung_sum[m] = run.next_lung_sum[m]
    run.port_sum[0] = run.next_port_sum[0]
    run.counters[STEPS] += 1


@inlined
def _shortest(time):
    """Shortest time that counts [s]: after hours neighbouring numbers are further apart than the smallest step."""
    return max(SMALLEST_STEP, 4e-16 * abs(time))


@inlined
def _trial_length(net, segment, began, elapsed, h, remaining):
    """Length of the next trial step, not beyond a corner of source or effort, and whether it ends the segment."""
    is_last = h >= remaining * (1.0 - 1e-9)
    trial = remaining if is_last else min(h, 0.5 * remaining)
    corner = next_corner(segment, elapsed) - elapsed
    if net.effort.shape[0] > 0:
        corner = min(corner, next_effort_point(net.effort, net.effort_points, began + elapsed) - (began + elapsed))
    if corner < trial * (1.0 - 1e-9):
        trial, is_last = corner, False
    return trial, is_last


@compiled
def _step_to_gate(net, segment, began, elapsed, h, longest, which, relative, run):
    """End a step of about length `h` at the instant of an event of a gate; return its length and error.

    The flows have a kink there, often their peak, so the instant is found on steps that end there: the continuous
    output is less exact.
    """
    error = 0.0
    for correction in range(CORRECTIONS + 1):
        error = take_step(net, segment, began, elapsed, h, relative, run)
        prepare_dense(net, segment, began, elapsed, h, run)
        if correction < CORRECTIONS:
            after = excess_at(net, segment, began, elapsed, h, which, 1.0, run)
            before = excess_at(net, segment, began, elapsed, h, which, 1.0 - SHORT_OF_END, run)
            part = SHORT_OF_END * after / (after - before) if after != before else 0.0
            if abs(part) < SHORT_OF_END:
                h = min(h * (1.0 - part), longest)
    return h, error


@compiled
def _attempt(net, segment, began, elapsed, trial, demands, run):
    """Try a step and cut it short where an event lies.

    Returns a verdict, the length of the accepted step, the length to try next, the event at its end and whether a
    valve has crossed.
    """
    error = take_step(net, segment, began, elapsed, trial, demands.relative, run)
    factor = SAFETY * max(error, 1e-12) ** (-1.0 / ORDER)
    if not error <= 1.0:
        run.counters[REJECTED] += 1
        shrunk = trial * max(LARGEST_SHRINK, factor) if error > 1.0 else trial * LARGEST_SHRINK
        return REJECT, 0.0, shrunk, NOTHING_HELD, False
    prepare_dense(net, segment, began, elapsed, trial, run)
    keep, which, crossed = find_event(net, segment, began, elapsed, trial, demands.late_volume, run)
    if keep == 1.0:
        return ACCEPT, trial, trial * min(LARGEST_GROWTH, max(LARGEST_SHRINK, factor)), which, crossed
    # What follows the event is tried with the length that the laws allowed before it was met.
    run.counters[SWITCHES] += 1
    if keep * trial < SMALLEST_STEP:
        return STAND, 0.0, trial, which, crossed
    length = keep * trial
    if SEGMENT_END < which <= GATE_SWITCH:
        length, error = _step_to_gate(net, segment, began, elapsed, length, trial, which, demands.relative, run)
    else:
        error = cut_step(net, segment, began, elapsed, trial, keep, demands.relative, run)
    if not error <= 1.0:
        return REJECT, 0.0, length, NOTHING_HELD, False
    return ACCEPT, length, trial, which, crossed


@compiled
def _run_segment(net, segment, index, ends, demands, interval, run, record):
    """Run the segment under way on from the present time, to time `ends` or to where its condition ends it.

    Returns how the run ended and whether the condition ended the segment.
    """
    clock, began, since = run.clock[0], run.segment_start[index], run.clock[0].now
    elapsed, limit = since - began, ends - began
    if abs(limit - segment.duration) <= _shortest(ends):
        limit = min(limit, segment.duration)  # the source is given for its duration, whatever the rounding
    recording = record.time.shape[0] > 0
    run.counters[SETTLINGS] += 1
    if not settle(net, segment, elapsed, NOTHING_HELD, run) <= JUNCTION_FAILURE:
        return JUNCTION_UNSOLVED, False
    if recording:
        record_state(net, since, run, record)
    is_first, standstills, is_over = elapsed == 0.0, 0, False
    h = run.first_step[index] if is_first else FIRST_STEP
    is_behind_kink = True
    attempts = 0
    while elapsed < limit and not is_over:
        attempts += 1
        if attempts > MOST_ATTEMPTS:
            return STEP_TOO_SMALL, False
        excess = segment_excess(segment, run.gate_at[NOW])
        is_over = clock.armed and excess < 0.0
        if is_over:
            break
        clock.armed = clock.armed or excess >= 0.0
        if net.effort.shape[0] > 0:
            h = min(h, longest_smooth_step(net.effort, net.effort_points, began + elapsed, demands.absolute))
        trial, is_last = _trial_length(net, segment, began, elapsed, h, limit - elapsed)
        is_cut = trial < h
        verdict, length, h, which, crossed = _attempt(net, segment, began, elapsed, trial, demands, run)
        if verdict == REJECT:
            if h < SMALLEST_STEP:
                return STEP_TOO_SMALL, False
            continue
        is_over = which == SEGMENT_END
        if verdict == ACCEPT:
            is_last = is_last and length == trial
            if is_first and not is_last:
                run.first_step[index] = max(length, SHORTEST_FIRST_STEP)
            is_first = False
            standstills = standstills if length == trial else 0
            if net.cut_off.shape[0] > 0:
                for i in range(run.row.shape[0]):
                    run.row[i].before = run.node_at[NOW, i].pressure
                hold_cut_off(net, segment, NEXT, run)
            advance_integrals(net, segment, began, elapsed, length, demands.relative, is_behind_kink, run)
            is_behind_kink = is_cut and length == trial
            if recording:
                stop = began + elapsed + length if is_over else ends
                write_samples(net, segment, began, since, stop, elapsed, length, interval, run, record)
            _take_over(run)
            elapsed = limit if is_last else elapsed + length
            crossed = crossed or is_over or junction_residual(net.node, run.node_at[NOW]) > JUNCTION_DRIFT
            run.counters[SETTLINGS] += crossed
        elif not is_over:
            standstills += 1
            if standstills > MOST_STANDSTILLS:
                return VALVES_CHATTER, False
            # If neither state of the valve suits the step, the step is too long to tell.
            h = 0.5 * trial if standstills > 1 else trial
            crossed = True
        if crossed:
            is_behind_kink = True
            held = NOTHING_HELD if is_over else which
            if held != NOTHING_HELD:
                switch(net, run, held)
            if not settle(net, segment, elapsed, held, run) <= JUNCTION_FAILURE:
                return JUNCTION_UNSOLVED, False
    if is_over:
        ends = max(began + elapsed, since + _shortest(since))
    if recording:
        record_state(net, np.nextafter(ends, -np.inf), run, record)
    clock.now = ends
    return FINISHED, is_over


@inlined
def _end_segment(segments, is_early, run, record):
    """Go on to the next segment, and to the next breath after the last one; return whether the breath has ended.

    A breath that ends by time begins the next one at a multiple of the period after the origin, so that rounding
    does not add up; one that ends early is a new origin.
    """
    clock, n = run.clock[0], segments.shape[0]
    clock.segment += 1
    clock.armed = False
    has_ended = clock.segment == n
    if has_ended:
        forget_extremes(run)
        if record.n_breaths[0] < record.phase.shape[0]:
            for index in range(n):
                record.phase[record.n_breaths[0], index] = run.segment_start[index]
            record.phase[record.n_breaths[0], n] = clock.now
            record.n_breaths[0] += 1
        clock.turn += 1
        if is_early:
            clock.origin, clock.turn = clock.now, 0
        clock.breaths += 1
        clock.segment = 0
    run.segment_start[clock.segment] = clock.now
    return has_ended


@entry
def run_breaths(net, segments, n_breaths, stop, demands, interval, run, record):
    """Go on from where the clock stands until so many breaths have ended, or to the time `stop`.

    A segment lasts for its duration unless its condition ends it early; the last one lasts until the next breath
    is due.  Samples lie on multiples of `interval`, and on both sides of every instant between two segments.
    """
    for k in range(net.branch.shape[0]):
        choose_side(net.branch[k], run.is_open[k], net.per_root, run.side[k])
    clock, period = run.clock[0], 0.0
    for index in range(segments.shape[0]):
        period += segments[index].duration
    while n_breaths > 0:
        index = clock.segment
        ends = run.segment_start[index] + segments[index].duration
        if index == segments.shape[0] - 1:
            ends = clock.origin + (clock.turn + 1) * period
        if stop - clock.now <= _shortest(clock.now):
            return FINISHED
        is_early = False
        if ends - clock.now > _shortest(ends):
            limit = min(ends, stop)
            status, is_early = _run_segment(net, segments[index], index, limit, demands, interval, run, record)
            if status != FINISHED or (stop < ends and not is_early):
                return status
        if not is_early:
            clock.now = ends
        if _end_segment(segments, is_early, run, record):
            n_breaths -= 1
    return FINISHED
