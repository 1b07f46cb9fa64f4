"""Laws of components without a simulation: tubes, tracheal tubes, holes, gas; and what circuits store."""

import dataclasses
from pathlib import Path

import numpy as np
from comparisons import half_digit, worked
from figures import COLOURS, LINES, curves_and_difference, draw_limits, save
from rows import Row
from tables import number, read_table

import ventsim as vs
from ventsim.units import convert

TITLE = "Laws of components"
CASE = "case_14_component_laws"
HERE = Path(__file__).parent
WHY_ROWS_FAIL = "onset of turbulence, a convention, and a PEEP valve that loses more at high flow"

AIR = {"density": 1.2046, "viscosity": 18.206}  # dry, 20 °C, CoolProp 8.0.0
TURBULENT_FROM = 0.5  # in every tracheal tube of the table [L/s]
MEASURED_LIMIT = 0.25  # of a measured tracheal tube [1]
MEASURED_FLOW = 30.0  # [L/min]
CHILD_LENGTHS = {4.0: 0.20, 5.0: 0.24}  # of uncut tubes, from memory [m] by size [mm]
CHILD_FLOWS = (0.1, 0.2, 0.3)  # [L/s]
SHORTENED, SHORTENED_LIMIT = -14.0, 5.0  # published mean change [%] and limit [percentage points]
TUBE_SET, TUBE_SET_LIMIT = 0.34, 2 / 3  # published loss [cmH2O]; down to a third, or up to five thirds of it [1]
# Ito's formula for a bend of 140 mm, worked by hand: size [mm], length [m], flow [L/s], loss [cmH2O].
ITO = ((2.5, 0.12, 0.05, "2.0064"), (3.5, 0.16, 0.08, "1.2382"))
ITO_SIZES, ITO_LIMIT = (2.5, 3.0, 3.5), 0.1  # tubes that were found to follow it [mm], and how closely here [1]
PEEP_VALVE, FLAT, FLAT_LIMIT = (
    10.0,
    (0.1, 2.0),
    1.0,
)  # rating [cmH2O], flows [L/s], rise that counts as flat [cmH2O]
GAS_LIMITS = {"density": 1e-3, "viscosity": 1e-2}  # [1]

IN_TRANSITION = "smooth tube 22 mm, 1.5 m, at 60 L/min"
TRANSITION = (
    "Reynolds number 3830: the reference is the turbulent formula alone, ventsim still blends in a little laminar "
    "friction up to 4000, 0.7 % less here. Where flow turns turbulent is a convention."
)
SATURATED = {20.0: 2339.0, 25.0: 3170.0, 37.0: 6282.0}  # worked with CoolProp 8.0.0 [Pa] by temperature [°C]
TO_BODY = {"ATPS": "1.1019", "ATPD": "1.1279"}  # worked volume factors at 20 °C [1]


def rows() -> list[Row]:
    """Every comparison of the case."""
    return [
        *tracheal_rows(), *measured_rows(), *shortened_rows(), *bent_rows(), *set_rows(), *tube_rows(),
        *orifice_rows(), *peep_valve_rows(), *gas_rows(), *circuit_rows(),
    ]  # fmt: skip


def tracheal_tube(size: float, *, heads: float = 1.5) -> vs.TrachealTube:
    """A tube of usual length in the gas of the table."""
    return vs.TrachealTube(inner_diameter=size, loss_coefficient=heads, **AIR)


def tracheal_loss(size: float, flow: float, *, heads: float = 1.5) -> float:
    """Loss of that tube [cmH2O] at a flow [L/s]."""
    return float(tracheal_tube(size, heads=heads).inspiratory_law.pressure_drop(flow))


def in_half_digits(value: float, text: str) -> float:
    """How far a value is from a written one, in halves of its last digit."""
    return abs(value - float(text)) / half_digit(text)


def worst_row(quantity: str, found: list[float], *, limit: float, why: str, unit: str = "1") -> Row:
    """The largest of many differences."""
    return Row(
        case=CASE, kind="worked closed form", quantity=quantity, unit=unit, reference=0.0,
        reference_uncertainty=0.0, value=max(found), limit=limit, relative=False, why=why,
    )  # fmt: skip


def tracheal_rows() -> list[Row]:
    """Tracheal tubes against the formula of Blasius with 1.5 heads."""
    table = read_table(HERE / "tracheal.csv")
    found = [
        worked(
            CASE, f"tracheal tube {row['size']} mm at 1 L/s", unit="cmH2O", text=row["whole"],
            value=tracheal_loss(number(row["size"]), 1.0),
        )
        for row in table if number(row["flow"]) == 1.0
    ]  # fmt: skip
    turbulent = [row for row in table if number(row["flow"]) >= TURBULENT_FROM]
    for column, heads in (("friction", 0.0), ("whole", 1.5)):
        off = [
            in_half_digits(tracheal_loss(number(row["size"]), number(row["flow"]), heads=heads), row[column])
            for row in turbulent
        ]
        found.append(
            worst_row(
                f"tracheal tubes from 0.5 L/s, {heads:g} heads: largest difference in half digits",
                off, limit=1.0 + 1e-6, why="half of the last digit written",
            )
        )  # fmt: skip
    slow = [row for row in table if number(row["flow"]) < TURBULENT_FROM]
    off = [tracheal_loss(number(row["size"]), 0.25) / number(row["whole"]) - 1.0 for row in slow]
    found.append(
        worst_row(
            "tracheal tubes at 0.25 L/s (transition): largest relative difference from the turbulent formula",
            [abs(one) for one in off], limit=0.25, why="the blend of laminar and turbulent is a convention",
        )
    )  # fmt: skip
    found.append(
        worked(
            CASE,
            "gas in a tracheal tube of 8 mm",
            unit="mL",
            text="16.6",
            value=tracheal_tube(8.0).contained_volume,
        )
    )
    return found


def measured() -> list[tuple[float, float, float, float]]:
    """Size [mm], measured loss and its deviation, and ours [cmH2O]."""
    return [
        (
            number(row["size"]), number(row["loss"]), number(row["deviation"]),
            tracheal_loss(number(row["size"]), MEASURED_FLOW / 60.0),
        )
        for row in read_table(HERE / "measured_tracheal.csv")
    ]  # fmt: skip


def measured_rows() -> list[Row]:
    """The default tracheal tubes against a bench."""
    return [
        Row(
            case=CASE, kind="published bench", quantity=f"tracheal tube {size:g} mm at 30 L/min", unit="cmH2O",
            reference=loss, reference_uncertainty=deviation, value=ours, limit=MEASURED_LIMIT, relative=True,
            why="formula for a straight smooth tube with assumed length and heads, gas not stated",
        )
        for size, loss, deviation, ours in measured()
    ]  # fmt: skip


def shortened_rows() -> list[Row]:
    """What a tracheal tube for children loses less when a quarter of it is cut off."""
    less = []
    for size, length in CHILD_LENGTHS.items():
        whole, cut = (
            vs.TrachealTube(inner_diameter=size, length=part * length, **AIR).inspiratory_law
            for part in (1.0, 0.75)
        )
        less += [100.0 * (cut.pressure_drop(flow) / whole.pressure_drop(flow) - 1.0) for flow in CHILD_FLOWS]
    return [
        Row(
            case=CASE, kind="published bench", quantity="child tracheal tubes, a quarter shorter: change of loss",
            unit="%", reference=SHORTENED, reference_uncertainty=None, value=float(np.mean(less)),
            limit=SHORTENED_LIMIT, relative=False, why="percentage points; sizes, lengths and flows not seen",
        )
    ]  # fmt: skip


def bent_tube(size: float, length: float) -> vs.laws.TubeFriction:
    """Friction of a bent tracheal tube without its joint."""
    return vs.TrachealTube(inner_diameter=size, length=length, loss_coefficient=0.0, **AIR).inspiratory_law


def bent_rows() -> list[Row]:
    """Laminar flow in the bend of small tracheal tubes."""
    found = [
        worked(
            CASE, f"tracheal tube {size:g} mm, {length:g} m, laminar in its bend, at {flow:g} L/s: friction",
            unit="cmH2O", text=text, value=float(bent_tube(size, length).pressure_drop(flow)),
        )
        for size, length, flow, text in ITO
    ]  # fmt: skip
    off = []
    for size in ITO_SIZES:
        reynolds = np.linspace(500.0, 4000.0, 200)
        flows = reynolds * np.pi * size * AIR["viscosity"] / (4e6 * AIR["density"])  # [L/s]
        straight = 128e-6 * AIR["viscosity"] * 0.15 * 1e-3 * flows / (np.pi * (size * 1e-3) ** 4)
        dean = reynolds * np.sqrt(size / 280.0)
        loss = straight * 21.5 * dean / (1.56 + np.log10(dean)) ** 5.73 / 98.0665
        off.append(float(np.max(np.abs(bent_tube(size, 0.15).pressure_drop(flows) / loss - 1.0))))
    return [
        *found,
        Row(
            case=CASE, kind="published bench", unit="1", reference=0.0, reference_uncertainty=None, value=max(off),
            quantity="tracheal tubes 2.5 to 3.5 mm, Reynolds 500 to 4000: largest difference from Ito's law",
            limit=ITO_LIMIT, relative=False, why="tubes were found to follow it; radii of bends differ",
        ),
    ]  # fmt: skip


def peep_valve_rows() -> list[Row]:
    """How much more the default PEEP valve holds at a high flow than at a low one."""
    law, flows = vs.PeepValve(opening_pressure=PEEP_VALVE).elements()[0].forward, np.array(FLAT)
    return [
        Row(
            case=CASE, kind="published bench", unit="cmH2O", reference=0.0, reference_uncertainty=None,
            quantity=f"PEEP valve of {PEEP_VALVE:g} cmH2O: rise of pressure from {FLAT[0]:g} to {FLAT[1]:g} L/s",
            value=float(np.diff(law.pressure_drop(flows))[0]), limit=FLAT_LIMIT, relative=False,
            why="three of five valves were flat, one followed the flow; a tenth of the rating counts as flat",
            explanation="The default loss once open, 1 cmH2O·s/L, is common practice: it stands between the three "
            "flat valves and the one that follows the flow. With `resistance=0.5` the rise is 0.95 cmH2O.",
        )
    ]  # fmt: skip


def set_rows() -> list[Row]:
    """One limb of a circuit at an adult flow against a set of breathing tubes."""
    return [
        Row(
            case=CASE, kind="published bench", quantity="breathing tube 22 mm, 1.5 m, at 60 L/min, order of size",
            unit="cmH2O", reference=TUBE_SET, reference_uncertainty=0.01,
            value=float(vs.Tube(length=1.5).flow_law.pressure_drop(1.0)), limit=TUBE_SET_LIMIT, relative=True,
            why="order of size: flow not in the excerpt, 60 L/min assumed",
        )
    ]  # fmt: skip


def smooth_tubes() -> list[tuple[str, float, str, float]]:
    """Smooth breathing tubes: name, flow [L/min], worked loss and ours [cmH2O]."""
    found = []
    for row in read_table(HERE / "smooth_tubes.csv"):
        bore, length, flow = (number(row[name]) for name in ("bore", "length", "flow"))
        law = vs.Tube(length=length, bore=bore, wall="smooth", **AIR).flow_law
        name = f"smooth tube {bore:g} mm, {length:g} m, at {flow:g} L/min"
        found.append((name, flow, row["loss"], float(law.pressure_drop(flow / 60.0))))
    return found


def tube_rows() -> list[Row]:
    """Breathing tubes: friction, inertance, contents."""
    found = []
    for name, _, text, value in smooth_tubes():
        row = worked(CASE, name, unit="cmH2O", text=text, value=value)
        found.append(dataclasses.replace(row, explanation=TRANSITION if name == IN_TRANSITION else ""))
    adult = vs.Tube(length=1.5, inertia=True, wall_compliance=0.0, **AIR)
    metre = vs.Tube(length=1.0, wall_compliance=0.0)
    laminar = vs.Tube(length=1.0, wall="smooth", **AIR).flow_law.pressure_drop(0.1) / 0.1
    narrow = vs.Tube(length=0.33, bore=8.0, inertia=True, **AIR)
    return [
        *found,
        worked(CASE, "tube 22 mm, 1 m, laminar: resistance", unit="cmH2O·s/L", text="0.0323", value=laminar),
        worked(CASE, "tube 22 mm, 1.5 m: inertance", unit="cmH2O·s²/L", text="0.0485", value=adult.inertance),
        worked(CASE, "tube 8 mm, 0.33 m: inertance", unit="cmH2O·s²/L", text="0.0806", value=narrow.inertance),
        worked(CASE, "tube 22 mm, 1 m: gas", unit="L", text="0.380", value=metre.contained_volume / 1000.0),
        worked(
            CASE, "tube 22 mm, 1 m: compliance of the gas", unit="mL/cmH2O", text="0.37",
            value=metre.stored_compliance,
        ),
    ]  # fmt: skip


def hole_loss(bore: float, flow: float, edge: str) -> float:
    """Loss of a hole in a 22 mm tube [cmH2O] at a flow [L/min]."""
    return vs.laws.Orifice(bore=bore, edge=edge, density=AIR["density"]).pressure_drop(flow / 60.0)


def orifice_rows() -> list[Row]:
    """Holes with a thin and a thick edge against a table."""
    table, found = read_table(HERE / "orifice.csv"), []
    for edge in ("thin", "thick"):
        found += [
            worked(
                CASE, f"hole of {row['bore']} mm, {edge} edge, at 30 L/min", unit="cmH2O", text=row[edge],
                value=hole_loss(number(row["bore"]), 30.0, edge),
            )
            for row in table if row["flow"] == "30"
        ]  # fmt: skip
        off = [
            in_half_digits(hole_loss(number(row["bore"]), number(row["flow"]), edge), row[edge]) for row in table
        ]
        found.append(
            worst_row(
                f"holes, {edge} edge, {len(table)} losses: largest difference in half digits", off,
                limit=1.0 + 1e-6, why="half of the last digit written",
            )
        )  # fmt: skip
    return found


def gas_rows() -> list[Row]:
    """Density and viscosity, water vapour and volume factors."""
    table, found = read_table(HERE / "gas.csv"), []
    why = "shares of the gases and Sutherland's formula, rounded constants"
    for source in dict.fromkeys(row["source"] for row in table):
        for name, limit in GAS_LIMITS.items():
            off = [
                abs(getattr(breathing_gas(row), name) / number(row[name]) - 1.0) for row in table
                if row["source"] == source
            ]  # fmt: skip
            quantity = f"{source}, {name} ({len(off)} states): largest relative difference"
            found.append(worst_row(quantity, off, limit=limit, why=why))
    found += [
        Row(
            case=CASE, kind="worked closed form", quantity=f"pressure of saturated water vapour at {warm:g} °C",
            unit="cmH2O", reference=convert(pascal, source="Pa", target="cmH2O"),
            reference_uncertainty=convert(0.5, source="Pa", target="cmH2O"),
            value=vs.gas.saturation_pressure(warm), limit=1e-3, relative=True, why="correlation of another form",
        )
        for warm, pascal in SATURATED.items()
    ]  # fmt: skip
    found += [
        worked(
            CASE, f"volume at body conditions over that at 20 °C, {state}", unit="1", text=text,
            value=vs.gas.volume_factor(state, "BTPS", temperature=20.0),
        )
        for state, text in TO_BODY.items()
    ]  # fmt: skip
    return found


def breathing_gas(row: dict[str, str]) -> vs.gas.GasProperties:
    """The gas of a row of the table."""
    return vs.gas.breathing_gas(
        oxygen_fraction=number(row["oxygen_fraction"]),
        temperature=number(row["temperature"]),
        humidity=row["humidity"],
    )


def stored(circuit: vs.Circuit) -> float:
    """What a circuit gains for each unit of pressure, by holding a pressure for long [mL/cmH2O]."""
    settings = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=3.0, inspiratory_time=10.0)
    waveforms = vs.simulate(circuit, settings, duration=settings.period)
    held = np.searchsorted(waveforms.time.values, float(waveforms.inspiration_end[0]) - 1e-9) - 1
    gained = float(waveforms.circuit_volume[held] - waveforms.circuit_volume[0])
    return gained / (float(waveforms.airway_pressure[held, 0]) - settings.peep)


def circuit_rows() -> list[Row]:
    """Compliance of ready-made circuits for each lung."""
    lung = vs.Lung(compliance=20.0, resistance=10.0)
    with_filter = vs.PatientLimbs(filter=vs.Filter(), tracheal_tube=vs.TrachealTube(inner_diameter=8.0))

    def shared(count: int, arrangement: str) -> vs.Circuit:
        return vs.layouts.shared(dict.fromkeys("abcd"[:count], lung), arrangement=arrangement)

    adult, every = (
        (number(row["middle"]), number(row["half_width"])) for row in read_table(HERE / "circuits.csv")
    )
    circuits = {
        "one lung": (vs.layouts.single(lung), adult),
        "one lung, filter and tracheal tube": (vs.layouts.single(lung, limbs=with_filter), adult),
        "two lungs, tree": (shared(2, "tree"), adult),
        "four lungs, tree": (shared(4, "tree"), adult),
        "four lungs, star": (shared(4, "star"), adult),
        "four lungs, chain with 2 m from bed to bed": (shared(4, "chain"), every),
    }
    return [
        Row(
            case=CASE, kind="published bench", quantity=f"{name}: circuit compliance for each lung",
            unit="mL/cmH2O", reference=middle, reference_uncertainty=half,
            value=stored(circuit) / len(circuit.lungs), limit=half, relative=False, why="range that was measured",
        )
        for name, (circuit, (middle, half)) in circuits.items()
    ]  # fmt: skip


def draw() -> None:
    """Loss of tracheal tubes over flow with the worked and the measured figures, and how far those are off."""
    figure, top, bottom = curves_and_difference(
        "Tracheal tubes: ventsim (lines), worked (circles) and measured losses (squares)",
        x="flow (L/min)",
        y="loss (cmH2O)",
        difference="|difference| / reference",
        note="circles, squares: as above; crosses: smooth breathing tubes",
    )
    flows = np.linspace(0.0, 1.5, 200)
    table = read_table(HERE / "tracheal.csv")
    for k, size in enumerate((6.0, 7.0, 8.0)):
        law = tracheal_tube(size).inspiratory_law
        colour = COLOURS[k]
        curve = {"color": colour, "linestyle": LINES[k], "linewidth": 1.4}
        top.plot(60.0 * flows, law.pressure_drop(flows), label=f"{size:g} mm", **curve)
        points = [row for row in table if number(row["size"]) == size]
        at = np.array([number(row["flow"]) for row in points])
        loss = np.array([number(row["whole"]) for row in points])
        top.plot(60.0 * at, loss, "o", color=colour, markersize=5, markerfacecolor="none")
        bottom.plot(
            60.0 * at, np.abs(law.pressure_drop(at) / loss - 1.0), "o", color=colour, markerfacecolor="none"
        )
        for bench_size, bench, _, ours in measured():
            if bench_size == size:
                top.plot(MEASURED_FLOW, bench, "s", color=colour, markersize=6)
                bottom.plot(MEASURED_FLOW, abs(ours / bench - 1.0), "s", color=colour, markersize=6)
    for name, flow, text, value in smooth_tubes():
        off = abs(value / number(text) - 1.0)
        bottom.plot(flow, off, "x", color="black", markersize=6)
        if name == IN_TRANSITION:
            bottom.annotate("22 mm: fails", (flow + 1.5, off), va="center", fontsize="small")
    draw_limits(bottom, [(MEASURED_LIMIT, "limit, measured tubes and transition")])
    top.legend(frameon=False, loc="upper left")
    save(figure, HERE / "figure.png")
