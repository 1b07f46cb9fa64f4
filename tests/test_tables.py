"""The writer of tables, and the writing of numbers, changes and times: cases by hand, and properties."""

import math
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventsim.tables import Column, Section, Table, clock, fixed, in_words, percent, signed, significant

NAN = math.nan


def table(frame, columns=None, **options):
    """A table of one section; without columns, a heading for each column of the frame."""
    if columns is None:
        columns = {name: Column(heading=str(name)) for name in frame}
    return Table(sections=[Section(name="numbers", frame=frame, columns=columns, **options)])


def lungs(*names):
    return pd.Index(names, name="lung")


# --- numbers ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (fixed(1.25, 1), "1.2"),  # binary fractions round to even
        (fixed(-0.04, 1), "0.0"),
        (fixed(-0.06, 1), "-0.1"),
        (fixed(np.float64(2.0), 0), "2"),
        (fixed(NAN, 2), "-"),
        (signed(0.04, 1), "0.0"),
        (signed(-0.04, 1), "0.0"),
        (signed(0.05001, 1), "+0.1"),
        (signed(-12.34, 1), "-12.3"),
        (signed(NAN, 1), "-"),
        (significant(1234567.0), "1.23457e+06"),
        (significant(21600.5, 10), "21600.5"),
        (significant(-0.0), "0"),
        (significant(NAN), "-"),
        (percent(0.6458), "64.6"),
        (percent(-0.0001), "0.0"),
        (percent(NAN), "-"),
        (in_words("low_expired_volume"), "low expired volume"),
        (in_words("peep_rise"), "PEEP rise"),
    ],
)
def test_numbers(shown, expected):
    assert shown == expected


@pytest.mark.parametrize(
    ("time", "options", "expected"),
    [
        (0.0, {}, "0:00:00"),
        (59.996, {}, "0:01:00"),
        (59.994, {}, "0:00:59.99"),
        (360000.0, {}, "100:00:00"),
        (3604.0, {"digits": 1}, "1:00:04.0"),
        (59.96, {"digits": 1}, "0:01:00.0"),
        (59.6, {"digits": 0}, "0:01:00"),
        (3570.0, {"form": "h:min"}, "1:00"),
        (3599.6, {"form": "min:s"}, "60:00"),
        (NAN, {}, "-"),
        (math.inf, {"form": "h:min"}, "-"),
    ],
)
def test_clock(time, options, expected):
    assert clock(time, **options) == expected


@given(st.floats(0.0, 1e6), st.integers(0, 3))
def test_a_clock_is_right_to_half_its_last_digit(time, digits):
    hours, minutes, seconds = clock(time, digits=digits).split(":")
    assert len(minutes) == 2 and float(seconds) < 60.0
    back = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
    assert abs(back - time) <= 0.5001 * 10.0**-digits


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_a_number_is_right_to_half_its_last_digit_and_zero_has_no_sign(number, digits):
    for shown in (fixed(number, digits), signed(number, digits)):
        assert abs(float(shown) - number) <= 0.5 * 10.0**-digits + 1e-6 * abs(number)
        assert float(shown) != 0.0 or shown[0] not in "+-"
    assert signed(number, digits).lstrip("+") == fixed(number, digits)


# --- columns ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        (Column(heading="x", unit="mL"), 516.66, "516.7"),
        (Column(heading="x", unit="cmH2O"), -1e-9, "0.00"),
        (Column(heading="x", unit="s"), 0.1 + 0.2, "0.3"),
        (Column(heading="x"), np.int64(1234567), "1234567"),
        (Column(heading="x", unit="mL"), 5, "5.0"),
        (Column(heading="x", unit="mL"), None, "-"),
        (Column(heading="x", unit="mL"), pd.NA, "-"),
        (Column(heading="x", unit="s", show=clock), 72.0, "0:01:12"),
        (Column(heading="x"), "", ""),
        (Column(heading="x"), ("a", "b"), "a, b"),
    ],
)
def test_a_value_is_written_as_its_column_says(column, value, expected):
    assert column.text(value) == expected


def test_the_unit_that_is_shown():
    assert Column(heading="x", unit="1").unit_text == ""
    assert Column(heading="x", unit="1", show=percent, shown_unit="%").unit_text == "%"


# --- text -------------------------------------------------------------------------------------------------


def test_text_by_hand():
    """Headings in two lines where that is narrower, units, numbers right, texts left, sums, marks."""
    frame = pd.DataFrame(
        {
            "volume": [516.66, 1283.44, NAN],
            "change": [-12.0, 0.01, 3.0],
            "bad": [True, False, False],
            "why": ["stiff", "", "no gas"],
        },
        index=lungs("a", "the other", "c"),
    )
    columns = {
        "volume": Column(heading="inspired volume", unit="mL"),
        "change": Column(heading="change", unit="%", show=lambda x: signed(x, 1), mark="bad"),
        "why": Column(heading="because"),
    }
    shown = Table(
        sections=[Section(name="lungs", frame=frame, columns=columns, total=["volume"], title="of all lungs")],
        title="Title",
        notes=["A note."],
        caution="Caution.",
    )
    assert str(shown) == (
        "Title\n"
        "\n"
        "of all lungs\n"
        "           inspired\n"
        "lung         volume  change  because\n"
        "               [mL]     [%]\n"
        "a             516.7  -12.0!  stiff\n"
        "the other    1283.4    0.0\n"
        "c                 -   +3.0   no gas\n"
        "total             -\n"  # of a number that is unknown the sum is unknown
        "\n"
        "A note.\n"
        "\n"
        "Caution."
    )
    assert repr(shown) == str(shown) == f"{shown}"
    assert shown.text(caution=False) == str(shown).removesuffix("\n\nCaution.")


@pytest.mark.parametrize(
    ("heading", "above"),
    [
        ("auto-PEEP", ["auto-", "PEEP"]),
        ("share of all", ["share", "of all"]),
        ("left-upper lobe of b", ["left-upper", "lobe of b"]),
        ("plateau", ["plateau"]),
        ("end", ["end"]),
    ],
)
def test_a_long_heading_takes_two_lines(heading, above):
    frame = pd.DataFrame({"x": [1.0]})
    assert str(table(frame, {"x": Column(heading=heading)})).split("\n")[:-1] == [
        word.rjust(max(map(len, above))) for word in above
    ]


def test_the_only_row_as_a_list():
    frame = pd.DataFrame({"peak": [16.953], "rate": [NAN], "count": [3]})
    columns = {
        "peak": Column(heading="peak pressure", unit="cmH2O"),
        "rate": Column(heading="rate", unit="1/min"),
        "count": Column(heading="breaths"),
    }
    assert str(table(frame, columns, is_upright=True)) == (
        "peak pressure  16.95 cmH2O\n"  #
        "rate               - 1/min\n"
        "breaths            3"
    )


def test_several_levels_of_rows_and_texts_in_several_lines():
    index = pd.MultiIndex.from_product([["a"], ["before", "after"]], names=["lung", ""])
    frame = pd.DataFrame({"parts": ["one tube, two long valves, leak", ("x", "y")]}, index=index)
    assert str(table(frame, {"parts": Column(heading="parts", width=16)})) == (
        "lung          parts\n"  #
        "a     before  one tube,\n"
        "              two long valves,\n"
        "              leak\n"
        "a     after   x, y"
    )


def test_of_many_rows_the_first_and_last_are_shown():
    frame = pd.DataFrame({"n": range(9)})
    assert str(table(frame, most_rows=4)).split("\n") == [
        *(word.rjust(10) for word in ("n", "0", "1", "... 5 more", "7", "8"))
    ]
    assert str(table(frame, most_rows=9)).count("\n") == 9
    assert len(table(frame, most_rows=4).frame) == 9


def test_empty_sections_are_not_shown():
    empty = Section(
        name="none", frame=pd.DataFrame({"x": []}), columns={"x": Column(heading="x", unit="m")}, title="t"
    )
    shown = Table(sections=[empty], title="Nothing.")
    assert str(shown) == "Nothing."
    assert "<table>" not in shown._repr_html_()
    assert shown.frame.columns.tolist() == ["x"] and shown.frame.attrs["units"] == {"x": "m"}


def test_long_notes_are_folded():
    note = "Joints:\n  " + "word " * 40
    lines = str(Table(sections=[], notes=[note])).split("\n")
    assert lines[0] == "Joints:" and len(lines) == 3
    assert all(line.startswith("  word") and len(line) <= 110 for line in lines[1:])


names = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=12)
numbers = st.tuples(st.floats(-1e6, 1e6) | st.just(NAN), st.integers(0, 10**6))


@given(
    st.dictionaries(names, numbers, min_size=1),
    st.text("abc ", max_size=30),
    st.sampled_from(["mL", "cmH2O", "s"]),
)
def test_columns_line_up_whatever_they_hold(rows, heading, unit):
    """Names begin in the first place; headings, units and numbers end where their column does."""
    frame = pd.DataFrame(list(rows.values()), columns=["x", "n"], index=lungs(*rows))
    columns = {"x": Column(heading=heading, unit=unit), "n": Column(heading="count", unit="breaths")}
    lines = str(table(frame, columns)).split("\n")
    *above, units = lines[: -len(rows)]
    start, end = max(len("lung"), *map(len, rows)) + 2, units.index("]") + 1
    assert all(len(line) == end + len("  [breaths]") for line in lines[-len(rows) - 2 :])
    assert 1 <= len(above) <= 2 and above[-1][:start] == "lung".ljust(start)
    assert " ".join(part for line in above if (part := line[start:end].strip())).split() == heading.split()
    for line, (name, (x, n)) in zip(lines[-len(rows) :], rows.items(), strict=True):
        assert line[:start] == name.ljust(start)
        assert line[start:end].lstrip() == columns["x"].text(x)
        assert line[end:].lstrip() == str(n)


# --- HTML -------------------------------------------------------------------------------------------------


class Cells(HTMLParser):
    """Rows of cells, as a browser reads them."""

    def __init__(self):
        super().__init__()
        self.rows, self.classes, self.open = [], [], 0

    def handle_starttag(self, tag, attrs):
        self.open += tag != "br"
        if tag == "div":
            self.classes += dict(attrs)["class"].split()
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag == "br" and self.rows:
            self.rows[-1][-1] += "|"

    def handle_endtag(self, tag):
        self.open -= 1

    def handle_data(self, data):
        if self.rows and self.rows[-1] and data != "\n":
            self.rows[-1][-1] += data


def cells_of(shown):
    found = Cells()
    found.feed(shown._repr_html_())
    assert found.open == 0  # every tag is closed
    return found


def test_html_by_hand():
    frame = pd.DataFrame({"peak": [16.953, NAN]}, index=lungs("<b>&", "b"))
    found = cells_of(table(frame, {"peak": Column(heading="peak <x>", unit="cmH2O")}, title="a < b"))
    assert found.rows == [["lung", "peak <x>|[cmH2O]"], ["<b>&", "16.95"], ["b", "-"]]
    assert {"tex2jax_ignore", "mathjax_ignore"} <= set(found.classes)
    assert "<caption>a &lt; b</caption>" in table(frame, title="a < b")._repr_html_()


@given(st.lists(names, min_size=1, max_size=4, unique=True))
def test_no_name_breaks_out_of_its_cell(labels):
    """Brackets, bars, dollars, quotes and ampersands stay text."""
    frame = pd.DataFrame({"x": range(len(labels))}, index=lungs(*labels))
    assert cells_of(table(frame)).rows[1:] == [[label, str(k)] for k, label in enumerate(labels)]


def test_bars_and_dollars_are_text():
    frame = pd.DataFrame({"x": [1.0]}, index=lungs("$a$ | `b` *c*"))
    assert "\n$a$ | `b` *c*  1" in str(table(frame))
    assert cells_of(table(frame)).rows[1][0] == "$a$ | `b` *c*"


# --- DataFrames -------------------------------------------------------------------------------------------


def test_frames_are_copies_with_units():
    frame = pd.DataFrame({"peak": [16.953], "hidden": [1]}, index=lungs("a"))
    shown = table(frame, {"peak": Column(heading="peak", unit="cmH2O")})
    assert list(shown.frames) == ["numbers"]
    assert (
        shown.frame.attrs["units"] == {"peak": "cmH2O"} and "hidden" in shown.frame and "hidden" not in str(shown)
    )
    mine = shown.frame
    mine.loc["a", "peak"] = 0.0
    assert shown.frame.loc["a", "peak"] == 16.953 and "units" not in frame.attrs
    with pytest.raises(AttributeError):
        shown.title = "another"
