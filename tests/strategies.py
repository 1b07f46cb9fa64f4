"""Hypothesis strategies for random lungs, limbs, machines, circuits and breath settings.

Ranges are wide but stay inside what the parts accept without a warning.  Simple choices come first, so that a
failing example shrinks towards one lung on an ideal circuit.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple, get_args

from hypothesis import strategies as st

import ventsim as vs
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import Description, Member
from ventsim.model.laws import Rohrer
from ventsim.model.ventilator import BreathSettings

ARRANGEMENTS = ("star", "tree", "chain")
MOST_LUNGS = 8


class Case(NamedTuple):
    """A circuit and the breath that it gets."""

    circuit: Circuit
    settings: BreathSettings


def members_held(cls: type[Description]) -> dict[str, Member]:
    """The fields of a description that hold members of a family, with their marks."""
    found = {name: [*info.metadata, *_marks(info.annotation)] for name, info in cls.model_fields.items()}
    return {name: mark for name, marks in found.items() for mark in marks if isinstance(mark, Member)}


def _marks(annotation: Any) -> Iterator[Any]:
    for one in get_args(annotation):
        yield one
        yield from _marks(one)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Round numbers of the decade first, then any with four digits."""
    anything = st.floats(low, high).map(lambda value: min(max(float(f"{value:.4g}"), low), high))
    return st.one_of(st.sampled_from([v for v in (1.0, 10.0, 100.0) if low <= v <= high] or [high]), anything)


def zero_or(strategy: st.SearchStrategy[float]) -> st.SearchStrategy[float]:
    """Zero as the simplest value."""
    return st.one_of(st.just(0.0), strategy)


def lungs() -> st.SearchStrategy[vs.Lung]:
    """Compliance 1 to 200 mL/cmH2O, resistances 0.5 to 200 cmH2O·s/L."""
    return st.builds(
        vs.Lung,
        compliance=numbers(1.0, 200.0),
        resistance=numbers(0.5, 200.0),
        expiratory_resistance=st.one_of(st.none(), numbers(0.5, 200.0)),
    )


def rohrer(most: float, most_quadratic: float, *, linear: bool = False) -> st.SearchStrategy[Rohrer]:
    """Linear, quadratic, both or none."""
    quadratic = st.just(0.0) if linear else zero_or(numbers(0.01, most_quadratic))
    return st.builds(Rohrer, linear=zero_or(numbers(0.01, most)), quadratic=quadratic)


@st.composite
def tubes(draw: st.DrawFn, *, linear: bool = False, rigid: bool = False) -> vs.Tube:
    """From no length to 3 m, with or without resistance, with or without stored gas."""
    length = draw(zero_or(numbers(0.05, 3.0)))
    resistance = draw(resistances(0.01, 100.0, linear=linear))
    holds = {"gas_volume": 0.0, "wall_compliance": 0.0} if rigid or draw(st.booleans()) else {}
    return vs.Tube(length=length, resistance=resistance, **holds)


def resistances(low: float, high: float, *, linear: bool = False) -> st.SearchStrategy[float | Rohrer]:
    """None at all, linear, or a sum of linear and quadratic."""
    number = zero_or(numbers(low, high))
    return number if linear else number | st.builds(Rohrer, linear=number, quadratic=number)


def restrictors(*, linear: bool = False) -> st.SearchStrategy[vs.Restrictor]:
    """Linear, quadratic, both or none."""
    return st.builds(vs.Restrictor, resistance=resistances(0.01, 500.0, linear=linear))


@st.composite
def valves(draw: st.DrawFn, *, leaky: bool = True) -> vs.OneWayValve:
    """Opening pressures up to 5 cmH2O, with or without leak and stored gas."""
    return vs.OneWayValve(
        opening_pressure=draw(zero_or(numbers(0.1, 5.0))),
        resistance=draw(numbers(0.01, 50.0)),
        back_leak=draw(zero_or(numbers(0.1, 200.0))) if leaky else 0.0,
        gas_volume=draw(st.sampled_from([0.0, 10.0])),
    )


@st.composite
def patient_limbs(draw: st.DrawFn, *, linear: bool = False, leaky: bool = True) -> vs.PatientLimbs:
    """Any tubes, restrictors, filter and valve."""
    filters = st.builds(
        vs.Filter, resistance=resistances(0.1, 5.0, linear=linear), gas_volume=st.sampled_from([0.0, 60.0])
    )
    return vs.PatientLimbs(
        inspiratory_tube=draw(tubes(linear=linear)),
        expiratory_tube=draw(tubes(linear=linear)),
        inspiratory_restrictor=draw(st.none() | restrictors(linear=linear)),
        expiratory_restrictor=draw(st.none() | restrictors(linear=linear)),
        filter=draw(st.none() | filters),
        valve=draw(valves(leaky=leaky)),
        y_piece=vs.YPiece(gas_volume=draw(st.sampled_from([0.0, 12.0]))),
    )


@st.composite
def breath_settings(draw: st.DrawFn, *, modes: tuple[str, ...] = ("pressure", "volume")) -> BreathSettings:
    """Pressure control with every rise; volume control with every flow pattern, with and without pause."""
    rate = draw(st.sampled_from([15.0, 10.0, 20.0, 30.0, 45.0]))
    inspiratory_time = draw(st.sampled_from([0.25, 0.5, 0.75])) * 60.0 / rate
    peep = draw(st.sampled_from([0.0, 5.0, 12.5]))
    timing = {"rate": rate, "peep": peep, "inspiratory_time": inspiratory_time}
    if draw(st.sampled_from(modes)) == "pressure":
        return vs.PressureControl(
            inspiratory_pressure=draw(numbers(2.0, 35.0)),
            rise_time=draw(st.sampled_from([0.0, 0.1, 0.4])) * inspiratory_time,
            rise_shape=draw(st.sampled_from(["linear", "exponential"])),
            **timing,
        )
    pattern = draw(st.sampled_from(["constant", "decelerating", "sine"]))
    return vs.VolumeControl(
        tidal_volume=draw(numbers(50.0, 2000.0)),
        pause_time=draw(st.sampled_from([0.0, 0.25])) * inspiratory_time,
        flow_pattern=pattern,
        end_flow_ratio=draw(st.sampled_from([0.0, 0.3, 1.0])) if pattern == "decelerating" else 0.0,
        **timing,
    )


@st.composite
def ventilators(draw: st.DrawFn, *, top: float, ideal: bool, limits: bool = True) -> vs.Ventilator:
    """Machines whose relief pressure lies above the highest set pressure `top` [cmH2O]."""
    resistances = zero_or(numbers(0.05, 20.0)) if ideal else numbers(0.05, 20.0)
    return vs.Ventilator(
        source_resistance=draw(resistances),
        exhalation_resistance=draw(resistances),
        flow_limit=draw(st.none() | numbers(0.05, 5.0)) if limits else None,
        relief_pressure=draw(st.none() | numbers(max(top, 10.0), max(top, 10.0) + 40.0)) if limits else None,
    )


@st.composite
def cases(
    draw: st.DrawFn,
    *,
    least_lungs: int = 1,
    most_lungs: int = MOST_LUNGS,
    linear: bool = False,
    leaky: bool = True,
    limits: bool = True,
    valved: bool | None = None,
    ideal: bool | None = None,
    modes: tuple[str, ...] = ("pressure", "volume"),
) -> Case:
    """A circuit of the layouts with any parts, and a breath that its ventilator can give.

    `linear` leaves out quadratic resistances, `leaky` allows back leak, `limits` allows a flow limit and
    relief, `valved` and `ideal` fix what is otherwise drawn.
    """
    settings = draw(breath_settings(modes=modes))
    is_ideal = draw(st.sampled_from([True, False])) if ideal is None else ideal
    names = [chr(ord("a") + k) for k in range(draw(st.integers(least_lungs, most_lungs)))]
    common = draw(patient_limbs(linear=linear, leaky=leaky))
    own = {name: draw(patient_limbs(linear=linear, leaky=leaky)) for name in names if draw(st.booleans())}
    top = settings.peep + getattr(settings, "inspiratory_pressure", 0.0)
    circuit = vs.layouts.shared(
        {name: draw(lungs()) for name in names},
        arrangement=draw(st.sampled_from(ARRANGEMENTS)),
        limbs=dict.fromkeys(names, common) | own,
        one_way_valves=draw(st.booleans()) if valved is None else valved,
        ideal=is_ideal,
        ventilator=draw(ventilators(top=top, ideal=is_ideal, limits=limits)),
        t_piece=vs.TPiece(
            gas_volume=draw(st.sampled_from([0.0, 15.0])), resistance=draw(st.sampled_from([0.0, 0.5]))
        ),
        adapter=vs.Adapter(
            gas_volume=draw(st.sampled_from([0.0, 8.0])), resistance=draw(st.sampled_from([0.0, 0.5]))
        ),
        extension=draw(tubes(linear=linear)),
    )
    return Case(circuit, settings)


def elastic_laws() -> st.SearchStrategy[Any]:
    """Every curved pressure-volume relation."""
    sigmoid = st.builds(
        vs.laws.Sigmoid,
        vital_capacity=numbers(500.0, 4000.0),
        inflection_pressure=numbers(5.0, 20.0),
        width=numbers(4.0, 12.0),
    )
    exponential = st.builds(
        vs.laws.Exponential, largest_volume=numbers(1500.0, 4000.0), pressure_rate=numbers(0.02, 0.08)
    )
    return sigmoid | exponential


def efforts(rate: float) -> st.SearchStrategy[vs.HalfSineEffort]:
    """Efforts at about the rate of the ventilator, in step with it or not."""
    return st.builds(
        vs.HalfSineEffort,
        amplitude=numbers(1.0, 10.0),
        duration=numbers(0.2, 0.6),
        rate=st.sampled_from([rate, 0.7 * rate, 1.3 * rate]),
        delay=zero_or(numbers(0.05, 0.3)),
    )


@st.composite
def any_lung(draw: st.DrawFn, lung: vs.Lung, rate: float) -> vs.Lung:
    """The lung as it is, or curved, in a chest wall, in two regions, with an effort."""
    form = draw(st.sampled_from(["linear", "curved", "regions"]))
    changed: dict[str, Any] = {}
    if form == "curved":
        changed["compliance"] = draw(elastic_laws())
    elif form == "regions":
        region = st.builds(vs.Region, compliance=numbers(5.0, 60.0), resistance=numbers(1.0, 40.0))
        changed = {"compliance": None, "regions": draw(st.tuples(region, region))}
        changed["collateral_resistance"] = draw(st.none() | numbers(5.0, 100.0))
    if form != "regions":
        changed["chest_wall_compliance"] = draw(st.none() | numbers(50.0, 300.0))
    if draw(st.booleans()):
        changed["effort"] = draw(efforts(rate))
    return lung.changed(changed)


@st.composite
def any_tube(draw: st.DrawFn, tube: vs.Tube) -> vs.Tube:
    """The tube as it is, or with the friction of its wall, inertia and polytropic gas."""
    if tube.length == 0.0:
        return tube
    # Gas with inertia needs some that gives way, where a valve shuts it off.
    holds_gas = tube.gas_volume is None
    changed: dict[str, Any] = {"polytropic_exponent": draw(st.sampled_from([1.0, 1.4]))}
    changed["inertia"] = holds_gas and draw(st.booleans())
    if draw(st.booleans()):
        changed |= {"resistance": None, "wall": draw(st.sampled_from(["corrugated", "smooth"]))}
    return tube.changed(changed)


def inserted(circuit: Circuit, at: str, name: str, part: Any) -> Circuit:
    """The circuit with another part, from inlet to outlet, before a port at which gas arrives."""
    joints = list(circuit.joints)
    (joint,) = [joint for joint in joints if at in joint]
    (other,) = [port for port in joint if port != at]
    place = joints.index(joint)
    joints[place : place + 1] = [(other, f"{name}.inlet"), (f"{name}.outlet", at)]
    return circuit.changed(parts={**circuit.parts, name: part}, joints=joints)


@st.composite
def cases_of_all_kinds(draw: st.DrawFn, *, machine_gas: bool = True, **options: Any) -> Case:
    """Cases as of `cases`, with inertia, friction of walls, polytropic gas, orifices, curved and regional lungs,
    efforts, leaks, tracheal tubes and a PEEP valve; `machine_gas` allows gas in the machine, and altitude.
    """
    circuit, settings = draw(cases(**options))
    parts: dict[str, Any] = {}
    for name, part in circuit.parts.items():
        if isinstance(part, vs.Lung):
            parts[name] = draw(any_lung(part, settings.rate))
        elif isinstance(part, vs.Tube):
            parts[name] = draw(any_tube(part))
        elif isinstance(part, vs.Restrictor) and draw(st.booleans()):
            parts[name] = vs.Restrictor(resistance=vs.laws.Orifice(bore=draw(numbers(2.0, 10.0))))
    machine = circuit.ventilator
    # Gas at a port of the machine needs a resistance inside.
    gives_way = min(machine.source_resistance, machine.exhalation_resistance) > 0.0
    if machine_gas and gives_way:
        machine = machine.changed(
            internal_volume=draw(st.sampled_from([0.0, 100.0])),
            humidifier_volume=draw(st.sampled_from([0.0, 300.0])),
            ambient_pressure=draw(st.sampled_from([1.0, 0.7])) * vs.units.ATMOSPHERE_CMH2O,
        )
    circuit = circuit.changed(parts={**circuit.parts, **parts}, ventilator=machine)
    for name in circuit.lungs:
        if gives_way and draw(st.booleans()):
            tube = vs.TrachealTube(
                inner_diameter=draw(st.sampled_from([8.0, 3.5, 6.0])), inertia=draw(st.booleans())
            )
            circuit = inserted(circuit, f"{name}.airway", f"{name} tracheal tube", tube)
        if draw(st.sampled_from([False, False, True])):
            leak = vs.Leak(
                resistance=draw(st.builds(Rohrer, linear=numbers(50.0, 500.0), quadratic=numbers(1.0, 500.0)))
            )
            circuit = inserted(circuit, f"{name}.airway", f"{name} leak", leak)
    if draw(st.booleans()):
        gas = draw(st.sampled_from([0.0, 10.0])) if gives_way else 0.0
        valve = vs.PeepValve(opening_pressure=draw(numbers(1.0, 10.0)), gas_volume=gas)
        circuit = inserted(circuit, "ventilator.expiratory", "peep valve", valve)
    return Case(circuit, settings)
