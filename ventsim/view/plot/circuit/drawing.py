"""A drawing of a circuit: all parts by name, and flows at one instant as widths of lines."""

import numbers
import textwrap
from collections.abc import Mapping, Sequence
from itertools import cycle, pairwise
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import xarray as xr

from ventsim.errors import SchemaError
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import circuit_of
from ventsim.model.scenario import AnyScenario
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.results.remarks import remarks_at
from ventsim.results.schema import VARIABLES
from ventsim.tables import fixed
from ventsim.units import convert
from ventsim.view.plot.circuit.flows import joint_flows, parts_without_flow
from ventsim.view.plot.circuit.geometry import EXPIRATORY, INSPIRATORY, Geometry, Joint, Point, geometry, owner
from ventsim.view.plot.style import COLOURS, change_label, need, one_panel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.transforms import Transform

_COLUMN, _ROW = 0.93, 0.82  # inches for each unit of the positions
_WIDEST, _THINNEST = 9.0, 1.2  # width of the lines of the largest and of a small flow [points]
_STILL = 0.005  # part of the largest flow, below which a line is dotted
_ROUNDING = 1e-6  # where the largest flow is below that, nothing flows anywhere [L/s]
_SHARED = "0.55"
_DOTS = (0, (1.0, 1.5))
_WAVEFORMS = (
    "flow", "branch_flow", "inspiratory_port_flow", "expiratory_port_flow", "volume", "alveolar_pressure",
    "inspiratory_port_pressure", "expiratory_port_pressure", "breath_start", "inspiration_end",
)  # fmt: skip
_LETTERS = 13  # in a line of a name
_IN_LUNG = 4  # letters that fit into a lung


@public
def circuit_drawing(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    waveforms: xr.Dataset | None = None,
    time: float | None = None,
    flow_unit: Literal["L/s", "L/min"] = "L/min",
    ax: "Axes | None" = None,
) -> "Axes":
    """Draw a circuit with the names of its parts, and the flows of one instant as widths of lines.

    Gas goes from left to right: from the inspiratory port through the limbs on the left to the Y-pieces, below
    which the lungs hang, and through the limbs on the right to the expiratory port. Limbs of one lung have its
    colour, what lungs share is grey. Arrows show where the gas goes at that instant, dotted lines where (almost)
    none does, or where the flow is unknown.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        What is drawn: the circuit, or that of the scenario as it is at the start.
    settings : BreathSettings, optional
        Allowed beside a circuit, as in all verbs; nothing depends on them.
    waveforms : xarray.Dataset or None, default None
        Waveforms of a run of this circuit; None: only the parts.
    time : float or None, default None
        The instant, of which the nearest sample is drawn; None: that of the largest flow into all lungs together
        in the last breath. [s]
    flow_unit : {"L/s", "L/min"}, default "L/min"
        Unit of the flows that are written.
    ax : matplotlib Axes or None, default None
        Where to draw; None: a new figure that is large enough for all names.

    Returns
    -------
    matplotlib Axes
        The drawing. The figure is ``ax.figure``.

    Raises
    ------
    CircuitError
        If it is neither circuit nor scenario.
    SchemaError
        If the waveforms are not of this circuit, a waveform is missing, or `time` is outside of them.

    Notes
    -----
    The flow of a line is that through the parts at its ends. Through a fitting without resistance passes what
    passes its other ends; what it stores meanwhile is neglected. A part of a kind of your own is drawn as a box.

    Examples
    --------
    ``circuit_drawing(circuit, waveforms=waveforms, time=4.5).figure.savefig("circuit.png")``
    """
    circuit = circuit_of(scenario, settings, where="circuit_drawing")
    instant = None if waveforms is None else _instant(circuit, waveforms, time)
    drawing = geometry(circuit)
    xs, ys = (np.array(values) for values in zip(*drawing.spots.values(), strict=True))
    ax = one_panel(ax, size=(_COLUMN * (np.ptp(xs) + 1.5), _ROW * (np.ptp(ys) + 1.9)))
    ax.set_xlim(xs.min() - 0.75, xs.max() + 0.75)
    ax.set_ylim(ys.max() + 0.8, ys.min() - 0.9)
    ax.set_axis_off()
    colours = dict(zip(circuit.lungs, cycle(COLOURS), strict=False))
    flows = {} if instant is None else joint_flows(circuit, instant)
    largest = float(np.nanmax(np.abs(list(flows.values())), initial=0.0))
    largest = largest if largest > _ROUNDING else 0.0
    _draw_lines(ax, drawing, flows, largest, colours)
    for name, part in circuit.parts.items():
        if name in circuit.lungs:
            _draw_lung(ax, name, drawing.spots[name], colours[name], instant, flow_unit)
        else:
            draw_symbol(ax, part.kind, drawing.spots[name], turn=_turn(name, part.ports, drawing))
            _write_name(ax, name, drawing)
    for port in (INSPIRATORY, EXPIRATORY):
        _draw_port(ax, port, drawing.spots[port], instant, flow_unit)
    if waveforms is not None and instant is not None:
        _write_instant(ax, waveforms, float(instant["time"]))
        if largest > 0.0:
            _draw_scale(ax, largest, flow_unit)
    return ax


def _instant(circuit: Circuit, waveforms: xr.Dataset, time: float | None) -> xr.Dataset:
    """Waveforms at one instant, after a look whether they belong to the circuit."""
    need(waveforms, *_WAVEFORMS)
    strangers = [str(lung) for lung in waveforms["lung"].values if lung not in circuit.lungs]
    if strangers or waveforms.sizes["lung"] != len(circuit.lungs):
        raise SchemaError(
            f"the waveforms are those of the lungs {', '.join(map(str, waveforms['lung'].values))}, "
            f"the circuit has {', '.join(circuit.lungs)}.\n  Give the circuit that was simulated."
        )
    for name in parts_without_flow(circuit, waveforms):
        raise SchemaError(f"the waveforms know no flow through {name!r}.\n  Give the circuit that was simulated.")
    t = waveforms["time"].values
    if time is None:
        last = np.flatnonzero(t >= float(waveforms["breath_start"][-1]))
        return waveforms.isel(time=last[int(waveforms["flow"].sum("lung").values[last].argmax())])
    if not isinstance(time, numbers.Real) or not t[0] <= time <= t[-1]:  # also wrong for what is not a number
        given = f"{time:g}" if isinstance(time, numbers.Real) else repr(time)
        raise SchemaError(
            f"time {given} s is outside of the waveforms.\n  Allowed: {t[0]:g} to {t[-1]:g} s; None: largest flow."
        )
    return waveforms.isel(time=int(np.abs(t - time).argmin()))


def _draw_lines(
    ax: "Axes", drawing: Geometry, flows: Mapping[Joint, float], largest: float, colours: Mapping[str, str]
) -> None:
    """All lines, in the colour of their lung or grey, and as wide as their flows if these are known."""
    for segment in drawing.segments:
        # A joint has the lung of that of its two parts which serves fewer lungs, if that is just one.
        served = min((drawing.serves[owner(end)] for end in segment.carries[0][0]), key=len)
        is_shared = len(segment.carries) > 1 or len(served) != 1
        look: dict[str, Any] = {"color": _SHARED if is_shared else colours[next(iter(served))], "zorder": 2.0}
        x, y = zip(*segment.line, strict=True)
        if not flows:
            ax.plot(x, y, linewidth=2.0, solid_joinstyle="round", **look)
            continue
        flow = float(np.sum([sign * flows[joint] for joint, sign in segment.carries]))
        if not (largest > 0.0 and abs(flow) > _STILL * largest):
            ax.plot(x, y, linewidth=1.1, linestyle=_DOTS, **look)
        else:
            width = _width(flow, largest)
            ax.plot(x, y, linewidth=width, solid_capstyle="round", **look)
            _draw_arrow(ax, segment.line if flow > 0.0 else segment.line[::-1], width=width)


def _width(flow: float, largest: float) -> float:
    return _THINNEST + (_WIDEST - _THINNEST) * abs(flow) / largest


def _draw_arrow(ax: "Axes", line: Sequence[Point], *, width: float) -> None:
    """A head of an arrow on the longest straight piece of a line."""
    pieces = pairwise(line)
    (x0, y0), (x1, y1) = max(pieces, key=lambda piece: np.abs(np.subtract(piece[1], piece[0])).sum())
    turn = float(np.degrees(np.arctan2(y0 - y1, x1 - x0))) - 90.0  # y grows downwards
    ax.plot(
        0.5 * (x0 + x1), 0.5 * (y0 + y1), marker=(3, 0, turn), markersize=max(5.5, 0.9 * width),
        color="white" if width > 6.0 else INK, markeredgecolor=INK, markeredgewidth=0.5, zorder=3.0,
    )  # fmt: skip


def _turn(name: str, ports: Sequence[str], drawing: Geometry) -> float:
    """Direction from the first port of a part to its second, along the lines that end there. [degrees]"""
    x, y = drawing.spots[name]
    for joint, line in drawing.lines.items():
        for end, way in zip(joint, (line, line[::-1]), strict=True):
            if owner(end) == name:
                near = next((point for point in way if point != (x, y)), (x, y))
                turn = float(np.degrees(np.arctan2(y - near[1], near[0] - x)))
                # The line leaves through this port, so the part points along it, or against it.
                return turn if end.rpartition(".")[2] != ports[0] else turn + 180.0
    return 0.0


def _write_name(ax: "Axes", name: str, drawing: Geometry) -> None:
    """The name above a part that lies level, beside one that hangs or has an upright line through it."""
    x, y = drawing.spots[name]
    joints = sum(owner(end) == name for joint in drawing.lines for end in joint)
    text, shift, across, up = "\n".join(textwrap.wrap(name, _LETTERS)), (0.0, 8.0), "center", "bottom"
    if name in drawing.hangs:
        text, shift, across, up = name, (13.0, 0.0), "left", "center"
    elif joints > 2 and name not in drawing.tops:
        shift, across = ((-5.0, 6.5), "right") if x < 0.0 else ((5.0, 6.5), "left")
    _write(ax, text, (x, y), shift=shift, ha=across, va=up)


def _write(
    ax: "Axes", text: str, at: Point, *, shift: Point = (0.0, 0.0), ha: str = "center", va: str = "center",
    size: float = 6.5, box: Mapping[str, object] | None = None,
) -> None:  # fmt: skip
    """Small print, some points away from a position."""
    ax.annotate(
        text, at, shift, textcoords="offset points", ha=ha, va=va, fontsize=size, color=INK, linespacing=1.1,
        zorder=5.0, bbox=box, parse_math=False,
    )  # fmt: skip


def _draw_lung(ax: "Axes", name: str, at: Point, colour: str, instant: xr.Dataset | None, unit: str) -> None:
    from matplotlib.patches import Ellipse

    shape = Ellipse((0.0, 0.0), 26.0, 20.0, facecolor="white", edgecolor=colour, linewidth=2.2, zorder=4.0)
    shape.set_transform(points_around(ax, at))
    ax.add_patch(shape)
    lines = [] if len(name) <= _IN_LUNG else [name]
    if not lines:
        _write(ax, name, at, size=8.0)
    if instant is not None:
        pressure, volume = (float(instant[v].sel(lung=name)) for v in ("alveolar_pressure", "volume"))
        flow = _flow_text(float(instant["flow"].sel(lung=name)), unit)
        lines += [flow, f"{fixed(pressure, 1)} {VARIABLES['alveolar_pressure'].units}, {fixed(volume, 0)} mL"]
    _write(ax, "\n".join(lines), at, shift=(17.0, 0.0), ha="left")


def _flow_text(flow: float, unit: str) -> str:
    value = float(convert(flow, source=VARIABLES["flow"].units, target=unit))
    digits = 1 if unit == "L/min" else 3
    return f"{change_label(value, digits)} {unit}"


def _draw_port(ax: "Axes", port: str, at: Point, instant: xr.Dataset | None, unit: str) -> None:
    side = port.rpartition(".")[2]
    lines = ["ventilator", f"{side} port"]
    if instant is not None:
        pressure, flow = (float(instant[f"{side}_port_{what}"]) for what in ("pressure", "flow"))
        lines += [f"{fixed(pressure, 1)} {VARIABLES['node_pressure'].units}", _flow_text(flow, unit)]
    box = {"boxstyle": "round,pad=0.35", "facecolor": "0.94", "edgecolor": INK, "linewidth": 0.9}
    _write(ax, "\n".join(lines), at, box=box)


def _write_instant(ax: "Axes", waveforms: xr.Dataset, time: float) -> None:
    """The instant above the drawing, and below it what of the breath is worth a second look."""
    begun = np.flatnonzero(waveforms["breath_start"].values <= time + 1e-9)
    text = f"flow at {fixed(time, 2)} s"
    if begun.size:
        k = begun[-1]
        since = time - float(waveforms["breath_start"][k])
        phase = "inspiration" if time < float(waveforms["inspiration_end"][k]) else "expiration"
        text += f": breath {int(waveforms['breath'][k])}, {fixed(since, 2)} s after its start, {phase}"
    ax.set_title(text, loc="left", fontsize="small")
    remarks = remarks_at(waveforms, time)
    if remarks:
        below: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points", "va": "top"}
        ax.annotate("\n".join(remarks), (0.0, 0.0), (0.0, -6.0), fontsize=6.5, parse_math=False, **below)


def _draw_scale(ax: "Axes", largest: float, unit: str) -> None:
    """Two widths with their flows, and the line for none."""
    from matplotlib.lines import Line2D

    unit_flow = float(convert(1.0, source=VARIABLES["flow"].units, target=unit))
    full = _round_down(largest * unit_flow)
    parts = (0.25, 1.0)
    widths = [_width(part * full / unit_flow, largest) for part in parts]
    handles = [Line2D([], [], color=_SHARED, linewidth=width) for width in widths]
    handles.append(Line2D([], [], color=_SHARED, linewidth=1.1, linestyle=_DOTS))
    texts = [*(f"{part * full:g} {unit}" for part in parts), "no flow"]
    look: dict[str, Any] = {"frameon": False, "fontsize": 6.5, "borderaxespad": 0.0, "handlelength": 2.6}
    ax.legend(handles, texts, loc="lower right", ncols=3, **look)


def _round_down(value: float) -> float:
    """The largest number of the kind 1, 2, 4 or 8 times a power of ten that is not above a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(power * max(step for step in (1.0, 2.0, 4.0, 8.0) if step * power <= value * (1.0 + 1e-12)))


# Symbols of the kinds of parts, in points around their position, so that they keep their size.
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
