"""Which restrictor, which pressure: the values that give each lung what it is to get."""

import numbers
from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from ventsim.errors import InputError, SolverError
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.simulation.batch import FINISHED
from ventsim.studies.sizing_answer import answer
from ventsim.studies.sizing_holes import read_bore_tolerance, read_drills
from ventsim.studies.sizing_problem import Limits, read_problem
from ventsim.studies.sizing_solve import search

# The steady breath has to be this much more exact than the targets.
_FINER = 0.01
_SMALLEST, _LARGEST = 1e-8, 1e-2


def size(
    circuit: Circuit,
    settings: BreathSettings,
    *,
    targets: Mapping[str, Mapping[str, float]],
    vary: Mapping[str, Limits],
    drills: Sequence[float] | None = None,
    bore_tolerance: float = 0.1,
    tolerance: float = 1e-6,
) -> xr.Dataset:
    r"""Find the restrictors, valves or settings that give each lung what it is to get in the steady breath.

    As many values vary as there are targets. Where several answers exist, the one found first is given.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them; :func:`restrict` puts in a restrictor where there is none.
    settings : PressureControl or VolumeControl
        The breath.
    targets : mapping of str to mapping of str to float
        For each lung the wanted measures: ``inspired_tidal_volume`` [mL]; ``driving_pressure``,
        ``end_inspiratory_alveolar_pressure``, ``plateau_pressure``, ``total_peep`` [cmH2O].
    vary : mapping of str to tuple of (float, float or "widest")
        Limits, low and high, of each value that may change, by its path as for
        :func:`ventsim.changes.value_at`. ``"widest"``, for the bore of an orifice: as wide as its tube, less
        its ``bore_deviation``. [unit of each field]
    drills : sequence of float or None, default None
        Bores in which holes can be drilled; None: 1 to 13 mm in steps of 0.5 mm (common practice, no source).
        [mm]
    bore_tolerance : float, default 0.1
        How far a hole that is made may be off. [mm]
    tolerance : float, default 1e-6
        Relative miss of the targets that is allowed; steady breaths are solved to a hundredth of it. [1]

    Returns
    -------
    xarray.Dataset
        ``feasible`` says whether the targets are met; if not, all else is that of the values within the limits
        for which the sum of the squares of the relative misses is least, and ``attrs["reason"]`` says why and
        what to do. Dims: ``quantity`` (what varies), ``target``, ``lung``, and ``option``: holes that might be
        made instead. ``attrs["notes"]`` warns of restrictors that gas goes round. Print it with
        :func:`sizing_table`.

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
    >>> from ventsim.studies.sizing import size
    >>> from ventsim.studies.sizing_restrict import restrict
    >>> lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    >>> circuit, path = restrict(vs.layouts.shared(lungs), "b")
    >>> settings = vs.PressureControl(inspiratory_pressure=14, peep=5, rate=15, ie_ratio=0.5)
    >>> found = size(circuit, settings, targets={"b": {"inspired_tidal_volume": 400}}, vary={path: (2, "widest")})
    >>> bool(found.feasible), float(found.value[0])
    (True, 4.05)
    """
    _check_accuracy(tolerance)
    sizes, off = read_drills(drills), read_bore_tolerance(bore_tolerance)
    problem = read_problem(circuit, settings, targets=targets, vary=vary, solver_tolerance=_FINER * tolerance)
    before = problem.run([lambda: (circuit, settings)])
    if before.status[0] != FINISHED:
        raise SolverError(f"sizing: there is no steady breath to begin with.\n  {before.reason[0]}")
    found = search(problem, tolerance=tolerance)
    return answer(problem, found, before=before, drills=sizes, bore_tolerance=off, tolerance=tolerance)


def _check_accuracy(tolerance: float) -> None:
    """Refuse a relative miss that is no number or out of reach."""
    is_number = isinstance(tolerance, numbers.Real) and not isinstance(tolerance, bool)
    if not is_number or not _SMALLEST <= tolerance <= _LARGEST or not np.isfinite(tolerance):
        shown = f"{float(tolerance):.6g} is not allowed" if is_number else f"{tolerance!r} is not a number"
        raise InputError(f"tolerance: {shown}.\n  Allowed: {_SMALLEST:g} to {_LARGEST:g}.")
