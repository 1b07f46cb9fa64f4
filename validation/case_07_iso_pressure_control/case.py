"""Test lungs of a standard in pressure control, in the units of the standard."""

from pathlib import Path

import numpy as np
from comparisons import DEFAULT_LIMIT, DEFAULT_TOLERANCE, TIGHT_LIMIT, TIGHT_TOLERANCE, closed_form, worked
from context import nominal_band, volume_band, volume_band_text
from figures import COLOURS, MARKS, curves_and_difference, draw_band, draw_limits, save
from rows import Row
from single_lung import numbers, steady_waves, worst_rows
from tables import number, read_table

import ventsim as vs
from ventsim.units import convert

TITLE = "Test lungs of ISO 80601-2-80 in pressure control"
CASE = "case_07_iso_pressure_control"
HERE = Path(__file__).parent

NOMINAL_LIMIT = 0.25  # of the nominal volume; see README.md of the case
IN_STANDARD = {  # unit of the standard, unit here
    "compliance": ("mL/hPa", "mL/cmH2O"),
    "resistance": ("hPa·s/L", "cmH2O·s/L"),
    "inspiratory_pressure": ("hPa", "cmH2O"),
    "peep": ("hPa", "cmH2O"),
    "rate": ("1/min", "1/min"),
    "inspiratory_time": ("s", "s"),
}


def tests() -> dict[str, tuple[dict[str, float], dict[str, str]]]:
    """Arguments of the closed form in units of the house, and the row of the table, by number of the test."""
    found = {}
    for row in read_table(HERE / "data.csv"):
        arguments = {
            name: float(convert(number(row[name]), source=source, target=target))
            for name, (source, target) in IN_STANDARD.items()
        }
        found[f"test {row['test']}"] = (arguments, row)
    return found


def rows() -> list[Row]:
    """Every comparison of the case."""
    found = []
    for name, (arguments, row) in tests().items():
        value = numbers(steady_waves(arguments, tolerance=DEFAULT_TOLERANCE))["tidal_volume"]
        closed = vs.theory.pressure_control(**arguments).tidal_volume
        found += [
            closed_form(CASE, f"{name}: tidal volume", unit="mL", reference=closed, value=value),
            worked(CASE, f"{name}: tidal volume, worked", unit="mL", text=row["worked_volume"], value=value),
            nominal_row(name, nominal=number(row["nominal_volume"]), value=value),
        ]
    return [*found, *worst_rows(CASE, {name: arguments for name, (arguments, _) in tests().items()})]


def nominal_row(name: str, *, nominal: float, value: float) -> Row:
    """The nominal volume of a test, which nobody has measured."""
    return Row(
        case=CASE,
        kind="nominal value",
        quantity=f"{name}: nominal tidal volume",
        unit="mL",
        reference=nominal,
        reference_uncertainty=None,
        value=value,
        limit=NOMINAL_LIMIT,
        relative=True,
        why="context only: round numbers, not measured",
    )


def draw() -> None:
    """Tidal volumes of the tests, and the difference from the closed form at default and tight tolerance."""
    figure, top, bottom = curves_and_difference(
        "Test lungs of the standard: nominal volume (bars) and ventsim (marks)",
        x="test of the standard",
        y="tidal volume (mL)",
        difference="difference from closed form\n/ tidal volume",
        note="circles: default tolerance, 5e-07; squares: 1e-10; band: how far real ventilators miss a set volume",
    )
    every = tests()
    place = np.arange(len(every))
    nominal = [number(row["nominal_volume"]) for _, row in every.values()]
    spread = np.multiply(nominal, nominal_band())
    name = f"nominal, not measured; ±{100 * nominal_band():g} %: most volumes of one bench"
    error = {"ecolor": "0.6", "capsize": 6, "elinewidth": 1.0}
    top.bar(place, nominal, width=0.6, color="0.85", yerr=spread, error_kw=error, label=name)
    for k, tolerance in enumerate((DEFAULT_TOLERANCE, TIGHT_TOLERANCE)):
        value = np.array(
            [numbers(steady_waves(a, tolerance=tolerance))["tidal_volume"] for a, _ in every.values()]
        )
        closed = np.array([vs.theory.pressure_control(**a).tidal_volume for a, _ in every.values()])
        if tolerance == DEFAULT_TOLERANCE:
            top.plot(place, closed, "_", color="0", markersize=22, label="closed form")
            top.plot(place, value, "o", color=COLOURS[0], markerfacecolor="none", label="ventsim")
        bottom.plot(place, np.abs(value / closed - 1), MARKS[k], color=COLOURS[k])
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    draw_band(bottom, volume_band(), name=f"real ventilators, {volume_band_text()}")
    bottom.set_xticks(place, [name.removeprefix("test ") for name in every])
    top.set_ylim(0, 820)
    top.legend(frameon=False, loc="upper right", fontsize="small")
    save(figure, HERE / "figure.png")
