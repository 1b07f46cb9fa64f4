"""Plateau pressures of a published table of two simulated patients."""

from pathlib import Path

import numpy as np
from comparisons import DEFAULT_LIMIT, DEFAULT_TOLERANCE, half_digit
from context import volume_band, volume_band_text
from figures import curves_and_difference, draw_band, draw_curves, draw_difference, draw_limits, save
from rows import Row
from single_lung import circuit_and_settings, closed_breath, steady_waves, worked_rows, worst_rows
from tables import number, read_table

import ventsim as vs

TITLE = "A published table of plateau pressures"
CASE = "case_06_cc12561_2013"
HERE = Path(__file__).parent

BREATHS = 10  # simulated in the publication
SETTINGS = {"tidal_volume": 650.0, "peep": 0.0, "rate": 15.0, "inspiratory_time": 1.6, "pause_time": 0.3}
# What the method of the table estimates for patient B, as printed: name, unit, digits.
ESTIMATED = {
    "plateau_pressure": ("cmH2O", "8.00"),
    "compliance": ("mL/cmH2O", "81.2"),
    "resistance": ("cmH2O·s/L", "24.6"),
}
METHOD_INSTANTS = (0.25, 0.75)  # of the expired volume, between which volume over flow is taken [1]
QUANTITIES = {
    "plateau_pressure": ("plateau pressure, worked", "cmH2O"),
    "auto_peep": ("auto-PEEP, worked", "cmH2O"),
    "peak_airway_pressure": ("peak airway pressure, worked", "cmH2O"),
}


def patients() -> dict[str, tuple[dict[str, float], dict[str, str]]]:
    """Arguments of the closed form and printed digits, by name."""
    return {
        f"patient {row['name']}": (
            SETTINGS | {"compliance": number(row["compliance"]), "resistance": number(row["resistance"])},
            {name: row[name] for name in ("published_plateau_pressure", *QUANTITIES)},
        )
        for row in read_table(HERE / "data.csv")
    }


def rows() -> list[Row]:
    """Every comparison of the case."""
    both = patients()
    worked_digits = {
        name: (arguments, {key: digits[key] for key in QUANTITIES}) for name, (arguments, digits) in both.items()
    }
    return [
        *published_rows(),
        *estimated_rows(),
        *worked_rows(CASE, worked_digits, quantities=QUANTITIES),
        *worst_rows(CASE, {name: arguments for name, (arguments, _) in both.items()}),
    ]


def published_rows() -> list[Row]:
    """Plateau pressure of the tenth breath from rest, as in the publication."""
    found = []
    for name, (arguments, digits) in patients().items():
        circuit, settings = circuit_and_settings(arguments)
        breaths = vs.simulate_long(circuit, settings, duration=BREATHS * settings.period).measures
        text = digits["published_plateau_pressure"]
        found.append(
            Row(
                case=CASE, kind="published theory", quantity=f"{name}: plateau pressure", unit="cmH2O",
                reference=float(text), reference_uncertainty=half_digit(text),
                value=float(breaths.plateau_pressure[-1, 0]), limit=half_digit(text), relative=False,
                why="half of the last digit printed",
            )
        )  # fmt: skip
    return found


def estimates() -> dict[str, float]:
    """What the time-constant method makes of the simulated breath of patient B.

    Expired volume over the change of flow is the time constant τ; with it, peak pressure and flow q give all else
    as if the lung had emptied: C = (V_T + τ q) / (p_peak - PEEP), R = τ / C, plateau = PEEP + V_T / C.
    """
    arguments, _ = patients()["patient B"]
    waveforms = steady_waves(arguments, tolerance=DEFAULT_TOLERANCE)
    time, flow, volume = waveforms.time.values, waveforms.flow.values[:, 0], waveforms.volume.values[:, 0]
    expiring = time > arguments["inspiratory_time"]
    expired = volume[expiring].max() - volume[expiring]
    at = [int(np.searchsorted(expired, part * expired[-1])) for part in METHOD_INSTANTS]
    volumes, flows = volume[expiring][at], flow[expiring][at]
    time_constant = float((volumes[1] - volumes[0]) / (flows[0] - flows[1])) / 1000.0
    tidal, peak = arguments["tidal_volume"] / 1000.0, float(waveforms.airway_pressure.max())
    inspiratory_flow = tidal / (arguments["inspiratory_time"] - arguments["pause_time"])
    compliance = (tidal + time_constant * inspiratory_flow) / (peak - arguments["peep"])
    return {
        "plateau_pressure": arguments["peep"] + tidal / compliance,
        "compliance": 1000.0 * compliance,
        "resistance": time_constant / compliance,
    }


def estimated_rows() -> list[Row]:
    """The method's own error in patient B, who traps gas: true values are 9.78, 95 and 21."""
    found = estimates()
    return [
        Row(
            case=CASE, kind="published theory",
            quantity=f"patient B: {name.replace('_', ' ')} as the time-constant method estimates it", unit=unit,
            reference=float(text), reference_uncertainty=half_digit(text), value=found[name],
            limit=half_digit(text), relative=False, why="half of the last digit printed",
        )
        for name, (unit, text) in ESTIMATED.items()
    ]  # fmt: skip


def draw() -> None:
    """Airway pressure of both patients, and the difference from the closed form."""
    figure, top, bottom = curves_and_difference(
        "Patients A and B of the table: closed form (lines) and ventsim (marks)",
        x="time since the start of inspiration (s)",
        y="airway pressure (cmH2O)",
        difference="difference / largest value",
        note="lines: default tolerance, 5e-07; band: how far real ventilators miss a set volume, no limit",
    )
    for k, (name, (arguments, digits)) in enumerate(patients().items()):
        waveforms = steady_waves(arguments, tolerance=DEFAULT_TOLERANCE)
        time = waveforms.time.values
        closed = closed_breath(arguments).waveform(time).airway_pressure
        draw_curves(top, time, reference=closed, value=waveforms.airway_pressure, label=name, number=k)
        published = float(digits["published_plateau_pressure"])
        top.plot([1.3, 1.6], [published] * 2, color="0", linewidth=3, alpha=0.5)
        top.annotate(f"published: {published:g}", (1.65, published), va="center", fontsize="small")
        off = waveforms.airway_pressure.squeeze("lung").values - closed
        draw_difference(bottom, time, difference=off / closed.max(), number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance")])
    draw_band(bottom, volume_band(), name=f"real ventilators, {volume_band_text()}")
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
