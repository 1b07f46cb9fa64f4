"""How far the numbers of a run are from those of a much more careful one."""

import numpy as np
import xarray as xr

from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.results.measures import breath_measures
from ventsim.results.schema import label
from ventsim.simulation.prepare import DEFAULT_SAMPLE_INTERVAL, DEFAULT_TOLERANCE, check_tolerance
from ventsim.simulation.steady import steady_breath

_TIGHTER = 1e-4


def numerical_error(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    sample_interval: float = DEFAULT_SAMPLE_INTERVAL,
    tolerance: float = DEFAULT_TOLERANCE,
) -> xr.Dataset:
    """Numerical error of every measure of the steady breath: its value minus that at a far tighter tolerance.

    The tolerance is tightened 10,000 times. The error of the model itself, which is larger, is not in it.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    sample_interval : float, default 0.01
        Distance of samples; peaks are the largest sample. [s]
    tolerance : float, default 5e-7
        The tolerance whose error is wanted. [1]

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
    check_tolerance(tolerance)
    tight = max(tolerance * _TIGHTER, 1e-11)
    coarse, fine = (
        breath_measures(steady_breath(circuit, settings, sample_interval=sample_interval, tolerance=t))
        for t in (tolerance, tight)
    )
    with np.errstate(invalid="ignore"):
        difference = coarse - fine
    return label(difference.assign_attrs(coarse.attrs, reference_tolerance=tight))
