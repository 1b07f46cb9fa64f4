"""What a run of hours was like before each of its changes and at its end, as a table."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from ventsim.clock import clock
from ventsim.command.words import fixed
from ventsim.model.changes import Schedule

_MOST_ROWS = 14

# Measure of each lung, its title, what is displayed beside it, the heading of that, unit and digits.
_BLOCKS = (
    ("inspired_tidal_volume", "inspired tidal volume", "displayed_expired_tidal_volume", "expired", "mL", 1),
    (
        "end_inspiratory_alveolar_pressure", "end-inspiratory alveolar pressure",
        "displayed_peak_pressure", "peak", "cmH2O", 2,
    ),
)  # fmt: skip


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


def stage_table(measures: xr.Dataset, shown: xr.Dataset, stages: Sequence[Stage]) -> str:
    """Volume and pressure of each lung, each beside what the ventilator displays."""
    first = max(len(stage.label) for stage in stages) + 2
    lungs = [str(name) for name in measures.lung.values]
    width = max(9, *(len(name) + 7 for name in lungs))
    rows, left_out = list(stages), len(stages) - _MOST_ROWS
    half = _MOST_ROWS // 2
    if left_out > 0:
        rows = rows[:half] + rows[-half:]
    blocks = []
    for true, title, display, displayed, unit, digits in _BLOCKS:
        lines = [
            " " * first + title.ljust(width * len(lungs)) + "   displayed",
            " " * first + "".join(f"lung {name}".rjust(width) for name in lungs) + displayed.rjust(12),
            " " * first + f"[{unit}]".rjust(width) * len(lungs) + f"[{unit}]".rjust(12),
        ]
        if len(title) > width * len(lungs):  # few lungs: the title needs a line of its own
            lines[:1] = [" " * first + title, " " * (first + width * len(lungs)) + "   displayed"]
        for n, stage in enumerate(rows):
            if left_out > 0 and n == half:
                lines.append(f"... {left_out} more, in the file")
            values = measures[true].values[stage.position]
            cells = "".join(fixed(value, digits).rjust(width) for value in values)
            beside = fixed(shown[display][stage.position], digits).rjust(12)
            lines.append(f"{stage.label.ljust(first)}{cells}{beside}")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def _last_before(ends: np.ndarray, time: float) -> int:
    """Position of the last breath that is over by some time; -1 if none is."""
    return int(np.searchsorted(ends, time * (1.0 + 1e-12), side="right")) - 1
