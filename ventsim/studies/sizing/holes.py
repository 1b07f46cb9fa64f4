"""Holes near the one that was asked for: drills, printed holes, one that is a little off; what each would give."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.graph import way_in
from ventsim.model.laws import AdjustableCurve, Orifice, flow_law, orifice_bore, printed_bore
from ventsim.model.laws.orifice import NOMINAL_BORES
from ventsim.model.parts import ADULT_BORE, Restrictor, Tube
from ventsim.model.paths import part_at
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import check
from ventsim.simulation.batch import Case, PieceResult
from ventsim.studies.sizing.problem import Problem
from ventsim.units import ML_PER_L

DRILLS = tuple(0.5 * half for half in range(2, 27))
"""Drills from 1 to 13 mm in steps of 0.5 mm (common practice, no source). [mm]"""

# Below this loss a hole is as wide as its tube. [cmH2O]
_NO_LOSS = 1e-6
_SAME_BORE = 1e-9


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A hole that takes the place of the restrictor in question.

    `part` is the restrictor's name and `orifice` what stands for it, with the bore that was asked for.
    """

    path: str
    part: str
    orifice: Orifice
    is_resistance: bool


@dataclass(frozen=True, kw_only=True)
class Option:
    """A hole that might be made instead, by the kind of reason why it is shown."""

    hole: Hole
    kind: str
    name: str
    bore: float
    orifice: Orifice


def read_drills(drills: Sequence[float] | None) -> tuple[float, ...]:
    """Bores of drills, rising; those that are common by default. [mm]"""
    if drills is None:
        return DRILLS
    if isinstance(drills, str) or not isinstance(drills, Sequence | np.ndarray) or len(drills) == 0:
        raise InputError(f"drills {drills!r} is no list of bores.\n  Give bores in mm, such as (3.0, 3.5, 4.0).")
    for drill in drills:
        check("drills", {"drill": drill})
    return tuple(sorted({float(drill) for drill in drills}))


def holes(problem: Problem, circuit: Circuit, breath: PieceResult, *, lungs: Sequence[str]) -> list[Hole | None]:
    """For each value that varies the hole it stands for, in circuit and breath of the answer; None if for none.

    `lungs` names the lung of each value.
    """
    found: list[Hole | None] = []
    times = breath.timing[0]
    for unknown, lung in zip(problem.unknowns, lungs, strict=True):
        volume = float(breath.lungs["inspired_tidal_volume"][0, problem.lungs.index(lung)]) / ML_PER_L
        is_inspiratory = part_at(circuit, unknown.path) in (way_in(circuit.graph(), f"{lung}.airway") or ())
        start, end = ("breath_start", "flow_end") if is_inspiratory else ("inspiration_end", "breath_end")
        found.append(_hole(unknown.path, circuit, mean_flow=volume / float(times[end] - times[start])))
    return found


def _hole(path: str, circuit: Circuit, *, mean_flow: float) -> Hole | None:
    name = part_at(circuit, path)
    part = circuit.parts[name] if name is not None else None
    if name is None or not isinstance(part, Restrictor) or isinstance(part.resistance, AdjustableCurve):
        return None
    if isinstance(part.resistance, Orifice):
        is_bore = path.endswith(".bore")
        return Hole(path=path, part=name, orifice=part.resistance, is_resistance=False) if is_bore else None
    # The tube at which a restrictor of the layouts sits.
    tube = circuit.parts.get(f"{name.removesuffix(' restrictor')} tube")
    tube_bore = tube.bore if isinstance(tube, Tube) else ADULT_BORE
    loss = float(flow_law(part.resistance).pressure_drop(mean_flow))
    bore = tube_bore
    if loss > _NO_LOSS:
        with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
            bore = orifice_bore(loss, flow=mean_flow, tube_bore=tube_bore)
    return Hole(path=path, part=name, orifice=Orifice(bore=bore, tube_bore=tube_bore), is_resistance=True)


def options(found: Sequence[Hole | None], *, drills: Sequence[float], bore_tolerance: float) -> list[Option]:
    """What might be made in place of each hole; a restrictor of which two values vary has one hole."""
    chosen: list[Option] = []
    parts: set[str] = set()
    for hole in found:
        if hole is None or hole.part in parts:
            continue
        parts.add(hole.part)
        if hole.is_resistance:
            chosen.append(_option(hole, "equivalent hole", "equivalent hole", hole.orifice.bore))
        chosen += _tolerance_options(hole, bore_tolerance)
        chosen += _drill_options(hole, drills)
        chosen += _printed_options(hole)
    return chosen


def _option(hole: Hole, kind: str, name: str, bore: float, *, is_true_bore: bool = False) -> Option:
    changes = {"bore": bore} | ({"bore_deviation": 0.0} if is_true_bore else {})
    with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
        return Option(hole=hole, kind=kind, name=name, bore=bore, orifice=hole.orifice.changed(changes))


def _fits(hole: Hole, bore: float) -> bool:
    return 0.0 < bore + hole.orifice.bore_deviation <= hole.orifice.tube_bore


def _tolerance_options(hole: Hole, tolerance: float) -> list[Option]:
    bore = hole.orifice.bore
    both = (
        (f"{tolerance:.3g} mm too narrow", bore - tolerance),
        (f"{tolerance:.3g} mm too wide", bore + tolerance),
    )
    return [_option(hole, "tolerance", name, size) for name, size in both if _fits(hole, size)]


def _drill_options(hole: Hole, drills: Sequence[float]) -> list[Option]:
    """The nearest drill on each side; one that is just right stands for both."""
    bore = hole.orifice.bore
    below = [drill for drill in drills if drill <= bore + _SAME_BORE and _fits(hole, drill)]
    above = [drill for drill in drills if drill >= bore - _SAME_BORE and _fits(hole, drill)]
    nearest = dict.fromkeys([*below[-1:], *above[:1]])
    return [_option(hole, "drill", f"drill {drill:.4g} mm", drill) for drill in nearest]


def _printed_options(hole: Hole) -> list[Option]:
    """The hole to draw whose mean true bore is the one wanted, and the extremes of the printers measured."""
    means = [printed_bore(nominal).mean for nominal in NOMINAL_BORES]
    wanted = hole.orifice.true_bore
    if not means[0] <= wanted <= means[-1]:
        return []
    # Between the measured bores the mean is linear in the bore as drawn, so this is its exact inverse.
    drawn = printed_bore(float(np.interp(wanted, means, NOMINAL_BORES)))
    sizes = {"narrowest": drawn.narrowest, "mean": drawn.mean, "widest": drawn.widest}
    return [
        _option(hole, "printed", f"drawn {drawn.nominal:.2f} mm, {name} printer", true, is_true_bore=True)
        for name, true in sizes.items()
    ]


def case_with(base: Case, option: Option) -> Case:
    """The answer's circuit with the hole of an option in it."""

    def changed() -> tuple[Circuit, BreathSettings]:
        circuit, settings = base()
        return circuit.with_parts({option.hole.part: Restrictor(resistance=option.orifice)}), settings

    return changed
