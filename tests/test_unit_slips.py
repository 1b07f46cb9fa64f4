"""Numbers in another unit than is asked for are answered with the number that was probably meant.

Expected numbers: exact factors of the units, rounded to three digits as messages write them.
"""

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.errors import InputError, PlausibilityWarning

BED = {"a": (3.0, 0.0)}
FLOWS, PRESSURES = np.array([0.25, 0.5, 1.0]), np.array([1.2, 3.1, 9.0])


def recording(*, flow: float = 1.0, pressure: float = 1.0) -> xr.Dataset:
    """One breath of 0.5 L/s and 15 cmH2O at most, invented, in units of the size given."""
    time = np.linspace(0.0, 4.0, 401)
    wave = 0.5 * np.sin(np.pi * time / 2)[:, None]
    signals = {
        "flow": (("time", "lung"), flow * wave),
        "airway_pressure": (("time", "lung"), pressure * (5.0 + 20.0 * np.maximum(wave, 0.0))),
    }
    times = {"breath_start": [0.0], "inspiration_end": [2.0], "breath_end": [4.0]}
    variables = signals | {name: ("breath", values) for name, values in times.items()}
    return vs.schema.label(xr.Dataset(variables, coords={"time": time, "lung": ["a"], "breath": [1]}))


UNLIKELY = {
    "flows of a fit": (
        lambda: vs.fit_rohrer(60 * FLOWS, PRESSURES),
        r"fit_rohrer: flows 15 .* 0\.25 \(15 L/min\)",
    ),
    "pressures of a fit": (
        lambda: vs.fit_rohrer(FLOWS, 98.0665 * PRESSURES),
        r"fit_rohrer: pressures 882\.599 .* 9 \(882\.599 Pa\)",
    ),
    "flows of a curve": (
        lambda: vs.fit_monotone(60 * FLOWS, PRESSURES),
        r"fit_monotone: flows 15 .* 0\.25 \(15 L/min\)",
    ),
    "recorded flow": (
        lambda: vs.breath_measures(recording(flow=60.0)),
        r"recording: largest flow 30 L/s .* 0\.5 \(30 L/min\)",
    ),
    "recorded pressure": (
        lambda: vs.integrate_recording(recording(pressure=98.0665)),
        r"recording: largest airway_pressure 1471 cmH2O .* 15 \(1471 Pa\)",
    ),
    "stock of tube": (
        lambda: vs.layouts.FloorPlan(beds=BED, stock_lengths=(60,)),
        r"floor plan: stock_lengths 60 m .* 0\.6 \(60 cm\)",
    ),
}


@pytest.mark.parametrize(("call", "message"), UNLIKELY.values(), ids=UNLIKELY)
def test_unlikely_numbers(call, message):
    with pytest.warns(PlausibilityWarning, match=f"(?s){message}") as caught:
        call()
    assert len(caught) == 1


def test_numbers_in_the_right_unit():
    """Warnings are errors."""
    vs.breath_measures(vs.integrate_recording(recording()))
    vs.fit_rohrer(np.concatenate([FLOWS, -FLOWS]), np.concatenate([PRESSURES, -PRESSURES]))


def test_harm_in_percent():
    scenario = vs.builtin("two-unequal-lungs")
    with (
        pytest.warns(PlausibilityWarning, match=r"harm 20 is outside 0 to 2\.\n  Did you mean 0\.2 \(20 %\)"),
        pytest.raises(InputError, match="duration 1 s is not allowed"),
    ):
        vs.studies.blind_spots(scenario, harm=20, duration=1)


IMPOSSIBLE = {
    "stock of tube": (
        lambda: vs.layouts.FloorPlan(beds=BED, stock_lengths=(1500,)),
        r"stock_lengths 1500 m .* 1\.5 \(1500 mm\)\? Allowed: at least 0\.05 and at most 100 m",
    ),
    "bed": (lambda: vs.layouts.FloorPlan(beds={"a": (300, 0)}), r"bed 'a': coordinate 300 m .* 3 \(300 cm\)"),
    "secretions": (
        lambda: vs.TrachealTube(inner_diameter=7, obstructed_fraction=30),
        r"obstructed_fraction 30 .* 0\.3 \(30 %\)",
    ),
    "step": (
        lambda: vs.studies.sensitivity_matrix(vs.builtin("two-unequal-lungs"), step=5),
        r"step 5 .* 0\.05 \(5 %\)",
    ),
}


@pytest.mark.parametrize(("call", "message"), IMPOSSIBLE.values(), ids=IMPOSSIBLE)
def test_impossible_numbers(call, message):
    with pytest.raises(InputError, match=f"(?s){message}"):
        call()
