"""Circuit and settings over time: steps, ramps, faults; what is refused before anything is run.

Expected values follow from straight lines and steps by hand; texts of messages are the house form.
"""

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventsim.errors import InputError, PartError, PlausibilityWarning, SettingsError
from ventsim.model.changes import (
    Change,
    Clamp,
    Clamped,
    Disconnection,
    LeakOnset,
    LungRemoval,
    Schedule,
    changes_table,
    with_changes,
    with_faults,
)
from ventsim.model.circuit import Circuit
from ventsim.model.laws import Rohrer
from ventsim.model.layouts import shared
from ventsim.model.parts import Lung
from ventsim.model.paths import value_at
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import PressureControl

LUNG = Lung(compliance=50.0, resistance=10.0)
CIRCUIT = shared({"a": LUNG, "b": LUNG})
SETTINGS = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
COMPLIANCE = "lungs.b.compliance"
STIFFENING = Change(path=COMPLIANCE, to=20.0, at=60.0, until=120.0)


def schedule(*changes: object) -> Schedule:
    return Schedule(CIRCUIT, SETTINGS, changes)


def compliance(timetable: Schedule, time: float) -> float:
    return timetable.circuit_at(time).lungs["b"].compliance


# --- values over time ---------------------------------------------------------------------------------------


def test_nothing_changes():
    still = schedule()
    assert still.circuit_at(0.0) is still.circuit_at(1e6) is CIRCUIT
    assert still.settings_at(0.0) is still.settings_at(1e6) is SETTINGS
    assert still.instants == () and still.knots == (0.0,) and not still.ramps_between(0.0, math.inf)
    assert Schedule(CIRCUIT, SETTINGS).changes == ()


def test_a_step_is_there_at_its_time():
    stepped = schedule(Change(path=COMPLIANCE, factor=0.5, at=60.0))
    assert compliance(stepped, math.nextafter(60.0, 0.0)) == 50.0
    assert compliance(stepped, 60.0) == compliance(stepped, 1e6) == 25.0
    assert stepped.instants == (60.0,)


def test_a_ramp_is_a_straight_line():
    """From 50 at 60 s to 20 at 120 s: 0.5 less every second."""
    ramped = schedule(STIFFENING)
    found = [compliance(ramped, time) for time in (0.0, 60.0, 70.0, 90.0, 119.0, 120.0, 500.0)]
    assert found == pytest.approx([50.0, 50.0, 45.0, 35.0, 20.5, 20.0, 20.0], rel=1e-12)
    assert compliance(ramped, 120.0) == 20.0
    assert ramped.instants == () and ramped.knots == (0.0, 60.0, 120.0)


def test_one_change_begins_where_another_ended():
    """50, halved by 20 s, from there doubled by 40 s; then a step, given in the wrong order."""
    several = schedule(
        Change(path=COMPLIANCE, to=30.0, at=60.0),
        Change(path="parts.b.compliance", factor=2.0, at=20.0, until=40.0),
        Change(path=COMPLIANCE, factor=0.5, at=10.0, until=20.0),
    )
    found = [compliance(several, time) for time in (15.0, 20.0, 30.0, 50.0, 60.0)]
    assert found == [37.5, 25.0, 37.5, 50.0, 30.0]


def test_a_ramp_can_end_with_a_step():
    several = schedule(STIFFENING, Change(path=COMPLIANCE, to=40.0, at=120.0))
    assert compliance(several, math.nextafter(120.0, 0.0)) == pytest.approx(20.0, rel=1e-12)
    assert compliance(several, 120.0) == 40.0


def test_a_change_at_the_beginning():
    """At time 0 it is there from the start, and nothing jumps later."""
    early = schedule(Change(path=COMPLIANCE, to=30.0, at=0.0))
    assert compliance(early, 0.0) == 30.0 and early.instants == ()


def test_texts_and_none_step():
    """A valve sticks; the relief valve is taken away, and the ratio gives way to a time."""
    stepped = schedule(
        Change(path="parts.b inspiratory valve.state", to="stuck closed", at=60.0),
        Change(path="ventilator.relief_pressure", to="none", at=60.0),
        Change(path="settings.ie_ratio", to="none", at=60.0),
        Change(path="settings.inspiratory_time", to=1.2, at=60.0),
    )
    circuit, settings = stepped.circuit_at(60.0), stepped.settings_at(60.0)
    assert value_at(circuit, settings, "parts.b inspiratory valve.state") == "stuck closed"
    assert circuit.ventilator.relief_pressure is None
    assert settings.ie_ratio is None and settings.inspiratory_time == 1.2


def test_from_none_to_a_number_and_on():
    """The expiratory resistance is None at first, which means: as in inspiration."""
    path = "lungs.b.expiratory_resistance"
    stepped = schedule(
        Change(path=path, to=12.0, at=60.0),
        Change(path=path, to=24.0, at=100.0, until=200.0),
        Change(path=path, to="none", at=300.0),
    )
    found = [stepped.circuit_at(t).lungs["b"].expiratory_resistance for t in (0.0, 60.0, 150.0, 300.0)]
    assert found == [None, 12.0, 18.0, None]


def test_settings_are_apart_from_the_circuit():
    """They take effect with the next breath, so they are no instants at which a breath is cut."""
    changed = schedule(
        Change(path="settings.peep", to=8.0, at=60.0),
        Change(path="settings.rate", to=20.0, at=10.0, until=20.0),
    )
    assert changed.circuit_at(1000.0) is CIRCUIT
    assert changed.settings_at(15.0).rate == 17.5 and changed.settings_at(60.0).peep == 8.0
    assert changed.instants == () and not changed.ramps_between(0.0, 1000.0)
    assert changed.knots == (0.0, 10.0, 20.0, 60.0)


def test_the_ventilator_belongs_to_the_circuit():
    changed = schedule(
        Change(path="ventilator.exhalation_resistance", to=6.0, at=60.0),
        Change(path="ventilator.source_resistance", to=1.0, at=10.0, until=20.0),
    )
    assert changed.circuit_at(60.0).ventilator.exhalation_resistance == 6.0
    assert changed.instants == (60.0,) and changed.ramps_between(0.0, 11.0)


def test_open_intervals_of_ramps():
    ramped = schedule(STIFFENING, Change(path="lungs.a.compliance", factor=1.0, at=300.0, until=400.0))
    assert ramped.ramps_between(0.0, 60.5) and ramped.ramps_between(80.0, 81.0)
    assert not ramped.ramps_between(0.0, 60.0) and not ramped.ramps_between(120.0, 1e6)
    assert not ramped.ramps_between(300.0, 400.0)  # a ramp to where it is


# --- faults over time ---------------------------------------------------------------------------------------


def test_faults_begin_and_end():
    faulty = schedule(
        Disconnection(joint="b.airway", at=60.0, until=90.0),
        Clamp(part="a inspiratory tube", at=80.0),
        LeakOnset(joint="b.airway", resistance=50.0, at=90.0, until=100.0),
        LungRemoval(lung="b", at=0.0, until=30.0),
    )
    names = [set(faulty.circuit_at(time).parts) - set(CIRCUIT.parts) for time in (0.0, 30.0, 60.0, 90.0, 100.0)]
    ends = {"open end of b y-piece patient", "open end of b airway"}
    assert names == [
        {"cap on b y-piece patient", "open end of b airway"},
        set(),
        ends,
        {"leak at b airway"},
        set(),
    ]
    assert faulty.circuit_at(59.0) is CIRCUIT
    clamped = [isinstance(faulty.circuit_at(t).parts["a inspiratory tube"], Clamped) for t in (79.0, 80.0, 1e6)]
    assert clamped == [False, True, True]
    assert faulty.instants == (30.0, 60.0, 80.0, 90.0, 100.0)


def test_a_value_may_change_while_its_part_is_away():
    faulty = schedule(LungRemoval(lung="b", at=60.0, until=300.0), STIFFENING, Clamp(part="b y-piece", at=60.0))
    assert compliance(faulty, 90.0) == 35.0
    expected = with_faults(CIRCUIT, [LungRemoval(lung="b", at=0.0), Clamp(part="b y-piece", at=0.0)])
    assert faulty.circuit_at(60.0) == expected


def test_circuits_of_faults_are_like_any_other():
    """All checks of a circuit but one pass: a lung that is off has no way to the ventilator."""
    faulty = schedule(LeakOnset(joint="b.airway", resistance=50.0, at=60.0), STIFFENING)
    circuit = faulty.circuit_at(90.0)
    assert Circuit(parts=circuit.parts, joints=circuit.joints, ventilator=circuit.ventilator) == circuit


# --- identity -----------------------------------------------------------------------------------------------


def test_the_same_object_while_nothing_differs():
    changed = schedule(
        STIFFENING, Change(path="settings.peep", to=8.0, at=60.0), Clamp(part="a y-piece", at=200.0)
    )
    assert changed.circuit_at(0.0) is changed.circuit_at(60.0) is CIRCUIT  # the ramp only begins there
    assert changed.circuit_at(90.0) is changed.circuit_at(90.0)
    assert changed.circuit_at(120.0) is changed.circuit_at(199.9)
    assert changed.circuit_at(200.0) is changed.circuit_at(1e6)
    assert changed.settings_at(60.0) is changed.settings_at(1e6)


def test_back_to_the_same_object():
    changed = schedule(
        Change(path=COMPLIANCE, to=20.0, at=60.0),
        Change(path=COMPLIANCE, to=50.0, at=120.0),
        Clamp(part="a y-piece", at=60.0, until=90.0),
        Change(path="settings.peep", to=8.0, at=60.0),
        Change(path="settings.peep", to=5.0, at=90.0),
    )
    assert changed.circuit_at(120.0) is CIRCUIT and changed.settings_at(90.0) is SETTINGS


def test_a_long_ramp_of_settings_leaves_the_circuit_alone():
    """What is in use stays the same object, however many others are made meanwhile."""
    changed = schedule(
        Change(path=COMPLIANCE, to=20.0, at=0.0),
        Change(path="settings.peep", to=8.0, at=0.0, until=1000.0),
    )
    circuit = changed.circuit_at(0.0)
    for second in range(100):
        assert changed.settings_at(float(second)).peep == pytest.approx(5.0 + 0.003 * second, rel=1e-12)
        assert changed.circuit_at(float(second)) is circuit


def test_long_ramps_do_not_pile_up_circuits():
    """Only a few are kept; what is made anew is equal."""
    ramped = schedule(STIFFENING)
    first = ramped.circuit_at(60.5)
    for step in range(100):
        ramped.circuit_at(61.0 + 0.1 * step)
    assert len(ramped._made) <= 16
    assert ramped.circuit_at(60.5) == first


# --- properties ---------------------------------------------------------------------------------------------

TIMES = st.integers(0, 40).map(lambda quarters: 0.25 * quarters)
TARGETS = st.floats(0.2, 300.0)


@st.composite
def value_changes(draw) -> tuple[Change, ...]:
    """Changes of one compliance one after the other, in a random order."""
    edges = sorted(draw(st.lists(TIMES, min_size=2, max_size=8, unique=True)))
    changes = []
    for start, end in zip(edges[::2], edges[1::2], strict=False):
        until = draw(st.none() | st.just(end))
        changes.append(Change(path=COMPLIANCE, to=draw(TARGETS), at=start, until=until))
    return tuple(draw(st.permutations(changes)))


@given(changes=value_changes(), time=st.floats(0.0, 12.0))
def test_right_continuous(changes, time):
    """A little later the value is a little different, also just after a step."""
    changed = schedule(*changes)
    for point in (time, *(change.at for change in changes)):
        here, later = compliance(changed, point), compliance(changed, point + 1e-9)
        assert later == pytest.approx(here, abs=300.0 / 0.25 * 1e-9 + 1e-12)


@given(to=TARGETS, start=TIMES, length=st.floats(1e-3, 1e4), parts=st.lists(st.floats(0.0, 1.0), min_size=2))
def test_ramps_are_monotone_between_their_ends(to, start, length, parts):
    ramped = schedule(Change(path=COMPLIANCE, to=to, at=start, until=start + length))
    found = [compliance(ramped, start + part * length) for part in sorted(parts)]
    assert found == sorted(found, reverse=to < 50.0)
    assert min(50.0, to) <= min(found) and max(found) <= max(50.0, to)
    assert compliance(ramped, start + length) == to


@given(to=TARGETS, ramp=st.booleans())
def test_undoing_a_change_gives_the_identical_object(to, ramp):
    until = 20.0 if ramp else None
    changed = schedule(
        Change(path=COMPLIANCE, to=to, at=10.0, until=until), Change(path=COMPLIANCE, to=50.0, at=30.0)
    )
    assert compliance(changed, 20.0) == to
    assert changed.circuit_at(30.0) is CIRCUIT


@given(changes=value_changes(), time=st.floats(0.0, 12.0))
def test_circuits_jump_at_instants_only(changes, time):
    """Over a time without instant and ramp, the circuit is one object."""
    changed = schedule(*changes)
    later = time + 0.1
    if not changed.ramps_between(time, later) and not any(time < t <= later for t in changed.instants):
        assert changed.circuit_at(time) == changed.circuit_at(later)


# --- what is refused ----------------------------------------------------------------------------------------

WRONG = {
    "path": (
        [STIFFENING, Change(path="lungs.e.compliance", to=1.0, at=1.0)],
        InputError,
        r"^changes\.2\.path 'lungs\.e\.compliance': there is no 'e' in 'lungs'\.\n  Allowed: 'a', 'b'",
    ),
    "joint": (
        [Disconnection(joint="b.airwy", at=1.0)],
        InputError,
        r"^changes\.1\.joint: 'b' has no port 'airwy'\.\n  Did you mean 'b\.airway'",
    ),
    "lung": ([LungRemoval(lung="c", at=1.0)], InputError, r"^changes\.1\.lung: there is no lung 'c'"),
    "part": ([Clamp(part="b y-pice", at=1.0)], InputError, r"^changes\.1\.part: .*\n  Did you mean 'b y-piece'"),
    "no change": ([5], InputError, r"^changes\.1: 5 is not a change\.\n  Give Change"),
    "value": (
        [Change(path=COMPLIANCE, to=-1.0, at=60.0)],
        PartError,
        r"^changes\.1: the change of 'lungs\.b\.compliance': at 60 s lung 'b': compliance -1 mL/cmH2O is not "
        r"allowed\.\n  Allowed: above 0 mL/cmH2O",
    ),
    "factor": (
        [STIFFENING, Change(path=COMPLIANCE, factor=-1.0, at=130.0, until=140.0)],
        PartError,
        r"^changes\.2: .*: at 135 s lung 'b': compliance 0 mL/cmH2O is not allowed",
    ),
    "text for a number": (
        [Change(path=COMPLIANCE, to="soft", at=60.0)],
        PartError,
        r"^changes\.1: .*: at 60 s lung 'b': compliance 'soft' is not a number",
    ),
    "number for a text": (
        [Change(path="parts.b inspiratory valve.state", to=1.0, at=60.0)],
        PartError,
        r"^changes\.1: .*: at 60 s one-way valve 'b inspiratory valve': state 1\.0 is not one of the choices",
    ),
    "none where there is none": (
        [Change(path=COMPLIANCE, to="none", at=60.0)],
        PartError,
        r"^changes\.1: .*: at 60 s lung 'b': compliance is missing\.\n  Give compliance=",
    ),
    "factor of none": (
        [Change(path="settings.inspiratory_time", factor=2.0, at=60.0)],
        InputError,
        r"^changes\.1\.factor 2: the value of 'settings\.inspiratory_time' is none at 60 s, not a number",
    ),
    "factor of text": (
        [Change(path="settings.rise_shape", factor=2.0, at=60.0)],
        InputError,
        r"'settings\.rise_shape' is linear at 60 s, not a number",
    ),
    "ramp from none": (
        [Change(path="settings.inspiratory_time", to=2.0, at=60.0, until=90.0)],
        InputError,
        r"^changes\.1\.until 90 s: .* is none at 60 s, from where it cannot move bit by bit\.\n  Leave until out",
    ),
    "yes or no": (
        [Change(path="parts.b inspiratory tube.inertia", to=1.0, at=60.0)],
        InputError,
        r"^changes\.1\.path 'parts\.b inspiratory tube\.inertia' says how to calculate",
    ),
    "settings": (
        [Change(path="settings.rate", to=-5.0, at=60.0)],
        SettingsError,
        r"^changes\.1: the change of 'settings\.rate': at 60 s pressure control: rate -5 1/min is not allowed",
    ),
    "times of a breath": (
        [
            Change(path="settings.ie_ratio", to="none", at=10.0),
            Change(path="settings.inspiratory_time", to=2.0, at=10.0),
            Change(path="settings.rate", to=60.0, at=20.0, until=30.0),
        ],
        SettingsError,
        r"^changes\.3: the change of 'settings\.rate': at 25 s pressure control: inspiratory_time 2 s leaves no",
    ),
    "relief pressure": (
        [Change(path="settings.peep", to=50.0, at=60.0)],
        SettingsError,
        r"^changes\.1: .*at 60 s pressure control: the set pressure of 65 cmH2O, PEEP included, is above",
    ),
    "relief while a breath goes on": (
        [
            Change(path="settings.inspiratory_pressure", to=5.0, at=60.0),
            Change(path="ventilator.relief_pressure", to=15.0, at=60.0),
        ],
        SettingsError,
        r"(?s)^changes\.2: .*set pressure of 20 cmH2O.*relief_pressure of 15 cmH2O.*with the next breath",
    ),
    "just before a step": (
        [STIFFENING.changed(to=-5.0), Change(path=COMPLIANCE, to=40.0, at=120.0)],
        PartError,
        r"^changes\.1: .*: at 120 s lung 'b': compliance -5 mL/cmH2O is not allowed",
    ),
    # At both ends 5 s of 6 s and 1.4 s of 1.5 s; half-way 3.2 s of 60 / 25 s.
    "half-way": (
        [
            Change(path="settings.ie_ratio", to="none", at=10.0),
            Change(path="settings.inspiratory_time", to=5.0, at=10.0),
            Change(path="settings.rate", to=10.0, at=10.0),
            Change(path="settings.rate", to=40.0, at=20.0, until=30.0),
            Change(path="settings.inspiratory_time", to=1.4, at=20.0, until=30.0),
        ],
        SettingsError,
        r"^changes\.4: .*rate': at 25 s pressure control: inspiratory_time 3\.2 s leaves no expiration",
    ),
    "two ramps of one value": (
        [STIFFENING, Change(path="parts.b.compliance", to=30.0, at=100.0)],
        InputError,
        r"^changes\.2: the change of 'parts\.b\.compliance' \(at 100 s\) contradicts the change of "
        r"'lungs\.b\.compliance' \(60 to 120 s\)\.\n  Allowed: one change of a value or place at a time",
    ),
    "two steps at once": (
        [Change(path=COMPLIANCE, to=30.0, at=5.0), Change(path=COMPLIANCE, to=40.0, at=5.0)],
        InputError,
        r"^changes\.2: .* \(at 5 s\) contradicts .* \(at 5 s\)",
    ),
    "two faults at one joint": (
        [LungRemoval(lung="b", at=50.0), Disconnection(joint="b y-piece.patient", at=10.0, until=60.0)],
        InputError,
        r"^changes\.1: taking lung 'b' off \(from 50 s on\) contradicts the disconnection at 'b y-piece\.patient' "
        r"\(10 to 60 s\)",
    ),
    "a leak without end": (
        [
            LeakOnset(joint="b.airway", resistance=5.0, at=0.0),
            LeakOnset(joint="b y-piece.patient", resistance=5.0, at=500.0),
        ],
        InputError,
        r"^changes\.2: the leak at 'b y-piece\.patient' \(from 500 s on\) contradicts the leak at 'b\.airway'",
    ),
    "one part clamped twice": (
        [Clamp(part="b y-piece", at=0.0, until=10.0), Clamp(part="b y-piece", at=9.0)],
        InputError,
        r"^changes\.2: the clamp on 'b y-piece' .* contradicts the clamp on 'b y-piece' \(0 to 10 s\)",
    ),
}


@pytest.mark.parametrize(("changes", "error", "message"), WRONG.values(), ids=WRONG)
def test_impossible_changes(changes, error, message):
    with pytest.raises(error, match=message):
        schedule(*changes)


def test_faults_one_after_the_other():
    """One may begin at the moment at which another ends, also at one place."""
    changed = schedule(
        Disconnection(joint="b.airway", at=10.0, until=20.0), LungRemoval(lung="b", at=20.0, until=30.0)
    )
    assert "cap on b y-piece patient" in changed.circuit_at(20.0).parts
    assert changed.circuit_at(30.0) is CIRCUIT


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((5, SETTINGS), r"schedule: circuit 5 is of the wrong type\.\n  Give a Circuit"),
        ((CIRCUIT, 5), r"schedule: settings 5 is of the wrong type\.\n  Give PressureControl"),
        ((CIRCUIT, SETTINGS, "x"), r"changes: 'x' is not a list of changes\.\n  Give \(Change"),
        ((CIRCUIT, SETTINGS, STIFFENING), r"changes: Change\(\.\.\.\) is not a list of changes"),
    ],
)
def test_wrong_arguments(arguments, message):
    with pytest.raises(InputError, match=message):
        Schedule(*arguments)


def test_an_unlikely_value_is_warned_of_once():
    """Before the run, and not with every breath of a ramp."""
    with pytest.warns(PlausibilityWarning, match=r"lung 'b': compliance 400 mL/cmH2O is outside 0\.2 to 300"):
        doubtful = schedule(Change(path=COMPLIANCE, to=400.0, at=0.0, until=100.0))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert compliance(doubtful, 90.0) == 365.0  # 50 + 350 · 0.9


# --- after a run --------------------------------------------------------------------------------------------


def test_what_a_run_does_not_reach():
    early, late = Clamp(part="b y-piece", at=10.0), STIFFENING
    changed = schedule(late, early)
    found = [changed.unreached(duration) for duration in (60.0, 60.1, 5.0)]
    assert found == [(late,), (), (late, early)]


def test_after_all_changes():
    """A clamp that is opened again is over; a leak for good stays."""
    leak = LeakOnset(joint="b.airway", resistance=50.0, at=30.0)
    changes = [
        STIFFENING,
        Clamp(part="a y-piece", at=10.0, until=500.0),
        leak,
        Change(path="settings.peep", to=8.0, at=60.0),
    ]
    circuit, settings = with_changes(CIRCUIT, SETTINGS, changes)
    assert circuit.lungs["b"].compliance == 20.0 and settings.peep == 8.0
    assert set(circuit.parts) - set(CIRCUIT.parts) == {"leak at b airway"}
    assert circuit.parts["a y-piece"] is CIRCUIT.parts["a y-piece"]
    assert with_changes(CIRCUIT, SETTINGS, []) == (CIRCUIT, SETTINGS)


# --- in words -----------------------------------------------------------------------------------------------


def test_what_changes_in_words():
    changed = schedule(
        STIFFENING,
        Change(path="parts.b inspiratory valve.state", to="missing", at=90.0),
        Disconnection(joint="b.airway", at=30.0, until=45.0),
        LungRemoval(lung="a", at=120.0),
        Clamp(part="a y-piece", at=10.0),
        LeakOnset(joint="b.airway", resistance=Rohrer(linear=50.0, quadratic=20.0), at=60.0),
        Change(path="ventilator.flow_limit", to="none", at=10.0),
    )
    table = changes_table(changed)
    frame = table.frame
    assert frame.attrs["units"] == {"at": "s", "until": "s"}
    assert frame["at"].tolist() == [10.0, 10.0, 30.0, 60.0, 60.0, 90.0, 120.0]
    assert frame["until"].dropna().to_dict() == {2: 45.0, 3: 120.0}
    assert frame[["where", "before", "after"]].values.tolist() == [
        ["part a y-piece", "open", "closed"],
        ["ventilator.flow_limit", "3 L/s", "none"],
        ["joint b y-piece.patient - b.airway", "joined", "open to the room"],
        ["lungs.b.compliance", "50 mL/cmH2O", "20 mL/cmH2O"],
        ["joint b y-piece.patient - b.airway", "tight", "leak of 50 cmH2O·s/L and 20 cmH2O·s²/L²"],
        ["parts.b inspiratory valve.state", "working", "missing"],
        ["lung a", "on", "off, the circuit capped"],
    ]
    lines = str(table).splitlines()
    assert lines[0].split() == ["from", "until", "where", "before", "after"] and len(lines) == 9
    assert lines[5] == "  60    120  lungs.b.compliance                  50 mL/cmH2O  20 mL/cmH2O"
    assert str(changes_table(schedule())) == str(changes_table([])) == "Nothing changes."
    assert changes_table(schedule()).frame.columns.tolist() == ["at", "until", "where", "before", "after"]


def test_a_scenario_or_changes_alone_in_words():
    """A scenario has a schedule; without a circuit no value is known before, and a joint has the name given."""
    changes = [
        STIFFENING,
        Change(path="parts.b inspiratory restrictor.resistance", to=Rohrer(quadratic=8.0), at=90.0),
        Change(path="settings.ie_ratio", to="none", at=90.0),
        Change(path="ventilator.flow_limit", factor=0.5, at=10.0),
        Change(path="parts.x.unheard_of", to=5.0, at=95.0),
        Disconnection(joint="b.airway", at=30.0),
    ]
    frame = changes_table(changes).frame
    assert frame[["at", "where", "before", "after"]].values.tolist() == [
        [10.0, "ventilator.flow_limit", "-", "0.5 times as much"],
        [30.0, "joint b.airway", "joined", "open to the room"],
        [60.0, "lungs.b.compliance", "-", "20 mL/cmH2O"],
        [90.0, "parts.b inspiratory restrictor.resistance", "-", "law 'rohrer'"],
        [90.0, "settings.ie_ratio", "-", "none"],
        [95.0, "parts.x.unheard_of", "-", "5"],
    ]
    scenario = Scenario(circuit=CIRCUIT, settings=SETTINGS, changes=[STIFFENING], duration=300.0)
    assert str(changes_table(scenario)) == str(changes_table(schedule(STIFFENING)))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (5, r"changes: 5 is not a list of changes\.\n  Give \(Change"),
        (STIFFENING, r"changes: Change\(\.\.\.\) is not a list of changes"),
        ([5], r"5 is not a change\.\n  Give Change"),
    ],
)
def test_no_table_of_what_is_no_change(changes, message):
    with pytest.raises(InputError, match=message):
        changes_table(changes)
