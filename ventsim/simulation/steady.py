"""steady_breath(): the breath that repeats itself."""

import xarray as xr

from ventsim.engine.notice import CompileNotice
from ventsim.engine.steady import SteadyStart, find_steady_start, search_steady_start
from ventsim.errors import InputError, SolverError
from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.simulation.course import Course
from ventsim.simulation.prepare import Prepared, prepare, raise_on_failure
from ventsim.simulation.provenance import describe
from ventsim.simulation.run import record_everything
from ventsim.simulation.runner import Runner

_MOST_STEADY_BREATHS = 2000
_SAME_RHYTHM = 1e-9


@documented
def steady_breath(
    scenario: Scenario | Circuit,
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
        Waveforms of one breath from time 0; its start is found to a tenth of the tolerance. The attributes say how the start was found (``steady_method``, shooting
        or repetition), after how many breaths, and how much the pressures still changed over the breath.

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
    scenario = scenario_of(
        scenario,
        settings,
        where="steady_breath",
        steady=True,
        sample_interval=sample_interval,
        tolerance=tolerance,
    )
    prepared = prepare(scenario.circuit, scenario.settings, tolerance=scenario.tolerance)
    found = steady_start(prepared, tolerance=scenario.tolerance)
    runner = Runner(
        tolerance=scenario.tolerance,
        sample_interval=scenario.sample_interval,
        start=found.pressure,
        prepared=prepared,
    )
    attrs = describe(scenario.changed(duration=prepared.period, waveform_windows=(), waveform_every=None)) | {
        "steady_method": found.method,
        "steady_breaths": found.breaths,
        "steady_residual_cmH2O": found.residual,
    }
    return record_everything(runner, one_breath(prepared), attrs)


def steady_start(prepared: Prepared, *, tolerance: float) -> SteadyStart:
    """Where the breath starts that repeats itself; raises if there is none."""
    _check_efforts(prepared)
    enough = max(0.1 * float(tolerance), 1e-11)  # another type of number would be compiled once more
    with CompileNotice(search_steady_start):
        found = find_steady_start(
            prepared.compiled.network, prepared.segments, prepared.resting_pressure(), prepared.demands,
            tolerance=enough, most_breaths=_MOST_STEADY_BREATHS,
        )  # fmt: skip
    raise_on_failure(found.status, found.breaths * prepared.period)
    if not found.residual <= 100.0 * enough:
        raise SolverError(
            f"no steady breath: after {found.breaths} breaths pressures still change by "
            f"{found.residual:.3g} cmH2O from breath to breath (allowed: {enough:.1g}).\n"
            "  Look at the approach with simulate(), or allow a larger tolerance."
        )
    return found


def one_breath(prepared: Prepared) -> Course:
    """The course of a single breath."""
    schedule = Schedule(prepared.circuit, prepared.settings)
    return Course(schedule, duration=prepared.period, whole=True, keeps=True)


def _check_efforts(prepared: Prepared) -> None:
    """Refuse efforts that do not repeat with the breath: then no breath repeats itself."""
    for period in prepared.compiled.network.effort["period"]:
        turns = prepared.period / float(period)
        if not (turns > 0.5 and abs(turns - round(turns)) < _SAME_RHYTHM):
            raise InputError(
                f"no breath repeats itself: an effort comes every {float(period):.6g} s, a breath of the "
                f"ventilator every {prepared.period:.6g} s.\n"
                "  Make the rate of the effort that of the ventilator or a multiple of it, or use simulate()."
            )
