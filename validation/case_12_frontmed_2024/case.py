"""Two unequal test lungs on one ventilator: end-expiratory pressure as a free prediction."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
from figures import COLOURS, MARKS, curves_and_difference, draw_limits, save
from rows import Row
from scipy.optimize import brentq
from scipy.stats import t as student
from tables import number, read_table

import ventsim as vs

TITLE = "Two unequal test lungs, volumes titrated"
CASE = "case_12_frontmed_2024"
HERE = Path(__file__).parent
WHY_ROWS_FAIL = "trapped gas, resistors and circuit not stated"

PEEP, INSPIRATORY_TIME = 10.0, 1.25
ZERO_RATE, TRAPPING_RATE = RATES = (12.0, 24.0)  # at the first all measured lungs empty, at the second not [1/min]
CONFIDENCE = 0.95  # of the limits, which Student's t gives from the scatter of the readings at 12/min
SEARCHED = 0.05  # how closely a volume is met [mL]
LEAST_RESISTANCE = 0.5  # linear part of a quadratic test lung [cmH2O·s/L]
OPEN = 0.0  # restrictor left out [cmH2O·s/L]
KINDS = ("25/5", "25/20", "50/5", "50/20")

# Flow at which a test lung has its nominal resistance; None: at every flow. [L/s]
LAWS: dict[str, float | None] = {"linear": None, "quadratic, 1 L/s": 1.0, "quadratic, 0.5 L/s": 0.5}
SCORED = ("linear", "quadratic, 1 L/s")  # with a row for each lung; the third is in the table of residuals
LIMB_LOSSES = (4.0, 7.0, 10.0)  # of the variant in which each expiratory limb has a loss of its own [cmH2O·s²/L²]
STIFF_VALVE = 6.0  # of the variant with an exhalation valve of twice the default resistance [cmH2O·s/L]
PARTNER_EFFECTS = {1: (2, 1), 2: (8, 1)}  # lung: row with a partner of 50/20, row with one of 25/5


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
class BenchSet:
    """What is assumed of the bench; the defaults are the nominal circuit."""

    law: str
    ideal: bool = False
    limb_loss: float = 0.0  # quadratic, of the expiratory limb of each lung [cmH2O·s²/L²]
    exhalation_resistance: float | None = None  # None: the default [cmH2O·s/L]


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


@cache
def benches() -> tuple[tuple[Bench, Bench], ...]:
    """Both lungs of every published row."""
    lungs = []
    for line in read_table(HERE / "data.csv"):
        numbers = {name: number(cell) for name, cell in line.items()}
        lungs.append(Bench(row=int(numbers.pop("row")), lung=int(numbers.pop("lung")), **numbers))
    return tuple(zip(lungs[::2], lungs[1::2], strict=True))


def circuit(pair: tuple[Bench, Bench], restrictors: np.ndarray, bench_set: BenchSet) -> vs.Circuit:
    """Default tree, tubes, valves and machine, or ideal ones; restrictors in the inspiratory limbs; test lungs.

    A quadratic resistor sits where a filter would, between Y-piece and lung, and holds no gas. The lung keeps
    the least linear resistance that is usual, which is taken off the nominal one.
    """
    lungs, limbs, flow = {}, {}, LAWS[bench_set.law]
    outlet = None
    if bench_set.limb_loss > 0.0:
        outlet = vs.Restrictor(resistance=vs.laws.Rohrer(quadratic=bench_set.limb_loss))
    for bench, restrictor in zip(pair, restrictors, strict=True):
        name, resistor, linear = f"lung {bench.lung}", None, bench.resistance
        if flow is not None:
            linear = LEAST_RESISTANCE
            quadratic = (bench.resistance - linear) / flow
            resistor = vs.Filter(resistance=vs.laws.Rohrer(quadratic=quadratic), gas_volume=0.0)
        lungs[name] = vs.Lung(compliance=bench.compliance, resistance=linear)
        inlet = vs.Restrictor(resistance=float(restrictor))
        limbs[name] = vs.PatientLimbs(inspiratory_restrictor=inlet, expiratory_restrictor=outlet, filter=resistor)
    machine = {}
    if bench_set.exhalation_resistance is not None:
        machine = {"ventilator": vs.Ventilator(exhalation_resistance=bench_set.exhalation_resistance)}
    return vs.layouts.shared(lungs, limbs=limbs, ideal=bench_set.ideal, **machine)


def settings(bench: Bench) -> vs.PressureControl:
    """The breath of a row."""
    return vs.PressureControl(
        inspiratory_pressure=bench.inspiratory_pressure, peep=PEEP, rate=bench.rate,
        inspiratory_time=INSPIRATORY_TIME,
    )  # fmt: skip


def breathe(pair: tuple[Bench, Bench], restrictors: np.ndarray, bench_set: BenchSet) -> np.ndarray:
    """Tidal volume [mL] and end-expiratory alveolar pressure [cmH2O] of both lungs, shape (2, lung)."""
    what = circuit(pair, restrictors, bench_set)
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
def titrated(row: int, bench_set: BenchSet) -> tuple[Prediction, Prediction]:
    """Both lungs of a row, each with the restrictor that gives the measured volume, found by secants.

    The restrictors hardly affect the other lung, so one search runs for each lung, both at once. A restrictor
    that would have to be below zero is left out.
    """
    pair = benches()[row - 1]
    wanted = np.array([bench.tidal_volume for bench in pair])
    restrictors, slopes = np.array([first_guess(bench) for bench in pair]).T
    volumes, pressures = breathe(pair, restrictors, bench_set)
    for _ in range(30):
        missing = wanted - volumes
        if np.all((np.abs(missing) <= SEARCHED) | ((restrictors == OPEN) & (missing > 0))):
            break
        step = np.clip(missing / slopes, -0.7 * restrictors - 1.0, 2 * restrictors + 5.0)
        before, volumes_before = restrictors, volumes
        restrictors = np.maximum(restrictors + step, OPEN)
        volumes, pressures = breathe(pair, restrictors, bench_set)
        moved = np.abs(restrictors - before) > 1e-6
        secants = np.divide(volumes - volumes_before, restrictors - before, out=slopes.copy(), where=moved)
        slopes = np.where(secants < 0, secants, slopes)
    else:
        raise RuntimeError(f"row {row}, {bench_set}: volumes {volumes} mL, wanted {wanted} mL")
    return tuple(
        Prediction(bench, *map(float, numbers))
        for bench, *numbers in zip(pair, restrictors, volumes, pressures, strict=True)
    )


def predictions(bench_set: BenchSet) -> list[Prediction]:
    """Every lung of every row; none is left out."""
    return [found for pair in benches() for found in titrated(pair[0].row, bench_set)]


def zeroed(found: Iterable[tuple[Bench, float]]) -> dict[tuple[int, int], float]:
    """End-expiratory pressures above the zero of their monitor, by row and lung. [cmH2O]

    The zero of a monitor is the median of its readings at 12/min. Predictions are zeroed in the same way, so that
    what is left of either is the gas that is trapped at 24/min.
    """
    found = list(found)
    zeros = {
        lung: np.median([value for bench, value in found if (bench.lung, bench.rate) == (lung, ZERO_RATE)])
        for lung in (1, 2)
    }
    return {(bench.row, bench.lung): float(value - zeros[bench.lung]) for bench, value in found}


@cache
def measured() -> dict[tuple[int, int], float]:
    """What the monitors read, above their zeros. [cmH2O]"""
    return zeroed((bench, bench.end_expiratory_pressure) for pair in benches() for bench in pair)


@cache
def predicted(bench_set: BenchSet) -> dict[tuple[int, int], float]:
    """What the simulation gives, above the zeros. [cmH2O]"""
    return zeroed((found.bench, found.end_expiratory_pressure) for found in predictions(bench_set))


def residual(bench: Bench, bench_set: BenchSet) -> float:
    """Predicted minus measured. [cmH2O]"""
    return predicted(bench_set)[bench.row, bench.lung] - measured()[bench.row, bench.lung]


def partner_effect(found: Mapping[tuple[int, int], float], lung: int) -> float:
    """By how much a lung of 25/5 ends higher beside a partner of 50/20 than beside one of 25/5. [cmH2O]"""
    with_slow, with_fast = PARTNER_EFFECTS[lung]
    return found[with_slow, lung] - found[with_fast, lung]


@cache
def repeatability() -> tuple[float, int]:
    """Standard deviation of the readings of a monitor at 12/min [cmH2O], over both, and its degrees of freedom."""
    lungs = [bench for pair in benches() for bench in pair if bench.rate == ZERO_RATE]
    readings = [[bench.end_expiratory_pressure for bench in lungs if bench.lung == lung] for lung in (1, 2)]
    freedom = sum(len(one) - 1 for one in readings)
    return float(np.sqrt(sum(np.var(one) * len(one) for one in readings) / freedom)), freedom


def limits() -> tuple[float, float]:
    """Of a zeroed reading, and of the difference of two readings of one monitor. [cmH2O]

    A zeroed reading has the variance of a reading, and that of the median of six: pi/2 of that of their mean.
    """
    deviation, freedom = repeatability()
    wide = float(student.ppf(0.5 + 0.5 * CONFIDENCE, freedom)) * deviation
    return wide * float(np.sqrt(1.0 + 0.5 * np.pi / 6.0)), wide * float(np.sqrt(2.0))


BELOW_ZERO = (
    "At 24/min this lung was read 0.3 cmH2O below what its monitor read at 12/min. Trapped gas only raises the "
    "pressure, so that no circuit gives that; PEEP itself or the zero was lower in this row."
)
SLOW_TRAPS = (
    "The linear resistor traps more gas than the bench shows. One whose resistance falls with the flow empties "
    "the lung further."
)
NOT_REACHED = (
    "Even without a restrictor the measured volume is not reached: lung and circuit had less resistance in "
    "inspiration than assumed here, or the pressure was higher. The linear resistor also traps too much."
)
HELD_BACK = (
    "A lung of low resistance that was measured far above its zero: what held its gas back lies outside the lung. "
    "A loss of its own in the expiratory limb, or more of it in the exhalation valve, raises the pressure."
)
EMPTIES = (
    "The quadratic resistor has too little resistance at the small flows of this lung's late expiration; a linear "
    "one has too much."
)
CIRCUIT = (
    "The lung itself empties: what it ends at is the pressure that the circuit holds, which is less in an ideal "
    "circuit and more with a loss of its own in the expiratory limb."
)
CHANCE = (
    "The highest reading of its monitor at 12/min, just beyond the limit, which one reading in twenty misses by "
    "chance; in no circuit does the lung trap anything."
)
PARTNER = (
    "The partner of 50/20 slows this lung through the valve, fittings and machine that both share; in the ideal "
    "circuit, without these, there is no such effect. More resistance of the exhalation valve raises it, a loss "
    "of its own in each expiratory limb does not."
)
EXPLANATIONS = {
    "linear": {
        (1, 1): BELOW_ZERO, (1, 2): BELOW_ZERO, (2, 2): NOT_REACHED, (3, 1): SLOW_TRAPS, (3, 2): NOT_REACHED,
        (4, 1): SLOW_TRAPS, (4, 2): HELD_BACK, (5, 1): HELD_BACK, (5, 2): HELD_BACK, (6, 1): HELD_BACK,
        (6, 2): NOT_REACHED, (7, 1): SLOW_TRAPS, (7, 2): NOT_REACHED, (8, 1): SLOW_TRAPS, (8, 2): CIRCUIT,
        (10, 2): NOT_REACHED, (12, 2): CHANCE,
    },
    "quadratic, 1 L/s": {
        (1, 1): BELOW_ZERO, (1, 2): BELOW_ZERO, (2, 2): EMPTIES, (3, 2): EMPTIES, (4, 1): EMPTIES,
        (4, 2): HELD_BACK, (5, 1): HELD_BACK, (5, 2): HELD_BACK, (6, 1): HELD_BACK, (7, 1): EMPTIES,
        (7, 2): EMPTIES, (8, 1): EMPTIES, (12, 2): CHANCE,
    },
}  # fmt: skip
"""Why a row fails, by law, row and lung."""
PARTNER_EXPLANATIONS = {("linear", 1): PARTNER, ("quadratic, 1 L/s", 1): PARTNER}
"""Why a partner effect fails, by law and lung."""


def variants(law: str) -> dict[str, BenchSet]:
    """What is tried beside the nominal circuit with a law, by name; none of it counts as evidence."""
    other = {name: BenchSet(name) for name in LAWS if name != law}
    return other | {
        "ideal circuit": BenchSet(law, ideal=True),
        f"own expiratory loss {LIMB_LOSSES[1]:g}": BenchSet(law, limb_loss=LIMB_LOSSES[1]),
        f"exhalation valve {STIFF_VALVE:g}": BenchSet(law, exhalation_resistance=STIFF_VALVE),
    }


def tested(law: str, off: Callable[[BenchSet], float]) -> str:
    """What a difference becomes where something else is assumed."""
    found = "; ".join(f"{name}: {off(one):+.2f}" for name, one in variants(law).items())
    return f"Difference in cmH2O with other assumptions: {found}."


def rows() -> list[Row]:
    """Every lung with the laws that are scored, and the effect of a slow partner on a fast lung."""
    return [row for law in SCORED for row in (*lung_rows(law), *partner_rows(law))]


def lung_rows(law: str) -> list[Row]:
    """End-expiratory pressure of every lung, above the zero of its monitor."""
    nominal, every = BenchSet(law), []
    for found in predictions(nominal):
        bench, place = found.bench, (found.bench.row, found.bench.lung)
        why = EXPLANATIONS[law].get(place, "")
        empties = bench.rate == ZERO_RATE and bench.kind != "50/20"
        every.append(
            Row(
                case=CASE, kind="published bench",
                quantity=f"{law}: row {bench.row}, lung {bench.lung} ({bench.kind}, {bench.rate:g}/min"
                f"{'' if found.reached else ', volume not reached'}): end-expiratory pressure above zero",
                unit="cmH2O", reference=measured()[place], reference_uncertainty=limits()[0],
                value=predicted(nominal)[place], limit=limits()[0], relative=False,
                why="95 % of the scatter of a zeroed reading at 12/min",
                explanation=why and f"{why} {tested(law, partial(residual, bench))}",
                any_model="at 12/min this lung empties in any circuit" if empties and not why else "",
            )
        )  # fmt: skip
    return every


def partner_rows(law: str) -> list[Row]:
    """What a partner of 50/20 adds to the end-expiratory pressure of a lung of 25/5."""
    every = []
    for lung, (with_slow, with_fast) in PARTNER_EFFECTS.items():
        reference = partner_effect(measured(), lung)
        why = PARTNER_EXPLANATIONS.get((law, lung), "")

        def off(bench_set: BenchSet, lung: int = lung, reference: float = reference) -> float:
            return partner_effect(predicted(bench_set), lung) - reference

        every.append(
            Row(
                case=CASE, kind="published bench", unit="cmH2O",
                quantity=f"{law}: row {with_slow} minus row {with_fast}, lung {lung} (25/5 beside 50/20, 25/5): "
                "end-expiratory pressure",
                reference=reference, reference_uncertainty=limits()[1],
                value=partner_effect(predicted(BenchSet(law)), lung), limit=limits()[1], relative=False,
                why="95 % of the scatter of the difference of two readings",
                explanation=why and f"{why} {tested(law, off)}",
            )
        )  # fmt: skip
    return every


def residual_table() -> str:
    """Predicted minus measured end-expiratory pressure of every lung, nominal circuit and one variant."""
    shown = {law: BenchSet(law) for law in LAWS}
    shown[f"variant: quadratic, 1 L/s, own expiratory loss {LIMB_LOSSES[1]:g}"] = BenchSet(
        "quadratic, 1 L/s", limb_loss=LIMB_LOSSES[1]
    )
    lines = [
        f"| row | lung | C/R | rate | volume, mL | measured above zero, cmH2O | {' | '.join(shown)} |",
        "| --- " * (6 + len(shown)) + "|",
    ]
    for found in zip(*(predictions(one) for one in shown.values()), strict=True):
        bench = found[0].bench
        cells = [bench.row, bench.lung, bench.kind, f"{bench.rate:g}", f"{bench.tidal_volume:g}"]
        cells.append(f"{measured()[bench.row, bench.lung]:+.1f}")
        for one, bench_set in zip(found, shown.values(), strict=True):
            off = residual(bench, bench_set)
            cells.append(f"{off:+.2f}" + ("" if one.reached else f" ({one.tidal_volume:.0f} mL)"))
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def rms(bench_set: BenchSet, *, rates: Sequence[float] = RATES, kinds: Sequence[str] = KINDS) -> float:
    """Root mean square of the residuals of some lungs. [cmH2O]"""
    chosen = [bench for pair in benches() for bench in pair if bench.rate in rates and bench.kind in kinds]
    return float(np.sqrt(np.mean([residual(bench, bench_set) ** 2 for bench in chosen])))


def rms_table() -> str:
    """Root mean square residual by rate and lung type, in the nominal and in an ideal circuit, as Markdown."""
    sets = {f"{law}{', ideal' if ideal else ''}": BenchSet(law, ideal) for ideal in (False, True) for law in LAWS}
    lines = [f"| rate | C/R | lungs | {' | '.join(sets)} |", "| --- " * (3 + len(sets)) + "|"]
    groups = [((rate,), (kind,)) for rate in RATES for kind in KINDS]
    groups += [*(((rate,), KINDS) for rate in RATES), (RATES, KINDS)]
    every = [bench for pair in benches() for bench in pair]
    for rates, kinds in groups:
        count = sum(bench.rate in rates and bench.kind in kinds for bench in every)
        cells = [" and ".join(f"{rate:g}" for rate in rates), kinds[0] if len(kinds) == 1 else "all", str(count)]
        cells += [f"{rms(one, rates=rates, kinds=kinds):.2f}" for one in sets.values()]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def variant_table() -> str:
    """Root mean square residual at 24/min, and partner effects, of the nominal circuit and of variants."""
    lines = [
        "| law | expiratory limb, own loss, cmH2O·s²/L² | residual at 24/min | row 2 minus 1, lung 1 "
        "| row 8 minus 1, lung 2 |",
        "| --- " * 5 + "|",
    ]
    for law in LAWS:
        for loss in (0.0, *LIMB_LOSSES):
            one = BenchSet(law, limb_loss=loss)
            effects = [f"{partner_effect(predicted(one), lung):+.2f}" for lung in PARTNER_EFFECTS]
            name = f"variant: {loss:g}" if loss else "none (nominal)"
            lines.append(f"| {law} | {name} | {rms(one, rates=(TRAPPING_RATE,)):.2f} | {' | '.join(effects)} |")
    effects = [f"{partner_effect(measured(), lung):+.2f}" for lung in PARTNER_EFFECTS]
    return "\n".join([*lines, f"| measured | | | {' | '.join(effects)} |"])


def place(bench: Bench) -> float:
    """Where a lung stands in the figure, left or right of the number of its row."""
    return bench.row + 0.4 * (bench.lung - 1.5)


def draw() -> None:
    """Measured and predicted end-expiratory pressure of every lung, and predicted minus measured."""
    figure, top, bottom = curves_and_difference(
        "Two test lungs: measured (bars), predicted (marks), above the zero of each monitor",
        x="row of the published table: lung 1 left, lung 2 right; open mark: volume not reached",
        y="end-expiratory pressure\nabove zero (cmH2O)",
        difference="predicted minus\nmeasured (cmH2O)",
        note="marks beyond the limits: rows that fail, or, for 0.5 L/s and the variant, would",
        log_difference=False,
    )
    every = [bench for pair in benches() for bench in pair]
    top.plot(
        [place(bench) for bench in every], [measured()[bench.row, bench.lung] for bench in every], "_",
        color="black", markersize=13, markeredgewidth=1.6, label="measured",
    )  # fmt: skip
    shown = {law: BenchSet(law) for law in LAWS}
    shown["variant: 1 L/s, own loss"] = BenchSet("quadratic, 1 L/s", limb_loss=LIMB_LOSSES[1])
    for k, (name, bench_set) in enumerate(shown.items()):
        for one in predictions(bench_set):
            x, at = place(one.bench) + 0.09 * (k - 1.5), (one.bench.row, one.bench.lung)
            fill = COLOURS[k] if one.reached else "none"
            mark = {"color": COLOURS[k], "markersize": 4, "markerfacecolor": fill}
            label = name if at == (1, 1) else None
            top.plot(x, predicted(bench_set)[at], MARKS[k], label=label, **mark)
            bottom.plot(x, residual(one.bench, bench_set), MARKS[k], **mark)
    bottom.set_xticks(range(1, len(benches()) + 1))
    bottom.axhline(0.0, color="0.5", linewidth=0.8)
    limit = limits()[0]
    bottom.axhline(-limit, color="0.35", linewidth=0.9, linestyle=(0, (5, 3)))
    draw_limits(bottom, [(limit, f"limits, ±{limit:.2f}")])
    top.legend(frameon=False, loc="upper right")
    save(figure, HERE / "figure.png")
