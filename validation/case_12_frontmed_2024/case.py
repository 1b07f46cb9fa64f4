"""Two unequal test lungs on one ventilator: end-expiratory pressure as a free prediction."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from figures import COLOURS, MARKS, curves_and_difference, draw_limits, save
from rows import Row
from scipy.optimize import brentq
from tables import number, read_table

import ventsim as vs

TITLE = "Two unequal test lungs, volumes titrated"
CASE = "case_12_frontmed_2024"
HERE = Path(__file__).parent
WHY_ROWS_FAIL = "end-expiratory pressure of unequal lungs, resistors and circuit not stated"

PEEP, INSPIRATORY_TIME = 10.0, 1.25
BAND = 0.8  # largest distance from PEEP of what was measured in the lungs that trap least, 25/5 [cmH2O]
SEARCHED = 0.05  # how closely a volume is met [mL]
LEAST_RESISTANCE = 0.5  # linear part of a quadratic test lung [cmH2O·s/L]
OPEN = 0.0  # restrictor left out [cmH2O·s/L]
RATES = (12.0, 24.0)
KINDS = ("25/5", "25/20", "50/5", "50/20")

# Flow at which a test lung has its nominal resistance; None: at every flow. [L/s]
LAWS: dict[str, float | None] = {"linear": None, "quadratic, 1 L/s": 1.0, "quadratic, 0.5 L/s": 0.5}
SCORED = ("linear", "quadratic, 1 L/s")  # with a row for each lung; the third is in the table of residuals


@dataclass(frozen=True)
class Bench:
    """One lung of one row of the published table."""

    row: int
    lung: int
    inspiratory_pressure: float
    rate: float
    compliance: float
    resistance: float
    tidal_volume: float
    end_expiratory_pressure: float

    @property
    def kind(self) -> str:
        """Compliance and resistance, such as "50/20"."""
        return f"{self.compliance:g}/{self.resistance:g}"


@dataclass(frozen=True)
class Prediction:
    """What the simulation gives for one lung."""

    bench: Bench
    restrictor: float
    tidal_volume: float
    end_expiratory_pressure: float

    @property
    def reached(self) -> bool:
        """Whether the measured volume could be reached with the restrictor, at worst without it."""
        return abs(self.tidal_volume - self.bench.tidal_volume) <= 2 * SEARCHED

    @property
    def residual(self) -> float:
        """Predicted minus measured end-expiratory pressure. [cmH2O]"""
        return self.end_expiratory_pressure - self.bench.end_expiratory_pressure


@cache
def benches() -> tuple[tuple[Bench, Bench], ...]:
    """Both lungs of every published row."""
    lungs = []
    for line in read_table(HERE / "data.csv"):
        numbers = {name: number(cell) for name, cell in line.items()}
        lungs.append(Bench(row=int(numbers.pop("row")), lung=int(numbers.pop("lung")), **numbers))
    return tuple(zip(lungs[::2], lungs[1::2], strict=True))


def circuit(pair: tuple[Bench, Bench], restrictors: np.ndarray, *, flow: float | None, ideal: bool) -> vs.Circuit:
    """Default tree, tubes, valves and machine, or ideal ones; restrictors in the inspiratory limbs; test lungs.

    A quadratic resistor sits where a filter would, between Y-piece and lung, and holds no gas. The lung keeps
    the least linear resistance that is usual, which is taken off the nominal one.
    """
    lungs, limbs = {}, {}
    for bench, restrictor in zip(pair, restrictors, strict=True):
        name, resistor, linear = f"lung {bench.lung}", None, bench.resistance
        if flow is not None:
            linear = LEAST_RESISTANCE
            quadratic = (bench.resistance - linear) / flow
            resistor = vs.Filter(resistance=vs.laws.Rohrer(quadratic=quadratic), gas_volume=0.0)
        lungs[name] = vs.Lung(compliance=bench.compliance, resistance=linear)
        inlet = vs.Restrictor(resistance=float(restrictor))
        limbs[name] = vs.PatientLimbs(inspiratory_restrictor=inlet, filter=resistor)
    return vs.layouts.shared(lungs, limbs=limbs, ideal=ideal)


def settings(bench: Bench) -> vs.PressureControl:
    """The breath of a row."""
    return vs.PressureControl(
        inspiratory_pressure=bench.inspiratory_pressure, peep=PEEP, rate=bench.rate,
        inspiratory_time=INSPIRATORY_TIME,
    )  # fmt: skip


def breathe(pair: tuple[Bench, Bench], restrictors: np.ndarray, *, flow: float | None, ideal: bool) -> np.ndarray:
    """Tidal volume [mL] and end-expiratory alveolar pressure [cmH2O] of both lungs, shape (2, lung)."""
    what = circuit(pair, restrictors, flow=flow, ideal=ideal)
    waveforms = vs.steady_breath(what, settings(pair[0]), sample_interval=INSPIRATORY_TIME)
    return np.array([waveforms.inspired_volume.values[-1], waveforms.alveolar_pressure.values[0]])


def first_guess(bench: Bench) -> tuple[float, float]:
    """Restrictor of one lung alone in an ideal circuit, and by how much more of it lowers the volume.

    Returns
    -------
    tuple of float
        Resistance [cmH2O·s/L], and change of volume for each unit of it [mL/(cmH2O·s/L)].
    """

    def volume(restrictor: float) -> float:
        breath = vs.theory.pressure_control(
            inspiratory_pressure=bench.inspiratory_pressure, peep=PEEP, compliance=bench.compliance,
            resistance=bench.resistance + restrictor, expiratory_resistance=bench.resistance, rate=bench.rate,
            inspiratory_time=INSPIRATORY_TIME,
        )  # fmt: skip
        return breath.tidal_volume

    if volume(OPEN) <= bench.tidal_volume:
        return OPEN, volume(1.0) - volume(OPEN)
    guess = brentq(lambda r: volume(r) - bench.tidal_volume, OPEN, 1e3, rtol=1e-3)
    return guess, (volume(1.01 * guess + 0.01) - volume(guess)) / (0.01 * guess + 0.01)


@cache
def titrated(row: int, law: str, *, ideal: bool) -> tuple[Prediction, Prediction]:
    """Both lungs of a row, each with the restrictor that gives the measured volume, found by secants.

    The restrictors hardly affect the other lung, so one search runs for each lung, both at once. A restrictor
    that would have to be below zero is left out.
    """
    pair, flow = benches()[row - 1], LAWS[law]
    wanted = np.array([bench.tidal_volume for bench in pair])
    restrictors, slopes = np.array([first_guess(bench) for bench in pair]).T
    volumes, pressures = breathe(pair, restrictors, flow=flow, ideal=ideal)
    for _ in range(30):
        missing = wanted - volumes
        if np.all((np.abs(missing) <= SEARCHED) | ((restrictors == OPEN) & (missing > 0))):
            break
        step = np.clip(missing / slopes, -0.7 * restrictors - 1.0, 2 * restrictors + 5.0)
        before, volumes_before = restrictors, volumes
        restrictors = np.maximum(restrictors + step, OPEN)
        volumes, pressures = breathe(pair, restrictors, flow=flow, ideal=ideal)
        moved = np.abs(restrictors - before) > 1e-6
        secants = np.divide(volumes - volumes_before, restrictors - before, out=slopes.copy(), where=moved)
        slopes = np.where(secants < 0, secants, slopes)
    else:
        raise RuntimeError(f"row {row}, {law}: volumes {volumes} mL, wanted {wanted} mL")
    return tuple(
        Prediction(bench, *map(float, numbers))
        for bench, *numbers in zip(pair, restrictors, volumes, pressures, strict=True)
    )


def predictions(law: str, *, ideal: bool = False) -> list[Prediction]:
    """Every lung of every row; none is left out."""
    return [found for pair in benches() for found in titrated(pair[0].row, law, ideal=ideal)]


TRAPS = (
    "The linear resistor traps more gas than the bench shows. A resistor whose resistance falls with the flow "
    "empties the lung further: with the quadratic one the row passes."
)
NOT_REACHED = (
    "Even without a restrictor the measured volume is not reached: either lung and circuit had less resistance "
    "than assumed here, or the pressure was higher. The linear resistor also traps more gas than the bench "
    "shows."
)
BELOW_PEEP = (
    "The measured 9.4 cmH2O are below the PEEP of 10 that was set, and no lung ends below it here, so that at "
    "least 0.6 of the difference are measurement or setting. The rest is the opening pressure of the "
    "expiratory valve and what the exhalation valve, which the lungs share, keeps back."
)
HELD_BACK = (
    "The measured pressure is far above PEEP although the lung has the lower resistance. Something "
    "that is not stated held its gas back, perhaps the shared expiratory limb or a PEEP valve. No law of the "
    "resistor explains it."
)
EMPTIES = (
    "The quadratic resistor has too little resistance at the flows of this lung's late expiration: the bench "
    "trapped more. The linear one traps about as much or more, with less volume than was measured."
)
EXPLANATIONS = {
    "linear": {
        (1, 1): BELOW_PEEP, (3, 1): TRAPS, (3, 2): NOT_REACHED, (4, 1): TRAPS, (4, 2): HELD_BACK,
        (5, 2): HELD_BACK, (6, 2): NOT_REACHED, (7, 1): TRAPS, (7, 2): NOT_REACHED, (8, 1): TRAPS,
        (10, 2): NOT_REACHED,
    },
    "quadratic, 1 L/s": {
        (1, 1): BELOW_PEEP, (2, 2): EMPTIES, (4, 2): HELD_BACK, (5, 1): HELD_BACK, (5, 2): HELD_BACK,
        (7, 2): EMPTIES,
    },
}  # fmt: skip
"""Why a row fails, by law, then row and lung."""


def rows() -> list[Row]:
    """End-expiratory pressure of every lung with each law that is scored."""
    return [
        Row(
            case=CASE,
            kind="published bench",
            quantity=f"{law}: row {found.bench.row}, lung {found.bench.lung} ({found.bench.kind}, "
            f"{found.bench.rate:g}/min{'' if found.reached else ', volume not reached'}): "
            "end-expiratory pressure",
            unit="cmH2O",
            reference=found.bench.end_expiratory_pressure,
            reference_uncertainty=None,
            value=found.end_expiratory_pressure,
            limit=BAND,
            relative=False,
            why="scatter of the measurement in lungs that trap least; circuit not stated",
            explanation=EXPLANATIONS[law].get((found.bench.row, found.bench.lung), ""),
        )
        for law in SCORED
        for found in predictions(law)
    ]


def residual_table() -> str:
    """Predicted minus measured end-expiratory pressure of every lung, default circuit, as Markdown."""
    lines = [
        f"| row | lung | C/R | rate | volume, mL | measured, cmH2O | {' | '.join(LAWS)} |",
        "| --- " * (6 + len(LAWS)) + "|",
    ]
    for found in zip(*(predictions(law) for law in LAWS), strict=True):
        bench = found[0].bench
        cells = [bench.row, bench.lung, bench.kind, f"{bench.rate:g}", f"{bench.tidal_volume:g}"]
        cells.append(f"{bench.end_expiratory_pressure:g}")
        for one in found:
            cells.append(f"{one.residual:+.2f}" + ("" if one.reached else f" ({one.tidal_volume:.0f} mL)"))
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def rms_table() -> str:
    """Root mean square residual by rate and lung type, in the default and in an ideal circuit, as Markdown."""
    variants = [(law, ideal) for ideal in (False, True) for law in LAWS]
    names = [f"{law}, ideal" if ideal else law for law, ideal in variants]
    lines = [f"| rate | C/R | lungs | {' | '.join(names)} |", "| --- " * (3 + len(names)) + "|"]
    every = [predictions(law, ideal=ideal) for law, ideal in variants]
    groups = [((rate,), (kind,)) for rate in RATES for kind in KINDS]
    groups += [*(((rate,), KINDS) for rate in RATES), (RATES, KINDS)]
    for rates, kinds in groups:
        chosen = [
            [one.residual for one in found if one.bench.rate in rates and one.bench.kind in kinds]
            for found in every
        ]
        cells = [" and ".join(f"{rate:g}" for rate in rates), kinds[0] if len(kinds) == 1 else "all"]
        cells += [str(len(chosen[0])), *(f"{np.sqrt(np.mean(np.square(one))):.2f}" for one in chosen)]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def place(bench: Bench) -> float:
    """Where a lung stands in the figure, left or right of the number of its row."""
    return bench.row + 0.4 * (bench.lung - 1.5)


def draw() -> None:
    """Measured and predicted end-expiratory pressure of every lung, and predicted minus measured."""
    figure, top, bottom = curves_and_difference(
        "Two test lungs, default circuit: measured (bars), predicted (marks)",
        x="row of the published table: lung 1 left, lung 2 right; open mark: volume not reached",
        y="end-expiratory pressure (cmH2O)",
        difference="predicted minus\nmeasured (cmH2O)",
        note="marks beyond the limits: rows that fail, or, for 0.5 L/s, would",
        log_difference=False,
    )
    every = [bench for pair in benches() for bench in pair]
    places = [place(bench) for bench in every]
    measured = [bench.end_expiratory_pressure for bench in every]
    top.plot(places, measured, "_", color="black", markersize=13, markeredgewidth=1.6, label="measured")
    for k, law in enumerate(LAWS):
        found = predictions(law)
        for one in found:
            x = place(one.bench) + 0.09 * (k - 1)
            fill = COLOURS[k] if one.reached else "none"
            mark = {"color": COLOURS[k], "markersize": 4.5, "markerfacecolor": fill}
            label = law if one is found[0] else None
            top.plot(x, one.end_expiratory_pressure, MARKS[k], label=label, **mark)
            bottom.plot(x, one.residual, MARKS[k], **mark)
    bottom.set_xticks(range(1, len(benches()) + 1))
    bottom.axhline(0.0, color="0.5", linewidth=0.8)
    draw_limits(bottom, [(BAND, "limit"), (-BAND, "limit")])
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
