"""Breath settings: times, courses and what contradicts itself. The machine: limits that settings must respect."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from ventsim.errors import PartError, PlausibilityWarning, SettingsError
from ventsim.model.ventilator import (
    SETTINGS_KINDS,
    BreathSettings,
    PressureControl,
    Segment,
    Ventilator,
    VolumeControl,
    check_settings,
)


def pressure(inspiratory_pressure=15.0, rate=15.0, inspiratory_time=1.0, **more):
    return PressureControl(
        inspiratory_pressure=inspiratory_pressure, rate=rate, inspiratory_time=inspiratory_time, **more
    )


def volume(tidal_volume=500.0, rate=15.0, inspiratory_time=1.0, **more):
    return VolumeControl(tidal_volume=tidal_volume, rate=rate, inspiratory_time=inspiratory_time, **more)


EXAMPLES = [
    pressure(),
    pressure(rise_time=0.2),
    pressure(rise_time=1.0),
    pressure(rise_time=0.2, rise_shape="exponential"),
    volume(),
    volume(pause_time=0.3),
    volume(flow_pattern="decelerating", end_flow_ratio=0.5),
    volume(flow_pattern="sine", pause_time=0.2),
]

# --- times ----------------------------------------------------------------------------------------------------


def test_times_from_inspiratory_time():
    """Rate 15/min: a period of 4 s. The pause is part of the inspiratory time (ISO 19223 terms)."""
    settings = volume(inspiratory_time=1.6, pause_time=0.3)
    assert (settings.period, settings.inspiratory_phase_time) == (4.0, 1.6)
    assert settings.flow_time == pytest.approx(1.3, rel=1e-15)
    assert settings.expiratory_time == pytest.approx(2.4, rel=1e-15)


def test_times_from_ratio():
    """I:E of 1:2 at 15/min: 4/3 s and 8/3 s."""
    settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    assert settings.inspiratory_phase_time == settings.flow_time == pytest.approx(4 / 3, rel=1e-15)
    assert settings.expiratory_time == pytest.approx(8 / 3, rel=1e-15)


@pytest.mark.parametrize("settings", EXAMPLES, ids=repr)
def test_segments_fill_one_period(settings):
    segments = settings.segments()
    assert all(segment.duration > 0.0 for segment in segments)
    assert math.fsum(segment.duration for segment in segments) == pytest.approx(settings.period, rel=1e-14)
    phases = [segment.phase for segment in segments]
    assert phases == sorted(phases, key=["inspiration", "pause", "expiration"].index)
    assert (segments[-1].phase, segments[-1].drive) == ("expiration", "closed")
    flow_time = math.fsum(segment.duration for segment in segments if segment.phase == "inspiration")
    assert flow_time == pytest.approx(settings.flow_time, rel=1e-14)


@given(rate=st.floats(3.0, 150.0), ie_ratio=st.floats(0.1, 1.0))
def test_ratio_and_time_agree(rate, ie_ratio):
    with_ratio = PressureControl(inspiratory_pressure=10.0, rate=rate, ie_ratio=ie_ratio)
    assert with_ratio.inspiratory_phase_time / with_ratio.expiratory_time == pytest.approx(ie_ratio, rel=1e-12)


# --- pressure control -----------------------------------------------------------------------------------------


def test_square_pressure():
    """PEEP 5 plus 15 cmH2O from the first moment."""
    assert pressure(peep=5.0).inspiration() == (
        Segment(duration=1.0, phase="inspiration", drive="pressure", start=20.0),
    )


def test_linear_rise():
    rise, plateau = pressure(peep=5.0, rise_time=0.2).inspiration()
    assert [rise.value(time) for time in (0.0, 0.1, 0.2)] == pytest.approx([5.0, 12.5, 20.0], rel=1e-15)
    assert (plateau.duration, plateau.value(0.3)) == (0.8, 20.0)


def test_linear_rise_over_the_whole_inspiration():
    (rise,) = pressure(peep=5.0, rise_time=1.0).inspiration()
    assert (rise.duration, rise.value(1.0)) == (1.0, 20.0)


def test_exponential_rise_is_95_percent_complete_after_the_rise_time():
    """1 - exp(-3) = 0.95021; the curve spans the whole inspiration."""
    (rise,) = pressure(peep=5.0, rise_time=0.3, rise_shape="exponential").inspiration()
    assert rise.duration == 1.0
    assert rise.time_constant == pytest.approx(0.1, rel=1e-15)
    assert (rise.value(0.3) - 5.0) / 15.0 == pytest.approx(0.950212931632136, rel=1e-12)


def test_exponential_rise_of_no_length_is_a_step():
    assert pressure(rise_shape="exponential").inspiration() == pressure().inspiration()


# --- volume control -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "peak"),
    [
        (volume(), 0.5),  # 0.5 L in 1 s
        (volume(inspiratory_time=1.25, pause_time=0.25), 0.5),  # the pause carries no flow
        (volume(flow_pattern="decelerating"), 1.0),  # 60 L/min: triangle, twice the mean
        (volume(flow_pattern="decelerating", end_flow_ratio=0.5), 2 / 3),  # 40 L/min: trapezium
        (volume(flow_pattern="decelerating", end_flow_ratio=1.0), 0.5),  # as constant
        (volume(flow_pattern="sine"), math.pi / 4),  # mean of a half sine is 2/π of its peak
    ],
    ids=repr,
)
def test_peak_flow_and_volume(settings, peak):
    """The peak by hand, and the integral of the curve by quadrature: the set tidal volume."""
    assert settings.peak_flow == pytest.approx(peak, rel=1e-14)
    flow = settings.inspiration()[0]
    assert max(flow.value(0.0), flow.value(flow.duration / 2)) == pytest.approx(peak, rel=1e-14)
    litres, _ = quad(flow.value, 0.0, flow.duration)
    assert litres * 1000.0 == pytest.approx(settings.tidal_volume, rel=1e-9)


def test_decelerating_flow_ends_at_its_ratio():
    (flow,) = volume(flow_pattern="decelerating", end_flow_ratio=0.25).inspiration()
    assert flow.value(flow.duration) / flow.value(0.0) == pytest.approx(0.25, rel=1e-14)


def test_pause_is_closed():
    _, pause = volume(pause_time=0.3).inspiration()
    assert (pause.phase, pause.drive, pause.duration, pause.value(0.1)) == ("pause", "closed", 0.3, 0.0)


# --- what is refused or doubted -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: PressureControl(inspiratory_pressure=15.0, rate=15.0),
            r"pressure control: needs exactly one of inspiratory_time and ie_ratio; neither is given\.\n  Give",
        ),
        (lambda: pressure(ie_ratio=0.5), r"exactly one of inspiratory_time and ie_ratio; both are given"),
        (
            lambda: pressure(inspiratory_time=4.0),
            r"inspiratory_time 4 s leaves no expiration in a period of 4 s \(rate 15 1/min\)\.\n  Allowed: below",
        ),
        (
            lambda: volume(inspiratory_time=5.0),
            r"volume control: inspiratory_time 5 s leaves no expiration in a period of 4 s",
        ),
        (
            lambda: pressure(rise_time=1.1),
            r"rise_time 1\.1 s is longer than the inspiration of 1 s\.\n  Allow",
        ),
        (
            lambda: pressure(rise_shape="liner"),
            r"rise_shape 'liner' is not one .*\n  Did you mean 'linear'",
        ),
        (
            lambda: pressure(rise_shape=3),
            r"rise_shape 3 is not one of the choices\.\n  Allowed: 'linear', 'exponen",
        ),
        (lambda: pressure(inspiratory_pressure=-1.0), r"inspiratory_pressure -1 cmH2O is not allowed"),
        (
            lambda: pressure(peep=-1.0),
            r"peep -1 cmH2O is not allowed\.\n  Allowed: at least 0 cmH2O; usual: 0 to 30",
        ),
        (lambda: pressure(rate=0.0), r"rate 0 1/min is not allowed"),
        (lambda: pressure(inspiratory_time=0.0), r"inspiratory_time 0 s is not allowed"),
        (lambda: pressure(inspiratory_time=None, ie_ratio=0.0), r"ie_ratio 0 is not allowed"),
        (
            lambda: volume(pause_time=1.0),
            r"pause_time 1 s leaves no time for flow in an inspiratory phase of 1 s, which includes the pause",
        ),
        (
            lambda: volume(end_flow_ratio=0.5),
            r"end_flow_ratio 0\.5 has no meaning for the flow pattern 'constant'",
        ),
        (
            lambda: volume(flow_pattern="decelerating", end_flow_ratio=1.1),
            r"end_flow_ratio 1\.1 is not allowed",
        ),
        (lambda: volume(flow_pattern="square"), r"flow_pattern 'square' is not one of the choices"),
        (lambda: volume(tidal_volume=0.0), r"tidal_volume 0 mL is not allowed"),
        (
            lambda: VolumeControl(rate=15.0, inspiratory_time=1.0),
            r"tidal_volume is missing\.\n  Give tidal_volume=\.\.",
        ),
        (lambda: pressure(frequency=15.0), r"there is no 'frequency'"),
    ],
)
def test_impossible_settings(make, message):
    with pytest.raises(SettingsError, match=message):
        make()


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: volume(tidal_volume=0.5), r"tidal_volume 0\.5 mL .*\n  Did you mean 500 \(0\.5 L\)\?"),
        (lambda: pressure(rate=0.25), r"rate 0\.25 1/min .*\n  Did you mean 15 \(0\.25 1/s\)\?"),
        (lambda: pressure(inspiratory_pressure=1.5), r"Did you mean 15\.3 \(1\.5 kPa\)\?"),
        (lambda: pressure(peep=500.0), r"peep 500 cmH2O .*\n  Did you mean 5\.1 \(500 Pa\)\?"),
        (lambda: pressure(rate=3.0, inspiratory_time=15.0), r"inspiratory_time 15 s is outside 0\.1 to 10"),
        (lambda: Ventilator(flow_limit=180.0), r"flow_limit 180 L/s .*\n  Did you mean 3 \(180 L/min\)\?"),
        (lambda: Ventilator(relief_pressure=6.0), r"Did you mean 61\.2 \(6 kPa\)\?"),
    ],
)
def test_implausible_settings(make, message):
    with pytest.warns(PlausibilityWarning, match=message):
        make()


@pytest.mark.parametrize("settings", EXAMPLES, ids=repr)
def test_settings_survive_plain_values_and_cannot_be_edited(settings):
    data = settings.model_dump()
    assert SETTINGS_KINDS[data["kind"]].from_dict(data) == settings
    with pytest.raises(SettingsError, match="rate cannot be set"):
        settings.rate = 20.0


def test_changed_settings_are_checked_again():
    assert pressure().changed({"inspiratory_time": None, "ie_ratio": 1.0}).inspiratory_phase_time == 2.0
    with pytest.raises(SettingsError, match="leaves no expiration"):
        pressure().changed({"rate": 60.0})


def test_settings_base_is_abstract():
    with pytest.raises(
        SettingsError, match=r"BreathSettings is what others have in common\.\n  Make one of those"
    ):
        BreathSettings(rate=15.0, inspiratory_time=1.0)


# --- the machine ----------------------------------------------------------------------------------------------


def test_ventilator_defaults():
    """Exhalation valve 2 to 5 cmH2O at 1 L/s (from memory), flow limit 180 L/min (common practice, no source)."""
    ventilator = Ventilator()
    assert ventilator.ports == ("inspiratory", "expiratory")
    assert 2.0 <= ventilator.exhalation_resistance <= 5.0
    assert ventilator.internal_volume == ventilator.humidifier_volume == 0.0
    assert ventilator.flow_limit == 180.0 / 60.0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"source_resistance": -1.0}, r"ventilator: source_resistance -1 cmH2O·s/L is not allowed"),
        ({"flow_limit": 0.0}, r"ventilator: flow_limit 0 L/s is not allowed"),
        ({"relief_pressure": math.nan}, r"ventilator: relief_pressure nan cmH2O is not allowed"),
        ({"relief": 60.0}, r"there is no 'relief'\.\n  Did you mean 'relief_pressure'"),
    ],
)
def test_impossible_ventilator(changes, message):
    with pytest.raises(PartError, match=message):
        Ventilator().changed(changes)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (
            pressure(peep=25.0),
            r"pressure control: peep 25 cmH2O is above the ventilator's relief_pressure of 20",
        ),
        (volume(peep=25.0), r"volume control: peep 25 cmH2O is above the ventilator's relief_pressure of 20"),
        (
            pressure(peep=10.0),
            r"set pressure of 25 cmH2O, PEEP included, is above .* 20 cmH2O\.\n  Allowed: at most 20",
        ),
        (pressure(peep=10.0, rise_time=1.0), r"set pressure of 25 cmH2O"),
    ],
    ids=repr,
)
def test_settings_above_the_relief_pressure(settings, message):
    with pytest.raises(SettingsError, match=message):
        check_settings(Ventilator(relief_pressure=20.0), settings)


@pytest.mark.parametrize("settings", EXAMPLES, ids=repr)
def test_settings_below_the_relief_pressure(settings):
    """The limit itself is allowed: PEEP 5 and 15 above it reach 20 cmH2O."""
    check_settings(Ventilator(relief_pressure=20.0), settings)
    check_settings(Ventilator(relief_pressure=None), settings.changed({"peep": 30.0}))
