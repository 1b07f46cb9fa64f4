"""Flow laws as tables: any monotone pressure-flow relation at the price of a look-up.

The flow is tabulated in equal cells of the fourth root of the pressure drop, and interpolated by cubics that share
value and slope at the edges.
"""

import math
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np

from ventsim.engine.compiling import inlined
from ventsim.errors import PartError
from ventsim.units import ML_PER_L, FloatArray

CELLS = 1024
# Pressure drop [cmH2O] that rounds off the fourth root at rest.
ROUNDED = 1e-4
ROOT_AT_REST = ROUNDED**0.25
# Flow [L/s] below which errors are not counted relatively.
SMALL_FLOW = 1e-2
# Error of a table [1] that is still called a table of the law.
LARGEST_ERROR = 1e-2
_HALVINGS = 90
_NEARLY_REST = 1e-12
_DIFFERENCE = 1e-6


class RisingLaw(Protocol):
    """A pressure drop that rises with the flow, up to a largest flow [L/s]."""

    largest_flow: float

    def pressure_drop(self, flow: float | FloatArray) -> FloatArray:
        """Pressure drop [cmH2O] at flows [L/s]."""


class ElasticLawLike(Protocol):
    """A pressure that rises with the volume."""

    def pressure(self, volume: float | FloatArray) -> FloatArray:
        """Pressure [cmH2O] at volumes above relaxation volume [mL]."""

    def volume(self, pressure: FloatArray) -> FloatArray:
        """Volume above relaxation volume [mL] at pressures [cmH2O]."""


class FlowTable(NamedTuple):
    """A tabulated law.

    Attributes
    ----------
    cells : array of shape (CELLS + 1, 2)
        Flow [L/s] and its change per cell at the edges of the cells.
    per_root : float
        Cells for each unit of the fourth root.
    error : float
        Largest deviation of the flow from the law, half-way between the edges, relative to the flow plus 10 mL/s.
    """

    cells: FloatArray
    per_root: float
    error: float


@lru_cache(maxsize=512)
def tabulate(law: RisingLaw) -> FlowTable:
    """Tabulate a law for flows up to its largest one; beyond, the table goes on in a straight line."""
    _check_rising(law)
    largest_drop = float(law.pressure_drop(law.largest_flow))
    largest_root = (largest_drop + ROUNDED) ** 0.25 - ROOT_AT_REST
    roots = np.linspace(0.0, largest_root, 2 * CELLS + 1) + ROOT_AT_REST
    drops = roots**4 - ROUNDED
    drops[0] = 0.0
    flows = _invert(law, drops)
    step = np.maximum(_DIFFERENCE * flows, 1e-9)
    low = np.maximum(flows - step, 0.0)
    resistance = (law.pressure_drop(flows + step) - law.pressure_drop(low)) / (flows + step - low)
    width = largest_root / CELLS
    slopes = 4.0 * roots**3 / resistance * width
    cells = np.column_stack([flows[::2], slopes[::2]])
    middle = 0.5 * (cells[:-1, 0] + cells[1:, 0]) + 0.125 * (cells[:-1, 1] - cells[1:, 1])
    error = float((np.abs(middle - flows[1::2]) / (flows[1::2] + SMALL_FLOW)).max())
    if not error < LARGEST_ERROR:
        raise PartError(
            f"flow law {law}: a table would be off by {error:.3g} of the flow.\n"
            f"  Allowed: {LARGEST_ERROR:g}. Give the law a finite slope above 0 at rest, and no corners."
        )
    return FlowTable(np.ascontiguousarray(cells), 1.0 / width, error)


def _check_rising(law: RisingLaw) -> None:
    """Refuse a law that is no rising pressure drop from 0 on."""
    flows = np.append(_NEARLY_REST, np.linspace(0.0, law.largest_flow, 4001)[1:])
    with np.errstate(all="ignore"):
        drops = np.asarray(law.pressure_drop(flows), dtype=float)
    wrong = ""
    if drops.shape != flows.shape or not np.isfinite(drops).all():
        wrong = "its pressure drop is not one finite number for each flow"
    elif abs(drops[0]) > 1e-6 * np.abs(drops).max():
        wrong = f"its pressure drop at rest is {drops[0]:.3g} cmH2O"
    elif not (np.diff(drops) > 0).all():
        place = flows[1:][np.diff(drops) <= 0][0]
        wrong = f"its pressure drop does not rise at {place:.3g} L/s"
    if wrong:
        allowed = f"0 at rest and rising up to {law.largest_flow:g} L/s"
        raise PartError(f"flow law {law}: {wrong}.\n  Allowed: {allowed}.")


def _invert(law: RisingLaw, drops: FloatArray) -> FloatArray:
    """Flows at given pressure drops, by bisection of the rising law."""
    low, high = np.zeros_like(drops), np.full_like(drops, law.largest_flow)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = law.pressure_drop(middle) < drops
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    flows = 0.5 * (low + high)
    flows[0] = 0.0
    return flows


ELASTIC_CELLS = 512
# Pressures between which a pressure-volume law is tabulated; beyond, it goes on in a straight line [cmH2O].
ELASTIC_RANGE = (-100.0, 200.0)


@lru_cache(maxsize=512)
def elastic_table(law: ElasticLawLike) -> tuple[float, float, FloatArray]:
    """A pressure-volume law as equal cells of volume: first volume [L], width of a cell [L], pressures and slopes.

    The edges hold the pressure [cmH2O] and its change per cell; cubics between them.
    """
    low, high = (float(law.volume(np.array(pressure))) for pressure in ELASTIC_RANGE)
    # A curve that ends within the range has no pressure at the end itself.
    short = 1e-6 * (high - low)
    low = max(low, getattr(law, "floor", -np.inf) + short)
    high = min(high, getattr(law, "capacity", np.inf) - short)
    volumes, width = np.linspace(low, high, ELASTIC_CELLS + 1, retstep=True)
    with np.errstate(all="ignore"):
        pressures = np.asarray(law.pressure(volumes), dtype=float)
        # Differences of a small part of a cell, inside the range.
        part = 1e-3 * width
        after, before = np.minimum(volumes + part, high), np.maximum(volumes - part, low)
        slopes = (law.pressure(after) - law.pressure(before)) / (after - before) * width
    rest = float(law.pressure(np.array(0.0)))
    if pressures.shape != volumes.shape or not np.isfinite(pressures).all() or not (np.diff(pressures) > 0).all():
        raise PartError(
            f"pressure-volume law {law}: its pressure does not rise from {low:.4g} to {high:.4g} mL.\n"
            "  Allowed: one finite pressure for each volume, rising with it."
        )
    if abs(rest) > 1e-6:
        raise PartError(
            f"pressure-volume law {law}: its pressure at relaxation volume is {rest:.3g} cmH2O.\n"
            "  Allowed: 0 at 0 mL."
        )
    return low / ML_PER_L, float(width) / ML_PER_L, np.column_stack([pressures, slopes])


@inlined
def table_flow(table, per_root, drop):
    """Flow [L/s] and slope [L/s/cmH2O] from the cells of a table."""
    size = abs(drop)
    root = math.sqrt(math.sqrt(size + ROUNDED))
    place = (root - ROOT_AT_REST) * per_root
    # Where the drop is not a number, the first cell hands that on.
    cell = min(int(max(place, 0.0)), CELLS) if place == place else 0
    if cell == CELLS:
        last = CELLS / per_root + ROOT_AT_REST
        slope = table[CELLS, 1] * per_root / (4.0 * last * last * last)
        flow = table[CELLS, 0] + slope * (size + ROUNDED - last * last * last * last)
    else:
        t = place - cell
        y0, y1, m0, m1 = table[cell, 0], table[cell + 1, 0], table[cell, 1], table[cell + 1, 1]
        rise = y1 - y0
        c2, c3 = 3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise
        flow = y0 + t * (m0 + t * (c2 + t * c3))
        slope = (m0 + t * (2.0 * c2 + 3.0 * t * c3)) * per_root / (4.0 * root * root * root)
    return (flow if drop >= 0.0 else -flow), slope
