"""How much each lung's tidal volume changes with the mechanics of each of the others."""

import itertools
import math
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import xarray as xr

from ventsim.errors import InputError, SolverError
from ventsim.model.descriptions import Description
from ventsim.model.parts import LungPart
from ventsim.model.paths import Steps, replaced, with_values
from ventsim.model.scenario import AnyScenario, Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import Quantity, check, quantity_of
from ventsim.results.remarks import NOTHING
from ventsim.simulation.batch import FINISHED, NOT_RUN, REFUSED, BatchOptions, Case, PieceResult, ended, run_batch
from ventsim.simulation.run import describe
from ventsim.studies.modes import scenario_and_modes
from ventsim.units import FloatArray

_DEFAULT_STEP, _DEFAULT_TOLERANCE = 0.01, 1e-10
_COARSE_SAMPLES = 0.1  # no measure that is looked at depends on samples [s]
_EFFECTS = ("compliance", "resistance")

# Scale factors are exp(k·step); the breath as it is stands in the middle.
_STEPS = np.array([-2, -1, 0, 1, 2])
# Weights of the first derivative to fourth order, and of the fourth difference, which shows noise and kinks.
_FIRST = np.array([1.0, -8.0, 0.0, 8.0, -1.0]) / 12.0
_FOURTH = np.array([1.0, -4.0, 6.0, -4.0, 1.0])
# What equal and independent errors of the five values make of the derivative, for each unit that they make in
# the fourth difference.
_NOISE_RATIO = math.sqrt(float(_FIRST @ _FIRST) / float(_FOURTH @ _FOURTH))

# Powers of volume in the units of elastic laws: a lung k times as compliant has every volume k times as large.
_VOLUME_POWERS = {"mL/cmH2O": 1.0, "mL": 1.0, "cmH2O/mL": -1.0, "cmH2O/mL²": -2.0}
_RESISTANCE_UNITS = ("cmH2O·s/L", "cmH2O·s²/L²", "cmH2O·(s/L)ⁿ")
_RESISTANCE_FIELDS = ("pressure_drops", "pressure_factor")
_VOLUME_FIELDS = ("volume_factor",)
_NOT_ELASTIC = ("relaxation_volume",)
_PERCENT = "%/%"


@public
def sensitivity_matrix(
    scenario: AnyScenario,
    settings: BreathSettings | None = None,
    *,
    modes: Mapping[str, BreathSettings] | None = None,
    step: float = _DEFAULT_STEP,
    tolerance: float = _DEFAULT_TOLERANCE,
    threads: int | None = None,
    progress: bool | None = None,
) -> xr.Dataset:
    r"""How much each lung's tidal volume in the steady breath changes with each lung's compliance and resistance.

    Of a lung with several regions or a curve, everything elastic or every resistance is scaled by a common factor,
    as in :func:`scaled_lung`. The tracheal tube and the tubes of a lung are not its own resistance.

    Parameters
    ----------
    scenario
    settings
    modes
    step : float, default 0.01
        Logarithm of the smaller scale factor; the larger one is its square. [1]
    tolerance : float, default 1e-10
        Relative error allowed per step of the solver; small, because differences are taken. [1]
    threads
    progress

    Returns
    -------
    xarray.Dataset
        ``compliance_effect`` and ``resistance_effect`` in % of inspired tidal volume of `lung` for each % of
        compliance or resistance of `changed`, with dims (mode, changed, lung); ``tidal_volume`` [mL] with dims
        (mode, lung); ``status`` and what the flow limit costs are as of :func:`sweep`, for each mode and the
        breath as it is. The attribute ``noise_of_effects`` is an upper estimate of their error.

    Raises
    ------
    InputError
        If an argument is out of range, circuit and settings do not fit together, or a lung has nothing to scale.
    SolverError
        If there is no steady breath for one of the values, or a lung gets no volume.

    Notes
    -----
    With the inspired tidal volumes V of all lungs :math:`i` and a parameter x of lung :math:`j`

    .. math:: S_{ij} = \frac{\partial \ln V_i}{\partial \ln x_j} \approx
        \frac{8\,[f(h) - f(-h)] - [f(2h) - f(-2h)]}{12\,h}, \qquad f(k) = \ln V_i(x_j e^k)

    which is Richardson's extrapolation of the central difference; its error is :math:`h^4 f^{(5)} / 30`. With the
    default step and tolerance the numbers are within 1e-8 of derivatives of closed forms, and
    ``noise_of_effects``, formed from the fourth difference, stays below 1e-5 in circuits with quadratic tubes and
    valves. Where a valve or a limit comes into play within the step, the two sides differ and the number lies
    between them; ``noise_of_effects`` then is large.

    Examples
    --------
    Behind an ideal source lungs do not affect each other:

    >>> import ventsim as vs
    >>> lungs = {"a": vs.Lung(compliance=50, resistance=10), "b": vs.Lung(compliance=25, resistance=10)}
    >>> circuit = vs.layouts.shared(lungs, ideal=True, one_way_valves=False)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> found = sensitivity_matrix(circuit, settings)
    >>> bool(abs(found.compliance_effect.sel(changed="a", lung="b")) < 1e-6)
    True
    """
    scenario, breaths = scenario_and_modes(
        scenario, settings, modes, where="sensitivity_matrix", tolerance=tolerance
    )
    by_mode = {name: scenario.changed(settings=breath) for name, breath in breaths.items()}
    check("sensitivity_matrix", {"step": step})
    lungs = list(scenario.circuit.lungs)
    named = [case for mode, one in by_mode.items() for case in _cases(one, step, mode=mode)]
    names, cases = zip(*named, strict=True)
    interval = min([_COARSE_SAMPLES, *(one.settings.period for one in by_mode.values())])
    options = BatchOptions(tolerance=tolerance, sample_interval=interval)
    result = run_batch(cases, options, n_lungs=len(lungs), threads=threads, progress=progress)
    volumes = _volumes(result, names).reshape(len(by_mode), -1, len(lungs))
    attrs = describe(scenario) | {
        "title": f"sensitivity matrix of {len(lungs)} lungs", "step": float(step), "tolerance": float(tolerance)
    }  # fmt: skip
    as_it_is = ended(result, "mode").isel(mode=slice(None, None, len(cases) // len(by_mode)))
    return _dataset(volumes, modes=list(by_mode), lungs=lungs, step=step).assign(as_it_is).assign_attrs(attrs)


def scaled_lung(lung: LungPart, *, compliance: float = 1.0, resistance: float = 1.0) -> LungPart:
    """A lung that is as a whole more compliant or more resistive.

    Parameters
    ----------
    lung : LungPart
        A lung of any kind.
    compliance : float, default 1
        Factor on the volume at every pressure: of all compliances and curves, regions and chest wall included. [1]
    resistance : float, default 1
        Factor on every resistance, regions, collateral paths and expiration included. [1]

    Returns
    -------
    LungPart
        Of the same kind. Effort, relaxation volume and body weight stay.

    Raises
    ------
    InputError
        If the lung has nothing to scale.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> scaled_lung(Lung(compliance=50.0, resistance=10.0), compliance=0.5).compliance
    25.0
    """
    for effect, factor in (("compliance", compliance), ("resistance", resistance)):
        lung = replaced(lung, _scaled_lung_values(lung, effect=effect, factor=factor))
    return lung


def _scaled_lung_values(lung: LungPart, *, effect: str, factor: float, name: str = "") -> dict[Steps, float]:
    """New values of everything elastic, or of every resistance, of a lung by their steps."""
    found = scaled_values(lung, effect=effect, factor=factor)
    if not found:
        raise InputError(
            f"lung '{name or lung.kind}' ({type(lung).__name__}) has no {effect} that could be scaled.\n"
            "  Allowed: lungs whose fields give it in the units of ventsim, such as Lung(compliance=..., ...)."
        )
    return found


def scaled_values(
    item: Any, *, effect: str, factor: float, steps: Steps = (), power: float = 0.0
) -> dict[Steps, float]:
    """Numbers that change if everything elastic, or every resistance, of a description is scaled.

    Parameters
    ----------
    item : Description
        A lung, part or law.
    effect : {"compliance", "resistance"}
        What is scaled.
    factor : float
        By what. [1]
    steps : tuple of str, default ()
        Where the description stands.
    power : float, default 0
        With which power of the factor a plain number there goes; 0: it stays. [1]

    Returns
    -------
    dict of steps to float
        New numbers by the steps of their paths.
    """
    if isinstance(item, tuple):
        parts = [(str(number), inner, power) for number, inner in enumerate(item, start=1)]
    elif isinstance(item, Description):
        fields = {name: field for name, field in type(item).model_fields.items() if name not in _NOT_ELASTIC}
        parts = [
            (name, getattr(item, name), _power(name, quantity_of(field), effect)) for name, field in fields.items()
        ]
    else:
        return {steps: factor**power * item} if power and isinstance(item, int | float) else {}
    found: dict[Steps, float] = {}
    for step, inner, its_power in parts:
        found |= scaled_values(inner, effect=effect, factor=factor, steps=(*steps, step), power=its_power)
    return found


def _power(name: str, quantity: Quantity | None, effect: str) -> float:
    """With which power of the factor the field of a quantity goes; 0: it stays."""
    unit = "" if quantity is None else quantity.unit
    if effect == "compliance":
        return _VOLUME_POWERS.get(unit, float(name in _VOLUME_FIELDS))
    return float(unit in _RESISTANCE_UNITS or name in _RESISTANCE_FIELDS)


def _cases(scenario: Scenario, step: float, *, mode: str) -> list[tuple[str, Case]]:
    """The breath as it is, then each lung and effect scaled down twice and up twice; in words and as a case."""
    circuit, settings = scenario.circuit, scenario.settings
    cases: list[tuple[str, Case]] = [(f"{mode}, as it is", partial(with_values, circuit, settings, {}))]
    for effect, lung in itertools.product(_EFFECTS, circuit.lungs):
        for factor in (math.exp(k * step) for k in _STEPS if k):
            scaled = _scaled_lung_values(circuit.lungs[lung], effect=effect, factor=factor, name=lung)
            values = {".".join(("lungs", lung, *steps)): value for steps, value in scaled.items()}
            what = f"{mode}, {effect} of lung '{lung}' times {factor:.4g}"
            cases.append((what, partial(with_values, circuit, settings, values)))
    return cases


def _volumes(result: PieceResult, names: Sequence[str]) -> FloatArray:
    """Inspired tidal volumes of all cases; raises if there is one without."""
    if (result.status == NOT_RUN).any():
        raise KeyboardInterrupt
    volumes = result.lungs["inspired_tidal_volume"]
    for k, name in enumerate(names):
        if result.status[k] != FINISHED:
            kind = InputError if result.status[k] == REFUSED else SolverError
            raise kind(f"{name}: {result.reason[k]}")
        if not (volumes[k] >= NOTHING).all():
            raise SolverError(
                f"{name}: a lung gets no volume, so that there is no change in % of it.\n"
                "  Take the lung out of the circuit, or settings that reach it."
            )
    return volumes


def _dataset(volumes: FloatArray, *, modes: list[str], lungs: list[str], step: float) -> xr.Dataset:
    n_modes, n_lungs = len(modes), len(lungs)
    logs = np.log(volumes)
    base = np.broadcast_to(logs[:, :1], (n_modes, 2 * n_lungs, n_lungs))
    around = logs[:, 1:].reshape(n_modes, 2 * n_lungs, 4, n_lungs)
    five = np.stack([around[:, :, 0], around[:, :, 1], base, around[:, :, 2], around[:, :, 3]], axis=-1)
    effects = (five @ _FIRST / step).reshape(n_modes, 2, n_lungs, n_lungs)
    noise = float(np.abs(five @ _FOURTH).max()) * _NOISE_RATIO / step
    dims = ("mode", "changed", "lung")
    variables = {}
    for k, effect in enumerate(_EFFECTS):
        what = f"change of inspired tidal volume for each % of {effect}"
        attrs = {"units": _PERCENT, "long_name": what, "positive": "more volume with more of it"}
        variables[f"{effect}_effect"] = xr.Variable(dims, effects[:, k], attrs)
    attrs = {"units": "mL", "long_name": "inspired tidal volume", "positive": "never negative"}
    variables["tidal_volume"] = xr.Variable(("mode", "lung"), volumes[:, 0], attrs)
    coords = {
        "mode": xr.Variable("mode", modes, {"long_name": "ventilation mode"}),
        "changed": xr.Variable("changed", lungs, {"long_name": "lung that is changed"}),
        "lung": xr.Variable("lung", lungs, {"long_name": "lung"}),
    }
    return xr.Dataset(variables, coords=coords, attrs={"noise_of_effects": noise})
