"""Real parts in a circuit: their laws are found again in the waveforms, and valves do what their state says."""

import numpy as np
import pytest

import ventsim as vs
from ventsim.model.laws import MeasuredCurve, Orifice, PowerLaw, Rohrer
from ventsim.model.parts import (
    OneWayValve,
    Part,
    PeepValve,
    Restrictor,
    TrachealTube,
    heat_moisture_exchanger,
)

LUNG = vs.Lung(compliance=50.0, resistance=10.0)
STIFF = vs.Lung(compliance=25.0, resistance=10.0)
PRESSURE = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, inspiratory_time=4 / 3)


def in_line(*parts: Part, at: str) -> vs.Circuit:
    """One lung with tubes of 1.5 m, and parts in the "airway" or at the end of the "expiratory" limb."""
    named = {f"part {k}": part for k, part in enumerate(parts)}
    chain = [end for name in named for end in (f"{name}.inlet", f"{name}.outlet")]
    airway = ["y.patient", *(chain if at == "airway" else []), "lung.airway"]
    return_limb = ["back.outlet", *(chain if at == "expiratory" else []), "ventilator.expiratory"]
    joints = [
        ("ventilator.inspiratory", "out.inlet"),
        ("out.outlet", "y.inspiratory"),
        ("y.expiratory", "back.inlet"),
    ]
    joints += [pair for limb in (airway, return_limb) for pair in zip(limb[::2], limb[1::2], strict=True)]
    tubes = {"out": vs.Tube(length=1.5), "back": vs.Tube(length=1.5), "y": vs.YPiece()}
    return vs.Circuit(parts={**tubes, **named, "lung": LUNG}, joints=joints)


@pytest.mark.parametrize(
    "part",
    [
        TrachealTube(inner_diameter=7.0),
        TrachealTube(inner_diameter=7.0, expiratory_loss_coefficient=0.5),
        TrachealTube(inner_diameter=3.5),
        TrachealTube(inner_diameter=8.0, resistance=PowerLaw(coefficient=6.5, exponent=1.94)),
        vs.Tube(length=1.0, bore=10.0, loss_coefficient=2.0),
        Restrictor(resistance=MeasuredCurve(flows=(0.25, 0.5, 1.0), pressure_drops=(2.0, 7.0, 25.0))),
        Restrictor(resistance=Orifice(bore=5.0)),
        heat_moisture_exchanger("paediatric 1"),
    ],
    ids=lambda part: part.kind,
)
def test_law_is_found_again_in_the_waves(part):
    """Pressure across the part against its own law at the flow through it, every 10 ms; 0.1 % of the largest."""
    circuit = in_line(part, Restrictor(resistance=1.0), at="airway")
    waveforms = vs.simulate(circuit, PRESSURE, duration=8.0, sample_interval=0.01)
    flow = waveforms["branch_flow"].sel(branch="part 0").values
    passage = part.elements()[0]
    law = np.where(
        flow > 0.0, passage.forward.pressure_drop(np.abs(flow)), -passage.backward.pressure_drop(np.abs(flow))
    )
    # What is left between Y-piece and lung after the restrictor of 1 cmH2O·s/L.
    behind = (
        waveforms["airway_pressure"].sel(lung="lung").values + waveforms["branch_flow"].sel(branch="part 1").values
    )
    before = waveforms["node_pressure"].sel(node="out.outlet").values
    assert np.abs(before - behind - law).max() < 1e-3 * np.abs(law).max()
    assert waveforms.attrs["flow_table_error"] < 1e-4


def test_orifice_and_restrictor_of_the_same_law_give_the_same_breath():
    coefficient = Orifice(bore=5.0, edge="thick").coefficients[1]
    hole = vs.steady_breath(in_line(Restrictor(resistance=Orifice(bore=5.0)), at="airway"), PRESSURE)
    other = vs.steady_breath(in_line(Restrictor(resistance=Rohrer(quadratic=coefficient)), at="airway"), PRESSURE)
    assert np.array_equal(hole["volume"].values, other["volume"].values)


def test_points_of_a_linear_resistance_give_its_breath():
    """Measured points on a straight line, against the same resistance; 0.01 %."""
    straight = Restrictor(resistance=MeasuredCurve(flows=(0.5, 1.0, 3.0), pressure_drops=(5.0, 10.0, 30.0)))
    volumes = [
        float(
            vs.breath_measures(vs.steady_breath(in_line(part, at="airway"), PRESSURE))[
                "inspired_tidal_volume"
            ].item()
        )
        for part in (straight, Restrictor(resistance=10.0))
    ]
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-4)


def test_peep_valve_adds_its_threshold():
    """7 cmH2O on the 5 of the ventilator, once the lung has emptied; what still flows through it adds little."""
    slow = PRESSURE.changed({"rate": 6.0})
    measures = vs.breath_measures(
        vs.steady_breath(in_line(PeepValve(opening_pressure=7.0), at="expiratory"), slow)
    )
    assert measures["total_peep"].item() == pytest.approx(12.0, abs=0.02)


def volumes_with(state: str) -> tuple[float, float]:
    """Inspired volumes of two lungs whose first one has its valves in a state [mL]."""
    branch = vs.PatientLimbs(valve=OneWayValve(state=state, gas_volume=4.0))
    circuit = vs.layouts.shared(
        {"a": LUNG, "b": STIFF},
        one_way_valves=True,
        limbs=dict.fromkeys({"a": LUNG, "b": STIFF}, vs.PatientLimbs()) | {"a": branch},
    )
    measures = vs.breath_measures(vs.steady_breath(circuit, PRESSURE))
    return tuple(measures["inspired_tidal_volume"].values.ravel())


def test_states_of_valves():
    """Stuck closed, the lung gets nothing and the other a little more; stuck open or missing, it gets more."""
    working, stuck, missing, closed = map(volumes_with, ("working", "stuck open", "missing", "stuck closed"))
    assert closed[0] < 1e-6 and closed[1] > working[1]
    assert missing[0] > stuck[0] > working[0] > closed[0]  # each of them resists more than the one before


def test_leak_of_a_closed_valve_fills_the_lung_slowly():
    """60 mL/min per cmH2O through both closed valves: some mL in a breath, as the pressure across them allows."""
    branch = vs.PatientLimbs(valve=OneWayValve(state="stuck closed", back_leak=60.0))
    circuit = vs.layouts.shared(
        {"a": LUNG, "b": STIFF},
        one_way_valves=True,
        limbs=dict.fromkeys({"a": LUNG, "b": STIFF}, vs.PatientLimbs()) | {"a": branch},
    )
    volume = vs.breath_measures(vs.steady_breath(circuit, PRESSURE))["inspired_tidal_volume"]
    # Two valves, at most 15 cmH2O across each for 4/3 s: 2 x 15 x 1 mL/s x 4/3 s = 40 mL, by hand.
    assert 1.0 < volume.values[0, 0] < 40.0
