"""A second road for every kind of element, for tests: own equations of whole circuits, solved by IDA.

Like ``independent.py``, but with curved laws, curved stores, efforts, holes to the atmosphere and inertia. The
equations are read from ``circuit.parts[...].elements()``; nothing of ``ventsim.engine`` is used. The flow of every
passage is an unknown of its own, so that no law is ever inverted or tabulated: each passage contributes
"pressure difference minus pressure drop of the flow = 0", a valve that is shut "flow = 0". IDA looks for the
instants at which valves open and shut, and is started anew there, as at every jump of the source.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from sksundae.ida import IDA

from ventsim.model.circuit import Circuit
from ventsim.model.laws import OPEN, FlowLaw, flow_law
from ventsim.model.parts.part import Atmosphere, ElasticStore, Inertia, Passage, Store
from ventsim.model.ventilator import BreathSettings, Segment

FloatArray = NDArray[np.float64]
ML_PER_L = 1000.0

# Tolerances of IDA: relative; absolute for pressures [cmH2O], flows [L/s] and volumes [mL].
RELATIVE, ABSOLUTE = 1e-9, 1e-9
# Flow over which the slope of a law is taken, for the Jacobian alone [L/s].
STEP = 1e-6
# Largest pressure [cmH2O] or flow [L/s] by which equations may be off where a interval begins.
CONSISTENT = 1e-7
HALVINGS = 200


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


class Waveforms(NamedTuple):
    """At the sample times: volumes of the lungs and totals since the start [mL]."""

    volume: FloatArray  # (n_times, n_lungs)
    delivered: FloatArray  # (n_times,)
    returned: FloatArray
    leaked: FloatArray


@dataclass(frozen=True, eq=False)
class System:
    """The equations of a circuit; unknowns are pressures, volumes of curved stores, flows, and three totals."""

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
    ports: tuple[int, int]
    source_resistance: float
    exhalation_resistance: float

    @property
    def offsets(self) -> tuple[int, int, int]:
        """Where volumes, flows and totals begin among the unknowns."""
        volumes = len(self.compliance)
        flows = volumes + len(self.curved)
        return volumes, flows, flows + len(self.ends)

    @property
    def algebraic(self) -> NDArray[np.intp]:
        """The unknowns that are not differentiated."""
        volumes, flows, totals = self.offsets
        is_algebraic = np.ones(totals + 3, dtype=bool)
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
        if segment.phase == "expiration" and outlet > peep:
            returned, slope_out = (outlet - peep) / self.exhalation_resistance, 1.0 / self.exhalation_resistance
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
        result[totals:] = yp[totals:] - ML_PER_L * np.array([delivered, returned, lost])
        return result

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
        result[np.arange(totals, totals + 3), np.arange(totals, totals + 3)] = rate
        return result

    def switches(self, interval: "Interval", y: FloatArray) -> FloatArray:
        """For each valve what falls below 0 where it opens or shuts, shape (n_valves,)."""
        volumes, flows, totals = self.offsets
        excess = self.ends @ y[:volumes] - self.opening
        return np.where(interval.shut, -excess, y[flows:totals])[self.one_way]


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
    compliance, vented, curved = np.zeros(n), np.zeros(n, dtype=bool), []
    for point, store in stores:
        if isinstance(store, Store):
            compliance[row[point]] += store.compliance / ML_PER_L
        elif isinstance(store, Atmosphere):
            vented[row[point]] = True
        else:
            curved.append((row[point], store))
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
    if exhalation is None or exhalation[1] > 0.0:
        raise ValueError("these equations know linear exhalation valves")
    if machine.flow_limit is not None or machine.relief_pressure is not None or not compliance[list(ports)].all():
        raise ValueError("these equations need ports that store gas, and know neither flow limit nor relief")
    if any(compliance[point] > 0.0 for point, _ in curved):
        raise ValueError("these equations know one store at a point")
    return System(
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
        ports=ports,
        source_resistance=machine.source_resistance,
        exhalation_resistance=exhalation[0],
    )


def at_rest(system: System, peep: float) -> FloatArray:
    """All unknowns with every point at PEEP, where only the holes to the atmosphere carry flow."""
    volumes, flows, totals = system.offsets
    y = np.zeros(totals + 3)
    y[:volumes] = np.where(system.vented, 0.0, peep)
    for k, (_, store) in enumerate(system.curved):
        muscles = 0.0 if store.effort is None else float(store.effort.pressure(0.0))
        y[volumes + k] = store.law.volume(peep + muscles)
    difference = system.ends @ y[:volumes]
    driven = (difference != 0.0) & (system.inertance == 0.0)
    low, high = np.full(len(difference), -50.0), np.full(len(difference), 50.0)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        below = system.drops(middle) < difference
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    y[flows:totals] = np.where(driven, 0.5 * (low + high), 0.0)
    return y


def slopes_at(system: System, residual_at_rest: FloatArray) -> FloatArray:
    """Derivatives of the unknowns, from the residual with all derivatives 0; of algebraic ones 0."""
    volumes, flows, totals = system.offsets
    weight = np.ones(len(residual_at_rest))
    weight[:volumes], weight[flows:totals] = system.compliance, system.inertance
    weight[system.algebraic] = np.inf
    return -residual_at_rest / weight


def corners(system: System, settings: BreathSettings, end: float) -> list[tuple[float, float, float, Segment]]:
    """Intervals without jump or corner: begin, end, begin of their segment [s], and the segment."""
    edges: list[tuple[float, float, Segment]] = []
    began = 0.0
    while began < end - 1e-9:
        for segment in settings.segments():
            edges.append((began, min(began + segment.duration, end), segment))
            began += segment.duration
    bends = {
        number * store.effort.period + time
        for _, store in system.curved
        if store.effort is not None
        for number in range(int(end / store.effort.period) + 1)
        for time in store.effort.times
    }
    found = []
    for start, over, segment in edges:
        if over - start < 1e-9:
            continue
        inside = sorted(bend for bend in bends if start + 1e-9 < bend < over - 1e-9)
        for first, last in itertools.pairwise([start, *inside, over]):
            found.append((first, last, start, segment))
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
    solver = IDA(
        residual, jacfn=jacobian, algebraic_idx=system.algebraic, rtol=RELATIVE, atol=ABSOLUTE,
        max_num_steps=20_000, eventsfn=switches if len(valves) else None, num_events=len(valves),
    )  # fmt: skip
    run = solver.solve(times, y, slopes_at(system, off))
    if not run.success:
        raise ArithmeticError(f"IDA stopped {run.t[-1]:.6g} s after {interval.first:.6g} s: {run.message}")
    switched = run.i_events is not None and len(run.i_events) > 0
    return run.t, run.y, valves[np.asarray(run.i_events[-1]) != 0] if switched else valves[:0]


def solve(circuit: Circuit, settings: BreathSettings, *, times: FloatArray) -> Waveforms:
    """Run from rest at PEEP through the given times [s], started anew at every jump, corner and switching."""
    system, peep = read_system(circuit), float(settings.peep)
    y, shut = at_rest(system, peep), system.one_way.copy()
    flows = system.offsets[1]
    found = np.empty((len(times), len(y)))
    for first, last, start, segment in corners(system, settings, float(times[-1])):
        now = first
        while last - now > 1e-12:
            interval = Interval(now, last, start, segment, peep, shut.copy())
            inside = np.flatnonzero((times >= now - 1e-9) & (times <= last + 1e-9))
            local = np.clip(times[inside] - now, 0.0, last - now)
            wanted = np.unique(np.concatenate([[0.0], local, [last - now]]))
            reached, states, switched = run_interval(system, interval, y, wanted)
            done = local <= reached[-1]
            found[inside[done]] = states[np.searchsorted(reached, local[done])]
            shut[switched] = ~shut[switched]
            now, y = (now + reached[-1] if switched.size else last), states[-1].copy()
            y[flows:][switched] = 0.0
    volumes, _, totals = system.offsets
    place = {point: volumes + k for k, (point, _) in enumerate(system.curved)}
    held = ML_PER_L * system.compliance * found[:, :volumes]
    volume = [
        sum(found[:, place[at]] if at in place else held[:, at] for at in compartments)
        for compartments in system.lungs
    ]
    return Waveforms(np.column_stack(volume), *(found[:, totals + k] for k in range(3)))
