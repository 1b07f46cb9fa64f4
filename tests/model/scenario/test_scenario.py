"""Scenarios: TOML there and back, built-ins, and the answers to wrong files.

Expected texts of messages are the house form; numbers in them are those of the file in the test.
"""

import copy
import pickle
import tomllib
import warnings

import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from ventsim import breath_measures, layouts, steady_breath
from ventsim.errors import (
    CircuitError,
    CircuitWarning,
    FileError,
    InputError,
    PartError,
    PlausibilityWarning,
    ScenarioError,
    SettingsError,
)
from ventsim.model.changes import Change, Clamp, Disconnection, LeakOnset, LungRemoval
from ventsim.model.circuit import Circuit
from ventsim.model.laws import Exponential, MeasuredCurve, Orifice, PowerLaw, Rohrer, Sigmoid, VolumeDependent
from ventsim.model.layouts import Layout, PatientLimbs
from ventsim.model.parts import (
    Adapter,
    Filter,
    HalfSineEffort,
    Lung,
    OneWayValve,
    Region,
    Restrictor,
    SampledEffort,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
)
from ventsim.model.scenario import Scenario, builtin, builtin_names, builtin_text
from ventsim.model.ventilator import PressureControl, Ventilator, VolumeControl

LUNG = Lung(compliance=50.0, resistance=10.0)
PRESSURE = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
SCENARIO = Scenario(title="two lungs", circuit=Layout(lungs={"a": LUNG, "b": LUNG}), settings=PRESSURE)

STEP = Change(path="lungs.a.compliance", to=30.0, at=20.0)
SINGLE_PARTS = Circuit(parts=SCENARIO.circuit.parts, joints=SCENARIO.circuit.joints)  # the same without its layout

# Pieces of files, put together by the tests.
TITLE = "title = 't'\n"
SETTINGS = "[settings]\nkind = 'pressure control'\ninspiratory_pressure = 15\nrate = 15\nie_ratio = 0.5\n"
LUNGS = "[lungs.a]\ncompliance = 50\nresistance = 10\n"
ELASTIC = "[lungs.e]\nresistance = 10\n"
SIGMOID = "[lungs.e.compliance]\nlaw = 'sigmoid'\nvital_capacity = 2000\ninflection_pressure = 15\nwidth = 5\n"
EFFORT = "[lungs.e.effort]\nkind = 'half-sine effort'\namplitude = 5\nduration = 1\nrate = 12\n"
COMPARTMENTS = (
    "[lungs.c]\nresistance = 4\n"
    "[[lungs.c.regions]]\ncompliance = 30\nresistance = 5\n"
    "[[lungs.c.regions]]\ncompliance = 20\nresistance = 25\n"
)
JOINTS = (
    "joints = [['ventilator.inspiratory', 'the y.inspiratory'], ['the y.patient', 'a.airway'],\n"
    "          ['the y.expiratory', 'ventilator.expiratory']]\n"
)
PARTS = "[parts.a]\nkind = 'lung'\ncompliance = 50\nresistance = 10\n[parts.'the y']\nkind = 'y-piece'\n"


# --- layouts as descriptions --------------------------------------------------------------------------------


def test_layout_makes_the_circuit_of_the_function():
    choices = {
        "arrangement": "chain",
        "limbs": {"a": PatientLimbs(filter=Filter()), "b": PatientLimbs(inspiratory_tube=Tube(length=4.0))},
        "one_way_valves": False,
        "ideal": True,
        "ventilator": Ventilator(source_resistance=2.0),
        "t_piece": TPiece(gas_volume=20.0),
        "adapter": Adapter(gas_volume=9.0),
        "extension": {"b": Tube(length=4.0)},
    }
    lungs = {"a": LUNG, "b": LUNG}
    assert Layout(lungs=lungs, **choices).circuit == layouts.shared(lungs, **choices)
    assert Layout(lungs=lungs).circuit == layouts.shared(lungs)


def test_layout_survives_plain_values_and_copies():
    layout = Layout(lungs={"a": LUNG}, limbs={"a": PatientLimbs(filter=Filter())}, extension=Tube(length=3.0))
    for other in (Layout.from_dict(layout.model_dump()), copy.deepcopy(layout)):
        assert other == layout and hash(other) == hash(layout)
    assert pickle.loads(pickle.dumps(layout)) == layout


@pytest.mark.parametrize(
    ("values", "error", "message"),
    [
        ({"lungs": {}}, CircuitError, r"lungs \{\} holds no lung"),
        (
            {"lungs": 3},
            CircuitError,
            r"no lung has a name: this is an int\.\n  Give each a name",
        ),
        ({"lungs": {"a": 3}}, CircuitError, r"lungs: 'a' is 3, not a lung\.\n  Give a Lung"),
        ({"lungs": {"a": TPiece()}}, CircuitError, r"lungs: 'a' is .*, not a lung"),
        ({"lungs": {"a.b": LUNG}}, CircuitError, r"layout: lungs: 'a\.b' cannot be the name of a part"),
        (
            {"lungs": {"a": {"compliance": -1.0}}},
            PartError,
            r"lungs: lung 'a': compliance -1 mL/cmH2O is not",
        ),
        (
            {"lungs": {"a": LUNG}, "limbs": {"c": PatientLimbs()}},
            CircuitError,
            r"limbs: there is no lung 'c'",
        ),
        (
            {"lungs": {"a": LUNG}, "limbs": {"a": 2}},
            CircuitError,
            r"limbs: 'a' is 2, not a PatientLimbs\.\n  Give Pat",
        ),
        ({"lungs": {"a": LUNG}, "limbs": 2}, CircuitError, r"limbs: 2 is neither a PatientLimbs nor a mapping of"),
        ({"lungs": {"a": LUNG}, "ideal": "yes"}, CircuitError, r"ideal: 'yes' is neither true nor false"),
        ({"lungs": {"a": LUNG}, "arrangement": "treee"}, CircuitError, r"'treee' .*\n  Did you mean 'tree'"),
        ({"lungs": {"a": LUNG}, "limb": 1}, CircuitError, r"no 'limb'\.\n  Did you mean 'limbs'"),
    ],
)
def test_impossible_layout(values, error, message):
    with pytest.raises(error, match=message):
        Layout(**values)


# --- scenarios ----------------------------------------------------------------------------------------------


def test_scenario_takes_a_layout_or_a_circuit():
    circuit = layouts.shared({"a": LUNG, "b": LUNG})
    assert SCENARIO.circuit == circuit
    assert SCENARIO.changed({"circuit": circuit}).circuit is circuit


def test_scenario_is_a_frozen_description():
    assert hash(SCENARIO) == hash(copy.deepcopy(SCENARIO))
    assert pickle.loads(pickle.dumps(SCENARIO)) == SCENARIO
    assert SCENARIO.changed({"duration": 20.0}).duration == 20.0
    assert SCENARIO.duration == 60.0
    with pytest.raises(ScenarioError, match=r"scenario: duration cannot be set"):
        SCENARIO.duration = 20.0
    for scenario in (SCENARIO, SCENARIO.changed(circuit=SINGLE_PARTS)):
        assert Scenario.from_dict(scenario.model_dump()) == scenario


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"title": " "}, ScenarioError, r"scenario: title: ' ' is not a title\.\n  Give one line"),
        ({"title": "a\nb"}, ScenarioError, r"is not a title"),
        ({"title": 5}, ScenarioError, r"title: 5 is not text"),
        ({"about": 5}, ScenarioError, r"about: 5 is not text"),
        ({"circuit": 5}, ScenarioError, r"circuit: 5 is not a circuit\.\n  Give what layouts\.shared"),
        ({"settings": 5}, SettingsError, r"settings: 5 is not a breath setting\.\n  Give PressureControl"),
        (
            {"settings": {"kind": "volume"}},
            SettingsError,
            r"kind 'volume'\.\n  Did you mean 'volume control'",
        ),
        ({"duration": 0.0}, ScenarioError, r"duration 0 s is not allowed\.\n  Allowed: at least 0\.001"),
        (
            {"duration": 1e6, "waveform_every": 1},
            ScenarioError,
            r"duration 1e\+06 s makes 1e\+08 samples\.\n  Allowed: at most 2e\+07",
        ),
        ({"sample_interval": 5.0}, ScenarioError, r"5 s is longer than a breath\.\n  Allowed: at most 4 s"),
        ({"tolerance": 0.1}, ScenarioError, r"tolerance 0\.1 is not allowed"),
        (
            {"settings": PRESSURE.changed({"inspiratory_pressure": 58.0})},
            SettingsError,
            r"set pressure of 63 cm",
        ),
        ({"changes": 5}, InputError, r"changes: 5 is not a list of changes\.\n  Give \(Change"),
        ({"changes": "x"}, InputError, r"changes: 'x' is not a list of changes"),
        ({"changes": [5]}, InputError, r"changes: number 1: 5 is not a change\.\n  Give Change"),
        ({"changes": [{"kind": "clam"}]}, InputError, r"number 1: .*'clam'\.\n  Did you mean 'clamp'"),
        ({"changes": [{"at": 5.0, "to": 1.0}]}, InputError, r"changes: number 1: change: path is missing"),
        (
            {"changes": [Change(path="lungs.c.compliance", to=5.0, at=9.0)]},
            InputError,
            r"changes\.1\.path 'lungs\.c",
        ),
        (
            {"changes": [Clamp(part="a", at=9.0)]},
            InputError,
            r"changes\.1\.part: 'a' is a lung, which cannot be clamped",
        ),
        (
            {"changes": [STEP, STEP.changed({"at": 60.0})]},
            ScenarioError,
            r"changes\.2\.at 60 s lies beyond the duration of 60 s\.\n  Raise duration or lower at",
        ),
        (
            {"changes": [Change(path="settings.rate", to=100.0, at=5.0)], "sample_interval": 1.0},
            ScenarioError,
            r"sample_interval 1 s is longer than a breath\.\n  Allowed: at most 0\.6 s",
        ),
        (
            {"waveform_windows": 5},
            ScenarioError,
            r"waveform_windows: 5 is not a list of intervals of time\.\n  Give \[\[st",
        ),
        ({"waveform_windows": [5]}, ScenarioError, r"waveform_windows: number 1, 5, is not an interval of time"),
        ({"waveform_windows": [[0, 1, 2]]}, ScenarioError, r"number 1, \[0, 1, 2\], is not an interval"),
        ({"waveform_windows": [[0, 9], [-1, 2]]}, ScenarioError, r"number 2, \[-1, 2\], is not an interval"),
        ({"waveform_windows": [["a", "b"]]}, ScenarioError, r"number 1, \['a', 'b'\], is not an interval"),
        ({"waveform_windows": [[5, 5]]}, ScenarioError, r"number 1, 5 to 5 s, ends before it begins\.\n  Allowed"),
        (
            {"waveform_windows": [[0, 61]]},
            ScenarioError,
            r"waveform_windows: number 1, 0 to 61 s, goes on after the duration of 60 s\.\n  Raise duration",
        ),
        (
            {"waveform_every": 0},
            ScenarioError,
            r"waveform_every 0 is not allowed\.\n  Allowed: whole number at least 1",
        ),
        ({"waveform_every": 2.5}, ScenarioError, r"waveform_every 2\.5 is not allowed"),
        ({"duraton": 5.0}, ScenarioError, r"there is no 'duraton'\.\n  Did you mean 'duration'"),
    ],
)
def test_impossible_scenario(change, error, message):
    with pytest.raises(error, match=message):
        SCENARIO.changed(change)


def test_a_scenario_knows_its_course():
    """Circuit and settings of any time are those of its schedule; without changes they are its own."""
    changed = SCENARIO.changed({"changes": [STEP]})
    assert changed.changes == (STEP,)
    assert changed.schedule.circuit_at(20.0).lungs["a"].compliance == 30.0
    assert changed.schedule is changed.schedule and changed.schedule.circuit_at(0.0) is changed.circuit
    assert SCENARIO.schedule.circuit_at(60.0) is SCENARIO.circuit
    assert hash(changed) == hash(SCENARIO.changed({"changes": (STEP,)})) and changed != SCENARIO
    assert Scenario.from_dict(changed.model_dump()) == changed
    assert pickle.loads(pickle.dumps(changed)) == changed
    plain = {"path": STEP.path, "to": STEP.to, "at": STEP.at}  # without a kind, it is a change of a value
    assert SCENARIO.changed({"changes": [plain]}) == changed


def test_which_waveforms_are_kept():
    assert SCENARIO.keeps_all_waveforms and SCENARIO.changed({"waveform_every": 1}).keeps_all_waveforms
    assert not SCENARIO.changed({"waveform_every": 2}).keeps_all_waveforms
    some = SCENARIO.changed({"waveform_windows": [[0, 5], (10, 60)]})
    assert not some.keeps_all_waveforms and some.waveform_windows == ((0.0, 5.0), (10.0, 60.0))
    long_run = {"duration": 1e6, "waveform_every": 1000}  # more samples than may be kept, if all were
    assert SCENARIO.changed(long_run).duration == 1e6
    with pytest.raises(ScenarioError, match=r"samples\.\n  Allowed: .* raise sample_interval or waveform_every"):
        SCENARIO.changed({**long_run, "waveform_every": 1})


# --- there and back -----------------------------------------------------------------------------------------

NAMES = st.text(min_size=1, max_size=8).filter(
    lambda text: text.strip() and text.isprintable() and "." not in text
)


def numbers(low, high):
    return st.floats(low, high, allow_nan=False)


EFFORTS = st.builds(
    HalfSineEffort,
    amplitude=numbers(-60.0, 60.0),
    duration=numbers(0.1, 1.0),
    rate=numbers(1.0, 40.0),
    delay=numbers(0.0, 0.5),
) | st.builds(
    SampledEffort,
    times=st.just((0.0, 0.1, 0.4)),
    pressures=numbers(-60.0, 60.0).map(lambda pressure: (0.0, pressure, 0.0)),
    period=numbers(0.4, 60.0),
)
ELASTIC_LAWS = (
    st.builds(
        Sigmoid,
        vital_capacity=numbers(10.0, 1e4),
        inflection_pressure=numbers(-20.0, 60.0),
        width=numbers(1.0, 40.0),
    )
    | st.builds(Exponential, largest_volume=numbers(10.0, 1e4), pressure_rate=numbers(0.005, 0.5))
    | st.builds(VolumeDependent, elastance=numbers(0.003, 5.0), volume_elastance=numbers(0.0, 0.1))
)
FLOW_LAWS = (
    st.builds(Rohrer, linear=numbers(0.5, 300.0), quadratic=numbers(0.0, 300.0))
    | st.builds(PowerLaw, coefficient=numbers(1.0, 50.0), exponent=numbers(1.0, 2.0))
    | st.builds(Orifice, bore=numbers(2.0, 20.0), edge=st.sampled_from(["thin", "thick"]))
    | st.just(MeasuredCurve(flows=(0.5, 1.0, 2.0), pressure_drops=(1.0, 3.0, 11.0)))
    | st.just(Rohrer(linear=1.0) + Orifice(bore=8.0))
)


def resistances(low, high):
    return numbers(low, high) | FLOW_LAWS


REGIONS = st.builds(
    Region,
    compliance=numbers(0.2, 300.0) | ELASTIC_LAWS,
    resistance=resistances(0.5, 300.0),
    expiratory_resistance=st.none() | resistances(0.5, 300.0),
)
COMMON_VALUES = {
    "resistance": resistances(0.5, 300.0),
    "expiratory_resistance": st.none() | resistances(0.5, 300.0),
    "effort": st.none() | EFFORTS,
    "relaxation_volume": numbers(5.0, 8000.0),
    "predicted_body_weight": st.none() | numbers(0.3, 150.0),
}
LUNG_VALUES = st.builds(
    Lung,
    compliance=numbers(0.2, 300.0) | ELASTIC_LAWS,
    chest_wall_compliance=st.none() | numbers(0.5, 1000.0),
    **COMMON_VALUES,
) | st.builds(
    Lung,
    regions=st.lists(REGIONS, min_size=1, max_size=3),
    collateral_resistance=st.none() | resistances(0.5, 1e5),
    **COMMON_VALUES,
)
TUBES = st.builds(
    Tube,
    length=numbers(0.0, 10.0),
    bore=numbers(2.5, 40.0),
    resistance=st.none() | resistances(0.0, 300.0),
    gas_volume=st.none() | numbers(0.0, 5000.0),
    wall_compliance=st.none() | numbers(0.0, 20.0),
)
LIMBS = st.builds(
    PatientLimbs,
    inspiratory_tube=TUBES,
    expiratory_tube=TUBES,
    inspiratory_restrictor=st.none() | st.builds(Restrictor, resistance=resistances(0.0, 2000.0)),
    expiratory_restrictor=st.none() | st.builds(Restrictor, resistance=resistances(0.0, 2000.0)),
    filter=st.none() | st.builds(Filter, gas_volume=numbers(0.0, 300.0)),
    tracheal_tube=st.none() | st.builds(TrachealTube, inner_diameter=numbers(2.0, 12.0)),
    valve=st.builds(OneWayValve, opening_pressure=numbers(0.0, 5.0), back_leak=numbers(0.0, 200.0)),
    y_piece=st.builds(YPiece, gas_volume=numbers(0.0, 1000.0)),
)
VENTILATORS = st.builds(
    Ventilator,
    source_resistance=resistances(0.0, 50.0),
    flow_limit=st.none() | numbers(0.05, 10.0),
    relief_pressure=st.none() | numbers(100.0, 150.0),
)
BREATHS = st.builds(
    PressureControl,
    inspiratory_pressure=numbers(2.0, 30.0),
    rate=numbers(3.0, 60.0),
    peep=numbers(0.0, 30.0),
    ie_ratio=numbers(0.2, 1.0),
    rise_time=numbers(0.0, 0.1),
    rise_shape=st.sampled_from(["linear", "exponential"]),
) | st.builds(
    VolumeControl,
    tidal_volume=numbers(2.0, 2500.0),
    rate=numbers(3.0, 60.0),
    peep=numbers(0.0, 30.0),
    inspiratory_time=numbers(0.2, 0.9),
    pause_time=numbers(0.0, 0.1),
    flow_pattern=st.sampled_from(["constant", "decelerating", "sine"]),
)


@st.composite
def circuits(draw):
    lungs = draw(st.dictionaries(NAMES, LUNG_VALUES, min_size=1, max_size=4))
    arrangement = draw(st.sampled_from(["tree", "chain", "star"]))
    some = st.sampled_from(list(lungs))
    layout = Layout(
        lungs=lungs,
        arrangement=arrangement,
        limbs=draw(st.none() | LIMBS | st.dictionaries(some, LIMBS, max_size=2)),
        one_way_valves=draw(st.booleans()),
        ideal=draw(st.booleans()),
        ventilator=draw(st.none() | VENTILATORS),
        t_piece=draw(st.none() | st.builds(TPiece, gas_volume=numbers(0.0, 1000.0))),
        adapter=draw(st.none() | st.builds(Adapter, gas_volume=numbers(0.0, 1000.0))),
        extension=draw(st.none() | TUBES | st.dictionaries(some, TUBES, max_size=2))
        if arrangement == "chain"
        else None,
    )
    circuit = layout.circuit
    if draw(st.booleans()):
        return circuit
    return Circuit(parts=circuit.parts, joints=circuit.joints, ventilator=circuit.ventilator)


@st.composite
def courses(draw, circuit, breath, duration):
    """Changes that fit the circuit: the same value or a near one, and faults at a joint, a lung and a part."""
    lung = draw(st.sampled_from(list(circuit.lungs)))
    tubes = [name for name, part in circuit.parts.items() if isinstance(part, Tube)]
    at = draw(numbers(0.0, 0.4 * duration))
    until = draw(st.none() | numbers(0.5 * duration, 2.0 * duration))
    times = {"at": at, "until": until}
    changes = [
        Change(path=f"lungs.{lung}.resistance", to=draw(resistances(0.5, 300.0)), at=at),
        Change(path="settings.peep", to=breath.peep, at=at),
        Change(path="ventilator.relief_pressure", to=draw(st.just("none") | numbers(100.0, 150.0)), at=at),
        Change(path=f"parts.{tubes[0]}.bore", factor=1.0, **times),
        Clamp(part=tubes[-1], **times),
        LeakOnset(
            joint=circuit.joints[0][draw(st.integers(0, 1))], resistance=draw(resistances(1.0, 1e5)), **times
        ),
        draw(st.sampled_from([LungRemoval(lung=lung, **times), Disconnection(joint=f"{lung}.airway", **times)])),
    ]
    return draw(st.lists(st.sampled_from(changes), unique=True, max_size=4))


@settings(max_examples=60, deadline=None)
@given(
    title=st.text(min_size=1, max_size=20).filter(lambda text: text.strip() and text.isprintable()),
    about=st.text(max_size=60) | st.sampled_from(['"""\n', "a\r\nb", "\\n", "end\n"]),
    circuit=circuits(),
    breath=BREATHS,
    duration=numbers(1.0, 1000.0),
    tolerance=numbers(1e-12, 1e-3),
    waveform_every=st.none() | st.integers(1, 1000),
    data=st.data(),
)
def test_a_scenario_survives_toml(title, about, circuit, breath, duration, tolerance, waveform_every, data):
    """The text says everything: the scenario that is read back is equal, with lungs and parts in order."""
    scenario = Scenario(
        title=title,
        about=about,
        circuit=circuit,
        settings=breath,
        changes=data.draw(courses(circuit, breath, duration)),
        duration=duration,
        tolerance=tolerance,
        waveform_windows=data.draw(st.lists(numbers(0.1, duration).map(lambda end: (0.0, end)), max_size=2)),
        waveform_every=waveform_every,
    )
    back = Scenario.from_toml(scenario.to_toml())
    assert back == scenario
    assert back.circuit.layout == circuit.layout
    assert list(back.circuit.parts) == list(scenario.circuit.parts)
    assert list(back.circuit.lungs) == list(scenario.circuit.lungs)


def test_text_is_readable():
    text = SCENARIO.changed({"about": "line one\nline two"}).to_toml()
    assert text.startswith("# Scenario of ventsim. Units: pressure cmH2O")
    heads = [line for line in text.splitlines() if line.startswith("[")]
    assert heads == ["[run]", "[settings]", "[layout]", "[lungs.a]", "[lungs.b]"]
    assert "line one\nline two" in text
    explicit = SCENARIO.changed(circuit=SINGLE_PARTS).to_toml()
    assert '    ["a y-piece.patient", "a.airway"],\n' in explicit
    assert explicit.index("joints = [") < explicit.index("[run]") < explicit.index('[parts."a y-piece"]')


def test_changes_are_sections_of_their_own():
    changes = [STEP, Clamp(part="b y-piece", at=20.0, until=30.0)]
    text = SCENARIO.changed({"changes": changes, "waveform_windows": [[0, 5]]}).to_toml()
    assert text.endswith(
        '[[changes]]\nkind = "change"\nat = 20.0\npath = "lungs.a.compliance"\nto = 30.0\n\n'
        '[[changes]]\nkind = "clamp"\nat = 20.0\nuntil = 30.0\npart = "b y-piece"\n'
    )
    assert "waveform_every" not in text and "waveform_windows" in text
    assert "waveform_windows" not in SCENARIO.to_toml()


def test_changes_of_a_file():
    """A section without a kind is a change of a value; the text none stays text until it meets the value."""
    text = (
        TITLE
        + SETTINGS
        + LUNGS
        + "[[changes]]\npath = 'ventilator.relief_pressure'\nto = 'none'\nat = 5\n"
        + "[[changes]]\nkind = 'lung removal'\nlung = 'a'\nat = 0\nuntil = 10\n"
        + "[run]\nwaveform_every = 4\n"
    )
    scenario = Scenario.from_toml(text)
    assert scenario.changes == (
        Change(path="ventilator.relief_pressure", to="none", at=5.0),
        LungRemoval(lung="a", at=0.0, until=10.0),
    )
    assert scenario.schedule.circuit_at(5.0).ventilator.relief_pressure is None
    assert scenario.waveform_every == 4


def test_none_is_kept_where_a_default_would_take_its_place():
    layout = Layout(lungs={"a": LUNG}, ventilator=layouts.IDEAL_VENTILATOR)
    text = SCENARIO.changed(circuit=layout).to_toml()
    assert 'flow_limit = "none"' in text and 'relief_pressure = "none"' in text
    assert Scenario.from_toml(text).circuit.ventilator == layouts.IDEAL_VENTILATOR


def test_a_short_file_is_enough():
    scenario = Scenario.from_toml(TITLE + SETTINGS + LUNGS)
    assert scenario.circuit.layout == Layout(lungs={"a": LUNG})
    assert (scenario.duration, scenario.sample_interval, scenario.tolerance) == (60.0, 0.01, 5e-7)
    explicit = Scenario.from_toml(TITLE + JOINTS + SETTINGS + PARTS)
    assert explicit.circuit.layout is None and list(explicit.circuit.parts) == ["a", "the y"]


def test_files(tmp_path):
    file = tmp_path / "ward.toml"
    SCENARIO.save(file)
    assert Scenario.read(file) == SCENARIO == Scenario.read(str(file))
    file.write_bytes(b"\xef\xbb\xbf" + SCENARIO.to_toml().replace("\n", "\r\n").encode())
    assert Scenario.read(file) == SCENARIO  # as an editor on another system leaves it


def test_scenario_of_a_dataset():
    assert Scenario.from_dataset(xr.Dataset(attrs={"scenario": SCENARIO.to_toml()})) == SCENARIO
    with pytest.raises(ScenarioError, match=r"no attribute 'scenario', so the run cannot be repeated"):
        Scenario.from_dataset(xr.Dataset())
    with pytest.raises(ScenarioError, match=r"scenario of the Dataset: this is not TOML: Invalid"):
        Scenario.from_dataset(xr.Dataset(attrs={"scenario": "x ="}))


def test_laws_regions_and_efforts_in_a_file():
    """A number, a law or regions; the kind of a lung need not be said, that of an effort and of a law must."""
    text = TITLE + SETTINGS + LUNGS + ELASTIC + SIGMOID + EFFORT + COMPARTMENTS
    scenario = Scenario.from_toml(text)
    assert scenario.circuit.lungs == {
        "a": LUNG,
        "e": Lung(
            compliance=Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0),
            resistance=10.0,
            effort=HalfSineEffort(amplitude=5.0, duration=1.0, rate=12.0),
        ),
        "c": Lung(
            resistance=4.0,
            regions=(Region(compliance=30.0, resistance=5.0), Region(compliance=20.0, resistance=25.0)),
        ),
    }
    tags = [line for line in scenario.to_toml().splitlines() if line.startswith(("kind", "law"))]
    assert tags == ['kind = "pressure control"', 'law = "sigmoid"', 'kind = "half-sine effort"']


CHANGE = "[[changes]]\npath = 'lungs.a.compliance'\nto = 30\nat = 20\n"

# --- answers to wrong files ---------------------------------------------------------------------------------

WRONG = {
    # lungs and laws
    "kind of lung": (
        TITLE + SETTINGS + ELASTIC + SIGMOID.replace("[lungs.e.comp", "kind = 'elastc lung'\n[lungs.e.comp"),
        r"ward\.toml: lungs\.e\.kind: 'elastc lung' is not possible here\.\n  Allowed: 'lung'; or leave it out",
    ),
    "no compliance": (
        TITLE + SETTINGS + ELASTIC,
        r"lungs\.e\.compliance is missing\.\n  Give compliance=\.\.\. in mL/cmH2O, .*; or regions=",
    ),
    "tag of law": (
        TITLE + SETTINGS + ELASTIC + SIGMOID.replace("law = 'sigmoid'", ""),
        r"lungs\.e\.compliance: law is missing\.\n  Allowed: 'sigmoid'",
    ),
    "law": (
        TITLE + SETTINGS + ELASTIC + SIGMOID.replace("sigmoid", "sigmiod"),
        r"lungs\.e\.compliance\.law: 'sigmiod' is unknown\.\n  Did you mean 'sigmoid'",
    ),
    "law of the other family": (
        TITLE + SETTINGS + ELASTIC + "compliance = { law = 'rohrer', linear = 5 }\n",
        r"lungs\.e\.compliance\.law: 'rohrer' is unknown\.\n  Allowed: 'sigmoid'",
    ),
    "key of law": (
        TITLE + SETTINGS + ELASTIC + SIGMOID.replace("width", "widht"),
        r"lungs\.e\.compliance\.widht: .*\n  Did you mean 'width'",
    ),
    "value of law": (
        TITLE + SETTINGS + ELASTIC + SIGMOID.replace("width = 5", "width = -5"),
        r"lungs\.e\.compliance\.width -5 cmH2O is not allowed",
    ),
    "no laws in series": (
        TITLE + SETTINGS + LUNGS.replace("= 10", "= { law = 'series', laws = [] }"),
        r"resistance\.laws holds none\.\n  Give at least one, such as \{ law = \"rohrer\", linear = 5",
    ),
    "laws in series": (
        TITLE
        + SETTINGS
        + LUNGS.replace(
            "= 10", "= { law = 'series', laws = [{ law = 'rohrer', linear = 1 }, { law = 'orifice', bore = -1 }] }"
        ),
        r"lungs\.a\.resistance\.laws\.2\.bore -1 mm is not allowed",
    ),
    "number in series": (
        TITLE + SETTINGS + LUNGS.replace("= 10", "= { law = 'series', laws = [3, -3] }"),
        r"lungs\.a\.resistance\.laws: number 2: .* -3 cmH2O·s/L is not allowed",
    ),
    "neither number nor law": (
        TITLE + SETTINGS + LUNGS.replace("= 10", "= [5, 8]"),
        r"lungs\.a\.resistance: \[5, 8\] is neither a number nor a flow law\.\n  Give a number, or "
        r"\{ law = \"rohrer\", linear = 5, quadratic = 8 \}",
    ),
    "effort": (
        TITLE + SETTINGS + ELASTIC + SIGMOID + EFFORT.replace("duration = 1", "duration = 6"),
        r"lungs\.e\.effort\.delay 0 s and duration 6 s end at 6 s, beyond the period of 5 s",
    ),
    "regions": (
        TITLE + SETTINGS + COMPARTMENTS.partition("[[")[0] + "[lungs.c.regions]\ncompliance = 3\n",
        r"lungs\.c\.regions: .* is not a list\.\n  Write \[\[lungs\.c\.regions\]\] above each of them",
    ),
    "region": (
        TITLE + SETTINGS + COMPARTMENTS.replace("resistance = 25", "resistance = -1"),
        r"lungs\.c\.regions\.2\.resistance -1 cmH2O·s/L is not allowed",
    ),
    "compliance and regions": (
        TITLE + SETTINGS + COMPARTMENTS.replace("resistance = 4", "resistance = 4\ncompliance = 50"),
        r"lungs\.c\.compliance and regions are given at once\.\n  Leave compliance out",
    ),
    # not TOML
    "decimal comma": (
        TITLE + SETTINGS + LUNGS.replace("= 50", "= 25,5  # mL/cmH2O"),
        r"not TOML: .*, at line 8, column 16\.\n    compliance = 25,5 .*\n  A number has a decimal point: 25\.5$",
    ),
    "ratio": (
        TITLE + SETTINGS.replace("= 0.5", "= 1:2") + LUNGS,
        r"ie_ratio = 1:2\n  A ratio is one number: 0\.5 for 1:2$",
    ),
    "capital true": (
        TITLE + SETTINGS + LUNGS + "[layout]\nideal = True\n",
        r"Invalid value, .*\n    ideal = True\n  Write it in small letters: true$",
    ),
    "unit": (
        TITLE + SETTINGS + LUNGS.replace("= 50", "= 50 mL/cmH2O"),
        r"\n  Write the number alone, with its unit in a comment: 50  # mL/cmH2O$",
    ),
    "none without quotes": (TITLE + "x = None", r"\n  Leave the line out, or write \"none\" in quotes"),
    "no quotes": (
        TITLE + SETTINGS.replace("'pressure control'", "pressure control"),
        r"\n  Write text in quotes: \"pressure control\"$",
    ),
    "curved quotes": ("title = “two lungs”", r"\n  Write straight quotes: \"two lungs\"$"),
    "space in a name": (
        TITLE + SETTINGS + LUNGS.replace("lungs.a", "lungs.bed 1"),
        r"\n  Put a name with a space in quotes: \"bed 1\"$",
    ),
    "space in a path": (
        "parts.a tube.bore = 5",
        r"\n  Put a name with a space in quotes: \"parts\.a tube\.bore\"$",
    ),
    "colon": ("rate: 15", r"\n  Write = in place of the colon: = 15$"),
    "other comment": ("// two lungs", r"\n  A comment begins with #\.$"),
    "two lungs of one name": (
        TITLE + SETTINGS + LUNGS + LUNGS,
        r"ward\.toml: line 10: there are two lungs 'a'\.\n  Rename one of them, or put the keys",
    ),
    "two parts of one name": (
        TITLE + PARTS + PARTS,
        r"ward\.toml: line 8: there are two parts 'a'\.\n  Rename one of them",
    ),
    "two sections": (
        TITLE + SETTINGS + LUNGS + SETTINGS,
        r"ward\.toml: line 10: there are two sections \[settings\]\.\n  Leave one of them out, or put",
    ),
    "two limbs of one lung": (
        TITLE + 2 * "[limbs.a]\n",
        r"line 3: there are two sections \[limbs\.a\]\.\n  Leave",
    ),
    "section inside that is there": (
        TITLE + "[lungs.e]\ncompliance = { width = 1 }\n[lungs.e.compliance]\n",
        r"line 4: there are two sections \[lungs\.e\.compliance\]",
    ),
    "two values": (
        TITLE + SETTINGS + "rate = 12\n",
        r"line 7: there are two values of rate in \[settings\]\.\n    rate = 12\n  Leave one of them out",
    ),
    "two titles": (2 * TITLE, r"line 2: there are two values of title\.\n"),
    "no equals sign": (
        "title 'x'",
        r"not TOML: Expected '=' .*, at line 1, column 7\.\n    title 'x'\n  Write",
    ),
    "no value": ("title = 'x'\n\nfoo = \n", r"not TOML: Invalid value, at line 3, column 7\.\n    foo =\n"),
    "open end": ("x = '''abc", r"not TOML: Expected \"'''\", at end of document\.\n  Write"),
    "too deep": ("x = " + "[" * 5000, r"not TOML: maximum recursion depth"),
    "huge number": ("x = " + "9" * 5000, r"not TOML: Exceeds the limit \(4300 digits\)"),
    # title and sections
    "empty": (
        "",
        r"ward\.toml: the file is empty\.\n  Start from a built-in .*ventsim scenario two-unequal-lungs",
    ),
    "comments": ("# nothing yet\n", r"ward\.toml: the file is empty\.\n  Start from a built-in scenario: vents"),
    "empty sections": (
        "[settings]\n[lungs]\n",
        r"nothing in the file but \[settings\], \[lungs\]\.\n  Start from",
    ),
    "title alone": (
        TITLE,
        r"ward\.toml: there is no lung\.\n .*\nward\.toml: section \[settings\] is missing",
    ),
    "several wrong names": (
        "tittle = 't'\n" + SETTINGS + "rat = 3\n[lungs.a]\ncomplience = 5\nresistence = 4\n[rum]\nduration = 5\n",
        r"tittle: .*\n  Did you mean 'title'\?\nward\.toml: rum: .*\n  Did you mean 'run'.*\n"
        r"ward\.toml: lungs\.a\.complience: .*\n  Did you mean 'compliance'\?\n"
        r"ward\.toml: lungs\.a\.resistence: .*\n  Did you mean 'resistance'.*\n"
        r"ward\.toml: settings\.rat: .*\n  Did you mean 'rate'\?$",
    ),
    "wrong names with one hint": (
        TITLE + SETTINGS + LUNGS + "[layout]\nxxx = 1\nyyy = 2\n",
        r"ward\.toml: layout: there are no such keys here: xxx, yyy\.\n  Allowed: 'arrangement'",
    ),
    "wrong everywhere": (
        TITLE
        + SETTINGS.replace("= 15\nrate", "= -15\nrate")
        + LUNGS.replace("50", "-50")
        + "[run]\nduraton = 5\n[layout]\nidel = true\n[[changes]]\npath = 'settings.peep'\nat = -1\nto = 3\n",
        r"(?s)run\.duraton: .*layout\.idel: .*lungs\.a\.compliance -50 .*settings\.inspiratory_pressure -15 .*"
        r"changes\.1\.at -1 s is not allowed",
    ),
    "keys of elsewhere": (
        TITLE + SETTINGS + LUNGS + "peep = 5\nduration = 60\ntitle = 'x'\ntidal_volume = 400\n",
        r"lungs\.a: there are no such keys here: peep, tidal_volume\.\n  Write it in section \[settings\]\.\n"
        r"ward\.toml: lungs\.a\.duration: .*\n  Write it in section \[run\]\.\n"
        r"ward\.toml: lungs\.a\.title: .*\n  Write it above the first",
    ),
    "piece of a key": (
        TITLE + SETTINGS + LUNGS + "body = 5\n",
        r"lungs\.a\.body: .*\n  Did you mean 'predicted_body_weight'",
    ),
    "title": ("title = 5\n" + SETTINGS + LUNGS, r"ward\.toml: title: 5 is not text"),
    "unknown": (TITLE + "tabel = 1\n", r"ward\.toml: tabel: there is no such key here\.\n  Allowed: 'title'"),
    "near": ("tittle = 't'\n", r"ward\.toml: tittle: .*\n  Did you mean 'title'"),
    "home of duration": ("duration = 5\n", r"duration: .*\n  Write it in section \[run\]"),
    "home of peep": ("peep = 5\n", r"peep: .*\n  Write it in section \[settings\]"),
    "home of ideal": ("ideal = true\n", r"ideal: .*\n  Write it in section \[layout\]"),
    "home of limit": ("flow_limit = 5\n", r"flow_limit: .*\n  Write it in section \[ventilator\]"),
    "home of compliance": ("compliance = 5\n", r"compliance: .*\n  Write it in section \[lungs\.NAME\]"),
    # settings
    "no settings": (
        TITLE + LUNGS,
        r"section \[settings\] is missing\.\n  Write \[settings\] and below it kind",
    ),
    "settings": (TITLE + "settings = 5\n" + LUNGS, r"settings: 5 is not a section\.\n  Write \[settings\]"),
    "no kind": (
        TITLE + LUNGS + "[settings]\n",
        r"settings: kind is missing\.\n  Allowed: 'pressure control'",
    ),
    "kind": (
        TITLE + LUNGS + "[settings]\nkind = 'presure control'\n",
        r"settings\.kind: 'presure control' is unknown\.\n  Did you mean 'pressure control'",
    ),
    "kind of wrong type": (TITLE + LUNGS + "[settings]\nkind = 5\n", r"settings\.kind: 5 is unknown"),
    "keys of pressure control": (
        TITLE + LUNGS + SETTINGS.replace("pressure control", "volume control") + "rise_time = 0.1\n",
        r"settings: there are no such keys here: inspiratory_pressure, rise_time\.\n"
        r"  For pressure control only; volume control needs tidal_volume\.$",
    ),
    "keys of volume control": (
        TITLE + LUNGS + SETTINGS.replace("inspiratory_pressure = 15", "tidal_volume = 800\npause_time = 0.2"),
        r"keys here: tidal_volume, pause_time\.\n  For volume control only; pressure control needs insp",
    ),
    "key of the other mode beside one's own": (
        TITLE + LUNGS + SETTINGS + "flow_pattern = 'sine'\n",
        r"settings\.flow_pattern: .*\n  For volume control only, not for pressure control\.$",
    ),
    "key of another kind of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + "joint = 'a.airway'\n",
        r"changes\.1\.joint: .*\n  For disconnection or leak onset only, not for change\.",
    ),
    "number in quotes": (
        TITLE + SETTINGS.replace("= 15\nie", "= '15,5 per min'\nie") + LUNGS.replace("50", "'50 mL'"),
        r"lungs\.a\.compliance '50 mL' is text, not a number\.\n  Write 50 without unit and quotes\.\n"
        r"ward\.toml: settings\.rate '15,5 per min' is .*\n  Write 15\.5 without unit and quotes\.$",
    ),
    "ratio in quotes": (
        TITLE + SETTINGS.replace("= 0.5", "= '1:2'") + LUNGS,
        r"settings\.ie_ratio '1:2' is text, not a number\.\n  A ratio is one number: write 0\.5\.$",
    ),
    "duration in quotes": (
        TITLE + SETTINGS + LUNGS + "[run]\nduration = '60 s'\n",
        r"run\.duration '60 s' is text, not a number\.\n  Write 60 without unit",
    ),
    "setting": (
        TITLE + SETTINGS + "inspirtory_time = 1\n" + LUNGS,
        r"ward\.toml: settings\.inspirtory_time: .*\n  Did you mean 'inspiratory_time'",
    ),
    "times": (
        TITLE + SETTINGS + "inspiratory_time = 1\n" + LUNGS,
        r"ward\.toml: settings: needs exactly one of",
    ),
    "rise time": (
        TITLE + SETTINGS + "rise_time = 9\n" + LUNGS,
        r"ward\.toml: settings\.rise_time 9 s is longer",
    ),
    "shape": (
        TITLE + SETTINGS + "rise_shape = 'linea'\n" + LUNGS,
        r"ward\.toml: settings\.rise_shape 'linea' .*\n  Did you mean 'linear'",
    ),
    "relief": (
        TITLE + SETTINGS + LUNGS + "[ventilator]\nrelief_pressure = 18\n",
        r"ward\.toml: settings: the set pressure of 20 cmH2O, .*relief_pressure of 18 cmH2O\.\n  Allowed",
    ),
    # run
    "duration": (
        TITLE + SETTINGS + LUNGS + "[run]\nduration = -1\n",
        r"ward\.toml: run\.duration -1 s is not allowed\.\n  Allowed: at least 0\.001 and at most 1e\+07 s",
    ),
    "run": (
        TITLE + SETTINGS + LUNGS + "[run]\nduraton = 1\n",
        r"run\.duraton: .*\n  Did you mean 'duration'",
    ),
    "samples": (
        TITLE + SETTINGS + LUNGS + "[run]\nsample_interval = 9\n",
        r"run\.sample_interval 9 s is longer",
    ),
    "wave windows": (
        TITLE + SETTINGS + LUNGS + "[run]\nwaveform_windows = [[5, 4]]\n",
        r"ward\.toml: run\.waveform_windows: number 1, 5 to 4 s, ends before it begins",
    ),
    "wave window after the end": (
        TITLE + SETTINGS + LUNGS + "[run]\nwaveform_windows = [[5, 400]]\n",
        r"ward\.toml: run\.waveform_windows: number 1, 5 to 400 s, goes on after",
    ),
    "wave every": (
        TITLE + SETTINGS + LUNGS + "[run]\nwaveform_every = 0\n",
        r"ward\.toml: run\.waveform_every 0 is not allowed\.\n  Allowed: whole number",
    ),
    "home of wave every": ("waveform_every = 5\n", r"waveform_every: .*\n  Write it in section \[run\]"),
    # changes
    "changes": (
        TITLE + SETTINGS + LUNGS + "[changes]\nat = 5\n",
        r"ward\.toml: changes: .* is not a list\.\n  Write \[\[changes\]\] above each of them",
    ),
    "change": (
        "changes = [5]\n" + TITLE + SETTINGS + LUNGS,
        r"ward\.toml: changes\.1: 5 is not a section\.\n  Write \[\[changes\]\] and the keys on lines below it",
    ),
    "kind of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + "kind = 'clmp'\n",
        r"ward\.toml: changes\.1\.kind: 'clmp' is unknown\.\n  Did you mean 'clamp'",
    ),
    "key of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + CHANGE + "untill = 5\n",
        r"ward\.toml: changes\.2\.untill: .*\n  Did you mean 'until'",
    ),
    "value of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + CHANGE.replace("at = 20", "at = -20"),
        r"ward\.toml: changes\.2\.at -20 s is not allowed\.\n  Allowed: at least 0",
    ),
    "end of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + "until = 20\n",
        r"ward\.toml: changes\.1\.until 20 s is not after at 20 s",
    ),
    "two targets": (
        TITLE + SETTINGS + LUNGS + CHANGE + "factor = 2\n",
        r"ward\.toml: changes\.1: needs exactly one of to and factor; both are given",
    ),
    "target": (
        TITLE + SETTINGS + LUNGS + CHANGE.replace("to = 30", "to = true"),
        r"ward\.toml: changes\.1\.to: True is neither a number, text nor a law",
    ),
    "path of change": (
        TITLE + SETTINGS + LUNGS + CHANGE + CHANGE.replace("lungs.a.compliance", "lungs.b.compliance"),
        r"ward\.toml: changes\.2\.path 'lungs\.b\.compliance': there is no 'b' in 'lungs'\.\n  Allowed: 'a'",
    ),
    "two changes of one value": (
        TITLE + SETTINGS + LUNGS + CHANGE + CHANGE,
        r"ward\.toml: changes\.2: the change of 'lungs\.a\.compliance' \(at 20 s\) contradicts",
    ),
    "impossible later": (
        TITLE + SETTINGS + LUNGS + CHANGE.replace("to = 30", "to = -30"),
        r"ward\.toml: changes\.1: the change of 'lungs\.a\.compliance': at 20 s lung 'a': compliance -30 mL/cmH2O",
    ),
    "late change": (
        TITLE + SETTINGS + LUNGS + CHANGE.replace("at = 20", "at = 7200"),
        r"ward\.toml: changes\.1\.at 7200 s lies beyond the duration of 60 s\.\n  Raise duration or lower at",
    ),
    # lungs
    "no lungs": (TITLE + SETTINGS, r"ward\.toml: there is no lung\.\n  Write \[lungs\.NAME\]"),
    "empty lungs": (
        TITLE + SETTINGS + "[lungs]\n",
        r"ward\.toml: there is no lung\.\n  Write \[lungs\.NAME\]",
    ),
    "lungs": ("lungs = 5\n" + TITLE + SETTINGS, r"lungs: 5 is not a section"),
    "nameless lung": (
        TITLE + SETTINGS + "[lungs]\ncompliance = 50\n",
        r"lungs\.compliance: which lung is meant\?\n  Write \[lungs\.NAME\]",
    ),
    "name of lung": (
        TITLE + SETTINGS + "[lungs.'a.b']\ncompliance = 50\nresistance = 5\n",
        r"ward\.toml: lungs: 'a\.b' cannot be the name of a part",
    ),
    "compliance": (
        TITLE + SETTINGS + LUNGS + "[lungs.b]\ncompliance = -1\n",
        r"(?s)ward\.toml: lungs\.b\.compliance -1 mL/cmH2O is not allowed\.\n  Allowed: above 0 mL/cmH2O; .*"
        r"\nward\.toml: lungs\.b\.resistance is missing\.\n  Give resistance=\.\.\. in cmH2O·s/L",
    ),
    "text for number": (
        TITLE + SETTINGS + "[lungs.b]\ncompliance = '50'\nresistance = 10\n",
        r"ward\.toml: lungs\.b\.compliance '50' is text, not a number\.\n  Write 50 without quotes\.$",
    ),
    "date for number": (
        TITLE + SETTINGS + "[lungs.b]\ncompliance = 2020-01-01\nresistance = 10\n",
        r"lungs\.b\.compliance: datetime\.date\(2020, 1, 1\) is neither a number nor a pressure-volume law",
    ),
    "infinite": (
        TITLE + SETTINGS + "[lungs.b]\ncompliance = inf\nresistance = 10\n",
        r"lungs\.b\.compliance inf mL/cmH2O is not allowed",
    ),
    "key of lung": (
        TITLE + SETTINGS + "[lungs.b]\ncomplience = 50\n",
        r"ward\.toml: lungs\.b\.complience: .*\n  Did you mean 'compliance'",
    ),
    "none": (
        TITLE + SETTINGS + LUNGS + "relaxation_volume = 'none'\n",
        r"lungs\.a\.relaxation_volume 'none' is not a number",
    ),
    # layout and fittings
    "layout": (
        TITLE + SETTINGS + LUNGS + "[layout]\narangement = 'tree'\n",
        r"ward\.toml: layout\.arangement: .*\n  Did you mean 'arrangement'",
    ),
    "arrangement": (
        TITLE + SETTINGS + LUNGS + "[layout]\narrangement = 'chian'\n",
        r"ward\.toml: layout\.arrangement 'chian' is not one of the choices\.\n  Did you mean 'chain'",
    ),
    "flag": (
        TITLE + SETTINGS + LUNGS + "[layout]\nideal = 1\n",
        r"layout\.ideal: 1 is neither true nor false",
    ),
    "tube of all limbs": (
        TITLE + SETTINGS + LUNGS + "[limbs.inspiratory_tube]\nlength = -1\n",
        r"ward\.toml: limbs\.inspiratory_tube\.length -1 m is not allowed\.\n  Allowed: at least 0 m",
    ),
    "part of limbs": (
        TITLE + SETTINGS + LUNGS + "[limbs.a.inspiratry_tube]\nlength = 1\n",
        r"limbs\.a\.inspiratry_tube: .*\n  Did you mean 'inspiratory_tube'",
    ),
    "name of limbs": (
        TITLE + SETTINGS + LUNGS + "[limbs.b.inspiratory_tube]\nlength = 1\n",
        r"ward\.toml: limbs\.b: there is no such key here\.\n  Allowed: 'a', 'inspiratory_tube'",
    ),
    "tube that must be": (
        TITLE + SETTINGS + LUNGS + "[limbs]\ninspiratory_tube = 'none'\n",
        r"limbs\.inspiratory_tube: 'none' is not a section",
    ),
    "extension": (TITLE + SETTINGS + LUNGS + "[extension]\nbore = 22\n", r"extension\.length is missing"),
    "ventilator": (
        TITLE + SETTINGS + LUNGS + "[ventilator]\nflow_limit = 'non'\n",
        r"ward\.toml: ventilator\.flow_limit 'non' is not a number",
    ),
    # circuits of single parts
    "two kinds of circuit": (
        TITLE + JOINTS + SETTINGS + LUNGS,
        r"'lungs' belongs to a ready-made layout, 'joints' to .*\n  Give either \[lungs\.NAME\]",
    ),
    "no joints": (TITLE + SETTINGS + PARTS, r"ward\.toml: joints is missing\.\n  Write joints = "),
    "late joints": (
        TITLE + SETTINGS + PARTS + JOINTS,
        r'parts\."the y"\.joints: .*\n  Write it above the first \[section\]',
    ),
    "joints": ("joints = 5\n" + TITLE + SETTINGS + PARTS, r"ward\.toml: joints: 5 is not a list of joints"),
    "end of joint": (
        TITLE + JOINTS.replace("the y.patient", "the x.patient") + SETTINGS + PARTS,
        r"ward\.toml: joint \('the x\.patient', 'a\.airway'\): there is no part .*\n  Did you mean 'the y'",
    ),
    "kind of part": (
        TITLE + JOINTS + SETTINGS + PARTS.replace("y-piece", "y pice"),
        r"ward\.toml: parts\.\"the y\"\.kind: 'y pice' is unknown\.\n  Did you mean 'y-piece'",
    ),
    "kindless part": (
        TITLE + JOINTS + SETTINGS + PARTS.replace("kind = 'y-piece'", ""),
        r"parts\.\"the y\": kind is missing\.\n  Allowed: 't-piece', 'y-piece'",
    ),
    "value of part": (
        TITLE + JOINTS + SETTINGS + PARTS + "gas_volume = -3\n",
        r"ward\.toml: parts\.\"the y\"\.gas_volume -3 mL is not allowed\.\n  Allowed: at least 0 mL",
    ),
    "parts": (TITLE + JOINTS + "parts = 5\n" + SETTINGS, r"parts: 5 is not a section"),
    "part": (TITLE + JOINTS + SETTINGS + PARTS + "[parts]\nx = 5\n", r"parts\.x: 5 is not a section"),
}


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=WRONG.keys())
def test_wrong_file(text, message):
    with pytest.raises(ScenarioError, match=message) as caught:
        Scenario.from_toml(text, source="ward.toml")
    assert str(caught.value).startswith("ward.toml: ")


FIRST_EDITION = """
[run]
wave_every = 10
[settings]
kind = "pressure control"
inspiratory_pressure = 15
rate = 15
ie_ratio = 0.5
[branch.tracheal_tube]
inner_diameter = 8
narrowing = 0.1
[branches.curve.inspiratory_restrictor]
kind = "orifice"
bore = 5
[branches.b.inspiratory_restrictor]
linear_resistance = 5
quadratic_resistance = 8
[branches.b.inspiratory_tube]
length = 1.5
corrugation_factor = 1.5
[branches.b.expiratory_restrictor]
kind = "measured part"
flows = [0.5, 1.0]
drops = [1.0, 3.0]
one_way = true
opening_pressure = 0.5
[lungs.curve]  # a lung may have any name
compliance = 50
resistance = 10
body_weight = 70
[lungs.b]
kind = "elastic lung"
resistance = 10
[lungs.b.curve]
kind = "exponential curve"
largest_volume = 2000
rate = 0.04
[[changes]]
kind = "taken off"
lung = "b"
at = 20
[[changes]]
path = "lungs.b.curve.rate"
to = 0.05
at = 20
[[changes]]
path = "parts.curve inspiratory restrictor.bore"
to = 4
at = 30
"""


def test_a_file_of_the_first_edition_is_answered_once_with_what_to_write_now():
    with pytest.raises(ScenarioError) as caught:
        Scenario.from_toml(FIRST_EDITION, source="ward.toml")
    measured = 'resistance = { law = "measured curve", flows = [...], pressure_drops = [...] }'
    valve = f"a valve in place of the restrictor, [limbs.NAME.valve] with {measured}"
    rohrer = 'write resistance = { law = "rohrer", linear = ..., quadratic = ... }'
    assert str(caught.value).splitlines() == [
        "ward.toml: this file has keys of the first edition.",
        "  run.wave_every: write waveform_every",
        "  branch: write [limbs]",
        "  branch.tracheal_tube.narrowing: write obstructed_fraction",
        "  branches: write [limbs.NAME]",
        '  branches.curve.inspiratory_restrictor.kind = "orifice": write kind = "restrictor" with resistance = '
        '{ law = "orifice", bore = ... }',
        f"  branches.b.inspiratory_restrictor.linear_resistance: {rohrer}",
        f"  branches.b.inspiratory_restrictor.quadratic_resistance: {rohrer}",
        "  branches.b.inspiratory_tube.corrugation_factor: write corrugated_friction, the friction factor in "
        "fully rough flow, or leave it out",
        f'  branches.b.expiratory_restrictor.kind = "measured part": write kind = "restrictor" with {measured}',
        f"  branches.b.expiratory_restrictor.drops: write {measured}",
        f"  branches.b.expiratory_restrictor.one_way: write {valve}",
        f"  branches.b.expiratory_restrictor.opening_pressure: write {valve} and opening_pressure",
        "  lungs.curve.body_weight: write predicted_body_weight",
        '  lungs.b.kind = "elastic lung": write a lung with compliance as a law',
        '  lungs.b.curve: write compliance = { law = "exponential", ... }',
        '  lungs.b.curve.kind = "exponential curve": write law = "exponential"',
        "  lungs.b.curve.rate: write pressure_rate",
        '  changes.1.kind = "taken off": write kind = "lung removal"',
        '  changes.2.path = "lungs.b.curve.rate": write "lungs.b.compliance.pressure_rate"',
        '  changes.3.path = "parts.curve inspiratory restrictor.bore": write "parts.curve inspiratory '
        'restrictor.resistance.bore"',
    ]


def test_a_title_is_not_needed(tmp_path):
    """A file gives its name, a text none; both can be written and read again."""
    file = tmp_path / "night shift.toml"
    file.write_text(SETTINGS + LUNGS)
    assert Scenario.read(file).title == "night shift"
    scenario = Scenario.from_toml(SETTINGS + LUNGS)
    assert scenario.title == Scenario(circuit=SCENARIO.circuit, settings=PRESSURE).title == "untitled"
    assert Scenario.from_toml(scenario.to_toml()) == scenario
    (tmp_path / "with title.toml").write_text(TITLE + SETTINGS + LUNGS)
    assert Scenario.read(tmp_path / "with title.toml").title == "t"


def test_text_that_is_no_text():
    with pytest.raises(ScenarioError, match=r"ward\.toml: 5 is not text"):
        Scenario.from_toml(5, source="ward.toml")


def test_doubts_name_the_path():
    text = TITLE + SETTINGS + LUNGS + "[lungs.b]\ncompliance = 0.05\nresistance = 10\n"
    with pytest.warns(PlausibilityWarning, match=r"'lungs\.b': compliance 0\.05 .*\n  Did you mean 50"):
        Scenario.from_toml(text)
    text = TITLE + SETTINGS + LUNGS + "[limbs.a.expiratory_tube]\nlength = 150\n"
    with pytest.warns(PlausibilityWarning, match=r"'limbs\.a\.expiratory_tube': length 150 m .*\n  Did you"):
        Scenario.from_toml(text)


def test_a_valve_the_wrong_way_round_is_still_told():
    scenario = SCENARIO.changed(circuit=SINGLE_PARTS)
    text = scenario.to_toml()
    for old, new in ((".inlet", ".x"), (".outlet", ".inlet"), (".x", ".outlet")):
        text = text.replace(f"a inspiratory valve{old}", f"a inspiratory valve{new}")
    with pytest.warns(CircuitWarning, match=r"one-way valve 'a inspiratory valve' points against the flow"):
        Scenario.from_toml(text)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("wrad.toml", r"there is no file '.*wrad\.toml'\.\n  Did you mean '.*ward\.toml'"),
        (".", r"is a folder, not a file\.\n  "),
        ("none/ward.toml", r"there is no file '.*ward\.toml'\.\n  Neither scenario nor result is in"),
        ("bits.toml", r"is not a text file in UTF-8\.\n  A scenario is TOML text"),
        ("x" * 400, r"cannot read '.*x': File name too long\.\n  Give a file that can be read"),
        ("a\0b", r"cannot read .*null byte"),
    ],
)
def test_unreadable_file(tmp_path, name, message):
    SCENARIO.save(tmp_path / "ward.toml")
    (tmp_path / "bits.toml").write_bytes(b"\x89HDF\xff\xfe")
    with pytest.raises(ScenarioError, match=message):
        Scenario.read(tmp_path / name)


def test_unwritable_file(tmp_path):
    with pytest.raises(FileError, match=r"cannot write '.*ward\.toml': there is no folder '.*none'\.\n  Give"):
        SCENARIO.save(tmp_path / "none" / "ward.toml")


# --- built-ins ----------------------------------------------------------------------------------------------


def test_names_of_the_builtins():
    assert builtin_names() == (
        "beds-around-the-ventilator",
        "beds-in-a-row",
        "disconnected-bed",
        "disconnected-bed-volume-control",
        "four-equal-lungs",
        "four-equal-lungs-volume-control",
        "four-unequal-lungs",
        "kinked-tube",
        "kinked-tube-volume-control",
        "six-hours-equal-lungs",
        "six-hours-equal-lungs-volume-control",
        "six-hours-one-stiffening-lung",
        "six-hours-one-stiffening-lung-volume-control",
        "two-unequal-lungs",
        "two-unequal-lungs-volume-control",
    )
    with pytest.raises(
        ScenarioError, match=r"no built-in scenario 'four-equal'\.\n  Did you mean 'four-equal-lungs'"
    ):
        builtin("four-equal")
    with pytest.raises(ScenarioError, match=r"no built-in scenario '\.\./x'\.\n  Allowed: 'beds-around-the-"):
        builtin_text("../x")


@pytest.mark.parametrize("name", builtin_names())
def test_builtin_is_invented_silent_and_survives_toml(name):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        scenario = builtin(name)
    assert scenario.about.startswith("Invented for demonstration: ")
    assert "invented for demonstration" in tomllib.loads(builtin_text(name))["about"].lower()
    assert Scenario.from_toml(scenario.to_toml()) == scenario


def test_content_of_the_builtins():
    """As the titles and comments of the files say."""
    scenarios = {name: builtin(name) for name in builtin_names()}
    assert [len(scenario.circuit.lungs) for scenario in scenarios.values()] == [4, 3, *11 * [4], 2, 2]
    for name, scenario in scenarios.items():
        lungs = list(scenario.circuit.lungs.values())
        assert (len(set(lungs)) > 1) == ("unequal" in name or "around" in name)
        is_volume = name.endswith("volume-control") or name == "beds-in-a-row"
        assert scenario.settings.kind == ("volume control" if is_volume else "pressure control")
        # Whoever changes the kind keeps the title, which must not contradict it then.
        assert " control" not in scenario.title
        assert isinstance(scenario.circuit.layout, Layout)
    assert scenarios["four-equal-lungs-volume-control"].settings.tidal_volume == 2000.0
    tubes = scenarios["four-unequal-lungs"].circuit.parts
    assert tubes["d inspiratory tube"].length == 2 * tubes["a inspiratory tube"].length == 3.6
    assert scenarios["beds-in-a-row"].circuit.layout.arrangement == "chain"
    around = scenarios["beds-around-the-ventilator"].circuit
    assert {around.parts[f"{name} expiratory tube"].length for name in around.lungs} == {1.8}
    for name, scenario in scenarios.items():
        patients = "two-unequal" not in name  # test lungs, without a tracheal tube
        kinds = [part.kind for part in scenario.circuit.parts.values()]
        assert kinds.count("tracheal tube") == (len(scenario.circuit.lungs) if patients else 0)


def test_changes_of_the_builtins():
    """As their texts say: both modes alike; what is put back is as before; long ones keep some waveforms."""
    scenarios = {name: builtin(name) for name in builtin_names() if not name.endswith("volume-control")}
    for name in ("six-hours-equal-lungs", "six-hours-one-stiffening-lung", "kinked-tube", "disconnected-bed"):
        one, other = scenarios[name], builtin(f"{name}-volume-control")
        assert (one.changes, one.duration, one.circuit) == (other.changes, other.duration, other.circuit)
        assert one.keeps_all_waveforms == (not name.startswith("six-hours"))
    for name in ("six-hours-equal-lungs", "six-hours-one-stiffening-lung"):
        assert scenarios[name].duration == 6 * 3600.0 and scenarios[name].settings.rate == 16.0
        assert builtin(f"{name}-volume-control").settings.rate == 16.0
    assert scenarios["six-hours-equal-lungs"].changes == ()
    stiffening = scenarios["six-hours-one-stiffening-lung"].schedule
    found = [stiffening.circuit_at(hours * 3600.0).lungs["b"].compliance for hours in (2.0, 2.5, 3.0, 6.0)]
    assert found == [50.0, 35.0, 20.0, 20.0]
    kink = scenarios["kinked-tube"].schedule
    bores = [
        kink.circuit_at(time).parts["c inspiratory restrictor"].resistance.bore for time in (0.0, 120.0, 420.0)
    ]
    assert bores == [22.0, 3.0, 22.0] and kink.circuit_at(420.0) is kink.circuit
    bed = scenarios["disconnected-bed"].schedule
    assert "open end of b tracheal tube inlet" in bed.circuit_at(120.0).parts
    assert bed.circuit_at(180.0) is bed.circuit


def test_four_equal_lungs_get_what_they_always_got():
    """About 470 mL each, as before the tracheal tubes were parts of their own; 1 % for the round numbers."""
    scenario = builtin("four-equal-lungs")
    measures = breath_measures(steady_breath(scenario))
    assert measures["inspired_tidal_volume"].values == pytest.approx(470.0, rel=0.01)
