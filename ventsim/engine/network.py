"""From a circuit of parts to the arrays on which the compiled engine works.

This is the only module of the engine that knows what parts, joints and settings are.  A network has **nodes**
that may store gas and **branches** that carry it; points of the circuit between which nothing resists the flow
become one node.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ventsim.circuit import Circuit
from ventsim.engine import laws
from ventsim.engine.arrays import (
    BRANCH,
    COMPARTMENT,
    EFFORT,
    ELASTIC,
    EXHALATION,
    GATE,
    GATES,
    LUNG,
    NODE,
    RELIEF,
    SOURCE,
    Network,
)
from ventsim.engine.elastic import elastic_pressure
from ventsim.engine.elimination import coupling_position, minimum_degree_order, plan_elimination
from ventsim.engine.tables import CELLS, FlowTable, tabulate
from ventsim.errors import CircuitError
from ventsim.parts.elements import (
    Atmosphere,
    Curve,
    ElasticStore,
    Element,
    FlowLaw,
    Inertia,
    Passage,
    Rohrer,
    Store,
)
from ventsim.parts.pressure_volume import MuscleEffort, PressureVolume
from ventsim.units import ML_PER_L
from ventsim.ventilator import BreathSettings

FloatArray = NDArray[np.float64]

# Gas that the atmosphere takes per pressure [L/cmH2O]: so much that its pressure stays 0.
BOUNDLESS = 1e9

# Parts of a half-sine effort that are stepped one by one.
HALF_SINE_PARTS = 32

INSPIRATORY_PORT = "ventilator.inspiratory"
EXPIRATORY_PORT = "ventilator.expiratory"
# Between the resistance of an exhalation valve with a curve and the PEEP behind it.
EXHALATION_VALVE = "ventilator.exhalation valve"

_DRIVES = {"closed": laws.DRIVE_CLOSED, "pressure": laws.DRIVE_PRESSURE, "flow": laws.DRIVE_FLOW}
_SHAPES = {
    "constant": laws.SHAPE_CONSTANT,
    "linear": laws.SHAPE_LINEAR,
    "exponential": laws.SHAPE_EXPONENTIAL,
    "sine": laws.SHAPE_SINE,
}


@dataclass(frozen=True, eq=False)
class CompiledCircuit:
    """A network with the names that its rows had in the circuit.

    `points` tells for each point ("part.point") which node it belongs to, `stores` what each point that stores gas
    adds to the compliance of its node [L/cmH2O], 0 for a curved store. `table_error` is the largest relative
    deviation of a tabulated flow law from the law itself.
    """

    network: Network
    lungs: tuple[str, ...]
    nodes: tuple[str, ...]
    branches: tuple[str, ...]
    points: Mapping[str, int]
    stores: Mapping[str, float]
    table_error: float = 0.0


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
    found = _Found([], [], [], [], [])
    for name, part in circuit.parts.items():
        for element in part.elements():
            _sort_in(name, element, points, found)
    for a, b in circuit.joints:
        points.join(a, b)
    law = circuit.ventilator.exhalation_law
    if law is not None:
        valve = Passage("expiratory", "exhalation valve", law, law)
        _sort_in("ventilator", valve, points, found)
    return _arrays(circuit, points, found)


class _Found(NamedTuple):
    """Elements of all parts, each with its points made unique by the name of the part."""

    passages: list[tuple[str, Passage]]
    inertias: list[tuple[str, Inertia]]
    stores: list[tuple[str, Store]]
    elastic: list[tuple[str, ElasticStore]]
    outside: list[str]


def _sort_in(name: str, element: Element, points: _Points, found: _Found) -> None:
    match element:
        case Store():
            found.stores.append((name, element))
            points.node_of(f"{name}.{element.at}")
        case ElasticStore():
            found.elastic.append((name, element))
            points.node_of(f"{name}.{element.at}")
        case Atmosphere():
            found.outside.append(f"{name}.{element.at}")
            points.node_of(f"{name}.{element.at}")
        case Passage() if element.is_ideal:
            points.join(f"{name}.{element.start}", f"{name}.{element.end}")
        case Passage() | Inertia():
            (found.passages if isinstance(element, Passage) else found.inertias).append((name, element))
            points.node_of(f"{name}.{element.start}")
            points.node_of(f"{name}.{element.end}")


def _arrays(circuit: Circuit, points: _Points, found: _Found) -> CompiledCircuit:
    groups = points.groups()
    roots = list(groups)
    number = {root: i for i, root in enumerate(roots)}
    carriers = [*found.passages, *found.inertias]
    ends = [tuple(number[points.node_of(f"{name}.{at}")] for at in (c.start, c.end)) for name, c in carriers]
    kept = [k for k, (a, b) in enumerate(ends) if a != b]
    carriers, ends = [carriers[k] for k in kept], [ends[k] for k in kept]
    order = minimum_degree_order(len(roots), ends)
    rank = {node: i for i, node in enumerate(order)}
    plan = plan_elimination(len(roots), [(rank[a], rank[b]) for a, b in ends])

    def index(point: str) -> int:
        return rank[number[points.node_of(point)]]

    node, elastic, effort, corners = _nodes(len(roots), found, index)
    branch, tables = np.zeros(len(carriers), BRANCH), _Tables()
    inertial: list[int] = []
    for k, ((_, carrier), (a, b)) in enumerate(zip(carriers, ends, strict=True)):
        row = branch[k : k + 1]
        row["start"], row["end"] = rank[a], rank[b]
        row["coupling"] = coupling_position(plan, rank[a], rank[b])
        row["forward_table"] = row["backward_table"] = -1
        if isinstance(carrier, Inertia):
            row["kind"], row["inertance"] = laws.INERTIAL, carrier.inertance
            inertial.append(k)
        else:
            _fill_law(row, carrier, tables)
    names, lungs = _branch_names(carriers), tuple(circuit.lungs)
    lung, compartment = _lungs(circuit, carriers, index)
    node["counted"] = ~node["outside"]
    node["counted"][compartment["node"]] = False
    relief = circuit.ventilator.relief_pressure
    valve = EXPIRATORY_PORT if circuit.ventilator.exhalation_law is None else EXHALATION_VALVE
    network = Network(
        node=node,
        branch=branch,
        gate=_gates(
            circuit, (index(INSPIRATORY_PORT), index(EXPIRATORY_PORT), index(valve)), node["compliance"],
            branch[inertial],
        ),
        port=np.array([index(INSPIRATORY_PORT), index(EXPIRATORY_PORT)], dtype=np.int64),
        lung=lung,
        first=plan.first,
        later=plan.later,
        target=plan.target,
        relief_pressure=np.inf if relief is None else float(relief),
        has_junctions=bool((node["compliance"] == 0).any()),
        compartment=compartment,
        elastic=elastic,
        curved=np.flatnonzero(node["elastic"] >= 0).astype(np.int64),
        effort=effort,
        effort_points=corners,
        inertial=np.array(inertial, dtype=np.int64),
        table=tables.array(),
        per_root=np.array([table.per_root for table in tables.made]),
    )
    nodes = tuple(_node_name(groups[roots[i]], lungs) for i in order)
    return CompiledCircuit(
        network=network,
        lungs=lungs,
        nodes=nodes,
        branches=names,
        points={point: index(point) for members in groups.values() for point in members},
        stores=_stores(found),
        table_error=max((table.error for table in tables.made), default=0.0),
    )


def _stores(found: _Found) -> dict[str, float]:
    """Points that store gas, with the compliance of what sits there [L/cmH2O], 0 for a curved store."""
    stores: dict[str, float] = {}
    for name, store in found.stores:
        point = f"{name}.{store.at}"
        stores[point] = stores.get(point, 0.0) + store.compliance / ML_PER_L
    return stores | {f"{name}.{store.at}": 0.0 for name, store in found.elastic}


def _nodes(
    n_nodes: int, found: _Found, index: Callable[[str], int]
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], FloatArray]:
    """Tables of nodes, curved stores and efforts, and the corners of all efforts."""
    node = np.zeros(n_nodes, NODE)
    node["elastic"] = node["effort"] = -1
    for name, store in found.stores:
        node["compliance"][index(f"{name}.{store.at}")] += store.compliance / ML_PER_L
    for point in found.outside:
        node["compliance"][index(point)], node["outside"][index(point)] = BOUNDLESS, True
    elastic = np.zeros(len(found.elastic), ELASTIC)
    efforts = [(name, store) for name, store in found.elastic if store.effort is not None]
    effort = np.zeros(len(efforts), EFFORT)
    corners: list[tuple[float, float]] = []
    for k, (name, store) in enumerate(found.elastic):
        i = index(f"{name}.{store.at}")
        if node["compliance"][i] > 0:
            raise CircuitError(
                f"part '{name}': its curved store at '{store.at}' meets other stored gas without any resistance "
                "between them.\n  Put a resistance between the two."
            )
        _fill_elastic(elastic[k], store.curve)
        _, elastance = elastic_pressure(elastic[k], 0.0)
        node["elastic"][i], node["compliance"][i] = k, 1.0 / elastance
    for k, (name, store) in enumerate(efforts):
        node["effort"][index(f"{name}.{store.at}")] = k
        points = _effort_points(store.effort)
        amplitude = store.effort.pressures[1] if store.effort.half_sine else 0.0
        effort[k] = (len(corners), len(points), store.effort.period, store.effort.half_sine, amplitude)
        corners += points
    return node, elastic, effort, np.array(corners, dtype=float).reshape(-1, 2)


def _effort_points(effort: MuscleEffort) -> list[tuple[float, float]]:
    """Times and pressures at which steps end: corners, and parts of a half-sine short enough for a cubic."""
    if not effort.half_sine:
        return list(zip(effort.times, effort.pressures, strict=True))
    times = np.linspace(effort.times[0], effort.times[-1], HALF_SINE_PARTS + 1)
    return [(float(t), float(p)) for t, p in zip(times, effort.pressure(times), strict=True)]


def _fill_elastic(row: np.void, curve: PressureVolume) -> None:
    row["linear"], row["quadratic"] = curve.linear * ML_PER_L, curve.quadratic * ML_PER_L**2
    if curve.sigmoid is not None:
        vital, inflection, width = curve.sigmoid
        row["vital"], row["inflection"], row["width"] = vital / ML_PER_L, inflection, width
        row["floor"] = curve.floor / ML_PER_L
    if curve.exponential is not None:
        row["largest"], row["rate"] = curve.exponential[0] / ML_PER_L, curve.exponential[1]


def _lungs(
    circuit: Circuit, carriers: list[tuple[str, Passage | Inertia]], index: Callable[[str], int]
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Tables of lungs and of their compartments."""
    lung = np.zeros(len(circuit.lungs), LUNG)
    compartments: list[tuple[int, float]] = []
    for row, (name, part) in zip(lung, circuit.lungs.items(), strict=True):
        row["airway"], row["first"] = index(f"{name}.airway"), len(compartments)
        row["branch"] = next(
            k for k, (owner, carrier) in enumerate(carriers) if owner == name and carrier.start == "airway"
        )
        for point, weight in zip(part.compartments, part.compartment_weights, strict=True):
            compartments.append((index(f"{name}.{point}"), weight))
        row["last"] = len(compartments)
    return lung, np.array(compartments, COMPARTMENT)


class _Tables:
    """Tables of the laws of one circuit; equal laws share one."""

    def __init__(self) -> None:
        self.made: list[FlowTable] = []
        self._place: dict[Curve, int] = {}

    def place(self, law: FlowLaw) -> int:
        """Number of the table of a law, or -1 if it needs none."""
        if isinstance(law, Rohrer):
            return -1
        if law not in self._place:
            self._place[law] = len(self.made)
            self.made.append(tabulate(law))
        return self._place[law]

    def array(self) -> FloatArray:
        """All tables, shape (n_tables, CELLS + 1, 2)."""
        return np.array([table.cells for table in self.made]).reshape(-1, CELLS + 1, 2)


def _fill_law(row: NDArray[np.void], passage: Passage, tables: _Tables) -> None:
    backward = passage.backward or passage.forward
    two_way = laws.TWO_WAY if passage.backward == passage.forward else laws.DIRECTIONAL
    row["kind"] = laws.ONE_WAY if passage.is_one_way else two_way
    for side, law in (("forward", passage.forward), ("backward", backward)):
        row[f"{side}_table"] = tables.place(law)
        if isinstance(law, Rohrer):
            row[f"{side}_linear"], row[f"{side}_quadratic"] = law.linear, law.quadratic
    row["opening"], row["leak"] = passage.opening_pressure, passage.leak_conductance


def _branch_names(carriers: list[tuple[str, Passage | Inertia]]) -> tuple[str, ...]:
    parts = [name for name, _ in carriers]
    return tuple(
        name if parts.count(name) == 1 else f"{name} ({carrier.start} to {carrier.end})"
        for name, carrier in carriers
    )


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
    circuit: Circuit, ports: tuple[int, int, int], compliance: FloatArray, inertial: NDArray[np.void]
) -> NDArray[np.void]:
    """The gates; `ports` are the nodes of the two ports and of the exhalation valve."""
    machine, (inspiratory, expiratory, valve) = circuit.ventilator, ports
    # A curve stands between the port and the gate, which then only sets the pressure.
    behind = machine.exhalation_resistance if valve == expiratory else 0.0
    for node, resistance, field, port in (
        (inspiratory, machine.source_resistance, "source_resistance", "inspiratory"),
        (valve, behind, "exhalation_resistance", "expiratory"),
    ):
        if resistance == 0 and compliance[node] > 0:
            held = compliance[node] * ML_PER_L
            raise CircuitError(
                f"ventilator: {field} 0 cmH2O·s/L meets stored gas: what is joined to the {port} port holds "
                f"{held:.3g} mL/cmH2O, so the flow would be infinite when the pressure jumps.\n"
                f"  Give a {field} above 0 (0.1, say), or parts without stored gas (ideal=True in the layouts)."
            )
        if resistance == 0 and (node == inertial["start"]).any() | (node == inertial["end"]).any():
            raise CircuitError(
                f"ventilator: {field} 0 cmH2O·s/L meets a tube with inertia at the {port} port: its gas could "
                f"not be stopped when the valve closes.\n  Give a {field} above 0 (0.1, say), "
                "or a tube without inertia."
            )
    limit = np.inf if machine.flow_limit is None else machine.flow_limit
    relief = -1 if machine.relief_pressure is None else inspiratory
    gate = np.zeros(GATES, GATE)
    gate[SOURCE] = (inspiratory, 1.0, machine.source_resistance, limit)
    gate[EXHALATION] = (valve, -1.0, behind, np.inf)
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
