"""What the circuit keeps: a constant flow shared by lung and circuit, and gas that is compressed."""

from pathlib import Path

import xarray as xr
from comparisons import (
    DEFAULT_LIMIT,
    DEFAULT_TOLERANCE,
    TIGHT_LIMIT,
    TIGHT_TOLERANCE,
    closed_form,
    curve_difference,
    worked,
    worst_differences,
)
from figures import TWO_TOLERANCES, curves_and_difference, draw_curves, draw_difference, draw_limits, save
from rows import Row
from tables import read_table

import ventsim as vs

TITLE = "Compliance of the circuit"
CASE = "case_05_circuit_compliance"
HERE = Path(__file__).parent

LUNG = {"compliance": 50.0, "resistance": 10.0}
CIRCUIT_COMPLIANCE = 2.5  # wall stretch at the Y-piece [mL/cmH2O]
FLOW, TIME = 0.5, 1.0  # of the ventilator [L/s], [s]
WORKED = read_table(HERE / "data.csv")  # what reaches the lung; what one litre of gas stores


def circuit(*, wall_compliance: float, gas_volume: float) -> vs.Circuit:
    """One lung on limbs without resistance, of which one stretches or holds gas."""
    plain = {"length": 0.0, "resistance": 0.0}
    limbs = vs.PatientLimbs(
        inspiratory_tube=vs.Tube(**plain, wall_compliance=wall_compliance, gas_volume=gas_volume),
        expiratory_tube=vs.Tube(**plain, wall_compliance=0.0, gas_volume=0.0),
        y_piece=vs.YPiece(gas_volume=0.0),
    )
    machine = vs.Ventilator(relief_pressure=None)
    return vs.layouts.single(vs.Lung(**LUNG), limbs=limbs, ventilator=machine)


def first_breath(what: vs.Circuit, *, tolerance: float = DEFAULT_TOLERANCE) -> xr.Dataset:
    """A breath from rest at PEEP."""
    settings = vs.VolumeControl(tidal_volume=FLOW * TIME * 1000, peep=5.0, rate=15.0, inspiratory_time=TIME)
    return vs.simulate(what, settings, duration=settings.period, tolerance=tolerance)


def filling(waveforms: xr.Dataset) -> xr.Dataset:
    """The samples of inspiration."""
    return waveforms.isel(time=waveforms.time.values < TIME)


def closed(waveforms: xr.Dataset) -> vs.theory.FlowSplit:
    """The closed form at the samples."""
    return vs.theory.constant_flow_split(
        flow=FLOW, circuit_compliance=CIRCUIT_COMPLIANCE, time=waveforms.time.values, **LUNG
    )


def rows() -> list[Row]:
    """Every comparison of the case."""
    stretching = circuit(wall_compliance=CIRCUIT_COMPLIANCE, gas_volume=0.0)

    def curves(tolerance: float) -> list[float]:
        waveforms = filling(first_breath(stretching, tolerance=tolerance))
        split = closed(waveforms)
        return [
            curve_difference(waveforms.inspired_volume, split.inspired_volume),
            curve_difference(waveforms.circuit_volume - waveforms.circuit_volume[0], split.circuit_volume),
            curve_difference(waveforms.flow, split.flow),
            curve_difference(waveforms.airway_pressure - 5.0, split.airway_pressure),
        ]

    at_end = filling(first_breath(stretching))
    reached = float(at_end.inspired_volume[-1, 0])
    balance = vs.theory.lung_tidal_volume(
        tidal_volume=FLOW * TIME * 1000,
        circuit_compliance=CIRCUIT_COMPLIANCE,
        peep=5.0,
        peak_pressure=float(at_end.airway_pressure[-1, 0]),
    )
    gas = filling(first_breath(circuit(wall_compliance=0.0, gas_volume=1000.0)))
    stored = float((gas.circuit_volume[-1] - gas.circuit_volume[0]) / (gas.airway_pressure[-1, 0] - 5.0))
    in_lung, of_gas = WORKED
    return [
        worked(CASE, in_lung["quantity"], unit=in_lung["unit"], text=in_lung["value"], value=reached / 1000),
        *worst_differences(CASE, "largest relative difference of volumes, flow and pressure", find=curves),
        closed_form(CASE, "set volume less what the circuit keeps", unit="mL", reference=balance, value=reached),
        worked(CASE, of_gas["quantity"], unit=of_gas["unit"], text=of_gas["value"], value=stored),
    ]


def draw() -> None:
    """Volumes in lung and circuit, and their differences."""
    figure, top, bottom = curves_and_difference(
        "0.5 L/s into a lung and its circuit: closed form (lines) and ventsim (marks)",
        x="time since the start of the flow (s)",
        y="volume (mL)",
        difference="difference / largest value",
        note=TWO_TOLERANCES,
    )
    stretching = circuit(wall_compliance=CIRCUIT_COMPLIANCE, gas_volume=0.0)
    for tolerance in (DEFAULT_TOLERANCE, TIGHT_TOLERANCE):
        waveforms = filling(first_breath(stretching, tolerance=tolerance))
        time, split = waveforms.time.values, closed(waveforms)
        in_lung = waveforms.inspired_volume.squeeze("lung").values
        kept = (waveforms.circuit_volume - waveforms.circuit_volume[0]).values
        for k, (name, value, reference) in enumerate(
            (("lung", in_lung, split.inspired_volume[:, 0]), ("circuit", kept, split.circuit_volume))
        ):
            if tolerance == DEFAULT_TOLERANCE:
                draw_curves(top, time, reference=reference, value=value, label=name, number=k)
            draw_difference(bottom, time, difference=(value - reference) / reference.max(), number=k)
    draw_limits(bottom, [(DEFAULT_LIMIT, "limit, default tolerance"), (TIGHT_LIMIT, "limit, tolerance 1e-10")])
    top.legend(frameon=False, loc="upper left")
    save(figure, HERE / "figure.png")
