"""Validation cases: rows pass or are explained, pages and figures are there, the table is up to date."""

import dataclasses
import sys
from pathlib import Path

import pytest

VALIDATION = Path(__file__).parents[1] / "validation"
sys.path.insert(0, str(VALIDATION))

import build  # noqa: E402
from rows import Row  # noqa: E402
from table import disagreements, page  # noqa: E402

SECTIONS = ("**What.**", "**Source.**", "**Uncertainty.**", "**Limits, and why.**", "](figure.png)")
ROW = Row(
    case="case", kind="closed form", quantity="tidal volume", unit="mL", reference=500.0,
    reference_uncertainty=0.0, value=500.001, limit=1e-5, relative=True, why="invented",
)  # fmt: skip

KNOWN_TO_FAIL = {
    "case_08_four_equal_lungs": [
        "real circuit: tidal volume in volume control",
    ],
    "case_12_frontmed_2024": [
        "linear: row 1, lung 1 (25/5, 24/min): end-expiratory pressure",
        "linear: row 3, lung 1 (25/20, 24/min): end-expiratory pressure",
        "linear: row 3, lung 2 (25/20, 24/min, volume not reached): end-expiratory pressure",
        "linear: row 4, lung 1 (25/20, 24/min): end-expiratory pressure",
        "linear: row 4, lung 2 (50/5, 24/min): end-expiratory pressure",
        "linear: row 5, lung 2 (50/5, 24/min): end-expiratory pressure",
        "linear: row 6, lung 2 (25/20, 24/min, volume not reached): end-expiratory pressure",
        "linear: row 7, lung 1 (50/20, 24/min): end-expiratory pressure",
        "linear: row 7, lung 2 (50/20, 24/min, volume not reached): end-expiratory pressure",
        "linear: row 8, lung 1 (50/20, 24/min): end-expiratory pressure",
        "linear: row 10, lung 2 (50/20, 12/min, volume not reached): end-expiratory pressure",
        "quadratic, 1 L/s: row 1, lung 1 (25/5, 24/min): end-expiratory pressure",
        "quadratic, 1 L/s: row 2, lung 2 (50/20, 24/min): end-expiratory pressure",
        "quadratic, 1 L/s: row 4, lung 2 (50/5, 24/min): end-expiratory pressure",
        "quadratic, 1 L/s: row 5, lung 1 (50/5, 24/min): end-expiratory pressure",
        "quadratic, 1 L/s: row 5, lung 2 (50/5, 24/min): end-expiratory pressure",
        "quadratic, 1 L/s: row 7, lung 2 (50/20, 24/min): end-expiratory pressure",
    ],
    "case_13_colombo_2021": [
        "compliance 50 to 30 mL/cmH2O at 20 cmH2O·s/L, inspiration 1 s: change of tidal volume",
        "compliance 50 to 30 mL/cmH2O at 20 cmH2O·s/L, inspiration 1.5 s: change of tidal volume",
        "resistance 5 to 20 cmH2O·s/L at 50 mL/cmH2O, inspiration 1 s: change of tidal volume",
        "resistance 5 to 20 cmH2O·s/L at 50 mL/cmH2O, inspiration 1.5 s: change of tidal volume",
    ],
    "case_14_component_laws": ["smooth tube 22 mm, 1.5 m, at 60 L/min"],
}
"""Rows that fail, by case; each has its explanation in the page."""


@pytest.fixture(scope="module")
def found():
    """Rows of all cases."""
    return build.collect()


@pytest.mark.slow
@pytest.mark.parametrize("case", build.CASES)
def test_rows_pass_or_are_explained(case, found):
    assert found[case]
    assert build.unexpected({case: found[case]}) == []
    assert {row.case for row in found[case]} == {case}
    names = [row.quantity for row in found[case]]
    assert len(set(names)) == len(names)


@pytest.mark.slow
def test_the_page_is_up_to_date(found):
    text = (VALIDATION / "README.md").read_text(encoding="utf-8")
    assert disagreements(text, found) == []
    for row in (row for rows in found.values() for row in rows if not row.passes):
        assert row.explanation in text


@pytest.mark.slow
def test_no_more_rows_fail_than_are_known(found):
    """Another row that fails would have to be put here by hand."""
    failing = {case: [row.quantity for row in rows if not row.passes] for case, rows in found.items()}
    assert {case: names for case, names in failing.items() if names} == KNOWN_TO_FAIL


@pytest.mark.slow
def test_tables_of_residuals_are_up_to_date():
    text = (VALIDATION / "case_12_frontmed_2024" / "README.md").read_text(encoding="utf-8")
    case = build.load("case_12_frontmed_2024")
    assert case.residual_table() in text
    assert case.rms_table() in text


@pytest.mark.parametrize("case", build.CASES)
def test_each_case_has_a_page_and_a_small_figure(case):
    text = (VALIDATION / case / "README.md").read_text(encoding="utf-8")
    assert all(section in text for section in SECTIONS)
    assert 0 < (VALIDATION / case / "figure.png").stat().st_size < 60_000


def test_cases_use_the_public_interface_alone():
    """No case imports from the inside of ventsim; units are public."""
    for source in VALIDATION.glob("case_*/*.py"):
        for line in source.read_text(encoding="utf-8").splitlines():
            if line.startswith(("import ventsim", "from ventsim")):
                assert line in ("import ventsim as vs", "from ventsim.units import convert"), source


def test_a_row_knows_whether_it_passes():
    assert ROW.difference == pytest.approx(2e-6, rel=1e-9)
    assert ROW.passes and ROW.is_as_expected
    absolute = dataclasses.replace(ROW, relative=False)
    assert absolute.difference == pytest.approx(1e-3, rel=1e-9)
    assert not absolute.passes and not absolute.is_as_expected
    assert dataclasses.replace(absolute, explanation="known").is_as_expected
    assert not dataclasses.replace(ROW, explanation="known").is_as_expected
    assert not dataclasses.replace(ROW, value=float("nan")).passes


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"reference": 501.0, "value": 501.001}, "reference is written as 500, should be 501"),
        ({"limit": 1e-4}, "limit is written as 1e-05 rel., should be 0.0001 rel."),
        ({"value": 600.0}, "result is written as pass, should be **fails**"),
        ({"quantity": "plateau"}, "row not on both sides: plateau"),
    ],
)
def test_a_page_that_is_out_of_date_is_noticed(change, message):
    text = page({"case": [ROW]}, titles={"case": "A case"})
    assert disagreements(text, {"case": [ROW]}) == []
    assert disagreements(text, {"case": [dataclasses.replace(ROW, value=500.002)]}) == []
    wrong = "\n".join(disagreements(text, {"case": [dataclasses.replace(ROW, **change)]}))
    assert message in wrong


def test_unknown_cases_are_refused(capsys):
    with pytest.raises(SystemExit, match="2"):
        build.main(["--case", "case_99"])
    assert "case_01_pressure_control" in capsys.readouterr().err
