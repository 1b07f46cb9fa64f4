"""One lung under a square wave of pressure: the steady breath, the way to it, and its limits."""

from pathlib import Path

import numpy as np
from comparisons import (
    DEFAULT_LIMIT,
    DEFAULT_TOLERANCE,
    TIGHT_LIMIT,
    TIGHT_TOLERANCE,
    closed_form,
    curve_difference,
    relative_difference,
    worked,
    worst_differences,
)
from figures import TWO_TOLERANCES, curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from single_lung import (
    WORK_FACTOR,
    circuit_and_settings,
    closed_breath,
    numbers,
    steady_waves,
    worked_rows,
    worst_rows,
)
from tables import number, read_table

import ventsim as vs

TITLE = "One lung in pressure control"
CASE = "case_01_pressure_control"
HERE = Path(__file__).parent

QUANTITIES = {
    "tidal_litres": ("tidal volume", "L"),
    "auto_peep": ("auto-PEEP", "cmH2O"),
    "end_inspiratory_alveolar_pressure": ("end-inspiratory alveolar pressure", "cmH2O"),
    "mean_alveolar_pressure": ("mean alveolar pressure", "cmH2O"),
    "minute_volume": ("minute volume", "L/min"),
    "peak_inspiratory_flow": ("peak inspiratory flow", "L/s"),
    "peak_expiratory_flow": ("peak expiratory flow", "L/s"),
}
ARGUMENTS = ("inspiratory_pressure", "peep", "compliance", "resistance", "expiratory_resistance", "rate")


def worked_breaths() -> dict[str, tuple[dict[str, float], dict[str, str]]]:
    """Arguments of the closed form and worked digits, by name."""
    found = {}
    for row in read_table(HERE / "data.csv"):
        arguments = {name: number(row[name]) for name in ARGUMENTS}
        arguments["inspiratory_time"] = number(row["duty_cycle"]) * 60.0 / arguments["rate"]
        found[row["name"]] = (arguments, {name: row[name] for name in QUANTITIES})
    return found


def rows() -> list[Row]:
    """Every comparison of the case."""
    breaths = worked_breaths()
    return [
        *worked_rows(CASE, breaths, quantities=QUANTITIES),
        *worst_rows(CASE, {name: arguments for name, (arguments, _) in breaths.items()}),
        *approach_rows(),
        *rise_rows(),
        *fraction_rows(),
        *power_rows(),
        *limit_rows(),
    ]


def approach_rows() -> list[Row]:
    """Ten breaths from rest, in the lung that empties least."""
    arguments, _ = worked_breaths()["PC3"]
    closed = vs.theory.pressure_control(**arguments).from_rest(np.arange(1, 11))
    circuit, settings = circuit_and_settings(arguments)

    def find(tolerance: float) -> list[float]:
        waveforms = vs.simulate(circuit, settings, duration=10 * settings.period, tolerance=tolerance)
        found = vs.breath_measures(waveforms).squeeze("lung")
        names = {
            "inspired_tidal_volume": "inspired_volume",
            "expired_tidal_volume": "expired_volume",
            "end_expiratory_alveolar_pressure": "end_expiratory_alveolar_pressure",
        }
        return [relative_difference(found[ours], getattr(closed, theirs)) for ours, theirs in names.items()]

    return worst_differences(CASE, "PC3 from rest: largest relative difference in ten breaths", find=find)


def rise_rows() -> list[Row]:
    """Pressure that rises with time constants below and equal to that of the lung."""
    lung = {"compliance": 50.0, "resistance": 10.0}
    circuit = vs.layouts.single(vs.Lung(**lung), ideal=True)

    def find(tolerance: float) -> list[float]:
        found = []
        for rise_time in (0.3, 1.5):
            settings = vs.PressureControl(
                inspiratory_pressure=15.0, peep=5.0, rate=12.0, inspiratory_time=2.0,
                rise_time=rise_time, rise_shape="exponential",
            )  # fmt: skip
            waveforms = vs.simulate(circuit, settings, duration=2.0, tolerance=tolerance)
            waveforms = waveforms.isel(time=waveforms.time.values < 2.0)
            closed = vs.theory.pressure_rise_from_rest(
                inspiratory_pressure=15.0,
                peep=5.0,
                rise_time_constant=rise_time / 3,
                time=waveforms.time.values,
                **lung,
            )
            found.append(curve_difference(waveforms.volume, closed.volume))
        return found

    return worst_differences(CASE, "exponential rise: largest relative difference of volume over time", find=find)


def fraction_rows() -> list[Row]:
    """How much of a step of pressure a lung has followed after so many time constants."""
    lung = vs.Lung(compliance=50.0, resistance=10.0)
    circuit, slowness = vs.layouts.single(lung, ideal=True), 0.5  # time constant of that lung [s]
    settings = vs.PressureControl(inspiratory_pressure=10.0, peep=0.0, rate=6.0, inspiratory_time=5.0)
    interval = 0.01

    def filled(tolerance: float) -> np.ndarray:
        waveforms = vs.simulate(circuit, settings, duration=5.0, tolerance=tolerance, sample_interval=interval)
        return waveforms.volume.values[:, 0] / 500.0  # of what it holds in the end [mL]

    def find(tolerance: float) -> list[float]:
        done = filled(tolerance)[:500]
        closed = vs.theory.fraction_complete(time=interval * np.arange(500), time_constant=slowness)
        return [curve_difference(done, closed)]

    done = filled(DEFAULT_TOLERANCE)
    found = []
    for row in read_table(HERE / "fractions.csv"):
        count = number(row["time_constants"])
        value = done[round(count * slowness / interval)]
        quantity = f"step of pressure: part that is done after {count:g} time constant{'s' if count > 1 else ''}"
        found.append(worked(CASE, quantity, unit="1", text=row["fraction"], value=value))
    worst = worst_differences(CASE, "step of pressure: largest difference of the part that is done", find=find)
    return [*found, *worst]


def power_rows() -> list[Row]:
    """Mechanical power of all breaths; the published formula is exact for a square wave of pressure."""

    def find(tolerance: float) -> list[float]:
        found = []
        for arguments, _ in worked_breaths().values():
            breath = vs.theory.pressure_control(**arguments)
            settings = {name: arguments[name] for name in ("inspiratory_pressure", "peep", "rate")}
            closed = vs.theory.mechanical_power_becher_2019(tidal_volume=breath.tidal_volume, **settings)
            power = numbers(steady_waves(arguments, tolerance=tolerance))["mechanical_power"]
            found.append(relative_difference(power, closed * WORK_FACTOR))
        return found

    return worst_differences(CASE, "PC1 to PC4: largest relative difference of mechanical power", find=find)


def limit_rows() -> list[Row]:
    """A lung that empties completely, one in equilibrium, and a rate as good as infinite."""
    lung = {"compliance": 50.0, "resistance": 5.0, "inspiratory_pressure": 10.0, "peep": 5.0}
    slow = lung | {"rate": 5.0, "inspiratory_time": 1.0}
    emptied = numbers(steady_waves(slow, tolerance=DEFAULT_TOLERANCE))
    settled = numbers(steady_waves(lung | {"rate": 3.0, "inspiratory_time": 10.0}, tolerance=DEFAULT_TOLERANCE))
    fast = {
        "inspiratory_pressure": 15.0, "peep": 5.0, "compliance": 300.0, "resistance": 150.0,
        "expiratory_resistance": 300.0, "rate": 150.0, "inspiratory_time": 0.2,
    }  # fmt: skip
    hasty = numbers(steady_waves(fast, tolerance=DEFAULT_TOLERANCE))
    limit = vs.theory.pressure_control(**fast)
    return [
        closed_form(
            CASE, "expiration of 44 time constants: tidal volume", unit="mL",
            reference=vs.theory.pressure_control(**slow).tidal_volume_at_low_rate,
            value=emptied["tidal_volume"],
        ),
        closed_form(
            CASE, "expiration of 44 time constants: auto-PEEP", unit="cmH2O", reference=0.0,
            value=emptied["auto_peep"],
        ),
        closed_form(
            CASE, "phases of 40 time constants: tidal volume", unit="mL", reference=500.0,
            value=settled["tidal_volume"],
        ),
        closed_form(
            CASE, "time constants of 112 and 225 periods: minute volume", unit="L/min",
            reference=limit.minute_volume_at_high_rate, value=hasty["minute_volume"],
        ),
        closed_form(
            CASE, "time constants of 112 and 225 periods: mean alveolar pressure", unit="cmH2O",
            reference=limit.mean_alveolar_pressure_at_high_rate, value=hasty["mean_alveolar_pressure"],
        ),
    ]  # fmt: skip


def draw() -> None:
    """Alveolar pressure of the four breaths at default and tight tolerance, and the difference."""
    figure, top, bottom = curves_and_difference(
        "Steady breath of pressure control: closed form (lines) and ventsim (marks)",
        x="time since the start of inspiration (s)",
        y="alveolar pressure (cmH2O)",
        difference="difference / largest value",
        note=TWO_TOLERANCES,
    )
    for k, (name, (arguments, _)) in enumerate(worked_breaths().items()):
        for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
            waveforms = steady_waves(arguments, tolerance=tolerance)
            time = waveforms.time.values
            closed = closed_breath(arguments).waveform(time).alveolar_pressure
            found = waveforms.alveolar_pressure.squeeze("lung").values
            if tolerance == DEFAULT_TOLERANCE:
                draw_curves(top, time, reference=closed, value=found, label=name, number=k)
            draw_difference(bottom, time, difference=(found - closed) / closed.max(), number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    top.legend(frameon=False, ncols=4, loc="upper right")
    save(figure, HERE / "figure.png")
