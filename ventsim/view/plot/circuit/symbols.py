"""Small symbols for the kinds of parts, in points around their position, so that they keep their size."""

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.transforms import Transform

INK = "0.15"
JUNCTIONS = {"t-piece", "y-piece", "adapter"}
_BAR = [(-9.0, -3.2), (9.0, -3.2), (9.0, 3.2), (-9.0, 3.2)]
_BOX = [(-5.5, -5.5), (5.5, -5.5), (5.5, 5.5), (-5.5, 5.5)]
_TRIANGLE = [[(-5.0, -5.0), (4.0, 0.0), (-5.0, 5.0)], [(4.6, -5.5), (4.6, 5.5)]]
SHAPES = {
    "restrictor": [[(-7.0, -5.0), (7.0, 5.0), (7.0, -5.0), (-7.0, 5.0)]],
    "one-way valve": _TRIANGLE,
    "peep valve": [*_TRIANGLE, [(-9.0, 0.0), (-5.0, 0.0)]],
    "tube": [_BAR],
    "tracheal tube": [[(x, 0.6 * y) for x, y in _BAR]],
    "filter": [_BOX, [(-5.5, -5.5), (5.5, 5.5)]],
    "open end": [[(-4.0, -5.5), (4.0, 0.0), (-4.0, 5.5)]],
    "cap": [[(-1.2, -6.0), (1.2, -6.0), (1.2, 6.0), (-1.2, 6.0)]],
    "leak": [_BOX, [(0.0, 0.0), (0.0, 10.0)], [(-2.5, 6.5), (0.0, 10.0), (2.5, 6.5)]],
}


def points_around(ax: "Axes", at: tuple[float, float], *, turn: float = 0.0) -> "Transform":
    """From points around a position in the drawing, turned by an angle, to the picture. [degrees]"""
    from matplotlib.transforms import Affine2D, ScaledTranslation

    to_picture: Any = ax.transData
    scale = Affine2D().rotate_deg(turn).scale(1.0 / 72.0) + ax.figure.dpi_scale_trans
    return scale + ScaledTranslation(*at, to_picture)


def draw_symbol(ax: "Axes", kind: str, at: tuple[float, float], *, turn: float) -> None:
    """Draw the symbol of a kind of part, a box for one without a symbol of its own.

    `turn` is the direction in which the part lies, from its first port to its second. [degrees]
    """
    from matplotlib.patches import Circle, Polygon

    look: dict[str, Any] = {"zorder": 4.0, "linewidth": 0.9, "clip_on": False}
    look["transform"] = points_around(ax, at, turn=turn)
    if kind in JUNCTIONS:
        ax.add_patch(Circle((0.0, 0.0), 3.2, facecolor=INK, edgecolor="none", **look))
        return
    for shape in SHAPES.get(kind, [_BOX]):
        closed = len(shape) > 2
        face = "white" if closed else "none"
        ax.add_patch(Polygon(np.array(shape), closed=closed, facecolor=face, edgecolor=INK, **look))
