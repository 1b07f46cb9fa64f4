"""Changes as descriptions, paths to values, circuits with faults, open ends and caps.

Expected texts of messages are the house form; numbers in them are those of the test. Expected structures follow
from what the docstrings say is joined to what.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventsim.errors import CircuitError, InputError, PartError, SettingsError
from ventsim.model.changes import (
    CHANGE_KINDS,
    Change,
    Clamp,
    Clamped,
    Disconnection,
    LeakOnset,
    LungRemoval,
    Schedule,
    changes_table,
    with_faults,
)
from ventsim.model.changes.faults import site_of
from ventsim.model.circuit import Circuit, parts_list
from ventsim.model.laws import OPEN, AdjustableCurve, Orifice, Rohrer, Sigmoid
from ventsim.model.layouts import PatientLimbs, beds_in_row, shared
from ventsim.model.parts import (
    PART_KINDS,
    Adapter,
    Cap,
    Filter,
    Leak,
    Lung,
    OpenEnd,
    Part,
    Passage,
    Region,
    Restrictor,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
    cones_of,
)
from ventsim.model.parts.part import Atmosphere, Inertia, Store
from ventsim.model.paths import (
    canonical,
    field_at,
    may_be_none,
    quantity_at,
    replaced,
    single_value,
    value_at,
    value_text,
    with_values,
)
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import PressureControl, Ventilator
from ventsim.studies import sweep

LUNG = Lung(compliance=50.0, resistance=10.0)
CURVED = Lung(
    compliance=Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0),
    resistance=Rohrer(linear=5.0, quadratic=8.0),
)
REGIONS = Lung(
    resistance=4.0,
    regions=(Region(compliance=30.0, resistance=5.0), Region(compliance=20.0, resistance=25.0)),
)
VALVE = Restrictor(
    resistance=AdjustableCurve(
        openings=(1.0, 2.0), flows=(0.5, 1.0), pressure_drops=((2.0, 7.0), (1.0, 3.0)), opening=1.5
    )
)
CIRCUIT = shared(
    {"a": LUNG, "b": LUNG, "curved": CURVED, "regions": REGIONS},
    limbs={"a": PatientLimbs(inspiratory_restrictor=VALVE)},
)
SETTINGS = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)


# --- descriptions -------------------------------------------------------------------------------------------

ONE_OF_EACH = (
    Change(path="settings.peep", to=8.0, at=60.0),
    Disconnection(joint="b.airway", at=60.0, until=90.0),
    LungRemoval(lung="b", at=0.0, until=90.0),
    Clamp(part="b inspiratory tube", at=60.0),
    LeakOnset(joint="b.airway", resistance=50.0, at=60.0),
)


@pytest.mark.parametrize("change", ONE_OF_EACH, ids=lambda change: change.kind)
def test_changes_are_frozen_descriptions_with_a_kind(change):
    assert CHANGE_KINDS[change.kind] is type(change)
    assert type(change).from_dict(change.model_dump()) == change
    assert change.model_dump()["kind"] == change.kind
    assert hash(type(change).from_dict(change.model_dump())) == hash(change)
    with pytest.raises(InputError, match=rf"{change.kind}: at cannot be set"):
        change.at = 5.0


def test_every_kind_is_tested_here():
    assert {change.kind for change in ONE_OF_EACH} == set(CHANGE_KINDS)


def test_end_of_a_change():
    """Without `until` a change is for good."""
    assert Clamp(part="x", at=60.0).end == math.inf
    assert Clamp(part="x", at=60.0, until=61.0).end == 61.0


@pytest.mark.parametrize(
    ("cls", "values", "message"),
    [
        (Change, {"path": "p"}, r"change: needs exactly one of to and factor; neither is given\.\n  Give to"),
        (Change, {"path": "p", "to": 1.0, "factor": 2.0}, r"exactly one of to and factor; both are given"),
        (
            Change,
            {"path": "p", "to": "x", "until": 90.0},
            r"to 'x' is no number, so it cannot change bit by bit",
        ),
        (Change, {"path": "p", "to": True}, r"to: True is neither a number, text nor a law\.\n  Give the value"),
        (Change, {"path": "p", "to": [1.0]}, r"to: \[1\.0\] is neither a number, text nor a law"),
        (
            Change,
            {"path": "p", "to": math.nan},
            r"to: nan is not allowed\.\n  Allowed: finite numbers, text",
        ),
        (Change, {"path": "p", "to": 10**400}, r"to: inf is not allowed"),
        (Change, {"path": "p", "factor": math.inf}, r"factor inf is not allowed\.\n  Allowed: finite number"),
        (Change, {"path": 5, "to": 1.0}, r"path: 5 is not a name\.\n  Give text that is not empty"),
        (Change, {"path": " ", "to": 1.0}, r"path: ' ' is not a name"),
        (Change, {"to": 1.0}, r"path is missing\.\n  Give path=\.\.\., the value, such as 'lungs\.b\.comp"),
        (Change, {"path": "p", "to": 1.0, "at": -1.0}, r"at -1 s is not allowed\.\n  Allowed: at least 0 and at"),
        (Change, {"path": "p", "to": 1.0, "at": 1.1e7}, r"at 1\.1e\+07 s is not allowed"),
        (
            Change,
            {"path": "p", "to": 1.0, "until": 60.0},
            r"until 60 s is not after at 60 s\.\n  Allowed: above 60",
        ),
        (Change, {"path": "p", "to": 1.0, "untill": 9.0}, r"there is no 'untill'\.\n  Did you mean 'until'"),
        (Disconnection, {"joint": None}, r"disconnection: joint: None is not a name"),
        (Disconnection, {"joint": "x", "until": 5.0}, r"until 5 s is not after at 60 s"),
        (LungRemoval, {"lung": 1}, r"lung removal: lung: 1 is not a name"),
        (Clamp, {"prt": "x"}, r"^clamp: there is no 'prt'\.\n  Did you mean 'part'"),
        (LeakOnset, {"joint": "x"}, r"leak onset: resistance is missing\.\n  Give resistance=\.\.\. in cmH2O·s/L"),
        (
            LeakOnset,
            {"joint": "x", "resistance": 0.0},
            r"leak onset: without resistance the hole .*\n  Give a",
        ),
        (LeakOnset, {"joint": "x", "resistance": -1.0}, r"resistance -1 cmH2O·s/L is not allowed"),
    ],
)
def test_impossible_change(cls, values, message):
    with pytest.raises(InputError, match=message):
        cls(**{"at": 60.0, **values})


def test_a_change_without_time():
    with pytest.raises(InputError, match=r"change: at is missing\.\n  Give at=\.\.\. in s, when it begins"):
        Change(path="settings.peep", to=5.0)


# --- paths --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("settings.peep", 5.0),
        ("settings.rise_shape", "linear"),
        ("settings.inspiratory_time", None),
        ("ventilator.exhalation_resistance", 3.0),
        ("lungs.b.compliance", 50.0),
        ("parts.b.compliance", 50.0),
        ("parts.b inspiratory tube.bore", 22.0),
        ("parts.b inspiratory valve.state", "working"),
        ("lungs.curved.compliance.vital_capacity", 2000.0),
        ("lungs.curved.resistance.quadratic", 8.0),
        ("lungs.regions.regions.1.resistance", 5.0),
        ("lungs.regions.regions.2.resistance", 25.0),
        ("parts.a inspiratory restrictor.resistance.flows.2", 1.0),
        ("parts.a inspiratory restrictor.resistance.pressure_drops.1.2", 7.0),
        ("limbs.a.inspiratory_restrictor.resistance.opening", 1.5),
        ("limbs.b.inspiratory_tube.length", 1.5),
        ("limbs.expiratory_tube.length", 1.5),
        ("t_piece.gas_volume", 15.0),
    ],
)
def test_value_at(path, value):
    """Values are those of the circuit above, or defaults; lists are counted from 1."""
    assert value_at(CIRCUIT, SETTINGS, path) == value


@pytest.mark.parametrize(
    ("path", "message"),
    [
        (
            "settngs.peep",
            r"path 'settngs\.peep': there is no 'settngs' to begin with\.\n  Did you mean 'settings'",
        ),
        ("settings.pep", r"the pressure control 'settings' has no 'pep'\.\n  Did you mean 'peep'"),
        (
            "settings.peep.x",
            r"'settings\.peep' is a single value \(5\.0\), there is no 'x' in it\.\n  End the path",
        ),
        ("settings.inspiratory_time.x", r"'settings\.inspiratory_time' is not there \(none\), so it has no 'x'"),
        ("settings", r"path 'settings' leads to a whole pressure control, .*\n  Allowed: 'rate', 'peep'"),
        ("lungs.c.compliance", r"there is no 'c' in 'lungs'\.\n  Allowed: 'a', 'b', 'curved', 'regions'"),
        ("lungs.b.complience", r"the lung 'lungs\.b' has no 'complience'\.\n  Did you mean 'compliance'"),
        ("lungs", r"path 'lungs' leads to several descriptions, not to a single value\.\n  Allowed: 'a'"),
        ("lungs.regions.regions", r"leads to a list, not to a single value\.\n  Allowed: '1', '2'"),
        (
            "lungs.regions.regions.0.resistance",
            r"'lungs\.regions\.regions' has no number '0'\.\n  Allowed: 1 to 2",
        ),
        ("lungs.regions.regions.3.resistance", r"has no number '3'"),
        ("lungs.regions.regions.x.resistance", r"has no number 'x'"),
        ("lungs.curved.compliance.widht", r"the sigmoid 'lungs\.curved\.compliance' .*\n  Did you mean 'width'"),
        (
            "lungs.b.resistance.quadratic",
            r"'lungs\.b\.resistance' is a single value \(10\.0\).*\n  .*, or give it a law that has a 'quad",
        ),
        (
            "limbs.b.filter.gas_volume",
            r"'limbs\.b\.filter' is not there \(none\), so it has no 'gas_vol",
        ),
        ("limbs.x.filter", r"there is no 'x' in 'limbs'\.\n  Allowed: 'a', 'b', 'curved', 'regions'"),
        (
            "parts.b inspiratory tub.bore",
            r"no 'b inspiratory tub' in 'parts'\.\n  Did you mean 'b inspiratory tube'",
        ),
        ("parts.b inspiratory tube.boer", r"the tube 'parts\.b inspiratory tube' .*\n  Did you mean 'bore'"),
        (
            "b inspiratory tube.bore",
            r"begins with the name of a part\.\n  Write 'parts\.b inspiratory tube\.bore'",
        ),
        ("ventilator.flow_limt", r"the ventilator 'ventilator' has no 'flow_limt'\.\n  Did you mean 'flow_limit'"),
        ("lungs..compliance", r"path 'lungs\.\.compliance' has an empty step\.\n  Write steps with full stops"),
        ("", r"path '' has an empty step"),
        (3, r"path 3 is no text\.\n  Write a path such as"),
    ],
)
def test_wrong_path(path, message):
    with pytest.raises(InputError, match=message):
        single_value(CIRCUIT, SETTINGS, path)


def test_lungs_and_limbs_are_parts():
    """All paths to one value have the same canonical steps; a value of all limbs is one of each lung."""
    of_lung = (("parts", "b", "compliance"),)
    assert canonical(CIRCUIT, "lungs.b.compliance") == canonical(CIRCUIT, "parts.b.compliance") == of_lung
    assert canonical(CIRCUIT, "settings.peep") == (("settings", "peep"),)
    length = ("parts", "b inspiratory tube", "length")
    assert canonical(CIRCUIT, "limbs.b.inspiratory_tube.length") == (length,)
    assert canonical(CIRCUIT, "parts.b inspiratory tube.length") == (length,)
    of_all = canonical(CIRCUIT, "limbs.inspiratory_tube.length")
    assert length in of_all and len(of_all) == len(CIRCUIT.lungs)
    states = tuple(("parts", f"b {limb} valve", "state") for limb in ("inspiratory", "expiratory"))
    assert canonical(CIRCUIT, "limbs.b.valve.state") == states


def test_limbs_that_the_circuit_does_not_hold_as_described():
    """On a floor plan the length of a tube is that of the plan, and in an ideal circuit nothing stores gas."""
    plan = shared({"a": LUNG, "b": LUNG}, floor_plan=beds_in_row("ab"))
    own = ("limbs", "b", "inspiratory_tube", "length")
    assert canonical(plan, ".".join(own)) == (own,)
    assert canonical(plan, "limbs.b.y_piece.gas_volume") == (("parts", "b y-piece", "gas_volume"),)
    ideal = shared({"a": LUNG, "b": LUNG}, ideal=True)
    assert canonical(ideal, "limbs.b.y_piece.gas_volume") == (("limbs", "b", "y_piece", "gas_volume"),)


@pytest.mark.parametrize(
    "paths",
    [
        ("lungs.b.compliance", "parts.b.compliance"),
        ("limbs.b.inspiratory_tube.length", "parts.b inspiratory tube.length"),
        ("limbs.inspiratory_tube.length", "limbs.b.inspiratory_tube.length"),
        ("limbs.b.valve.resistance", "parts.b expiratory valve.resistance"),
    ],
)
def test_one_value_by_two_paths(paths):
    """Whoever takes several paths refuses two to one value; two changes of it are changes of one value."""
    values = dict(zip(paths, (4.4, 3.3), strict=True))
    message = rf"paths '{paths[0]}' and '{paths[1]}' lead to the same value\.\n  Leave out one of them"
    with pytest.raises(InputError, match=message):
        with_values(CIRCUIT, SETTINGS, values)
    with pytest.raises(InputError, match=message):
        sweep(CIRCUIT, SETTINGS, {path: [value] for path, value in values.items()})
    at_once = [Change(path=path, to=value, at=5.0) for path, value in values.items()]
    with pytest.raises(InputError, match=rf"changes\.2: .*{paths[1]}.* contradicts .*{paths[0]}"):
        Schedule(CIRCUIT, SETTINGS, tuple(at_once))
    in_turn = Schedule(CIRCUIT, SETTINGS, (at_once[0], at_once[1].changed(at=9.0), at_once[0].changed(at=12.0)))
    for time, value in ((6.0, 4.4), (10.0, 3.3), (13.0, 4.4)):
        assert value_at(in_turn.circuit_at(time), SETTINGS, paths[1]) == value


def test_factor_of_a_value_of_all_limbs():
    """Half of each: 1.5 and 4 m become 0.75 and 2 m."""
    limbs = {"b": PatientLimbs(inspiratory_tube=Tube(length=4.0))}
    circuit = shared({"a": LUNG, "b": LUNG}, limbs=limbs)
    half = Change(path="limbs.inspiratory_tube.length", factor=0.5, at=1.0)
    schedule = Schedule(circuit, SETTINGS, (half,))
    lengths = [schedule.circuit_at(2.0).parts[f"{name} inspiratory tube"].length for name in "ab"]
    assert lengths == [0.75, 2.0]
    assert changes_table(schedule).frame[["before", "after"]].values.tolist() == [["1.5 m", "0.75 m"]]


def test_parts_of_limbs_keep_the_layout():
    """By whichever path a value of limbs changes, the layout goes along, unless two valves of a lung differ."""
    for path in ("limbs.a.inspiratory_tube.length", "parts.a inspiratory tube.length"):
        circuit, _ = with_values(CIRCUIT, SETTINGS, {path: 2.5})
        assert circuit.layout.limbs_of("a").inspiratory_tube.length == 2.5
        assert circuit.layout.changed({}).circuit == circuit
    both = {f"parts.b {limb} valve.opening_pressure": 0.5 for limb in ("inspiratory", "expiratory")}
    circuit, _ = with_values(CIRCUIT, SETTINGS, both)
    assert circuit.layout.limbs_of("b").valve.opening_pressure == 0.5
    stuck, _ = with_values(CIRCUIT, SETTINGS, {"parts.b expiratory valve.state": "stuck open"})
    assert stuck.layout is None
    alike, _ = with_values(shared({"a": LUNG, "b": LUNG}), SETTINGS, {"limbs.filter": Filter()})
    assert alike.layout.limbs == PatientLimbs(filter=Filter())  # still one for all


WHOLES = {
    "ventilator": Ventilator(flow_limit=2.0),
    "lungs": {"a": LUNG.changed(compliance=33.0), "b": LUNG},
    "lungs.b": LUNG.changed(compliance=33.0),
    "limbs": PatientLimbs(filter=Filter()),
    "limbs.b": PatientLimbs(filter=Filter()),
    "limbs.b.filter": Filter(),
    "limbs.b.inspiratory_tube": Tube(length=3.0),
    "t_piece": TPiece(resistance=1.0),
    "adapter": Adapter(gas_volume=3.0),
    "settings": SETTINGS.changed(peep=7.0),
}


@pytest.mark.parametrize("path", WHOLES)
def test_whole_descriptions_are_replaced(path):
    scenario = Scenario(circuit=shared({"a": LUNG, "b": LUNG}, arrangement="star"), settings=SETTINGS)
    whole = WHOLES[path]
    found = scenario.replaced({path: whole})
    assert found.value(path) == ({"a": whole, "b": whole} if path == "limbs" else whole)
    assert found.circuit.layout.changed({}).circuit == found.circuit  # as if built with it from the beginning
    assert Scenario.from_toml(found.to_toml()) == found
    assert path == "settings" or found.circuit != scenario.circuit or path == "t_piece"  # a star has none
    joined = scenario.changed(circuit=Circuit(parts=scenario.circuit.parts, joints=scenario.circuit.joints))
    if path.partition(".")[0] in ("ventilator", "lungs", "settings"):
        assert joined.replaced({path: whole}).value(path) == whole
    parts = dict(joined.circuit.parts) | {"b": LUNG.changed(compliance=33.0)}
    assert joined.replaced({"parts": parts}) == joined.replaced({"lungs.b.compliance": 33.0})


def test_what_is_inside_a_new_whole_goes_on_top_of_it():
    values = {"lungs.b.compliance": 20.0, "lungs.b": LUNG.changed(resistance=7.0)}
    values |= {"ventilator.relief_pressure": 40.0, "ventilator": Ventilator(flow_limit=2.0)}
    values |= {"settings.peep": 7.0, "settings": SETTINGS.changed(rate=12.0)}
    circuit, settings = with_values(CIRCUIT, SETTINGS, values)
    assert circuit.lungs["b"] == LUNG.changed(resistance=7.0, compliance=20.0)
    assert circuit.ventilator == Ventilator(flow_limit=2.0, relief_pressure=40.0)
    assert settings == SETTINGS.changed(rate=12.0, peep=7.0)


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("ventilator", 3, r"ventilator 3 is not a Ventilator\.\n  Give Ventilator\("),
        ("settings", None, r"None is not a breath setting\.\n  Give PressureControl"),
        ("lungs", 3, r"no lung has a name: this is an int"),
        ("lungs.b", 3, r"part 'b': 3 is not a part\.\n  Give a part"),
        ("lungs.b", None, r"part 'b': None is not a part\.\n  Give a part"),
        ("lungs.b", Tube(length=1.0), r"part 'b' would get other ports: inlet, outlet"),
        ("limbs", 3, r"limbs: 3 is neither a PatientLimbs nor a mapping"),
        ("limbs.b", 3, r"limbs: 'b' is 3, not a PatientLimbs"),
        ("limbs.b.filter", 3, r"'limbs\.b': filter 3 is not a Filter"),
        ("t_piece", 3, r"t_piece 3 is not a TPiece"),
        ("adapter", 3, r"adapter 3 is not an Adapter"),
        ("parts", 3, r"3 is not a mapping of names to parts"),
    ],
)
def test_impossible_wholes(path, value, message):
    with pytest.raises(InputError, match=message):
        with_values(shared({"a": LUNG, "b": LUNG}), SETTINGS, {path: value})


def test_what_is_known_of_a_value():
    here = (CIRCUIT, SETTINGS)
    assert quantity_at(*here, "lungs.regions.regions.2.resistance").unit == "cmH2O·s/L"
    assert quantity_at(*here, "parts.a inspiratory restrictor.resistance.pressure_drops.1.2").unit == "cmH2O"
    assert quantity_at(*here, "parts.b inspiratory valve.state") is None
    assert quantity_at(*here, "lungs") is None and field_at(*here, "lungs") is None
    assert may_be_none(*here, "ventilator.flow_limit") and not may_be_none(*here, "settings.peep")
    assert value_text(*here, "settings.peep", 8.0) == "8 cmH2O"
    assert value_text(*here, "settings.ie_ratio", 0.5) == "0.5"
    assert value_text(*here, "ventilator.flow_limit", None) == "none"
    assert value_text(*here, "parts.b inspiratory valve.state", "missing") == "missing"
    assert value_text(*here, "lungs.b.resistance", Rohrer(linear=5.0)) == "law 'rohrer'"


def test_several_values_are_replaced_together():
    """The ratio alone, or the time alone, would be refused: exactly one of them is given."""
    values = {
        "settings.ie_ratio": None,
        "settings.inspiratory_time": 1.2,
        "lungs.b.compliance": 20.0,
        "lungs.regions.regions.2.resistance": 40.0,
        "lungs.regions.resistance": 6.0,
        "parts.a inspiratory restrictor.resistance.pressure_drops.1.2": 8.0,
        "ventilator.exhalation_resistance": 5.0,
    }
    circuit, settings = with_values(CIRCUIT, SETTINGS, values)
    for path, value in values.items():
        assert value_at(circuit, settings, path) == value
    assert circuit.lungs["regions"].regions == (
        REGIONS.regions[0],
        REGIONS.regions[1].changed(resistance=40.0),
    )
    assert list(circuit.parts) == list(CIRCUIT.parts) and circuit.joints == CIRCUIT.joints
    changed = {"b", "regions", "a inspiratory restrictor"}
    assert all(circuit.parts[name] is part for name, part in CIRCUIT.parts.items() if name not in changed)
    # Checked as a whole once more, it is the same circuit.
    assert Circuit(parts=circuit.parts, joints=circuit.joints, ventilator=circuit.ventilator) == circuit


def test_nothing_replaced_is_the_same_object():
    circuit, settings = with_values(CIRCUIT, SETTINGS, {})
    assert circuit is CIRCUIT and settings is SETTINGS
    circuit, settings = with_values(CIRCUIT, SETTINGS, {"settings.peep": 8.0})
    assert circuit is CIRCUIT and settings.peep == 8.0


@pytest.mark.parametrize(
    ("values", "error", "message"),
    [
        ({"lungs.b.compliance": -1.0}, PartError, r"lung 'b': compliance -1 mL/cmH2O is not allowed"),
        ({"lungs.regions.regions.2.resistance": 0.0}, PartError, r"region 'regions\.regions\.2': resistance 0 "),
        (
            {"parts.b inspiratory valve.state": "stuk"},
            PartError,
            r"'b inspiratory valve': state 'stuk' is not one",
        ),
        ({"settings.peep": -1.0}, SettingsError, r"pressure control: peep -1 cmH2O is not allowed"),
        ({"ventilator.flow_limit": 0.0}, PartError, r"ventilator: flow_limit 0 L/s is not allowed"),
        ({"lungs.e.compliance": 1.0}, InputError, r"there is no 'e' in 'lungs'"),
    ],
)
def test_impossible_values(values, error, message):
    with pytest.raises(error, match=message):
        with_values(CIRCUIT, SETTINGS, values)


def test_ports_stay():
    """An adapter with another number of outlets would leave ports open."""
    circuit = shared({"a": LUNG, "b": LUNG}, arrangement="star")
    name = next(name for name, part in circuit.parts.items() if isinstance(part, Adapter))
    with pytest.raises(InputError, match=rf"part '{name}' would get other ports: inlet, outlet1, .*outlet3\.\n"):
        with_values(circuit, SETTINGS, {f"parts.{name}.outlets": 3})


def test_values_of_limbs_and_laws():
    """Of one lung or of all; a law in place of a number, a value in a law; and the layout goes along."""
    values = {
        "limbs.a.inspiratory_restrictor.resistance.opening": 1.2,
        "limbs.b.inspiratory_tube.length": 2.5,
        "lungs.b.resistance": Orifice(bore=8.0),
        "lungs.curved.resistance.quadratic": 9.0,
    }
    circuit, settings = with_values(CIRCUIT, SETTINGS, values)
    assert circuit.parts["a inspiratory restrictor"].resistance.opening == 1.2
    assert circuit.parts["b inspiratory tube"].length == 2.5
    assert circuit.parts["a inspiratory tube"] is CIRCUIT.parts["a inspiratory tube"]
    assert circuit.lungs["b"].resistance == Orifice(bore=8.0)
    assert circuit.lungs["curved"].resistance == Rohrer(linear=5.0, quadratic=9.0)
    assert circuit.layout.circuit == circuit
    for path, value in values.items():
        assert value_at(circuit, settings, path) == value
    everywhere, _ = with_values(
        CIRCUIT, SETTINGS, {"limbs.expiratory_tube.length": 3.0, "adapter.gas_volume": 1.0}
    )
    assert {part.length for name, part in everywhere.parts.items() if name.endswith("expiratory tube")} == {3.0}
    assert {part.gas_volume for part in everywhere.parts.values() if isinstance(part, Adapter)} == {1.0}
    assert everywhere.layout.circuit == everywhere


def test_limbs_of_a_circuit_that_has_none():
    circuit = Circuit(parts=CIRCUIT.parts, joints=CIRCUIT.joints)
    with pytest.raises(InputError, match=r"joined part by part, so it has no 'limbs'\.\n  Name the part: "):
        value_at(circuit, SETTINGS, "limbs.b.inspiratory_tube.length")


def test_replacing_serves_any_description():
    """It knows descriptions, mappings and tuples only."""
    other = replaced({"x": REGIONS}, {("x", "regions", "1", "compliance"): 35.0, ("x", "resistance"): 6.0})
    assert [region.compliance for region in other["x"].regions] == [35.0, 20.0] and other["x"].resistance == 6.0


NUMBERS = {
    "settings.peep": st.floats(0.0, 30.0),
    "lungs.a.compliance": st.floats(0.2, 300.0),
    "lungs.regions.regions.1.compliance": st.floats(0.2, 300.0),
    "lungs.curved.compliance.width": st.floats(1.0, 40.0),
    "parts.b inspiratory tube.bore": st.floats(2.5, 40.0),
    "parts.a inspiratory restrictor.resistance.opening": st.floats(1.0, 2.0),
    "ventilator.exhalation_resistance": st.floats(0.0, 50.0),
}


@given(values=st.fixed_dictionaries({}, optional=NUMBERS))
def test_replacing_and_putting_back(values):
    """What was put in is found there; with the old values back, everything is as it was."""
    circuit, settings = with_values(CIRCUIT, SETTINGS, values)
    for path, value in values.items():
        assert value_at(circuit, settings, path) == value
    old = {path: value_at(CIRCUIT, SETTINGS, path) for path in values}
    assert with_values(circuit, settings, old) == (CIRCUIT, SETTINGS)


# --- open ends and caps -------------------------------------------------------------------------------------


def test_an_open_end_loses_one_dynamic_head():
    """ρ q² / (2 A²) by hand: 1.2 kg/m³, 15 mm, 1 L/s: v = 5.6588 m/s, 19.214 Pa; the same both ways."""
    way, room = OpenEnd(bore=15.0, density=1.2).elements()
    speed = 1e-3 / (math.pi * 0.0075**2)
    assert way.forward.pressure_drop(1.0) == pytest.approx(0.6 * speed**2 / 98.0665, rel=1e-12)
    assert way.forward.pressure_drop(1.0) == pytest.approx(19.214 / 98.0665, rel=1e-4)
    assert way.backward == way.forward and way.start == "inlet" and room == Atmosphere(way.end)


def test_a_cap_is_an_end():
    assert Cap().ports == ("inlet",) and Cap().elements() == ()
    assert "cap" in parts_list(capped()).frame["kind"].tolist()


def capped():
    return Circuit(
        parts={"y": YPiece(), "side": Adapter(outlets=2), "cap": Cap(), "a": LUNG},
        joints=(
            ("ventilator.inspiratory", "y.inspiratory"),
            ("y.patient", "side.inlet"),
            ("side.outlet1", "a.airway"),
            ("side.outlet2", "cap.inlet"),
            ("y.expiratory", "ventilator.expiratory"),
        ),
    )


@pytest.mark.parametrize(
    ("cls", "values", "message"),
    [
        (OpenEnd, {"bore": 0.0}, r"open end: bore 0 mm is not allowed\.\n  Allowed: above 0 mm"),
        (OpenEnd, {"density": -1.0}, r"open end: density -1 kg/m³ is not allowed"),
        (Cap, {"gas_volume": 5.0}, r"cap: there is no 'gas_volume'"),
    ],
)
def test_impossible_ends(cls, values, message):
    with pytest.raises(PartError, match=message):
        cls(**values)


def test_a_circuit_of_an_open_end_alone_is_refused():
    """A lung that only an open end reaches cannot breathe."""
    with pytest.raises(CircuitError, match=r"lung 'a' is not connected"):
        Circuit(
            parts={"a": LUNG, "end": OpenEnd()},
            joints=(("a.airway", "end.inlet"), ("ventilator.inspiratory", "ventilator.expiratory")),
        )


# --- circuits with faults -----------------------------------------------------------------------------------

JOINT = ("b y-piece.patient", "b.airway")


def test_a_disconnection_opens_both_ends():
    faulty = with_faults(CIRCUIT, [Disconnection(joint="b.airway", at=0.0)])
    assert JOINT not in faulty.joints
    assert faulty.joints[-2:] == (
        ("b y-piece.patient", "open end of b y-piece patient.inlet"),
        ("b.airway", "open end of b airway.inlet"),
    )
    # 15 mm is the narrower of the two faces of a patient port (ISO 5356-1, from memory).
    assert faulty.parts["open end of b airway"] == OpenEnd(bore=15.0)
    assert faulty.lungs == CIRCUIT.lungs and list(faulty.parts)[: len(CIRCUIT.parts)] == list(CIRCUIT.parts)


def test_either_end_names_the_joint():
    one, other = (with_faults(CIRCUIT, [Disconnection(joint=end, at=0.0)]) for end in JOINT)
    assert one == other


def test_a_port_of_the_ventilator_can_come_off():
    faulty = with_faults(CIRCUIT, [Disconnection(joint="ventilator.inspiratory", at=0.0)])
    assert faulty.parts["open end of ventilator inspiratory"] == OpenEnd(bore=22.0)
    end = next(joint[1] for joint in CIRCUIT.joints if joint[0] == "ventilator.inspiratory")
    name, _, port = end.partition(".")
    assert (end, f"open end of {name} {port}.inlet") in faulty.joints


def test_an_open_end_is_as_wide_as_its_cone():
    """A 15 mm tube has 15 mm sleeves; the end of a tracheal tube in the trachea has no cone: the default."""
    narrow = Tube(length=1.0, bore=15.0)
    limbs = PatientLimbs(inspiratory_tube=narrow, tracheal_tube=TrachealTube(inner_diameter=8.0))
    circuit = shared({"a": LUNG}, limbs=limbs)
    faulty = with_faults(
        circuit,
        [Disconnection(joint="a inspiratory tube.outlet", at=0.0), Disconnection(joint="a.airway", at=0.0)],
    )
    assert faulty.parts["open end of a inspiratory tube outlet"].bore == 15.0
    assert faulty.parts["open end of a tracheal tube outlet"].bore == 22.0
    assert "outlet" not in cones_of(circuit.parts["a tracheal tube"])


def test_a_lung_taken_off():
    faulty = with_faults(CIRCUIT, [LungRemoval(lung="b", at=0.0)])
    assert faulty.joints[-2:] == (
        ("b y-piece.patient", "cap on b y-piece patient.inlet"),
        ("b.airway", "open end of b airway.inlet"),
    )
    assert faulty.parts["cap on b y-piece patient"] == Cap()
    assert list(faulty.lungs) == list(CIRCUIT.lungs)


def test_an_added_leak():
    fault = LeakOnset(joint="b.airway", resistance=Rohrer(linear=50.0, quadratic=20.0), at=0.0)
    faulty = with_faults(CIRCUIT, [fault])
    assert faulty.parts["leak at b airway"] == Leak(resistance=Rohrer(linear=50.0, quadratic=20.0))
    assert faulty.joints[-2:] == (
        ("b y-piece.patient", "leak at b airway.inlet"),
        ("leak at b airway.outlet", "b.airway"),
    )
    # It is a complete circuit, which an ordinary one could be as well.
    assert Circuit(parts=faulty.parts, joints=faulty.joints, ventilator=faulty.ventilator) == faulty


def test_names_do_not_collide():
    parts = {**CIRCUIT.parts, "leak at b airway": Leak(resistance=1.0)}
    joints = tuple(joint for joint in CIRCUIT.joints if joint != JOINT)
    joints += ((JOINT[0], "leak at b airway.inlet"), ("leak at b airway.outlet", JOINT[1]))
    circuit = Circuit(parts=parts, joints=joints)
    faulty = with_faults(circuit, [LeakOnset(joint="b.airway", resistance=50.0, at=0.0)])
    assert faulty.parts["leak at b airway (2)"].resistance == 50.0


def test_several_faults_and_none():
    faults = [LungRemoval(lung="a", at=0.0), Clamp(part="b inspiratory tube", at=0.0)]
    faulty = with_faults(CIRCUIT, faults)
    assert isinstance(faulty.parts["b inspiratory tube"], Clamped)
    assert "cap on a y-piece patient" in faulty.parts
    assert with_faults(CIRCUIT, []) is CIRCUIT


def reached(part: Part, start: str) -> set[str]:
    """Points that gas can come to from a point."""
    ways = [
        element
        for element in part.elements()
        if isinstance(element, Inertia) or (isinstance(element, Passage) and element.opening_pressure < 1e6)
    ]
    found = {start}
    for _ in ways:
        for way in ways:
            if found & {way.start, way.end}:
                found |= {way.start, way.end}
    return found


class Mass(Part):
    """A mass of gas alone, or two in a row, for a test."""

    kind = "mass"
    paths: tuple[tuple[str, str], ...]

    @property
    def ports(self):
        return ("inlet", "outlet")

    def elements(self):
        return tuple(Inertia(start, end, 0.05) for start, end in self.paths)


@pytest.mark.parametrize(
    "part",
    [
        *(part for part in CIRCUIT.parts.values() if not isinstance(part, Lung)),
        Tube(length=1.5, inertia=True),
        Leak(resistance=5.0),
        OpenEnd(),
        Mass(paths=(("inlet", "outlet"),)),
        Mass(paths=(("inlet", "middle"), ("middle", "outlet"))),
    ],
    ids=lambda part: part.kind,
)
def test_a_clamp_parts_all_ports_and_keeps_the_gas(part):
    clamped = Clamped(inner=part)
    assert clamped.ports == part.ports
    for port in part.ports:
        assert reached(clamped, port) & {*part.ports, "outside", "room"} == {port}
    stores = [element for element in part.elements() if isinstance(element, Store | Atmosphere)]
    assert [element for element in clamped.elements() if isinstance(element, Store | Atmosphere)] == stores
    assert not any(isinstance(element, Inertia) for element in clamped.elements())
    closed = [e for e in clamped.elements() if isinstance(e, Passage) and not e.is_ideal]
    assert all(e.is_one_way and e.leak_conductance == 0.0 and not e.forward.is_zero for e in closed)


def test_gas_that_stands_still_in_a_clamped_tube():
    """The point between friction and inertia has no gas of its own; it becomes one with the end beside it."""
    tube = Tube(length=1.5, inertia=True)
    inertia = next(element for element in tube.elements() if isinstance(element, Inertia))
    ideal = [e for e in Clamped(inner=tube).elements() if isinstance(e, Passage) and e.is_ideal]
    assert ideal == [Passage(inertia.start, inertia.end, OPEN, OPEN)]


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (Disconnection(joint="b.airwa", at=0.0), r"joint: 'b' has no port 'airwa'\.\n  Did you mean 'b\.airway'"),
        (Disconnection(joint="b", at=0.0), r"joint: 'b' is not an end\.\n  Allowed: 'b\.airway'"),
        (
            Disconnection(joint="bb.airway", at=0.0),
            r"there is no part 'bb'\.\n  Did you mean 'b'\?\n  Write one end",
        ),
        (
            LeakOnset(joint="b y-pice.patient", resistance=1.0, at=0.0),
            r"there is no part 'b y-pice'\.\n  Did you mean 'b y-piece'",
        ),
        (LungRemoval(lung="regoins", at=0.0), r"lung: there is no lung 'regoins'\.\n  Did you mean 'regions'"),
        (
            Clamp(part="b inspiratory tub", at=0.0),
            r"no part 'b inspiratory tub'\.\n  Did you mean 'b inspiratory tube'",
        ),
        (Clamp(part="b", at=0.0), r"part: 'b' is a lung, which cannot be clamped\.\n  Clamp the part before it"),
    ],
)
def test_a_fault_without_a_place(fault, message):
    with pytest.raises(InputError, match=message):
        site_of(CIRCUIT, fault)


def test_the_place_of_a_fault():
    """Two faults at one joint have one place, whichever end names it."""
    places = {
        site_of(CIRCUIT, Disconnection(joint=JOINT[0], at=0.0)),
        site_of(CIRCUIT, LeakOnset(joint=JOINT[1], resistance=1.0, at=0.0)),
        site_of(CIRCUIT, LungRemoval(lung="b", at=0.0)),
    }
    assert places == {JOINT}
    assert site_of(CIRCUIT, Clamp(part="b y-piece", at=0.0)) == "b y-piece"


def test_clamped_parts_are_no_parts_of_files():
    """A file says Clamp, from which the circuit of the time is made."""
    assert Clamped(inner=Restrictor()).kind not in PART_KINDS
