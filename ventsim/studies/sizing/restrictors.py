"""Which restrictor, which pressure: the values that give each lung what it is to get; a restrictor in a limb."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import xarray as xr

from ventsim.errors import CircuitError, PlausibilityWarning, SolverError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import circuit_of
from ventsim.model.descriptions import shown
from ventsim.model.laws import AdjustableCurve, Orifice
from ventsim.model.laws.flow import FLOW_LAWS, FlowLaw
from ventsim.model.layouts import PatientLimbs
from ventsim.model.parts import Restrictor, Tube
from ventsim.model.scenario import AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.simulation.batch import FINISHED
from ventsim.simulation.run import describe
from ventsim.studies.sizing.answer import answer
from ventsim.studies.sizing.holes import read_drills
from ventsim.studies.sizing.problem import WIDEST, Limits, read_problem
from ventsim.studies.sizing.search import search

# The steady breath has to be this much more exact than the targets.
_FINER = 0.01

Limb = Literal["inspiratory", "expiratory"]
_LIMBS = ("inspiratory", "expiratory")
Subject = TypeVar("Subject", Scenario, Circuit)


@dataclass(frozen=True, eq=False)
class Sizing:
    """What a sizing found.

    Attributes
    ----------
    results : xarray.Dataset
        Values, targets, measures before and after, and holes that might be made instead; see
        :func:`size_restrictors`.
    scenario : Scenario
        The scenario with the values found.
    """

    results: xr.Dataset
    scenario: Scenario

    @property
    def feasible(self) -> bool:
        """Whether all targets are met."""
        return bool(self.results.feasible)


@public
def size_restrictors(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    targets: Mapping[str, Mapping[str, float]],
    vary: Mapping[str, Limits] | None = None,
    drills: Sequence[float] | None = None,
    bore_tolerance: float = 0.1,
    tolerance: float = 1e-6,
) -> Sizing:
    r"""Find the restrictors, valves or settings that give each lung what it is to get in the steady breath.

    As many values vary as there are targets. Where several answers exist, the one found first is given.

    Parameters
    ----------
    scenario
    settings
    targets : mapping of str to mapping of str to float
        For each lung the wanted measures: ``inspired_tidal_volume`` [mL]; ``driving_pressure``,
        ``end_inspiratory_alveolar_pressure``, ``plateau_pressure``, ``total_peep`` [cmH2O].
    vary : mapping of str to tuple of (float, float or "widest"), optional
        Limits, low and high, of each value that may change, by its path; by default the bore, from 1 mm on, of the
        orifice in the inspiratory limb of each lung with a target, which is put in where there is none.
        ``"widest"``, for the bore of an orifice: as wide as its tube, less its ``bore_deviation``. [unit of each
        field]
    drills : sequence of float or None, default None
        Bores in which holes can be drilled; None: 1 to 13 mm in steps of 0.5 mm (common practice, no source).
        [mm]
    bore_tolerance : float, default 0.1
        How far a hole that is made may be off. [mm]
    tolerance : float, default 1e-6
        Relative miss of the targets that is allowed; steady breaths are solved to a hundredth of it. [1]

    Returns
    -------
    Sizing
        With the sized `scenario` and the Dataset `results`, of which ``feasible`` says whether the targets are
        met; if not, all else is that of the values within the limits for which the sum of the squares of the
        relative misses is least, and ``attrs["reason"]`` says why and what to do. Dims: ``quantity`` (what
        varies), ``target``, ``lung``, and ``option``: holes that might be made instead. ``attrs["notes"]`` warns
        of restrictors that gas goes round. ``status`` and what the flow limit costs are as of :func:`sweep`, for
        the breath with the values found. Print it with :func:`sizing_table`.

    Raises
    ------
    InputError
        If a lung, measure, path, limit, target or drill is wrong, or there are not as many targets as values
        that vary.
    SolverError
        If there is no steady breath before, or at none of the starts.

    Notes
    -----
    The relative misses :math:`m_k = y_k / y_k^* - 1` are brought to 0 by steps of Gauss and Newton, held within
    the limits and within a box that grows and shrinks with the success of the steps; difference quotients give
    the slopes. The values stand on even scales: logarithms, of a bore that of the loss of a hole of that bore
    plus the loss of one of 10 mm, so that wide holes, which differ little, lie close together. The search sets
    out from the middle of the limits, then from the values as they are, then from four more places, until one
    meets the targets or three in turn come equally near.

    ``equivalent_bore`` of a resistance is that of a round hole with a thick edge which loses the same pressure
    at the mean flow of its lung, of inspiration or of expiration as the limb asks. Its option "equivalent hole"
    says what that hole gives, which is not quite the target, because a hole is quadratic.
    ``tidal_volume_sensitivity`` is the change for each 0.1 mm of a bore, each 0.1 s of a time, otherwise for
    each unit of the value.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    >>> settings = vs.PressureControl(inspiratory_pressure=14, peep=5, rate=15, ie_ratio=0.5)
    >>> scenario = vs.Scenario(circuit=vs.layouts.shared(lungs), settings=settings)
    >>> found = size_restrictors(scenario, targets={"b": {"inspired_tidal_volume": 400}})
    >>> found.feasible, float(found.scenario.value("limbs.b.inspiratory_restrictor.resistance.bore"))
    (True, 4.05)
    """
    check(
        "size_restrictors", {"tolerance": tolerance, "bore_tolerance": bore_tolerance},
        tolerance=quantity("search_tolerance"),
    )  # fmt: skip
    sizes = read_drills(drills)
    scenario = scenario_of(scenario, settings, where="size_restrictors", steady=True)
    if vary is None:
        scenario, vary = _with_orifices(scenario, targets)
    problem = read_problem(scenario, targets=targets, vary=vary, solver_tolerance=_FINER * tolerance)
    before = problem.run([lambda: (problem.circuit, problem.settings)])
    if before.status[0] != FINISHED:
        raise SolverError(f"sizing: there is no steady breath to begin with.\n  {before.reason[0]}")
    found = search(problem, tolerance=tolerance)
    results = answer(
        problem, found, before=before, drills=sizes, bore_tolerance=float(bore_tolerance), tolerance=tolerance
    )
    values = dict(zip((one.path for one in problem.unknowns), problem.values(found.places).tolist(), strict=True))
    # Of what was found nobody has to be warned.
    with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
        sized = scenario.replaced(values)
    return Sizing(results.assign_attrs(scenario=describe(sized)["scenario"]), sized)


def _with_orifices(scenario: Scenario, targets: object) -> tuple[Scenario, dict[str, Limits]]:
    """An orifice for each lung with a target, a new one as wide as its tube where there is none, and limits."""
    vary: dict[str, Limits] = {}
    for lung in targets if isinstance(targets, Mapping) else ():
        if lung in scenario.circuit.lungs:  # a wrong name is answered where targets are read
            part = scenario.circuit.parts.get(f"{lung} inspiratory restrictor")
            if isinstance(getattr(part, "resistance", None), Orifice):
                path = f"{_place_of(scenario.circuit, lung, 'inspiratory')}.resistance.bore"
            else:
                scenario, path = add_restrictor(scenario, lung)
            vary[path] = (1.0, WIDEST)
    return scenario, vary


@public
def add_restrictor(
    scenario: Subject,
    lung: str,
    *,
    limb: Limb = "inspiratory",
    resistance: Any = None,
    bore_deviation: float = 0.0,
) -> tuple[Subject, str]:
    """Put a restrictor into a limb that has none, between the tube and the fitting or valve at its end.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        With parts named as those of :func:`ventsim.layouts.shared`, such as ``"b inspiratory tube"``.
    lung : str
        Name of the lung.
    limb : {"inspiratory", "expiratory"}, default "inspiratory"
        Which limb.
    resistance : float, flow law or None, default None
        What to put there; None: an orifice as wide as the tube, which loses nothing. [cmH2O·s/L]
    bore_deviation : float, default 0
        True diameter minus the bore as drilled or drawn, of the orifice that is put there for None. The widest
        bore is then that of the tube less the deviation; to :func:`size_restrictors` this limit is ``"widest"``.
        [mm]

    Returns
    -------
    scenario : Scenario or Circuit
        The same with the restrictor; of a layout its circuit.
    path : str
        Path of its value to vary: the bore of an orifice, the opening of an adjustable valve, otherwise the
        resistance, or its quadratic coefficient if that alone is above 0.

    Raises
    ------
    CircuitError
        If there is no such lung, limb or tube, the limb has a restrictor, or a law and a deviation are given.
    PartError
        If the resistance or the deviation is impossible.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    >>> circuit, path = add_restrictor(vs.layouts.shared(lungs), "b")
    >>> path, circuit.parts["b inspiratory restrictor"].resistance.bore
    ('limbs.b.inspiratory_restrictor.resistance.bore', 22.0)
    >>> drilled, _ = add_restrictor(vs.layouts.shared(lungs), "b", bore_deviation=0.06)
    >>> drilled.parts["b inspiratory restrictor"].resistance.bore
    21.94
    """
    circuit = circuit_of(scenario, where="add_restrictor")
    if lung not in circuit.lungs:
        raise CircuitError(f"there is no lung {shown(lung)}.\n  {suggestion(str(lung), circuit.lungs)}")
    if limb not in _LIMBS:
        raise CircuitError(f"there is no limb {shown(limb)}.\n  {suggestion(str(limb), _LIMBS)}")
    name, tube = f"{lung} {limb} restrictor", f"{lung} {limb} tube"
    where = _place_of(circuit, lung, limb)
    if name in circuit.parts:
        raise CircuitError(f"there is a part '{name}' already.\n  Vary a value of it: '{where}.resistance...'.")
    if not isinstance(circuit.parts.get(tube), Tube):
        raise CircuitError(
            f"there is no tube '{tube}' to put a restrictor at.\n"
            "  Make the circuit with layouts.shared, or add the restrictor to its parts and joints."
        )
    if resistance is not None and bore_deviation != 0.0:
        raise CircuitError(
            f"there is a resistance, and a bore_deviation {shown(bore_deviation)} mm beside it.\n"
            "  Give the deviation to the law: laws.Orifice(bore=..., bore_deviation=...)."
        )
    if resistance is None:
        tube_bore = circuit.parts[tube].bore
        narrower = Orifice(bore=0.5 * tube_bore, tube_bore=tube_bore, bore_deviation=bore_deviation)  # checks it
        resistance = narrower.changed(bore=narrower.widest_bore)
    part = resistance if isinstance(resistance, Restrictor) else Restrictor(resistance=resistance)
    if circuit.layout is None:
        new = _inserted(circuit, name, tube, part, limb=limb)
    else:
        layout, field = circuit.layout, f"{limb}_restrictor"
        limbs: dict[str, PatientLimbs] = {one: layout.limbs_of(one) for one in layout.lungs}
        new = layout.changed(limbs=limbs | {lung: limbs[lung].changed({field: part})}).circuit
    path = f"{where}.{_value_to_vary(part.resistance)}"
    return (scenario.changed(circuit=new) if isinstance(scenario, Scenario) else new), path


def _place_of(circuit: Circuit, lung: str, limb: str) -> str:
    """Path of the restrictor in a limb."""
    return f"parts.{lung} {limb} restrictor" if circuit.layout is None else f"limbs.{lung}.{limb}_restrictor"


def _inserted(circuit: Circuit, name: str, tube: str, part: Restrictor, *, limb: str) -> Circuit:
    """A circuit that was joined part by part, with the restrictor before or behind the tube."""
    first = (f"{name}.outlet", f"{tube}.inlet") if limb == "inspiratory" else (f"{tube}.outlet", f"{name}.inlet")
    end, free = (first[1], f"{name}.inlet") if limb == "inspiratory" else (first[0], f"{name}.outlet")
    joints = [first, *(tuple(free if one == end else one for one in joint) for joint in circuit.joints)]
    parts = list(circuit.parts.items())
    parts.insert(list(circuit.parts).index(tube) + (limb == "expiratory"), (name, part))
    return circuit.changed(parts=dict(parts), joints=tuple(joints))


def _value_to_vary(resistance: Any) -> str:
    """Where, below the part, the value that sets the restriction is."""
    if isinstance(resistance, Orifice):
        return "resistance.bore"
    if isinstance(resistance, AdjustableCurve):
        return "resistance.opening"
    if not isinstance(resistance, FlowLaw):
        return "resistance"
    linear, quadratic = resistance.coefficients or (0.0, 0.0)
    if resistance.coefficients is None:
        raise CircuitError(
            f"the law '{resistance.kind}' has no one value to vary.\n"
            f"  Use {FLOW_LAWS.example}, laws.Orifice or a number."
        )
    return "resistance.quadratic" if quadratic > 0.0 and linear == 0.0 else "resistance.linear"
