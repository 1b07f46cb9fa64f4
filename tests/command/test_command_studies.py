"""Sweeps and sizings on the command line, from TOML files."""

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.__main__ import main
from ventsim.command import CAUTION

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
"limbs.a.inspiratory_restrictor.resistance.bore" = [1, 22]
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
    assert lines[2] == "inspired tidal volume"
    assert len([line for line in lines if line.split()[:1] in (["20"], ["40"], ["60"])]) == 6
    assert lines[-1] == CAUTION and printed.out.count("not for deciding about a patient") == 1
    found = xr.load_dataset(here / "results" / "sweep-sweep.nc", engine="h5netcdf")
    assert found.inspired_tidal_volume.sizes == {"lungs.b.compliance": 3, "settings.peep": 2, "lung": 2}
    scenario = vs.builtin("two-unequal-lungs")
    changed = scenario.replaced({"lungs.b.compliance": 40.0, "settings.peep": 10.0})
    alone = vs.breath_measures(vs.steady_breath(changed)).inspired_tidal_volume[0]
    point = found.inspired_tidal_volume.sel({"lungs.b.compliance": 40.0, "settings.peep": 10.0})
    np.testing.assert_array_equal(point.values, alone.values)
    assert (here / "results" / "sweep-sweep.png").stat().st_size > 5_000


def test_sweep_of_impossible_values_goes_on(here, capsys):
    (here / "sweep.toml").write_text(SWEEP.replace("{ from = 20, to = 60, count = 3 }", "[20, -5]"))
    assert main(["sweep", "sweep.toml"]) == 3
    printed = capsys.readouterr()
    assert "refused: " in printed.out and "-5 mL/cmH2O is not allowed" in printed.out
    assert printed.err == "ventsim: 2 of 4 points have no breath; the table says why.\n"


def test_paths_need_quotes_only_for_spaces(here, capsys):
    assert main(["sweep", "sweep.toml"]) == 0
    quoted = capsys.readouterr().out
    bare = SWEEP.replace('"lungs.b.compliance"', "lungs.b.compliance").replace('"settings.peep"', "settings.peep")
    (here / "sweep.toml").write_text(bare)
    assert main(["sweep", "sweep.toml"]) == 0
    assert capsys.readouterr().out == quoted
    (here / "sweep.toml").write_text(bare + '"settings.peep" = [6]\n')
    assert main(["sweep", "sweep.toml"]) == 2
    assert "values has 'settings.peep' twice" in capsys.readouterr().err
    (here / "size.toml").write_text(SIZE.replace("[vary]\n", "[vary]\nsettings.inspiratory_pressure = [5, 30]\n"))
    assert main(["size", "size.toml"]) == 2
    assert "1 targets and 2 values" in capsys.readouterr().err.replace("1 target and", "1 targets and")


def test_warnings_are_repeated_at_the_end(here, capsys):
    (here / "sweep.toml").write_text(SWEEP.replace("{ from = 20, to = 60, count = 3 }", "[20, 0.1]"))
    assert main(["sweep", "sweep.toml"]) == 0
    assert "\nTo check:   lungs.b.compliance 0.1 mL/cmH2O is outside 0.2 to 300.\nWri" in capsys.readouterr().out


def test_a_picture_without_lines_is_reported(here, capsys):
    (here / "sweep.toml").write_text(SWEEP.replace("[5, 10]", "{ from = 0, to = 9, count = 10 }"))
    assert main(["sweep", "sweep.toml"]) == 0
    assert "ventsim: the picture shows nothing: " in capsys.readouterr().err
    (here / "sweep.toml").write_text('lung = "z"\n' + SWEEP)
    assert main(["sweep", "sweep.toml"]) == 2
    assert capsys.readouterr().err == "ventsim: lung: there is no lung 'z'.\n  Allowed: 'a', 'b'.\n"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('limit = "x"', "sweep.toml: limit 'x' is not a number.\n  Allowed: finite number."),
        ("limit = true", "sweep.toml: limit True is not a number.\n  Allowed: finite number."),
        ("limit = nan", "sweep.toml: limit nan is not allowed.\n  Allowed: finite number."),
        ("lung = 3", "lung: there is no lung 3.\n  Allowed: 'a', 'b'."),
    ],
)
def test_wrong_kinds_for_a_map_are_refused_before_it_is_run(here, capsys, line, message):
    (here / "sweep.toml").write_text(f"{line}\n{SWEEP}")
    assert main(["sweep", "sweep.toml"]) == 2
    assert capsys.readouterr().err == f"ventsim: {message}\n"


def test_size(here, capsys):
    assert main(["size", "size.toml"]) == 0
    printed = capsys.readouterr().out
    assert "All targets are met." in printed and "drill 4.5 mm" in printed
    assert printed.count("not for deciding about a patient") == 1
    assert "Written:    size-sized.nc, size-sized.png, size-sized.toml" in printed
    found = xr.load_dataset("size-sized.nc", engine="h5netcdf")
    assert bool(found.feasible)
    scenario, path = vs.studies.add_restrictor(vs.builtin("two-unequal-lungs"), "a")
    sized = vs.Scenario.read("size-sized.toml")
    assert sized.value(path) == float(found.value[0])
    assert scenario.replaced({path: sized.value(path)}).circuit == sized.circuit
    volume = vs.breath_measures(vs.steady_breath(sized)).inspired_tidal_volume
    assert float(volume.sel(lung="a")[0]) == pytest.approx(400.0, rel=1e-5)
    assert (here / "size-sized.png").stat().st_size > 5_000


def test_orifices_vary_unless_the_file_says_otherwise(here, capsys):
    """Without [vary] those of [restrict]; without either one for each lung with a target."""
    assert main(["size", "size.toml"]) == 0
    whole = xr.load_dataset("size-sized.nc", engine="h5netcdf")
    short = SIZE.partition("[vary]")[0]
    for text in (short, short.replace('[restrict]\na = "inspiratory"\n', "")):
        (here / "short.toml").write_text(text)
        assert main(["size", "short.toml"]) == 0
        found = xr.load_dataset("short-sized.nc", engine="h5netcdf")
        assert found.quantity.values.tolist() == whole.quantity.values.tolist()
        np.testing.assert_array_equal(found.value, whole.value)
    (here / "short.toml").write_text(short.replace('"inspiratory"', '"expiratory"'))
    assert main(["size", "short.toml"]) == 0
    (path,) = xr.load_dataset("short-sized.nc", engine="h5netcdf").quantity.values
    assert path == "limbs.a.expiratory_restrictor.resistance.bore"


def test_size_that_cannot_be_met_says_why(here, capsys):
    (here / "size.toml").write_text(SIZE.replace("= 400", "= 900"))
    assert main(["size", "size.toml"]) == 3
    printed = capsys.readouterr()
    assert "The targets cannot be met within the limits." in printed.out
    assert printed.err == "ventsim: the targets are not met.\n"


@pytest.mark.parametrize("resistance, value", [
    ("10", "resistance"),
    ('{ law = "rohrer", linear = 8, quadratic = 5 }', "resistance.quadratic"),
    ('{ law = "orifice", bore = 8 }', "resistance.bore"),
])  # fmt: skip
def test_size_of_a_restrictor_with_any_law(here, capsys, resistance, value):
    """The same volume as with a hole; found by its own run."""
    text = SIZE.replace('"inspiratory"', f'{{ limb = "inspiratory", resistance = {resistance} }}')
    (here / "size.toml").write_text(text.replace('resistance.bore" = [1, 22]', f'{value}" = [1, 20]'))
    assert main(["size", "size.toml"]) == 0
    assert "All targets are met." in capsys.readouterr().out
    found = xr.load_dataset("size-sized.nc", engine="h5netcdf")
    assert found.quantity.values.tolist() == [f"limbs.a.inspiratory_restrictor.{value}"]
    volume = vs.breath_measures(vs.steady_breath(vs.Scenario.read("size-sized.toml"))).inspired_tidal_volume
    assert float(volume.sel(lung="a")[0]) == pytest.approx(400.0, rel=1e-5)


def test_size_of_a_hole_that_is_made_wider(here, capsys):
    """The true bore is the same, so the bore as drilled is smaller by the deviation."""
    assert main(["size", "size.toml"]) == 0
    text = SIZE.replace('"inspiratory"', '{ limb = "inspiratory", bore_deviation = 0.2 }')
    (here / "wider.toml").write_text(text.replace("[1, 22]", '[1, "widest"]'))
    assert main(["size", "wider.toml"]) == 0
    one, other = (xr.load_dataset(f"{name}-sized.nc", engine="h5netcdf") for name in ("size", "wider"))
    assert float(one.value[0] - other.value[0]) == pytest.approx(0.2, abs=1e-3)
    assert "All targets are met." in capsys.readouterr().out


@pytest.mark.parametrize(
    "command, old, new, message",
    [
        (
            "sweep",
            "[values]",
            "[value]",
            "sweep.toml: value: there is no such key here.\n  Did you mean 'values'?",
        ),
        (
            "sweep",
            "[values]",
            "lug = 1\nmit = 2\n[values]",
            "lug: there is no such key here.\n  Did you mean 'lung'?",
        ),
        ("sweep", "[values]", "[settings]\n[lungs.a]", "describes a scenario, not a sweep.\n  Write: ventsim run"),
        ("size", "[vary]", "[settings]", "there is no such key here"),
        ("sweep", SWEEP, SIZE, "'sweep.toml' describes a sizing, not a sweep.\n  Write: ventsim size sweep.toml"),
        ("size", SIZE, SWEEP, "'size.toml' describes a sweep, not a sizing.\n  Write: ventsim sweep size.toml"),
        ("sweep", SWEEP, "# nothing\n", "scenario and values missing.\n  ventsim sweep --help shows"),
        (
            "size",
            '[restrict]\na = "inspiratory"\n',
            "",
            "resistance.bore' is not there: the inspiratory limb of lung a has no restrictor.\n"
            '  Put one in: write [restrict] and below it a = "inspiratory".',
        ),
        (
            "size",
            "resistance.bore",
            "resistance.linear",
            "the orifice 'limbs.a.inspiratory_restrictor.resistance' has no 'linear'.\n  Allowed: 'bore', ",
        ),
        (
            "size",
            '"inspiratory"',
            "{ bore = 5 }",
            "restrict.a.bore: there is no such key here",
        ),
        (
            "size",
            '"inspiratory"',
            '{ resistance = { law = "orifise" } }',
            "'orifise' is unknown.\n  Did you mean 'orifice'?",
        ),
        (
            "size",
            'a = "inspiratory"\n[targets.a]\ninspired_tidal_volume = 400\n[vary]\n'
            '"limbs.a.inspiratory_restrictor.resistance.bore" = [1, 22]',
            "a = { resistance = 5 }\n[targets.a]\ninspired_tidal_volume = 400",
            "restrict.a: the file does not say what varies of a resistance that is given.\n"
            '  Write [vary] and a line with limits, such as "limbs.a.inspiratory_restrictor.resistance" = [0, 5',
        ),
        (
            "size",
            '"inspiratory"',
            '{ limb = "upper" }',
            "restrict.a.limb 'upper' is not one of the choices.\n  Allowed: 'inspiratory', 'expiratory'.",
        ),
        ("size", '"inspiratory"', "5", 'restrict.a: 5 is no restrictor.\n  Write "inspiratory", or { limb ='),
        (
            "sweep",
            '"lungs.b.compliance"',
            "parts.b inspiratory tube.bore",
            'Put a name with a space in quotes: "parts.b inspiratory tube.bore"',
        ),
        (
            "sweep",
            "settings.peep",
            "settings.tidal_volume",
            "has no 'tidal_volume'.\n  Only a volume control has one.",
        ),
        ("sweep", "two-unequal-lungs", "three-lungs", "three-lungs"),
        ("sweep", "count = 3", "count = 1", "values.lungs.b.compliance: count 1 is not allowed"),
        ("sweep", "count = 3", "steps = 3", "is no list of values"),
        ("sweep", "from = 20", 'from = "low"', "values.lungs.b.compliance: from 'low' is not a number"),
        ("sweep", "b.compliance", "b.compliants", "compliance"),
        ("sweep", "[5, 10]", "[]", "settings.peep"),
        ("sweep", "[values]", 'show = "tidal"\n[values]', "show: there is no measure 'tidal'"),
        ("sweep", "[values]", "[values", "this is not TOML"),
        ("size", "[targets.a]", "[targets.c]", "'c'"),
        ("size", "inspired_tidal_volume", "tidal_volume", "inspired_tidal_volume"),
        ("size", "[1, 22]", "[22, 1]", "22"),
        ("size", "= 400", "= -400", "-400"),
        (
            "size",
            'a = "inspiratory"',
            'a = "upper"',
            "restrict.a.limb 'upper' is not one of the choices.\n  Allowed: 'inspiratory', 'expiratory'.",
        ),
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
    printed = capsys.readouterr().err
    assert message in printed and "Traceback" not in printed
    assert printed.startswith("ventsim: ")


FIRST_EDITION_SWEEP = """
scenario = "two-unequal-lungs"
show = "share"
[values]
"lungs.b.curve.rate" = { from = 0.02, to = 0.06, count = 3 }
lungs.a.relaxed_volume = [1000, 1500]
"settings.peep" = [5, 10]
"""
FIRST_EDITION_SIZE = """
scenario = "two-unequal-lungs"
[restrict]
a = { limb = "inspiratory", kind = "restrictor", quadratic_resistance = 2 }
b = { limb = "inspiratory", kind = "orifice", bore = 5 }
[targets.a]
unaccounted_volume = 0
[targets.share]
share = 0.5
[vary]
"parts.a inspiratory restrictor.linear_resistance" = [0, 50]
"parts.b inspiratory restrictor.bore" = [1, 22]
"""


def test_study_files_of_the_first_edition_are_answered_once_with_what_to_write_now(here, capsys):
    (here / "sweep.toml").write_text(FIRST_EDITION_SWEEP)
    assert main(["sweep", "sweep.toml"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "ventsim: sweep.toml: this file has keys of the first edition.",
        '  show = "share": write "tidal_volume_fraction"',
        '  values."lungs.b.curve.rate": write "lungs.b.compliance.pressure_rate"',
        '  values."lungs.a.relaxed_volume": write "lungs.a.relaxation_volume"',
    ]
    (here / "size.toml").write_text(FIRST_EDITION_SIZE)
    assert main(["size", "size.toml"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "ventsim: size.toml: this file has keys of the first edition.",
        '  restrict.a.kind = "restrictor": write resistance = ..., without a kind',
        '  restrict.a.quadratic_resistance: write resistance = { law = "rohrer", linear = ..., quadratic = ... }',
        '  restrict.b.kind = "orifice": write resistance = { law = "orifice", bore = ... }, without a kind',
        "  targets.a.unaccounted_volume: write volume_balance_error",
        "  targets.share.share: write tidal_volume_fraction",
        '  vary."parts.a inspiratory restrictor.linear_resistance": write "parts.a inspiratory '
        'restrictor.resistance.linear"',
        '  vary."parts.b inspiratory restrictor.bore": write "parts.b inspiratory restrictor.resistance.bore"',
    ]


def test_a_result_is_no_study(here, capsys):
    assert main(["run", "two-unequal-lungs", "--duration", "5"]) == 0
    capsys.readouterr()
    assert main(["sweep", "two-unequal-lungs.nc"]) == 2
    printed = capsys.readouterr().err
    assert printed.startswith("ventsim: 'two-unequal-lungs.nc' is a result, not a sweep.\n  ventsim sweep --help")


def test_missing_file(here, capsys):
    assert main(["sweep", "nowhere.toml"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err
