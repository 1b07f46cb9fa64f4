"""One ambient pressure for the circuit: density, inertia and stored gas follow it."""

import numpy as np
import pytest

import ventsim as vs
from ventsim import laws
from ventsim.engine.network import compile_circuit
from ventsim.errors import PartError, PlausibilityWarning
from ventsim.model.gas import breathing_gas
from ventsim.model.parts.part import gas_stores
from ventsim.units import ATMOSPHERE_CMH2O

HIGH = 0.6 * ATMOSPHERE_CMH2O  # about 4,200 m, by the standard atmosphere
SETTINGS = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=1.2)
LIMBS = vs.PatientLimbs(
    inspiratory_tube=vs.Tube(length=1.5, inertia=True),
    expiratory_tube=vs.Tube(length=1.5, inertia=True),
    inspiratory_restrictor=vs.Restrictor(resistance=laws.Orifice(bore=4.5)),
    tracheal_tube=vs.TrachealTube(inner_diameter=7.0, inertia=True),
    filter=vs.Filter(gas_volume=60.0),
)


def _circuit(pressure=ATMOSPHERE_CMH2O, *, limbs=LIMBS):
    lungs = {"a": vs.Lung(compliance=50, resistance=8), "b": vs.Lung(compliance=30, resistance=8)}
    return vs.layouts.shared(lungs, limbs=limbs, ventilator=vs.Ventilator(ambient_pressure=pressure))


def _by_hand(density):
    """The same limbs with every density and every stored volume of gas changed by hand."""

    def tube(part):
        gas = part.contained_volume / density
        return part.changed(density=part.density * density, gas_volume=gas)

    orifice = laws.Orifice(bore=4.5)
    return LIMBS.changed(
        inspiratory_tube=tube(LIMBS.inspiratory_tube),
        expiratory_tube=tube(LIMBS.expiratory_tube),
        inspiratory_restrictor=vs.Restrictor(resistance=orifice.changed(density=orifice.density * density)),
        tracheal_tube=LIMBS.tracheal_tube.changed(density=LIMBS.tracheal_tube.density * density),
        filter=vs.Filter(gas_volume=60.0 / density),
    )


def test_the_standard_atmosphere_changes_nothing():
    first, second = (compile_circuit(one).network for one in (_circuit(), _circuit(ATMOSPHERE_CMH2O)))
    np.testing.assert_array_equal(first.branch, second.branch)
    np.testing.assert_array_equal(first.node, second.node)


def test_density_inertia_and_stored_gas_follow_by_their_definitions():
    """Passages, inertances and stores of a circuit at height, against those whose densities are set by hand."""
    high = compile_circuit(_circuit(HIGH)).network
    hand = compile_circuit(_circuit(limbs=_by_hand(0.6))).network
    for name in ("forward_linear", "forward_quadratic", "backward_quadratic", "inertance"):
        np.testing.assert_allclose(high.branch[name], hand.branch[name], rtol=1e-12, err_msg=name)
    np.testing.assert_allclose(high.table, hand.table, rtol=1e-12)
    # T-pieces, Y-pieces, tracheal tubes and valves have gas of their own, which was not changed by hand.
    plain = compile_circuit(_circuit()).network
    more = high.node["compliance"] - plain.node["compliance"]
    assert (more >= 0.0).all() and more.sum() > 0.0
    stored = sum(
        store.compression for part in _circuit().parts.values() for store in part.elements()
        if hasattr(store, "compression")
    )  # fmt: skip
    assert 1000.0 * more.sum() == pytest.approx(stored * (1.0 / 0.6 - 1.0), rel=1e-12)


def test_compressed_gas_of_a_rigid_space_by_boyle():
    """A litre of gas at 850 cmH2O gives way by 1000/850 mL/cmH2O: filter and lung beside it, nothing else."""
    circuit = vs.Circuit(
        parts={"y": vs.YPiece(gas_volume=1000.0), "lung": vs.Lung(compliance=50, resistance=10)},
        joints=[
            ("ventilator.inspiratory", "y.inspiratory"), ("ventilator.expiratory", "y.expiratory"),
            ("y.patient", "lung.airway"),
        ],
        ventilator=vs.Ventilator(ambient_pressure=850.0),
    )  # fmt: skip
    node = compile_circuit(circuit).network.node
    assert 1000.0 * np.sort(node["compliance"])[-2] == pytest.approx(1000.0 / 850.0, rel=1e-12)


@pytest.mark.parametrize(
    ("machine", "stored"),
    [({}, 2.0), ({"internal_volume": 100.0, "humidifier_volume": 300.0}, 2.4)],
    ids=["bare", "with machine and humidifier"],
)
def test_circuit_compliance_of_a_held_pressure(machine, stored):
    """As `Ventilator` says, and by hand: gas in tubes, Y-piece and machine by Boyle, and walls of the tubes."""
    circuit = vs.layouts.single(vs.Lung(compliance=20.0, resistance=10.0), ventilator=vs.Ventilator(**machine))
    slow = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=3.0, inspiratory_time=10.0)
    found = vs.breath_measures(vs.simulate(circuit, slow, duration=slow.period)).isel(breath=0)
    compliance = found.compressed_volume.item() / slow.inspiratory_pressure
    tube = vs.Tube(length=1.5)
    gas = 2.0 * tube.contained_volume + 12.0 + sum(machine.values())
    walls = 2.0 * (tube.stored_compliance - tube.contained_volume / ATMOSPHERE_CMH2O)
    assert compliance == pytest.approx(gas / ATMOSPHERE_CMH2O + walls, rel=1e-6)
    assert compliance == pytest.approx(stored, abs=0.05)


def test_density_is_that_of_the_gas_at_that_pressure():
    """The ideal gas of `breathing_gas`: its density at a pressure is the one that the circuit makes of it."""
    ratio = breathing_gas(pressure=HIGH).density / breathing_gas().density
    assert ratio == pytest.approx(0.6, rel=1e-12)
    thin = laws.Orifice(bore=4.0).at_density(ratio)
    assert thin.density == pytest.approx(breathing_gas(pressure=HIGH).density, rel=1e-4)  # rounded default


@pytest.mark.parametrize(
    "law",
    [
        laws.Rohrer(linear=2.0, quadratic=3.0),
        laws.PowerLaw(coefficient=6.5, exponent=1.75),
        laws.MeasuredCurve(flows=[0.5, 1.0], pressure_drops=[1.0, 3.0]),
    ],
)
def test_what_was_measured_stays(law):
    assert law.at_density(0.6) is law
    both = laws.Series(laws=(law, laws.Orifice(bore=5.0))).at_density(0.6)
    expected = law.pressure_drop(0.7) + 0.6 * laws.Orifice(bore=5.0).pressure_drop(0.7)
    assert both.pressure_drop(0.7) == pytest.approx(expected, rel=1e-12)


def test_laminar_flow_does_not_depend_on_pressure():
    """Viscosity is the same; a smooth narrow tube at small flow keeps its pressure drop."""
    tube = laws.TubeFriction(bore=10.0, length=1.0, wall="smooth")
    assert tube.at_density(0.6).pressure_drop(0.05) == pytest.approx(tube.pressure_drop(0.05).item(), rel=1e-12)


def test_a_polytropic_tube_stores_less():
    isothermal, adiabatic = (vs.Tube(length=1.5, polytropic_exponent=n) for n in (1.0, 1.4))
    gas = isothermal.contained_volume / ATMOSPHERE_CMH2O
    assert isothermal.stored_compliance - adiabatic.stored_compliance == pytest.approx(gas * (1 - 1 / 1.4))
    stores = [element for element in adiabatic.elements() if hasattr(element, "compression")]
    assert sum(store.compliance for store in stores) == pytest.approx(adiabatic.stored_compliance, rel=1e-14)
    assert gas_stores(1000.0, at=("x",), polytropic_exponent=1.4)[0].compliance == pytest.approx(
        1000.0 / 1.4 / ATMOSPHERE_CMH2O
    )


def test_a_density_of_that_pressure_is_counted_twice():
    """0.722 kg/m³ is air at 0.6 atmospheres; the circuit would make 0.433 of it."""
    gas = breathing_gas(pressure=HIGH)
    tube = vs.TrachealTube(inner_diameter=7.0, density=gas.density, viscosity=gas.viscosity)
    hole = vs.Restrictor(resistance=laws.Orifice(bore=4.5, density=gas.density))
    for limbs, name in (
        (vs.PatientLimbs(tracheal_tube=tube), "a tracheal tube"),
        (vs.PatientLimbs(inspiratory_restrictor=hole), "a inspiratory restrictor"),
    ):
        message = rf"density of '{name}', 0\.7224 kg/m³, seems .* counted twice\.\n  Give .* 1\.204 kg/m³"
        with pytest.warns(PlausibilityWarning, match=message):
            _circuit(HIGH, limbs={"a": limbs})
    warm = breathing_gas(temperature=37.0, humidity="saturated")
    _circuit(HIGH, limbs=vs.PatientLimbs(tracheal_tube=tube.changed(density=warm.density)))


def test_a_pressure_in_another_unit():
    """101.3 is the number of kPa at sea level."""
    with pytest.raises(PartError, match=r"101\.3 cmH2O is not allowed\.\n  Did you mean 1030 \(101\.3 kPa\)"):
        vs.Ventilator(ambient_pressure=101.3)


def test_height_changes_what_lungs_get():
    """Thin gas passes a hole more easily; the volume rises with height, and paths and changes reach it."""
    scenario = vs.Scenario(circuit=_circuit(), settings=SETTINGS)
    study = vs.studies.sweep(scenario, {"ventilator.ambient_pressure": [HIGH, 900.0, ATMOSPHERE_CMH2O]})
    assert (study.inspired_tidal_volume.diff("ventilator.ambient_pressure") < 0.0).all()
    direct = vs.breath_measures(vs.steady_breath(scenario.replaced({"ventilator.ambient_pressure": HIGH})))
    np.testing.assert_allclose(study.inspired_tidal_volume[0], direct.inspired_tidal_volume[0], rtol=1e-6)
    again = vs.Scenario.from_toml(scenario.replaced({"ventilator.ambient_pressure": HIGH}).to_toml())
    assert again.circuit.ventilator.ambient_pressure == HIGH
