"""A sizing question read and checked: which measures are to become what, and which values may change for it."""

import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ventsim.errors import InputError, PlausibilityWarning, shown, suggestion, warn_caller
from ventsim.model.circuit import Circuit
from ventsim.model.laws import Orifice
from ventsim.model.paths import part_at, places, quantity_at, single_value, with_values
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import Quantity, quantity, quantity_of
from ventsim.results.schema import VARIABLES
from ventsim.simulation.batch import BatchOptions, Case, PieceResult, run_piece
from ventsim.units import FloatArray

Limits = tuple[float, float | Literal["widest"]]
"""Lowest and highest value; of a bore the highest may be the widest that fits its tube."""

WIDEST: Literal["widest"] = "widest"

TARGETS: Mapping[str, Quantity] = {"inspired_tidal_volume": quantity("target_volume")} | {
    name: quantity("target_pressure", VARIABLES[name].long_name)
    for name in ("driving_pressure", "end_inspiratory_alveolar_pressure", "plateau_pressure", "total_peep")
}
"""What can be a target, and in which unit."""

# The solver works on an even scale: in a range that begins at 0, the logarithm after adding this part of its end.
_NEAR_ZERO = 0.01
# Width of the scale of a range that reaches below 0, about that of the logarithm of a range of two decades.
_EVEN_WIDTH = 4.0
# The loss of a hole goes with this power of its bore; one of 10 mm loses about 1 cmH2O at 1 L/s, so that its bore
# hardly matters beyond. The scale is even in the logarithm of loss plus that loss: no plateau, however wide.
_LOSS_POWER, _WIDE_BORE = 4, 10.0
_SAME_VALUE = 1e-9
# No target depends on samples, so a few will do.
_SAMPLES_IN_BREATH = 50


@dataclass(frozen=True, kw_only=True)
class Unknown:
    """A value that may change, its limits, and its even scale."""

    path: str
    quantity: Quantity
    low: float
    high: float
    now: float

    def to_scale(self, value: float) -> float:
        """Where a value stands on the even scale."""
        if self.low < 0.0:
            return _EVEN_WIDTH * (value - self.low) / (self.high - self.low)
        if self._is_bore:
            return -math.log(value**-_LOSS_POWER + _WIDE_BORE**-_LOSS_POWER) / _LOSS_POWER
        return math.log(value + self._offset)

    def from_scale(self, place: float) -> float:
        """The value at a place of the even scale, within the limits."""
        if self.low < 0.0:
            value = self.low + place / _EVEN_WIDTH * (self.high - self.low)
        elif self._is_bore:
            loss = math.exp(-_LOSS_POWER * place) - _WIDE_BORE**-_LOSS_POWER
            value = max(loss, self.high**-_LOSS_POWER) ** (-1.0 / _LOSS_POWER)
        else:
            value = math.exp(place) - self._offset
        # A limit is met to the last digit: a hole that is almost as wide as its tube is hard to solve.
        near = _SAME_VALUE * max(abs(self.low), abs(self.high))
        return self.low if value < self.low + near else self.high if value > self.high - near else value

    @property
    def _is_bore(self) -> bool:
        return self.quantity.unit == "mm" and self.low > 0.0

    @property
    def _offset(self) -> float:
        return 0.0 if self.low > 0.0 else _NEAR_ZERO * self.high


@dataclass(frozen=True, kw_only=True)
class Target:
    """A measure of a lung, and what it is to become."""

    lung: str
    measure: str
    value: float

    @property
    def name(self) -> str:
        """Lung and measure."""
        return f"{self.lung} {self.measure}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """As many targets as values that may change, in one circuit."""

    circuit: Circuit
    settings: BreathSettings
    unknowns: tuple[Unknown, ...]
    targets: tuple[Target, ...]
    solver_tolerance: float

    @property
    def lungs(self) -> tuple[str, ...]:
        """Names of the lungs."""
        return tuple(self.circuit.lungs)

    def at(self, values: Sequence[float] | FloatArray) -> tuple[Circuit, BreathSettings]:
        """Circuit and settings with these values."""
        named = {unknown.path: float(value) for unknown, value in zip(self.unknowns, values, strict=True)}
        return with_values(self.circuit, self.settings, named)

    def case(self, values: Sequence[float] | FloatArray) -> Case:
        """What makes :meth:`at` when it is run."""
        return lambda: self.at(values)

    def run(self, cases: Sequence[Case]) -> PieceResult:
        """Steady breaths of several circuits; a trial may be unlikely without a warning."""
        period = self.settings.period
        options = BatchOptions(tolerance=self.solver_tolerance, sample_interval=period / _SAMPLES_IN_BREATH)
        with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
            return run_piece(cases, options, n_lungs=len(self.lungs))

    def miss(self, result: PieceResult) -> FloatArray:
        """Relative miss of each target, shape (n_cases, n_targets); NaN where there is no breath. [1]"""
        reached = [result.lungs[target.measure][:, self.lungs.index(target.lung)] for target in self.targets]
        return np.stack(reached, axis=-1) / [target.value for target in self.targets] - 1.0

    @property
    def scale_limits(self) -> tuple[FloatArray, FloatArray]:
        """Both ends of the even scale of each unknown."""
        low = np.array([unknown.to_scale(unknown.low) for unknown in self.unknowns])
        return low, np.array([unknown.to_scale(unknown.high) for unknown in self.unknowns])

    def values(self, places: Sequence[float] | FloatArray) -> FloatArray:
        """The values at places of the even scales."""
        pairs = zip(self.unknowns, places, strict=True)
        return np.array([unknown.from_scale(float(place)) for unknown, place in pairs])


def read_problem(
    scenario: Scenario, *, targets: Mapping[str, Mapping[str, float]],
    vary: Mapping[str, Limits], solver_tolerance: float,
) -> Problem:  # fmt: skip
    """The question from what a user gives, checked."""
    circuit, settings = scenario.circuit, scenario.settings
    wanted = _read_targets(circuit, settings, targets)
    unknowns = _read_unknowns(circuit, settings, vary)
    if len(wanted) != len(unknowns):
        few = "Add a target or keep a value" if len(wanted) < len(unknowns) else "Leave a target out or vary more"
        raise InputError(
            f"there {'is' if len(wanted) == 1 else 'are'} {_counted(len(wanted), 'target')} and "
            f"{_counted(len(unknowns), 'value')} to vary.\n"
            f"  Allowed: as many of one as of the other. {few}."
        )
    return Problem(
        circuit=circuit, settings=settings, unknowns=unknowns, targets=wanted, solver_tolerance=solver_tolerance
    )


def _read_targets(
    circuit: Circuit, settings: BreathSettings, targets: Mapping[str, Mapping[str, float]]
) -> tuple[Target, ...]:
    if not isinstance(targets, Mapping) or not targets:
        raise InputError("targets: there is none.\n  Give {'a': {'inspired_tidal_volume': 400.0}, ...}.")
    found = []
    for lung, measures in targets.items():
        if lung not in circuit.lungs:
            raise InputError(f"targets: there is no lung {shown(lung)}.\n  {suggestion(str(lung), circuit.lungs)}")
        if not isinstance(measures, Mapping) or not measures:
            raise InputError(
                f"targets: lung '{lung}' has {shown(measures)}, not values of measures by name.\n"
                f"  Give {{'inspired_tidal_volume': 400.0}}; measures: {', '.join(TARGETS)}."
            )
        for measure, value in measures.items():
            where, quantity = f"targets: lung '{lung}':", TARGETS.get(measure)
            if quantity is None:
                hint = suggestion(str(measure), TARGETS)
                raise InputError(f"{where} {measure!r} is no measure that can be a target.\n  {hint}")
            if fault := quantity.fault(value):
                raise InputError(f"{where} {measure} {fault}\n  {quantity.allowed()}")
            if measure == "plateau_pressure" and settings.flow_time >= settings.inspiratory_phase_time:
                raise InputError(
                    f"{where} plateau_pressure needs a pause, and the breath has none.\n"
                    "  Take end_inspiratory_alveolar_pressure, or VolumeControl(pause_time=...)."
                )
            if unlikely := quantity.unlikely(value):
                warn_caller(PlausibilityWarning(f"{where} {measure} {quantity.text(value)} {unlikely}"))
            found.append(Target(lung=lung, measure=measure, value=float(value)))
    return tuple(found)


def _read_unknowns(circuit: Circuit, settings: BreathSettings, vary: Mapping[str, Limits]) -> tuple[Unknown, ...]:
    if not isinstance(vary, Mapping) or not vary:
        raise InputError("vary: there is nothing.\n  Give {'settings.inspiratory_pressure': (5.0, 30.0), ...}.")
    found = tuple(_read_unknown(circuit, settings, path, limits) for path, limits in vary.items())
    places(circuit, vary)
    return found


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _check_restrictor(circuit: Circuit, path: str) -> None:
    """Tell how to put in the restrictor that a path expects where a layout has none."""
    found = re.match(r"parts\.(?P<part>(?P<lung>.+) (?P<limb>inspiratory|expiratory) restrictor)\.", str(path))
    if found and found["lung"] in circuit.lungs and found["part"] not in circuit.parts:
        raise InputError(
            f"vary: there is no {found['part']!r} in the circuit.\n  Put one in with "
            f"ventsim.studies.add_restrictor(scenario, {found['lung']!r}, limb={found['limb']!r})."
        )


def _read_unknown(circuit: Circuit, settings: BreathSettings, path: str, limits: Limits) -> Unknown:
    _check_restrictor(circuit, path)
    now = single_value(circuit, settings, path)
    quantity = quantity_at(circuit, settings, path)
    if quantity is None:
        raise InputError(f"vary: {shown(path)} is {now!r}, not a number.\n  Take the path of a number.")
    if not isinstance(now, int | float | None):
        fields = getattr(type(now), "model_fields", {})
        inside = [f"'{path}.{name}'" for name, info in fields.items() if quantity_of(info) is not None]
        remedy = f"Take the path of a number in it: {' or '.join(inside)}." if inside else "Take another path."
        raise InputError(f"vary: {shown(path)} is a law now.\n  {remedy}")
    if now is None:
        raise InputError(f"vary: {shown(path)} has no value now.\n  Describe it with a number first.")
    if quantity.whole:
        raise InputError(f"vary: {path!r} is a whole number, {now}.\n  Take the path of a number with decimals.")
    if not isinstance(limits, Sequence) or isinstance(limits, str) or len(limits) != 2:
        raise InputError(
            f"vary: {shown(path)} has limits {shown(limits)}.\n  Give two numbers, (low, high). [{quantity.unit}]"
        )
    # The orifice whose bore the path names.
    law = getattr(circuit.parts.get(part_at(circuit, path) or ""), "resistance", None)
    hole = law if isinstance(law, Orifice) and path.endswith(".resistance.bore") else None
    lowest, highest = limits
    if highest == WIDEST:
        if hole is None:
            raise InputError(
                f'vary: {shown(path)} has no "{WIDEST}": it is not the bore of an orifice.\n'
                "  Give the upper limit as a number."
            )
        highest = hole.widest_bore
    for limit in (lowest, highest):
        if fault := quantity.fault(limit):
            raise InputError(f"vary: {shown(path)}: limit {fault}\n  {quantity.allowed()}")
    low, high = float(lowest), float(highest)
    if not low < high:
        raise InputError(
            f"vary: {shown(path)} has limits {low:.6g} and {high:.6g} {quantity.unit}.\n"
            "  The lower one comes first and is below the other one."
        )
    if hole is not None and high > hole.widest_bore:
        off = f" with bore_deviation {hole.bore_deviation:.6g} mm" if hole.bore_deviation else ""
        raise InputError(
            f"vary: {shown(path)}: limit {high:.6g} mm{off} does not fit a tube_bore of {hole.tube_bore:.6g} mm.\n"
            f'  Allowed: at most {hole.widest_bore:.6g} mm. Give that, or "{WIDEST}" for just that.'
        )
    # What a part or the settings refuse, or find unlikely, is reported before the search.
    for number in (low, high):
        with_values(circuit, settings, {path: number})
    return Unknown(path=path, quantity=quantity, low=low, high=high, now=float(now))
