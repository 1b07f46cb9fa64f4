"""What of a breath is worth a second look: lungs that breathe again what was breathed out.

The volumes of the limbs are tested in tests/simulation/test_integrals.py; here what is said of them, and where.
"""

import matplotlib as mpl
import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim import laws
from ventsim.__main__ import main
from ventsim.results.remarks import lung_remarks, remarks_at
from ventsim.studies import add_restrictor, size_restrictors

mpl.use("Agg")
import matplotlib.pyplot as plt

MODES = (
    vs.PressureControl(inspiratory_pressure=15, rate=15, ie_ratio=0.5),
    vs.VolumeControl(tidal_volume=900, rate=15, ie_ratio=0.5),
)
each_mode = pytest.mark.parametrize("settings", MODES, ids=lambda settings: settings.kind)


def unequal(*, valves):
    lungs = {"a": vs.Lung(compliance=50, resistance=10), "b": vs.Lung(compliance=25, resistance=10)}
    return vs.layouts.shared(lungs, one_way_valves=valves)


def measures(inspiratory, expiratory):
    """One lung of 400 mL; of each limb what it contains and what goes the wrong way [mL]."""
    values = {
        "inspired_tidal_volume": 400.0,
        "inspiratory_contained_volume": inspiratory[0],
        "inspiratory_reversed_volume": inspiratory[1],
        "expiratory_contained_volume": expiratory[0],
        "expiratory_reversed_volume": expiratory[1],
    }
    return xr.Dataset({name: ("lung", [value]) for name, value in values.items()}, coords={"lung": ["a"]})


BACK = "lung a: {} mL go back into its inspiratory limb of 300 mL: {}."
OUT = "lung a: {} mL come back out of its expiratory limb of 200 mL: {}."


@pytest.mark.parametrize(
    ("inspiratory", "expiratory", "words"),
    [
        ((300.0, 19.9), (200.0, 19.9), []),  # less than 5 % of 400 mL
        ((300.0, 20.1), (200.0, 0.0), [BACK.format(20, "the lung breathes it again")]),
        ((300.0, 301.0), (200.0, 0.0), [BACK.format(301, "it gets to other lungs")]),
        ((300.0, 0.0), (200.0, 20.1), [OUT.format(20, "the lung breathes it again")]),
        ((300.0, 0.0), (200.0, 201.0), [OUT.format(201, "the lung breathes gas of other lungs")]),
        ((np.nan, np.nan), (np.nan, np.nan), []),  # no limb of its own
    ],
)
def test_what_is_said_of_each_limb(inspiratory, expiratory, words):
    assert lung_remarks(measures(inspiratory, expiratory)) == words


@each_mode
@pytest.mark.parametrize("law", [5.0, 30.0, 100.0, laws.Orifice(bore=2)], ids=str)
def test_a_restrictor_past_which_a_lung_fills_backwards(settings, law):
    """Without one-way valves the lung fills through its expiratory limb; with them there is nothing to say."""
    run = vs.steady_breath(add_restrictor(unequal(valves=False), "a", resistance=law)[0], settings)
    [said] = remarks_at(run)
    back, limb = (
        vs.breath_measures(run)[f"expiratory_{name}_volume"].sel(lung="a").item()
        for name in ("reversed", "contained")
    )
    assert back > 0.85 * limb  # hundreds of mL: a lung of 500 mL and more fills through that limb
    assert said.startswith(f"lung a: {back:.0f} mL come back out of its expiratory limb of {limb:.0f} mL: ")
    assert said.endswith("breathes gas of other lungs." if back > limb else "breathes it again.")
    valved = add_restrictor(unequal(valves=True), "a", resistance=law)[0]
    assert remarks_at(vs.steady_breath(valved, settings)) == []


@each_mode
def test_open_limbs_without_a_restrictor(settings):
    """Gas goes the wrong way in both limbs of the larger lung, less than either holds."""
    said = remarks_at(vs.steady_breath(unequal(valves=False), settings))
    assert len(said) == 2
    assert "go back into its inspiratory limb" in said[0]
    assert "come back out of its expiratory limb" in said[1]
    assert all(text.startswith("lung a: ") and text.endswith("the lung breathes it again.") for text in said)


def test_run_sizing_and_the_drawing_say_it(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    circuit, path = add_restrictor(unequal(valves=False), "a", resistance=30.0)
    waveforms = vs.steady_breath(circuit, MODES[0])
    [said] = remarks_at(waveforms)
    vs.Scenario(circuit=circuit, settings=MODES[0], duration=24.0).save("open.toml")
    assert main(["run", "open.toml"]) == 0
    assert said in capsys.readouterr().out.partition("To check")[2]
    drawn = vs.plot.circuit_drawing(circuit, waveforms=waveforms, time=0.3)
    assert said in [text.get_text() for text in drawn.texts]
    plt.close("all")
    found = size_restrictors(
        circuit, MODES[0], targets={"a": {"inspired_tidal_volume": 350}}, vary={path: (5.0, 100.0)}
    )
    assert "come back out of its expiratory limb" in found.results.attrs["notes"]
