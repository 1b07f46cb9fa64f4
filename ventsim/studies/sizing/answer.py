"""The answer to a sizing question: values, what each lung gets, holes that might be made; or why there is none."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr

from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import way_in
from ventsim.model.paths import part_at
from ventsim.model.ventilator import PressureControl
from ventsim.results.measures import breath_measures
from ventsim.results.remarks import breath_remarks
from ventsim.results.schema import ORIGIN, VARIABLES
from ventsim.results.variables import SOURCES
from ventsim.simulation.batch import PieceResult, ended
from ventsim.simulation.steady import steady_breath
from ventsim.studies.sizing.holes import DRILLS, Option, holes, options
from ventsim.studies.sizing.problem import TARGETS, Problem, Unknown
from ventsim.studies.sizing.search import Found
from ventsim.units import FloatArray

# Difference quotients of the sensitivity, on the even scale.
_DIFFERENCE = 1e-3
# The change of a value to which the sensitivity refers, by its unit; otherwise for one.
_STEPS = {"mm": 0.1, "s": 0.1}

# Name of two results, before and after -> measure.
_COMPARED = ("tidal_volume", "driving_pressure", "end_inspiratory_pressure", "total_peep", "auto_peep")
BEFORE_AND_AFTER = {name: SOURCES.get(name, name) for name in _COMPARED}

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

LITTLE = 0.2
"""A restrictor does little if its whole range changes its lung's tidal volume by less than this. [1]"""

_AT_LIMIT = 1e-6  # distance from a limit on the even scale
_NO_EFFECT = 1e-7  # relative change of a target for each unit of the even scale
_ONE_DIRECTION = 0.05  # smallest singular value of directions of length 1 below which they count as one


def answer(
    problem: Problem, found: Found, *, before: PieceResult, drills: Sequence[float], bore_tolerance: float,
    tolerance: float,
) -> xr.Dataset:  # fmt: skip
    """The Dataset of :func:`ventsim.studies.size`."""
    unknowns, targets = problem.unknowns, problem.targets
    values = problem.values(found.places)
    circuit, settings = problem.at(values)
    after = problem.run([problem.case(values)])
    steps = np.array([_STEPS.get(unknown.quantity.unit, 1.0) for unknown in unknowns])
    sensitivity = _slopes(problem, found) * steps[:, None]
    lungs = [_lung_of(problem, unknown, row) for unknown, row in zip(unknowns, sensitivity, strict=True)]
    stood_for = holes(problem, circuit, after, lungs=lungs)
    chosen = options(stood_for, drills=drills, bore_tolerance=bore_tolerance)
    with_options = problem.run([option.case(circuit, settings) for option in chosen])
    bypassed = _bypass_warnings(problem, values, circuit=circuit, lungs=lungs)
    limits_hit, is_met = _limits_hit(problem, found), found.worst <= tolerance
    wanted = np.array([target.value for target in targets])
    reached = wanted * (1.0 + found.miss)
    why = [] if is_met else _why_not(problem, found, reached=reached, limits_hit=limits_hit, tolerance=tolerance)
    if why and bypassed:
        why.insert(-1, "Gas goes round a restrictor; put a one-way valve into the expiratory limb first.")
    variables: dict[str, Any] = {
        "feasible": is_met,
        "value": ("quantity", values),
        "value_before": ("quantity", [unknown.now for unknown in unknowns]),
        "low_limit": ("quantity", [unknown.low for unknown in unknowns]),
        "high_limit": ("quantity", [unknown.high for unknown in unknowns]),
        "limit_hit": ("quantity", limits_hit),
        "equivalent_bore": ("quantity", [np.nan if hole is None else hole.orifice.bore for hole in stood_for]),
        "sensitivity_step": ("quantity", steps),
        "tidal_volume_sensitivity": (("quantity", "lung"), sensitivity),
        "wanted": ("target", wanted),
        "reached": ("target", reached),
        "relative_miss": ("target", found.miss),
        **{
            f"{name}_{when}": ("lung", result.lungs[measure][0])
            for name, measure in BEFORE_AND_AFTER.items()
            for when, result in (("before", before), ("after", after))
        },
        "option_bore": ("option", np.array([option.bore for option in chosen], dtype=float)),
        "option_tidal_volume": (("option", "lung"), with_options.lungs["inspired_tidal_volume"]),
        "option_auto_peep": (("option", "lung"), with_options.lungs["auto_peep"]),
    }
    attrs = {
        "title": "sizing",
        **ORIGIN,
        "reason": "\n".join(why),
        "notes": "\n".join([*bypassed, *breath_remarks(breath_measures(steady_breath(circuit, settings)))]),
        "bore_tolerance_mm": bore_tolerance,
        "drills": "common practice, no source" if tuple(drills) == DRILLS else "as given",
        "tolerance": tolerance,
        "breaths_solved": found.breaths_run,
    }
    labelled = _labelled(xr.Dataset(variables, coords=_coordinates(problem, chosen), attrs=attrs))
    return labelled.assign(ended(after, "case").isel(case=0))


def _coordinates(problem: Problem, chosen: Sequence[Option]) -> dict[str, Any]:
    unknowns, targets = problem.unknowns, problem.targets
    return {
        "quantity": [unknown.path for unknown in unknowns],
        "quantity_unit": ("quantity", [unknown.quantity.unit for unknown in unknowns]),
        "target": [target.name for target in targets],
        "target_lung": ("target", [target.lung for target in targets]),
        "target_measure": ("target", [target.measure for target in targets]),
        "lung": list(problem.lungs),
        "option": np.arange(len(chosen)),
        "option_quantity": ("option", np.array([option.hole.path for option in chosen], dtype=str)),
        "option_kind": ("option", np.array([option.kind for option in chosen], dtype=str)),
        "option_name": ("option", np.array([option.name for option in chosen], dtype=str)),
    }


def _slopes(problem: Problem, found: Found) -> FloatArray:
    """Change of each lung's tidal volume with each value, shape (n_quantities, n_lungs). [mL for each unit]

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
    return (more - less) / changes[:, None]


def _lung_of(problem: Problem, unknown: Unknown, sensitivity: FloatArray) -> str:
    """The lung in whose branch a value lies by its name, or else the one that it changes most."""
    part = part_at(problem.circuit, unknown.path) or ""
    if named := [lung for lung in problem.lungs if part.startswith(f"{lung} ")]:
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


def _limits_hit(problem: Problem, found: Found) -> list[str]:
    """For each value that varies "low" or "high" if it stands at that limit, otherwise nothing."""
    low, high = problem.scale_limits
    at_limits = [found.places - low < _AT_LIMIT, high - found.places < _AT_LIMIT]
    return np.select(at_limits, ["low", "high"], "").tolist()


def _why_not(
    problem: Problem, found: Found, *, reached: FloatArray, limits_hit: Sequence[str], tolerance: float
) -> list[str]:
    """Why the targets cannot be met, what stands in the way, and what might help."""
    lines = []
    for target, value, miss in zip(problem.targets, reached, found.miss, strict=True):
        if abs(miss) > tolerance:
            quantity = TARGETS[target.measure]
            lines.append(
                f"lung '{target.lung}': {quantity.meaning} {quantity.text(value)} at the nearest, "
                f"target {quantity.text(target.value)}."
            )
    for unknown, side in zip(problem.unknowns, limits_hit, strict=True):
        if side:
            limit = unknown.low if side == "low" else unknown.high
            lines.append(f"'{unknown.path}' stands at its {side} limit, {unknown.quantity.text(limit)}.")
    effects = np.linalg.norm(found.slopes, axis=0)
    useless = [one.path for one, effect in zip(problem.unknowns, effects, strict=True) if effect < _NO_EFFECT]
    lines += [f"'{path}' changes no target there." for path in useless]
    if not useless and np.linalg.svd(found.slopes / effects, compute_uv=False)[-1] < _ONE_DIRECTION:
        lines.append("There the values that vary move the targets together, not one by one.")
    missed = found.miss[np.abs(found.miss) > tolerance]
    return [*lines, _what_to_do(problem, missed, is_at_limit=any(limits_hit))]


def _what_to_do(problem: Problem, missed: FloatArray, *, is_at_limit: bool) -> str:
    drive = "inspiratory_pressure" if isinstance(problem.settings, PressureControl) else "tidal_volume"
    steps = []
    if not any(unknown.path == f"settings.{drive}" for unknown in problem.unknowns):
        if (missed < 0.0).all():
            steps.append(f"raise settings.{drive}")
        elif (missed > 0.0).all():
            steps.append(f"lower settings.{drive}")
        else:
            steps.append(f"vary settings.{drive} too, with one more target")
    if is_at_limit:
        steps.append("widen the limit that is hit, if it can be made")
    text = ", or ".join([*steps, "change the targets"])
    return f"{text[0].upper()}{text[1:]}."


def _bypass_warnings(problem: Problem, values: FloatArray, *, circuit: Circuit, lungs: Sequence[str]) -> list[str]:
    """What to know of inspiratory restrictors past which gas reaches their lung through its expiratory limb.

    `values` and `circuit` are the answer, `lungs` names the lung of each value that varies.
    """
    graph = circuit.graph()
    found: dict[str, str] = {}
    for k, (unknown, lung) in enumerate(zip(problem.unknowns, lungs, strict=True)):
        part, airway = part_at(problem.circuit, unknown.path), f"{lung}.airway"
        if part is None or part in found or part in problem.circuit.lungs:
            continue
        if part not in (way_in(graph, airway) or ()) or way_in(graph, airway, without=part) is None:
            continue
        text = (
            f"lung '{lung}' fills past '{part}' too, backwards through its expiratory limb: no one-way valve "
            "closes that way."
        )
        cases = [problem.case([*values[:k], limit, *values[k + 1 :]]) for limit in (unknown.low, unknown.high)]
        low, high = problem.run(cases).lungs["inspired_tidal_volume"][:, problem.lungs.index(lung)].tolist()
        if np.isfinite([low, high]).all():
            change = abs(high - low) / max(high, low)
            text += (
                f" From {unknown.quantity.text(unknown.low)} to {unknown.quantity.text(unknown.high)} its tidal "
                f"volume changes from {low:.4g} to {high:.4g} mL"
            )
            text += f", less than {100 * LITTLE:.0f} %: the restrictor does little." if change < LITTLE else "."
        found[part] = f"{text}\n  Put a one-way valve into the expiratory limb."
    return list(found.values())
