"""Compiled pressure-volume relations and efforts of muscles, and the stages of stores that have them.

The linear algebra treats every store as straight, with its compliance at the start of the step; afterwards volumes
follow from the movements and pressures from the volumes, so that gas is kept exactly.
"""

import math

from ventsim.engine.compiling import compiled, entry
from ventsim.engine.method import STAGES
from ventsim.engine.tables import ELASTIC_CELLS

# Halvings of an inversion of a pressure-volume curve, and the volume [L] beyond which it does not look.
_HALVINGS, _FAR = 200, 1e3

# Slopes of efforts are taken this part of a step away from its ends, where rounding may find the other side of a
# corner [1].
OFF_CORNER = 1e-6


@entry
def elastic_pressure(elastic, volume):
    """Transmural pressure [cmH2O] and elastance [cmH2O/L] of a row of the table `ELASTIC` at a volume [L].

    Not a number where the curve ends: a step that goes there is not accepted.
    """
    if elastic.table_step > 0.0:
        place = (volume - elastic.table_start) / elastic.table_step
        cell = min(max(int(place), 0), ELASTIC_CELLS - 1) if place == place else 0
        t = min(max(place - cell, 0.0), 1.0) if place == place else place
        y0, y1 = elastic.table[cell, 0], elastic.table[cell + 1, 0]
        m0, m1 = elastic.table[cell, 1], elastic.table[cell + 1, 1]
        c2, c3 = 3.0 * (y1 - y0) - 2.0 * m0 - m1, m0 + m1 - 2.0 * (y1 - y0)
        slope = m0 + t * (2.0 * c2 + 3.0 * t * c3)
        # Beyond the table the curve goes on in a straight line.
        return y0 + t * (m0 + t * (c2 + t * c3)) + (place - cell - t) * slope, slope / elastic.table_step
    pressure = (elastic.linear + elastic.quadratic * volume) * volume
    slope = elastic.linear + 2.0 * elastic.quadratic * volume
    if elastic.width > 0.0:
        above = volume - elastic.floor
        left = elastic.vital - above
        if above <= 0.0 or left <= 0.0:
            return math.nan, math.nan
        pressure += elastic.inflection - elastic.width * math.log(left / above)
        slope += elastic.width * elastic.vital / (above * left)
    if elastic.rate > 0.0:
        left = 1.0 - volume / elastic.largest
        if left <= 0.0:
            return math.nan, math.nan
        pressure -= math.log(left) / elastic.rate
        slope += 1.0 / (elastic.rate * elastic.largest * left)
    return pressure, slope


@entry
def elastic_volume(elastic, pressure):
    """Volume [L] at a transmural pressure, by bisection."""
    low, high = -_FAR, _FAR
    if elastic.quadratic > 0.0:  # the parabola turns back below this
        low = -elastic.linear / (2.0 * elastic.quadratic)
    if elastic.width > 0.0:
        low, high = elastic.floor, elastic.floor + elastic.vital
    if elastic.rate > 0.0:
        high = min(high, elastic.largest)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if middle <= low or middle >= high:
            break
        value, _ = elastic_pressure(elastic, middle)
        if value < pressure:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@entry
def effort_pressure(effort, points, time):
    """Pressure of the muscles [cmH2O] and its slope in time, of a row of the table `EFFORT` at a time [s].

    `points` holds times and pressures of all efforts, shape (n, 2).
    """
    phase = time - effort.period * math.floor(time / effort.period)
    first, last = effort.first, effort.first + effort.count - 1
    begin, end = points[first, 0], points[last, 0]
    if phase < begin or phase >= end:
        if effort.half_sine:
            return 0.0, 0.0
        return (points[first, 1] if phase < begin else points[last, 1]), 0.0
    if effort.half_sine:
        rate = math.pi / (end - begin)
        angle = rate * (phase - begin)
        return effort.amplitude * math.sin(angle), effort.amplitude * rate * math.cos(angle)
    k = first
    while k + 1 < last and points[k + 1, 0] <= phase:
        k += 1
    slope = (points[k + 1, 1] - points[k, 1]) / (points[k + 1, 0] - points[k, 0])
    return points[k, 1] + slope * (phase - points[k, 0]), slope


@compiled
def next_effort_point(effort, points, time):
    """First instant [s] after `time` at which any effort over time has a corner; infinity without efforts."""
    nearest = math.inf
    for e in range(effort.shape[0]):
        period = effort[e].period
        start = period * math.floor(time / period)
        for turn in range(2):
            for k in range(effort[e].first, effort[e].first + effort[e].count):
                instant = start + turn * period + points[k, 0]
                if time + 1e-9 < instant < nearest:
                    nearest = instant
    return nearest


@compiled
def longest_smooth_step(effort, points, time, error):
    """Longest step [s] from a time on in which a cubic keeps to every effort within an error [cmH2O].

    The flows do not show how fast the muscles of a lung that closed valves cut off change its pressure.  The error
    of the cubic is at most h⁴/384 times the fourth derivative of the pressure.
    """
    longest = math.inf
    for e in range(effort.shape[0]):
        one = effort[e]
        phase = time - one.period * math.floor(time / one.period)
        begin, end = points[one.first, 0], points[one.first + one.count - 1, 0]
        if one.half_sine and one.amplitude != 0.0 and begin - 1e-9 <= phase < end:
            longest = min(longest, (384.0 * error / abs(one.amplitude)) ** 0.25 * (end - begin) / math.pi)
    return longest


@compiled
def bend_stores(curved, node, elastic, effort, points, clock, row, now, at):
    """Volumes and pressures of the curved stores in a slot whose pressures were found as if they were straight."""
    for c in range(curved.shape[0]):
        i = curved[c]
        at[i].volume = now[i].volume + row[i].compliance * (at[i].pressure - now[i].pressure)
        at[i].pressure, _ = elastic_pressure(elastic[node[i].elastic], at[i].volume)
        if node[i].effort >= 0:
            muscles, _ = effort_pressure(effort[node[i].effort], points, clock)
            at[i].pressure -= muscles


@compiled
def bend_end(curved, node, elastic, effort, points, clock, row, moved, stage, new):
    """Volumes and pressures of the curved stores at the end of a step."""
    for c in range(curved.shape[0]):
        i = curved[c]
        new[i].volume = stage[i].volume + row[i].compliance * moved[i, STAGES - 1]
        new[i].pressure, _ = elastic_pressure(elastic[node[i].elastic], new[i].volume)
        if node[i].effort >= 0:
            muscles, _ = effort_pressure(effort[node[i].effort], points, clock)
            new[i].pressure -= muscles
