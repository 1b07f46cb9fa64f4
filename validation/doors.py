"""Hands bad values to every parameter of everything public, and looks at how each is answered.

Run ``python validation/doors.py``: it prints a table of calls and outcomes, and ends with an error if a call ended
in anything but an error of the library with a remedy, or a result that is right. ``--only NAME`` looks at doors
whose name contains NAME, ``--seed`` draws other pairs.
"""

import argparse
import collections.abc
import contextlib
import datetime
import decimal
import faulthandler
import fractions
import hashlib
import inspect
import io
import itertools
import os
import random
import re
import signal
import sys
import tempfile
import time
import traceback
import types
import typing
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import xarray as xr

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from public_names import CLASSES, FUNCTIONS, METHODS, OBJECTS

import ventsim as vs
from ventsim.errors import CircuitWarning, PlausibilityWarning, StoppedEarlyWarning, VentsimError
from ventsim.model.descriptions import Description

LONGEST_CALL = 10  # [s]
LONGEST_MESSAGE = 4000  # characters
N_PAIRS = 4000

# --- bad values -----------------------------------------------------------------------------------------------


class Plain:
    """Of no kind that any door knows."""


@cache
def lung() -> vs.Lung:
    return vs.Lung(compliance=50, resistance=10)


@cache
def settings() -> vs.PressureControl:
    return vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=1)


@cache
def volume_control() -> vs.VolumeControl:
    return vs.VolumeControl(tidal_volume=400, peep=5, rate=15, inspiratory_time=1)


@cache
def circuit() -> vs.Circuit:
    return vs.layouts.single(lung(), ideal=True)


# Made anew for each call, since some can be used once only.
BAD: dict[str, Callable[[], Any]] = {
    "None": lambda: None,
    "NaN": lambda: float("nan"),
    "inf": lambda: float("inf"),
    "-inf": lambda: float("-inf"),
    "1e300": lambda: 1e300,
    "1e-300": lambda: 1e-300,
    "-1": lambda: -1,
    "0": lambda: 0,
    "1": lambda: 1,
    "True": lambda: True,
    "numpy True": lambda: np.True_,
    "text 12": lambda: "12",
    "empty text": lambda: "",
    "text x": lambda: "x",
    "bytes": lambda: b"x",
    "0-d array": lambda: np.array(3.0),
    "empty array": lambda: np.array([]),
    "array": lambda: np.array([1, 2]),
    "array of objects": lambda: np.array([None, "x"], dtype=object),
    "datetime64": lambda: np.datetime64("2020-01-01"),
    "timedelta64": lambda: np.timedelta64(3, "s"),
    "timedelta": lambda: datetime.timedelta(seconds=3),
    "Decimal": lambda: decimal.Decimal("3.5"),
    "Fraction": lambda: fractions.Fraction(7, 2),
    "complex": lambda: 1 + 2j,
    "object": Plain,
    "class": lambda: Plain,
    "function": lambda: settings,
    "generator": lambda: (k for k in range(3)),
    "endless": itertools.count,
    "empty dict": dict,
    "dict": lambda: {"a": 1},
    "dict of numbers": lambda: {1: 2},
    "empty list": list,
    "list of None": lambda: [None],
    "list of text": lambda: ["x"],
    "empty tuple": tuple,
    "empty set": set,
    "DataFrame": lambda: pd.DataFrame({"a": [1.0, 2.0]}),
    "Series": lambda: pd.Series([1.0, 2.0]),
    "empty Dataset": xr.Dataset,
    "DataArray": lambda: xr.DataArray([1.0, 2.0], dims="time"),
    "0-d DataArray": lambda: xr.DataArray(3.0),
    "wrong Dataset": lambda: xr.Dataset({"flow": ("time", [1.0, 2.0])}, coords={"time": [0.0, 1.0]}),
    "100,000 letters": lambda: "a" * 100_000,
    "text with $": lambda: "$x$",
    "NUL": lambda: "\0",
    "escape": lambda: "\x1b[31m",
    "newline": lambda: "a\nb",
    "surrogate": lambda: "\ud800",
    "missing path": lambda: Path("no_such_folder") / "file",
    "a lung": lung,
    "settings": settings,
    "a circuit": circuit,
    "a scenario": lambda: vs.Scenario(circuit=circuit(), settings=settings(), duration=4),
    "maxsize": lambda: sys.maxsize,
    "10**400": lambda: 10**400,
    "10**5000": lambda: 10**5000,
}


# --- good arguments -------------------------------------------------------------------------------------------

FOLDER = Path(tempfile.mkdtemp(prefix="doors"))
QUICK = {"duration": 4.0, "sample_interval": 0.05, "tolerance": 1e-5}


@cache
def scenario() -> vs.Scenario:
    return vs.Scenario(circuit=circuit(), settings=settings(), **QUICK)


@cache
def pair() -> vs.Scenario:
    lungs = {"a": lung(), "b": vs.Lung(compliance=30, resistance=12)}
    bare = {"bore": 22, "length": 1, "resistance": 1, "gas_volume": 0, "wall_compliance": 0}
    limbs = vs.PatientLimbs(
        inspiratory_tube=vs.Tube(**bare), expiratory_tube=vs.Tube(**bare),
        inspiratory_restrictor=vs.Restrictor(resistance=vs.laws.Orifice(bore=5)),
    )  # fmt: skip
    both = vs.layouts.shared(lungs, limbs=limbs, one_way_valves=False)
    return vs.Scenario(circuit=both, settings=settings(), **QUICK)


@cache
def waveforms() -> xr.Dataset:
    return vs.simulate(scenario())


@cache
def measures() -> xr.Dataset:
    return vs.breath_measures(waveforms())


@cache
def displayed() -> xr.Dataset:
    return vs.monitor.displayed_values(measures())


@cache
def alarms() -> xr.Dataset:
    return vs.monitor.alarms(displayed(), vs.monitor.AlarmLimits())


@cache
def long_run() -> vs.LongRun:
    return vs.simulate_long(scenario(), progress=False)


@cache
def saved_run() -> Path:
    long_run().save(FOLDER / "good.nc")
    return FOLDER / "good.nc"


@cache
def swept() -> xr.Dataset:
    values = {"settings.peep": [4, 5], "settings.rate": [14, 15]}
    return vs.studies.sweep(scenario(), values, progress=False)


@cache
def swept_line() -> xr.Dataset:
    return vs.studies.sweep(scenario(), {"settings.peep": [4, 5]}, progress=False)


@cache
def sensitivities() -> xr.Dataset:
    return vs.studies.sensitivity_matrix(pair(), progress=False)


@cache
def blind_spots() -> xr.Dataset:
    return vs.studies.blind_spots(scenario(), faults=faults(), duration=12, progress=False)


@cache
def sizing() -> vs.studies.Sizing:
    return vs.studies.size_restrictors(pair(), targets=targets(), tolerance=1e-2)


def targets() -> dict[str, Any]:
    return {"b": {"inspired_tidal_volume": 200.0}}


def faults() -> dict[str, Any]:
    return {"stiff": vs.Change(path="lungs.lung.compliance", factor=0.7, at=0)}


def change() -> vs.Change:
    return vs.Change(path="lungs.lung.compliance", to=30, at=2)


def orifice_fit() -> Any:
    return vs.fit_rohrer([0.2, 0.5, 1.0], [1.0, 4.0, 14.0])


def axes(count: int) -> Any:
    import matplotlib.pyplot as plt

    return list(np.ravel(plt.subplots(count, 1, squeeze=False)[1]))


def plan() -> Any:
    return vs.layouts.FloorPlan(beds={"a": (1, 0), "b": (2, 0)}, ventilator=(0, 0))


def a_tube() -> vs.Tube:
    return vs.Tube(length=1.5)


FLOWS, DROPS = [0.2, 0.5, 1.0], [1.0, 4.0, 14.0]
FIRST = {"compliance": 50, "resistance": 10}

# A good argument of each parameter, by its name; what differs at one door stands in GOOD below.
COMMON: dict[str, Any] = {
    "scenario": scenario, "settings": None, "waveforms": waveforms, "measures": measures, "displayed": displayed,
    "alarms": alarms, "breath": -1, "changes": None, "start": None, "duration": 4.0, "sample_interval": 0.05,
    "tolerance": 1e-5, "ramp_updates": 1, "waveform_windows": None, "waveform_every": 1, "resume": None,
    "progress": False, "save": None, "threads": 1, "modes": None, "lung": None, "ax": None, "axes": None,
    "inner_diameter": 7.5, "density": 1.2, "viscosity": 18.0, "bore": 22.0, "length": 1.5, "flow": 0.5,
    "compliance": 50, "resistance": 10, "expiratory_resistance": 12, "rate": 15, "peep": 5,
    "inspiratory_time": 1.0, "ie_ratio": None, "pressure": 1000.0, "temperature": 20.0, "one_way_valves": False,
    "ideal": True, "ventilator": lambda: vs.Ventilator(), "limbs": None, "arrangement": "tree",
    "floor_plan": plan,
    "path": lambda: FOLDER / "out", "inspiratory_pressure": 15, "tidal_volume": 400, "gas_volume": 10.0,
    "at": 1.0, "until": None, "joint": "lung.airway", "part": "lung y-piece",
    "laws": lambda: [vs.laws.Rohrer(linear=2)],
    "flows": FLOWS, "pressures": DROPS, "pressure_drops": DROPS, "standard_deviation": None, "fields": None,
    "limits": lambda: vs.monitor.AlarmLimits(), "sensors": lambda: vs.monitor.Sensors(),
    "lungs": lambda: {"a": lung(), "b": lung()},
    "names": ["a", "b"], "parts": lambda: dict(circuit().parts), "joints": lambda: circuit().joints,
    "circuit_compliance": 1.0, "edge": "thick", "tube_bore": 22.0, "discharge_coefficient": 0.6,
    "bore_deviation": 0.0, "time": 0.5, "volume": 200.0, "wall": "corrugated", "source": "scenario",
    "ratio": 0.9,
}  # fmt: skip

THEORY = {name: None for name in ("lung", "settings", "lungs")}

# Good arguments of each door: all that it needs; of what is left out the one of COMMON or the default.
GOOD: dict[str, dict[str, Any]] = {
    # verbs
    "breath_measures": {}, "breath_table": {}, "builtin": {"name": "two-unequal-lungs"}, "builtin_names": {},
    "changes_table": {"changes": lambda: [change()]}, "connector_mismatches": {},
    "integrate_recording": {"recording": waveforms}, "numerical_error": {}, "parts_list": {},
    "pressure_at": {"point": "lung.airway"}, "simulate": {"changes": lambda: [change()], "start": waveforms},
    "simulate_long": {"changes": lambda: [change()], "save": lambda: FOLDER / "long.nc"},
    "steady_breath": {},
    "with_changes": {"changes": lambda: [change()]},
    "with_faults": {"faults": lambda: [vs.Clamp(part="lung y-piece", at=0)]},
    # laws, parts, gas
    "fit_monotone": {}, "fit_rohrer": {"hold_at_zero": None}, "heat_moisture_exchanger": {"name": "adult"},
    "heat_moisture_exchanger_names": {}, "orifice_bore": {"pressure_drop": 5.0},
    "predicted_body_weight": {"height": 170.0, "sex": "male"},
    "preset": {"name": "asthma", "predicted_body_weight": 60.0}, "preset_names": {},
    "preset_source": {"name": "asthma"}, "printed_bore": {"nominal": 3.0},
    "breathing_gas": {"oxygen_fraction": 0.4, "humidity": 0.5}, "saturation_pressure": {},
    "volume_factor": {"source": "ATPS", "target": "BTPS"},
    "elastic_law": {"value": 50.0}, "flow_law": {"value": 5.0},
    "friction_factor": {"reynolds": 3000.0, "corrugated_friction": None, "relative_curvature": 0.0},
    "overdistension_index": {"elastance": 0.02, "volume_elastance": 1e-5}, "reynolds_number": {},
    "series_compliance": {"lung": 50.0, "chest_wall": 100.0}, "tracheal_tube_curvature": {},
    "tracheal_tube_friction": {
        "length": 0.3, "curvature": 2.0, "obstructed_fraction": 0.1, "loss_coefficient": 1.5,
    },
    "tracheal_tube_length": {}, "tube_inertance": {}, "tube_volume": {}, "cones_of": {"part": a_tube},
    "gas_stores": {"at": ("a", "b"), "wall_compliance": 0.1, "mixes": False, "polytropic_exponent": 1.0},
    # layouts
    "beds_around": {"radius": 2.0}, "beds_in_row": {"spacing": 2.0, "distance": 1.0, "ventilator_at": "middle"},
    "on_floor_plan": {"tracheal_tubes": None},
    "shared": {"t_piece": vs.TPiece(), "adapter": vs.Adapter(), "extension": a_tube},
    "single": {"lung": lung, "name": "lung"},
    # results
    "monitor.alarms": {}, "alarms_table": {}, "displayed_table": {}, "displayed_values": {},
    "breath_position": {"dataset": measures}, "check_dataset": {"dataset": measures, "kind": "measures",
        "extra_dims": ()},
    "schema.label": {"dataset": measures}, "nomenclature": {},
    # studies
    "add_restrictor": {"scenario": pair, "lung": "a", "limb": "expiratory", "resistance": 5.0},
    "studies.blind_spots": {"faults": faults, "lung": None, "duration": 12.0, "harm": 0.2, "pressure_harm": 5.0},
    "blind_spots_table": {"found": blind_spots}, "equivalent_modes": {}, "equivalent_settings": {},
    "studies.sensitivity_matrix": {"step": 0.01},
    "size_restrictors": {
        "scenario": pair, "targets": targets,
        "vary": lambda: {"limbs.b.inspiratory_restrictor.resistance.bore": (2, 20)},
        "drills": None, "bore_tolerance": 0.1, "tolerance": 1e-2,
    },
    "sizing_table": {"sizing": sizing}, "standard_faults": {"lung": "lung"},
    "sweep": {"values": lambda: {"settings.peep": [4, 5]}, "paired": False},
    "sweep_table": {"study": swept, "show": "inspired_tidal_volume"},
    # closed forms
    "constant_flow_split": {"flow": 0.5, "compliance": [50, 30], "resistance": [10, 12],
        "circuit_compliance": 0.0} | THEORY,
    "fraction_complete": {"time_constant": 0.5},
    "lung_tidal_volume": {"peak_pressure": 20.0},
    "mechanical_power_becher_2019": {}, "mechanical_power_gattinoni_2016": {"ie_ratio": 0.5} | THEORY,
    "mechanical_power_giosa_2019": {"peak_pressure": 20.0},
    "mechanical_power_simplified_gattinoni_2016": {"peak_pressure": 20.0, "plateau_pressure": 17.0},
    "parallel_lungs": {
        "compliance": [50, 30], "resistance": [10, 12], "expiratory_resistance": [10, 12],
        "shared_resistance": 1.0, "expiratory_shared_resistance": 1.0,
    } | THEORY,
    "theory.pressure_control": dict(THEORY), "pressure_rise_from_rest": {"rise_time_constant": 0.2} | THEORY,
    "theory.time_constant": dict(THEORY),
    "two_compartment_effective": {"frequency": 1.0, "compliance": [50, 30], "resistance": [10, 12]} | THEORY,
    "theory.volume_control": {"pause_time": 0.1, "flow_pattern": "constant", "end_flow_ratio": 0.0} | THEORY,
    "convert": {"value": 5.0, "source": "L/min", "target": "mL/s"},
    # pictures
    "two_lungs": {"scenario": pair},
    "bench_fit": {"fit": orifice_fit}, "plot.blind_spots": {"found": blind_spots},
    "circuit_drawing": {"waveforms": None, "time": None, "flow_unit": "L/min"},
    "differences": {"values": waveforms, "reference": waveforms, "variable": "volume", "logarithmic": False},
    "hours": {"measures": lambda: long_run().measures, "displayed": None, "alarms": None, "instants": ()},
    "loops": {}, "plot.sensitivity_matrix": {"dataset": sensitivities}, "shares": {},
    "sweep_lines": {"dataset": swept, "variable": "inspired_tidal_volume", "along": "settings.peep",
        "legend": True},
    "sweep_map": {"dataset": swept, "variable": "inspired_tidal_volume", "lung": "lung", "limit": None},
    "plot.waveforms": {"breaths": 1, "flow_unit": "L/min"},
    # errors
    "check_name": {"name": "a", "options": ["a", "b"], "wrong": "there is no such thing",
        "error": vs.errors.InputError},
    "nearest_names": {"name": "a", "options": ["a", "b"], "limit": 3},
    "suggestion": {"name": "a", "options": ["a", "b"]},
    "warn_caller": {"warning": lambda: PlausibilityWarning("invented.")},
    # descriptions: of what is left out the default
    "Adapter": {}, "Cap": {}, "Change": {"path": "settings.peep", "to": 6.0},
    "Circuit": {}, "Clamp": {}, "Disconnection": {}, "Filter": {}, "HalfSineEffort": {"amplitude": 5.0,
        "duration": 1.0, "rate": 15.0},
    "Leak": {"resistance": vs.laws.Orifice(bore=2)}, "LeakOnset": {"resistance": vs.laws.Orifice(bore=2)},
    "LongRun": {"measures": measures, "waveforms": waveforms, "state": lambda: long_run().state},
    "Lung": FIRST, "LungRemoval": {"lung": "lung"}, "OneWayValve": {"resistance": 2.0}, "OpenEnd": {},
    "PatientLimbs": {}, "PeepValve": {"opening_pressure": 5.0},
    "PressureControl": {"inspiratory_pressure": 15, "rate": 15, "inspiratory_time": 1},
    "Region": {}, "Restrictor": {"resistance": 5.0},
    "SampledEffort": {"times": [0.0, 1.0, 2.0], "pressures": [0.0, 5.0, 0.0], "period": 4.0},
    "Scenario": {"circuit": circuit, "settings": settings},
    "Segment": {"duration": 1.0, "phase": "inspiration", "drive": "pressure", "shape": "constant", "start": 5.0},
    "TPiece": {}, "TrachealTube": {"inner_diameter": 7.5}, "Tube": {"length": 1.5}, "Ventilator": {},
    "VolumeControl": {"tidal_volume": 400, "rate": 15, "inspiratory_time": 1}, "YPiece": {},
    "Clamped": {"inner": a_tube},
    "Schedule": {"circuit": circuit, "settings": settings, "changes": lambda: [change()]},
    "AdjustableCurve": {"openings": [1, 2], "flows": FLOWS, "pressure_drops": [DROPS, FLOWS], "opening": 1.5},
    "ElasticSum": {"laws": lambda: [vs.laws.Exponential(largest_volume=3000, pressure_rate=0.05)]},
    
    "Exponential": {"largest_volume": 3000.0, "pressure_rate": 0.05}, "MeasuredCurve": {},
    
    "Orifice": {"bore": 5.0}, "PowerLaw": {"coefficient": 5.0, "exponent": 1.5},
    
    "Rohrer": {"linear": 2.0, "quadratic": 1.0},
    "Series": {}, "Sigmoid": {"vital_capacity": 3000.0, "inflection_pressure": 15.0, "width": 8.0},
    "TubeFriction": {},
    "VolumeDependent": {"elastance": 0.02, "volume_elastance": 1e-5},
    "FloorPlan": {"beds": {"a": (1, 0), "b": (2, 0)}, "ventilator": (0, 0)},
    "Layout": {}, 
    "Atmosphere": {"at": "outside"}, "Cone": {"size": 22, "gender": "male"},
    "ElasticStore": {"at": "alveoli",
        "law": lambda: vs.laws.Exponential(largest_volume=3000, pressure_rate=0.05), "effort": None},
    "Inertia": {"start": "inlet", "end": "outlet", "inertance": 0.05},
    "MuscleEffort": {"times": (0.0, 1.0), "pressures": (0.0, 5.0), "period": 4.0, "half_sine": False},
    "Passage": {"start": "inlet", "end": "outlet", "forward": vs.laws.Rohrer(linear=2),
        "backward": vs.laws.Rohrer(linear=2)},
    "Store": {"at": "inlet", "compliance": 1.0, "compression": 0.0},
    "AlarmLimits": {}, "Sensors": {},
    
    "BreathPicture": {"scenario": pair},
    # methods
    "Circuit.from_pairs": {"pairs": lambda: list(circuit().parts.items())},
    "Circuit.with_parts": {"parts": {"lung y-piece": vs.YPiece()}},
    "Circuit.of_layout": {"layout": lambda: circuit().layout}, "LongRun.save": {},
    "LongRun.read": {"path": saved_run},
    "Scenario.value": {"path": "settings.peep"}, "Scenario.replaced": {"values": {"settings.peep": 6.0}},
    "Scenario.from_toml": {"text": lambda: scenario().to_toml()},
    "Scenario.from_dataset": {"dataset": waveforms},
    "Scenario.read": {"path": lambda: saved_scenario()}, "Scenario.save": {},
    "Segment.crossings": {"level": 5.0}, "Schedule.ramps_between": {"start": 0.0, "end": 1.0},
    "Schedule.unreached": {},
    "AdjustableCurve.from_fits": {
        "fits": lambda: {1.0: orifice_fit(), 2.0: vs.fit_rohrer(FLOWS, [0.5, 2.0, 7.0])}, "opening": 1.5,
    },
    "Rohrer.of": {"linear": 2.0, "quadratic": 1.0}, "VolumeDependent.of": {"compliance": 50.0},
    "FloorPlan.fitted": {"limbs": lambda: dict.fromkeys("ab", vs.PatientLimbs()), "extension": a_tube},
    "FloorPlan.tube_lengths": {"lungs": ["a", "b"]}, "FloorPlan.ways": {"lungs": ["a", "b"]},
    "FloorPlan.check_names": {"lungs": ["a", "b"]},
    "Layout.limbs_of": {"lung": "a"}, "Layout.extension_to": {"lung": "a"},
    "Cone.mates": {"other": lambda: vs.parts.Cone(22, "female")},
    "AlarmLimits.around": {"margin": 0.3, "pressure_margin": 10.0, "delay": 0.0},
    "Sensors.worst_case": {"band": "standard", "reads": "high"},
    "Sensors.read": {"truth": lambda: {"displayed_peep": np.array([5.0])}, "breaths": lambda: np.array([1])},
    "ParallelLungsBreath.waveform": {"times": 0.5}, "PressureControlBreath.from_rest": {"breath": 1},
    "BreathPicture.redraw": {"scenario": pair},
}  # fmt: skip


@cache
def saved_scenario() -> Path:
    scenario().save(FOLDER / "good.toml")
    return FOLDER / "good.toml"


# --- doors ----------------------------------------------------------------------------------------------------

# What is not called, and why.
NO_DOORS = {
    "AnyElasticLaw": "a protocol", "AnyFlowLaw": "a protocol", "FittedLaw": "a protocol",
    **dict.fromkeys(
        ("Passage", "Store", "ElasticStore", "Atmosphere", "Inertia"), "a circuit looks at those of a user's part"
    ),
    "BreathSettings": "abstract", "TimedChange": "abstract", "ElasticLaw": "abstract", "FlowLaw": "abstract",
    "LungPart": "abstract", "Part": "abstract",
    **dict.fromkeys(
        ("RohrerFit", "MonotoneFit", "EquivalentBore", "PrintedBore", "GasProperties", "TubeLengths", "Sizing",
         "Variable", "SensorBand", "ElasticTerms"), "a function returns it, or a table holds it",
    ),
    "ApproachBreath": "a closed form returns it", "BreathWaveform": "a closed form returns it",
    "EffectiveMechanics": "a closed form returns it", "FlowSplit": "a closed form returns it",
    "ParallelLungsBreath": "a closed form returns it", "PressureControlBreath": "a closed form returns it",
    "VolumeControlBreath": "a closed form returns it",
}  # fmt: skip

# Of these the instance whose methods are called; of others what GOOD makes.
INSTANCES: dict[str, Callable[[], Any]] = {
    "BreathSettings": settings, "TimedChange": change,
    "ElasticLaw": lambda: vs.laws.VolumeDependent(elastance=0.02, volume_elastance=1e-5),
    "FlowLaw": lambda: vs.laws.TubeFriction(bore=22, length=1), "Part": a_tube, "LungPart": lung,
    "Layout": lambda: pair().circuit.layout,
    "ParallelLungsBreath": lambda: vs.theory.parallel_lungs(
        [lung(), lung()], settings(), shared_resistance=1.0
    ),
    "PressureControlBreath": lambda: vs.theory.pressure_control(lung(), settings()),
    "RohrerFit": orifice_fit, "MonotoneFit": lambda: vs.fit_monotone(FLOWS, DROPS),
}  # fmt: skip


@dataclass(frozen=True)
class Door:
    """Something public that can be called, with good arguments for it."""

    name: str
    call: Callable[..., Any]
    good: Mapping[str, Any] = field(repr=False)
    hints: Mapping[str, Any] = field(repr=False)
    by_position: tuple[str, ...] = ()

    def arguments(self) -> dict[str, Any]:
        """Good arguments, made where they are functions."""
        return {name: made(value) for name, value in self.good.items()}

    def open(self, arguments: Mapping[str, Any]) -> Any:
        """Call it."""
        rest = dict(arguments)
        given = [rest.pop(name) for name in self.by_position if name in rest]
        return self.call(*given, **rest)


def made(value: Any) -> Any:
    """A good argument: what a function of this module makes, else the value itself."""
    return value() if inspect.isfunction(value) or hasattr(value, "cache_info") else value


def good_of(name: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """Good arguments of a door, from the registry; KeyError if it is not there."""
    words = name.split(".")
    keys = (".".join(words[-2:]), *words[-1:][: name in OBJECTS])
    own = next((GOOD[key] for key in keys if key in GOOD), None)
    if own is None and name not in OBJECTS and all(one in COMMON for one in parameters):
        own = {}
    if own is None:
        raise KeyError(f"{name} is missing in GOOD of validation/doors.py.\n  Add good arguments for it there.")
    found: dict[str, Any] = {}
    for one, needed in parameters.items():
        if one in own:
            found[one] = own[one]
        elif name.rpartition(".")[2] in FIELDS_BY_DEFAULT and not needed:
            continue
        elif one in COMMON:
            found[one] = COMMON[one]
        elif needed:
            raise KeyError(f"{one} of {name} is missing in GOOD of validation/doors.py.\n  Add a good argument.")
    return found


FIELDS_BY_DEFAULT = {name.rpartition(".")[2] for name, cls in CLASSES.items() if issubclass(cls, Description)}


def hints_of(item: Any) -> dict[str, Any]:
    try:
        return typing.get_type_hints(item)
    except (NameError, AttributeError):  # names that only type checkers import
        return {}


def parameters_of(item: Any) -> dict[str, bool]:
    """Names of parameters, and whether each is needed."""
    found = inspect.signature(item).parameters.values()
    kinds = (inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD)
    return {p.name: p.default is p.empty for p in found if p.kind not in kinds and p.name != "self"}


def doors() -> Iterator[Door]:
    """Everything public that can be called."""
    for name, function in FUNCTIONS.items():
        yield Door(name, function, good_of(name, parameters_of(function)), hints_of(function))
    for name, cls in CLASSES.items():
        short = name.rpartition(".")[2]
        if short not in NO_DOORS and not issubclass(cls, BaseException):
            yield from doors_of_class(name, cls)
    for name, method in METHODS.items():
        owner, _, own = name.rpartition(".")
        short = owner.rpartition(".")[2]
        if isinstance(method, property) or short in ("AnyElasticLaw", "AnyFlowLaw", "FittedLaw"):
            continue
        cls = CLASSES[owner]
        kind = inspect.getattr_static(cls, own)
        is_of_class = isinstance(kind, classmethod | staticmethod)
        good = good_of(f"{short}.{own}", parameters_of(getattr(cls, own)))
        at = cls if is_of_class else instance_of(short, cls)
        yield Door(name, getattr(at, own), good, hints_of(method))


def instance_of(short: str, cls: type) -> Any:
    if short in INSTANCES:
        return INSTANCES[short]()
    return cls(**{name: made(value) for name, value in good_of(short, parameters_of(cls)).items()})


def doors_of_class(name: str, cls: Any) -> Iterator[Door]:
    """The constructor; of descriptions also what makes one from another or from plain values."""
    good = good_of(name, parameters_of(cls))
    hints = {f.name: f.type for f in fields(cls)} if is_dataclass(cls) else hints_of(cls.__init__)
    if not issubclass(cls, Description):
        yield Door(name, cls, good, hints_of(cls) if is_dataclass(cls) else hints)
        return
    hints = {one: info.annotation for one, info in cls.model_fields.items()}
    blank = {one: _Left for one in cls.model_fields}
    yield Door(name, cls, blank | good, hints)
    made_one = cls(**{one: made(value) for one, value in good.items()})
    yield Door(f"{name}.changed", made_one.changed, {"values": {}, **blank}, hints, by_position=("values",))
    plain = {one: made(value) for one, value in good.items()}
    yield Door(f"{name}.from_dict", cls.from_dict, {"data": plain}, {"data": Mapping[str, Any]})


class _Left:
    """An argument that is left out."""


# --- what comes of a call ---------------------------------------------------------------------------------------

_OF_PYTHON = re.compile(r"missing \d+ required|unexpected keyword|positional argument|multiple values for")
_OURS = (PlausibilityWarning, CircuitWarning, StoppedEarlyWarning)


class TookTooLong(BaseException):
    """A call went on for more than LONGEST_CALL."""


def _ring(*_: Any) -> None:
    raise TookTooLong


# Where results may have what is not finite, though with good arguments they have not, and why.
MAY_BE_MISSING = {
    ("convert", "value"): "NaN passes through",
    ("fit_rohrer", "flows"): "without a correlation where one coefficient is held at 0",
    ("fit_rohrer", "pressures"): "without a correlation where one coefficient is held at 0",
    ("sweep", "duration"): "too short for a whole breath, as the status says",
}


@dataclass(frozen=True)
class Outcome:
    """What came of a call: how it is counted, whether it is right, and the text of its error."""

    kind: str
    is_right: bool
    text: str = ""


def outcome(door: Door, arguments: Mapping[str, Any], bad: Mapping[str, Any], usual: frozenset[str]) -> Outcome:
    """Make a call and judge it."""
    given = {name: value for name, value in arguments.items() if value is not _Left}
    with warnings.catch_warnings(), _no_output():
        warnings.simplefilter("error")
        for category in _OURS:
            warnings.simplefilter("ignore", category)
        signal.alarm(LONGEST_CALL)
        # A loop that Python itself runs in C hears no alarm: then the walk ends, and says where.
        faulthandler.dump_traceback_later(2 * LONGEST_CALL, exit=True, file=sys.__stderr__)
        try:
            result = door.open(given)
            found = nonfinite(result) - usual
        except TookTooLong:
            return Outcome(f"longer than {LONGEST_CALL} s", is_right=False)
        except VentsimError as error:
            return _judged(error)
        except BaseException as error:  # also what no code should raise
            if isinstance(error, KeyboardInterrupt):
                raise
            if isinstance(error, TypeError) and _OF_PYTHON.search(str(error)) and _depth(error) == _SHALLOW:
                return Outcome("refused by Python", is_right=True)
            return Outcome(type(error).__name__, is_right=False, text=_where(error))
        finally:
            signal.alarm(0)
            faulthandler.cancel_dump_traceback_later()
            _close_figures()
    short = door.name.rpartition(".")[2]
    if found and not any((short, name) in MAY_BE_MISSING for name in bad):
        return Outcome("not finite", is_right=False, text=", ".join(sorted(found)[:5]))
    taken = [name for name, value in bad.items() if must_be_refused(door.hints.get(name, Any), value)]
    if taken:
        return Outcome("taken in silence", is_right=False, text=f"{taken[0]}: {door.hints[taken[0]]}")
    return Outcome("right result", is_right=True)


_SHALLOW = 2


def _depth(error: BaseException) -> int:
    """Frames between the walk and the error, without those of the guard."""
    frames = [
        frame for frame in traceback.extract_tb(error.__traceback__) if "parameters.py" not in frame.filename
    ]
    return min(len(frames), _SHALLOW)


def _where(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "/ventsim/" in frame.filename]
    at = ours[-1] if ours else frames[-1]
    words = " ".join(ascii(str(error)).split())[:150]
    return f"{Path(at.filename).name}:{at.lineno} {at.name}: {words}"


def _judged(error: VentsimError) -> Outcome:
    text = str(error)
    if not text.partition("\n")[2].startswith("  "):
        return Outcome("no remedy", is_right=False, text=ascii(text)[:200])
    if len(text) > LONGEST_MESSAGE:
        return Outcome("endless message", is_right=False, text=ascii(text)[:200])
    if not text.isprintable() and not text.replace("\n", "").isprintable():
        return Outcome("unprintable message", is_right=False, text=ascii(text)[:200])
    return Outcome("refused with a remedy", is_right=True, text=text)


@contextlib.contextmanager
def _no_output() -> Iterator[None]:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        yield


def _close_figures() -> None:
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")


def nonfinite(result: Any, name: str = "result", depth: int = 0) -> frozenset[str]:
    """Where a result is not finite, by name."""
    if isinstance(result, Mapping) and not isinstance(result, xr.Dataset):
        return _in_all(result.items(), name, depth)
    match result:
        case float() | np.floating() | np.ndarray() | xr.DataArray() | pd.Series():
            array = np.asarray(result)
            is_number = array.dtype.kind in "fc"
            return frozenset([name]) if is_number and not np.isfinite(array).all() else frozenset()
        case xr.Dataset():
            return _in_all(((str(one), result[one]) for one in result.variables), name, depth)
        case vs.tables.Table() if re.search(r"\b(nan|inf)\b", str(result)):
            return frozenset([name])
        case Description():
            return _in_all(((one, getattr(result, one)) for one in type(result).model_fields), name, depth)
        case list() | tuple():
            return _in_all(((str(k), item) for k, item in enumerate(result)), name, depth)
        case _ if is_dataclass(result) and not isinstance(result, type):
            return _in_all(((one.name, getattr(result, one.name)) for one in fields(result)), name, depth)
        case _ if hasattr(result, "figure") and hasattr(result.figure, "draw_without_rendering"):
            result.figure.draw_without_rendering()
    return frozenset()


def _in_all(items: Any, name: str, depth: int) -> frozenset[str]:
    if depth > 4:
        return frozenset()
    return frozenset().union(*(nonfinite(item, f"{name}.{one}", depth + 1) for one, item in items))


def must_be_refused(hint: Any, value: Any) -> bool:
    """Whether a value is of a kind that its annotation does not have: a rule apart from those of the guard."""
    kinds = set(_kinds(hint))
    if value is None:
        return bool(kinds) and Any not in kinds and type(None) not in kinds
    kinds.discard(type(None))
    if kinds == {bool}:
        return not isinstance(value, bool | np.bool_)
    if kinds and kinds <= {float, int}:
        return not isinstance(value, int | float | np.number | fractions.Fraction) or isinstance(
            value, bool | np.bool_ | np.timedelta64
        )
    if kinds == {str}:
        return not isinstance(value, str)
    return False


def _kinds(hint: Any) -> Iterator[Any]:
    origin = typing.get_origin(hint)
    if origin is typing.Annotated:
        yield from _kinds(typing.get_args(hint)[0])
    elif origin in (typing.Union, types.UnionType):
        for one in typing.get_args(hint):
            yield from _kinds(one)
    elif origin is typing.Literal:
        yield from {type(one) for one in typing.get_args(hint)}
    else:
        yield hint


# --- the walk ---------------------------------------------------------------------------------------------------


@dataclass
class Count:
    """Outcomes by kind, and one example of each kind of what is wrong at each door."""

    kinds: Counter[str] = field(default_factory=Counter)
    wrong: dict[tuple[str, str, str], list[str]] = field(default_factory=dict)

    def add(self, door: Door, what: str, label: str, found: Outcome) -> None:
        self.kinds[found.kind] += 1
        if not found.is_right:
            self.wrong.setdefault((door.name, what, found.kind), []).append(f"{label}: {found.text}")


def usual_of(door: Door) -> frozenset[str]:
    """Where a result is not finite with good arguments; an error if they are not good."""
    with warnings.catch_warnings(), _no_output():
        warnings.simplefilter("ignore")
        try:
            given = {name: value for name, value in door.arguments().items() if value is not _Left}
            return nonfinite(door.open(given))
        except Exception as error:
            raise ValueError(f"the good arguments of {door.name} are refused: {error!r}") from error
        finally:
            _close_figures()


def calls(door: Door) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Each bad value at each parameter, and one level deep in mappings and lists: what, label, bad arguments."""
    for name in door.good:
        for label, make in BAD.items():
            yield name, label, {name: make()}
        good = made(door.good[name])
        if isinstance(good, Mapping) and not isinstance(good, xr.Dataset) and good:
            first, item = next(iter(good.items()))
            for label, make in BAD.items():
                yield f"{name}[{first}]", label, {name: {**good, first: make()}}
                if isinstance(make(), collections.abc.Hashable):
                    yield f"{name} key", label, {name: {**good, make(): item}}
        elif isinstance(good, list | tuple) and good:
            for label, make in BAD.items():
                yield f"{name}[0]", label, {name: [make(), *good[1:]]}


def walk(
    *, only: str = "", without: tuple[str, ...] = (), seed: int = 1, few: int = 0, pairs: int = N_PAIRS
) -> Count:
    """Make the calls; `few` > 0: so many of each parameter, chosen by a hash, and no pairs."""
    every = [door for door in doors() if only in door.name]
    count, all_doors = Count(), [door for door in every if not any(word in door.name for word in without)]
    signal.signal(signal.SIGALRM, _ring)
    before = Path.cwd()
    os.chdir(FOLDER)
    try:
        usual = {door.name: usual_of(door) for door in all_doors}
        for number, door in enumerate(all_doors):
            os.chdir(_new_folder(number))
            start = time.perf_counter()
            for what, group in itertools.groupby(calls(door), key=lambda call: call[0]):
                chosen = list(group)
                if few:
                    chosen = sorted(chosen, key=lambda call: _hash(door.name, what, call[1]))[:few]
                for _, label, bad in chosen:
                    found = outcome(door, door.arguments() | bad, bad, usual[door.name])
                    count.add(door, what, label, found)
            if SLOW and time.perf_counter() - start > SLOW:
                print(f"  {door.name}: {time.perf_counter() - start:.1f} s", file=sys.stderr)
        if not few:
            draw = random.Random(seed)
            wide = [door for door in all_doors if len(door.good) > 1]
            for _ in range(pairs if wide else 0):
                door = draw.choice(wide)
                names, labels = draw.sample(sorted(door.good), 2), draw.choices(sorted(BAD), k=2)
                bad = {name: BAD[label]() for name, label in zip(names, labels, strict=True)}
                found = outcome(door, door.arguments() | bad, bad, usual[door.name])
                count.add(door, " and ".join(names), " and ".join(labels), found)
    finally:
        os.chdir(before)
    return count


def _new_folder(number: int) -> Path:
    """An empty folder to be in, so that no door finds files that calls of another have left."""
    folder = FOLDER / f"door {number}"
    folder.mkdir(exist_ok=True)
    return folder


SLOW = float(os.environ.get("DOORS_SLOW", "0"))


def _hash(*words: str) -> bytes:
    return hashlib.sha256(" ".join(words).encode()).digest()


def report(count: Count, *, examples: int = 3) -> str:
    """The table of outcomes, and below it what is wrong."""
    total = sum(count.kinds.values())
    right = ("refused with a remedy", "right result", "refused by Python")
    rows = [("calls", total), *((kind, count.kinds[kind]) for kind in right)]
    rows += [(kind, n) for kind, n in count.kinds.most_common() if kind not in right]
    lines = [f"{name:<24} {n:>8} {100 * n / max(total, 1):6.2f} %" for name, n in rows]
    for (door, what, kind), found in sorted(count.wrong.items()):
        lines.append(f"{door}({what}): {kind}, {len(found)}")
        lines += [f"    {text}" for text in found[:examples]]
    return "\n".join(lines)


def main() -> int:
    """Walk through all doors; 1 if a call was answered wrongly."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--only", default="", help="doors whose name contains this")
    parser.add_argument("--seed", type=int, default=1, help="draws other pairs of bad values")
    parser.add_argument("--few", type=int, default=0, help="so many bad values of each parameter, no pairs")
    given = parser.parse_args()
    mpl.use("Agg")
    count = walk(only=given.only, seed=given.seed, few=given.few)
    print(report(count))
    return 1 if count.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
