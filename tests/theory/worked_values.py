"""Numbers worked out or published elsewhere, each with every digit that is written there.

"Worked values" were computed outside this library from the same textbook equations; N3 was also found by
integration and by a general circuit simulator on the electrical analogue.
"""

from decimal import Decimal


def agrees(value, text):
    """Whether a value, rounded to the digits that are written, is the number that is written."""
    written = Decimal(text)
    half = 0.5 * 10.0 ** written.as_tuple().exponent
    return abs(float(value) - float(written)) <= half * (1 + 1e-6)


def pressure_row(step, peep, compliance, r_in, r_out, rate, duty, expected):
    arguments = {
        "inspiratory_pressure": step,
        "peep": peep,
        "compliance": compliance,
        "resistance": r_in,
        "expiratory_resistance": r_out,
        "rate": rate,
        "inspiratory_time": duty * 60.0 / rate,
    }
    names = (
        "tidal_litres", "auto_peep", "end_inspiratory_alveolar_pressure", "mean_alveolar_pressure",
        "minute_volume", "peak_inspiratory_flow", "peak_expiratory_flow",
    )  # fmt: skip
    return arguments, dict(zip(names, expected.split(), strict=True))


# Worked values of the steady breath (formulas of Marini, Crooke, Truwit, J Appl Physiol 1989;67:1081-1092,
# from memory).
PRESSURE_ROWS = {
    "PC1": pressure_row(
        15.0, 5.0, 50.0, 10.0, 10.0, 15.0, 1 / 3,
        "0.69475 0.06741 18.96243 10.00000 10.42127 1.49326 1.39624",
    ),
    "PC2": pressure_row(
        15.0, 5.0, 50.0, 10.0, 15.0, 20.0, 1 / 2,
        "0.62039 1.94205 19.34988 13.53399 12.40784 1.30580 0.95666",
    ),
    "PC3": pressure_row(
        20.0, 5.0, 60.0, 15.0, 25.0, 20.0, 1 / 3,
        "0.64911 3.87249 19.69094 13.83036 12.98214 1.07517 0.58764",
    ),
    "PC4": pressure_row(
        14.0, 12.0, 30.0, 10.0, 10.0, 24.0, 0.4,
        "0.40238 0.09099 25.50381 17.60000 9.65723 1.39090 1.35038",
    ),
}  # fmt: skip


VOLUME_ROWS = {
    # Crit Care 2013 (cc12561), Table 1: true plateau pressures 13 and 9.78; the rest is worked.
    "published A": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 50.0, "resistance": 5.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "13", "auto_peep": "0.0009", "peak_airway_pressure": "15.50"},
    ),
    "published A, worked": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 50.0, "resistance": 5.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "13.0009"},
    ),
    "published B": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 95.0, "resistance": 21.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "9.78", "auto_peep": "2.9364", "peak_airway_pressure": "20.28"},
    ),
    "published B, worked": (
        {"tidal_volume": 650.0, "peep": 0.0, "compliance": 95.0, "resistance": 21.0, "rate": 15.0,
         "inspiratory_time": 1.6, "pause_time": 0.3},
        {"plateau_pressure": "9.7785"},
    ),
    # Worked values.
    "no pause": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0},
        {"auto_peep": "0.02485", "peak_airway_pressure": "20.02485", "plateau_pressure": "15.02485",
         "mean_airway_pressure": "7.50621", "mean_alveolar_pressure": "7.50621"},
    ),
    "pause": (
        {"tidal_volume": 420.0, "peep": 10.0, "compliance": 30.0, "resistance": 12.0, "rate": 24.0,
         "inspiratory_time": 1.0, "pause_time": 0.2},
        {"auto_peep": "0.22047", "peak_airway_pressure": "30.52047", "plateau_pressure": "24.22047",
         "mean_airway_pressure": "15.46419", "mean_alveolar_pressure": "15.46419"},
    ),
    "two resistances": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 60.0, "resistance": 15.0,
         "expiratory_resistance": 25.0, "rate": 20.0, "inspiratory_time": 1.0},
        {"auto_peep": "2.98294", "peak_airway_pressure": "23.81627", "plateau_pressure": "16.31627",
         "mean_alveolar_pressure": "11.54987", "mean_airway_pressure": "9.88320"},
    ),
    "ramp to zero": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0, "flow_pattern": "decelerating"},
        {"peak_airway_pressure_time": "0.50000", "peak_airway_pressure": "17.52485",
         "plateau_pressure": "15.02485",
         "mean_alveolar_pressure": "7.92288", "peak_inspiratory_flow": "1.00000"},
    ),
    "ramp to one half": (
        {"tidal_volume": 500.0, "peep": 5.0, "compliance": 50.0, "resistance": 10.0, "rate": 15.0,
         "inspiratory_time": 1.0, "flow_pattern": "decelerating", "end_flow_ratio": 0.5},
        {"peak_airway_pressure_time": "1.00000", "peak_airway_pressure": "18.35818",
         "mean_alveolar_pressure": "7.64510", "peak_flow_per_minute": "40.00000"},
    ),
    # Set-up of a bench study (PMC10905385, Table 2: PEEP 16.0 to 16.2 measured for 10 set); worked value.
    "bench, obstructed": (
        {"tidal_volume": 720.0, "peep": 10.0, "compliance": 50.0, "resistance": 20.0, "rate": 24.0,
         "inspiratory_time": 1.25},
        {"auto_peep": "5.78"},
    ),
}  # fmt: skip


N2 = {
    "inspiratory_pressure": 15.0, "peep": 5.0, "rate": 15.0, "inspiratory_time": 4 / 3,
    "compliance": [50.0, 25.0], "resistance": [10.0, 10.0],
}  # fmt: skip
# Worked values: tidal volume [mL], end-inspiratory and end-expiratory alveolar pressure [cmH2O] of each lung.
PARALLEL_ROWS = {
    "N2": (N2, "694.751 373.181", "18.9624 19.9276", "5.0674 5.0003"),
    "N3": (N2 | {"shared_resistance": 5.0}, "566.842 321.477", "16.8567 18.1521", "5.5199 5.2930"),
    "N4": (
        {"inspiratory_pressure": 10.0, "peep": 15.0, "rate": 20.0, "inspiratory_time": 1.0,
         "compliance": [50.0, 50.0], "resistance": [5.0, 20.0], "shared_resistance": 3.0},
        "417.539 221.782", "23.6359 20.7374", "15.2851 16.3018",
    ),
    "N5": (
        {"inspiratory_pressure": 15.0, "peep": 5.0, "rate": 10.0, "inspiratory_time": 2.0,
         "compliance": [20.0, 30.0, 40.0, 50.0], "resistance": [10.0] * 4, "shared_resistance": 3.0},
        "281.498 416.746 545.061 663.751", "19.1447 18.9746 18.7291 18.4080", "5.0698 5.0830 5.1026 5.1330",
    ),
    "N7": (
        N2 | {"resistance": [30.0, 10.0], "expiratory_resistance": [10.0, 10.0]},
        "440.408 373.181", "13.8509 19.9276", "5.0427 5.0003",
    ),
}  # fmt: skip
