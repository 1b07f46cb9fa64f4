"""Changes while a run goes on: closed forms, an independent integrator for a ramp, and gas counted."""

import itertools
import math
from pathlib import Path

import numpy as np
import xarray as xr
from comparisons import DEFAULT_LIMIT, DEFAULT_TOLERANCE, TIGHT_TOLERANCE, closed_form
from figures import curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from scipy.integrate import solve_ivp

import ventsim as vs

TITLE = "Changes while a run goes on"
CASE = "case_15_changes_in_time"
HERE = Path(__file__).parent

PRESSURE = {"inspiratory_pressure": 15.0, "peep": 5.0, "rate": 15.0, "inspiratory_time": 4 / 3}
VOLUME = {"tidal_volume": 1800.0, "peep": 5.0, "rate": 15.0, "inspiratory_time": 1.6, "pause_time": 0.3}
COMPLIANCES = {"a": 50.0, "b": 40.0, "c": 50.0, "d": 60.0}
STIFF, RESISTANCE, PERIOD = 15.0, 10.0, 4.0
BREATH_BEFORE, BREATH_AFTER = 25, 50
INSTANT = BREATH_BEFORE * PERIOD
ALONE = vs.layouts.single(vs.Lung(compliance=50.0, resistance=RESISTANCE), ideal=True)
WIDER, JUMP = 80.0, 8.7  # compliance from the instant on, within the third inspiration
RAMP = vs.Change(path="lungs.lung.compliance", to=90.0, at=6.0, until=22.0)
RAMP_CUT = 17.0
FAULTS = {
    "disconnection and reconnection": vs.Disconnection(joint="b.airway", at=9.1, until=14.3),
    "lung taken off and put on": vs.LungRemoval(lung="c", at=9.1, until=20.0),
    "branch clamped and opened": vs.Clamp(part="a inspiratory tube", at=8.5, until=13.0),
    "leak": vs.LeakOnset(joint="d.airway", resistance=100.0, at=9.0, until=15.5),
    "valve stuck open": vs.Change(path="parts.b expiratory valve.state", to="stuck open", at=9.9),
    "narrower tube": vs.Change(path="parts.a inspiratory tube.bore", to=12.0, at=5.0, until=15.0),
}


def four(*, ideal: bool) -> vs.Circuit:
    """Four lungs, one of which will stiffen."""
    lungs = {name: vs.Lung(compliance=c, resistance=RESISTANCE) for name, c in COMPLIANCES.items()}
    return vs.layouts.shared(lungs, ideal=ideal, one_way_valves=not ideal)


def stiffened(settings: vs.PressureControl | vs.VolumeControl, *, ideal: bool) -> xr.Dataset:
    """Measures of a run in which lung b stiffens."""
    change = vs.Change(path="lungs.b.compliance", to=STIFF, at=INSTANT)
    duration = BREATH_AFTER * PERIOD
    run = vs.simulate_long(four(ideal=ideal), settings, duration=duration, changes=[change], progress=False)
    return run.measures


def rows() -> list[Row]:
    """Every comparison of the case."""
    return [
        *step_in_pressure_control(),
        *step_in_volume_control(),
        *step_within_a_breath(),
        *ramp(),
        *undone(),
        *gas(),
    ]


def step_in_pressure_control() -> list[Row]:
    """Before and after by the closed form; the others do not notice."""
    measures = stiffened(vs.PressureControl(**PRESSURE), ideal=True)
    found = []
    for when, breath, changed in (("before", BREATH_BEFORE, 40.0), ("after", BREATH_AFTER, STIFF)):
        for lung, compliance in (COMPLIANCES | {"b": changed}).items():
            closed = vs.theory.pressure_control(**PRESSURE, compliance=compliance, resistance=RESISTANCE)
            found.append(
                closed_form(
                    CASE, f"pressure control, {when}: tidal volume of lung {lung}", unit="mL",
                    reference=closed.tidal_volume,
                    value=float(measures.inspired_tidal_volume.sel(breath=breath, lung=lung)),
                )
            )  # fmt: skip
    return found


def held(measures: xr.Dataset, breath: int) -> xr.DataArray:
    """Gas that each lung takes up from the start of a breath to the end of its pause. [mL]"""
    compliances = COMPLIANCES if breath <= BREATH_BEFORE else COMPLIANCES | {"b": STIFF}
    return measures.driving_pressure.sel(breath=breath) * xr.DataArray(list(compliances.values()), dims="lung")


def step_in_volume_control() -> list[Row]:
    """What lung b loses the others gain, less what the tubes take."""
    found = []
    for ideal, name in ((True, "ideal circuit"), (False, "tubes")):
        measures = stiffened(vs.VolumeControl(**VOLUME), ideal=ideal)
        change = held(measures, BREATH_AFTER) - held(measures, BREATH_BEFORE)
        tubes = measures.compressed_volume
        kept = float(tubes.sel(breath=BREATH_AFTER) - tubes.sel(breath=BREATH_BEFORE))
        others = float(change.sel(lung=["a", "c", "d"]).sum())
        found.append(
            closed_form(
                CASE, f"volume control, {name}: gain of the other lungs and the tubes, against the loss of b",
                unit="mL", reference=-float(change.sel(lung="b")), value=others + kept,
                any_model="a set volume goes where it is not kept out, whatever the laws",
            )
        )  # fmt: skip
    return found


def jumped(tolerance: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times after a jump of compliance within an inspiration, volume by the closed form and of the run."""
    change = vs.Change(path="lungs.lung.compliance", to=WIDER, at=JUMP)
    settings = vs.PressureControl(**PRESSURE)
    waveforms = vs.simulate(ALONE, settings, duration=2 * PERIOD + 4 / 3, changes=[change], tolerance=tolerance)
    start = float(waveforms.volume.values[np.searchsorted(waveforms.time.values, JUMP) - 1, 0])
    after = waveforms.sel(time=slice(JUMP, None))
    end, slowness = WIDER * 20.0, RESISTANCE * WIDER / 1000.0
    time = after.time.values
    return time, end + (start - end) * np.exp(-(time - JUMP) / slowness), after.volume.values[:, 0]


def step_within_a_breath() -> list[Row]:
    """The exponential of one compartment from the instant on."""
    _, reference, value = jumped(DEFAULT_TOLERANCE)
    return [
        closed_form(
            CASE, "step within inspiration: volume of the lung at its end", unit="mL", reference=reference[-1],
            value=value[-1],
        )
    ]  # fmt: skip


def ramped() -> float:
    """Volume of a lung whose compliance ramps, at the cut, by an independent integrator. [mL]"""

    def slope(time: float, volume: float, pressure: float) -> float:
        part = min(max((time - RAMP.at) / (RAMP.until - RAMP.at), 0.0), 1.0)
        return 1000.0 * (pressure - volume / (50.0 + 40.0 * part)) / RESISTANCE

    volume = 5.0 * 50.0
    corners = sorted({RAMP.at, RAMP_CUT, *(PERIOD * n for n in range(5)), *(PERIOD * n + 4 / 3 for n in range(5))})
    corners = [corner for corner in corners if corner <= RAMP_CUT]
    for begin, end in itertools.pairwise(corners):
        pressure = 20.0 if begin % PERIOD < 1.3 else 5.0
        found = solve_ivp(slope, (begin, end), [volume], args=(pressure,), method="DOP853", rtol=1e-12, atol=1e-10)
        volume = float(found.y[0, -1])
    return volume


def ramp() -> list[Row]:
    """Order with which a ramp converges as it is refined, and its error at the finest."""
    exact, counts = ramped(), (8, 16, 32, 64)
    errors = []
    for updates in counts:
        waveforms = vs.simulate(
            ALONE, vs.PressureControl(**PRESSURE), duration=RAMP_CUT, changes=[RAMP], ramp_updates=updates,
            tolerance=TIGHT_TOLERANCE,
        )  # fmt: skip
        errors.append(abs(float(waveforms.volume[-1, 0]) - exact))
    order = math.log2(errors[-2] / errors[-1])
    return [
        Row(
            case=CASE, kind="order of convergence", quantity="ramp of compliance: order in the updates per breath",
            unit="1", reference=2.0, reference_uncertainty=0.0, value=order, limit=0.1, relative=False,
            why="observed between the two finest",
        )
    ]  # fmt: skip


def undone() -> list[Row]:
    """A change that undoes itself leads back to the first steady breath."""
    circuit, settings = four(ideal=False), vs.PressureControl(**PRESSURE)
    changes = [
        vs.Change(path="lungs.b.compliance", to=STIFF, at=10.3),
        vs.Change(path="lungs.b.compliance", to=40.0, at=21.9),
    ]
    steady = vs.breath_measures(vs.steady_breath(circuit, settings)).inspired_tidal_volume[0]
    after = vs.simulate_long(circuit, settings, duration=160, changes=changes, progress=False).measures
    return [
        Row(
            case=CASE, kind="symmetry", quantity=f"undone change: tidal volume of lung {lung}", unit="mL",
            reference=float(steady.sel(lung=lung)), reference_uncertainty=0.0,
            value=float(after.inspired_tidal_volume[-1].sel(lung=lung)), limit=DEFAULT_LIMIT, relative=True,
            why=f"error of the solver, default tolerance {DEFAULT_TOLERANCE:g}",
            any_model="a passive circuit forgets a change that is undone",
        )
        for lung in COMPLIANCES
    ]  # fmt: skip


def gas() -> list[Row]:
    """Delivered, returned, leaked and held gas across changes."""
    found = []
    for name, change in FAULTS.items():
        waveforms = vs.simulate(four(ideal=False), vs.PressureControl(**PRESSURE), duration=24.0, changes=[change])
        found.append(
            Row(
                case=CASE, kind="symmetry", quantity=f"{name}: gas not accounted for", unit="mL", reference=0.0,
                reference_uncertainty=0.0, value=waveforms.attrs["volume_balance_residual_mL"], limit=1e-9,
                relative=False, why="rounding of sums of some litres",
                any_model="gas that only moves is kept, whatever drives it",
            )
        )  # fmt: skip
    return found


def draw() -> None:
    """Volume of the lung from the instant of its change on, and the difference."""
    figure, top, bottom = curves_and_difference(
        "Compliance jumps within an inspiration: closed form (line) and ventsim (marks)",
        x="time (s)",
        y="volume (mL)",
        difference="difference / largest value",
    )
    for number, tolerance in enumerate((DEFAULT_TOLERANCE, TIGHT_TOLERANCE)):
        time, reference, value = jumped(tolerance)
        if tolerance == DEFAULT_TOLERANCE:
            draw_curves(top, time, reference=reference, value=value, label="50 to 80 mL/cmH2O at 8.7 s", number=0)
        off = (value - reference) / reference.max()
        draw_difference(bottom, time, difference=off, number=number, label=f"tolerance {tolerance:g}")
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance")])
    top.legend(frameon=False, loc="upper left")
    bottom.legend(frameon=False, loc="lower left", fontsize="small")
    save(figure, HERE / "figure.png")
