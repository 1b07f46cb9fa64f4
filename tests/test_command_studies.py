"""Sweeps and sizings on the command line, from TOML files."""

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.__main__ import CAUTION, main

SWEEP = """
scenario = "two-unequal-lungs"
[values]
"lungs.b.compliance" = { from = 20, to = 60, count = 3 }
"settings.peep" = [5, 10]
"""
SIZE = """
scenario = "two-unequal-lungs"
[restrict]
a = "inspiratory"
[targets.a]
inspired_tidal_volume = 400
[vary]
"parts.a inspiratory restrictor.bore" = [1, 22]
"""


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty current folder with both files."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sweep.toml").write_text(SWEEP)
    (tmp_path / "size.toml").write_text(SIZE)
    return tmp_path


def test_sweep(here, capsys):
    assert main(["sweep", "sweep.toml", "--out", "results"]) == 0
    printed = capsys.readouterr()
    lines = printed.out.splitlines()
    assert lines[2] == "inspired tidal volume [mL]"
    assert len([line for line in lines if line.split()[:1] in (["20"], ["40"], ["60"])]) == 6
    assert lines[-1] == CAUTION and printed.out.count("not for deciding about a patient") == 1
    found = xr.load_dataset(here / "results" / "sweep-sweep.nc", engine="h5netcdf")
    assert found.inspired_tidal_volume.sizes == {"lungs.b.compliance": 3, "settings.peep": 2, "lung": 2}
    scenario = vs.builtin("two-unequal-lungs")
    circuit, settings = vs.changes.with_values(
        scenario.circuit, scenario.settings, values={"lungs.b.compliance": 40.0, "settings.peep": 10.0}
    )
    alone = vs.breath_measures(vs.steady_breath(circuit, settings)).inspired_tidal_volume[0]
    point = found.inspired_tidal_volume.sel({"lungs.b.compliance": 40.0, "settings.peep": 10.0})
    np.testing.assert_array_equal(point.values, alone.values)
    assert (here / "results" / "sweep-sweep.png").stat().st_size > 5_000


def test_sweep_of_impossible_values_goes_on(here, capsys):
    (here / "sweep.toml").write_text(SWEEP.replace("{ from = 20, to = 60, count = 3 }", "[20, -5]"))
    assert main(["sweep", "sweep.toml"]) == 0
    printed = capsys.readouterr().out
    assert "refused: " in printed and "-5 mL/cmH2O is not allowed" in printed


def test_size(here, capsys):
    assert main(["size", "size.toml"]) == 0
    printed = capsys.readouterr().out
    assert "All targets are met." in printed and "drill 4.5 mm" in printed
    assert printed.count("not for deciding about a patient") == 1
    found = xr.load_dataset("size-sized.nc", engine="h5netcdf")
    assert bool(found.feasible)
    scenario = vs.builtin("two-unequal-lungs")
    circuit, path = vs.studies.restrict(scenario.circuit, "a")
    circuit, _ = vs.changes.with_values(circuit, scenario.settings, values={path: float(found.value[0])})
    volume = vs.breath_measures(vs.steady_breath(circuit, scenario.settings)).inspired_tidal_volume
    assert float(volume.sel(lung="a")[0]) == pytest.approx(400.0, rel=1e-5)
    assert (here / "size-sized.png").stat().st_size > 5_000


def test_size_that_cannot_be_met_says_why(here, capsys):
    (here / "size.toml").write_text(SIZE.replace("= 400", "= 900"))
    assert main(["size", "size.toml"]) == 0
    assert "The targets cannot be met within the limits." in capsys.readouterr().out


@pytest.mark.parametrize(
    "command, old, new, message",
    [
        ("sweep", "[values]", "[value]", "there is no 'value' in such a file"),
        ("sweep", "two-unequal-lungs", "three-lungs", "three-lungs"),
        ("sweep", "count = 3", "count = 1", "values.lungs.b.compliance.count 1 is not possible"),
        ("sweep", "count = 3", "steps = 3", "is no list of values"),
        ("sweep", "from = 20", 'from = "low"', "values.lungs.b.compliance.from 'low' is not a number"),
        ("sweep", "b.compliance", "b.compliants", "compliance"),
        ("sweep", "[5, 10]", "[]", "settings.peep"),
        ("sweep", "[values]", 'show = "tidal"\n[values]', "show: there is no measure 'tidal'"),
        ("sweep", "[values]", "[values", "this is not TOML"),
        ("size", "[targets.a]", "[targets.c]", "'c'"),
        ("size", "inspired_tidal_volume", "tidal_volume", "inspired_tidal_volume"),
        ("size", "[1, 22]", "[22, 1]", "22"),
        ("size", "= 400", "= -400", "-400"),
        ("size", 'a = "inspiratory"', 'a = "upper"', "there is no limb 'upper'"),
        ("size", "[vary]", "drills = [0]\n[vary]", "drills"),
    ],
)
def test_wrong_files(here, capsys, command, old, new, message):
    file = here / f"{command}.toml"
    text = file.read_text()
    assert old in text
    # A key of the top must stand before the first section.
    text = f"{new.splitlines()[0]}\n{text}" if new.startswith(("show", "drills")) else text.replace(old, new)
    file.write_text(text)
    assert main([command, file.name]) == 2
    told = capsys.readouterr().err
    assert message in told and "Traceback" not in told
    assert told.startswith("ventsim: ")


def test_missing_file(here, capsys):
    assert main(["sweep", "nowhere.toml"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err
