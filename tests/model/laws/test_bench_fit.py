"""Fits of bench points: recovery, errors against a library and by repetition, bad points, the picture."""

import dataclasses

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit, nnls

from ventsim.errors import InputError
from ventsim.model.laws import MeasuredCurve, Orifice, Rohrer, fit_monotone, fit_rohrer, orifice_bore
from ventsim.model.parts import Restrictor
from ventsim.view.plot import bench_fit

mpl.use("Agg")
import matplotlib.pyplot as plt

FLOWS = np.array([0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.25])  # [L/s]
# Invented readings of 4 q + 9 q² with errors of some hundredths [cmH2O], and their invented scatter.
PRESSURES = 4 * FLOWS + 9 * FLOWS**2 + np.array([0.03, -0.05, 0.02, 0.06, -0.08, 0.05, -0.03])
SCATTER = np.array([0.02, 0.03, 0.03, 0.05, 0.08, 0.1, 0.15])


def law(flow, linear, quadratic):
    return linear * flow + quadratic * flow * np.abs(flow)


@given(linear=st.floats(0.1, 50.0), quadratic=st.floats(0.1, 50.0))
def test_exact_points_give_their_coefficients_back(linear, quadratic):
    flows = np.r_[-FLOWS, FLOWS]
    fit = fit_rohrer(flows, law(flows, linear, quadratic))
    assert (fit.linear, fit.quadratic) == pytest.approx((linear, quadratic), rel=1e-9)
    assert np.abs(fit.residuals).max() < 1e-9
    part = Restrictor(resistance=fit.law)
    assert part == Restrictor(resistance=Rohrer(linear=fit.linear, quadratic=fit.quadratic))


@pytest.mark.parametrize("scatter", [None, SCATTER], ids=["unknown scatter", "given scatter"])
def test_coefficients_and_errors_against_a_library(scatter):
    """SciPy's curve_fit on the same points; 1e-6."""
    fit = fit_rohrer(FLOWS, PRESSURES, standard_deviation=scatter)
    best, covariance = curve_fit(law, FLOWS, PRESSURES, sigma=scatter, absolute_sigma=scatter is not None)
    errors = np.sqrt(np.diag(covariance))
    assert (fit.linear, fit.quadratic) == pytest.approx(best, rel=1e-6)
    assert (fit.linear_error, fit.quadratic_error) == pytest.approx(errors, rel=1e-5)
    assert fit.correlation == pytest.approx(covariance[0, 1] / errors.prod(), rel=1e-5)
    assert fit.held_at_zero == ()


def test_standard_errors_are_those_of_repeated_fits():
    """400 repetitions with a seeded generator: the spread of the coefficients is the error stated, to 10 %."""
    random = np.random.default_rng(20)
    fits = [
        fit_rohrer(
            FLOWS, law(FLOWS, 4.0, 9.0) + SCATTER * random.standard_normal(FLOWS.size), standard_deviation=SCATTER
        )
        for _ in range(400)
    ]
    assert np.std([fit.linear for fit in fits]) == pytest.approx(fits[0].linear_error, rel=0.1)
    assert np.std([fit.quadratic for fit in fits]) == pytest.approx(fits[0].quadratic_error, rel=0.1)


@pytest.mark.parametrize(("power", "held"), [(2.6, "linear"), (0.6, "quadratic")])
def test_no_coefficient_becomes_negative(power, held):
    """Points of a steeper or flatter power; SciPy's non-negative least squares as reference, 1e-9."""
    pressures = 5 * FLOWS**power
    fit = fit_rohrer(FLOWS, pressures)
    best, _ = nnls(np.column_stack([FLOWS, FLOWS**2]), pressures)
    assert (fit.linear, fit.quadratic) == pytest.approx(tuple(best), rel=1e-9)
    assert fit.held_at_zero == (held,)
    assert getattr(fit, held) == getattr(fit, f"{held}_error") == 0.0
    assert np.isnan(fit.correlation)
    assert Restrictor(resistance=fit.law).elements()[0].forward.pressure_drop(1.0) > 0.0


def test_two_points_leave_no_error_to_tell():
    fit = fit_rohrer((0.5, 1.0), (1.0, 3.0))
    assert (fit.linear, fit.quadratic) == pytest.approx((1.0, 2.0), rel=1e-12)  # 1 = K1/2 + K2/4, 3 = K1 + K2
    assert np.isnan(fit.linear_error) and np.isnan(fit.quadratic_error) and np.isnan(fit.correlation)


# --- errors of the law, and the bore of a hole like it ----------------------------------------------------------

SCALE = (-1.0, -0.3, 0.0, 0.1, 0.3, 0.7, 1.25)  # flows at which the law is asked [L/s]


@pytest.mark.parametrize("scatter", [None, SCATTER], ids=["unknown scatter", "given scatter"])
def test_error_of_the_law_against_a_library(scatter):
    """g cov g with SciPy's covariance and g = (q, q²); 1e-5. Even in the flow, of the shape of the flow."""
    fit = fit_rohrer(FLOWS, PRESSURES, standard_deviation=scatter)
    _, covariance = curve_fit(law, FLOWS, PRESSURES, sigma=scatter, absolute_sigma=scatter is not None)
    rows = np.column_stack([SCALE, np.square(SCALE) * np.sign(SCALE)])
    expected = np.sqrt(np.einsum("ki,ij,kj->k", rows, covariance, rows))
    error = fit.pressure_drop_error(np.array(SCALE))
    assert error == pytest.approx(expected, rel=1e-5, abs=1e-12)
    assert error.shape == (len(SCALE),) and fit.pressure_drop_error(0.5).shape == ()
    assert fit.pressure_drop_error(-0.7) == fit.pressure_drop_error(0.7) > 0.0


@pytest.mark.parametrize("hold_at_zero", [None, "linear", "quadratic"])
def test_error_of_the_law_and_of_the_bore_by_repetition(hold_at_zero):
    """2000 repetitions with a seeded generator: spread of loss and bore are the errors stated, to 5 %."""
    random = np.random.default_rng(31)
    true = law(FLOWS, *{None: (4.0, 9.0), "linear": (0.0, 9.0), "quadratic": (4.0, 0.0)}[hold_at_zero])
    fits = [
        fit_rohrer(
            FLOWS,
            true + SCATTER * random.standard_normal(FLOWS.size),
            standard_deviation=SCATTER,
            hold_at_zero=hold_at_zero,
        )
        for _ in range(2000)
    ]
    holes = [fit.equivalent_bore(flow=0.4) for fit in fits]
    # The library states the errors of the first one; those of the others differ by the scatter of the loss.
    assert np.std([hole.pressure_drop for hole in holes]) == pytest.approx(holes[0].pressure_drop_error, rel=0.05)
    assert np.std([hole.bore for hole in holes]) == pytest.approx(holes[0].bore_error, rel=0.05)


def test_error_of_a_law_of_one_coefficient():
    """By hand: with the linear one held at 0 the error is that of the other times q²."""
    fit = fit_rohrer(FLOWS, 5 * FLOWS**2.6)
    assert fit.held_at_zero == ("linear",)
    assert fit.pressure_drop_error(0.5) == pytest.approx(0.25 * fit.quadratic_error, rel=1e-12)


def test_errors_that_cancel_leave_none():
    """Of one size and wholly opposed: e1 q = e2 q² at q = 1, correlation −1; by hand."""
    fit = dataclasses.replace(
        fit_rohrer(FLOWS, PRESSURES), linear_error=0.1, quadratic_error=0.1, correlation=-1.0
    )
    assert fit.pressure_drop_error(1.0) == 0.0
    assert fit.pressure_drop_error(0.5) == pytest.approx(0.05 - 0.025, rel=1e-12)


@pytest.mark.parametrize("points", [((0.5, 1.0), (1.0, 3.0), None), ((0.5,), (2.0,), "linear")])
def test_as_many_points_as_coefficients_tell_no_error(points):
    flows, pressures, held = points
    fit = fit_rohrer(flows, pressures, hold_at_zero=held)
    assert np.isnan(fit.pressure_drop_error(np.array([0.5, 1.0]))).all()
    hole = fit.equivalent_bore(flow=0.5)
    assert np.isnan(hole.bore_error) and np.isnan(hole.pressure_drop_error) and hole.bore > 0.0
    given = fit_rohrer(flows, pressures, standard_deviation=[0.1] * len(flows), hold_at_zero=held)
    assert given.equivalent_bore(flow=0.5).bore_error > 0.0


@pytest.mark.parametrize("edge", ["thin", "thick"])
@pytest.mark.parametrize("bore", [3.0, 12.0])
def test_bore_of_points_of_a_hole(bore, edge):
    """Points of the law of a hole give its bore back; its error is a difference quotient of the inverse law."""
    form = {"tube_bore": 15.0, "edge": edge, "density": 1.1, "discharge_coefficient": 0.65}
    drops = Orifice(bore=bore, **form).pressure_drop(FLOWS)
    fit = fit_rohrer(FLOWS, drops, standard_deviation=0.01 * drops, hold_at_zero="linear")
    hole = fit.equivalent_bore(flow=0.4, **form)
    assert hole.bore == pytest.approx(bore, rel=1e-9)
    assert (hole.flow, hole.pressure_drop) == (0.4, pytest.approx(fit.pressure_drop(0.4), rel=1e-12))
    # All points alike weigh as 1 % in the loss each: 7 of them leave 1/√7 %.
    assert hole.pressure_drop_error == pytest.approx(0.01 * hole.pressure_drop / np.sqrt(7), rel=1e-9)
    step = 1e-3 * hole.pressure_drop_error
    less, more = (orifice_bore(hole.pressure_drop + off, flow=0.4, **form) for off in (step, -step))
    assert hole.bore_error == pytest.approx((more - less) / 2 / 1e-3, rel=1e-6)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"flow": 0.0}, r"equivalent_bore: flow 0 L/s is not allowed\.\n  Allowed: above 0 L/s"),
        ({"flow": "fast"}, "equivalent_bore: flow 'fast' is not a number"),
        ({"flow": 0.4, "edge": "thik"}, "there is no edge 'thik'.\n.*Did you mean 'thick'"),
        ({"flow": 0.4, "tube_bore": -1.0}, "tube_bore -1 mm is not allowed"),
    ],
)
def test_bad_questions_for_a_bore(asked, words):
    with pytest.raises(InputError, match=words):
        fit_rohrer(FLOWS, PRESSURES).equivalent_bore(**asked)


# --- one coefficient alone --------------------------------------------------------------------------------------


@pytest.mark.parametrize("scatter", [None, SCATTER], ids=["unknown scatter", "given scatter"])
@pytest.mark.parametrize(("held", "power"), [("linear", 2), ("quadratic", 1)])
def test_one_coefficient_alone_against_a_library(held, power, scatter):
    """SciPy's curve_fit of K q^n on the same points; 1e-6."""
    fit = fit_rohrer(FLOWS, PRESSURES, standard_deviation=scatter, hold_at_zero=held)
    best, covariance = curve_fit(
        lambda q, k: k * q**power, FLOWS, PRESSURES, sigma=scatter, absolute_sigma=scatter is not None
    )
    fitted = {"linear": "quadratic", "quadratic": "linear"}[held]
    assert getattr(fit, fitted) == pytest.approx(best[0], rel=1e-6)
    assert getattr(fit, f"{fitted}_error") == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-5)
    assert getattr(fit, held) == getattr(fit, f"{held}_error") == 0.0
    assert fit.held_at_zero == (held,) and np.isnan(fit.correlation)


def test_wrong_coefficients_are_refused():
    with pytest.raises(InputError, match=r"no coefficient 'liner' to hold at zero\.\n.*Did you mean 'linear'"):
        fit_rohrer(FLOWS, PRESSURES, hold_at_zero="liner")
    with pytest.raises(InputError, match=r"the pressures are 0 or have the other sign than the flows"):
        fit_rohrer(FLOWS, -PRESSURES, hold_at_zero="linear")


# --- rising curves --------------------------------------------------------------------------------------------


def test_rising_points_are_kept_as_they_are():
    fit = fit_monotone(FLOWS[::-1], PRESSURES[::-1])
    assert (fit.law.flows, fit.law.pressure_drops) == (tuple(FLOWS), tuple(PRESSURES))
    assert np.abs(fit.residuals).max() < 1e-12
    assert fit.law == MeasuredCurve(flows=tuple(FLOWS), pressure_drops=tuple(PRESSURES))


def test_falling_neighbours_and_repeats_are_pooled():
    """By hand: (2.0 + 2.4)/2 at 0.5; 5.2 and 5.0 fall and give 5.1 at their mean flow 0.875; both directions."""
    fit = fit_monotone((0.5, -0.5, 0.75, 1.0, 1.5), (2.0, -2.4, 5.2, 5.0, 9.0))
    assert fit.law.flows == pytest.approx((0.5, 0.875, 1.5), rel=1e-12)
    assert fit.law.pressure_drops == pytest.approx((2.2, 5.1, 9.0), rel=1e-12)
    assert fit.residuals[0] == pytest.approx(-0.2, rel=1e-9)


def test_scatter_weighs_the_pool():
    """Weights 1 and 1/4: (5.2 + 5.0/4)/1.25 = 5.16, by hand."""
    fit = fit_monotone((0.5, 0.75, 1.0, 1.5), (2.0, 5.2, 5.0, 9.0), standard_deviation=(1.0, 1.0, 2.0, 1.0))
    assert fit.law.pressure_drops == pytest.approx((2.0, 5.16, 9.0), rel=1e-12)


@given(noise=st.lists(st.floats(-0.5, 0.5), min_size=7, max_size=7))
def test_any_noise_gives_a_rising_curve(noise):
    fit = fit_monotone(FLOWS, 1.0 + PRESSURES + np.array(noise))
    assert np.all(np.diff(fit.pressure_drop(np.linspace(0.0, 1.5, 500))) > 0.0)
    assert float(fit.law.pressure_drop(0.6)) == pytest.approx(fit.pressure_drop(0.6), rel=1e-12)


# --- bad points and the picture -------------------------------------------------------------------------------


@pytest.mark.parametrize("fit", [fit_rohrer, fit_monotone])
@pytest.mark.parametrize(
    ("points", "message"),
    [
        (
            ((0.5, 1.0), (1.0,)),
            r"fit_\w+: pressures has shape \(1,\), flows \(2,\)\.\n  Give one value for each",
        ),
        (((0.5, 0.0), (1.0, 0.0)), r"flows hold 0 L/s\.\n  Allowed: finite, not 0\. Leave out the point"),
        (((0.5, 1.0), (1.0, np.nan)), r"pressures hold nan cmH2O\.\n  Allowed: finite"),
        (((0.5, "x"), (1.0, 2.0)), r"flows \(0\.5, 'x'\) are not numbers\.\n  Give numbers in L/s"),
        ((((0.5, 1.0),), ((1.0, 2.0),)), r"flows has shape \(1, 2\)"),
        (((0.5,), (1.0,)), r"Give points at two or more flows"),
        (((1.0, 1.0 + 4e-16), (1.0, 1.0)), r"Give points at two or more flows"),
        (((), ()), r"fit_\w+: there are no points\.\n  Give flows in L/s"),
        (((0.5, 1.0), (-1.0, -3.0)), r"sign"),
    ],
)
def test_bad_points(fit, points, message):
    with pytest.raises(InputError, match=message):
        fit(*points)


def test_errors_of_flows_that_hardly_differ():
    """Two points determine K1 = (p1 q2² - p2 q1²) / (q1 q2 (q2 - q1)) and, with it, the error that this has."""
    q1, q2, scatter = 1.0, 1.0 + 1e-9, 0.1
    fit = fit_rohrer((q1, q2), (q1 + q1**2, q2 + q2**2), standard_deviation=(scatter, scatter))
    span = q1 * q2 * (q2 - q1)
    assert fit.linear_error == pytest.approx(scatter * np.hypot(q1**2, q2**2) / span, rel=1e-5)
    assert fit.quadratic_error == pytest.approx(scatter * np.hypot(q1, q2) / span, rel=1e-5)


@pytest.mark.parametrize("fit", [fit_rohrer, fit_monotone])
def test_bad_scatter(fit):
    with pytest.raises(InputError, match=r"standard_deviation hold 0 cmH2O\.\n  Allowed: finite, above 0"):
        fit((0.5, 1.0), (1.0, 2.0), standard_deviation=(0.1, 0.0))


@pytest.mark.parametrize(
    "fit",
    [fit_rohrer(FLOWS, PRESSURES, standard_deviation=SCATTER), fit_monotone(FLOWS, PRESSURES)],
    ids=["law", "curve"],
)
def test_picture(fit):
    ax = bench_fit(fit)
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("flow [L/s]", "pressure drop [cmH2O]")
    line = next(item for item in ax.lines if item.get_label() == "fitted law")
    assert line.get_ydata() == pytest.approx(fit.pressure_drop(line.get_xdata()), rel=1e-12)
    measured = next(box for box in ax.containers if box.get_label() == "measured").lines[0]
    assert measured.get_ydata() == pytest.approx(PRESSURES, rel=1e-12)
    plt.close("all")


def test_band_of_one_standard_error():
    """Its edges are the law less and plus its error; a curve, and a law of unknown error, have none."""
    fit = fit_rohrer(FLOWS, PRESSURES, standard_deviation=SCATTER)
    ax = bench_fit(fit)
    (band,) = [item for item in ax.collections if item.get_label() == "± standard error"]
    corners = band.get_paths()[0].vertices
    for q in (0.0, FLOWS.max()):
        edges = corners[np.isclose(corners[:, 0], q), 1]
        law_there, error = fit.pressure_drop(q), fit.pressure_drop_error(q)
        assert (edges.min(), edges.max()) == pytest.approx((law_there - error, law_there + error), abs=1e-12)
    assert "± standard error" in [text.get_text() for text in ax.get_legend().get_texts()]
    for without in (fit_monotone(FLOWS, PRESSURES), fit_rohrer((0.5, 1.0), (1.0, 3.0))):
        labels = [item.get_label() for item in bench_fit(without).collections]
        assert "± standard error" not in labels
    plt.close("all")


def test_picture_is_drawn_where_asked():
    _, own = plt.subplots()
    assert bench_fit(fit_rohrer(FLOWS, PRESSURES), ax=own) is own
    plt.close("all")
