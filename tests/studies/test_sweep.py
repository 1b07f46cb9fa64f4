"""Sweeps: points are the single runs, paths and values are checked before, what fails stays at its point."""

import sys

import matplotlib as mpl
import numpy as np
import pytest
import xarray as xr

from ventsim import (
    Change,
    Circuit,
    Lung,
    PatientLimbs,
    PressureControl,
    Scenario,
    Tube,
    breath_measures,
    builtin,
    simulate_long,
    steady_breath,
)
from ventsim.errors import InputError, PlausibilityWarning, SchemaError, StoppedEarlyWarning
from ventsim.model import laws
from ventsim.model.layouts import Layout, beds_in_row, single
from ventsim.model.paths import with_values
from ventsim.results.kernel import LUNG_MEASURES, PORT_MEASURES, TIMING
from ventsim.results.schema import VARIABLES, check_dataset
from ventsim.simulation import batch
from ventsim.studies.sweep import sweep
from ventsim.studies.tables import sweep_table
from ventsim.theory import pressure_control
from ventsim.view.plot import sweep_lines, sweep_map

mpl.use("Agg")
import matplotlib.pyplot as plt

STIFF, PEEP, LENGTH = "lungs.b.compliance", "settings.peep", "limbs.b.inspiratory_tube.length"
VALVE, VALVE_NAME = "parts.b inspiratory valve.state", "parts.b_inspiratory_valve.state"


@pytest.fixture(autouse=True)
def _no_figure_is_left_open():
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def scenario():
    return builtin("two-unequal-lungs")


@pytest.fixture(scope="module")
def grid(scenario):
    """Three parameters, one value of which is impossible."""
    return sweep(scenario, {STIFF: [50, -5, 15], LENGTH: [1.0, 3.0], PEEP: [5, 8]}, progress=False)


def assert_same_bits(point, measures):
    for name in (*LUNG_MEASURES.names, *PORT_MEASURES.names, *TIMING.names):
        np.testing.assert_array_equal(point[name].values, measures[name].values, err_msg=name)


def test_a_point_has_the_bits_of_a_single_run(scenario, grid):
    """The circuit of each point built by hand, from the layout."""
    for compliance in (50, 15):
        for length in (1.0, 3.0):
            for peep in (5, 8):
                layout = scenario.circuit.layout
                lungs, limbs = layout.lungs, layout.limbs_of("b").changed(inspiratory_tube=Tube(length=length))
                layout = layout.changed(
                    lungs={**lungs, "b": lungs["b"].changed(compliance=compliance)},
                    limbs={"a": layout.limbs_of("a"), "b": limbs},
                )
                alone = steady_breath(layout, scenario.settings.changed(peep=peep))
                point = grid.sel({STIFF: compliance, LENGTH: length, PEEP: peep})
                assert_same_bits(point, breath_measures(alone).isel(breath=0))
                assert (point.status.item(), point.reason.item()) == ("finished", "")
                assert point.breaths.item() == alone.attrs["steady_breaths"] + 1  # and the one that is measured


def test_an_impossible_value_is_refused_where_it_stands(grid):
    refused = grid.sel({STIFF: -5})
    assert set(refused.status.values.ravel()) == {"refused"}
    assert refused.reason.values[0, 0].startswith("lung 'b': compliance -5 mL/cmH2O is not allowed")
    assert refused.inspired_tidal_volume.isnull().all()
    assert refused.breath_start.isnull().all()
    assert (grid.drop_sel({STIFF: -5}).status == "finished").all()


def test_the_dataset_is_labelled_and_fits_the_schema(scenario, grid):
    assert grid.inspired_tidal_volume.dims == (STIFF, LENGTH, PEEP, "lung")
    assert grid.port_peak_pressure.dims == (STIFF, LENGTH, PEEP)
    measures = grid.drop_vars(["status", "reason", "breaths"]).expand_dims(breath=[1])
    check_dataset(measures, "measures", extra_dims=(STIFF, LENGTH, PEEP))
    assert set(measures.data_vars) == {name for name, row in VARIABLES.items() if "measures" in row.kinds}
    assert grid[STIFF].attrs == {
        "long_name": "b: compliance of lungs and chest wall",
        "path": STIFF,
        "units": "mL/cmH2O",
    }
    assert grid[LENGTH].attrs["units"] == "m"
    assert grid[PEEP].attrs["units"] == "cmH2O"
    assert grid.attrs["caution"].startswith("For research, teaching and engineering")
    assert (grid.attrs["tolerance"], grid.attrs["breath_kind"]) == (scenario.tolerance, "steady breath")
    assert Scenario.from_dataset(grid) == scenario


@pytest.mark.parametrize("paired", [False, True])
def test_a_file_brings_it_back(scenario, paired, tmp_path):
    """NetCDF allows full stops in names, but no spaces in those of coordinates: they become ``_``."""
    values = {"parts.b inspiratory tube.bore": [15, 22], VALVE: ["working", "stuck open"], STIFF: [20, -5]}
    found = sweep(scenario, values, paired=paired, progress=False)
    bore = found["parts.b_inspiratory_tube.bore"]
    assert bore.attrs == {
        "long_name": "b inspiratory tube: inner diameter",
        "path": "parts.b inspiratory tube.bore",
        "units": "mm",
    }
    for one in (found, found.isel({bore.dims[0]: 0})):  # a point, too
        one.to_netcdf(tmp_path / "sweep.nc", engine="h5netcdf")
        again = xr.load_dataset(tmp_path / "sweep.nc", engine="h5netcdf")
        xr.testing.assert_identical(again, one)
        assert set(again.coords) == set(one.coords)


def test_two_parts_whose_names_a_file_could_not_tell_apart():
    lungs = {name: Lung(compliance=50, resistance=10) for name in ("bed 1", "bed_1")}
    layout = Layout(lungs=lungs)
    settings = PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
    values = {f"lungs.{name}.compliance": [20] for name in lungs}
    with pytest.raises(InputError, match=r"would get the same name, 'lungs\.bed_1\.compliance'"):
        sweep(layout, settings, values)


def test_against_the_closed_form():
    """One lung on an ideal machine: the closed form of pressure control, for all pairs of values."""
    circuit = single(Lung(compliance=50, resistance=10), ideal=True)
    settings = PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=1.0)
    compliances, rates = np.array([80.0, 20.0, 50.0]), np.array([12.0, 30.0])
    values = {"lungs.lung.compliance": compliances, "settings.rate": rates}
    found = sweep(circuit, settings, values, progress=False)
    for compliance in compliances:
        for rate in rates:
            wanted = pressure_control(
                inspiratory_pressure=15.0, peep=5.0, compliance=compliance, resistance=10.0, rate=rate,
                inspiratory_time=1.0,
            )  # fmt: skip
            one = found.sel({"lungs.lung.compliance": compliance, "settings.rate": rate, "lung": "lung"})
            assert float(one.inspired_tidal_volume) == pytest.approx(wanted.tidal_volume, rel=1e-6)
            assert float(one.auto_peep) == pytest.approx(wanted.auto_peep, abs=1e-5)
            assert float(one.breath_end) == pytest.approx(60.0 / rate, rel=1e-12)


def test_threads_change_no_bit(scenario):
    values = {STIFF: np.linspace(10, 60, 20), LENGTH: [1.0, 2.0]}
    results = [sweep(scenario, values, threads=threads, progress=False) for threads in (1, 2, 3)]
    assert results[0].identical(results[1]) and results[0].identical(results[2])


def test_paired_values(scenario):
    """Three cases; the third one has the values of the full grid's corner."""
    values = {STIFF: [50, 25, 15], VALVE: ["working", "stuck closed", "working"]}
    found = sweep(scenario, values, paired=True, progress=False)
    assert found.inspired_tidal_volume.dims == ("case", "lung")
    assert found.case.values.tolist() == [1, 2, 3]
    assert found[STIFF].dims == found[VALVE_NAME].dims == ("case",)
    assert found[VALVE_NAME].values.tolist() == values[VALVE]
    # Nothing passes a valve that is stuck closed.
    assert float(found.inspired_tidal_volume.sel(case=2, lung="b")) == pytest.approx(0.0, abs=1e-9)
    alone = sweep(scenario, {STIFF: [15]}, progress=False).isel({STIFF: 0})
    assert_same_bits(found.sel(case=3), alone)
    check_dataset(
        found.drop_vars(["status", "reason", "breaths"]).expand_dims(breath=[1]), "measures", extra_dims=("case",)
    )
    with pytest.raises(InputError, match=r"equally many: 'lungs\.b\.compliance' has 2, 'settings\.peep' has 3"):
        sweep(scenario, {STIFF: [1, 2], PEEP: [3, 4, 5]}, paired=True)


def test_the_last_breath_of_a_run(scenario):
    found = sweep(scenario, {STIFF: [15, 50]}, duration=20.0, tolerance=1e-6, sample_interval=0.05, progress=False)
    assert found.breaths.values.tolist() == [4, 4]  # 20 s at 14 a minute
    assert found.attrs["breath_kind"] == "last whole breath of 20 s"
    stiff = scenario.replaced({STIFF: 15})
    run = simulate_long(stiff, duration=20.0, tolerance=1e-6, sample_interval=0.05, progress=False)
    assert_same_bits(found.sel({STIFF: 15}), run.measures.isel(breath=-1))
    short = sweep(scenario, {"settings.rate": [3.0, 14.0]}, duration=19.0, progress=False)
    assert short.status.values.tolist() == ["refused", "finished"]
    assert "duration 19 s is not allowed" in short.reason.values[0]


LUNGS = {name: Lung(compliance=50, resistance=10) for name in "abc"}


def rebuilt(layout, values):
    settings = PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
    return with_values(layout.circuit, settings, values)[0]


@pytest.mark.parametrize(
    ("before", "values", "after"),
    [
        (
            {},
            {"limbs.expiratory_tube.bore": 15.0},
            {"limbs": PatientLimbs(expiratory_tube=Tube(length=1.5, bore=15.0))},
        ),
        (
            {"limbs": {"a": PatientLimbs(inspiratory_tube=Tube(length=4.0))}},
            {"limbs.inspiratory_tube.length": 2.0, "limbs.b.inspiratory_tube.bore": 15.0},
            {
                "limbs": {
                    "a": PatientLimbs(inspiratory_tube=Tube(length=2.0)),
                    "b": PatientLimbs(inspiratory_tube=Tube(length=2.0, bore=15.0)),
                    "c": PatientLimbs(inspiratory_tube=Tube(length=2.0)),
                },
            },
        ),
        (
            {"arrangement": "chain"},
            {"extension.length": 3.0, "extension.c.bore": 15.0},
            {"arrangement": "chain", "extension": {"b": Tube(length=3.0), "c": Tube(length=3.0, bore=15.0)}},
        ),
        (
            {"floor_plan": beds_in_row("abc")},
            {"floor_plan.extra_length": 1.5},
            {"floor_plan": beds_in_row("abc").changed(extra_length=1.5)},
        ),
    ],
    ids=["of all", "of one upon that of all", "extension", "floor plan"],
)
def test_a_value_of_the_layout_builds_the_circuit_again(before, values, after):
    """Equal to the circuit of a layout with these values, written out by hand."""
    found = rebuilt(Layout(lungs=LUNGS, **before), values)
    assert found == Layout(lungs=LUNGS, **after).circuit
    assert found != Layout(lungs=LUNGS, **before).circuit


def test_laws_among_the_values_are_points_like_others(scenario, tmp_path):
    """As objects or as files hold them; the coordinate has them in words, also in a file and in a picture."""
    path = "lungs.b.resistance"
    law, hole = laws.Rohrer(linear=5, quadratic=8), laws.Orifice(bore=5)
    found = sweep(scenario, {path: [5, law, hole, {"law": "rohrer", "linear": 3}]}, progress=False)
    for k, resistance in enumerate((5, law, hole, laws.Rohrer(linear=3))):
        alone = steady_breath(scenario.replaced({path: resistance}))
        assert_same_bits(found.isel({path: k}), breath_measures(alone).isel(breath=0))
    words = ["5 cmH2O·s/L", repr(law), repr(hole), repr(laws.Rohrer(linear=3))]
    assert found[path].values.tolist() == words and "units" not in found[path].attrs
    found.to_netcdf(tmp_path / "sweep.nc")
    assert xr.load_dataset(tmp_path / "sweep.nc")[path].values.tolist() == words
    assert sweep_lines(found, "inspired_tidal_volume")
    for wrong, words in (
        ([5, [3]], r"got \[5, \[3\]\], but a list of numbers \[cmH2O·s/L\] or laws is needed"),
        ([5, {3}], r"\{3\} is neither a number nor a flow law\.\n  Give a number, or laws\.Rohrer"),
        ([{"law": "rohrr"}], r"there is no law 'rohrr'\.\n  Did you mean 'rohrer'"),
        ([True], r"True is not a finite number\.\n  Give a list of numbers \[cmH2O·s/L\] or laws"),
    ):
        with pytest.raises(InputError, match=f"^lungs.b.resistance: {words}"):
            sweep(scenario, {path: wrong})


def test_values_of_parts_go_on_top_of_the_layout(scenario):
    tube = "b inspiratory tube"
    found = scenario.replaced(
        {f"parts.{tube}.bore": 15.0, LENGTH: 3.0, PEEP: 9.0, "ventilator.source_resistance": 2.0}
    )
    circuit, settings = found.circuit, found.settings
    assert (circuit.parts[tube].length, circuit.parts[tube].bore) == (3.0, 15.0)
    assert (settings.peep, circuit.ventilator.source_resistance) == (9.0, 2.0)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"lungs.b.complience": [20]}, r"has no 'complience'\.\n  Did you mean 'compliance'\?"),
        ({"lungs.d.compliance": [20]}, r"there is no 'd' in 'lungs'\.\n  Allowed: 'a', 'b'"),
        ({"setings.peep": [5]}, r"there is no 'setings' to begin with\.\n  Did you mean 'settings'\?"),
        ({"lims.filter.resistance": [5]}, r"there is no 'lims' to begin with\.\n  Did you mean 'limbs'"),
        ({"b.compliance": [20]}, r"begins with the name of a part\.\n  Write 'parts\.b\.compliance'"),
        ({"limbs.d.filter": [5]}, r"there is no 'd' in 'limbs'\.\n  Allowed: 'a', 'b'"),
        (
            {"limbs.inspiratory_tube": [5]},
            r"leads to a whole tube, not to a single value\.\n  Allowed: 'length'",
        ),
        ({"limbs": [5]}, r"leads to several descriptions, not to a single value\.\n  Allowed: 'a', 'b'"),
        ({"lungs.b": [5]}, r"leads to a whole lung, not to a single value"),
        ({5: [5]}, r"path 5 is no text"),
        (
            {STIFF: "10,20"},
            r"got '10,20', but a list of numbers \[mL/cmH2O\] or laws is needed\.\n  It is 25\.0 mL",
        ),
        ({STIFF: 20}, r"got 20, but a list of numbers"),
        ({STIFF: {20: 30}}, r"got {20: 30}, but a list of numbers"),
        ({STIFF: [[20, 30]]}, r"got \[\[20, 30\]\], but a list of numbers"),
        ({STIFF: []}, r"got no value, but a list of numbers"),
        ({STIFF: ["20"]}, r"compliance: '20' is not a finite number"),
        ({STIFF: [20, float("nan")]}, r"compliance: nan is not a finite number"),
        ({STIFF: [20, float("inf")]}, r"compliance: inf is not a finite number"),
        ({STIFF: [True]}, r"compliance: True is not a finite number"),
        ({VALVE: ["stuck oepn"]}, r"'stuck oepn' is not allowed\.\n  Did you mean 'stuck open'"),
        ({VALVE: [1]}, r"state: 1 is not allowed\.\n  Allowed: 'working'"),
        (
            {STIFF: [20], "parts.b.compliance": [30]},
            r"'lungs\.b\.compliance' and 'parts\.b\.compliance' lead to the",
        ),
        ({"adapter.gas_volume": [1, 20]}, r"'adapter\.gas_volume' has no effect on this circuit"),
        (
            {STIFF: range(1, 1002), PEEP: range(1, 1001)},
            r"has 1,001,000 points \(1001 × 1000\)\.\n  Allowed: at most",
        ),
        ({}, r"values: there is no path"),
        ([STIFF], r"values: there is no path"),
    ],
    ids=lambda item: None,
)
def test_what_is_wrong_is_refused_before_anything_runs(scenario, values, message, monkeypatch):
    # By name, because the package has a function of the same name as the module.
    monkeypatch.setattr(sys.modules[sweep.__module__], "run_batch", None)
    with pytest.raises(InputError, match=message):
        sweep(scenario, values)


def test_what_is_no_scenario(scenario):
    with pytest.raises(InputError, match="sweep: got 'two-unequal-lungs', but a scenario is needed"):
        sweep("two-unequal-lungs", {PEEP: [5]})
    with pytest.raises(InputError, match="sweep: settings are missing; a circuit needs breath settings"):
        sweep(scenario.circuit, {PEEP: [5]})
    with pytest.raises(InputError, match="sweep: settings are given, but the scenario has its own"):
        sweep(scenario, scenario.settings, {PEEP: [5]})
    changing = scenario.changed(changes=(Change(path=STIFF, to=20, at=10),))
    with pytest.raises(InputError, match=r"has 1 changes in time.*\n  Use scenario\.changed\(changes=\(\)\)"):
        sweep(changing, {PEEP: [5]})
    joined = Circuit(parts=scenario.circuit.parts, joints=scenario.circuit.joints)
    with pytest.raises(InputError, match=r"path 'limbs\.b\.filter': the circuit was joined part by part"):
        sweep(joined, scenario.settings, {"limbs.b.filter": [5]})
    with pytest.raises(InputError, match="tolerance 1 is not allowed"):
        sweep(scenario, {PEEP: [5]}, tolerance=1.0)
    with pytest.raises(InputError, match="sample_interval 60 s is longer than a breath"):
        sweep(scenario, {PEEP: [5]}, sample_interval=60.0)
    with pytest.raises(InputError, match="sweep: duration -1 s is not allowed"):
        sweep(scenario, {PEEP: [5]}, duration=-1.0)


def test_an_unlikely_value_is_warned_of_once(scenario):
    """0.05 and 0.04 are compliances in L/cmH2O."""
    with pytest.warns(PlausibilityWarning, match=r"lungs\.b\.compliance 0\.05 .*is outside") as warned:
        found = sweep(scenario, {STIFF: [30, 0.05, 0.04], PEEP: [5, 6]}, threads=2, progress=False)
    assert len(warned) == 1
    assert warned[0].filename == __file__
    assert (found.status == "finished").all()


def test_a_stop_keeps_what_is_finished(scenario, monkeypatch):
    """Ctrl-C in the second piece of 16 circuits."""
    ran = []

    def stopped(cases, options, *, n_lungs):
        if ran:
            raise KeyboardInterrupt
        ran.append(len(cases))
        return original(cases, options, n_lungs=n_lungs)

    original = batch.run_piece
    monkeypatch.setattr(batch, "run_piece", stopped)
    with pytest.warns(StoppedEarlyWarning, match="the sweep was stopped by Ctrl-C; not run: 4 of 20 points"):
        found = sweep(scenario, {STIFF: np.linspace(20, 60, 20)}, threads=1, progress=False)
    assert found.status.values.tolist() == ["finished"] * 16 + ["not run"] * 4
    assert found.inspired_tidal_volume[:16].notnull().all() and found.inspired_tidal_volume[16:].isnull().all()


def lines_of(ax):
    return [line for line in ax.lines if len(line.get_xdata()) > 1]


def test_lines_of_one_parameter(grid):
    """Values are drawn in rising order, and the impossible one leaves a gap."""
    one = grid.isel({LENGTH: 0, PEEP: 0})
    (ax,) = sweep_lines(one, "inspired_tidal_volume")
    assert ax.get_xlabel() == "b: compliance of lungs and chest wall [mL/cmH2O]"
    assert ax.get_ylabel() == "inspired tidal volume [mL]"
    for k, line in enumerate(lines_of(ax)):
        assert line.get_xdata().tolist() == [-5.0, 15.0, 50.0]
        wanted = one.inspired_tidal_volume.isel(lung=k).sel({STIFF: [-5, 15, 50]}).values
        np.testing.assert_array_equal(line.get_ydata(), wanted)
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["a", "b"]
    assert len({line.get_linestyle() for line in lines_of(ax)}) == 2


def test_a_second_parameter_has_pictures_of_its_own(grid):
    two = grid.isel({LENGTH: 0})
    axes = sweep_lines(two, "inspired_tidal_volume", along=PEEP)
    assert [ax.get_title(loc="left") for ax in axes] == ["50 mL/cmH2O", "-5 mL/cmH2O", "15 mL/cmH2O"]
    figure = axes[0].figure
    assert (figure.get_supxlabel(), figure.get_supylabel()) == (
        "positive end-expiratory pressure [cmH2O]",
        "inspired tidal volume [mL]",
    )
    axes = sweep_lines(two, "port_mean_pressure")  # of the ports: no lungs
    assert [len(lines_of(ax)) for ax in axes] == [1, 1]
    given = plt.subplots(1, 2)[1]
    drawn = sweep_lines(two, "auto_peep", axes=given)
    assert drawn.tolist() == given.tolist()
    assert given[1].get_ylabel() == "auto-PEEP [cmH2O]"


def test_lines_of_paired_values_and_of_words(scenario):
    values = {STIFF: [50, 15], VALVE: ["working", "stuck closed"]}
    found = sweep(scenario, values, paired=True, progress=False)
    (ax,) = sweep_lines(found, "inspired_tidal_volume", along=VALVE_NAME)
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["working", "stuck closed"]
    (ax,) = sweep_lines(found, "inspired_tidal_volume")
    assert lines_of(ax)[0].get_xdata().tolist() == [15.0, 50.0]


def test_a_map_with_a_limit(grid):
    one = grid.isel({LENGTH: 0})
    between = float(one.inspired_tidal_volume.sel(lung="b").mean())
    ax = sweep_map(one, "inspired_tidal_volume", lung="b", limit=between)
    assert ax.get_xlabel() == "b: compliance of lungs and chest wall [mL/cmH2O]"
    assert ax.get_ylabel() == "positive end-expiratory pressure [cmH2O]"
    assert ax.get_title(loc="left") == "lung b"
    shown = ax.collections[0].get_array()
    wanted = one.inspired_tidal_volume.sel({"lung": "b", STIFF: [-5, 15, 50], PEEP: [5, 8]}).values.T
    np.testing.assert_array_equal(shown.filled(np.nan), wanted)
    assert f"{between:g} mL" in [text.get_text() for text in ax.texts]
    figure = ax.figure
    assert figure.axes[1].get_ylabel() == "inspired tidal volume [mL]"
    figure.canvas.draw()
    given = plt.figure().add_subplot()
    assert sweep_map(one, "port_mean_pressure", axes=given) is given


def test_table_of_a_sweep(grid):
    """A row for each point in the order of the grid, the measure of each lung, and why a point has no breath."""
    table = sweep_table(grid, show="auto_peep")
    frame = table.frame
    assert len(frame) == 12 and list(frame.columns[:5]) == [STIFF, LENGTH, PEEP, "lung a", "lung b"]
    for _, row in frame.iterrows():
        point = grid.sel({name: row[name] for name in (STIFF, LENGTH, PEEP)})
        np.testing.assert_array_equal(row[["lung a", "lung b"]].astype(float), point.auto_peep)
        assert row["outcome"].startswith("refused: ") == (row[STIFF] == -5) == (row["outcome"] != "")
    assert frame.attrs["units"] == {
        STIFF: "mL/cmH2O",
        LENGTH: "m",
        PEEP: "cmH2O",
        "lung a": "cmH2O",
        "lung b": "cmH2O",
    }
    text = str(table)
    assert text.startswith("auto-PEEP\n") and "remark" in text
    assert [line.split()[:5] for line in text.splitlines() if line.split()[:3] == ["-5", "3", "8"]] == [
        ["-5", "3", "8", "-", "-"]
    ]


def test_table_of_part_of_a_sweep(scenario, grid):
    """One lung, a measure of the ports, values that go together, one point, many points."""
    assert sweep_table(grid.isel(lung=0)).frame.columns[3] == "value"
    point = sweep_table(grid.isel({STIFF: 0, LENGTH: 0, PEEP: 0}), show="port_peep")
    assert point.frame[[STIFF, "value"]].values.tolist() == [[50.0, float(grid.port_peep[0, 0, 0])]]
    assert "why" not in str(point)
    paired = sweep(scenario, {STIFF: [15, 50], PEEP: [5, 8]}, paired=True, progress=False)
    assert sweep_table(paired).frame[[STIFF, PEEP]].values.tolist() == [[15, 5], [50, 8]]
    many = grid.isel({PEEP: [0] * 10})
    assert len(sweep_table(many).frame) == 60 and "... 20 more\n" in "\n".join(
        line.strip() for line in str(sweep_table(many)).splitlines()
    )


def test_wrong_tables(grid):
    with pytest.raises(SchemaError, match=r"no measure 'tidal_volum'\.\n  Did you mean .*'inspired_tidal_volume'"):
        sweep_table(grid, show="tidal_volum")
    with pytest.raises(SchemaError, match=r"no result of a sweep\.\n  Give what sweep"):
        sweep_table(xr.Dataset())


def test_wrong_pictures(grid):
    with pytest.raises(SchemaError, match=r"no measure 'tidal_volum'\.\n  Did you mean .*'inspired_tidal_volume'"):
        sweep_lines(grid, "tidal_volum")
    with pytest.raises(SchemaError, match="no measure 'reason'"):
        sweep_map(grid, "reason", lung="b")
    with pytest.raises(SchemaError, match=r"there are 3 parameters; lines show one or two\.\n  Select"):
        sweep_lines(grid, "auto_peep")
    with pytest.raises(SchemaError, match="the sweep has no parameter 'peep'"):
        sweep_lines(grid, "auto_peep", along="peep")
    with pytest.raises(SchemaError, match="a map needs two parameters in a full grid"):
        sweep_map(grid, "auto_peep", lung="b")
    one = grid.isel({LENGTH: 0})
    with pytest.raises(SchemaError, match=r"say which lung\.\n  Allowed: 'a', 'b'"):
        sweep_map(one, "auto_peep")
    with pytest.raises(SchemaError, match="there is no lung 'c'"):
        sweep_map(one, "auto_peep", lung="c")
    with pytest.raises(SchemaError, match=r"'settings\.peep' must have two or more different values"):
        sweep_map(one.isel({PEEP: [0]}), "auto_peep", lung="b")
    with pytest.raises(SchemaError, match="sweep_lines needs 2 Axes"):
        sweep_lines(one, "auto_peep", axes=[plt.figure().add_subplot()])
    many = one.isel({PEEP: [0] * 10})
    with pytest.raises(SchemaError, match=r"has 10 values; there is a picture for each of at most 9"):
        sweep_lines(many, "auto_peep")
    with pytest.raises(SchemaError, match="the Dataset has no parameter"):
        sweep_lines(one.isel({PEEP: 0, STIFF: 0}), "auto_peep")
