"""Bores of printed holes against the published table."""

import statistics

import numpy as np
import pytest

from ventsim.errors import InputError
from ventsim.model.laws import Orifice, printed_bore
from ventsim.model.laws.orifice import NOMINAL_BORES, PRINTED_BORES_SOURCE, TRUE_BORES

# D. J. Duke et al., 3D Printing in Medicine 8 (2022), DOI 10.1186/s41205-021-00129-1, table 6 (read): mean true
# bores of nominally 2, 3 and 4 mm, eight pairs of printer and material [mm].
PUBLISHED = "1.69/2.60/3.48; 1.87/2.86/3.90; 1.94/2.95/3.99; 1.92/2.84/3.86; "
PUBLISHED += "1.38/2.81/3.84; 1.74/2.24/3.63; 1.78/2.91/3.86; 1.73/2.93/3.91"


def test_values_are_the_published_ones():
    rows = tuple(tuple(map(float, row.split("/"))) for row in PUBLISHED.split("; "))
    assert NOMINAL_BORES == (2.0, 3.0, 4.0) and rows == TRUE_BORES
    assert "10.1186/s41205-021-00129-1" in PRINTED_BORES_SOURCE["citation"]


@pytest.mark.parametrize(
    ("nominal", "mean", "narrowest", "widest"),
    [
        # Sums of the columns over eight: 14.05, 22.14, 30.47 mm.
        (2.0, 14.05 / 8, 1.38, 1.94),
        (3.0, 22.14 / 8, 2.24, 2.95),
        (4.0, 30.47 / 8, 3.48, 3.99),
        # Half-way, each row by itself: means of the means; narrowest (1.74 + 2.24)/2 of the sixth row, widest of
        # the third.
        (2.5, 36.19 / 16, 1.99, 2.445),
    ],
)
def test_mean_and_range(nominal, mean, narrowest, widest):
    hole = printed_bore(nominal)
    assert (hole.mean, hole.narrowest, hole.widest) == pytest.approx((mean, narrowest, widest), rel=1e-12)
    assert hole.deviation == pytest.approx(mean - nominal, rel=1e-12)
    assert hole.nominal == nominal


@pytest.mark.parametrize("column", [0, 1, 2])
def test_scatter_is_the_standard_deviation_between_rows(column):
    """Of the published column, by the standard library: 0.178, 0.240 and 0.168 mm."""
    values = [float(row.split("/")[column]) for row in PUBLISHED.split("; ")]
    assert printed_bore(NOMINAL_BORES[column]).standard_deviation == pytest.approx(
        statistics.stdev(values), rel=1e-12
    )


def test_into_an_orifice():
    """A mean printed hole of 2 mm resists 1.7 times as much as drawn: (2/1.75625)^4 = 1.68."""
    hole = printed_bore(2.0)
    made = Orifice(bore=2.0, bore_deviation=hole.deviation)
    assert made.true_bore == pytest.approx(hole.mean, rel=1e-12)
    assert made.coefficients[1] / Orifice(bore=2.0).coefficients[1] == pytest.approx(1.68, rel=0.01)


def test_always_narrower_than_drawn():
    """In every row of the table, so also in between."""
    for nominal in np.linspace(2.0, 4.0, 21):
        assert printed_bore(float(nominal)).widest < nominal


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (
            1.5,
            r"^printed_bore: nominal 1\.5 mm is not allowed\.\n  Allowed: at least 2 and at most 4 mm\. None",
        ),
        (5.0, r"nominal 5 mm is not allowed"),
        (float("nan"), r"nominal nan mm is not allowed"),
        ("3", r"nominal '3' is not a number"),
    ],
)
def test_what_was_not_measured(wrong, message):
    with pytest.raises(InputError, match=message):
        printed_bore(wrong)
