"""One lung filled by a constant flow, with and without pause."""

from pathlib import Path

from comparisons import DEFAULT_LIMIT, DEFAULT_TOLERANCE, TIGHT_LIMIT, TIGHT_TOLERANCE
from figures import curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from single_lung import closed_waves, steady_waves, worked_rows, worst_rows
from tables import number, read_table

TITLE = "One lung in volume control, constant flow"
CASE = "case_02_volume_control"
HERE = Path(__file__).parent

QUANTITIES = {
    "auto_peep": ("auto-PEEP", "cmH2O"),
    "peak_airway_pressure": ("peak airway pressure", "cmH2O"),
    "plateau_pressure": ("plateau pressure", "cmH2O"),
    "mean_airway_pressure": ("mean airway pressure", "cmH2O"),
    "mean_alveolar_pressure": ("mean alveolar pressure", "cmH2O"),
}
ARGUMENTS = (
    "tidal_volume", "peep", "compliance", "resistance", "expiratory_resistance", "rate", "inspiratory_time",
    "pause_time",
)  # fmt: skip


def worked_breaths() -> dict[str, tuple[dict[str, float], dict[str, str]]]:
    """Arguments of the closed form and worked digits, by name."""
    return {
        row["name"]: (
            {name: number(row[name]) for name in ARGUMENTS},
            {name: row[name] for name in QUANTITIES},
        )
        for row in read_table(HERE / "data.csv")
    }


def rows() -> list[Row]:
    """Every comparison of the case."""
    breaths = worked_breaths()
    return [
        *worked_rows(CASE, breaths, quantities=QUANTITIES),
        *worst_rows(CASE, {name: arguments for name, (arguments, _) in breaths.items()}),
    ]


def draw() -> None:
    """Airway pressure of the breaths, and the difference at default and tight tolerance."""
    figure, top, bottom = curves_and_difference(
        "Steady breath of volume control: closed form (lines) and ventsim (circles)",
        x="time since the start of inspiration (s)",
        y="airway pressure (cmH2O)",
        difference="difference / largest value",
    )
    for k, (name, (arguments, _)) in enumerate(worked_breaths().items()):
        for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
            waves = steady_waves(arguments, tolerance=tolerance)
            time = waves.time.values
            closed = closed_waves(arguments, time).airway_pressure
            found = waves.airway_pressure.squeeze("lung").values
            if tolerance == DEFAULT_TOLERANCE:
                draw_curves(top, time, reference=closed, value=found, label=name, number=k)
            draw_difference(bottom, time, difference=(found - closed) / closed.max(), number=k)
    draw_limits(
        bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")]
    )
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
