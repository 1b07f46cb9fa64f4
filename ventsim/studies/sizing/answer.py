"""The answer to a sizing question as a Dataset: values, what each lung gets, holes that might be made instead."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr

from ventsim.model.paths import part_at
from ventsim.results.measures import breath_measures
from ventsim.results.remarks import breath_remarks
from ventsim.results.schema import ORIGIN, VARIABLES
from ventsim.simulation.batch import Case, PieceResult
from ventsim.simulation.steady import steady_breath
from ventsim.studies.sizing.explanation import bypass_warnings, limits_hit, why_not
from ventsim.studies.sizing.holes import DRILLS, Hole, Option, give, holes, options
from ventsim.studies.sizing.problem import Problem, Unknown
from ventsim.studies.sizing.search import Found
from ventsim.units import FloatArray

# Difference quotients of the sensitivity, on the even scale.
_DIFFERENCE = 1e-3
# The change of a value to which the sensitivity refers, by its unit; otherwise for one.
_STEPS = {"mm": 0.1, "s": 0.1}

# Name of two results, before and after -> measure.
BEFORE_AND_AFTER = {
    "tidal_volume": "inspired_tidal_volume",
    "driving_pressure": "driving_pressure",
    "end_inspiratory_pressure": "end_inspiratory_alveolar_pressure",
    "total_peep": "total_peep",
    "auto_peep": "auto_peep",
}

# Unit, meaning and what a positive value means; the unit of a value that varies is in `quantity_unit`.
_LABELS = {
    "value": ("", "value found", "as of its field"),
    "low_limit": ("", "lower limit of the value", "as of its field"),
    "high_limit": ("", "upper limit of the value", "as of its field"),
    "value_before": ("", "value before", "as of its field"),
    "limit_hit": ("", "limit at which the value stands", "a text, no sign"),
    "equivalent_bore": ("mm", "bore of the hole that the value stands for", "never negative; NaN for no hole"),
    "wanted": ("", "target", "never negative"),
    "reached": ("", "measure reached", "as of the measure"),
    "relative_miss": ("1", "measure reached divided by target, minus 1", "more than wanted"),
    "feasible": ("", "whether all targets are met", "true or false, no sign"),
    "tidal_volume_sensitivity": ("mL", "change of tidal volume for each sensitivity_step", "more with more of it"),
    "sensitivity_step": ("", "change of the value to which the sensitivity refers", "never negative"),
    "option_bore": ("mm", "bore of the hole that might be made", "never negative"),
    "option_tidal_volume": ("mL", "inspired tidal volume with that hole", "never negative"),
    "option_auto_peep": ("cmH2O", "auto-PEEP with that hole", "above PEEP"),
}


def answer(
    problem: Problem, found: Found, *, before: PieceResult, drills: Sequence[float], bore_tolerance: float,
    tolerance: float,
) -> xr.Dataset:  # fmt: skip
    """The Dataset of :func:`ventsim.studies.size`."""
    values = problem.values(found.places)
    after = problem.run([problem.case(values)])
    sensitivity = _sensitivity(problem, found)
    lungs = [_lung_of(problem, unknown, row) for unknown, row in zip(problem.unknowns, sensitivity, strict=True)]
    circuit, settings = problem.at(values)
    volumes = after.lungs["inspired_tidal_volume"][0]
    stood_for = holes(problem, circuit, settings, tidal_volumes=volumes, lungs=lungs)
    chosen = options(stood_for, drills=drills, bore_tolerance=bore_tolerance)
    is_met = found.worst <= tolerance
    bypassed = bypass_warnings(problem, values, lungs=lungs)
    reached = np.array([target.value for target in problem.targets]) * (1.0 + found.miss)
    why = ""
    if not is_met:
        why = why_not(problem, found, reached=reached, tolerance=tolerance, is_bypassed=bool(bypassed))
    variables: dict[str, Any] = {
        "feasible": is_met,
        **_of_quantities(problem, found, values=values, stood_for=stood_for),
        "tidal_volume_sensitivity": (("quantity", "lung"), sensitivity),
        "wanted": ("target", np.array([target.value for target in problem.targets])),
        "reached": ("target", reached),
        "relative_miss": ("target", found.miss),
        **_of_lungs(before, after),
        **_of_options(problem, problem.case(values), chosen),
    }
    attrs = {
        "title": "sizing",
        **ORIGIN,
        "reason": why,
        "notes": "\n".join([*bypassed, *breath_remarks(breath_measures(steady_breath(circuit, settings)))]),
        "bore_tolerance_mm": bore_tolerance,
        "drills": "common practice, no source" if tuple(drills) == DRILLS else "as given",
        "tolerance": tolerance,
        "breaths_solved": found.breaths_run,
    }
    return _labelled(xr.Dataset(variables, coords=_coordinates(problem, chosen), attrs=attrs))


def _coordinates(problem: Problem, chosen: Sequence[Option]) -> dict[str, Any]:
    unknowns, targets = problem.unknowns, problem.targets
    return {
        "quantity": [unknown.path for unknown in unknowns],
        "quantity_unit": ("quantity", [unknown.unit for unknown in unknowns]),
        "target": [target.name for target in targets],
        "target_lung": ("target", [target.lung for target in targets]),
        "target_measure": ("target", [target.measure for target in targets]),
        "lung": list(problem.lungs),
        "option": np.arange(len(chosen)),
        "option_quantity": ("option", np.array([option.hole.path for option in chosen], dtype=str)),
        "option_kind": ("option", np.array([option.kind for option in chosen], dtype=str)),
        "option_name": ("option", np.array([option.name for option in chosen], dtype=str)),
    }


def _of_quantities(
    problem: Problem, found: Found, *, values: FloatArray, stood_for: Sequence[Hole | None]
) -> dict[str, Any]:
    unknowns = problem.unknowns
    return {
        "value": ("quantity", values),
        "value_before": ("quantity", [unknown.now for unknown in unknowns]),
        "low_limit": ("quantity", [unknown.low for unknown in unknowns]),
        "high_limit": ("quantity", [unknown.high for unknown in unknowns]),
        "limit_hit": ("quantity", limits_hit(problem, found)),
        "equivalent_bore": ("quantity", [np.nan if hole is None else hole.orifice.bore for hole in stood_for]),
        "sensitivity_step": ("quantity", [_STEPS.get(unknown.unit, 1.0) for unknown in unknowns]),
    }


def _of_lungs(before: PieceResult, after: PieceResult) -> dict[str, Any]:
    found = {}
    for name, measure in BEFORE_AND_AFTER.items():
        found[f"{name}_before"] = ("lung", before.lungs[measure][0])
        found[f"{name}_after"] = ("lung", after.lungs[measure][0])
    return found


def _of_options(problem: Problem, base: Case, chosen: Sequence[Option]) -> dict[str, Any]:
    volumes, auto_peep = give(problem, base, chosen)
    return {
        "option_bore": ("option", np.array([option.bore for option in chosen], dtype=float)),
        "option_tidal_volume": (("option", "lung"), volumes),
        "option_auto_peep": (("option", "lung"), auto_peep),
    }


def _sensitivity(problem: Problem, found: Found) -> FloatArray:
    """Change of each lung's tidal volume for the step of each value, shape (n_quantities, n_lungs). [mL]

    A central difference, or one-sided at a limit.
    """
    low, high = problem.scale_limits
    steps = _DIFFERENCE * np.eye(len(problem.unknowns))
    below, above = (
        [problem.values(places) for places in np.clip(found.places + sign * steps, low, high)]
        for sign in (-1.0, 1.0)
    )
    result = problem.run([problem.case(values) for values in (*below, *above)])
    less, more = np.split(result.lungs["inspired_tidal_volume"], 2)
    changes = np.diagonal(np.subtract(above, below))
    units = [_STEPS.get(unknown.unit, 1.0) for unknown in problem.unknowns]
    return (more - less) / changes[:, None] * np.array(units)[:, None]


def _lung_of(problem: Problem, unknown: Unknown, sensitivity: FloatArray) -> str:
    """The lung in whose branch a value lies by its name, or else the one that it changes most."""
    part = part_at(problem.circuit, unknown.path) or ""
    named = [lung for lung in problem.lungs if part.startswith(f"{lung} ")]
    if named:
        return max(named, key=len)
    size = np.where(np.isfinite(sensitivity), np.abs(sensitivity), 0.0)
    return problem.lungs[int(np.argmax(size))]


def _labelled(dataset: xr.Dataset) -> xr.Dataset:
    labels = dict(_LABELS)
    for stem, measure in BEFORE_AND_AFTER.items():
        row, sign = VARIABLES[measure], "above PEEP" if stem == "auto_peep" else "never negative"
        labels |= {f"{stem}_{when}": (row.units, f"{row.long_name} {when}", sign) for when in ("before", "after")}
    for name in dataset.data_vars:
        unit, meaning, positive = labels[str(name)]
        dataset[name].attrs = ({"units": unit} if unit else {}) | {"long_name": meaning, "positive": positive}
    return dataset
