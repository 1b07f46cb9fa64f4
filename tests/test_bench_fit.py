"""Fits of bench points: recovery, errors against a library and by repetition, bad points, the picture."""

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit, nnls

from ventsim.errors import InputError
from ventsim.parts import MeasuredPart, Restrictor, fit_monotone, fit_rohrer
from ventsim.plot import bench_fit

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
    part = fit.restrictor()
    assert part == Restrictor(linear_resistance=fit.linear, quadratic_resistance=fit.quadratic)


@pytest.mark.parametrize("scatter", [None, SCATTER], ids=["unknown scatter", "given scatter"])
def test_coefficients_and_errors_against_a_library(scatter):
    """SciPy's curve_fit on the same points; 1e-6."""
    fit = fit_rohrer(FLOWS, PRESSURES, scatter=scatter)
    best, covariance = curve_fit(law, FLOWS, PRESSURES, sigma=scatter, absolute_sigma=scatter is not None)
    errors = np.sqrt(np.diag(covariance))
    assert (fit.linear, fit.quadratic) == pytest.approx(best, rel=1e-6)
    assert (fit.linear_error, fit.quadratic_error) == pytest.approx(errors, rel=1e-5)
    assert fit.correlation == pytest.approx(covariance[0, 1] / errors.prod(), rel=1e-5)
    assert fit.held_at_zero == ()


def test_standard_errors_are_those_of_repeated_fits():
    """400 repetitions with a seeded generator: the spread of the coefficients is the error told, to 10 %."""
    random = np.random.default_rng(20)
    fits = [
        fit_rohrer(
            FLOWS, law(FLOWS, 4.0, 9.0) + SCATTER * random.standard_normal(FLOWS.size), scatter=SCATTER
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
    assert fit.restrictor().elements()[0].forward.pressure_drop(1.0) > 0.0


def test_two_points_leave_no_error_to_tell():
    fit = fit_rohrer((0.5, 1.0), (1.0, 3.0))
    assert (fit.linear, fit.quadratic) == pytest.approx((1.0, 2.0), rel=1e-12)  # 1 = K1/2 + K2/4, 3 = K1 + K2
    assert np.isnan(fit.linear_error) and np.isnan(fit.quadratic_error) and np.isnan(fit.correlation)


# --- rising curves --------------------------------------------------------------------------------------------


def test_rising_points_are_kept_as_they_are():
    fit = fit_monotone(FLOWS[::-1], PRESSURES[::-1])
    assert (fit.curve_flows, fit.curve_drops) == (tuple(FLOWS), tuple(PRESSURES))
    assert np.abs(fit.residuals).max() < 1e-12
    assert fit.part() == MeasuredPart(flows=tuple(FLOWS), drops=tuple(PRESSURES))
    assert fit.part(one_way=True).one_way


def test_falling_neighbours_and_repeats_are_pooled():
    """By hand: (2.0 + 2.4)/2 at 0.5; 5.2 and 5.0 fall and give 5.1 at their mean flow 0.875; both directions."""
    fit = fit_monotone((0.5, -0.5, 0.75, 1.0, 1.5), (2.0, -2.4, 5.2, 5.0, 9.0))
    assert fit.curve_flows == pytest.approx((0.5, 0.875, 1.5), rel=1e-12)
    assert fit.curve_drops == pytest.approx((2.2, 5.1, 9.0), rel=1e-12)
    assert fit.residuals[0] == pytest.approx(-0.2, rel=1e-9)


def test_scatter_weighs_the_pool():
    """Weights 1 and 1/4: (5.2 + 5.0/4)/1.25 = 5.16, by hand."""
    fit = fit_monotone((0.5, 0.75, 1.0, 1.5), (2.0, 5.2, 5.0, 9.0), scatter=(1.0, 1.0, 2.0, 1.0))
    assert fit.curve_drops == pytest.approx((2.0, 5.16, 9.0), rel=1e-12)


@given(noise=st.lists(st.floats(-0.5, 0.5), min_size=7, max_size=7))
def test_any_noise_gives_a_rising_curve(noise):
    fit = fit_monotone(FLOWS, 1.0 + PRESSURES + np.array(noise))
    assert np.all(np.diff(fit.pressure_drop(np.linspace(0.0, 1.5, 500))) > 0.0)
    assert fit.part().pressure_law.pressure_drop(0.6) == pytest.approx(fit.pressure_drop(0.6), rel=1e-12)


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
        (((0.5, 1.0), (-1.0, -3.0)), r"sign"),
    ],
)
def test_bad_points(fit, points, message):
    with pytest.raises(InputError, match=message):
        fit(*points)


@pytest.mark.parametrize("fit", [fit_rohrer, fit_monotone])
def test_bad_scatter(fit):
    with pytest.raises(InputError, match=r"scatter hold 0 cmH2O\.\n  Allowed: finite, above 0"):
        fit((0.5, 1.0), (1.0, 2.0), scatter=(0.1, 0.0))


@pytest.mark.parametrize(
    "fit",
    [fit_rohrer(FLOWS, PRESSURES, scatter=SCATTER), fit_monotone(FLOWS, PRESSURES)],
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


def test_picture_is_drawn_where_asked():
    _, own = plt.subplots()
    assert bench_fit(fit_rohrer(FLOWS, PRESSURES), ax=own) is own
    plt.close("all")
