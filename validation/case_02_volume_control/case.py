"""One lung filled by a constant flow, with and without pause."""

import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
from comparisons import (
    DEFAULT_LIMIT,
    DEFAULT_TOLERANCE,
    TIGHT_LIMIT,
    TIGHT_TOLERANCE,
    relative_difference,
    worst_differences,
)
from figures import TWO_TOLERANCES, curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from single_lung import WORK_FACTOR, closed_breath, numbers, steady_waves, worked_rows, worst_rows
from tables import number, read_table

import ventsim as vs

TITLE = "One lung in volume control, constant flow"
CASE = "case_02_volume_control"
HERE = Path(__file__).parent

QUANTITIES = {
    "auto_peep": ("auto-PEEP", "cmH2O"),
    "peak_airway_pressure": ("peak airway pressure", "cmH2O"),
    "plateau_pressure": ("plateau pressure", "cmH2O"),
    "mean_airway_pressure": ("mean airway pressure", "cmH2O"),
    "mean_alveolar_pressure": ("mean alveolar pressure", "cmH2O"),
}
# Least and largest mean error of a bedside formula for power in patients [J/min], DOI 10.1186/s40635-019-0276-8.
PUBLISHED_BIAS = (-0.53, 0.35)
# Breath and lungs for it, not from there: compliance, resistance and PEEP in every combination.
BIAS_BREATH = {"tidal_volume": 450.0, "rate": 20.0, "inspiratory_time": 1.0}
BIAS_LUNGS = ((30.0, 50.0), (5.0, 10.0, 15.0), (5.0, 10.0))
# Intrinsic PEEP of status asthmaticus [cmH2O], from memory; settings that are usual then.
ASTHMA, ASTHMA_BREATH = (10.0, 20.0), {"rate": 12.0, "ie_ratio": 1 / 3, "peep": 5.0}
ASTHMA_VOLUME = 9.0
ARGUMENTS = (
    "tidal_volume", "peep", "compliance", "resistance", "expiratory_resistance", "rate", "inspiratory_time",
    "pause_time",
)  # fmt: skip


def worked_breaths() -> dict[str, tuple[dict[str, float], dict[str, str]]]:
    """Arguments of the closed form and worked digits, by name."""
    return {
        row["name"]: (
            {name: number(row[name]) for name in ARGUMENTS},
            {name: row[name] for name in QUANTITIES},
        )
        for row in read_table(HERE / "data.csv")
    }


def rows() -> list[Row]:
    """Every comparison of the case."""
    breaths = worked_breaths()
    return [
        *worked_rows(CASE, breaths, quantities=QUANTITIES),
        *worst_rows(CASE, {name: arguments for name, (arguments, _) in breaths.items()}),
        *power_rows(),
        *bias_rows(),
        asthma_row(),
    ]


def asthma_row() -> Row:
    """Auto-PEEP of the typical lung with asthma, in a circuit with its defaults."""
    lung, (low, high) = vs.preset("asthma"), ASTHMA
    settings = vs.VolumeControl(tidal_volume=ASTHMA_VOLUME * lung.predicted_body_weight, **ASTHMA_BREATH)
    found = vs.breath_measures(vs.steady_breath(vs.layouts.shared({"a": lung}), settings))
    return Row(
        case=CASE, kind="bench without source", quantity="typical lung 'asthma', 9 mL/kg: auto-PEEP",
        unit="cmH2O", reference=(low + high) / 2, reference_uncertainty=(high - low) / 2,
        value=found.auto_peep.item(), limit=(high - low) / 2, relative=False, why="range of patients",
        any_model="the expiratory resistance of this lung was chosen to reach the range",
    )  # fmt: skip


def bias_rows() -> list[Row]:
    """Mean error of a bedside formula for power over some lungs against what was published for patients."""
    errors = []
    for compliance, resistance, peep in itertools.product(*BIAS_LUNGS):
        arguments = BIAS_BREATH | {"compliance": compliance, "resistance": resistance, "peep": peep}
        found = numbers(steady_waves(arguments, tolerance=DEFAULT_TOLERANCE))
        formula = vs.theory.mechanical_power_giosa_2019(
            tidal_volume=BIAS_BREATH["tidal_volume"], rate=BIAS_BREATH["rate"],
            peak_pressure=found["peak_airway_pressure"], peep=peep, flow=found["peak_inspiratory_flow"],
        )  # fmt: skip
        errors.append(formula - found["mechanical_power"])
    low, high = PUBLISHED_BIAS
    return [
        Row(
            case=CASE, kind="published bench",
            quantity=f"{len(errors)} lungs: mean error of power by minute volume, peak pressure, PEEP and flow",
            unit="J/min", reference=(low + high) / 2, reference_uncertainty=(high - low) / 2,
            value=float(np.mean(errors)), limit=(high - low) / 2, relative=False,
            why="range of the biases that were published; patients not seen",
        )
    ]  # fmt: skip


def power_rows() -> list[Row]:
    """Mechanical power, by the formula from pressures, and without a pause by the one from mechanics.

    They leave auto-PEEP out, and are exact if PEEP means all of the pressure at the end of expiration.
    """
    every = {name: arguments for name, (arguments, _) in worked_breaths().items()}

    def from_pressures(tolerance: float) -> list[float]:
        return [_power_difference(arguments, tolerance, _by_pressures) for arguments in every.values()]

    def from_mechanics(tolerance: float) -> list[float]:
        unpaused = [arguments for arguments in every.values() if arguments["pause_time"] == 0.0]
        return [_power_difference(arguments, tolerance, _by_mechanics) for arguments in unpaused]

    what = "largest relative difference of mechanical power from the formula of"
    return [
        *worst_differences(CASE, f"{', '.join(every)}: {what} pressures", find=from_pressures),
        *worst_differences(CASE, f"breaths without pause: {what} mechanics", find=from_mechanics),
    ]


def _power_difference(
    arguments: dict[str, float], tolerance: float, law: Callable[[dict[str, float], float], float]
) -> float:
    total_peep = vs.theory.volume_control(**arguments).end_expiratory_alveolar_pressure
    power = numbers(steady_waves(arguments, tolerance=tolerance))["mechanical_power"]
    return relative_difference(power, law(arguments, total_peep) * WORK_FACTOR)


def _by_pressures(arguments: dict[str, float], total_peep: float) -> float:
    breath = vs.theory.volume_control(**arguments)
    return vs.theory.mechanical_power_simplified_gattinoni_2016(
        tidal_volume=arguments["tidal_volume"], rate=arguments["rate"], peak_pressure=breath.peak_airway_pressure,
        plateau_pressure=breath.plateau_pressure, peep=total_peep,
    )  # fmt: skip


def _by_mechanics(arguments: dict[str, float], total_peep: float) -> float:
    period = 60.0 / arguments["rate"]
    own = {name: arguments[name] for name in ("tidal_volume", "compliance", "resistance", "rate")}
    ratio = arguments["inspiratory_time"] / (period - arguments["inspiratory_time"])
    return vs.theory.mechanical_power_gattinoni_2016(**own, ie_ratio=ratio, peep=total_peep)


def draw() -> None:
    """Airway pressure of the breaths, and the difference at default and tight tolerance."""
    figure, top, bottom = curves_and_difference(
        "Steady breath of volume control: closed form (lines) and ventsim (marks)",
        x="time since the start of inspiration (s)",
        y="airway pressure (cmH2O)",
        difference="difference / largest value",
        note=TWO_TOLERANCES,
    )
    for k, (name, (arguments, _)) in enumerate(worked_breaths().items()):
        for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
            waveforms = steady_waves(arguments, tolerance=tolerance)
            time = waveforms.time.values
            closed = closed_breath(arguments).waveform(time).airway_pressure
            found = waveforms.airway_pressure.squeeze("lung").values
            if tolerance == DEFAULT_TOLERANCE:
                draw_curves(top, time, reference=closed, value=found, label=name, number=k)
            draw_difference(bottom, time, difference=(found - closed) / closed.max(), number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
