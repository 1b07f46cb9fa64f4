"""The law of an adjustable restrictor: its points, the law between openings, files, and what is refused.

All curves are invented; expected numbers follow from them as said beside each.
"""

import itertools
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import ventsim as vs
from ventsim.errors import InputError, PartError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.laws import AdjustableCurve, MeasuredCurve, fit_monotone, fit_rohrer
from ventsim.model.layouts import Layout
from ventsim.model.scenario import Scenario

OPENINGS, FLOWS = (1.0, 2.0, 4.0), (0.25, 0.5, 1.0)
DROPS = ((4.0, 16.0, 64.0), (1.0, 4.0, 16.0), (0.25, 1.5, 5.0))
FAMILY = {"openings": OPENINGS, "flows": FLOWS, "pressure_drops": DROPS}
SETTINGS = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, inspiratory_time=1.0)
LUNG = vs.Lung(compliance=50.0, resistance=8.0)


def valve(opening, **changes):
    return AdjustableCurve(**{**FAMILY, "opening": opening, **changes})


# --- the law --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("opening", "row"), [*zip(OPENINGS, DROPS, strict=True)])
def test_measured_openings_are_measured_curves(opening, row):
    """Exact: the same pressures as those of a measured curve through the row."""
    assert valve(opening).drops_in_use == row
    flows = np.linspace(-1.5, 1.5, 31)
    curve = MeasuredCurve(flows=FLOWS, pressure_drops=row)
    assert np.array_equal(valve(opening).pressure_drop(flows), curve.pressure_drop(flows))
    assert valve(opening).pressure_drop(-0.5) == -row[1]


@pytest.mark.parametrize(
    ("opening", "expected"),
    [
        # Between rows that differ by the factor 4: half-way a factor 2, a quarter of the way √2.
        (1.5, (2.0, 8.0, 32.0)),
        (1.25, (4.0 / 2**0.5, 16.0 / 2**0.5, 64.0 / 2**0.5)),
        # Half-way from 2 to 4: √(1 x 0.25), √(4 x 1.5), √(16 x 5).
        (3.0, (0.5, 6.0**0.5, 80.0**0.5)),
    ],
)
def test_between_two_openings_by_hand(opening, expected):
    assert valve(opening).drops_in_use == pytest.approx(expected, rel=1e-14)
    assert valve(opening).pressure_drop(np.array(FLOWS)) == pytest.approx(expected, rel=1e-14)


def test_a_power_of_the_flow_stays_one():
    """9 q^1.7 and q^1.7 give 3 q^1.7 half-way."""
    flows = np.array(FLOWS)
    rows = (tuple(9.0 * flows**1.7), tuple(flows**1.7))
    law = AdjustableCurve(openings=(0.0, 1.0), flows=FLOWS, pressure_drops=rows, opening=0.5)
    assert law.drops_in_use == pytest.approx(3.0 * flows**1.7, rel=1e-14)


@pytest.mark.parametrize(
    ("power", "excess"),
    [
        # Between 1 and 2, at 1.5: √(2^-n) over 1.5^-n, by hand 1.125 and 1.2656, as the docstring says.
        (2, 1.125),
        (4, 1.265625),
    ],
)
def test_error_between_openings_of_which_one_is_twice_the_other(power, excess):
    rows = [tuple(10.0 * place**-power * q**2 for q in FLOWS) for place in (1.0, 2.0)]
    law = AdjustableCurve(openings=(1.0, 2.0), flows=FLOWS, pressure_drops=rows, opening=1.5)
    assert law.drops_in_use[-1] / (10.0 * 1.5**-power) == pytest.approx(excess, rel=1e-12)


@st.composite
def families(draw):
    """Rising rows, each below the one before it; scales that may begin below 0."""
    points, openings = draw(st.integers(2, 5)), draw(st.integers(2, 4))
    steps = st.floats(0.05, 2.0)
    flows = np.cumsum([draw(steps) for _ in range(points)])
    rows = [np.cumsum([draw(st.floats(0.01, 20.0)) for _ in range(points)])]
    for _ in range(openings - 1):
        lower = rows[-1] * np.sort([draw(st.floats(0.05, 1.0)) for _ in range(points)])
        rows.append(lower)
    scale = -2.0 + np.cumsum([draw(steps) for _ in range(openings)])
    return {"openings": scale, "flows": flows, "pressure_drops": [tuple(row) for row in rows]}


@given(family=families(), share=st.floats(0.0, 1.0), further=st.floats(0.0, 1.0))
def test_positive_rising_with_flow_and_falling_with_opening(family, share, further):
    """Positive, rising with the flow between points too; at the points falling with the opening."""
    first, last = family["openings"][0], family["openings"][-1]
    places = np.clip([first + part * (last - first) for part in sorted((share, further))], first, last)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PlausibilityWarning)  # flows and drops without bounds
        narrow, wide = (AdjustableCurve(opening=place, **family) for place in places)
    drops = narrow.pressure_drop(np.linspace(0.0, 1.2 * narrow.flows[-1], 200))
    assert drops[0] == 0.0 and np.all(np.diff(drops) > 0.0)
    for before, after in zip(narrow.drops_in_use, wide.drops_in_use, strict=True):
        assert 0.0 < after <= before * (1.0 + 1e-12)


# --- in a circuit ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", ["inspiratory_restrictor", "expiratory_restrictor"])
def test_in_a_limb_it_is_the_measured_curve_of_its_row(place):
    """The same volumes to the last bit at a measured opening; more gas passes the wider it is opened."""
    volumes = []
    laws = [valve(1.0), valve(1.5), valve(2.0), MeasuredCurve(flows=FLOWS, pressure_drops=DROPS[1])]
    for law in laws:
        circuit = vs.layouts.single(LUNG, limbs=vs.PatientLimbs(**{place: vs.Restrictor(resistance=law)}))
        waveforms = vs.simulate(circuit, SETTINGS, duration=SETTINGS.period)
        # The narrowing lets less in, or less out until the end of the breath.
        volumes.append(float(waveforms.volume.max() if place.startswith("i") else -waveforms.volume[-1, 0]))
    assert volumes[2] == volumes[3]
    assert all(after > before for before, after in itertools.pairwise(volumes[:3]))


def test_parts_list_shows_scale_rows_and_setting():
    circuit = vs.layouts.single(
        LUNG, limbs=vs.PatientLimbs(inspiratory_restrictor=vs.Restrictor(resistance=valve(1.5)))
    )
    text = str(vs.parts_list(circuit))
    shown = " ".join(text.split())
    for piece in ("openings 2 2,", "flows 3 1 L/s", "pressure_drops 2 1 / 4 / 16 cmH2O", "opening 1.5"):
        assert piece in shown, piece
    assert "All joints fit." in text


def scenario(circuit):
    return Scenario(title="a gate valve in one limb, numbers invented", circuit=circuit, settings=SETTINGS)


def test_layout_and_circuit_come_back_from_toml():
    restrictor = vs.Restrictor(resistance=valve(1.5), gas_volume=3.0)
    layout = Layout(lungs={"a": LUNG}, limbs=vs.PatientLimbs(expiratory_restrictor=restrictor))
    for circuit in (layout, Circuit.from_dict(layout.circuit.model_dump())):
        text = scenario(circuit).to_toml()
        assert Scenario.from_toml(text) == scenario(circuit), text
        assert 'law = "adjustable curve"' in text


FILE = """
title = "a gate valve, numbers invented"
[settings]
kind = "pressure control"
inspiratory_pressure = 15
rate = 15
ie_ratio = 0.5
[lungs.a]
compliance = 50
resistance = 8
[limbs.inspiratory_restrictor.resistance]
law = "adjustable curve"
openings = [1, 2]  # turns
flows = [0.5, 1]  # L/s
pressure_drops = [[9, 36], [1, 4]]  # cmH2O
opening = 1.5
"""


def test_a_file_written_by_hand():
    """√(9 x 1) and √(36 x 4)."""
    law = Scenario.from_toml(FILE).value("parts.a inspiratory restrictor.resistance")
    assert law.drops_in_use == pytest.approx((3.0, 12.0), rel=1e-14)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "opening = 1.5",
            "opening = 3",
            r"limbs\.inspiratory_restrictor\.resistance\.opening 3 is outside the openings",
        ),
        ("[9, 36]", "[9, -36]", r"resistance\.pressure_drops row 1: -36 cmH2O is not allowed"),
        ("[9, 36]", "9", r"resistance\.pressure_drops row 1: 9 is not a list of numbers"),
        ("openings =", "opening_s =", r"opening_s: there is no such key here\.\n  Did you mean 'openings'"),
    ],
)
def test_messages_name_the_place_in_the_file(old, new, message):
    with pytest.raises(InputError, match=message):
        Scenario.from_toml(FILE.replace(old, new))


# --- from bench points that scatter ---------------------------------------------------------------------------

# About 9.2 q² and q², read with some scatter.
NARROW = ((0.25, 0.5, 0.75, 1.0), (0.6, 2.25, 5.1, 9.2))
WIDE = ((-1.0, 0.25, 0.5, 0.75), (-1.02, 0.06, 0.26, 0.55))


def test_from_fits_reads_the_fits_at_the_flows():
    fits = {2.0: fit_rohrer(*WIDE), 1.0: fit_monotone(*NARROW)}
    law = AdjustableCurve.from_fits(fits, flows=np.array(FLOWS), opening=1.5)
    assert law.openings == (1.0, 2.0)
    assert law.pressure_drops[0] == (0.6, 2.25, 9.2)  # the monotone curve is exact at points that rise
    expected = fits[2.0].linear * np.array(FLOWS) + fits[2.0].quadratic * np.array(FLOWS) ** 2
    assert law.pressure_drops[1] == pytest.approx(expected, rel=1e-14)


def from_fits(fits, flows=FLOWS, opening=1.0):
    return lambda: AdjustableCurve.from_fits(fits, flows=flows, opening=opening)


FITS = {1.0: fit_rohrer(*NARROW), 2.0: fit_rohrer(*WIDE)}

# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: valve(2.0, openings=(1.0, 1.0, 4.0)),
            r"^adjustable curve: openings do not rise from 1 to 1\.\n  Sort openings and rows",
        ),
        (lambda: valve(2.0, openings=(4.0, 2.0, 1.0)), r"openings do not rise from 4 to 2\."),
        (
            lambda: valve(1.0, openings=(1.0,), pressure_drops=DROPS[:1]),
            r"openings hold 1 setting\(s\), which leaves nothing to set\.\n  Give two or more, or a laws.Meas",
        ),
        (
            lambda: valve(1.0, pressure_drops=DROPS[:2]),
            r"pressure_drops hold 2 row\(s\) for 3 openings\.\n  Give one row of pressure drops",
        ),
        (
            lambda: valve(1.0, pressure_drops=(DROPS[0], (1.0, 4.0), DROPS[2])),
            r"curve: at opening 2: 3 flows and 2 pressure drops do not make points\.\n  Give one pressure drop",
        ),
        (
            lambda: valve(1.0, pressure_drops=(DROPS[0], (1.0, 4.0, 3.0), DROPS[2])),
            r"at opening 2: pressure_drops fall from 4 to 3 cmH2O while flows rise from 0\.5 to 1 L/s\.\n",
        ),
        (
            lambda: valve(1.0, pressure_drops=(DROPS[0], DROPS[1], (0.25, 4.5, 5.0))),
            r"at 0\.5 L/s the drop rises from 4 to 4\.5 cmH2O while it is opened from 2 to 4\.\n"
            r"  Allowed: the wider, the less\. Measure again .* with a minus sign",
        ),
        (
            lambda: valve(0.5),
            r"opening 0\.5 is outside the openings at which it was measured\.\n  Allowed: 1 to 4\. Correct it",
        ),
        (lambda: valve(4.001), r"opening 4\.001 is outside the openings"),
        (
            lambda: valve(2.0, openings=(1.0, "two", 4.0)),
            r"openings 'two' is not a number\.\n  Allowed: finite",
        ),
        (lambda: valve(2.0, openings=3.0), r"openings 3\.0 is not a list of numbers"),
        (
            lambda: valve(2.0, pressure_drops=5.0),
            r"pressure_drops 5\.0 is not a list of rows of numbers\.\n",
        ),
        (lambda: valve(2.0, pressure_drops="rows"), r"pressure_drops 'rows' is not a list of rows of numbers"),
        (
            lambda: valve(2.0, pressure_drops=DROPS[1]),
            r"pressure_drops row 1: 1\.0 is not a list of numbers\.\n  Allowed: above 0",
        ),
        (
            lambda: valve(2.0, pressure_drops=(DROPS[0], (1.0, float("nan"), 16.0), DROPS[2])),
            r"pressure_drops row 2: nan cmH2O is not allowed\.\n  Allowed: above 0 cmH2O; usual",
        ),
        (lambda: valve(2.0, flows=(0.0, 0.5, 1.0)), r"flows 0 L/s is not allowed"),
        (lambda: valve(None), r"opening None is not a number"),
        (
            lambda: AdjustableCurve(flows=FLOWS, pressure_drops=DROPS, openings=OPENINGS),
            r"opening is missing\.\n  Give opening=\.\.\. in 1, the setting in use",
        ),
        (
            from_fits([FITS[1.0]]),
            r"fits \[.* is not a mapping of openings to fits\.\n  Give \{1\.0: fit_rohrer",
        ),
        (
            from_fits({**FITS, 3.0: vs.Tube(length=1.0)}),
            r"Tube\(\.\.\.\) at opening 3\.0 is not a fit\.\n  Give what",
        ),
        (from_fits({"wide": FITS[1.0]}), r"opening 'wide' is not a number\.\n  Allowed: finite number"),
        (
            from_fits(FITS, flows=(0.5, 1.5)),
            r"flow 1\.5 L/s was not measured at opening 1\.0\.\n  Allowed: at most 1 L/s",
        ),
        (from_fits({1.0: FITS[1.0]}), r"openings hold 1 setting"),
        (from_fits(FITS, flows=()), r"at opening 1: a curve needs more points than 0"),
    ],
)
def test_bad_input(make, message):
    with pytest.raises(PartError, match=message):
        make()


def test_flows_of_fits_must_be_numbers():
    with pytest.raises(InputError, match=r"adjustable curve: flows: flow 'fast' is not a number"):
        from_fits(FITS, flows="fast")()


def test_a_wider_opening_may_resist_as_much():
    """A valve that is as good as open before the end of its scale."""
    rows = (DROPS[0], DROPS[1], DROPS[1])
    assert valve(3.0, pressure_drops=rows).drops_in_use == pytest.approx(DROPS[1], rel=1e-14)


def test_likely_slip_of_units_in_a_row():
    """1471 Pa are 15 cmH2O (98.0665 Pa each)."""
    rows = ((300.0, 400.0, 1471.0), (4.0, 9.0, 14.0), (1.0, 2.0, 3.0))
    with pytest.warns(
        PlausibilityWarning, match=r"pressure_drops 1471 cmH2O is .*\n  Did you mean 15 \(1471 Pa\)"
    ):
        valve(4.0, pressure_drops=rows)
