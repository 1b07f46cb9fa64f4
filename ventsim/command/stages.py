"""What a run of hours was like before each of its changes and at its end, as a table."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from ventsim.model.changes import Schedule
from ventsim.results.schema import VARIABLES
from ventsim.tables import Section, Table, clock

_MOST_ROWS = 14

# Measure of each lung, and what is displayed beside it.
_BESIDE = {
    "inspired_tidal_volume": "displayed_expired_tidal_volume",
    "end_inspiratory_alveolar_pressure": "displayed_peak_pressure",
}


@dataclass(frozen=True, slots=True)
class Stage:
    """A breath to show, by its position, and why it is shown."""

    label: str
    position: int


def stages_of(ends: np.ndarray, schedule: Schedule) -> list[Stage]:
    """The last breath before every instant at which a change begins or ends, and the last of all."""
    found: list[Stage] = []
    for knot in schedule.knots:
        k = _last_before(ends, knot)
        if 0 <= k < len(ends) - 1 and (not found or found[-1].position != k):
            found.append(Stage(f"before {clock(knot)}", k))
    found.append(Stage(f"end, {clock(float(ends[-1]))}", len(ends) - 1))
    return found


def breath_of_limits(ends: np.ndarray, schedule: Schedule) -> int:
    """Position of the breath around which alarm limits are set: the last one before anything has changed.

    The first one where nothing changes, or too early: limits around a later one would take what a change has done
    for what is to be kept.
    """
    begins = [change.at for change in schedule.changes]
    return max(_last_before(ends, min(begins)), 0) if begins else 0


def stage_table(measures: xr.Dataset, shown: xr.Dataset, stages: Sequence[Stage]) -> Table:
    """Volume and pressure of each lung, each beside what the ventilator displays."""
    positions = [stage.position for stage in stages]
    labels = pd.Index([stage.label for stage in stages], name="")
    sections = []
    for true, display in _BESIDE.items():
        names = [f"lung {name}" for name in measures["lung"].values]
        frame = pd.DataFrame(measures[true].values[positions], index=labels, columns=names)
        columns = {name: replace(VARIABLES[true].column, heading=name) for name in names}
        frame["displayed"] = shown[display].values[positions]
        columns["displayed"] = VARIABLES[display].column
        title = VARIABLES[true].long_name
        sections.append(Section(name=true, frame=frame, columns=columns, title=title, most_rows=_MOST_ROWS))
    return Table(sections=sections)


def _last_before(ends: np.ndarray, time: float) -> int:
    """Position of the last breath that is over by some time; -1 if none is."""
    return int(np.searchsorted(ends, time * (1.0 + 1e-12), side="right")) - 1
