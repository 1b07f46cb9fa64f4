"""Which restrictor, which pressure: the values that give each lung what it is to get."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import xarray as xr

from ventsim.errors import PlausibilityWarning, SolverError
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.quantities import check, quantity
from ventsim.simulation.batch import FINISHED
from ventsim.simulation.waveforms import describe
from ventsim.studies.sizing.answer import answer
from ventsim.studies.sizing.holes import read_drills
from ventsim.studies.sizing.limb import add_restrictor
from ventsim.studies.sizing.problem import WIDEST, Limits, read_problem
from ventsim.studies.sizing.search import search

# The steady breath has to be this much more exact than the targets.
_FINER = 0.01


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


@documented
def size_restrictors(
    scenario: Scenario | Circuit,
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
        Limits, low and high, of each value that may change, by its path; by default the bore, from 1 mm on, of an
        orifice at the beginning of the inspiratory limb of each lung with a target. ``"widest"``, for the bore of
        an orifice: as wide as its tube, less its ``bore_deviation``. [unit of each field]
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
        of restrictors that gas goes round. Print it with :func:`sizing_table`.

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
    """An orifice for each lung with a target, as wide as its tube, and its limits."""
    vary: dict[str, Limits] = {}
    for lung in targets if isinstance(targets, Mapping) else ():
        if lung in scenario.circuit.lungs:  # a wrong name is answered where targets are read
            scenario, path = add_restrictor(scenario, lung)
            vary[path] = (1.0, WIDEST)
    return scenario, vary
