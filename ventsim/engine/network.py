"""From a circuit of parts to the arrays on which the compiled engine works.

This is the only module of the engine that knows what parts, joints and settings are.  A network has **nodes**
that may store gas and **branches** that carry it; points of the circuit between which nothing resists the flow
become one node.
"""

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

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
from ventsim.engine.elastic import elastic_pressure, elastic_volume
from ventsim.engine.tables import CELLS, FlowTable, elastic_table, tabulate
from ventsim.engine.ways import cut_off_groups, opening_pressures
from ventsim.engine.wiring import EXPIRATORY_PORT, INSPIRATORY_PORT, Wiring, wire
from ventsim.errors import CircuitError
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import Limb, find_limbs
from ventsim.model.laws.elastic import ElasticLaw
from ventsim.model.laws.flow import FlowLaw, flow_law
from ventsim.model.parts import Part
from ventsim.model.parts.part import (
    Atmosphere,
    ElasticStore,
    Element,
    Inertia,
    MuscleEffort,
    Passage,
    Store,
)
from ventsim.model.parts.valves import NEVER
from ventsim.model.ventilator import BreathSettings, Segment, Ventilator
from ventsim.units import ATMOSPHERE_CMH2O, ML_PER_L, FloatArray

# Gas that the atmosphere takes per pressure [L/cmH2O]: so much that its pressure stays 0.
BOUNDLESS = 1e9

# Parts of a half-sine effort that are stepped one by one.
HALF_SINE_PARTS = 32

_DRIVES = {"closed": laws.DRIVE_CLOSED, "pressure": laws.DRIVE_PRESSURE, "flow": laws.DRIVE_FLOW}
_SHAPES = {
    "constant": laws.SHAPE_CONSTANT,
    "linear": laws.SHAPE_LINEAR,
    "exponential": laws.SHAPE_EXPONENTIAL,
    "sine": laws.SHAPE_SINE,
}


_Shape = tuple[type, str, str, bool]
Limbs = tuple[tuple[Limb, Limb], ...]


@dataclass(frozen=True, eq=False)
class CompiledCircuit:
    """A network with the names that its rows had in the circuit.

    `points` tells for each point ("part.point") which node it belongs to, `stores` what each point that stores gas
    adds to the compliance of its node [L/cmH2O], 0 for a curved store. `table_error` is the largest relative
    deviation of a tabulated flow law from the law itself. `opening`, shape (n_lungs,) [cmH2O], is the least sum of
    opening pressures on a way from each lung to the exhalation valve, infinite if there is no way. `described`,
    `wiring` and `limbs` serve the next circuit of the same kind.
    """

    network: Network
    lungs: tuple[str, ...]
    nodes: tuple[str, ...]
    branches: tuple[str, ...]
    points: Mapping[str, int]
    stores: Mapping[str, float]
    table_error: float
    opening: FloatArray
    described: "_Described"
    wiring: Wiring
    limbs: "Limbs"


class _Described(NamedTuple):
    """What the parts of a circuit are made of, and what of that decides the wiring."""

    elements: dict[str, tuple[Part, tuple[Element, ...], tuple[_Shape, ...]]]
    joints: tuple[tuple[str, str], ...]
    machine: tuple[str, ...]
    density: float  # of gas in the room, divided by that at the standard atmosphere


def compile_circuit(circuit: Circuit, *, like: CompiledCircuit | None = None) -> CompiledCircuit:
    """Turn a circuit into arrays.

    Parameters
    ----------
    circuit : Circuit
        The checked description.
    like : CompiledCircuit or None, default None
        A circuit compiled before. What both have in common is not worked out again; the arrays are the same.

    Returns
    -------
    CompiledCircuit

    Raises
    ------
    CircuitError
        When an ideal source or exhalation valve meets a point that stores gas: the flow would be infinite.
    """
    machine = _machine_elements(circuit.ventilator)
    described = _describe(circuit, machine, None if like is None else like.described)
    found = _sort(described, machine)
    if like is not None and _same_shape(described, like.described):
        wiring, limbs = like.wiring, like.limbs
    else:
        ideal = [(f"{name}.{p.start}", f"{name}.{p.end}") for name, p in found.ideal]
        wiring = wire(
            points=[f"{name}.{end}" for name, _, shape in _every(described, machine) for end in shape[1:3]],
            joined=[*ideal, *circuit.joints],
            carriers=[(f"{name}.{c.start}", f"{name}.{c.end}") for name, c in found.carriers],
            lungs=tuple(circuit.lungs),
        )
        limbs = find_limbs(
            wiring.ends,
            ports=(wiring.index[INSPIRATORY_PORT], wiring.index[EXPIRATORY_PORT]),
            airways=tuple(wiring.index[f"{name}.airway"] for name in circuit.lungs),
            outside=frozenset(wiring.index[point] for point in found.outside),
        )
    return _fill(circuit, described, found, wiring, limbs)


def _shape(element: Element) -> _Shape:
    """What of an element decides the wiring: its kind, its points, and whether it makes two points one."""
    if isinstance(element, Passage):
        return Passage, element.start, element.end, element.is_ideal
    if isinstance(element, Inertia):
        return Inertia, element.start, element.end, False
    return type(element), element.at, element.at, False


def _describe(circuit: Circuit, machine: Mapping[str, Element], before: _Described | None) -> _Described:
    density = circuit.ventilator.ambient_pressure / ATMOSPHERE_CMH2O
    known = {} if before is None or before.density != density else before.elements
    elements = {}
    for name, part in circuit.parts.items():
        old = known.get(name)
        if old is not None and old[0] is part:
            elements[name] = old
        else:
            own = tuple(part.elements())
            if density != 1.0:
                own = tuple(_in_room(element, density) for element in own)
            elements[name] = (part, own, tuple(_shape(element) for element in own))
    return _Described(elements, circuit.joints, tuple(machine), density)


def _in_room(element: Element, density: float) -> Element:
    """An element in gas of another density than at the standard atmosphere, at the same temperature."""
    match element:
        case Passage():
            backward = element.backward and element.backward.at_density(density)
            return dataclasses.replace(element, forward=element.forward.at_density(density), backward=backward)
        case Inertia():
            return dataclasses.replace(element, inertance=element.inertance * density)
        case Store():
            more = element.compression * (1.0 / density - 1.0)
            return dataclasses.replace(
                element, compliance=element.compliance + more, compression=element.compression + more
            )
    return element


def _same_shape(one: _Described, other: _Described) -> bool:
    if one.machine != other.machine or list(one.elements) != list(other.elements):
        return False
    if one.joints is not other.joints and one.joints != other.joints:
        return False
    pairs = zip(one.elements.values(), other.elements.values(), strict=True)
    # The same part, or one of the same shape whose lung has the same compartments.
    return all(a is b or (a[2] == b[2] and type(a[0]) is type(b[0])) for a, b in pairs)


def _every(described: _Described, machine: Mapping[str, Element]) -> Iterator[tuple[str, Element, _Shape]]:
    """All elements, each with the name of its part and its shape."""
    for name, (_, own, shapes) in described.elements.items():
        for element, shape in zip(own, shapes, strict=True):
            yield name, element, shape
    for element in machine.values():
        yield "ventilator", element, _shape(element)


class _Found(NamedTuple):
    """Elements of all parts by kind, each with the name of its part."""

    carriers: list[tuple[str, Passage | Inertia]]
    ideal: list[tuple[str, Passage]]
    stores: list[tuple[str, Store]]
    elastic: list[tuple[str, ElasticStore]]
    outside: list[str]


def _sort(described: _Described, machine: Mapping[str, Element]) -> _Found:
    found = _Found([], [], [], [], [])
    inertias: list[tuple[str, Inertia]] = []
    for name, element, (_, _, _, is_ideal) in _every(described, machine):
        match element:
            case Passage():
                (found.ideal if is_ideal else found.carriers).append((name, element))
            case Inertia():
                inertias.append((name, element))
            case Store():
                found.stores.append((name, element))
            case ElasticStore():
                found.elastic.append((name, element))
            case Atmosphere():
                found.outside.append(f"{name}.{element.at}")
    found.carriers.extend(inertias)
    return found


def _fill(circuit: Circuit, described: _Described, found: _Found, wiring: Wiring, limbs: Limbs) -> CompiledCircuit:
    """The arrays: numbers of the parts at the places that the wiring gives them."""
    index = wiring.index
    carriers = [found.carriers[k] for k in wiring.kept]
    node, elastic, effort, corners = _nodes(wiring.n_nodes, found, index)
    tables = _Tables()
    rows = [
        _branch_row(carrier, ends, coupling, tables)
        for (_, carrier), ends, coupling in zip(carriers, wiring.ends, wiring.coupling, strict=True)
    ]
    branch = np.array(rows, BRANCH)
    inertial = np.array([k for k, (_, c) in enumerate(carriers) if isinstance(c, Inertia)], dtype=np.int64)
    lung, compartment = _lungs(circuit, carriers, index)
    _fill_limbs(lung, limbs, node, branch)
    node["counted"] = ~node["outside"]
    node["counted"][compartment["node"]] = False
    machine = circuit.ventilator
    ports = index[INSPIRATORY_PORT], index[EXPIRATORY_PORT]
    behind = {port: index[f"ventilator.{point}"] for port, point in _BEHIND.items() if port in described.machine}
    cut_off, cut_node, cut_way = cut_off_groups(node, branch)
    network = Network(
        node=node,
        branch=branch,
        gate=_gates(circuit, ports, behind, node["compliance"], branch[inertial]),
        port=np.array(ports, dtype=np.int64),
        lung=lung,
        first=wiring.plan.first,
        later=wiring.plan.later,
        target=wiring.plan.target,
        relief_pressure=np.inf if machine.relief_pressure is None else float(machine.relief_pressure),
        has_junctions=bool((node["compliance"] == 0).any()),
        compartment=compartment,
        elastic=elastic,
        curved=np.flatnonzero(node["elastic"] >= 0).astype(np.int64),
        effort=effort,
        effort_points=corners,
        inertial=inertial,
        cut_off=cut_off,
        cut_node=cut_node,
        cut_way=cut_way,
        table=tables.array(),
        per_root=np.array([table.per_root for table in tables.made]),
    )
    return CompiledCircuit(
        network=network,
        lungs=tuple(circuit.lungs),
        nodes=wiring.node_names,
        branches=_branch_names(carriers),
        points=index,
        stores=_stores(found),
        opening=opening_pressures(network, never=NEVER),
        table_error=max((table.error for table in tables.made), default=0.0),
        described=described,
        wiring=wiring,
        limbs=limbs,
    )


def _branch_row(
    carrier: Passage | Inertia, ends: tuple[int, int], coupling: int, tables: "_Tables"
) -> tuple[float, ...]:
    """A row of the table of branches, in the order of `BRANCH`."""
    if isinstance(carrier, Inertia):
        return (*ends, laws.INERTIAL, coupling, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -1, -1, carrier.inertance, 0.0)
    forward, backward = carrier.forward, carrier.backward or carrier.forward
    two_way = laws.TWO_WAY if backward == forward else laws.DIRECTIONAL
    there, place = tables.read(forward)
    back, back_place = (there, place) if backward is forward else tables.read(backward)
    kind = laws.ONE_WAY if carrier.is_one_way else two_way
    return (
        *ends, kind, coupling, *there, *back, carrier.opening_pressure, carrier.leak_conductance,
        place, back_place, 0.0, carrier.contained_volume / ML_PER_L,
    )  # fmt: skip


def _stores(found: _Found) -> dict[str, float]:
    """Points that store gas, with the compliance of what sits there [L/cmH2O], 0 for a curved store."""
    stores: dict[str, float] = {}
    for name, store in found.stores:
        point = f"{name}.{store.at}"
        stores[point] = stores.get(point, 0.0) + store.compliance / ML_PER_L
    return stores | {f"{name}.{store.at}": 0.0 for name, store in found.elastic}


def _nodes(
    n_nodes: int, found: _Found, index: Mapping[str, int]
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], FloatArray]:
    """Tables of nodes, curved stores and efforts, and the corners of all efforts."""
    node = np.zeros(n_nodes, NODE)
    node["elastic"] = node["effort"] = -1
    compliance = [0.0] * n_nodes
    for name, store in found.stores:
        compliance[index[f"{name}.{store.at}"]] += store.compliance / ML_PER_L
    node["compliance"] = compliance
    gas = [0.0] * n_nodes
    held: list[tuple[str, Store | ElasticStore]] = [*found.stores, *found.elastic]
    for name, one in held:
        gas[index[f"{name}.{one.at}"]] += one.gas_volume / ML_PER_L
    for name, passage in found.ideal:
        gas[index[f"{name}.{passage.start}"]] += passage.contained_volume / ML_PER_L
    node["gas_volume"] = gas
    for point in found.outside:
        node["compliance"][index[point]], node["outside"][index[point]] = BOUNDLESS, True
    elastic = np.zeros(len(found.elastic), ELASTIC)
    efforts = [
        (f"{name}.{curved.at}", curved.effort) for name, curved in found.elastic if curved.effort is not None
    ]
    effort = np.zeros(len(efforts), EFFORT)
    corners: list[tuple[float, float]] = []
    for k, (name, curved) in enumerate(found.elastic):
        i = index[f"{name}.{curved.at}"]
        if node["compliance"][i] > 0:
            raise CircuitError(
                f"part '{name}': its curved store at '{curved.at}' meets other stored gas without any resistance "
                "between them.\n  Put a resistance between the two."
            )
        _fill_elastic(elastic[k], curved.law)
        _, elastance = elastic_pressure(elastic[k], 0.0)
        node["elastic"][i], node["compliance"][i] = k, 1.0 / elastance
    for k, (point, muscles) in enumerate(efforts):
        node["effort"][index[point]] = k
        points = _effort_points(muscles)
        amplitude = muscles.pressures[1] if muscles.half_sine else 0.0
        effort[k] = (len(corners), len(points), muscles.period, muscles.half_sine, amplitude)
        corners += points
    return node, elastic, effort, np.array(corners, dtype=float).reshape(-1, 2)


def _effort_points(effort: MuscleEffort) -> list[tuple[float, float]]:
    """Times and pressures at which steps end: corners, and parts of a half-sine short enough for a cubic."""
    if not effort.half_sine:
        return list(zip(effort.times, effort.pressures, strict=True))
    times = np.linspace(effort.times[0], effort.times[-1], HALF_SINE_PARTS + 1)
    return [(float(t), float(p)) for t, p in zip(times, effort.pressure(times), strict=True)]


def _fill_elastic(row: np.void, law: ElasticLaw) -> None:
    """The law as terms that the engine knows in closed form, or as a table. In L."""
    terms = law.terms
    if terms is None:
        row["table_start"], row["table_step"], row["table"] = elastic_table(law)
        return
    row["linear"], row["quadratic"] = terms.linear * ML_PER_L, terms.quadratic * ML_PER_L**2
    if terms.sigmoid is not None:
        vital, inflection, width = terms.sigmoid
        row["vital"], row["inflection"], row["width"] = vital / ML_PER_L, inflection, width
        row["floor"] = law.floor / ML_PER_L
    if terms.exponential is not None:
        row["largest"], row["rate"] = terms.exponential[0] / ML_PER_L, terms.exponential[1]


def _lungs(
    circuit: Circuit, carriers: list[tuple[str, Passage | Inertia]], index: Mapping[str, int]
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Tables of lungs and of their compartments."""
    lung = np.zeros(len(circuit.lungs), LUNG)
    compartments: list[tuple[int, float]] = []
    for row, (name, part) in zip(lung, circuit.lungs.items(), strict=True):
        row["airway"], row["first"] = index[f"{name}.airway"], len(compartments)
        row["branch"] = next(
            k for k, (owner, carrier) in enumerate(carriers) if owner == name and carrier.start == "airway"
        )
        for point, weight in zip(part.compartments, part.compartment_weights, strict=True):
            compartments.append((index[f"{name}.{point}"], weight))
        row["last"] = len(compartments)
    return lung, np.array(compartments, COMPARTMENT)


def _fill_limbs(lung: NDArray[np.void], limbs: Limbs, node: NDArray[np.void], branch: NDArray[np.void]) -> None:
    """The limbs of each lung."""
    node_gas, branch_gas = node["gas_volume"].tolist(), branch["gas_volume"].tolist()
    lung["limb"] = [[limb.branches[0] if limb.branches else -1 for limb in pair] for pair in limbs]
    lung["limb_sign"] = [[limb.sign for limb in pair] for pair in limbs]
    lung["limb_gas"] = [
        [
            sum(branch_gas[k] for k in limb.branches) + sum(node_gas[i] for i in limb.nodes)
            if limb.branches
            else np.nan
            for limb in pair
        ]
        for pair in limbs
    ]


def resting_volume(network: Network, pressure: FloatArray) -> FloatArray:
    """Volume of each lung above its relaxation volume at an alveolar pressure of its own, shape (n_lungs,). [L]"""
    found = np.zeros(len(network.lung))
    for m, lung in enumerate(network.lung):
        for i in network.compartment["node"][lung["first"] : lung["last"]].tolist():
            node = network.node[i]
            curved = node["elastic"] >= 0
            found[m] += (
                elastic_volume(network.elastic[node["elastic"]], pressure[m])
                if curved
                else node["compliance"] * pressure[m]
            )
    return found


class _Tables:
    """Tables of the laws of one circuit; equal laws share one."""

    def __init__(self) -> None:
        self.made: list[FlowTable] = []
        self._place: dict[FlowLaw, int] = {}

    def read(self, law: FlowLaw) -> tuple[tuple[float, float], int]:
        """Coefficients of a law, and the number of its table, or -1 if it needs none."""
        coefficients = law.coefficients
        if coefficients is not None:
            return coefficients, -1
        if law not in self._place:
            self._place[law] = len(self.made)
            self.made.append(tabulate(law))
        return (0.0, 0.0), self._place[law]

    def array(self) -> FloatArray:
        """All tables, shape (n_tables, CELLS + 1, 2)."""
        return np.array([table.cells for table in self.made]).reshape(-1, CELLS + 1, 2)


def _branch_names(carriers: list[tuple[str, Passage | Inertia]]) -> tuple[str, ...]:
    parts = [name for name, _ in carriers]
    return tuple(
        name if parts.count(name) == 1 else f"{name} ({carrier.start} to {carrier.end})"
        for name, carrier in carriers
    )


# Points between which a law of the machine stands that its gates do not have: the port, and what is behind it.
_BEHIND = {"inspiratory": "source", "expiratory": "exhalation valve"}


def _machine_laws(machine: Ventilator) -> dict[str, FlowLaw]:
    """Laws of source and exhalation valve in the gas of the room, by the port at which they stand."""
    given = {"inspiratory": machine.source_resistance, "expiratory": machine.exhalation_resistance}
    density = machine.ambient_pressure / ATMOSPHERE_CMH2O
    return {port: flow_law(law).at_density(density) for port, law in given.items()}


def _machine_elements(machine: Ventilator) -> dict[str, Element]:
    """Passages for laws of the machine that are not linear, by the port at which they stand, and its gas."""
    found: dict[str, Element] = {}
    gas = machine.internal_volume + machine.humidifier_volume
    if gas > 0.0:
        found["gas"] = Store("inspiratory", gas / machine.ambient_pressure, gas_volume=gas)
    for port, law in _machine_laws(machine).items():
        if law.coefficients is None or law.coefficients[1] > 0.0:
            ends = (_BEHIND[port], port) if port == "inspiratory" else (port, _BEHIND[port])
            found[port] = Passage(*ends, law, law)
    return found


def _gates(
    circuit: Circuit,
    ports: tuple[int, int],
    behind: Mapping[str, int],
    compliance: FloatArray,
    inertial: NDArray[np.void],
) -> NDArray[np.void]:
    """The gates; `behind` are the nodes behind laws of the machine that stand between port and gate."""
    machine = circuit.ventilator
    given = _machine_laws(machine)
    fields = {"inspiratory": "source_resistance", "expiratory": "exhalation_resistance"}
    node, resistance = {}, {}
    for port, at in zip(given, ports, strict=True):
        # Behind such a law the gate only sets the pressure.
        node[port] = behind.get(port, at)
        resistance[port] = 0.0 if port in behind else (given[port].coefficients or (0.0,))[0]
        if resistance[port] > 0.0 or port in behind:
            continue
        if compliance[at] > 0:
            held = compliance[at] * ML_PER_L
            raise CircuitError(
                f"ventilator: {fields[port]} 0 cmH2O·s/L meets stored gas: what is joined to the {port} port "
                "holds "
                f"{held:.3g} mL/cmH2O, so the flow would be infinite when the pressure jumps.\n"
                f"  Give a {fields[port]} above 0 (0.1, say), or parts without stored gas (ideal=True in the "
                "layouts)."
            )
        if at in inertial["start"] or at in inertial["end"]:
            raise CircuitError(
                f"ventilator: {fields[port]} 0 cmH2O·s/L meets a tube with inertia at the {port} port: its gas "
                "could "
                f"not be stopped when the valve closes.\n  Give a {fields[port]} above 0 (0.1, say), "
                "or a tube without inertia."
            )
    limit = np.inf if machine.flow_limit is None else machine.flow_limit
    gate = np.zeros(GATES, GATE)
    gate[SOURCE] = (node["inspiratory"], 1.0, resistance["inspiratory"], limit)
    gate[EXHALATION] = (node["expiratory"], -1.0, resistance["expiratory"], np.inf)
    gate[RELIEF] = (-1 if machine.relief_pressure is None else ports[0], -1.0, 0.0, np.inf)
    return gate


def segment_table(settings: BreathSettings, flow_limit: float | None) -> NDArray[np.void]:
    """Parts of one breath between jumps of the source, shape (n_segments,) of `laws.SEGMENT`."""
    rows = [
        (
            segment.duration,
            -np.inf if segment.end_flow is None else segment.end_flow,
            _DRIVES[segment.drive],
            _SHAPES[segment.shape],
            segment.start,
            segment.change,
            segment.time_constant,
            *_cut(segment, np.inf if flow_limit is None else flow_limit),
            segment.phase == "expiration",
            settings.peep,
        )
        for segment in settings.segments()
    ]
    return np.array(rows, laws.SEGMENT)


def _cut(segment: Segment, flow_limit: float) -> tuple[float, tuple[float, float]]:
    """What a set flow is cut to, infinity if it never is, and when it passes that."""
    if segment.drive != "flow":
        return np.inf, (np.inf, np.inf)
    first, second, *_ = (*segment.crossings(flow_limit), np.inf, np.inf)
    is_cut = first < np.inf or segment.value(0.5 * segment.duration) > flow_limit
    return flow_limit if is_cut else np.inf, (first, second)
