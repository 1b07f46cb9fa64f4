"""From a circuit of parts to the arrays on which the compiled engine works.

This is the only module of the engine that knows what parts, joints and settings are.  A network has **nodes**
that may store gas and **branches** that carry it; points of the circuit between which nothing resists the flow
become one node.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.circuit import Circuit
from ventsim.engine import laws
from ventsim.engine.arrays import BRANCH, EXHALATION, GATE, GATES, LUNG, NODE, RELIEF, SOURCE, Network
from ventsim.engine.elimination import coupling_position, minimum_degree_order, plan_elimination
from ventsim.errors import CircuitError
from ventsim.parts.elements import Passage, Store
from ventsim.units import ML_PER_L
from ventsim.ventilator import BreathSettings

INSPIRATORY_PORT = "ventilator.inspiratory"
EXPIRATORY_PORT = "ventilator.expiratory"

_DRIVES = {"closed": laws.DRIVE_CLOSED, "pressure": laws.DRIVE_PRESSURE, "flow": laws.DRIVE_FLOW}
_SHAPES = {
    "constant": laws.SHAPE_CONSTANT,
    "linear": laws.SHAPE_LINEAR,
    "exponential": laws.SHAPE_EXPONENTIAL,
    "sine": laws.SHAPE_SINE,
}


@dataclass(frozen=True, eq=False)
class CompiledCircuit:
    """A network with the names that its rows had in the circuit."""

    network: Network
    lungs: tuple[str, ...]
    nodes: tuple[str, ...]
    branches: tuple[str, ...]


class _Points:
    """Which points of a circuit are one and the same node (disjoint sets that keep the first member)."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def node_of(self, point: str) -> str:
        parent = self._parent.setdefault(point, point)
        if parent != point:
            parent = self._parent[point] = self.node_of(parent)
        return parent

    def join(self, a: str, b: str) -> None:
        self._parent[self.node_of(b)] = self.node_of(a)

    def groups(self) -> dict[str, list[str]]:
        members: dict[str, list[str]] = {}
        for point in self._parent:
            members.setdefault(self.node_of(point), []).append(point)
        return members


def compile_circuit(circuit: Circuit) -> CompiledCircuit:
    """Turn a circuit into arrays.

    Parameters
    ----------
    circuit : Circuit
        The checked description.

    Returns
    -------
    CompiledCircuit

    Raises
    ------
    CircuitError
        When an ideal source or exhalation valve meets a point that stores gas: the flow would be infinite.
    """
    points = _Points()
    for port in (INSPIRATORY_PORT, EXPIRATORY_PORT):
        points.node_of(port)
    passages: list[tuple[str, Passage]] = []
    stores: list[tuple[str, float]] = []
    for name, part in circuit.parts.items():
        for element in part.elements():
            if isinstance(element, Store):
                stores.append((f"{name}.{element.at}", element.compliance))
                points.node_of(f"{name}.{element.at}")
            elif element.is_ideal:
                points.join(f"{name}.{element.start}", f"{name}.{element.end}")
            else:
                passages.append((name, element))
    for a, b in circuit.joints:
        points.join(a, b)
    for name, passage in passages:
        points.node_of(f"{name}.{passage.start}")
        points.node_of(f"{name}.{passage.end}")
    return _arrays(circuit, points, passages, stores)


def _arrays(
    circuit: Circuit, points: _Points, passages: list[tuple[str, Passage]], stores: list[tuple[str, float]]
) -> CompiledCircuit:
    groups = points.groups()
    roots = list(groups)
    number = {root: i for i, root in enumerate(roots)}
    ends = [tuple(number[points.node_of(f"{name}.{at}")] for at in (p.start, p.end)) for name, p in passages]
    kept = [k for k, (a, b) in enumerate(ends) if a != b]
    passages, ends = [passages[k] for k in kept], [ends[k] for k in kept]
    order = minimum_degree_order(len(roots), ends)
    rank = {node: i for i, node in enumerate(order)}
    plan = plan_elimination(len(roots), [(rank[a], rank[b]) for a, b in ends])

    def index(point: str) -> int:
        return rank[number[points.node_of(point)]]

    node = np.zeros(len(roots), NODE)
    for point, value in stores:
        node["compliance"][index(point)] += value / ML_PER_L
    branch = np.zeros(len(passages), BRANCH)
    for row, (_, passage), (a, b) in zip(branch, passages, ends, strict=True):
        row["start"], row["end"] = rank[a], rank[b]
        row["coupling"] = coupling_position(plan, rank[a], rank[b])
        _fill_law(row, passage)
    names, lungs = _branch_names(passages), tuple(circuit.lungs)
    lung = np.zeros(len(lungs), LUNG)
    for row, name in zip(lung, lungs, strict=True):
        row["airway"], row["alveoli"] = index(f"{name}.airway"), index(f"{name}.alveoli")
        row["branch"] = names.index(name)
    relief = circuit.ventilator.relief_pressure
    network = Network(
        node=node,
        branch=branch,
        gate=_gates(circuit, index(INSPIRATORY_PORT), index(EXPIRATORY_PORT), node["compliance"]),
        lung=lung,
        first=plan.first,
        later=plan.later,
        target=plan.target,
        relief_pressure=np.inf if relief is None else float(relief),
        has_junctions=bool((node["compliance"] == 0).any()),
    )
    nodes = tuple(_node_name(groups[roots[i]], lungs) for i in order)
    return CompiledCircuit(network=network, lungs=lungs, nodes=nodes, branches=tuple(names))


def _fill_law(row: np.void, passage: Passage) -> None:
    backward = passage.backward or passage.forward
    two_way = laws.TWO_WAY if passage.backward == passage.forward else laws.DIRECTIONAL
    row["kind"] = laws.ONE_WAY if passage.is_one_way else two_way
    row["forward_linear"], row["forward_quadratic"] = passage.forward.linear, passage.forward.quadratic
    row["backward_linear"], row["backward_quadratic"] = backward.linear, backward.quadratic
    row["opening"], row["leak"] = passage.opening_pressure, passage.leak_conductance


def _branch_names(passages: list[tuple[str, Passage]]) -> list[str]:
    parts = [name for name, _ in passages]
    return [
        name if parts.count(name) == 1 else f"{name} ({passage.start} to {passage.end})"
        for name, passage in passages
    ]


def _node_name(members: list[str], lungs: tuple[str, ...]) -> str:
    airways = [f"{lung} airway" for lung in lungs if f"{lung}.airway" in members]
    alveoli = [f"{lung} alveoli" for lung in lungs if f"{lung}.alveoli" in members]
    if len(airways + alveoli) == 1:
        return (airways + alveoli)[0]
    for port in (INSPIRATORY_PORT, EXPIRATORY_PORT):
        if port in members:
            return port.removeprefix("ventilator.") + " port"
    return members[0]


def _gates(
    circuit: Circuit, inspiratory: int, expiratory: int, compliance: NDArray[np.float64]
) -> NDArray[np.void]:
    machine = circuit.ventilator
    for node, resistance, field, port in (
        (inspiratory, machine.source_resistance, "source_resistance", "inspiratory"),
        (expiratory, machine.exhalation_resistance, "exhalation_resistance", "expiratory"),
    ):
        if resistance == 0 and compliance[node] > 0:
            held = compliance[node] * ML_PER_L
            raise CircuitError(
                f"ventilator: {field} 0 cmH2O·s/L meets stored gas: what is joined to the {port} port holds "
                f"{held:.3g} mL/cmH2O, so the flow would be infinite when the pressure jumps.\n"
                f"  Give a {field} above 0 (0.1, say), or parts without stored gas (ideal=True in the layouts)."
            )
    limit = np.inf if machine.flow_limit is None else machine.flow_limit
    relief = -1 if machine.relief_pressure is None else inspiratory
    gate = np.zeros(GATES, GATE)
    gate[SOURCE] = (inspiratory, 1.0, machine.source_resistance, limit)
    gate[EXHALATION] = (expiratory, -1.0, machine.exhalation_resistance, np.inf)
    gate[RELIEF] = (relief, -1.0, 0.0, np.inf)
    return gate


def segment_table(settings: BreathSettings) -> NDArray[np.void]:
    """Stretches of one breath between jumps of the source, shape (n_segments,) of `laws.SEGMENT`."""
    segments = settings.segments()
    table = np.zeros(len(segments), laws.SEGMENT)
    for row, segment in zip(table, segments, strict=True):
        row["duration"] = segment.duration
        row["drive"], row["shape"] = _DRIVES[segment.drive], _SHAPES[segment.shape]
        row["start"], row["change"] = segment.start, segment.change
        row["time_constant"] = segment.time_constant
        row["exhaling"], row["peep"] = segment.phase == "expiration", settings.peep
    return table
