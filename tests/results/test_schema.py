"""The table of result variables, labels, and every way in which a Dataset can fail to fit."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from ventsim.errors import SchemaError
from ventsim.quantities import QUANTITIES
from ventsim.results.schema import (
    COORDINATES,
    RECORDING_NEEDS,
    VARIABLES,
    breath_position,
    check_dataset,
    label,
    nomenclature,
)
from ventsim.units import UNITS

SIZES = {"time": 4, "lung": 2, "node": 3, "branch": 2, "breath": 2, "alarm": 2, "mode": 2, "fault": 2}
COORDS = {
    "time": [0.0, 1.0, 2.0, 3.0],
    "lung": ["a", "b"],
    "node": ["outlet", "y-piece", "alveoli"],
    "branch": ["tube", "airway"],
    "breath": [1, 2],
    "alarm": ["high_pressure", "peep_loss"],
    "mode": ["pressure control", "volume control"],
    "fault": ["stiff lung", "disconnection"],
}
TIMES = {
    "breath_start": [0.0, 2.0],
    "flow_end": [0.5, 2.5],
    "inspiration_end": [0.5, 2.6],
    "breath_end": [2.0, 3.0],
}


def fitting(kind):
    """A Dataset with every variable that the kind may have; the numbers are ones, apart from the times."""
    rows = [row for row in VARIABLES.values() if kind in row.kinds]
    data = {row.name: (row.dims, np.ones([SIZES[dim] for dim in row.dims])) for row in rows}
    data |= {name: ("breath", values) for name, values in TIMES.items() if name in data}
    dims = {dim for row in rows for dim in row.dims}
    return label(xr.Dataset(data, coords={name: values for name, values in COORDS.items() if name in dims}))


def least_recording():
    return fitting("waveforms")[list(RECORDING_NEEDS)]


# --- the table --------------------------------------------------------------------------------------------


def test_rows_are_complete_and_named_once():
    for name, row in (VARIABLES | COORDINATES).items():
        assert name == row.name
        assert name.isidentifier() and name == name.lower()
        assert row.long_name and row.positive and row.kinds
        assert set(row.dims) <= set(COORDINATES)
    meanings = [row.long_name for row in VARIABLES.values()]
    assert len(set(meanings)) == len(meanings)
    assert not set(VARIABLES) & set(COORDINATES)


def test_units_are_those_of_the_house():
    """Units that a conversion knows, or one of the compound ones."""
    compound = {"1", "%", "kg", "cmH2O·s", "mL/kg", "J/min"}
    assert {row.units for row in VARIABLES.values() if row.name != "reason"} <= set(UNITS) | compound
    assert {row.units for name, row in VARIABLES.items() if name.endswith(("_pressure", "_peep"))} == {"cmH2O"}
    assert {row.units for name, row in VARIABLES.items() if name.endswith("_flow")} == {"L/s"}


def test_results_and_quantities_of_one_name_have_one_unit_and_meaning():
    both = {name: row for name, row in VARIABLES.items() if name in QUANTITIES}
    assert "predicted_body_weight" in both
    for name, row in both.items():
        assert (row.units, row.long_name) == (QUANTITIES[name].unit, QUANTITIES[name].meaning.partition(";")[0])


def test_every_number_has_a_symbol_of_its_own():
    """Within one kind of Dataset."""
    for kind in ("waveforms", "measures", "displayed", "alarms"):
        symbols = [row.symbol for row in VARIABLES.values() if kind in row.kinds]
        assert all(symbols)
        assert len(set(symbols)) == len(symbols)


def test_nomenclature_shows_every_row():
    rows = nomenclature()
    assert [row["name"] for row in rows] == [*COORDINATES, *VARIABLES]
    assert all(set(row) == {"name", "symbol", "dims", "units", "positive", "meaning", "kinds"} for row in rows)
    (flow,) = (row for row in rows if row["name"] == "flow")
    assert (flow["dims"], flow["units"], flow["positive"]) == ("time, lung", "L/s", "into the lung")


# --- labels -----------------------------------------------------------------------------------------------


def test_label_replaces_what_arithmetic_left():
    """Squares keep a wrong unit in xarray, products lose it; the label says what the table says."""
    recording = least_recording()
    recording["flow"] = (recording.flow**2).assign_attrs(units="wrong", comment="stale")
    recording["airway_pressure"] = recording.airway_pressure * recording.flow
    labelled = label(recording)
    assert labelled.flow.attrs == {"units": "L/s", "long_name": "flow", "positive": "into the lung"}
    assert labelled.airway_pressure.attrs["units"] == "cmH2O"
    assert labelled.time.attrs["units"] == "s"
    assert "units" not in labelled.lung.attrs
    assert recording.flow.attrs["units"] == "wrong"  # a copy was labelled


def test_label_keeps_the_attributes_of_the_dataset():
    assert label(least_recording().assign_attrs(scenario="text")).attrs == {"scenario": "text"}


def test_label_refuses_an_unknown_name():
    with pytest.raises(
        SchemaError, match=r"'airway_presure' is not in the table .*\n  Did you mean 'airway_pressure"
    ):
        label(least_recording().rename(airway_pressure="airway_presure"))


# --- check ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["waveforms", "measures", "displayed", "alarms"])
def test_a_fitting_dataset_passes_and_survives_a_file(kind, tmp_path):
    dataset = fitting(kind)
    check_dataset(dataset, kind)
    dataset.to_netcdf(tmp_path / "result.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "result.nc", engine="h5netcdf") as back:
        check_dataset(back, kind)
        xr.testing.assert_identical(back.load(), dataset)


def test_a_recording_may_have_little_or_much():
    check_dataset(least_recording(), "recording")
    check_dataset(fitting("waveforms"), "recording")


def test_ports_may_be_absent_from_measures():
    ports = [name for name, row in VARIABLES.items() if row.dims == ("breath",) and row.kinds == ("measures",)]
    check_dataset(fitting("measures").drop_vars(ports), "measures")


def test_an_unfinished_breath_may_have_no_end():
    unfinished = least_recording()
    unfinished["breath_end"][1] = np.nan
    check_dataset(unfinished, "recording")


@pytest.mark.parametrize("kind", ["waveforms", "recording", "measures", "displayed", "alarms"])
def test_every_needed_variable_is_missed(kind):
    needed = RECORDING_NEEDS if kind == "recording" else [n for n, r in VARIABLES.items() if kind in r.kinds]
    dataset = fitting("waveforms" if kind == "recording" else kind)
    for name in needed:
        if kind == "measures" and VARIABLES[name].dims == ("breath",) and VARIABLES[name].kinds == (kind,):
            continue  # ports
        with pytest.raises(SchemaError, match=rf"variable '{name}' is missing from an? '{kind}' Dataset"):
            check_dataset(dataset.drop_vars(name), kind)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(sorted(VARIABLES)), st.text("abcdefgh_", min_size=1, max_size=3))
def test_a_misspelled_variable_is_named(name, end):
    """Whatever is added to a name, the wrong name is reported, and one that exists is offered."""
    kind = VARIABLES[name].kinds[0]
    wrong = name + "_" + end
    if wrong in VARIABLES:
        return
    with pytest.raises(SchemaError, match=rf"variable '{wrong}' is not in the table .*\n  Did you mean '"):
        check_dataset(fitting(kind).rename({name: wrong}), kind)


def test_measures_are_no_waves():
    with pytest.raises(SchemaError, match=r"'mechanical_power' is not in the table of a 'waveforms' Dataset"):
        check_dataset(
            fitting("waveforms").assign(mechanical_power=fitting("measures").mechanical_power), "waveforms"
        )


def test_measures_are_not_displayed():
    """A ventilator displays nothing of the single lungs, and its alarms are a Dataset of their own."""
    share, alarm = fitting("measures").tidal_volume_fraction, fitting("alarms").alarm_raised
    with pytest.raises(SchemaError, match=r"'tidal_volume_fraction' is not in the table of a 'displayed' Dataset"):
        check_dataset(fitting("displayed").assign(tidal_volume_fraction=share), "displayed")
    with pytest.raises(SchemaError, match=r"'alarm_raised' is not in the table of a 'displayed' Dataset"):
        check_dataset(fitting("displayed").assign(alarm_raised=alarm), "displayed")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda alarms: alarms.drop_vars("alarm"), r"coordinate 'alarm' is missing"),
        (
            lambda alarms: alarms.assign_coords(alarm=["x", "x"]),
            r"'alarm' must hold different names; it holds 'x', 'x'\.\n  Give each alarm of the ventilator a name",
        ),
        (
            lambda alarms: alarms.assign(first_raised=alarms.first_raised.assign_attrs(units="min")),
            r"'first_raised' is in 'min'; its unit is 's'",
        ),
        (
            lambda alarms: alarms.assign(breath_end=alarms.breath_start),
            r"breath 1: 'inspiration_end' \(0\.5 s\) is not before 'breath_end' \(0 s\)",
        ),
    ],
)
def test_alarms_that_do_not_fit(change, message):
    with pytest.raises(SchemaError, match=message):
        check_dataset(change(fitting("alarms")), "alarms")


def test_unknown_kind():
    with pytest.raises(SchemaError, match=r"unknown kind of Dataset: 'wave'\.\n  Did you mean 'waveforms'\?"):
        check_dataset(fitting("waveforms"), "wave")


def test_wrong_dims():
    waveforms = fitting("waveforms")
    with pytest.raises(
        SchemaError, match=r"variable 'flow' has dims \('time',\); its dims are \('time', 'lung'\)"
    ):
        check_dataset(waveforms.assign(flow=waveforms.flow.isel(lung=0, drop=True)), "waveforms")


def test_order_of_dims_is_free():
    check_dataset(fitting("waveforms").transpose(), "waveforms")


def test_dims_of_a_sweep_are_allowed_when_named():
    swept = xr.concat([fitting("measures"), fitting("measures")], xr.IndexVariable("compliance", [20.0, 50.0]))
    check_dataset(swept, "measures", extra_dims=["compliance"])
    with pytest.raises(SchemaError, match=r"'breath_start' has dims|has dims \('compliance', 'breath'\)"):
        check_dataset(swept, "measures")


@pytest.mark.parametrize("name", ["flow", "breath_start", "predicted_body_weight"])
def test_wrong_or_missing_unit(name):
    waveforms = fitting("waveforms")
    waveforms[name].attrs["units"] = "furlong"
    with pytest.raises(SchemaError, match=rf"'{name}' is in 'furlong'; its unit is '{VARIABLES[name].units}'"):
        check_dataset(waveforms, "waveforms")
    del waveforms[name].attrs["units"]
    with pytest.raises(
        SchemaError, match=rf"'{name}' has no attribute 'units'; its unit is {VARIABLES[name].units}"
    ):
        check_dataset(waveforms, "waveforms")


def test_time_in_milliseconds():
    waveforms = fitting("waveforms")
    waveforms["time"].attrs["units"] = "ms"
    with pytest.raises(SchemaError, match=r"coordinate 'time' is in 'ms'; its unit is 's'"):
        check_dataset(waveforms, "waveforms")


@pytest.mark.parametrize("name", ["time", "lung", "node", "branch", "breath"])
def test_missing_coordinate(name):
    with pytest.raises(
        SchemaError, match=rf"coordinate '{name}' is missing: .*\n  Add it with dataset\.assign_coords"
    ):
        check_dataset(fitting("waveforms").drop_vars(name), "waveforms")


@pytest.mark.parametrize(
    ("time", "message"),
    [
        ([0.0, 1.0, 1.0, 2.0], r"'time' must increase; after 1 s comes 1 s"),
        ([0.0, 2.0, 1.0, 3.0], r"'time' must increase; after 2 s comes 1 s"),
        ([0.0, 1.0, np.nan, 2.0], r"'time' must hold two or more finite numbers"),
        (
            [0, 1, 2, 3],
            r"'time' must hold two or more finite numbers of type float64 \[s\]; it has 4 of type int64",
        ),
    ],
)
def test_bad_time_axis(time, message):
    with pytest.raises(SchemaError, match=message):
        check_dataset(fitting("waveforms").assign_coords(time=time), "waveforms")


def test_both_limits_of_a_jump_are_two_samples():
    """One float before 2 s, and 2 s."""
    waveforms = fitting("waveforms").assign_coords(time=[0.0, np.nextafter(2.0, 0.0), 2.0, 3.0])
    check_dataset(waveforms, "waveforms")


@pytest.mark.parametrize(
    ("name", "values", "message"),
    [
        ("lung", ["a", "a"], r"'lung' must hold different names; it holds 'a', 'a'\."),
        ("lung", [1, 2], r"'lung' must hold different names; it holds 1, 2\."),
        ("node", ["x", "y", "x"], r"'node' must hold different names"),
        ("breath", [0, 1], r"'breath' must hold increasing whole numbers from 1; it holds 0, 1"),
        ("breath", [2, 1], r"'breath' must hold increasing whole numbers"),
        ("breath", [1.0, 2.0], r"'breath' must hold increasing whole numbers"),
    ],
)
def test_bad_labels(name, values, message):
    with pytest.raises(SchemaError, match=message):
        check_dataset(fitting("waveforms").assign_coords({name: values}), "waveforms")


@pytest.mark.parametrize(
    ("name", "values", "message"),
    [
        (
            "breath_end",
            [0.4, 3.0],
            r"breath 1: 'inspiration_end' \(0\.5 s\) is not before 'breath_end' \(0\.4 s\)",
        ),
        (
            "flow_end",
            [0.5, 2.7],
            r"breath 2: 'flow_end' \(2\.7 s\) is not before 'inspiration_end' \(2\.6 s\)",
        ),
        ("flow_end", [0.0, 2.5], r"breath 1: 'breath_start' \(0 s\) is not before 'flow_end' \(0 s\)"),
        ("breath_start", [0.0, 1.9], r"breath 2 starts \(1\.9 s\) before the last one has ended"),
    ],
)
def test_breath_times_out_of_order(name, values, message):
    recording = fitting("waveforms")
    recording[name][:] = values
    with pytest.raises(SchemaError, match=message):
        check_dataset(recording, "recording")


@pytest.mark.parametrize("weight", [0.0, -60.0, np.inf])
def test_impossible_body_weight(weight):
    waveforms = fitting("waveforms")
    waveforms["predicted_body_weight"][:] = [np.nan, weight]
    with pytest.raises(SchemaError, match=r"lung 'b': predicted_body_weight .* kg is not allowed"):
        check_dataset(waveforms, "waveforms")


def test_unknown_body_weight_is_allowed():
    waveforms = fitting("waveforms")
    waveforms["predicted_body_weight"][:] = np.nan
    check_dataset(waveforms, "waveforms")


# --- breaths by number ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("breath", "position"), [(4, 0), (6, 2), (-1, 2), (-3, 0)])
def test_position_of_a_breath(breath, position):
    assert breath_position(xr.Dataset(coords={"breath": [4, 5, 6]}), breath) == position


@pytest.mark.parametrize("breath", [0, 1, 7, -4])
def test_no_such_breath(breath):
    with pytest.raises(
        SchemaError, match=rf"breath {breath} is not in the Dataset\.\n  It has breaths 4 to 6; -1 is"
    ):
        breath_position(xr.Dataset(coords={"breath": [4, 5, 6]}), breath)


def test_dataset_without_breaths():
    with pytest.raises(SchemaError, match=r"breath -1 is not in the Dataset\.\n  It has none"):
        breath_position(xr.Dataset(coords={"breath": np.array([], dtype=int)}), -1)
    with pytest.raises(SchemaError, match=r"coordinate 'breath' is missing"):
        breath_position(xr.Dataset(), -1)
