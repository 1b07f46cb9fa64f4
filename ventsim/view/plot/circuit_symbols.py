"""Small symbols for the kinds of parts, in points around their place, so that they keep their size."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK = "0.15"
_JUNCTIONS = {"t-piece", "y-piece", "adapter"}
_THROTTLES = {"restrictor", "adjustable restrictor", "orifice", "measured part"}
_VALVES = {"one-way valve", "PEEP valve"}
_BAR = [(-9.0, -3.2), (9.0, -3.2), (9.0, 3.2), (-9.0, 3.2)]
_BOX = [(-5.5, -5.5), (5.5, -5.5), (5.5, 5.5), (-5.5, 5.5)]
_SHAPES = {
    "tube": [_BAR],
    "tracheal tube": [[(x, 0.6 * y) for x, y in _BAR]],
    "filter": [_BOX, [(-5.5, -5.5), (5.5, 5.5)]],
    "moisture exchanger": [_BOX, [(-5.5, -5.5), (5.5, 5.5)], [(-5.5, 5.5), (5.5, -5.5)]],
    "open end": [[(-4.0, -5.5), (4.0, 0.0), (-4.0, 5.5)]],
    "cap": [[(-1.2, -6.0), (1.2, -6.0), (1.2, 6.0), (-1.2, 6.0)]],
    "leak": [_BOX, [(0.0, 0.0), (0.0, 10.0)], [(-2.5, 6.5), (0.0, 10.0), (2.5, 6.5)]],
}
_TRIANGLE = [[(-5.0, -5.0), (4.0, 0.0), (-5.0, 5.0)], [(4.6, -5.5), (4.6, 5.5)]]
_WAIST = [[(-7.0, -5.0), (7.0, 5.0), (7.0, -5.0), (-7.0, 5.0)]]


def draw_symbol(ax: "Axes", kind: str, at: tuple[float, float], *, turn: float) -> None:
    """Draw the symbol of a kind of part, a box for one without a symbol of its own.

    `turn` is the direction in which the part lies, from its first port to its second. [degrees]
    """
    from matplotlib.patches import Circle, Polygon
    from matplotlib.transforms import Affine2D, ScaledTranslation

    scale = ax.get_figure().dpi_scale_trans
    place = Affine2D().rotate_deg(turn).scale(1.0 / 72.0) + scale + ScaledTranslation(*at, ax.transData)
    look = {"transform": place, "zorder": 4.0, "linewidth": 0.9, "clip_on": False}
    if kind in _JUNCTIONS:
        ax.add_patch(Circle((0.0, 0.0), 3.2, facecolor=INK, edgecolor="none", **look))
        return
    if kind in _VALVES:
        shapes = _TRIANGLE if kind == "one-way valve" else [*_TRIANGLE, [(-9.0, 0.0), (-5.0, 0.0)]]
    elif kind in _THROTTLES:
        shapes = _WAIST
    else:
        shapes = _SHAPES.get(kind, [_BOX])
    for shape in shapes:
        closed = len(shape) > 2
        face = "white" if closed else "none"
        ax.add_patch(Polygon(np.array(shape), closed=closed, facecolor=face, edgecolor=INK, **look))
