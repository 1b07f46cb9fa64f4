"""What users write, for a type checker: `right` is without errors and runs; every line of `wrong` is an error.

`test_types.py` has mypy check it, with a comment ``type: ignore`` that is not needed as an error too.
"""

from typing import Any

import numpy as np

import ventsim as vs
import ventsim.plot
import ventsim.schema
from ventsim import laws
from ventsim.changes import Clamp
from ventsim.gas import breathing_gas
from ventsim.laws import AnyElasticLaw, AnyFlowLaw, Rohrer
from ventsim.layouts import Layout, shared
from ventsim.monitor import displayed_values
from ventsim.panel import two_lungs
from ventsim.parts import Part


class Sinh:
    """A flow law of the user's own."""

    def pressure_drop(self, flow: np.ndarray) -> np.ndarray:
        """Pressure drop. [cmH2O]"""
        return 5.0 * np.sinh(flow)


class Cubic:
    """A pressure-volume law of the user's own, without types."""

    def pressure(self, volume):  # type: ignore[no-untyped-def]
        """Pressure. [cmH2O]"""
        return 0.02 * volume + 1e-9 * volume**3


def right() -> list[Any]:
    """Runs, too."""
    own: AnyFlowLaw = Sinh()
    stretchy: AnyElasticLaw = Cubic()
    curve = laws.MeasuredCurve(flows=[0.1, 0.5, 1.0], pressure_drops=np.array([0.5, 3.0, 7.0]))
    drops = curve.pressure_drop([0.1, 0.5]) + Rohrer(linear=5).pressure_drop(np.arange(2))
    map_of_tap = laws.AdjustableCurve(
        openings=[1, 2], flows=[0.1, 0.5, 1.0], pressure_drops=[[1, 5, 11], [0.5, 3, 7]], opening=1
    )
    regions = [vs.Region(compliance=25, resistance=own), vs.Region(compliance=stretchy, resistance=curve)]
    effort = vs.SampledEffort(times=[0, 0.5, 1], pressures=[0, 5, 0], period=4.8)
    lungs = {
        "a": vs.Lung(compliance=Cubic(), resistance=Sinh(), effort=effort),
        "b": vs.Lung(resistance=Rohrer(linear=5) + laws.Orifice(bore=8) + 2, regions=regions),
    }
    limbs = vs.PatientLimbs(inspiratory_restrictor=vs.Restrictor(resistance=map_of_tap))
    machine = vs.Ventilator(source_resistance=Sinh(), flow_limit=None)
    layout = Layout(lungs=lungs, limbs={"b": limbs}, ventilator=machine)
    settings = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=12.5, ie_ratio=0.5)
    scenario = vs.Scenario(
        circuit=layout,
        settings=settings,
        changes=[vs.Change(path="lungs.a.chest_wall_compliance", to=200, at=2), Clamp(part="b y-piece", at=6)],
        duration=10,
        waveform_windows=[(0, 4)],
    )
    circuit: vs.Circuit = scenario.circuit
    parts: dict[str, Part] = {"tube": vs.Tube(length=1.0), "y": vs.YPiece(), "a": lungs["a"]}
    joined = vs.Circuit(
        parts=parts,
        joints=[
            ("ventilator.inspiratory", "tube.inlet"),
            ("tube.outlet", "y.inspiratory"),
            ("y.patient", "a.airway"),
            ("y.expiratory", "ventilator.expiratory"),
        ],
    )
    plain = vs.Lung(compliance=50, resistance=10)
    steady = vs.steady_breath(layout, settings)
    found: list[Any] = [drops, breathing_gas(), joined, vs.steady_breath(shared(lungs), settings)]
    found += [vs.simulate(layout, settings, duration=5), vs.simulate(scenario), vs.simulate_long(layout, settings)]
    found += [vs.numerical_error(layout, settings), vs.numerical_error(circuit, settings)]
    found += [ventsim.plot.waveforms(steady), ventsim.schema.pressure_at(steady, "a.airway")]
    found += [
        displayed_values(vs.breath_measures(steady)),
        two_lungs(Layout(lungs={"a": plain, "b": plain}), settings),
        vs.breath_table(vs.breath_measures(steady)),
    ]
    found += [vs.studies.sweep(layout, settings, {"settings.peep": [5, 8]}), vs.studies.standard_faults(circuit)]
    found += [vs.theory.pressure_control(plain, settings)]
    return found


def wrong() -> None:
    """What a type checker finds before anything runs."""
    vs.Lung(compliance="50", resistance=10)  # type: ignore[arg-type]
    vs.Lung(compliance=50, resistance=Cubic())  # type: ignore[arg-type]
    vs.Lung(compliance=Sinh(), resistance=10)  # type: ignore[arg-type]
    vs.Lung(compliance=50, resistence=10)  # type: ignore[call-arg]
    vs.Lung(50, 10)  # type: ignore[call-arg]
    vs.Lung(compliance=50)  # type: ignore[call-arg]
    vs.PatientLimbs(inspiratory_restrictor=3.0)  # type: ignore[arg-type]
    vs.PressureControl(rate=15)  # type: ignore[call-arg]
    vs.Scenario(circuit=3, settings=vs.builtin("two-unequal-lungs").settings)  # type: ignore[arg-type]
    laws.MeasuredCurve(flows="0.5", pressure_drops=[1, 2])  # type: ignore[arg-type]
    vs.steady_breath(vs.Lung(compliance=50, resistance=10))  # type: ignore[arg-type]
    vs.simulate(vs.builtin("two-unequal-lungs"), duration="5")  # type: ignore[arg-type]
    vs.simulate(vs.builtin("two-unequal-lungs"), time=5)  # type: ignore[call-arg]
    vs.layouts.shard({})  # type: ignore[attr-defined]
