"""The tables on which the compiled code works.

A `Network` holds what a circuit fixes; it is never changed.  A `Run` holds the state of one run and the scratch
columns of the stepper; the compiled code changes it in place, and nothing else in the package does.  A `Record`
receives samples.  Volumes are in L, flows in L/s, pressures in cmH2O.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ventsim.engine.compiling import compiled, entry
from ventsim.engine.elastic import effort_pressure, elastic_volume
from ventsim.engine.method import STAGES
from ventsim.engine.tables import ELASTIC_CELLS
from ventsim.units import FloatArray

# What a circuit fixes, one row per node, branch, gate (a valve inside the ventilator) and lung.
NODE = np.dtype(
    [
        ("compliance", "f8"),  # 0 at a junction; of a curved store, at rest
        ("elastic", "i8"),  # row in the table of curved stores, or -1
        ("effort", "i8"),  # row in the table of efforts, or -1
        ("counted", "?"),  # part of the circuit, neither of a lung nor of the atmosphere
        ("outside", "?"),  # open to the atmosphere
        ("gas_volume", "f8"),  # that mixes here, at atmospheric pressure or relaxation volume [L]
    ],
    align=True,
)
BRANCH = np.dtype(
    [
        ("start", "i8"),
        ("end", "i8"),
        ("kind", "i8"),
        ("coupling", "i8"),  # where it stands in the couplings of the factorisation
        ("forward_linear", "f8"),
        ("forward_quadratic", "f8"),
        ("backward_linear", "f8"),
        ("backward_quadratic", "f8"),
        ("opening", "f8"),
        ("leak", "f8"),
        ("forward_table", "i8"),  # table of flows, or -1: linear and quadratic
        ("backward_table", "i8"),
        ("inertance", "f8"),  # of a branch of kind INERTIAL
        ("gas_volume", "f8"),  # inside, at atmospheric pressure [L]
    ],
    align=True,
)
GATE = np.dtype(
    [
        ("node", "i8"),  # -1: there is no such gate
        ("sign", "f8"),  # +1 feeds its node, -1 drains it
        ("resistance", "f8"),  # 0: ideal
        ("limit", "f8"),  # largest flow
    ],
    align=True,
)
LUNG = np.dtype(
    [
        ("airway", "i8"),
        ("branch", "i8"),
        ("first", "i8"),  # first to last: its compartments
        ("last", "i8"),
        # Of its two limbs: the branch at the end towards the patient (-1: there is none), 1 or -1 as its flow has
        # the direction of the limb or not, and the gas inside [L], NaN if there is none.
        ("limb", "i8", (2,)),
        ("limb_sign", "f8", (2,)),
        ("limb_gas", "f8", (2,)),
    ],
    align=True,
)
COMPARTMENT = np.dtype([("node", "i8"), ("weight", "f8")], align=True)
ELASTIC = np.dtype(
    [
        *(
            (name, "f8")
            for name in ("linear", "quadratic", "vital", "inflection", "width", "floor", "largest", "rate")
        ),
        ("table_start", "f8"),  # [L]
        ("table_step", "f8"),  # [L]; 0: there is no table
        ("table", "f8", (ELASTIC_CELLS + 1, 2)),
    ],
    align=True,
)
# A group of nodes that store nothing and that closed one-way valves and gates can cut off: its rows in
# `Network.cut_node`, and in `Network.cut_way` for the valves around it.
CUT_OFF = np.dtype([(name, "i8") for name in ("first_node", "last_node", "first_way", "last_way")], align=True)
EFFORT = np.dtype(
    [("first", "i8"), ("count", "i8"), ("period", "f8"), ("half_sine", "?"), ("amplitude", "f8")], align=True
)

# The side of its law that each branch is on.
SIDE = np.dtype(
    [
        ("start", "u8"),
        ("end", "u8"),
        ("linear", "f8"),
        ("quadratic", "f8"),
        ("opening", "f8"),
        ("leak", "f8"),
        ("table", "i8"),
        ("per_root", "f8"),
        ("inertial", "?"),
    ],
    align=True,
)

# What changes, once for each of four slots; the volume is that of curved stores alone.
NODE_AT = np.dtype([("pressure", "f8"), ("inflow", "f8"), ("volume", "f8")], align=True)
BRANCH_AT = np.dtype([("flow", "f8"), ("slope", "f8")], align=True)
GATE_AT = np.dtype([("pressure", "f8"), ("flow", "f8")], align=True)
NOW, NEXT, SCRATCH, KEPT = range(4)
# Places in a step at which flows are looked at for their peaks.
EDGES = 4
SLOTS = 4

# Scratch columns of the linear algebra, one row per node.
ROW = np.dtype(
    [
        ("tolerance", "f8"),  # absolute error allowed per step [cmH2O]
        ("fixed", "?"),  # an ideal gate imposes the pressure
        ("held", "?"),  # the pressure does not take part in the present solution
        ("diagonal", "f8"),
        ("inverse", "f8"),
        ("right", "f8"),
        ("compliance", "f8"),  # at the start of the step [L/cmH2O]
        ("drift", "f8"),  # change of the pressure in time with nothing flowing: imposed, or by an effort
        ("rate", "f8"),  # change of the inflow in time through drifts and source [L/s²]
        ("dense1", "f8"),
        ("dense2", "f8"),
        ("before", "f8"),  # pressure before the states of valves were made consistent [cmH2O]
    ],
    align=True,
)

# Running integrals of a lung and its extremes since the start of the breath, and samples of lungs and ports, with
# the names of the results; volumes are in L, the work is in cmH2O·L.
_SUMS = (
    "inspired_volume", "airway_pressure_integral", "alveolar_pressure_integral", "inspiratory_work",
    "inspiratory_limb_backflow", "expiratory_limb_backflow", "highest_airway_pressure", "highest_flow",
    "lowest_flow",
)  # fmt: skip
LUNG_SUM = np.dtype([(name, "f8") for name in _SUMS], align=True)
_WAVES = (
    "airway_pressure", "alveolar_pressure", "elastic_pressure", "flow", "volume", "inspiratory_limb_volume",
    "expiratory_limb_volume",
)  # fmt: skip
LUNG_SAMPLE = np.dtype([(name, "f8") for name in (*_WAVES, *_SUMS)], align=True)
_PORT_SUMS = (
    "inspiratory_port_pressure_integral", "highest_inspiratory_port_pressure", "limited_time", "missed_volume",
)  # fmt: skip
PORT_SUM = np.dtype([(name, "f8") for name in _PORT_SUMS], align=True)
_PORT_WAVES = (
    "inspiratory_port_pressure", "expiratory_port_pressure", "inspiratory_port_flow", "expiratory_port_flow",
    "delivered_volume", "returned_volume", "relief_volume", "missed_pressure", "circuit_volume", "leaked_volume",
)  # fmt: skip
PORT_SAMPLE = np.dtype([(name, "f8") for name in (*_PORT_WAVES, *_PORT_SUMS)], align=True)

# How far a run has come, and which segment of a breath is under way.
CLOCK = np.dtype(
    [
        ("now", "f8"),  # [s]
        ("origin", "f8"),  # start of a breath, from which the following ones come in equal distances [s]
        ("turn", "i8"),  # how many of them have ended
        ("breaths", "i8"),  # breaths that have ended since the start of the run
        ("segment", "i8"),  # the one under way
        ("armed", "?"),  # whether what ends that segment early can do so
    ],
    align=True,
)

# Entries of the counters.
STEPS, REJECTED, SWITCHES, SETTLINGS = range(4)
COUNTERS = 4

# The gates, in the order of the gate table, and the states they can be in.
SOURCE, EXHALATION, RELIEF = range(3)
GATES = 3
GATE_CLOSED, GATE_OPEN, GATE_LIMITED = range(3)

# First step tried in a segment that has not been run before [s].
FIRST_STEP = 1e-4

# An error of pressure matters by the gas that it stands for.  A node that holds as much gas per pressure as this
# [L/cmH2O] is allowed twice the error of a large one, smaller ones more, up to a limit.
EASING_STORE, MOST_EASING = 0.03, 30.0


class Network(NamedTuple):
    """What a circuit fixes."""

    node: NDArray[np.void]  # (n_nodes,) of NODE
    branch: NDArray[np.void]  # (n_branches,) of BRANCH
    gate: NDArray[np.void]  # (3,) of GATE
    lung: NDArray[np.void]  # (n_lungs,) of LUNG
    first: NDArray[np.uint64]  # pattern of the factorisation, see `wiring.Elimination`
    later: NDArray[np.uint64]
    target: NDArray[np.uint64]
    port: NDArray[np.int64]  # (2,) nodes of the inspiratory and the expiratory port
    relief_pressure: float  # [cmH2O]
    has_junctions: bool  # whether any node stores nothing
    compartment: NDArray[np.void]  # (n,) of COMPARTMENT
    elastic: NDArray[np.void]  # (n,) of ELASTIC
    curved: NDArray[np.int64]  # nodes that are curved stores
    effort: NDArray[np.void]  # (n,) of EFFORT
    effort_points: FloatArray  # (n, 2) times [s] and pressures [cmH2O]
    inertial: NDArray[np.int64]  # branches with inertia
    cut_off: NDArray[np.void]  # (n,) of CUT_OFF
    cut_node: NDArray[np.int64]
    cut_way: NDArray[np.int64]  # branches that lead out of a group, and -1 - branch where they lead into it
    table: FloatArray  # (n_tables, CELLS + 1, 2), see `tables`
    per_root: FloatArray  # (n_tables,)


class Run(NamedTuple):
    """State of a run (above the line) and scratch of the stepper (below it)."""

    node_at: NDArray[np.void]  # (SLOTS, n_nodes) of NODE_AT; slot NOW is the state
    branch_at: NDArray[np.void]  # (SLOTS, n_branches) of BRANCH_AT
    gate_at: NDArray[np.void]  # (SLOTS, 3) of GATE_AT
    is_open: NDArray[np.bool_]  # (n_branches,) whether the flow is on the forward side of the law
    gate_mode: NDArray[np.int64]  # (3,)
    passed: FloatArray  # (3,) volume through each gate [L]
    passed_rest: FloatArray  # (3,) what rounding has added to it, to be taken off again [L]
    lung_sum: NDArray[np.void]  # (n_lungs,) of LUNG_SUM
    port_sum: NDArray[np.void]  # (1,) of PORT_SUM
    leaked_before: FloatArray  # (1,) through leaks that are no longer there [L]
    clock: NDArray[np.void]  # (1,) of CLOCK
    segment_start: FloatArray  # (n_segments,) of the breath under way [s]
    first_step: FloatArray  # (n_segments,) [s]
    counters: NDArray[np.int64]  # (COUNTERS,)
    # ------------------------------------------------------------------------------------------------
    side: NDArray[np.void]  # (n_branches,) of SIDE
    crossing: NDArray[np.bool_]  # (n_branches,) carried past its switching point by the last step
    gate_before: NDArray[np.int64]  # (3,) before the junctions were solved
    row: NDArray[np.void]  # (n_nodes,) of ROW
    moved: FloatArray  # (n_nodes, STAGES)
    pushed: FloatArray  # (n_inertial, STAGES)
    coupling: FloatArray  # as `Network.later`
    passed_stage: FloatArray  # (3, STAGES)
    gate_rate: FloatArray  # (2, 3)
    limb_stage: FloatArray  # (n_lungs, 2, STAGES)
    next_passed: FloatArray  # (3,)
    kept_passed: FloatArray  # (3,) as next_passed, kept while another step is tried
    edge_flow: FloatArray  # (n_lungs, EDGES) flows at the ends of a step and a little inside [L/s]
    limb_passed: FloatArray  # (n_lungs, 2) volume through the patient's end of each limb in the step [L]
    next_lung_sum: NDArray[np.void]  # as lung_sum
    next_port_sum: NDArray[np.void]  # as port_sum


class Record(NamedTuple):
    """Where samples are written, one row per sample, and the times of breaths.

    Nodes and branches may be left out (no columns).
    """

    time: FloatArray  # (n,) [s]
    lung: NDArray[np.void]  # (n, n_lungs) of LUNG_SAMPLE
    port: NDArray[np.void]  # (n,) of PORT_SAMPLE
    node_pressure: FloatArray  # (n, n_nodes)
    branch_flow: FloatArray  # (n, n_branches)
    used: NDArray[np.int64]  # (1,) rows written
    phase: FloatArray  # (n_breaths, n_segments + 1) start of each segment, end of the breath [s]
    n_breaths: NDArray[np.int64]  # (1,) rows of `phase` written


class Demands(NamedTuple):
    """Numerical demands: error per step and gas allowed past a valve after its instant of switching."""

    absolute: float  # [cmH2O]
    relative: float  # [1]
    late_volume: float  # [L]


def new_run(net: Network, n_segments: int, pressure: FloatArray, demands: Demands) -> Run:
    """A run at rest at the given node pressures, shape (n_nodes,)."""
    n, m, lungs = len(net.node), len(net.branch), len(net.lung)
    run = Run(
        node_at=np.zeros((SLOTS, n), NODE_AT),
        branch_at=np.zeros((SLOTS, m), BRANCH_AT),
        gate_at=np.zeros((SLOTS, GATES), GATE_AT),
        is_open=np.ones(m, dtype=np.bool_),
        gate_mode=np.zeros(GATES, dtype=np.int64),
        passed=np.zeros(GATES),
        passed_rest=np.zeros(GATES),
        lung_sum=np.zeros(lungs, LUNG_SUM),
        port_sum=np.zeros(1, PORT_SUM),
        leaked_before=np.zeros(1),
        clock=np.zeros(1, CLOCK),
        segment_start=np.zeros(n_segments),
        first_step=np.full(n_segments, FIRST_STEP),
        counters=np.zeros(COUNTERS, dtype=np.int64),
        side=np.zeros(m, SIDE),
        crossing=np.zeros(m, dtype=np.bool_),
        gate_before=np.zeros(GATES, dtype=np.int64),
        row=np.zeros(n, ROW),
        moved=np.zeros((n, STAGES)),
        pushed=np.zeros((len(net.inertial), STAGES)),
        coupling=np.zeros(len(net.later)),
        passed_stage=np.zeros((GATES, STAGES)),
        gate_rate=np.zeros((2, GATES)),
        limb_stage=np.zeros((lungs, 2, STAGES)),
        next_passed=np.zeros(GATES),
        kept_passed=np.zeros(GATES),
        edge_flow=np.zeros((lungs, EDGES)),
        limb_passed=np.zeros((lungs, 2)),
        next_lung_sum=np.zeros(lungs, LUNG_SUM),
        next_port_sum=np.zeros(1, PORT_SUM),
    )
    run.side["start"], run.side["end"] = net.branch["start"], net.branch["end"]
    rest(net, np.ascontiguousarray(pressure, dtype=float), run)
    with np.errstate(divide="ignore"):
        ease = 1.0 + EASING_STORE / net.node["compliance"]
    run.row["tolerance"] = demands.absolute * np.minimum(ease, MOST_EASING)
    return run


@compiled
def forget_extremes(run):
    """Begin anew with the extremes, at the start of a breath."""
    for m in range(run.lung_sum.shape[0]):
        total = run.lung_sum[m]
        total.highest_airway_pressure = total.highest_flow = -math.inf
        total.lowest_flow = math.inf
    run.port_sum[0].highest_inspiratory_port_pressure = -math.inf


@entry
def rest(net, pressure, run):
    """Put a run at rest at the given node pressures [cmH2O], at time 0 and with all totals at 0."""
    for slot in range(SLOTS):
        for i in range(net.node.shape[0]):
            at = run.node_at[slot, i]
            at.pressure = 0.0 if net.node[i].outside else pressure[i]
            at.inflow = at.volume = 0.0
        for c in range(net.curved.shape[0]):
            i = net.curved[c]
            effort, muscles = net.node[i].effort, 0.0
            if effort >= 0:
                muscles, _ = effort_pressure(net.effort[effort], net.effort_points, 0.0)
            volume = elastic_volume(net.elastic[net.node[i].elastic], pressure[i] + muscles)
            run.node_at[slot, i].volume = volume
        for k in range(net.branch.shape[0]):
            run.branch_at[slot, k].flow = run.branch_at[slot, k].slope = 0.0
        for g in range(GATES):
            run.gate_at[slot, g].pressure = run.gate_at[slot, g].flow = 0.0
    for k in range(net.branch.shape[0]):
        run.is_open[k] = True
    for g in range(GATES):
        run.gate_mode[g] = 0
        run.passed[g] = run.passed_rest[g] = 0.0
    for m in range(net.lung.shape[0]):
        total = run.lung_sum[m]
        total.inspired_volume = total.inspiratory_work = 0.0
        total.airway_pressure_integral = total.alveolar_pressure_integral = 0.0
        total.inspiratory_limb_backflow = total.expiratory_limb_backflow = 0.0
    clock = run.clock[0]
    clock.now = clock.origin = 0.0
    clock.turn = clock.breaths = clock.segment = 0
    clock.armed = False
    for index in range(run.first_step.shape[0]):
        run.segment_start[index] = 0.0
        run.first_step[index] = FIRST_STEP
    for counter in range(COUNTERS):
        run.counters[counter] = 0
    port = run.port_sum[0]
    port.inspiratory_port_pressure_integral = port.limited_time = port.missed_volume = 0.0
    run.leaked_before[0] = 0.0
    forget_extremes(run)


def new_record(net: Network, rows: int, *, every_part: bool, n_breaths: int = 0, n_segments: int = 0) -> Record:
    """Room for samples and breaths, with or without the pressures of all nodes and the flows of all branches."""
    return Record(
        time=np.zeros(rows),
        lung=np.zeros((rows, len(net.lung)), LUNG_SAMPLE),
        port=np.zeros(rows, PORT_SAMPLE),
        node_pressure=np.zeros((rows, len(net.node) if every_part else 0)),
        branch_flow=np.zeros((rows, len(net.branch) if every_part else 0)),
        used=np.zeros(1, dtype=np.int64),
        phase=np.zeros((n_breaths, n_segments + 1)),
        n_breaths=np.zeros(1, dtype=np.int64),
    )


def stored_volume(net: Network, node_at: NDArray[np.void]) -> FloatArray:
    """Gas held by every node of a slot, above atmospheric pressure or relaxation volume, shape (n_nodes,). [L]"""
    return np.where(net.node["elastic"] >= 0, node_at["volume"], net.node["compliance"] * node_at["pressure"])
