"""Typical lungs and the predicted body weight."""

import re
import warnings

import numpy as np
import pytest

import ventsim as vs
from ventsim.errors import InputError, PartError
from ventsim.model.parts import LungPart


@pytest.mark.parametrize("name", vs.preset_names())
def test_every_preset_is_a_plausible_lung_with_a_source(name):
    """Made without a warning, and each says where its numbers come from, or that they are invented."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        lung = vs.preset(name).changed({})
    assert isinstance(lung, LungPart) and lung.predicted_body_weight > 0.0
    wanted = r"from memory|illustrative|PMC\d+|scilit|common practice, no source"
    assert re.search(wanted, vs.preset_source(name), flags=re.I)
    assert list(vs.layouts.single(lung).lungs) == ["lung"]


@pytest.mark.parametrize(
    ("name", "compliance", "resistance"),
    [
        # Ranges of the sources that the presets name.
        ("normal-adult", (35.0, 54.0), (10.0, 13.0)),
        ("moderate-ards", (27.0, 48.0), (10.0, 12.0)),
        ("severe-ards", (15.0, 22.0), (10.0, 12.0)),
        ("copd", (50.0, 60.0), (15.0, 30.0)),
        ("asthma", (40.0, 60.0), (20.0, 50.0)),
        ("child", (14.3, 50.0), (10.0, 23.8)),
        ("infant", (5.5, 6.43), (35.0, 41.9)),
        ("term-newborn", (3.17 - 0.71, 3.17 + 0.71), (35.0, 45.0)),
    ],
)
def test_presets_lie_within_their_sources(name, compliance, resistance):
    lung = vs.preset(name)
    assert compliance[0] <= lung.compliance <= compliance[1]
    assert resistance[0] <= lung.resistance <= resistance[1]


@pytest.mark.parametrize("name", vs.preset_names())
def test_tracheal_tube_of_a_preset(name):
    """Resistances of intubated patients include one; those of infants and of the child between them do not."""
    includes = name not in ("child", "infant", "term-newborn")
    assert vs.preset(name).includes_tracheal_tube is includes
    words = "taken to include a tracheal tube" if includes else "without a tracheal tube"
    assert words in vs.preset_source(name)


@pytest.mark.parametrize("rate", [10.0, 12.0, 14.0])
@pytest.mark.parametrize("volume", [8.0, 9.0, 10.0])
def test_trapped_gas_of_asthma(volume, rate):
    """Auto-PEEP of 10 to 20 cmH2O (from memory) at 8 to 10 mL/kg, 10 to 14 breaths a minute, I:E 1:3.

    Ideal circuit, against v/C x / (1 - x) with x = exp(-Te / (R C)) and v the tidal volume.
    """
    lung = vs.preset("asthma")
    settings = vs.VolumeControl(tidal_volume=volume * 70.0, rate=rate, ie_ratio=1 / 3, peep=5.0)
    breath = vs.steady_breath(vs.layouts.single(lung, ideal=True), settings)
    found = float(vs.breath_measures(breath).auto_peep.item())
    left = np.exp(-0.75 * 60.0 / rate / (lung.expiratory_resistance * lung.compliance / 1000.0))
    assert found == pytest.approx(volume * 70.0 / lung.compliance * left / (1.0 - left), rel=1e-4)
    assert 10.0 <= found <= 20.0


def test_trapped_gas_of_asthma_in_a_usual_circuit():
    """In the middle of these settings, with default limbs, valves and ventilator, it is still 10 to 20 cmH2O."""
    settings = vs.VolumeControl(tidal_volume=630.0, rate=12.0, ie_ratio=1 / 3, peep=5.0)
    breath = vs.steady_breath(vs.layouts.shared({"a": vs.preset("asthma")}), settings)
    assert 10.0 <= float(vs.breath_measures(breath).auto_peep.item()) <= 20.0


def test_sigmoid_presets():
    """Highest compliance b / 4d: 3500 / 36 = 97 and 1600 / 32 = 50 mL/cmH2O."""
    slopes = []
    for name in ("normal-adult-sigmoid", "ards-sigmoid"):
        law = vs.preset(name).compliance
        centre = law.inflection_pressure
        slopes.append(float(np.diff(law.volume(np.array([centre - 1e-3, centre + 1e-3])))[0] / 2e-3))
    assert slopes == pytest.approx([3500.0 / 36.0, 50.0], rel=1e-5)


def test_body_weight_of_a_preset():
    assert vs.preset("copd", predicted_body_weight=60.0) == vs.preset("copd").changed(
        {"predicted_body_weight": 60.0}
    )
    with pytest.raises(PartError, match=r"predicted_body_weight -1 kg is not allowed"):
        vs.preset("copd", predicted_body_weight=-1.0)


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("normal adult", "Did you mean 'normal-adult'"),
        ("ards", "Did you mean"),
        ("adrs", "Did you mean 'moderate-ards' or 'severe-ards'"),  # a word of the name is misspelt
        ("newborm", "Did you mean 'term-newborn'"),
        ("xyz", "Allowed: 'normal-adult'"),
    ],
)
def test_unknown_preset(name, hint):
    for function in (vs.preset, vs.preset_source):
        with pytest.raises(InputError, match=rf"there is no typical lung '{name}'\.\n  {hint}"):
            function(name)
    with pytest.raises(InputError, match=r"there is no typical lung 5\."):
        vs.preset(5)


@pytest.mark.parametrize(
    ("height", "sex", "expected"),
    [
        # 50 or 45.5 + 0.91 (h - 152.4), by hand.
        (175.0, "male", 70.566),
        (165.0, "female", 56.966),
        (183.0, "male", 77.846),
        (152.4, "male", 50.0),
        (152.4, "female", 45.5),
    ],
)
def test_predicted_body_weight(height, sex, expected):
    assert vs.predicted_body_weight(height, sex=sex) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("height", "sex", "message"),
    [
        (1.75, "male", r"height 1\.75 cm is not allowed\.\n  Did you mean 175 \(1\.75 m\)"),
        (66.0, "male", r"height 66 cm is not allowed\.\n  Did you mean 168 \(66 inch\)"),
        (400.0, "male", r"height 400 cm is not allowed\.\n  Allowed: at least 120 and at most 250 cm"),
        (np.nan, "male", r"height nan cm is not allowed\.\n  Allowed: at least 120 and at most 250 cm"),
        ("tall", "male", r"height 'tall' is not a number\.\n  Allowed: at least 120"),
        (170.0, "femal", r"sex 'femal' is not one of the choices\.\n  Did you mean 'female'"),
        (170.0, None, r"sex None is not one of the choices\.\n  Allowed: 'male', 'female'"),
    ],
)
def test_impossible_height_or_sex(height, sex, message):
    with pytest.raises(InputError, match=message):
        vs.predicted_body_weight(height, sex=sex)
