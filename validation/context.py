"""What real ventilators keep to: context for the differences of the table, never a limit of a row."""

from collections.abc import Sequence
from pathlib import Path

from rows import Row
from tables import number, read_table

HERE = Path(__file__).parent
ADULT = 300.0  # smallest set volume that counts for the band of adult volumes [mL]

INTRODUCTION = """\
## Context: what real ventilators keep to

No row is judged by these figures; they say what a difference means beside a real machine: the volume that is set
is not the volume that is delivered. Most are from abstracts; the last column says what was read. No tolerance of
pressure was found in a standard.
"""


def tolerances() -> list[dict[str, str]]:
    """The lines of the data file."""
    return read_table(HERE / "ventilators.csv")


def volume_band() -> tuple[float, float]:
    """By how much adult tidal volumes miss what is set in volume control: best mean error, worst extreme. [1]"""
    lines = tolerances()
    means = [number(line["low"]) / 100 for line in lines if line["kind"] == "mean error"]
    extremes = [
        abs(number(line[end]) / number(line["set"]) - 1)
        for line in lines
        if line["kind"] == "extremes" and number(line["set"]) >= ADULT
        for end in ("low", "high")
    ]
    return min(means), max(extremes)


def nominal_band() -> float:
    """How near the bench of the standard's tests came to the nominal volumes in most of them. [1]"""
    (line,) = [line for line in tolerances() if "against nominal" in line["what"]]
    return number(line["high"]) / 100


def volume_band_text() -> str:
    """The band in figures."""
    low, high = (100 * end for end in volume_band())
    return f"{low:.1f} to {high:.0f} %"


def section(worst: Row) -> str:
    """The section of the page, with how far the worst difference from a closed form is below the band."""
    low, _ = volume_band()
    times = low / abs(worst.difference)
    rounded = 10 ** (len(str(int(times))) - 1)
    lines = ["| what | set | found | of what is set | source | read |", "| --- " * 6 + "|"]
    lines += [f"| {' | '.join(_cells(line))} |" for line in tolerances()]
    closing = (
        f"Adult volumes in volume control: {volume_band_text()}, from the best mean error to the worst extreme.\n"
        f"Even the least of these is more than {rounded:,} times the largest difference of ventsim from a closed\n"
        "form: beside a real machine the error of the solver does not count."
    )
    return "\n\n".join((INTRODUCTION.strip(), "\n".join(lines), closing))


def _cells(line: dict[str, str]) -> Sequence[str]:
    unit, high, low = line["unit"], line["high"], line.get("low", "")
    if line["kind"] == "at most":
        found, share = f"at most {high} {unit}", ""
    elif line["kind"] == "mean error":
        found, share = f"mean {low if low == high else f'{low} to {high}'} {unit}", ""
    else:
        found = f"{low} to {high} {unit}"
        ends = [100 * (number(end) / number(line["set"]) - 1) for end in (low, high)]
        share = f"{ends[0]:+.1f} to {ends[1]:+.1f} %"
    set_value = f"{line['set']} {unit}" if "set" in line else ""
    return line["what"], set_value, found, share, line["source"], line["read"]
