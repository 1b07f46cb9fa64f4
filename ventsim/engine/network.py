"""From a circuit of parts to the arrays on which the compiled engine works.

This is the only module of the engine that knows what parts, joints and settings are.  A network has **nodes**
that may store gas and **branches** that carry it; points of the circuit between which nothing resists the flow
become one node.
"""

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

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
from ventsim.engine.wiring import (
    EXPIRATORY_PORT,
    INSPIRATORY_PORT,
    Wiring,
    cut_off_groups,
    opening_pressures,
    wire,
)
from ventsim.errors import CircuitError
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import find_limbs
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


_Carrier = tuple[str, Passage | Inertia]
_Tables = dict[FlowLaw, tuple[int, FlowTable]]
"""Number and table of each law of a circuit that has one."""

_Elements = dict[str, tuple[Part | Ventilator, float, tuple[Element, ...]]]
"""What each part is made of in gas of a density, and that of the machine as the last one."""


@dataclass(frozen=True, eq=False)
class CompiledCircuit:
    """A network with the names that its rows had in the circuit.

    `points` says for each point ("part.point") which node it belongs to, `stores` what each point that stores gas
    adds to the compliance of its node [L/cmH2O], 0 for a curved store. `table_error` is the largest relative
    deviation of a tabulated flow law from the law itself. `opening`, shape (n_lungs,) [cmH2O], is the least sum of
    opening pressures on a way from each lung to the exhalation valve, infinite if there is no way. `elements`
    serve the next circuit of the same parts.
    """

    network: Network
    lungs: tuple[str, ...]
    nodes: tuple[str, ...]
    branches: tuple[str, ...]
    points: Mapping[str, int]
    stores: Mapping[str, float]
    table_error: float
    opening: FloatArray
    elements: _Elements


def compile_circuit(circuit: Circuit, *, like: CompiledCircuit | None = None) -> CompiledCircuit:
    """Turn a circuit into arrays.

    Parameters
    ----------
    circuit : Circuit
        The checked description.
    like : CompiledCircuit or None, default None
        A circuit compiled before. What parts that both have are made of is not worked out again; the arrays are
        the same.

    Returns
    -------
    CompiledCircuit

    Raises
    ------
    CircuitError
        When an ideal source or exhalation valve meets a point that stores gas: the flow would be infinite.
    """
    elements = _elements(circuit, {} if like is None else like.elements)
    found = _sort(elements)
    wiring = wire(
        points=tuple(found.points),
        joined=(*((f"{name}.{one.start}", f"{name}.{one.end}") for name, one in found.ideal), *circuit.joints),
        carriers=tuple((f"{name}.{one.start}", f"{name}.{one.end}") for name, one in found.carriers),
        lungs=tuple(circuit.lungs),
    )
    index, machine = wiring.index, circuit.ventilator
    carriers = [found.carriers[k] for k in wiring.kept]
    node, elastic, effort, corners = _nodes(found, wiring)
    tables: _Tables = {}
    branch = np.array(
        [
            _branch_row(carrier, ends, coupling, tables)
            for (_, carrier), ends, coupling in zip(carriers, wiring.ends, wiring.coupling, strict=True)
        ],
        BRANCH,
    )
    made = [table for _, table in tables.values()]
    lung, compartment = _lungs(circuit, carriers, wiring, node=node, branch=branch)
    node["counted"] = ~node["outside"]
    node["counted"][compartment["node"]] = False
    cut_off, cut_node, cut_way = cut_off_groups(node, branch)
    network = Network(
        node=node,
        branch=branch,
        gate=_gates(machine, index, node, branch),
        port=np.array([index[INSPIRATORY_PORT], index[EXPIRATORY_PORT]], dtype=np.int64),
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
        inertial=np.flatnonzero(branch["kind"] == laws.INERTIAL).astype(np.int64),
        cut_off=cut_off,
        cut_node=cut_node,
        cut_way=cut_way,
        table=np.array([table.cells for table in made]).reshape(-1, CELLS + 1, 2),
        per_root=np.array([table.per_root for table in made]),
    )
    return CompiledCircuit(
        network=network,
        lungs=tuple(circuit.lungs),
        nodes=wiring.node_names,
        branches=_branch_names(carriers),
        points=index,
        stores=_stores(found),
        table_error=max((table.error for table in made), default=0.0),
        opening=opening_pressures(network, never=NEVER),
        elements=elements,
    )


def _elements(circuit: Circuit, known: _Elements) -> _Elements:
    """What the parts and the machine are made of; `known` is the same of another circuit."""
    density = circuit.ventilator.ambient_pressure / ATMOSPHERE_CMH2O
    found: _Elements = {}
    for name, part in circuit.parts.items():
        old = known.get(name)
        if old is not None and old[0] is part and old[1] == density:
            found[name] = old
        else:
            found[name] = (part, density, tuple(_in_room(element, density) for element in part.elements()))
    return found | {"ventilator": (circuit.ventilator, density, _machine_elements(circuit.ventilator))}


def _in_room(element: Element, density: float) -> Element:
    """An element in gas of another density than at the standard atmosphere, at the same temperature."""
    if density == 1.0:
        return element
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


@dataclass(frozen=True)
class _Found:
    """All points in the order of the parts; elements by kind, each with the name of its part or point."""

    points: list[str] = field(default_factory=list)
    carriers: list[_Carrier] = field(default_factory=list)  # those with inertia last
    ideal: list[tuple[str, Passage]] = field(default_factory=list)
    stores: list[tuple[str, Store]] = field(default_factory=list)
    elastic: list[tuple[str, ElasticStore]] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)


def _sort(elements: _Elements) -> _Found:
    found = _Found()
    inertias: list[_Carrier] = []
    for name, (_, _, own) in elements.items():
        for element in own:
            if isinstance(element, Passage | Inertia):
                found.points.extend((f"{name}.{element.start}", f"{name}.{element.end}"))
            else:
                found.points.append(f"{name}.{element.at}")
            match element:
                case Passage():
                    (found.ideal if element.is_ideal else found.carriers).append((name, element))
                case Inertia():
                    inertias.append((name, element))
                case Store():
                    found.stores.append((found.points[-1], element))
                case ElasticStore():
                    found.elastic.append((found.points[-1], element))
                case Atmosphere():
                    found.outside.append(found.points[-1])
    found.carriers.extend(inertias)
    return found


def _branch_row(
    carrier: Passage | Inertia, ends: tuple[int, int], coupling: int, tables: _Tables
) -> tuple[float, ...]:
    """A row of the table of branches, in the order of `BRANCH`."""
    if isinstance(carrier, Inertia):
        return (*ends, laws.INERTIAL, coupling, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -1, -1, carrier.inertance, 0.0)
    forward, backward = carrier.forward, carrier.backward or carrier.forward
    two_way = laws.TWO_WAY if backward == forward else laws.DIRECTIONAL
    there, table = _numbers_of(forward, tables)
    back, back_table = (there, table) if backward is forward else _numbers_of(backward, tables)
    kind = laws.ONE_WAY if carrier.is_one_way else two_way
    return (
        *ends, kind, coupling, *there, *back, carrier.opening_pressure, carrier.leak_conductance,
        table, back_table, 0.0, carrier.contained_volume / ML_PER_L,
    )  # fmt: skip


def _numbers_of(law: FlowLaw, tables: _Tables) -> tuple[tuple[float, float], int]:
    """Coefficients of a law, and the number of its table, or -1 if it needs none; equal laws share one."""
    coefficients = law.coefficients
    if coefficients is not None:
        return coefficients, -1
    return (0.0, 0.0), tables.setdefault(law, (len(tables), tabulate(law)))[0]


def _stores(found: _Found) -> dict[str, float]:
    """Points that store gas, with the compliance of what sits there [L/cmH2O], 0 for a curved store."""
    stores: dict[str, float] = {}
    for point, store in found.stores:
        stores[point] = stores.get(point, 0.0) + store.compliance / ML_PER_L
    return stores | {point: 0.0 for point, _ in found.elastic}


def _nodes(
    found: _Found, wiring: Wiring
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], FloatArray]:
    """Tables of nodes, curved stores and efforts, and the corners of all efforts."""
    index, n_nodes = wiring.index, len(wiring.node_names)

    def summed(amounts: Iterable[tuple[str, float]]) -> list[float]:
        total = [0.0] * n_nodes
        for point, amount in amounts:
            total[index[point]] += amount / ML_PER_L
        return total

    node = np.zeros(n_nodes, NODE)
    node["elastic"] = node["effort"] = -1
    node["compliance"] = summed((point, store.compliance) for point, store in found.stores)
    held: list[tuple[str, Store | ElasticStore]] = [*found.stores, *found.elastic]
    node["gas_volume"] = summed(
        [
            *((point, one.gas_volume) for point, one in held),
            *((f"{name}.{one.start}", one.contained_volume) for name, one in found.ideal),
        ]
    )
    for point in found.outside:
        node["compliance"][index[point]], node["outside"][index[point]] = BOUNDLESS, True
    elastic = np.zeros(len(found.elastic), ELASTIC)
    efforts: list[tuple[float, ...]] = []
    corners: list[tuple[float, float]] = []
    for k, (point, curved) in enumerate(found.elastic):
        i = index[point]
        if node["compliance"][i] > 0:
            name, _, at = point.partition(".")
            raise CircuitError(
                f"part '{name}': its curved store at '{at}' meets other stored gas without any resistance "
                "between them.\n  Put a resistance between the two."
            )
        _fill_elastic(elastic[k], curved.law)
        _, elastance = elastic_pressure(elastic[k], 0.0)
        node["elastic"][i], node["compliance"][i] = k, 1.0 / elastance
        if curved.effort is not None:
            node["effort"][i] = len(efforts)
            points, amplitude = _effort_points(curved.effort)
            efforts.append((len(corners), len(points), curved.effort.period, curved.effort.half_sine, amplitude))
            corners += points
    return node, elastic, np.array(efforts, EFFORT), np.array(corners, dtype=float).reshape(-1, 2)


def _effort_points(effort: MuscleEffort) -> tuple[list[tuple[float, float]], float]:
    """Times and pressures at which steps end, and the amplitude of a half-sine.

    These are corners, and parts of a half-sine short enough for a cubic.
    """
    if not effort.half_sine:
        return list(zip(effort.times, effort.pressures, strict=True)), 0.0
    times = np.linspace(effort.times[0], effort.times[-1], HALF_SINE_PARTS + 1)
    return list(zip(times.tolist(), effort.pressure(times).tolist(), strict=True)), effort.pressures[1]


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
    circuit: Circuit, carriers: list[_Carrier], wiring: Wiring, *, node: NDArray[np.void], branch: NDArray[np.void]
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Tables of lungs and of their compartments."""
    index = wiring.index
    limbs = find_limbs(
        wiring.ends,
        ports=(index[INSPIRATORY_PORT], index[EXPIRATORY_PORT]),
        airways=tuple(index[f"{name}.airway"] for name in circuit.lungs),
        outside=frozenset(np.flatnonzero(node["outside"]).tolist()),
    )
    node_gas, branch_gas = node["gas_volume"].tolist(), branch["gas_volume"].tolist()
    own_branch = {name: k for k, (name, carrier) in reversed([*enumerate(carriers)]) if carrier.start == "airway"}
    lungs: list[tuple[Any, ...]] = []
    compartments: list[tuple[int, float]] = []
    for (name, part), pair in zip(circuit.lungs.items(), limbs, strict=True):
        first = len(compartments)
        for point, weight in zip(part.compartments, part.compartment_weights, strict=True):
            compartments.append((index[f"{name}.{point}"], weight))
        gas = [sum(branch_gas[k] for k in limb.branches) + sum(node_gas[i] for i in limb.nodes) for limb in pair]
        lungs.append(
            (
                index[f"{name}.airway"],
                own_branch[name],
                first,
                len(compartments),
                [limb.branches[0] if limb.branches else -1 for limb in pair],
                [limb.sign for limb in pair],
                [amount if limb.branches else np.nan for amount, limb in zip(gas, pair, strict=True)],
            )
        )
    return np.array(lungs, LUNG), np.array(compartments, COMPARTMENT)


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


def _branch_names(carriers: list[_Carrier]) -> tuple[str, ...]:
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


def _machine_elements(machine: Ventilator) -> tuple[Element, ...]:
    """The gas of the machine, and passages for its laws that are not linear."""
    gas = machine.internal_volume + machine.humidifier_volume
    found: list[Element] = []
    if gas > 0.0:
        found.append(Store("inspiratory", gas / machine.ambient_pressure, gas_volume=gas))
    for port, law in _machine_laws(machine).items():
        if law.coefficients is None or law.coefficients[1] > 0.0:
            ends = (_BEHIND[port], port) if port == "inspiratory" else (port, _BEHIND[port])
            found.append(Passage(*ends, law, law))
    return tuple(found)


def _gates(
    machine: Ventilator, index: Mapping[str, int], node: NDArray[np.void], branch: NDArray[np.void]
) -> NDArray[np.void]:
    """The gates; behind a law of the machine that is a passage a gate only sets the pressure."""
    found = []
    for port, law in _machine_laws(machine).items():
        at = index[f"ventilator.{port}"]
        behind = index.get(f"ventilator.{_BEHIND[port]}")
        linear, _ = law.coefficients or (0.0, 0.0)
        found.append((at, linear) if behind is None else (behind, 0.0))
        if behind is None and linear == 0.0:
            _check_ideal(port, at, node, branch)
    limit = np.inf if machine.flow_limit is None else machine.flow_limit
    (source, exhalation), relief = found, -1 if machine.relief_pressure is None else index[INSPIRATORY_PORT]
    gate = np.zeros(GATES, GATE)
    gate[SOURCE] = (source[0], 1.0, source[1], limit)
    gate[EXHALATION] = (exhalation[0], -1.0, exhalation[1], np.inf)
    gate[RELIEF] = (relief, -1.0, 0.0, np.inf)
    return gate


def _check_ideal(port: str, at: int, node: NDArray[np.void], branch: NDArray[np.void]) -> None:
    """Refuse a gate without resistance at a node whose pressure or flow it could not set at once."""
    name = {"inspiratory": "source_resistance", "expiratory": "exhalation_resistance"}[port]
    held = node["compliance"][at] * ML_PER_L
    if held > 0:
        raise CircuitError(
            f"ventilator: {name} 0 cmH2O·s/L meets stored gas: what is joined to the {port} port holds "
            f"{held:.3g} mL/cmH2O, so the flow would be infinite when the pressure jumps.\n"
            f"  Give a {name} above 0 (0.1, say), or parts without stored gas (ideal=True in the layouts)."
        )
    inertial = branch[branch["kind"] == laws.INERTIAL]
    if at in inertial["start"] or at in inertial["end"]:
        raise CircuitError(
            f"ventilator: {name} 0 cmH2O·s/L meets a tube with inertia at the {port} port: its gas could not be "
            f"stopped when the valve closes.\n  Give a {name} above 0 (0.1, say), or a tube without inertia."
        )


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
