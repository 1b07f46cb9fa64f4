"""steady_breath(): the breath that repeats itself; and how exact it is."""

import numpy as np
import xarray as xr

from ventsim.engine.steady import SteadyStart, find_steady_start, search_steady_start
from ventsim.errors import InputError, SolverError
from ventsim.model.changes import Schedule
from ventsim.model.scenario import AnyScenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.results.measures import breath_measures
from ventsim.results.schema import label
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration, Problem, compile_notice, problem_of, raise_on_failure
from ventsim.simulation.run import describe, record_everything

_MOST_STEADY_BREATHS = 2000
_SAME_RHYTHM = 1e-9
# Factor on the tolerance at which the error of another is looked at.
_TIGHTER = 1e-4


@public
def steady_breath(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    sample_interval: float | None = None,
    tolerance: float | None = None,
) -> xr.Dataset:
    """The breath that repeats itself, found directly instead of by waiting.

    Parameters
    ----------
    scenario
    settings
    sample_interval
    tolerance

    Returns
    -------
    xarray.Dataset
        Waveforms of one breath from time 0; its start is found to a tenth of the tolerance. The attributes say
        how it was found (``steady_method``, shooting or repetition), after how many breaths, and how much the
        pressures still changed over the breath.

    Raises
    ------
    InputError
        If an argument is out of range, or circuit and settings do not fit together.
    SolverError
        If the solver fails, or no steady breath is found.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> breath = vs.breath_measures(vs.steady_breath(circuit, settings))
    >>> float(breath.auto_peep[0, 0])
    0.0674
    """
    options = {"sample_interval": sample_interval, "tolerance": tolerance}
    scenario = scenario_of(scenario, settings, where="steady_breath", steady=True, **options)
    problem = problem_of(scenario.circuit, scenario.settings, tolerance=scenario.tolerance)
    found = steady_start(problem, tolerance=scenario.tolerance)
    integration = Integration(scenario, start=found.pressure, problem=problem)
    attrs = describe(scenario.changed(duration=problem.period, waveform_windows=(), waveform_every=None)) | {
        "steady_method": found.method,
        "steady_breaths": found.breaths,
        "steady_residual_cmH2O": found.residual,
    }
    one_breath = Blocks(Schedule(problem.circuit, problem.settings), problem.period, whole=True)
    return record_everything(integration, one_breath, attrs)


def steady_start(problem: Problem, *, tolerance: float) -> SteadyStart:
    """Where the breath starts that repeats itself; raises if there is none."""
    # Efforts have to repeat with the breath; otherwise no breath repeats itself.
    for period in problem.compiled.network.effort["period"]:
        turns = problem.period / float(period)
        if not (turns > 0.5 and abs(turns - round(turns)) < _SAME_RHYTHM):
            raise InputError(
                f"no breath repeats itself: an effort comes every {float(period):.6g} s, a breath of the "
                f"ventilator every {problem.period:.6g} s.\n"
                "  Make the rate of the effort that of the ventilator or a multiple of it, or use simulate()."
            )
    enough = max(0.1 * float(tolerance), 1e-11)  # another type of number would be compiled once more
    with compile_notice(search_steady_start):
        found = find_steady_start(
            problem.compiled.network, problem.segments, problem.resting_pressure(), problem.demands,
            tolerance=enough, most_breaths=_MOST_STEADY_BREATHS,
        )  # fmt: skip
    raise_on_failure(found.status, found.breaths * problem.period)
    if not found.residual <= 100.0 * enough:
        raise SolverError(
            f"no steady breath: after {found.breaths} breaths pressures still change by "
            f"{found.residual:.3g} cmH2O from breath to breath (allowed: {enough:.1g}).\n"
            "  Look at the approach with simulate(), or allow a larger tolerance."
        )
    return found


@public
def numerical_error(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    sample_interval: float | None = None,
    tolerance: float | None = None,
) -> xr.Dataset:
    """Numerical error of every measure of the steady breath: its value minus that at a far tighter tolerance.

    The tolerance is tightened 10,000 times. The error of the model itself, which is larger, is not in it.

    Parameters
    ----------
    scenario
    settings
    sample_interval
    tolerance

    Returns
    -------
    xarray.Dataset
        Measures of the steady breath, each the difference of the two calculations.

    Raises
    ------
    InputError
        If an argument is out of range, or circuit and settings do not fit together.
    SolverError
        If the solver fails at the tighter tolerance.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10))
    >>> settings = vs.PressureControl(inspiratory_pressure=15, rate=15, inspiratory_time=1)
    >>> error = vs.numerical_error(circuit, settings)
    >>> bool(abs(error.inspired_tidal_volume).max() < 0.01)
    True
    """
    options = {"sample_interval": sample_interval, "tolerance": tolerance}
    scenario = scenario_of(scenario, settings, where="numerical_error", steady=True, **options)
    tight = max(scenario.tolerance * _TIGHTER, 1e-11)
    coarse, fine = (breath_measures(steady_breath(scenario, tolerance=one)) for one in (scenario.tolerance, tight))
    with np.errstate(invalid="ignore"):
        difference = coarse - fine
    return label(difference.assign_attrs(coarse.attrs, reference_tolerance=tight))
