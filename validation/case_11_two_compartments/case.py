"""Two compartments with unequal time constants: effective compliance and resistance over frequency."""

from functools import cache
from pathlib import Path

import numpy as np
from comparisons import DEFAULT_TOLERANCE, TIGHT_TOLERANCE, half_digit
from figures import COLOURS, LINES, MARKS, curves_and_difference, draw_limits, save
from numpy.typing import NDArray
from rows import Row
from scipy.integrate import simpson
from tables import number, read_table

import ventsim as vs

TITLE = "Two compartments over frequency"
CASE = "case_11_two_compartments"
HERE = Path(__file__).parent

COMPLIANCES, RESISTANCES = (50.0, 50.0), (5.0, 25.0)
COMMON_RESISTANCE = 1.0  # of the common airway; subtracted from what is found [cmH2O·s/L]
MACHINE_RESISTANCE = 2.0  # in both ports, so that the pressure at the airway is no square wave [cmH2O·s/L]
HARMONICS = (1, 3, 5, 7, 9)  # equal phases hold no even ones
SAMPLES = 1000  # in each phase of the breath; even, as Simpson's rule wants it

LIMIT = 1e-4  # relative, default tolerance
TIGHT = 1e-6  # relative, tight tolerance: what is left is the rule of integration

FloatArray = NDArray[np.float64]


def circuit() -> vs.Circuit:
    """Two regions behind a common airway on a machine that is the same linear resistance in both phases."""
    regions = [vs.Region(compliance=c, resistance=r) for c, r in zip(COMPLIANCES, RESISTANCES, strict=True)]
    machine = vs.Ventilator(
        source_resistance=MACHINE_RESISTANCE, exhalation_resistance=MACHINE_RESISTANCE, flow_limit=None,
        relief_pressure=None,
    )  # fmt: skip
    lung = vs.Lung(resistance=COMMON_RESISTANCE, regions=regions)
    return vs.layouts.single(lung, ideal=True, ventilator=machine)


@cache
def found(frequency: float, tolerance: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequencies of the harmonics, and effective compliance and resistance there, shape (harmonic,).

    Breaths of that frequency with equal phases; pressure and flow at the airway are split into harmonics, and
    their ratio is the impedance R - i/(ωC).
    """
    half = 0.5 / frequency
    settings = vs.PressureControl(inspiratory_pressure=10.0, peep=5.0, rate=60 * frequency, inspiratory_time=half)
    waveforms = vs.steady_breath(circuit(), settings, tolerance=tolerance, sample_interval=half / SAMPLES)
    time, phases = waveforms.time.values, (slice(0, SAMPLES + 1), slice(SAMPLES + 1, None))
    if len(time) != 2 * (SAMPLES + 1):
        raise RuntimeError(f"{len(time)} samples, expected {SAMPLES + 1} in each phase")

    def harmonic(wave: FloatArray, omega: float) -> complex:
        turning = wave * np.exp(-1j * omega * time)
        return sum(complex(simpson(turning[phase], dx=half / SAMPLES)) for phase in phases)

    frequencies = frequency * np.array(HARMONICS)
    pressure, flow = waveforms.airway_pressure.values[:, 0], waveforms.flow.values[:, 0]
    impedance = np.array([harmonic(pressure, w) / harmonic(flow, w) for w in 2 * np.pi * frequencies])
    compliance = -1000.0 / (2 * np.pi * frequencies * impedance.imag)  # mL in a litre
    return frequencies, compliance, impedance.real - COMMON_RESISTANCE


def closed_form(frequency: float | FloatArray) -> vs.theory.EffectiveMechanics:
    """Compliance and resistance by the closed form."""
    return vs.theory.two_compartment_effective(frequency=frequency, compliance=COMPLIANCES, resistance=RESISTANCES)


def differences(frequency: float, tolerance: float) -> FloatArray:
    """Relative differences from the closed form, of compliance and resistance, shape (2, harmonic)."""
    frequencies, compliance, resistance = found(frequency, tolerance)
    closed = closed_form(frequencies)
    return np.array([compliance / closed.compliance - 1, resistance / closed.resistance - 1])


def rows() -> list[Row]:
    """Every comparison of the case."""
    every = []
    for line in read_table(HERE / "data.csv"):
        frequency = number(line["frequency"])
        _, compliance, resistance = found(frequency, DEFAULT_TOLERANCE)
        for name, unit, values in (
            ("compliance", "mL/cmH2O", compliance),
            ("resistance", "cmH2O·s/L", resistance),
        ):
            every.append(
                Row(
                    case=CASE,
                    kind="worked closed form",
                    quantity=f"{frequency:g} Hz: effective {name}",
                    unit=unit,
                    reference=number(line[name]),
                    reference_uncertainty=half_digit(line[name]),
                    value=float(values[0]),
                    limit=LIMIT,
                    relative=True,
                    why="solver at default tolerance, and splitting into harmonics",
                )
            )
    return [*every, *harmonic_rows()]


def harmonic_rows() -> list[Row]:
    """All harmonics of all rates against the closed form, at both tolerances."""
    frequencies = [number(line["frequency"]) for line in read_table(HERE / "data.csv")]
    limits = {
        DEFAULT_TOLERANCE: (LIMIT, "solver at default tolerance, and splitting into harmonics"),
        TIGHT_TOLERANCE: (TIGHT, "splitting into harmonics"),
    }
    return [
        Row(
            case=CASE,
            kind="closed form",
            quantity=f"harmonics 1 to {HARMONICS[-1]}, 0.1 to 9 Hz: largest relative difference of effective "
            f"{name}, tolerance {tolerance:g}",
            unit="1",
            reference=0.0,
            reference_uncertainty=0.0,
            value=float(max(np.abs(differences(f, tolerance)[k]).max() for f in frequencies)),
            limit=limit,
            relative=False,
            why=why,
        )
        for tolerance, (limit, why) in limits.items()
        for k, name in enumerate(("compliance", "resistance"))
    ]


def draw() -> None:
    """Compliance and resistance over frequency, relative to their values for very slow breathing."""
    figure, top, bottom = curves_and_difference(
        "Two compartments: closed form (lines), harmonics of simulated breaths (marks)",
        x="frequency (Hz)",
        y="relative to very slow breathing",
        difference="relative difference",
        note="open marks: default tolerance, 5e-07; crosses: tolerance 1e-10",
    )
    slow = closed_form(0.0)
    grid = np.geomspace(0.05, 10.0, 200)
    closed = closed_form(grid)
    for k, name in enumerate(("compliance", "resistance")):
        base = getattr(slow, name)
        look = {"color": COLOURS[k], "markersize": 4, "markerfacecolor": "none"}
        over = getattr(closed, name) / base
        top.semilogx(grid, over, color=COLOURS[k], linestyle=LINES[k], linewidth=1.4, label=f"effective {name}")
        for line in read_table(HERE / "data.csv"):
            frequency = number(line["frequency"])
            for tolerance, marker in ((DEFAULT_TOLERANCE, MARKS[k]), (TIGHT_TOLERANCE, "x+"[k])):
                frequencies, *values = found(frequency, tolerance)
                if tolerance == DEFAULT_TOLERANCE:
                    top.plot(frequencies, values[k] / base, marker, linestyle="none", **look)
                size = np.maximum(np.abs(differences(frequency, tolerance)[k]), 1e-17)
                bottom.plot(frequencies, size, marker, linestyle="none", **look)
    draw_limits(bottom, [(LIMIT, "limit, default tolerance"), (TIGHT, "limit, tolerance 1e-10")])
    top.legend(frameon=False)
    save(figure, HERE / "figure.png")
