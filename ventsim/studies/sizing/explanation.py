"""In words: why there is no answer, and where a restrictor does little."""

from collections.abc import Sequence

import numpy as np

from ventsim.model.circuit.graph import way_in
from ventsim.model.paths import part_at
from ventsim.model.ventilator import PressureControl
from ventsim.studies.sizing.problem import TARGETS, Problem, Unknown
from ventsim.studies.sizing.search import Found
from ventsim.units import FloatArray

LITTLE = 0.2
"""A restrictor does little if its whole range changes its lung's tidal volume by less than this. [1]"""

_AT_LIMIT = 1e-6  # distance from a limit on the even scale
_NO_EFFECT = 1e-7  # relative change of a target for each unit of the even scale
_ONE_DIRECTION = 0.05  # smallest singular value of directions of length 1 below which they count as one


def limits_hit(problem: Problem, found: Found) -> list[str]:
    """For each value that varies "low" or "high" if it stands at that limit, otherwise nothing."""
    low, high = problem.scale_limits
    at_limits = [found.places - low < _AT_LIMIT, high - found.places < _AT_LIMIT]
    return np.select(at_limits, ["low", "high"], "").tolist()


def why_not(problem: Problem, found: Found, *, reached: FloatArray, tolerance: float, is_bypassed: bool) -> str:
    """Why the targets cannot be met, what stands in the way, and what might help."""
    lines = []
    for target, value, miss in zip(problem.targets, reached, found.miss, strict=True):
        if abs(miss) > tolerance:
            quantity = TARGETS[target.measure]
            lines.append(
                f"lung '{target.lung}': {quantity.meaning} {quantity.text(value)} at the nearest, "
                f"target {quantity.text(target.value)}."
            )
    for unknown, side in zip(problem.unknowns, limits_hit(problem, found), strict=True):
        if side:
            limit = unknown.low if side == "low" else unknown.high
            lines.append(f"'{unknown.path}' stands at its {side} limit, {unknown.text(limit)}.")
    lines += _useless(problem, found)
    if is_bypassed:
        lines.append("Gas goes round a restrictor; put a one-way valve into the expiratory limb first.")
    return "\n".join([*lines, _what_to_do(problem, found, tolerance=tolerance)])


def _useless(problem: Problem, found: Found) -> list[str]:
    """Values that change no target here, and targets that move as one."""
    effects = np.linalg.norm(found.slopes, axis=0)
    nothing = [u.path for u, effect in zip(problem.unknowns, effects, strict=True) if effect < _NO_EFFECT]
    if nothing:
        return [f"'{path}' changes no target there." for path in nothing]
    sizes = np.linalg.svd(found.slopes / effects, compute_uv=False)
    if sizes[-1] < _ONE_DIRECTION:
        return ["There the values that vary move the targets together, not one by one."]
    return []


def _what_to_do(problem: Problem, found: Found, *, tolerance: float) -> str:
    is_pressure = isinstance(problem.settings, PressureControl)
    drive = "inspiratory_pressure" if is_pressure else "tidal_volume"
    missed = found.miss[np.abs(found.miss) > tolerance]
    steps = []
    if not any(unknown.path == f"settings.{drive}" for unknown in problem.unknowns):
        if (missed < 0.0).all():
            steps.append(f"raise settings.{drive}")
        elif (missed > 0.0).all():
            steps.append(f"lower settings.{drive}")
        else:
            steps.append(f"vary settings.{drive} too, with one more target")
    if any(limits_hit(problem, found)):
        steps.append("widen the limit that is hit, if it can be made")
    steps.append("change the targets")
    text = ", or ".join(steps)
    return f"{text[0].upper()}{text[1:]}."


def bypass_warnings(problem: Problem, values: FloatArray, *, lungs: Sequence[str]) -> tuple[str, ...]:
    """What to know of inspiratory restrictors past which gas reaches their lung through its expiratory limb.

    `values` is the answer, `lungs` names the lung of each value that varies.
    """
    found: dict[str, str] = {}
    for k, (unknown, lung) in enumerate(zip(problem.unknowns, lungs, strict=True)):
        part = part_at(problem.circuit, unknown.path)
        if part is None or part in found or part in problem.circuit.lungs:
            continue
        graph, airway = problem.at(values)[0].graph(), f"{lung}.airway"
        if part not in (way_in(graph, airway) or ()) or way_in(graph, airway, without=part) is None:
            continue
        found[part] = _bypassed(problem, values, k=k, unknown=unknown, lung=lung)
    return tuple(found.values())


def _bypassed(problem: Problem, values: FloatArray, *, k: int, unknown: Unknown, lung: str) -> str:
    """The words, with the volumes at both limits of the value."""
    text = (
        f"lung '{lung}' fills past '{part_at(problem.circuit, unknown.path)}' too, backwards through its "
        "expiratory limb: no one-way valve closes that way."
    )
    cases = [problem.case([*values[:k], limit, *values[k + 1 :]]) for limit in (unknown.low, unknown.high)]
    low, high = problem.run(cases).lungs["inspired_tidal_volume"][:, problem.lungs.index(lung)].tolist()
    if np.isfinite([low, high]).all():
        change = abs(high - low) / max(high, low)
        text += (
            f" From {unknown.text(unknown.low)} to {unknown.text(unknown.high)} its tidal volume changes "
            f"from {low:.4g} to {high:.4g} mL"
        )
        text += f", less than {100 * LITTLE:.0f} %: the restrictor does little." if change < LITTLE else "."
    return f"{text}\n  Put a one-way valve into the expiratory limb."
