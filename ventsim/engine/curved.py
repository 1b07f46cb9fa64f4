"""Stages of the stores whose pressure is not in proportion to their volume.

The linear algebra treats every store as straight, with its compliance at the start of the step; afterwards volumes
follow from the movements and pressures from the volumes, so that gas is kept exactly.
"""

from ventsim.engine.arrays import STAGES
from ventsim.engine.compiling import compiled
from ventsim.engine.elastic import effort_pressure, elastic_pressure


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
