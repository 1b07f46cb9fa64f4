"""How far the numbers of a run are from those of a much more careful one."""

import numpy as np
import xarray as xr

from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import documented
from ventsim.results.measures import breath_measures
from ventsim.results.schema import label
from ventsim.simulation.steady import steady_breath

_TIGHTER = 1e-4


@documented
def numerical_error(
    scenario: Scenario | Circuit,
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
    scenario = scenario_of(
        scenario,
        settings,
        where="numerical_error",
        steady=True,
        sample_interval=sample_interval,
        tolerance=tolerance,
    )
    tight = max(scenario.tolerance * _TIGHTER, 1e-11)
    coarse, fine = (breath_measures(steady_breath(scenario, tolerance=one)) for one in (scenario.tolerance, tight))
    with np.errstate(invalid="ignore"):
        difference = coarse - fine
    return label(difference.assign_attrs(coarse.attrs, reference_tolerance=tight))
