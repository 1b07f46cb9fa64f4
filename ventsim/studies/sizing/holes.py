"""Holes near the one that was asked for: drills, printed holes, one that is a little off; what each would give."""

import itertools
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError, PlausibilityWarning, shown
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

    def case(self, circuit: Circuit, settings: BreathSettings) -> Case:
        """What makes the circuit of the answer with this hole in it when it is run."""
        return lambda: (circuit.with_parts({self.hole.part: Restrictor(resistance=self.orifice)}), settings)


def read_drills(drills: Sequence[float] | None) -> tuple[float, ...]:
    """Bores of drills, rising; those that are common by default. [mm]"""
    if drills is None:
        return DRILLS
    if isinstance(drills, str) or not isinstance(drills, Sequence | np.ndarray) or len(drills) == 0:
        raise InputError(f"drills {shown(drills)} is no list of bores.\n  Give bores in mm: (3.0, 3.5, 4.0).")
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
    name = part_at(circuit, path) or ""
    part = circuit.parts.get(name)
    if not isinstance(part, Restrictor) or isinstance(part.resistance, AdjustableCurve):
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
    by_part: dict[str, Hole] = {}
    for hole in found:
        if hole is not None:
            by_part.setdefault(hole.part, hole)
    each = (_options_of(hole, drills=drills, bore_tolerance=bore_tolerance) for hole in by_part.values())
    return list(itertools.chain.from_iterable(each))


def _options_of(hole: Hole, *, drills: Sequence[float], bore_tolerance: float) -> Iterator[Option]:
    bore, deviation, tube_bore = hole.orifice.bore, hole.orifice.bore_deviation, hole.orifice.tube_bore

    def option(kind: str, name: str, size: float, **others: float) -> Option:
        with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
            orifice = hole.orifice.changed(bore=size, **others)
        return Option(hole=hole, kind=kind, name=name, bore=size, orifice=orifice)

    def fits(size: float) -> bool:
        return 0.0 < size + deviation <= tube_bore

    if hole.is_resistance:
        yield option("equivalent hole", "equivalent hole", bore)
    for side, size in (("narrow", bore - bore_tolerance), ("wide", bore + bore_tolerance)):
        if fits(size):
            yield option("tolerance", f"{bore_tolerance:.3g} mm too {side}", size)
    # The nearest drill on each side; one that is just right stands for both.
    below = [drill for drill in drills if drill <= bore + _SAME_BORE and fits(drill)]
    above = [drill for drill in drills if drill >= bore - _SAME_BORE and fits(drill)]
    for drill in dict.fromkeys([*below[-1:], *above[:1]]):
        yield option("drill", f"drill {drill:.4g} mm", drill)
    # The hole to draw whose mean true bore is the one wanted, and the extremes of the printers measured. Between
    # the measured bores the mean is linear in the bore as drawn, so this is its exact inverse.
    means = [printed_bore(nominal).mean for nominal in NOMINAL_BORES]
    if means[0] <= hole.orifice.true_bore <= means[-1]:
        drawn = printed_bore(float(np.interp(hole.orifice.true_bore, means, NOMINAL_BORES)))
        for printer, size in (("narrowest", drawn.narrowest), ("mean", drawn.mean), ("widest", drawn.widest)):
            name = f"drawn {drawn.nominal:.2f} mm, {printer} printer"
            yield option("printed", name, size, bore_deviation=0.0)
