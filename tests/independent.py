"""A second road from a circuit to its waveforms, for tests: own equations, foreign solvers.

The equations are read from ``circuit.parts[...].elements()``, ``circuit.joints`` and ``settings.segments()``
and written in NumPy; nothing of ``ventsim.engine`` is used.  Valves follow the plain piecewise law.  The
solvers are Radau and LSODA of SciPy, CVODE and IDA of SUNDIALS, started anew at every jump of the source.
"""

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from sksundae.cvode import CVODE
from sksundae.ida import IDA

from ventsim.model.circuit import Circuit
from ventsim.model.laws import flow_law
from ventsim.model.parts import Passage, Store
from ventsim.model.ventilator import BreathSettings, Segment

FloatArray = NDArray[np.float64]
ML_PER_L = 1000.0

# Relative tolerances; the absolute ones, in cmH2O and L, are a tenth.  At the tighter one Radau takes several
# times as long, and IDA does not get past the kink of a valve.
TIGHT, LESS_TIGHT, ABSOLUTE = 1e-11, 1e-10, 0.1

# Newton's method: net flow at which it stops, and that it must reach at least [L/s]; conductance against singular
# matrices [L/s/cmH2O]; square of the resistance against infinite slopes [cmH2O²·s²/L²].
BALANCED, NEARLY_BALANCED, FAINT, SHALLOW = 1e-12, 1e-10, 1e-12, 1e-10
NEWTON_STEPS, SMALLEST_SHARE = 60, 1e-6
MOST_CALLS = 50_000  # of the equations in one segment, beyond which a solver has lost its way


class Flows(NamedTuple):
    """Flows at one instant [L/s]; `net` is what each point gains."""

    net: FloatArray
    lungs: FloatArray
    delivered: float
    returned: float
    vented: float


class Waveforms(NamedTuple):
    """Volumes of the lungs at the sample times, and totals since the start [mL]."""

    volume: FloatArray  # (n_times, n_lungs)
    inspired: FloatArray  # (n_times, n_lungs)
    delivered: FloatArray  # (n_times,) less what the relief valve vented
    returned: FloatArray
    vented: FloatArray


def through(law: tuple[float, float], drop: float) -> tuple[float, float]:
    """Flow through an exhalation valve with linear and quadratic loss, and its slope; nothing flows back."""
    if drop <= 0.0:
        return 0.0, 0.0
    root = math.sqrt(law[0] ** 2 + 4.0 * law[1] * drop)
    return 2.0 * drop / (law[0] + root), 1.0 / root


@dataclass(frozen=True, eq=False)
class Equations:
    """The network of a circuit: points, passages with their laws, and the ventilator's valves."""

    storage: FloatArray  # (n_points,) [L/cmH2O]
    start: NDArray[np.intp]  # (n_passages,)
    end: NDArray[np.intp]
    laws: FloatArray  # (n_passages, 6): linear and quadratic forward, the same backward, opening, leak
    one_way: NDArray[np.bool_]
    alveoli: NDArray[np.intp]  # (n_lungs,)
    airway_passage: NDArray[np.intp]
    ports: tuple[int, int]
    source_resistance: float
    exhalation: tuple[float, float]  # linear and quadratic coefficient
    flow_limit: float
    relief_pressure: float

    def passage_flows(self, pressure: FloatArray) -> FloatArray:
        """Flow through every passage, from start to end."""
        drop = pressure[self.start] - pressure[self.end]
        excess = drop - self.laws[:, 4]
        is_forward = excess >= 0.0
        linear = np.where(is_forward, self.laws[:, 0], self.laws[:, 2])
        quadratic = np.where(is_forward, self.laws[:, 1], self.laws[:, 3])
        bottom = linear + np.sqrt(linear**2 + 4.0 * quadratic * np.abs(excess))
        flow = np.divide(2.0 * excess, bottom, out=np.zeros_like(excess), where=bottom > 0.0)
        return np.where(self.one_way & ~is_forward, 0.0, flow) + self.laws[:, 5] * drop

    def junction_matrix(self, time: float, pressure: FloatArray, segment: Segment, peep: float) -> FloatArray:
        """How the net flows fall as the pressures rise, for Newton's method on the junctions."""
        drop = pressure[self.start] - pressure[self.end]
        excess = drop - self.laws[:, 4]
        is_forward = excess >= 0.0
        linear = np.where(is_forward, self.laws[:, 0], self.laws[:, 2])
        quadratic = np.where(is_forward, self.laws[:, 1], self.laws[:, 3])
        slope = 1.0 / np.sqrt(np.maximum(linear**2 + 4.0 * quadratic * np.abs(excess), SHALLOW))
        slope = np.where(self.one_way & ~is_forward, 0.0, slope) + self.laws[:, 5]
        ends = np.eye(len(pressure))[self.start] - np.eye(len(pressure))[self.end]
        matrix = ends.T @ (slope[:, None] * ends)
        inlet, outlet = self.ports
        if segment.drive == "pressure":
            rise = (segment.value(time) - pressure[inlet]) / self.source_resistance
            matrix[inlet, inlet] += (0.0 < rise < self.flow_limit) / self.source_resistance
        if segment.phase == "expiration":
            matrix[outlet, outlet] += through(self.exhalation, pressure[outlet] - peep)[1]
        return matrix

    def flows(self, time: float, pressure: FloatArray, segment: Segment, peep: float, *, relieving: bool) -> Flows:
        """All flows, `time` seconds after the start of the segment.

        While `relieving`, what the inspiratory port would gain leaves through the relief valve.
        """
        flow = self.passage_flows(pressure)
        net = np.bincount(self.end, flow, len(pressure)) - np.bincount(self.start, flow, len(pressure))
        inlet, outlet = self.ports
        delivered = returned = vented = 0.0
        if segment.drive == "flow":
            delivered = min(segment.value(time), self.flow_limit)
        elif segment.drive == "pressure":
            drop = segment.value(time) - pressure[inlet]
            delivered = min(max(drop / self.source_resistance, 0.0), self.flow_limit)
        if segment.phase == "expiration":
            returned = through(self.exhalation, pressure[outlet] - peep)[0]
        net[inlet] += delivered
        net[outlet] -= returned
        if relieving:
            vented = net[inlet]
            net[inlet] = 0.0
        return Flows(net, flow[self.airway_passage], delivered, returned, vented)

    def totals(self, flows: Flows) -> FloatArray:
        """Rates of the running totals: inspired by each lung, delivered, returned, vented."""
        ports = [flows.delivered - flows.vented, flows.returned, flows.vented]
        return np.concatenate([np.maximum(flows.lungs, 0.0), ports])


def read_equations(circuit: Circuit) -> Equations:
    """The equations of a circuit, from its parts and joints."""
    points = nx.Graph(circuit.joints)
    passages: list[tuple[str, Passage]] = []
    stores: list[tuple[str, float]] = []
    for name, part in circuit.parts.items():
        for element in part.elements():
            if isinstance(element, Store):
                stores.append((f"{name}.{element.at}", element.compliance / ML_PER_L))
                points.add_node(f"{name}.{element.at}")
            elif element.is_ideal:
                points.add_edge(f"{name}.{element.start}", f"{name}.{element.end}")
            else:
                passages.append((name, element))
                points.add_nodes_from([f"{name}.{element.start}", f"{name}.{element.end}"])
    row = {point: k for k, group in enumerate(nx.connected_components(points)) for point in group}
    storage = np.zeros(max(row.values()) + 1)
    for point, compliance in stores:
        storage[row[point]] += compliance
    laws = []
    for _, passage in passages:
        both = [law.coefficients for law in (passage.forward, passage.backward or passage.forward)]
        if None in both:
            raise ValueError(f"these equations know linear and quadratic laws; {name} has another")
        laws.append([*both[0], *both[1], passage.opening_pressure, passage.leak_conductance])
    machine = circuit.ventilator
    exhalation = flow_law(machine.exhalation_resistance).coefficients
    if exhalation is None or min(machine.source_resistance, exhalation[0]) <= 0.0:
        raise ValueError("these equations need resistances above 0 at both ports")
    names = [name for name, _ in passages]
    return Equations(
        storage=storage,
        start=np.array([row[f"{name}.{passage.start}"] for name, passage in passages]),
        end=np.array([row[f"{name}.{passage.end}"] for name, passage in passages]),
        laws=np.array(laws),
        one_way=np.array([passage.is_one_way for _, passage in passages]),
        alveoli=np.array([row[f"{name}.alveoli"] for name in circuit.lungs]),
        airway_passage=np.array([names.index(name) for name in circuit.lungs]),
        ports=(row["ventilator.inspiratory"], row["ventilator.expiratory"]),
        source_resistance=machine.source_resistance,
        exhalation=exhalation,
        flow_limit=np.inf if machine.flow_limit is None else machine.flow_limit,
        relief_pressure=np.inf if machine.relief_pressure is None else machine.relief_pressure,
    )


def balance(
    equations: Equations,
    time: float,
    pressure: FloatArray,
    segment: Segment,
    peep: float,
    *,
    relieving: bool = False,
) -> Flows:
    """Flows once the pressures of the junctions, changed in place, let none of them gain anything.

    Newton's method, with shorter steps where a whole one does not help.  A relief valve at a junction opens
    where the junction would otherwise exceed its pressure.
    """
    inlet, bare = equations.ports[0], equations.storage == 0.0
    if not bare.any():
        return equations.flows(time, pressure, segment, peep, relieving=relieving)

    def solved(free: NDArray[np.bool_], *, vents: bool) -> Flows:
        flows = equations.flows(time, pressure, segment, peep, relieving=vents or relieving)
        residual = np.abs(flows.net[free]).max(initial=0.0)
        for _ in range(NEWTON_STEPS):
            if residual <= BALANCED:
                break
            matrix = equations.junction_matrix(time, pressure, segment, peep)[np.ix_(free, free)]
            move = np.linalg.solve(matrix + FAINT * np.eye(len(matrix)), flows.net[free])
            start, share, before = pressure[free], 1.0, residual
            while share > SMALLEST_SHARE:
                pressure[free] = start + share * move
                flows = equations.flows(time, pressure, segment, peep, relieving=vents or relieving)
                residual = np.abs(flows.net[free]).max()
                if residual < (1.0 - 0.1 * share) * before:
                    break
                share *= 0.5
        if residual > NEARLY_BALANCED:
            raise ArithmeticError(f"junctions unbalanced by {residual:.3g} L/s at {time:.9g} s")
        return flows

    flows = solved(bare, vents=False)
    if bare[inlet] and pressure[inlet] > equations.relief_pressure:
        pressure[inlet] = equations.relief_pressure
        free = bare.copy()
        free[inlet] = False
        flows = solved(free, vents=True)
    return flows


Advance = Callable[[Equations, Segment, float, FloatArray, FloatArray], FloatArray]
"""Solves one segment: (equations, segment, peep, state at its start, times) to the states at those times."""


def solve(circuit: Circuit, settings: BreathSettings, *, times: FloatArray, advance: Advance) -> Waveforms:
    """Run from rest at PEEP through the given times [s], segment by segment."""
    equations = read_equations(circuit)
    n, lungs = len(equations.storage), len(equations.alveoli)
    state = np.concatenate([np.full(n, float(settings.peep)), np.zeros(lungs + 3)])
    found, began = np.empty((len(times), len(state))), 0.0
    while began < times[-1] - 1e-9:
        for segment in settings.segments():
            over = began + segment.duration
            inside = (times >= began - 1e-9) & (times < over - 1e-9)
            if over >= times[-1] - 1e-9:
                inside |= times >= times[-1] - 1e-9
            local = np.clip(times[inside] - began, 0.0, segment.duration)
            wanted = np.unique(np.concatenate([[0.0], local, [segment.duration]]))
            states = advance(equations, segment, settings.peep, state, wanted)
            found[inside] = states[np.searchsorted(wanted, local)]
            state, began = states[-1], over
            if began >= times[-1] - 1e-9:
                break
    volume = equations.storage[equations.alveoli] * found[:, equations.alveoli]
    inspired, ports = found[:, n : n + lungs], found[:, n + lungs :]
    return Waveforms(*(ML_PER_L * part for part in (volume, inspired, ports[:, 0], ports[:, 1], ports[:, 2])))


def by_scipy(method: str, *, tolerance: float = TIGHT) -> Advance:
    """Radau or LSODA; relief of a port that stores gas by switching at located events."""

    def advance(
        equations: Equations, segment: Segment, peep: float, state: FloatArray, times: FloatArray
    ) -> FloatArray:
        state = state.copy()
        kept, pressure = kept_by_solver(equations, state)
        inlet, stores = equations.ports[0], equations.storage > 0.0
        has_relief = bool(np.isfinite(equations.relief_pressure) and stores[inlet])
        # The relief valve holds the port exactly at its pressure until the port would lose gas.
        relieving = has_relief and bool(state[inlet] >= equations.relief_pressure)

        def flows(time: float, y: FloatArray) -> Flows:
            pressure[stores] = y[: stores.sum()]
            return balance(equations, time, pressure, segment, peep, relieving=relieving)

        calls = itertools.count()

        def rates(time: float, y: FloatArray) -> FloatArray:
            if next(calls) > MOST_CALLS:
                raise ArithmeticError(f"too many steps in the segment before {time:.9g} s")
            now = flows(time, y)
            return np.concatenate([now.net[stores] / equations.storage[stores], equations.totals(now)])

        def switches(time: float, y: FloatArray) -> float:
            now = flows(time, y)
            return now.vented if relieving else equations.relief_pressure - pressure[inlet]

        switches.terminal, switches.direction = True, -1.0
        if relieving and switches(0.0, state[kept]) <= 0.0:
            relieving = False
        states, now = np.tile(state, (len(times), 1)), 0.0
        while True:
            ahead = np.flatnonzero(times >= now)
            run = solve_ivp(
                rates, (now, times[-1]), state[kept], method=method, t_eval=times[ahead],
                events=[switches] if has_relief else None, rtol=tolerance, atol=ABSOLUTE * tolerance,
            )  # fmt: skip
            assert run.success, run.message
            if len(run.t) > 0:
                states[np.ix_(ahead[: len(run.t)], kept)] = run.y.T
            if run.status == 0:
                return states
            now, state[kept], relieving = run.t_events[0][0], run.y_events[0][0], not relieving
            if relieving:
                state[inlet] = equations.relief_pressure

    return advance


def kept_by_solver(equations: Equations, state: FloatArray) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which parts of the state a solver of ODEs sees, and a place for the pressures, junctions included."""
    n = len(equations.storage)
    kept = np.append(equations.storage > 0.0, np.ones(len(state) - n, dtype=bool))
    return kept, state[:n].copy()


def by_cvode(
    equations: Equations, segment: Segment, peep: float, state: FloatArray, times: FloatArray
) -> FloatArray:
    """BDF of CVODE, without relief of a port that stores gas."""
    kept, pressure = kept_by_solver(equations, state)
    stores = equations.storage > 0.0
    if np.isfinite(equations.relief_pressure) and stores[equations.ports[0]]:
        raise ValueError("this relief needs events: use by_scipy")

    def rates(time: float, y: FloatArray, yp: FloatArray) -> None:
        pressure[stores] = y[: stores.sum()]
        now = balance(equations, time, pressure, segment, peep)
        yp[:] = np.concatenate([now.net[stores] / equations.storage[stores], equations.totals(now)])

    solver = CVODE(rates, rtol=TIGHT, atol=ABSOLUTE * TIGHT, max_num_steps=100_000)
    run = solver.solve(times, state[kept])
    assert run.success, run.message
    states = np.tile(state, (len(times), 1))
    states[:, kept] = run.y
    return states


def by_ida(
    equations: Equations, segment: Segment, peep: float, state: FloatArray, times: FloatArray
) -> FloatArray:
    """BDF of IDA, for circuits with junctions that store nothing; relief is a complementarity at one."""
    n = len(equations.storage)
    inlet, bare = equations.ports[0], equations.storage == 0.0
    has_relief = np.isfinite(equations.relief_pressure)
    if has_relief and not bare[inlet]:
        raise ValueError("relief needs an inspiratory port that stores nothing")

    def balances(time: float, pressure: FloatArray) -> tuple[FloatArray, Flows]:
        flows = equations.flows(time, pressure, segment, peep, relieving=False)
        net = flows.net.copy()
        if has_relief:
            # The port gains nothing below the relief pressure; at it, what it would gain is vented.
            flows = flows._replace(vented=net[inlet])
            net[inlet] = min(net[inlet], equations.relief_pressure - pressure[inlet])
        return net, flows

    def residual(time: float, y: FloatArray, yp: FloatArray, res: FloatArray) -> None:
        net, flows = balances(time, y[:n])
        res[:n] = equations.storage * yp[:n] - net
        res[n:] = yp[n:] - equations.totals(flows)

    if not bare.any():
        raise ValueError("this circuit has no junction without storage; use by_cvode")
    state = state.copy()
    flows = balance(equations, 0.0, state[:n], segment, peep)
    slope = np.append(flows.net, equations.totals(flows))
    slope[:n] = np.divide(flows.net, equations.storage, out=np.zeros(n), where=~bare)
    solver = IDA(
        residual,
        algebraic_idx=np.flatnonzero(bare),
        rtol=LESS_TIGHT,
        atol=ABSOLUTE * LESS_TIGHT,
        max_num_steps=100_000,
    )
    run = solver.solve(times, state, slope)
    assert run.success, run.message
    return run.y
