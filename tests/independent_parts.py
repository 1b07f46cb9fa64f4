"""A second road for every kind of element, for tests: own equations of whole circuits, solved by IDA.

Like ``independent.py``, but with curved laws, curved stores, efforts, holes to the atmosphere and inertia. The
equations are read from ``circuit.parts[...].elements()``; nothing of ``ventsim.engine`` is used. The flow of every
passage is an unknown of its own, so that no law is ever inverted or tabulated: each passage contributes
"pressure difference minus pressure drop of the flow = 0", a valve that is shut "flow = 0". Totals, means and work
are integrals that IDA solves for too. It looks for the instants at which valves open and shut, and is started anew
there, as at every jump of the source, and where another circuit replaces the one before.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from independent import through
from numpy.typing import NDArray
from sksundae.ida import IDA

from ventsim.model.circuit import Circuit
from ventsim.model.laws import OPEN, FlowLaw, flow_law
from ventsim.model.parts.lung import LungPart
from ventsim.model.parts.part import Atmosphere, ElasticStore, Inertia, Passage, Store
from ventsim.model.ventilator import BreathSettings, Segment

FloatArray = NDArray[np.float64]
ML_PER_L = 1000.0

# Tolerances of IDA: relative; absolute for pressures [cmH2O], flows [L/s] and volumes [mL].
RELATIVE, ABSOLUTE = 1e-9, 1e-9
# Flow over which the slope of a law is taken, for the Jacobian alone [L/s].
STEP = 1e-6
JOULES = 0.0980665  # of 1 cmH2O·L, exact (conventional centimetre of water)
OF_CIRCUIT, OF_LUNG = 4, 3  # number of integrals
# Largest pressure [cmH2O] or flow [L/s] by which equations may be off where a interval begins.
CONSISTENT = 1e-7
HALVINGS = 200
LATE = 1e-8  # how far beyond its switching point a valve switches [cmH2O, L/s]
# How IDA is started: as it is, or, if that fails, after it has corrected the first slopes by itself.
STARTS: tuple[dict[str, Any], ...] = ({}, {"calc_initcond": "yp0", "calc_init_dt": 1e-8})
# Points of an interval, close together at its beginning, between which the flow of a lung may turn round.
POINTS = 300


class Laws:
    """Pressure drops of many passages at once; equal laws are called once."""

    def __init__(self, laws: Sequence[FlowLaw]) -> None:
        self.linear, self.quadratic = np.zeros(len(laws)), np.zeros(len(laws))
        rows: dict[FlowLaw, list[int]] = {}
        for k, law in enumerate(laws):
            if law.coefficients is not None:
                self.linear[k], self.quadratic[k] = law.coefficients
            else:
                rows.setdefault(law, []).append(k)
        self.curved = [(law, np.array(places)) for law, places in rows.items()]

    def drop(self, flow: FloatArray) -> FloatArray:
        """Pressure drops, shape of `flow`, (..., n_passages)."""
        total = self.linear * flow + self.quadratic * flow * np.abs(flow)
        for law, rows in self.curved:
            total[..., rows] = law.pressure_drop(flow[..., rows])
        return total


@dataclass(frozen=True, eq=False)
class Waveforms:
    """At the sample times, with the names and units of ventsim: of each lung, shape (n_times, n_lungs)."""

    volume: FloatArray
    airway_pressure: FloatArray
    alveolar_pressure: FloatArray
    flow: FloatArray
    inspired_volume: FloatArray
    expired_volume: FloatArray
    airway_pressure_integral: FloatArray
    alveolar_pressure_integral: FloatArray
    inspiratory_work: FloatArray
    # Of the circuit, shape (n_times,).
    inspiratory_port_pressure: FloatArray
    expiratory_port_pressure: FloatArray
    circuit_volume: FloatArray
    delivered_volume: FloatArray
    returned_volume: FloatArray
    leaked_volume: FloatArray
    inspiratory_port_pressure_integral: FloatArray


@dataclass(frozen=True, eq=False)
class System:
    """The equations of a circuit; unknowns are pressures, volumes of curved stores, flows, and integrals.

    The integrals are those of the circuit (delivered, returned, leaked volume; pressure at the inspiratory port),
    then, for each lung, airway and alveolar pressure, and work of airway pressure in both directions.
    """

    stores: list[tuple[str, int, float]]  # name, point, compliance [L/cmH2O] of the linear ones
    curved_names: list[str]
    path_names: list[str]

    compliance: FloatArray  # (n_points,) [L/cmH2O]
    vented: NDArray[np.bool_]  # (n_points,) open to the atmosphere
    curved: list[tuple[int, ElasticStore]]
    ends: FloatArray  # (n_paths, n_points) 1 at the start, -1 at the end
    forward: Laws
    two_faced: NDArray[np.intp]  # paths with another law for flow from end to start
    backward: Laws  # of these
    one_way: NDArray[np.bool_]  # (n_paths,)
    opening: FloatArray
    leak: FloatArray
    inertance: FloatArray  # (n_paths,) [cmH2O·s²/L], 0 for passages
    lungs: list[list[int]]  # points of the compartments
    airways: NDArray[np.intp]  # (n_lungs,) points
    airway_paths: FloatArray  # (n_lungs, n_paths) 1 for the path that begins at the airway
    alveolar_weights: FloatArray  # (n_lungs, n_points)
    ports: tuple[int, int]
    source_resistance: float
    exhalation: tuple[float, float]  # linear and quadratic coefficient

    @property
    def offsets(self) -> tuple[int, int, int]:
        """Where volumes, flows and integrals begin among the unknowns."""
        volumes = len(self.compliance)
        flows = volumes + len(self.curved)
        return volumes, flows, flows + len(self.ends)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.offsets[2] + OF_CIRCUIT + OF_LUNG * len(self.lungs)

    @property
    def algebraic(self) -> NDArray[np.intp]:
        """The unknowns that are not differentiated."""
        volumes, flows, totals = self.offsets
        is_algebraic = np.ones(self.size, dtype=bool)
        is_algebraic[:volumes] = self.compliance == 0.0
        is_algebraic[volumes:flows] = False
        is_algebraic[flows:totals] = self.inertance == 0.0
        is_algebraic[totals:] = False
        return np.flatnonzero(is_algebraic)

    def drops(self, flow: FloatArray) -> FloatArray:
        """Pressure drop of every passage at a flow."""
        total, rows = self.forward.drop(flow), self.two_faced
        total[rows] = np.where(flow[rows] >= 0.0, total[rows], self.backward.drop(flow[rows]))
        return total

    def port_flows(self, value: float, pressure: FloatArray, segment: Segment, peep: float) -> FloatArray:
        """What the ventilator delivers and takes back, and how these change with the pressure at the ports."""
        inlet, outlet = pressure[list(self.ports)]
        delivered = slope_in = returned = slope_out = 0.0
        if segment.drive == "flow":
            delivered = value
        elif segment.drive == "pressure" and value > inlet:
            delivered, slope_in = (value - inlet) / self.source_resistance, -1.0 / self.source_resistance
        if segment.phase == "expiration":
            returned, slope_out = through(self.exhalation, outlet - peep)
        return np.array([delivered, returned, slope_in, slope_out])

    def residual(self, interval: "Interval", time: float, y: FloatArray, yp: FloatArray) -> FloatArray:
        """How far all equations are from being met, `time` seconds after the start of the interval."""
        value, segment, peep = interval.value(time), interval.segment, interval.peep
        volumes, flows, totals = self.offsets
        pressure, volume, flow = y[:volumes], y[volumes:flows], y[flows:totals]
        difference = self.ends @ pressure
        total = flow + self.leak * difference
        delivered, returned = self.port_flows(value, pressure, segment, peep)[:2]
        net = -(self.ends.T @ total)
        lost = float(net[self.vented].sum())
        net[self.ports[0]] += delivered
        net[self.ports[1]] -= returned
        result = np.empty_like(y)
        result[:volumes] = self.compliance * yp[:volumes] - net
        result[:volumes][self.vented] = pressure[self.vented]
        for k, (point, store) in enumerate(self.curved):
            muscles = 0.0 if store.effort is None else float(store.effort.pressure(interval.first + time))
            result[point] = pressure[point] - (float(store.law.pressure(volume[k])) - muscles)
            result[volumes + k] = yp[volumes + k] - ML_PER_L * net[point]
        result[flows:totals] = np.where(interval.shut, flow, difference - self.opening - self.drops(flow))
        heavy = self.inertance > 0.0
        result[flows:totals][heavy] = (self.inertance * yp[flows:totals] - difference)[heavy]
        of_circuit = [ML_PER_L * delivered, ML_PER_L * returned, ML_PER_L * lost, pressure[self.ports[0]]]
        result[totals:] = yp[totals:] - np.append(of_circuit, self.lung_rates(pressure, flow))
        return result

    def lung_rates(self, pressure: FloatArray, flow: FloatArray) -> FloatArray:
        """Rates of the integrals of the lungs, shape (n_lungs * 3,)."""
        airway = pressure[self.airways]
        work = JOULES * airway * (self.airway_paths @ flow)
        return np.column_stack([airway, self.alveolar_weights @ pressure, work]).ravel()

    def lung_rates_jacobian(self, pressure: FloatArray, flow: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Their derivatives by pressures and by flows, shapes (n_lungs * 3, n_points or n_paths)."""
        at_airway, still = np.eye(len(pressure))[self.airways], np.zeros_like(self.airway_paths)
        into = (self.airway_paths @ flow)[:, None]
        by_pressure = np.stack([at_airway, self.alveolar_weights, JOULES * into * at_airway], axis=1)
        work = JOULES * pressure[self.airways][:, None] * self.airway_paths
        by_flow = np.stack([still, still, work], axis=1)
        return by_pressure.reshape(-1, len(pressure)), by_flow.reshape(-1, len(flow))

    def volumes_of_lungs(self, states: FloatArray) -> FloatArray:
        """Volumes above relaxation [mL], shape (n_times, n_lungs)."""
        volumes, held = self.offsets[0], ML_PER_L * self.compliance * states[:, : self.offsets[0]]
        for k, (point, _) in enumerate(self.curved):
            held[:, point] = states[:, volumes + k]
        return np.column_stack([held[:, points].sum(axis=1) for points in self.lungs])

    def work_of_lungs(self, states: FloatArray) -> FloatArray:
        """Work of airway pressure in both directions [J], shape (n_times, n_lungs)."""
        return states[:, self.offsets[2] + OF_CIRCUIT :].reshape(len(states), -1, OF_LUNG)[:, :, 2]

    def jacobian(self, interval: "Interval", time: float, y: FloatArray, rate: float) -> FloatArray:
        """Derivative of the residual by the unknowns, plus `rate` times that by their derivatives."""
        volumes, flows, totals = self.offsets
        pressure, volume, flow = y[:volumes], y[volumes:flows], y[flows:totals]
        ports = self.port_flows(interval.value(time), pressure, interval.segment, interval.peep)
        slope_in, slope_out = ports[2:]
        inlet, outlet = self.ports
        result = np.zeros((len(y), len(y)))
        # Gain of every point by pressures and by flows.
        by_pressure = -(self.ends.T @ (self.leak[:, None] * self.ends))
        lost = np.concatenate([by_pressure[self.vented].sum(0), np.zeros(len(volume)),
                               -self.ends.T[self.vented].sum(0)])  # fmt: skip
        by_pressure[inlet, inlet] += slope_in
        by_pressure[outlet, outlet] -= slope_out
        gain = np.hstack([by_pressure, np.zeros((volumes, len(volume))), -self.ends.T])
        result[:volumes, :totals] = -gain
        result[np.arange(volumes), np.arange(volumes)] += rate * self.compliance
        for point in np.flatnonzero(self.vented):
            result[point] = 0.0
            result[point, point] = 1.0
        for k, (point, store) in enumerate(self.curved):
            result[point] = 0.0
            result[point, point] = 1.0
            around = store.law.pressure(volume[k] + np.array([-1e-3, 1e-3]))
            result[point, volumes + k] = -(around[1] - around[0]) / 2e-3
            result[volumes + k, :totals] = -ML_PER_L * gain[point]
            result[volumes + k, volumes + k] += rate
        slope = (self.drops(flow + STEP) - self.drops(flow - STEP)) / (2.0 * STEP)
        heavy = self.inertance > 0.0
        sign = np.where(heavy, -1.0, np.where(interval.shut, 0.0, 1.0))
        result[flows:totals, :volumes] = sign[:, None] * self.ends
        own = np.where(heavy, rate * self.inertance, np.where(interval.shut, 1.0, -slope))
        result[np.arange(flows, totals), np.arange(flows, totals)] = own
        result[totals, inlet] = -ML_PER_L * slope_in
        result[totals + 1, outlet] = -ML_PER_L * slope_out
        result[totals + 2, :totals] = -ML_PER_L * lost
        result[totals + 3, inlet] = -1.0
        by_pressure, by_flow = self.lung_rates_jacobian(pressure, flow)
        result[totals + OF_CIRCUIT :, :volumes] = -by_pressure
        result[totals + OF_CIRCUIT :, flows:totals] = -by_flow
        result[np.arange(totals, self.size), np.arange(totals, self.size)] = rate
        return result

    def switches(self, interval: "Interval", y: FloatArray) -> FloatArray:
        """For each valve what falls below 0 where it opens or shuts, shape (n_valves,).

        IDA finds no sign change of a function that is 0 where it begins, as of a valve that has just switched: it
        would stay as it is. So valves switch `LATE` beyond the point at which they should.
        """
        volumes, flows, totals = self.offsets
        excess = self.ends @ y[:volumes] - self.opening
        return np.where(interval.shut, LATE - excess, LATE + y[flows:totals])[self.one_way]


@dataclass(frozen=True, eq=False)
class Interval:
    """A time without jump or corner, in which every valve stays as it is."""

    first: float  # since the start of the run [s]
    last: float
    start: float  # of the segment [s]
    segment: Segment
    peep: float
    shut: NDArray[np.bool_]  # (n_paths,)

    def value(self, time: float) -> float:
        """What the source sets, `time` seconds after the start of the interval."""
        return self.segment.value(min(self.first + time - self.start, self.segment.duration))


def read_system(circuit: Circuit) -> System:
    """The equations of a circuit, from its parts and joints."""
    points = nx.Graph(circuit.joints)
    paths: list[tuple[str, Passage | Inertia]] = []
    stores: list[tuple[str, Store | ElasticStore | Atmosphere]] = []
    for name, part in circuit.parts.items():
        for element in part.elements():
            if isinstance(element, Store | ElasticStore | Atmosphere):
                points.add_node(f"{name}.{element.at}")
                stores.append((f"{name}.{element.at}", element))
                continue
            points.add_nodes_from([f"{name}.{element.start}", f"{name}.{element.end}"])
            if isinstance(element, Passage) and element.is_ideal:
                points.add_edge(f"{name}.{element.start}", f"{name}.{element.end}")
            else:
                paths.append((name, element))
    row = {point: k for k, group in enumerate(nx.connected_components(points)) for point in group}
    n = max(row.values()) + 1
    compliance, vented = np.zeros(n), np.zeros(n, dtype=bool)
    curved: list[tuple[int, ElasticStore]] = []
    curved_names, linear = [], []
    for point, store in stores:
        if isinstance(store, Store):
            compliance[row[point]] += store.compliance / ML_PER_L
            linear.append((point, row[point], store.compliance / ML_PER_L))
        elif isinstance(store, Atmosphere):
            vented[row[point]] = True
        else:
            curved.append((row[point], store))
            curved_names.append(point)
    ends = np.zeros((len(paths), n))
    for k, (name, path) in enumerate(paths):
        ends[k, row[f"{name}.{path.start}"]], ends[k, row[f"{name}.{path.end}"]] = 1.0, -1.0
    laws = [path.forward if isinstance(path, Passage) else OPEN for _, path in paths]
    back = {
        k: path.backward
        for k, (_, path) in enumerate(paths)
        if isinstance(path, Passage) and path.backward not in (None, path.forward)
    }
    ports = (row["ventilator.inspiratory"], row["ventilator.expiratory"])
    machine = circuit.ventilator
    exhalation = flow_law(machine.exhalation_resistance).coefficients
    if exhalation is None:
        raise ValueError("these equations know exhalation valves with linear and quadratic loss")
    if machine.flow_limit is not None or machine.relief_pressure is not None or not compliance[list(ports)].all():
        raise ValueError("these equations need ports that store gas, and know neither flow limit nor relief")
    if any(compliance[point] > 0.0 for point, _ in curved):
        raise ValueError("these equations know one store at a point")
    names = [f"{name}.{path.start}" for name, path in paths]
    weights = np.zeros((len(circuit.lungs), n))
    for k, (name, lung) in enumerate(circuit.lungs.items()):
        for at, weight in zip(lung.compartments, lung.compartment_weights, strict=True):
            weights[k, row[f"{name}.{at}"]] += weight
    return System(
        stores=linear,
        curved_names=curved_names,
        path_names=names,
        compliance=compliance,
        vented=vented,
        curved=curved,
        ends=ends,
        forward=Laws(laws),
        two_faced=np.array(list(back), dtype=int),
        backward=Laws(list(back.values())),
        one_way=np.array([path.is_one_way for _, path in paths]),
        opening=np.array([getattr(path, "opening_pressure", 0.0) for _, path in paths]),
        leak=np.array([getattr(path, "leak_conductance", 0.0) for _, path in paths]),
        inertance=np.array([getattr(path, "inertance", 0.0) for _, path in paths]),
        lungs=[[row[f"{name}.{at}"] for at in lung.compartments] for name, lung in circuit.lungs.items()],
        airways=np.array([row[f"{name}.airway"] for name in circuit.lungs]),
        airway_paths=np.array([[float(path == f"{name}.airway") for path in names] for name in circuit.lungs]),
        alveolar_weights=weights,
        ports=ports,
        source_resistance=machine.source_resistance,
        exhalation=exhalation,
    )


def driven_flows(system: System, pressure: FloatArray, shut: NDArray[np.bool_]) -> FloatArray:
    """Flows that these pressures drive through paths without inertia, by halving."""
    excess = system.ends @ pressure - system.opening
    driven = (excess != 0.0) & (system.inertance == 0.0) & ~shut
    low, high = np.full(len(excess), -50.0), np.full(len(excess), 50.0)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        below = system.drops(middle) < excess
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(driven, 0.5 * (low + high), 0.0)


def at_rest(system: System, peep: float) -> FloatArray:
    """All unknowns with every point at PEEP, where only the holes to the atmosphere carry flow."""
    volumes, flows, totals = system.offsets
    y = np.zeros(system.size)
    y[:volumes] = np.where(system.vented, 0.0, peep)
    for k, (_, store) in enumerate(system.curved):
        muscles = 0.0 if store.effort is None else float(store.effort.pressure(0.0))
        y[volumes + k] = store.law.volume(peep + muscles)
    y[flows:totals] = driven_flows(system, y[:volumes], system.one_way)
    return y


def carried_over(old: System, y: FloatArray, new: System, time: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Unknowns of another circuit in which every store has the gas that it had, and the valves that are shut."""
    volumes, flows, totals = new.offsets
    gas, result = np.zeros(volumes), np.zeros(new.size)
    pressure_of = {name: y[point] for name, point, _ in old.stores}
    for name, point, compliance in new.stores:
        gas[point] += compliance * pressure_of[name]
    result[:volumes] = np.divide(gas, new.compliance, out=np.zeros(volumes), where=new.compliance > 0.0)
    held = dict(zip(old.curved_names, y[old.offsets[0] :], strict=False))
    for k, (point, store) in enumerate(new.curved):
        result[volumes + k] = held[new.curved_names[k]]
        muscles = 0.0 if store.effort is None else float(store.effort.pressure(time))
        result[point] = float(store.law.pressure(result[volumes + k])) - muscles
    empty = (new.compliance == 0.0) & ~new.vented
    empty[[point for point, _ in new.curved]] = False
    if empty.any():
        raise ValueError("these equations can replace only circuits whose points all store gas")
    shut = new.one_way & (new.ends @ result[:volumes] <= new.opening)
    flow_of = dict(zip(old.path_names, y[old.offsets[1] :], strict=False))
    kept = np.array([flow_of.get(name, 0.0) for name in new.path_names])
    result[flows:totals] = np.where(new.inertance > 0.0, kept, driven_flows(new, result[:volumes], shut))
    result[totals:] = y[old.offsets[2] :]
    return result, shut


def slopes_at(system: System, residual_at_rest: FloatArray) -> FloatArray:
    """Derivatives of the unknowns, from the residual with all derivatives 0; of algebraic ones 0."""
    volumes, flows, totals = system.offsets
    weight = np.ones(len(residual_at_rest))
    weight[:volumes], weight[flows:totals] = system.compliance, system.inertance
    weight[system.algebraic] = np.inf
    return -residual_at_rest / weight


def corners(
    system: System, settings: BreathSettings, begin: float, end: float
) -> list[tuple[float, float, float, Segment]]:
    """Intervals without jump or corner: begin, end, begin of their segment [s], and the segment."""
    edges: list[tuple[float, float, float, Segment]] = []
    began = 0.0
    while began < end - 1e-9:
        for segment in settings.segments():
            over = began + segment.duration
            edges.append((max(began, begin), min(over, end), began, segment))
            began = over
    bends = {
        number * store.effort.period + time
        for _, store in system.curved
        if store.effort is not None
        for number in range(int(end / store.effort.period) + 1)
        for time in store.effort.times
    }
    found = []
    for start, over, segment_start, segment in edges:
        if over - start < 1e-9:
            continue
        inside = sorted(bend for bend in bends if start + 1e-9 < bend < over - 1e-9)
        for first, last in itertools.pairwise([start, *inside, over]):
            found.append((first, last, segment_start, segment))
    return found


def run_interval(
    system: System, interval: Interval, y: FloatArray, times: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Times reached and unknowns there, and the valves that ended the interval before its time."""

    def residual(time: float, y: FloatArray, yp: FloatArray, res: FloatArray) -> None:
        res[:] = system.residual(interval, time, y, yp)

    def jacobian(
        time: float, y: FloatArray, yp: FloatArray, res: FloatArray, rate: float, matrix: FloatArray
    ) -> None:
        matrix[:, :] = system.jacobian(interval, time, y, rate)

    def switches(time: float, y: FloatArray, yp: FloatArray, events: FloatArray) -> None:
        events[:] = system.switches(interval, y)

    valves = np.flatnonzero(system.one_way)
    switches.terminal, switches.direction = [True] * len(valves), [-1] * len(valves)
    off = system.residual(interval, 0.0, y, np.zeros_like(y))
    worst = float(np.abs(off[system.algebraic]).max())
    if worst > CONSISTENT:
        raise ArithmeticError(f"equations are off by {worst:.3g} at {interval.first:.6g} s")
    for start in STARTS:
        solver = IDA(
            residual, jacfn=jacobian, algebraic_idx=system.algebraic, rtol=RELATIVE, atol=ABSOLUTE,
            max_num_steps=20_000, eventsfn=switches if len(valves) else None, num_events=len(valves), **start,
        )  # fmt: skip
        run = solver.solve(times, y, slopes_at(system, off))
        if run.success or run.t[-1] > 0.0:
            break
    if not run.success:
        raise ArithmeticError(f"IDA stopped {run.t[-1]:.6g} s after {interval.first:.6g} s: {run.message}")
    switched = run.i_events is not None and len(run.i_events) > 0
    return run.t, run.y, valves[np.asarray(run.i_events[-1]) != 0] if switched else valves[:0]


def solve(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    times: FloatArray,
    later: Sequence[tuple[float, Circuit]] = (),
) -> Waveforms:
    """Run from rest at PEEP through the given times [s], started anew at every jump, corner and switching.

    `later` has circuits that replace the one before from a time [s] on.
    """
    begins = [0.0, *(begin for begin, _ in later)]
    ends = [*begins[1:], float(times[-1])]
    system, peep = read_system(circuit), float(settings.peep)
    y, shut = at_rest(system, peep), system.one_way.copy()
    found: list[dict[str, Any]] = []
    passed = np.zeros((3, len(system.lungs)))
    for begin, end, stage in zip(begins, ends, [circuit, *(other for _, other in later)], strict=True):
        if begin > 0.0:
            before, system = system, read_system(stage)
            y, shut = carried_over(before, y, system, begin)
        here = times[(times >= begin - 1e-9) & ((times < end - 1e-9) | (end == ends[-1]))]
        states, sums = np.empty((len(here), system.size)), np.empty((len(here), *passed.shape))
        for first, last, start, segment in corners(system, settings, begin, end):
            now = first
            while last - now > 1e-12:
                interval = Interval(now, last, start, segment, peep, shut.copy())
                inside = np.flatnonzero((here >= now - 1e-9) & (here <= last + 1e-9))
                local = np.clip(here[inside] - now, 0.0, last - now)
                wanted = np.unique(np.concatenate([local, (last - now) * np.linspace(0.0, 1.0, POINTS) ** 2]))
                reached, run, switched = run_interval(system, interval, y, wanted)
                since = passed + passed_since(system, reached, run)
                done = local <= reached[-1]
                rows = np.searchsorted(reached, local[done])
                states[inside[done]], sums[inside[done]] = run[rows], since[rows]
                shut[switched] = ~shut[switched]
                now = now + reached[-1] if switched.size else last
                y, passed = run[-1].copy(), since[-1]
                y[flows_at(system)][switched] = 0.0
        found.append(sampled(system, states, sums))
    return Waveforms(**{name: np.concatenate([one[name] for one in found]) for name in found[0]})


def resting_volume(lung: LungPart, pressure: float) -> float:
    """Volume above relaxation of a lung that rests at a pressure [cmH2O], without effort. [mL]"""
    return sum(
        one.compliance * pressure if isinstance(one, Store) else float(one.law.volume(pressure))
        for one in lung.elements()
        if isinstance(one, Store | ElasticStore)
    )


def flows_at(system: System) -> slice:
    """Where the flows are among the unknowns."""
    return slice(*system.offsets[1:])


def passed_since(system: System, times: FloatArray, states: FloatArray) -> FloatArray:
    """Inspired and expired volume [mL] and work of inspired gas [J] since the first state, (n_times, 3, n_lungs).

    Where the flow turns round between two times, at the extremum of the cubic through volume and flow at both.
    """
    length = np.diff(times)[:, None]
    flow = states[:, flows_at(system)] @ system.airway_paths.T
    volume, work = system.volumes_of_lungs(states), system.work_of_lungs(states)
    power = JOULES * flow * states[:, system.airways]
    turns = flow[:-1] * flow[1:] < 0.0
    rise = np.diff(volume, axis=0)
    begin, end = ML_PER_L * length * flow[:-1], ML_PER_L * length * flow[1:]
    # Slope of the cubic: begin + 2 (3 rise - 2 begin - end) s + 3 (begin + end - 2 rise) s².
    half, third = 3.0 * rise - 2.0 * begin - end, begin + end - 2.0 * rise
    root = np.sqrt(np.maximum(half**2 - 3.0 * third * begin, 0.0))
    sign = np.where(begin > 0.0, 1.0, -1.0)
    below = half - sign * root
    turn = np.clip(np.divide(-begin, below, out=np.ones_like(rise), where=turns & (below != 0.0)), 0.0, 1.0)
    before = turn * (begin + turn * (half + turn * third))
    work_rise, first, last = np.diff(work, axis=0), length * power[:-1], length * power[1:]
    work_before = turn * (
        first + turn * ((3.0 * work_rise - 2.0 * first - last) + turn * (first + last - 2.0 * work_rise))
    )
    before, work_before = np.where(turns, before, rise), np.where(turns, work_before, work_rise)
    after, work_after = rise - before, work_rise - work_before
    inspired = np.maximum(before, 0.0) + np.maximum(after, 0.0)
    done = np.where(before > 0.0, work_before, 0.0) + np.where(after > 0.0, work_after, 0.0)
    sums = np.cumsum(np.stack([inspired, inspired - rise, done], axis=1), axis=0)
    return np.concatenate([np.zeros_like(sums[:1]), sums])


def sampled(system: System, states: FloatArray, sums: FloatArray) -> dict[str, Any]:
    """The waveforms of the unknowns."""
    volumes, _, totals = system.offsets
    outside = [at for at in range(volumes) if at not in {at for lung in system.lungs for at in lung}]
    pressure, (inlet, outlet) = states[:, :volumes], system.ports
    of_lungs = states[:, totals + OF_CIRCUIT :].reshape(len(states), -1, OF_LUNG)
    return {
        "volume": system.volumes_of_lungs(states),
        "airway_pressure": pressure[:, system.airways],
        "alveolar_pressure": pressure @ system.alveolar_weights.T,
        "flow": states[:, flows_at(system)] @ system.airway_paths.T,
        "inspired_volume": sums[:, 0],
        "expired_volume": sums[:, 1],
        "airway_pressure_integral": of_lungs[:, :, 0],
        "alveolar_pressure_integral": of_lungs[:, :, 1],
        "inspiratory_work": sums[:, 2],
        "inspiratory_port_pressure": pressure[:, inlet],
        "expiratory_port_pressure": pressure[:, outlet],
        "circuit_volume": ML_PER_L * pressure[:, outside] @ system.compliance[outside],
        "delivered_volume": states[:, totals],
        "returned_volume": states[:, totals + 1],
        "leaked_volume": states[:, totals + 2],
        "inspiratory_port_pressure_integral": states[:, totals + 3],
    }
