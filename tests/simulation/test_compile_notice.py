"""The word that something is compiled: where a call lasts long, and longer where it may only be loading."""

import time
from pathlib import Path
from types import SimpleNamespace

import pytest

import ventsim as vs
from ventsim.engine.phases import run_breaths as engine
from ventsim.simulation.integration import compile_notice


def run_breaths():
    """By this name the notice knows what is compiled."""


@pytest.mark.parametrize(
    ("cached", "lasts", "is_said"),
    [
        ("", 0.2, True),
        ("phases.other-3.py311.nbi", 0.2, True),
        ("phases.run_breaths-230.py311.nbi", 0.2, False),
        ("phases.run_breaths-230.py311.nbi", 1.0, True),
    ],
)
def test_a_cache_on_disk_is_given_more_time(tmp_path, monkeypatch, capsys, cached, lasts, is_said):
    """With 0.05 and 0.5 s in place of 2 and 10 s."""
    monkeypatch.setattr("ventsim.simulation.integration._PATIENCE", 0.05)
    monkeypatch.setattr("ventsim.simulation.integration._PATIENCE_WITH_CACHE", 0.5)
    if cached:
        (tmp_path / cached).touch()
    function = SimpleNamespace(py_func=run_breaths, signatures=[], stats=SimpleNamespace(cache_path=str(tmp_path)))
    with compile_notice(function):
        time.sleep(lasts)
    assert ("compiling the numerical engine (once per machine" in capsys.readouterr().err) == is_said


def test_where_nothing_is_kept_the_notice_says_how_to(monkeypatch, capsys):
    monkeypatch.setattr("ventsim.simulation.integration._PATIENCE", 0.05)
    function = SimpleNamespace(py_func=run_breaths, signatures=[], stats=SimpleNamespace(cache_path=None))
    with compile_notice(function):
        time.sleep(0.2)
    said = capsys.readouterr().err
    assert (
        "(in each process, since no folder can be written to; set NUMBA_CACHE_DIR to one that can, about" in said
    )


def test_nothing_is_said_of_what_is_there(monkeypatch, capsys):
    monkeypatch.setattr("ventsim.simulation.integration._PATIENCE", 0.0)
    with compile_notice(SimpleNamespace(signatures=["compiled"])):
        time.sleep(0.05)
    assert capsys.readouterr().err == ""


def test_the_engine_lies_where_the_notice_looks():
    """The name of numba's file for a compiled function of the engine, once it has run."""
    circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    vs.simulate(circuit, vs.PressureControl(inspiratory_pressure=15, rate=15, inspiratory_time=1), duration=4.0)
    assert any(Path(engine.stats.cache_path).glob("*.run_breaths-*.nbi"))
