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
    """One row is known to fail; another one would have to be put here by hand."""
    failing = [row.quantity for rows in found.values() for row in rows if not row.passes]
    assert failing == [
        "real circuit: tidal volume in volume control",
    ]


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
