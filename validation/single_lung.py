"""One lung in an ideal circuit, from the arguments of a closed form."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr
from comparisons import DEFAULT_TOLERANCE, curve_difference, relative_difference, worked, worst_differences
from rows import Row

import ventsim as vs

WORK_FACTOR = 0.0980665 / 0.098
"""Joules of 1 cmH2O·L, exact (conventional centimetre of water), over the factor of published formulas. [1]"""
LUNG_FIELDS = ("compliance", "resistance", "expiratory_resistance")
_COMMON = (
    "tidal_volume", "minute_volume", "auto_peep", "end_expiratory_alveolar_pressure", "peak_inspiratory_flow",
    "peak_expiratory_flow", "mean_airway_pressure", "mean_alveolar_pressure",
)  # fmt: skip
PRESSURE_MEASURES = (*_COMMON, "end_inspiratory_alveolar_pressure")
VOLUME_MEASURES = (*_COMMON, "plateau_pressure", "driving_pressure", "peak_airway_pressure")


def circuit_and_settings(
    arguments: Mapping[str, Any],
) -> tuple[vs.Circuit, vs.PressureControl | vs.VolumeControl]:
    """What `ventsim.theory.pressure_control` or `volume_control` describes with these arguments."""
    lung = vs.Lung(**{name: arguments[name] for name in LUNG_FIELDS if name in arguments})
    settings = {name: value for name, value in arguments.items() if name not in LUNG_FIELDS}
    mode = vs.PressureControl if "inspiratory_pressure" in settings else vs.VolumeControl
    return vs.layouts.single(lung, ideal=True), mode(**settings)


def steady_waves(arguments: Mapping[str, Any], *, tolerance: float, sample_interval: float = 0.01) -> xr.Dataset:
    """The breath that repeats itself."""
    circuit, settings = circuit_and_settings(arguments)
    return vs.steady_breath(circuit, settings, tolerance=tolerance, sample_interval=sample_interval)


def numbers(waveforms: xr.Dataset) -> dict[str, float]:
    """Measures of the last breath of one lung by name; plateau pressure also where there is no pause."""
    last = vs.breath_measures(waveforms).isel(breath=-1).squeeze("lung")
    found = {str(name): float(values) for name, values in last.items()}
    found["tidal_volume"] = found["inspired_tidal_volume"]
    found["tidal_litres"] = found["tidal_volume"] / 1000
    found["plateau_pressure"] = found["end_inspiratory_alveolar_pressure"]
    found["peak_airway_pressure_time"] = float(waveforms.time[np.argmax(waveforms.airway_pressure.values)])
    return found


def closed_breath(
    arguments: Mapping[str, Any],
) -> vs.theory.PressureControlBreath | vs.theory.VolumeControlBreath:
    """The closed form of the breath that repeats itself."""
    is_pressure = "inspiratory_pressure" in arguments
    return (vs.theory.pressure_control if is_pressure else vs.theory.volume_control)(**arguments)


def measure_difference(arguments: Mapping[str, Any], waveforms: xr.Dataset) -> float:
    """Largest relative difference of measures from the closed form."""
    breath, found = closed_breath(arguments), numbers(waveforms)
    names = PRESSURE_MEASURES if "inspiratory_pressure" in arguments else VOLUME_MEASURES
    return relative_difference([found[name] for name in names], [getattr(breath, name) for name in names])


def wave_difference(arguments: Mapping[str, Any], waveforms: xr.Dataset) -> float:
    """Largest difference of volume and alveolar pressure at any sample, relative to the largest value."""
    closed = closed_breath(arguments).waveform(waveforms.time.values)
    return max(
        curve_difference(waveforms[name], getattr(closed, name)) for name in ("volume", "alveolar_pressure")
    )


def worked_rows(
    case: str,
    breaths: Mapping[str, tuple[Mapping[str, Any], Mapping[str, str]]],
    *,
    quantities: Mapping[str, tuple[str, str]],
) -> list[Row]:
    """Rows for breaths given as arguments and worked digits; `quantities` maps names to words and units."""
    found = []
    for name, (arguments, digits) in breaths.items():
        values = numbers(steady_waves(arguments, tolerance=DEFAULT_TOLERANCE))
        for key, text in digits.items():
            quantity, unit = quantities[key]
            found.append(worked(case, f"{name}: {quantity}", unit=unit, text=text, value=values[key]))
    return found


def worst_rows(case: str, breaths: Mapping[str, Mapping[str, Any]]) -> list[Row]:
    """Rows for the largest difference of any measure and of any sample from the closed form."""

    def measures(tolerance: float) -> list[float]:
        return [measure_difference(b, steady_waves(b, tolerance=tolerance)) for b in breaths.values()]

    def waveforms(tolerance: float) -> list[float]:
        return [wave_difference(b, steady_waves(b, tolerance=tolerance)) for b in breaths.values()]

    names = ", ".join(breaths)
    return [
        *worst_differences(case, f"{names}: largest relative difference of a measure", find=measures),
        *worst_differences(case, f"{names}: largest relative difference of volume over time", find=waveforms),
    ]
