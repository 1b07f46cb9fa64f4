"""One lung filled by a flow that falls along a line, or follows half a sine wave."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from comparisons import (
    DEFAULT_LIMIT,
    DEFAULT_TOLERANCE,
    TIGHT_LIMIT,
    TIGHT_TOLERANCE,
    closed_form,
    curve_difference,
    worst_differences,
)
from figures import TWO_TOLERANCES, curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from single_lung import closed_breath, numbers, steady_waves, worked_rows, worst_rows
from tables import number, read_table

TITLE = "One lung in volume control, falling and half-sine flow"
CASE = "case_03_flow_patterns"
HERE = Path(__file__).parent

QUANTITIES = {
    "peak_inspiratory_flow": ("peak inspiratory flow", "L/s"),
    "peak_airway_pressure_time": ("time of peak airway pressure", "s"),
    "peak_airway_pressure": ("peak airway pressure", "cmH2O"),
    "plateau_pressure": ("end-inspiratory alveolar pressure", "cmH2O"),
    "mean_alveolar_pressure": ("mean alveolar pressure", "cmH2O"),
}
ARGUMENTS = (
    "tidal_volume", "peep", "compliance", "resistance", "rate", "inspiratory_time", "end_flow_ratio"
)  # fmt: skip
HALF_SINE: dict[str, Any] = {
    "tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
    "inspiratory_time": 1.0, "flow_pattern": "sine",
}  # fmt: skip


def worked_breaths() -> dict[str, tuple[dict[str, Any], dict[str, str]]]:
    """Arguments of the closed form and worked digits, by name."""
    found = {}
    for row in read_table(HERE / "data.csv"):
        arguments = {name: number(row[name]) for name in ARGUMENTS} | {"flow_pattern": "decelerating"}
        found[row["name"]] = (arguments, {name: row[name] for name in QUANTITIES if name in row})
    return found


def rows() -> list[Row]:
    """Every comparison of the case."""
    breaths = worked_breaths()
    return [
        *worked_rows(CASE, breaths, quantities=QUANTITIES),
        *worst_rows(CASE, {name: arguments for name, (arguments, _) in breaths.items()}),
        *half_sine_rows(),
        *half_sine_curves(),
    ]


def half_sine_rows() -> list[Row]:
    """Half a sine wave against numbers from calculus."""
    found = numbers(steady_waves(HALF_SINE, tolerance=DEFAULT_TOLERANCE))
    auto_peep = 10.0 / (math.exp(6.0) - 1.0)  # VT/C / (e^(te/τ) - 1) with te 3 s, τ 0.5 s
    ratio = math.pi * 0.5  # π R C / ti
    references = {
        "peak_inspiratory_flow": ("peak inspiratory flow", "L/s", math.pi * 0.5 / 2.0),
        "auto_peep": ("auto-PEEP", "cmH2O", auto_peep),
        "peak_airway_pressure": (
            "peak airway pressure", "cmH2O", 5.0 + auto_peep + 5.0 * (1.0 + math.sqrt(1.0 + ratio**2)),
        ),
        "plateau_pressure": ("end-inspiratory alveolar pressure", "cmH2O", 15.0 + auto_peep),
        "mean_alveolar_pressure": (
            "mean alveolar pressure", "cmH2O",
            # The lung holds p_ee + 5 on the average of inspiration; expiration is an exponential above PEEP.
            (10.0 + auto_peep + 3.0 * 5.0 + (10.0 + auto_peep) * 0.5 * (1.0 - math.exp(-6.0))) / 4.0,
        ),
    }  # fmt: skip
    return [
        closed_form(CASE, f"half sine: {quantity}", unit=unit, reference=reference, value=found[name])
        for name, (quantity, unit, reference) in references.items()
    ]


def half_sine_curves() -> list[Row]:
    """Half a sine wave over time: what the solver integrates, and what follows from it at the airway."""

    def find(names: tuple[str, str]) -> Callable[[float], list[float]]:
        def differences(tolerance: float) -> list[float]:
            waveforms = steady_waves(HALF_SINE, tolerance=tolerance)
            closed = closed_breath(HALF_SINE).waveform(waveforms.time.values)
            return [curve_difference(waveforms[name], getattr(closed, name)) for name in names]

        return differences

    what = "half sine: largest relative difference of"
    integrated, derived = find(("volume", "alveolar_pressure")), find(("flow", "airway_pressure"))
    return [
        *worst_differences(CASE, f"{what} volume and alveolar pressure over time", find=integrated),
        *worst_differences(CASE, f"{what} flow and airway pressure over time", find=derived),
    ]


def draw() -> None:
    """Airway pressure of the patterns, and the difference of alveolar pressure."""
    figure, top, bottom = curves_and_difference(
        "Flow patterns of volume control: closed form (lines) and ventsim (marks)",
        x="time since the start of inspiration (s)",
        y="airway pressure (cmH2O)",
        difference="alveolar pressure:\ndifference / largest value",
        note=TWO_TOLERANCES,
    )
    patterns = {name: arguments for name, (arguments, _) in worked_breaths().items()} | {"half sine": HALF_SINE}
    for k, (name, arguments) in enumerate(patterns.items()):
        for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
            waveforms = steady_waves(arguments, tolerance=tolerance)
            time = waveforms.time.values
            closed = closed_breath(arguments).waveform(time)
            if tolerance == DEFAULT_TOLERANCE:
                draw_curves(
                    top,
                    time,
                    reference=closed.airway_pressure,
                    value=waveforms.airway_pressure,
                    label=name,
                    number=k,
                )
            off = waveforms.alveolar_pressure.squeeze("lung").values - closed.alveolar_pressure
            draw_difference(bottom, time, difference=off / closed.alveolar_pressure.max(), number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
