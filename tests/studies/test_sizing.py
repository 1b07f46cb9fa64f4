"""Sizing: values that meet targets, against closed forms and against direct runs; no answer; wrong questions."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

import ventsim as vs
from ventsim.errors import CircuitError, InputError, PlausibilityWarning, SchemaError, SolverError
from ventsim.model import laws
from ventsim.model.circuit.graph import way_in
from ventsim.model.laws import orifice_bore, printed_bore
from ventsim.model.parts import HalfSineEffort, PeepValve
from ventsim.model.paths import with_values
from ventsim.studies import add_restrictor, size_restrictors, sizing_table
from ventsim.studies.sizing.answer import LITTLE
from ventsim.theory import parallel_lungs, pressure_control

# Resistance of the default one-way valve once open, part of each limb in an ideal circuit. [cmH2O·s/L]
VALVE = 1.0
BREATH = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
RESTRICTOR = "limbs.b.inspiratory_restrictor"
HOLE = f"{RESTRICTOR}.resistance.bore"
LINEAR = "limbs.a.inspiratory_restrictor.resistance"


def size(*question, **options):
    """The answer as a Dataset."""
    return size_restrictors(*question, **options).results


def ideal(*, shared_resistance=0.0, restrictor=0.0):
    """Lungs of 50 and 25 mL/cmH2O with 10 cmH2O·s/L each way, valve included; a restrictor at the first."""
    lungs = {name: vs.Lung(compliance=c, resistance=10 - VALVE) for name, c in (("a", 50), ("b", 25))}
    machine = vs.Ventilator(
        source_resistance=shared_resistance, exhalation_resistance=shared_resistance, flow_limit=None,
        relief_pressure=None,
    )  # fmt: skip
    circuit = vs.layouts.shared(lungs, ideal=True, ventilator=machine)
    return add_restrictor(circuit, "a", resistance=restrictor)[0]


def real(*, one_way_valves=True, arrangement="star"):
    """A stiff and a soft lung (invented) behind tubes and valves, and an open orifice at the soft one."""
    lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    return add_restrictor(vs.layouts.shared(lungs, one_way_valves=one_way_valves, arrangement=arrangement), "b")[0]


def tidal_volumes(circuit, settings, **values):
    """Inspired tidal volumes of a direct run, far more exact than by default."""
    circuit, settings = with_values(circuit, settings, values.get("at", {}))
    return vs.breath_measures(vs.steady_breath(circuit, settings, tolerance=1e-9)).inspired_tidal_volume.values[0]


def value_of(found, path=None):
    return float(found.value[0] if path is None else found.value.sel(quantity=path))


# ---------------------------------------------------------------------------- closed forms


def test_a_linear_restrictor_is_found_again():
    """440.408 mL with 20 cmH2O·s/L more: reference/physics.md, case N7 (computed from the closed form of 1.2)."""
    exact = pressure_control(
        inspiratory_pressure=15, peep=5, compliance=50, resistance=30, expiratory_resistance=10, rate=15,
        inspiratory_time=4 / 3,
    ).tidal_volume  # fmt: skip
    assert exact == pytest.approx(440.408, abs=5e-4)
    found = size(ideal(), BREATH, targets={"a": {"inspired_tidal_volume": exact}}, vary={LINEAR: (0, 200)})
    assert bool(found.feasible)
    assert value_of(found) == pytest.approx(20.0, rel=1e-6)
    assert found.relative_miss.values == pytest.approx(0.0, abs=1e-6)
    # Without shared resistance the other lung keeps its 373.181 mL (N7).
    assert found.tidal_volume_after.sel(lung="b") == pytest.approx(373.181, abs=1e-3)
    assert found.tidal_volume_before.sel(lung="a") == pytest.approx(694.751, abs=1e-3)  # N2
    assert found.auto_peep_after.sel(lung="a") == pytest.approx(0.0427, abs=1e-4)  # N7: 5.0427 − 5


def test_two_values_behind_a_shared_resistance():
    """Restrictor 12 and inspiratory pressure 18 cmH2O, from the exact solution of N lungs (physics.md 1.6)."""
    exact = parallel_lungs(
        inspiratory_pressure=18, peep=5, compliance=[50, 25], resistance=[22, 10],
        expiratory_resistance=[10, 10], shared_resistance=5, rate=15, inspiratory_time=4 / 3,
    ).tidal_volume  # fmt: skip
    targets = {name: {"inspired_tidal_volume": v} for name, v in zip("ab", exact, strict=True)}
    vary = {LINEAR: (0, 100), "settings.inspiratory_pressure": (5, 40)}
    found = size(ideal(shared_resistance=5), BREATH, targets=targets, vary=vary)
    assert bool(found.feasible)
    assert found.value.values == pytest.approx([12.0, 18.0], rel=1e-6)


@pytest.mark.parametrize(
    ("measure", "exact"), [("driving_pressure", 10.0), ("end_inspiratory_alveolar_pressure", 15.0272)]
)
def test_pressures_are_targets(measure, exact):
    """A lung's driving pressure is VT/C; its end-inspiratory pressure follows from the closed form of 1.2."""
    wanted = pressure_control(
        inspiratory_pressure=10.0404, peep=5, compliance=50, resistance=10, rate=15, inspiratory_time=4 / 3
    )
    target = {"driving_pressure": wanted.tidal_volume / 50}.get(measure, wanted.end_inspiratory_alveolar_pressure)
    found = size(
        ideal(), BREATH, targets={"a": {measure: target}}, vary={"settings.inspiratory_pressure": (5, 40)}
    )
    assert value_of(found) == pytest.approx(10.0404, rel=1e-6)
    assert target == pytest.approx(exact, rel=0.1)


def test_plateau_pressure_by_the_volume():
    """VT = C (p_plat − PEEP)(1 − exp(−t_e/(R C))), from the closed form of volume control (physics.md 1.3)."""
    lung = vs.Lung(compliance=50, resistance=10)
    settings = vs.VolumeControl(tidal_volume=300, peep=5, rate=15, inspiratory_time=1, pause_time=0.3)
    found = size(
        vs.layouts.single(lung, ideal=True), settings, targets={"lung": {"plateau_pressure": 17}},
        vary={"settings.tidal_volume": (100, 2000)},
    )  # fmt: skip
    assert value_of(found) == pytest.approx(50 * 12 * (1 - np.exp(-3 / 0.5)), rel=1e-6)


def test_inspiratory_time_is_found_again():
    """0.7 s, from the closed form of physics.md 1.2."""
    exact = pressure_control(
        inspiratory_pressure=15, peep=5, compliance=50, resistance=10, rate=15, inspiratory_time=0.7
    ).tidal_volume
    circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    found = size(
        circuit, BREATH, targets={"lung": {"inspired_tidal_volume": exact}},
        vary={"settings.inspiratory_time": (0.2, 2)},
    )  # fmt: skip
    assert value_of(found) == pytest.approx(0.7, rel=1e-6)
    assert float(found.sensitivity_step[0]) == 0.1


def test_a_peep_valve_of_one_lung():
    """Behind a threshold of 4 cmH2O the lung breathes as between PEEP + 4 and the same top (physics.md 1.2)."""
    circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=9), one_way_valves=True, ideal=True)
    valve = PeepValve(opening_pressure=1.0, resistance=1.0)
    circuit = circuit.changed({"parts": {**circuit.parts, "lung expiratory valve": valve}})
    exact = pressure_control(
        inspiratory_pressure=11, peep=9, compliance=50, resistance=10, rate=15, inspiratory_time=4 / 3
    ).end_expiratory_alveolar_pressure
    path = "parts.lung expiratory valve.opening_pressure"
    found = size(circuit, BREATH, targets={"lung": {"total_peep": exact}}, vary={path: (0, 12)})
    assert value_of(found) == pytest.approx(4.0, rel=1e-6)
    assert np.isnan(found.equivalent_bore[0]) and found.sizes["option"] == 0


def test_sensitivity_of_a_linear_restrictor():
    """Derivative of the closed form of physics.md 1.2 at 20 cmH2O·s/L, here by central differences of it."""

    def exact(extra):
        return pressure_control(
            inspiratory_pressure=15, peep=5, compliance=50, resistance=10 + extra, expiratory_resistance=10,
            rate=15, inspiratory_time=4 / 3,
        ).tidal_volume  # fmt: skip

    target = {"a": {"inspired_tidal_volume": exact(20)}}
    found = size(ideal(), BREATH, targets=target, vary={LINEAR: (0, 200)})
    slope = (exact(20.01) - exact(19.99)) / 0.02
    assert float(found.tidal_volume_sensitivity[0, 0]) == pytest.approx(slope, rel=1e-4)
    assert float(found.tidal_volume_sensitivity[0, 1]) == pytest.approx(0.0, abs=1e-4)


def test_equivalent_hole_of_a_resistance():
    """Loss at the mean flow 440.408 mL in 4/3 s through 20 cmH2O·s/L, and the inverse law of the orifice."""
    found = size(ideal(), BREATH, targets={"a": {"inspired_tidal_volume": 440.408}}, vary={LINEAR: (0, 200)})
    flow = 0.440408 / (4 / 3)
    bore = orifice_bore(20 * flow, flow=flow)
    assert float(found.equivalent_bore[0]) == pytest.approx(bore, rel=1e-5)
    hole = found.sel(option=found.option_kind == "equivalent hole")
    circuit = ideal(restrictor=laws.Orifice(bore=float(found.equivalent_bore[0])))
    assert hole.option_tidal_volume.values[0] == pytest.approx(tidal_volumes(circuit, BREATH), rel=1e-6)


def test_equivalent_hole_of_an_expiratory_resistance():
    """There the flow that counts is that of expiration: the tidal volume in 8/3 s."""
    lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    circuit, path = add_restrictor(vs.layouts.shared(lungs), "a", limb="expiratory", resistance=0.0)
    found = size(circuit, BREATH, targets={"a": {"total_peep": 8}}, vary={path: (0, 200)})
    assert bool(found.feasible)
    flow = float(found.tidal_volume_after.sel(lung="a")) / 1000 / (8 / 3)
    bore = orifice_bore(value_of(found) * flow, flow=flow)
    assert float(found.equivalent_bore[0]) == pytest.approx(bore, rel=1e-9)
    assert float(found.total_peep_after.sel(lung="b")) < 8


def test_the_hole_of_a_quadratic_resistance_gives_the_target():
    """A hole is a quadratic resistance, whatever the flow."""
    circuit = ideal(restrictor=laws.Rohrer(quadratic=1.0))
    path = f"{LINEAR}.quadratic"
    found = size(circuit, BREATH, targets={"a": {"inspired_tidal_volume": 400}}, vary={path: (0, 2000)})
    hole = found.sel(option=found.option_kind == "equivalent hole")
    assert float(hole.option_tidal_volume[0, 0]) == pytest.approx(400, rel=1e-5)


# ---------------------------------------------------------------------------- answers known beforehand


@st.composite
def known_cases(draw):
    """Two lungs behind tubes, valves and turbulent holes, a breath that is feasible by construction."""

    def number(low, high):
        return draw(st.floats(low, high).map(lambda value: float(f"{value:.3g}")))

    lungs = {
        name: vs.Lung(
            compliance=number(20, 80), resistance=number(5, 25),
            expiratory_resistance=draw(st.none() | st.just(20.0)),
        )
        for name in "ab"
    }  # fmt: skip
    common = vs.PatientLimbs(
        inspiratory_tube=vs.Tube(length=number(0.5, 2)), filter=draw(st.sampled_from([None, vs.Filter()]))
    )
    circuit, path = add_restrictor(vs.layouts.shared(lungs, limbs=common), "b")
    timing = {"rate": number(10, 25), "peep": number(0, 10), "ie_ratio": 0.5}
    true = {path: number(2.5, 8)}
    if draw(st.booleans()):
        settings = vs.PressureControl(inspiratory_pressure=15, **timing)
        drive, value, limits = "settings.inspiratory_pressure", number(10, 22), (5, 40)
    else:
        settings = vs.VolumeControl(tidal_volume=700, **timing)
        drive, value, limits = "settings.tidal_volume", number(500, 1000), (200, 2000)
    if draw(st.booleans()):
        return circuit, settings, true | {drive: value}, {path: (1.5, 22), drive: limits}
    return circuit, settings, true, {path: (1.5, 22)}


@pytest.mark.slow
@hypothesis_settings(max_examples=80, deadline=None)
@given(known_cases())
def test_targets_made_from_a_known_answer_are_met(case):
    """What the known values give is asked for; the values found give it in a direct run, to the tolerance."""
    circuit, settings, true, vary = case
    known = with_values(circuit, settings, true)
    measures = vs.breath_measures(vs.steady_breath(*known, tolerance=1e-7)).inspired_tidal_volume.values[0]
    lungs = ("b", "a")[: len(vary)]
    targets = {lung: {"inspired_tidal_volume": float(measures["ab".index(lung)])} for lung in lungs}
    found = size(circuit, settings, targets=targets, vary=vary, drills=(4.0,), tolerance=1e-5)
    assert bool(found.feasible), found.attrs["reason"]
    values = dict(zip(found.quantity.values.tolist(), found.value.values.tolist(), strict=True))
    again = vs.breath_measures(vs.steady_breath(*with_values(circuit, settings, values), tolerance=1e-7))
    for lung, wanted in targets.items():
        reached = float(again.inspired_tidal_volume.sel(lung=lung)[0])
        assert reached == pytest.approx(wanted["inspired_tidal_volume"], rel=1.1e-5)
    # Wide holes differ little; where the volume tells the bore, it is the known one.
    slope = abs(float(found.tidal_volume_sensitivity.sel(quantity=HOLE, lung="b"))) / 0.1
    allowed = 10 * 1e-5 * measures.sum() / slope
    if len(vary) == 1 and slope > 1.0:
        assert values[HOLE] == pytest.approx(true[HOLE], abs=allowed)


@hypothesis_settings(max_examples=15, deadline=None)
@given(known_cases(), st.floats(1.02, 2.0))
def test_targets_above_the_widest_hole_are_not_met(case, factor):
    """More than a direct run with a hole as wide as its tube gives; the nearest is that hole."""
    circuit, settings, _, _ = case
    widest = float(vs.breath_measures(vs.steady_breath(circuit, settings)).inspired_tidal_volume[0, 1])
    target = {"b": {"inspired_tidal_volume": factor * widest}}
    found = size(circuit, settings, targets=target, vary={HOLE: (1.5, 22)}, tolerance=1e-5)
    assert not bool(found.feasible)
    assert float(found.reached[0]) == pytest.approx(widest, rel=1e-4)
    assert float(found.relative_miss[0]) == pytest.approx(1 / factor - 1, abs=1e-4)
    assert "Raise settings." in found.attrs["reason"]


def test_several_lungs():
    """Four lungs of random compliance (invented), three restrictors and the pressure; known values recovered."""
    compliances = np.random.default_rng(7).uniform(25, 60, 4)
    lungs = {n: vs.Lung(compliance=c, resistance=10) for n, c in zip("abcd", compliances, strict=True)}
    circuit, true, vary = vs.layouts.shared(lungs), {"settings.inspiratory_pressure": 17.0}, {}
    vary["settings.inspiratory_pressure"] = (5, 40)
    for lung, bore in zip("bcd", (4.0, 5.0, 3.5), strict=True):
        circuit, path = add_restrictor(circuit, lung)
        true[path], vary[path] = bore, (2, 22)
    volumes = tidal_volumes(circuit, BREATH, at=true)
    targets = {n: {"inspired_tidal_volume": float(v)} for n, v in zip("abcd", volumes, strict=True)}
    found = size(circuit, BREATH, targets=targets, vary=vary)
    assert bool(found.feasible)
    assert found.value.values == pytest.approx([true[p] for p in found.quantity.values], rel=1e-4)


# ---------------------------------------------------------------------------- holes near the answer


def test_drills_band_and_printed_holes_are_direct_runs():
    """Every option is compared with a direct run with that hole."""
    target = {"b": {"inspired_tidal_volume": 250}}
    found = size(real(), BREATH, targets=target, vary={HOLE: (2, 22)}, drills=(6, 2.5, 3.2, 3), bore_tolerance=0.2)
    bore = value_of(found)
    assert 2.5 < bore < 3.0
    named = dict(zip(found.option_name.values.tolist(), found.option_bore.values.tolist(), strict=True))
    drawn = next(name for name in named if "mean" in name)
    nominal = float(drawn.split()[1])
    assert named[drawn] == pytest.approx(bore, rel=1e-9)  # the mean printer makes just the hole that is wanted
    assert named[drawn.replace("mean", "narrowest")] == pytest.approx(printed_bore(nominal).narrowest, abs=0.006)
    assert named.pop("0.2 mm too narrow") == pytest.approx(bore - 0.2)
    assert named.pop("0.2 mm too wide") == pytest.approx(bore + 0.2)
    assert named.pop("drill 2.5 mm") == 2.5
    assert named.pop("drill 3 mm") == 3.0
    assert len(named) == 3
    for k, size_of_hole in enumerate(found.option_bore.values):
        direct = tidal_volumes(real(), BREATH, at={HOLE: float(size_of_hole)})
        assert found.option_tidal_volume[k].values == pytest.approx(direct, rel=1e-6)


def test_a_drill_that_fits_stands_alone_and_a_deviation_stays():
    """The orifice is 0.15 mm narrower than drawn, here as in the options."""
    circuit = real()
    circuit, _ = with_values(circuit, BREATH, {f"{RESTRICTOR}.resistance.bore_deviation": -0.15})
    target = float(tidal_volumes(circuit, BREATH, at={HOLE: 5.0})[1])
    found = size(
        circuit, BREATH, targets={"b": {"inspired_tidal_volume": target}}, vary={HOLE: (2, 22)},
        drills=(4.5, 5.0 + 1e-6, 5.5),
    )  # fmt: skip
    drills = found.sel(option=found.option_kind == "drill")
    assert drills.option_bore.values == pytest.approx([4.5, 5.0], abs=1e-5)
    direct = tidal_volumes(circuit, BREATH, at={HOLE: 4.5})
    assert drills.option_tidal_volume.values[0] == pytest.approx(direct, rel=1e-6)


def test_sensitivity_of_a_bore_is_that_of_direct_runs():
    """Central difference of direct runs 0.02 mm apart, and the band of the default tolerance."""
    found = size(real(), BREATH, targets={"b": {"inspired_tidal_volume": 400}}, vary={HOLE: (2, 22)})
    bore = value_of(found)
    more, less = (tidal_volumes(real(), BREATH, at={HOLE: bore + d}) for d in (0.01, -0.01))
    assert float(found.sensitivity_step[0]) == 0.1
    assert found.tidal_volume_sensitivity[0].values == pytest.approx((more - less) / 0.2, rel=1e-3, abs=1e-3)
    assert found.attrs["bore_tolerance_mm"] == 0.1


# ---------------------------------------------------------------------------- no answer


def test_a_target_above_the_widest_has_a_reason():
    """Fully open the lung gets 694.751 mL (physics.md, N2)."""
    found = size(ideal(), BREATH, targets={"a": {"inspired_tidal_volume": 750}}, vary={LINEAR: (0, 200)})
    assert not bool(found.feasible)
    assert float(found.reached[0]) == pytest.approx(694.751, abs=1e-3)
    assert value_of(found) == pytest.approx(0.0, abs=1e-9) and found.limit_hit.values.tolist() == ["low"]
    reason = found.attrs["reason"]
    assert "lung 'a': inspired tidal volume 694.751 mL at the nearest, target 750 mL." in reason
    assert "Raise settings.inspiratory_pressure" in reason and "widen the limit" in reason
    assert float(found.equivalent_bore[0]) == 22.0


def test_a_target_below_the_narrowest_has_a_reason():
    """A restrictor of at most 20 cmH2O·s/L leaves 440.408 mL (physics.md, N7)."""
    found = size(ideal(), BREATH, targets={"a": {"inspired_tidal_volume": 300}}, vary={LINEAR: (1, 20)})
    assert not bool(found.feasible)
    assert float(found.reached[0]) == pytest.approx(440.408, abs=1e-3)
    assert found.limit_hit.values.tolist() == ["high"]
    assert "Lower settings.inspiratory_pressure" in found.attrs["reason"]


def test_the_nearest_hole_is_as_wide_as_its_tube():
    """Where a wide hole changes next to nothing, the search goes on to the limit; compared with a direct run."""
    found = size(real(), BREATH, targets={"b": {"inspired_tidal_volume": 900}}, vary={HOLE: (2, 22)})
    assert value_of(found) == 22.0 and found.limit_hit.values.tolist() == ["high"]
    assert float(found.reached[0]) == pytest.approx(tidal_volumes(real(), BREATH, at={HOLE: 22.0})[1], rel=1e-6)
    assert found.tidal_volume_sensitivity[0].values == pytest.approx(0.0, abs=0.01)


def test_contradicting_targets_have_a_reason():
    """In volume control without stored gas two restrictors only move gas: the sum stays the set 700 mL."""
    circuit, path = add_restrictor(ideal(), "b", resistance=0.0)
    settings = vs.VolumeControl(tidal_volume=700, rate=15, ie_ratio=0.5)
    targets = {name: {"inspired_tidal_volume": 400} for name in "ab"}
    found = size(circuit, settings, targets=targets, vary={LINEAR: (1, 200), path: (1, 200)})
    assert not bool(found.feasible)
    # The least sum of squares of equal relative misses with a sum of 700 is at 350 each.
    assert found.reached.values == pytest.approx([350, 350], rel=1e-3)
    assert "move the targets together" in found.attrs["reason"]
    assert "Raise settings.tidal_volume" in found.attrs["reason"]


def test_nearest_is_the_least_sum_of_squares():
    """No restrictor and pressure on a grid come nearer, by the closed form of physics.md 1.2.

    Lungs without a shared resistance do not affect each other.
    """

    def volumes(extra, pressure):
        return np.array(
            [
                pressure_control(
                    inspiratory_pressure=pressure, peep=5, compliance=c, resistance=10 + e,
                    expiratory_resistance=10, rate=15, inspiratory_time=4 / 3,
                ).tidal_volume
                for c, e in ((50, extra), (25, 0.0))
            ]
        )  # fmt: skip

    wanted = np.array([900.0, 300.0])  # the restrictor can only lower the first
    targets = {name: {"inspired_tidal_volume": v} for name, v in zip("ab", wanted, strict=True)}
    vary = {LINEAR: (0, 100), "settings.inspiratory_pressure": (5, 40)}
    found = size(ideal(), BREATH, targets=targets, vary=vary)
    grid = [((volumes(e, p) / wanted - 1) ** 2).sum() for e in (0, 1, 5) for p in np.linspace(5, 40, 351)]
    assert not bool(found.feasible)
    assert float((found.relative_miss**2).sum()) <= min(grid) + 1e-9
    assert "vary settings.inspiratory_pressure too" not in found.attrs["reason"]


def test_no_steady_breath_at_all():
    """An effort that does not repeat with the breath has no steady breath."""
    effort = HalfSineEffort(amplitude=5, duration=1, rate=11)
    lung = vs.Lung(compliance=50, resistance=10, effort=effort)
    circuit = vs.layouts.single(lung)
    with pytest.raises(SolverError, match="no steady breath to begin with"):
        size(
            circuit, BREATH, targets={"lung": {"inspired_tidal_volume": 400}},
            vary={"settings.inspiratory_pressure": (5, 30)},
        )  # fmt: skip


@pytest.mark.parametrize("deviation", [0.06, 0.0, -0.15, 0.1, -0.3])
def test_the_widest_hole_of_a_drill_that_is_off(deviation):
    """At most as wide as its tube of 22 mm, less what is added in making it; direct runs without a hole."""
    lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    plain = vs.layouts.shared(lungs)
    circuit, path = add_restrictor(plain, "b", bore_deviation=deviation)
    hole = circuit.parts["b inspiratory restrictor"].resistance
    assert hole.bore == pytest.approx(22.0 - deviation, abs=1e-12) and hole.true_bore <= 22.0
    assert hole.bore_deviation == deviation
    assert tidal_volumes(circuit, BREATH) == pytest.approx(tidal_volumes(plain, BREATH), rel=1e-8)
    found = size(circuit, BREATH, targets={"b": {"inspired_tidal_volume": 900}}, vary={path: (1, "widest")})
    assert float(found.high_limit[0]) == value_of(found) == hole.bore
    assert found.limit_hit.values.tolist() == ["high"]
    # What is drilled for a target differs by the deviation, and the true hole does not.
    target = {"b": {"inspired_tidal_volume": 400}}
    drilled = value_of(size(circuit, BREATH, targets=target, vary={path: (1, "widest")}))
    true = value_of(size(real(), BREATH, targets=target, vary={HOLE: (1, 22)}))
    assert drilled + deviation == pytest.approx(true, rel=1e-5)


def test_a_limit_that_a_deviation_makes_too_wide_is_refused():
    """22 mm are 22.06 mm when drilled; at most 22 − 0.06 = 21.94."""
    lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    circuit, path = add_restrictor(vs.layouts.shared(lungs), "b", bore_deviation=0.06)
    words = r"(?s)limit 22 mm with bore_deviation 0\.06 mm does not fit.*at most 21\.94 mm.*\"widest\""
    with pytest.raises(InputError, match=words):
        size(circuit, BREATH, targets={"b": {"inspired_tidal_volume": 400}}, vary={path: (2, 22)})


# ---------------------------------------------------------------------------- gas that goes round


@pytest.mark.parametrize("arrangement", ["star", "tree", "chain"])
def test_a_restrictor_that_gas_goes_round_has_a_note(arrangement):
    """Without valves lung b fills backwards; direct runs at both limits show how little the hole does."""
    circuit = real(one_way_valves=False, arrangement=arrangement)
    found = size(circuit, BREATH, targets={"b": {"inspired_tidal_volume": 400}}, vary={HOLE: (2, 22)})
    low, high = (tidal_volumes(circuit, BREATH, at={HOLE: bore})[1] for bore in (2.0, 22.0))
    assert high / low - 1 < LITTLE
    note = found.attrs["notes"]
    assert f"changes from {low:.4g} to {high:.4g} mL" in note
    assert "does little" in note and "one-way valve into the expiratory limb" in note
    assert "Gas goes round a restrictor" in found.attrs["reason"]
    assert "Note:" in str(sizing_table(found))


def test_with_valves_and_elsewhere_there_is_no_note():
    """Neither where the expiratory valve closes the way, nor for one lung, nor in the expiratory limb."""
    target = {"b": {"inspired_tidal_volume": 400}}
    assert size(real(), BREATH, targets=target, vary={HOLE: (2, 22)}).attrs["notes"] == ""
    assert way_in(real(one_way_valves=False).graph(), "b.airway", without="b inspiratory restrictor") is not None
    assert way_in(real().graph(), "b.airway", without="b inspiratory restrictor") is None
    one, _ = add_restrictor(vs.layouts.single(vs.Lung(compliance=50, resistance=10)), "lung")
    assert way_in(one.graph(), "lung.airway", without="lung inspiratory restrictor") is None


def test_a_valve_stuck_open_is_a_way():
    """The state of the valve counts, not that there is one."""
    circuit = real()
    stuck = circuit.parts["b expiratory valve"].changed(state="stuck open")
    both = {"a expiratory valve": stuck, "b expiratory valve": stuck}
    graph = circuit.changed({"parts": {**circuit.parts, **both}}).graph()
    way = way_in(graph, "b.airway", without="b inspiratory restrictor")
    assert way is not None and "b expiratory tube" in way


# ---------------------------------------------------------------------------- putting a restrictor in


@pytest.mark.parametrize("limb", ["inspiratory", "expiratory"])
@pytest.mark.parametrize("one_way_valves", [True, False])
def test_an_open_orifice_changes_nothing(limb, one_way_valves):
    """As wide as the tube it loses nothing: the breath is that without it."""
    lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    plain = vs.layouts.shared(lungs, one_way_valves=one_way_valves)
    circuit, path = add_restrictor(plain, "b", limb=limb)
    assert path == f"limbs.b.{limb}_restrictor.resistance.bore"
    assert tidal_volumes(circuit, BREATH) == pytest.approx(tidal_volumes(plain, BREATH), rel=1e-8)


@pytest.mark.parametrize("limb", ["inspiratory", "expiratory"])
def test_it_sits_where_the_layouts_have_it(limb):
    """The same circuit as one made with the restrictor from the beginning."""
    hole = laws.Orifice(bore=4)
    lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    field = {f"{limb}_restrictor": vs.Restrictor(resistance=hole)}
    made = vs.layouts.shared(lungs, limbs={"b": vs.PatientLimbs(**field)})
    circuit, _ = add_restrictor(vs.layouts.shared(lungs), "b", limb=limb, resistance=hole)
    assert circuit.parts == made.parts
    assert circuit == made and circuit.layout.circuit == made
    # Into a circuit that was joined part by part, too.
    plain = vs.layouts.shared(lungs)
    joined = vs.Circuit(parts=plain.parts, joints=plain.joints)
    joined, path = add_restrictor(joined, "b", limb=limb, resistance=hole)
    assert path == f"parts.b {limb} restrictor.resistance.bore" and joined.parts == made.parts
    assert {frozenset(joint) for joint in joined.joints} == {frozenset(joint) for joint in made.joints}


def test_the_path_is_that_of_the_value_to_vary():
    """By the law of the restrictor."""
    plain = vs.layouts.shared({name: vs.Lung(compliance=50, resistance=10) for name in "ab"})
    valve = laws.AdjustableCurve(
        openings=(1.0, 2.0), flows=(0.5, 1.0), pressure_drops=((9.0, 36.0), (1.0, 4.0)), opening=1.5
    )
    values = {
        "": 5.0,
        ".opening": valve,
        ".bore": None,
        ".linear": laws.Rohrer(linear=5, quadratic=2),
        ".quadratic": laws.Rohrer(quadratic=5),
    }
    for field, resistance in values.items():
        assert add_restrictor(plain, "a", resistance=resistance)[1] == LINEAR + field
    with pytest.raises(CircuitError, match=r"law 'power' has no one value to vary\.\n  Use laws\.Rohrer"):
        add_restrictor(plain, "a", resistance=laws.PowerLaw(coefficient=6.5, exponent=1.75))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lung": "c"}, "no lung 'c'"),
        ({"limb": "inspiratry"}, "Did you mean 'inspiratory'"),
        ({"resistance": "wide"}, "resistance 'wide' is not a number"),
        ({"resistance": 5.0, "bore_deviation": 0.1}, "(?s)a resistance, and a bore_deviation 0.1 mm.*Give the"),
    ],
)
def test_wrong_restrictors_are_refused(change, words):
    plain = vs.layouts.shared({name: vs.Lung(compliance=50, resistance=10) for name in "ab"})
    asked = {"lung": "b"} | change
    with pytest.raises(InputError, match=words):
        add_restrictor(plain, asked.pop("lung"), **asked)


def test_without_vary_the_hole_that_is_there_varies():
    """As with its bore named; in a circuit of a layout by the path of the limb, otherwise by that of the part."""
    targets, hole = {"b": {"inspired_tidal_volume": 400}}, laws.Orifice(bore=3, bore_deviation=0.06)
    limbs = {"b": vs.PatientLimbs(inspiratory_restrictor=vs.Restrictor(resistance=hole))}
    narrow = real().layout.changed(limbs=limbs).circuit
    named = size(narrow, BREATH, targets=targets, vary={HOLE: (1, "widest")})
    found = size(narrow, BREATH, targets=targets)
    assert found.quantity.values.tolist() == [HOLE] and bool(found.feasible)
    assert value_of(found) == value_of(named) and float(found.value_before[0]) == 3.0
    joined = vs.Circuit(parts=narrow.parts, joints=narrow.joints)
    found = size(joined, BREATH, targets=targets)
    assert found.quantity.values.tolist() == ["parts.b inspiratory restrictor.resistance.bore"]
    assert value_of(found) == value_of(named)


def test_a_second_restrictor_and_a_strange_circuit_are_refused():
    words = r"already\.\n  Vary a value of it: 'limbs\.b\.inspiratory_restrictor\.resistance\.\.\.'"
    with pytest.raises(CircuitError, match=words):
        add_restrictor(real(), "b")
    with pytest.raises(CircuitError, match=words.replace(r"\.b\.", r"\.a\.")):
        size(ideal(restrictor=5.0), BREATH, targets={"a": {"inspired_tidal_volume": 400}})
    circuit = vs.Circuit(
        parts={"y": vs.YPiece(), "a": vs.Lung(compliance=50, resistance=5)},
        joints=[
            ("ventilator.inspiratory", "y.inspiratory"),
            ("y.patient", "a.airway"),
            ("y.expiratory", "ventilator.expiratory"),
        ],
    )
    with pytest.raises(CircuitError, match="no tube 'a inspiratory tube'"):
        add_restrictor(circuit, "a")


# ---------------------------------------------------------------------------- wrong questions

GOOD = {"b": {"inspired_tidal_volume": 400.0}}
BOTH = {HOLE: (2, 22), "settings.inspiratory_pressure": (5, 30)}


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"targets": {}}, "targets: there is none"),
        ({"targets": {"bb": {"inspired_tidal_volume": 400.0}}}, "no lung 'bb'.\n  .*'b'"),
        ({"targets": {"b": 400.0}}, "not values of measures"),
        ({"targets": {"b": {"tidal_volume": 400.0}}}, "Did you mean 'inspired_tidal_volume'"),
        ({"targets": {"b": {"inspired_tidal_volume": 0.0}}}, "inspired_tidal_volume 0 mL is not allowed"),
        ({"targets": {"b": {"driving_pressure": -3.0}}}, "driving_pressure -3 cmH2O is not allowed"),
        ({"targets": {"b": {"driving_pressure": "high"}}}, "'high' is not a number"),
        ({"targets": {"b": {"driving_pressure": float("nan")}}}, "nan cmH2O is not allowed"),
        ({"targets": {"b": {"plateau_pressure": 20.0}}}, "needs a pause"),
        ({"vary": {}}, "vary: there is nothing"),
        (
            {"vary": {"parts.b inspiratry restrictor.x": (2, 22)}},
            "Did you mean 'b inspiratory restrictor'",
        ),
        ({"vary": {f"{RESTRICTOR}.resistance.boar": (2, 22)}}, "Did you mean 'bore'"),
        ({"vary": {f"{RESTRICTOR}.resistance.edge": (2, 22)}}, "'thick', not a number"),
        ({"vary": {"settings.ie_ratio": (0.2, 1)}}, "has no value now"),
        ({"vary": {HOLE: (22, 2)}}, "lower one comes first"),
        ({"vary": {HOLE: (3, 3)}}, "lower one comes first"),
        ({"vary": {HOLE: 4}}, "Give two numbers"),
        ({"vary": {HOLE: (0, 22)}}, "limit 0 mm is not allowed"),
        ({"vary": {HOLE: (2, 30)}}, "limit 30 mm does not fit a tube_bore of 22 mm.\n  Allowed: at most 22 mm"),
        ({"vary": {HOLE: (2, "wide")}}, "'wide' is not a number"),
        ({"vary": {HOLE: ("widest", 22)}}, "'widest' is not a number"),
        ({"vary": {"settings.peep": (2, "widest")}}, 'has no "widest": it is not the bore of an orifice'),
        ({"vary": {"parts.b inspiratory tube.bore": (2, "widest")}}, 'has no "widest"'),
        ({"vary": BOTH}, "there is 1 target and 2 values to vary.\n.*Add a target"),
        (
            {"targets": {"b": {"inspired_tidal_volume": 400.0, "driving_pressure": 9.0}}},
            "there are 2 targets and 1 value to vary.\n.*Leave a target out",
        ),
        ({"vary": {"lungs.b.compliance": (20, 60), "parts.b.compliance": (20, 60)}}, "lead to the same value"),
        ({"drills": ()}, "no list of bores"),
        ({"drills": (4.0, -1.0)}, "drills: drill -1 mm is not allowed"),
        ({"bore_tolerance": 0.0}, "bore_tolerance 0 mm is not allowed"),
        ({"bore_tolerance": "wide"}, "bore_tolerance 'wide' is not a number"),
        ({"tolerance": 0.5}, "tolerance 0.5 is not allowed"),
        ({"tolerance": None}, "tolerance None is not a number"),
    ],
)
def test_wrong_questions_are_refused(asked, words):
    question = {"targets": GOOD, "vary": {HOLE: (2, 22)}} | asked
    with pytest.raises(InputError, match=f"(?s){words}"):
        size(real(), BREATH, **question)


def test_an_unlikely_target_is_warned_of():
    """0.4 mL is 400 mL in litres."""
    with (
        pytest.warns(PlausibilityWarning, match=r"Did you mean 400 \(0.4 L\)"),
        pytest.raises(InputError, match="1 target and 2 values"),
    ):
        size(real(), BREATH, targets={"b": {"inspired_tidal_volume": 0.4}}, vary=BOTH)


# ---------------------------------------------------------------------------- the Dataset and its text


def test_the_answer_is_labelled_saved_and_printed(tmp_path):
    """Every variable says what it is; a file holds all of it; the text shows the numbers."""
    targets = {"a": {"driving_pressure": 12.0}, "b": {"inspired_tidal_volume": 400.0}}
    found = size(real(), BREATH, targets=targets, vary=BOTH)
    assert all(found[name].attrs["long_name"] for name in found.data_vars)
    assert found.quantity_unit.values.tolist() == ["mm", "cmH2O"]
    assert found.target.values.tolist() == ["a driving_pressure", "b inspired_tidal_volume"]
    found.to_netcdf(tmp_path / "sizing.nc")
    with xr.open_dataset(tmp_path / "sizing.nc") as read:
        xr.testing.assert_equal(read.load(), found)
        assert read.attrs["drills"] == "common practice, no source"
    text = str(sizing_table(found))
    assert "All targets are met." in text and "not for deciding about a patient" in text
    assert f"{value_of(found, HOLE):.2f}" in text
    for name in found.option_name.values:
        assert str(name) in text
    frames = sizing_table(found).frames
    for lung in "ab":
        row = found.sel(lung=lung)
        before, after = (frames["lungs"].loc[(lung, when)] for when in ("before", "after"))
        for name in ("tidal_volume", "driving_pressure", "auto_peep"):
            assert (before[name], after[name]) == (float(row[f"{name}_before"]), float(row[f"{name}_after"]))
        (line,) = (line for line in text.splitlines() if line.split()[:2] == [lung, "after"])
        assert f" {float(row.tidal_volume_after):.1f} " in line
    assert frames["values"].loc[HOLE, "quantity_unit"] == "mm"
    assert frames["targets"]["relative_miss"].abs().max() < 1e-4
    assert frames[f"options for {HOLE}"].shape == (found.sizes["option"], 3)


def test_the_answer_is_a_scenario_again(tmp_path):
    """A scenario in, the same with the values found out: it runs and goes to a file."""
    scenario = vs.Scenario(title="ward", circuit=real(), settings=BREATH)
    found = size_restrictors(scenario, targets=GOOD, vary={HOLE: (2, 22)})
    assert found.feasible and found.scenario.title == "ward"
    assert found.scenario.value(HOLE) == value_of(found.results)
    assert found.scenario == scenario.replaced({HOLE: value_of(found.results)})
    volumes = vs.breath_measures(vs.steady_breath(found.scenario, tolerance=1e-9)).inspired_tidal_volume
    assert float(volumes.sel(lung="b")[0]) == pytest.approx(400.0, rel=1e-5)
    found.scenario.save(tmp_path / "sized.toml")
    assert vs.Scenario.read(tmp_path / "sized.toml") == found.scenario
    of_circuit = size(real(), BREATH, targets=GOOD, vary={HOLE: (2, 22)})
    assert found.results.drop_attrs().identical(of_circuit.drop_attrs())


def test_by_default_an_orifice_varies_for_each_target():
    """Lung a gets a hole in its limb by itself; the same as putting it in by hand."""
    lungs = {"a": vs.Lung(compliance=30, resistance=10), "b": vs.Lung(compliance=50, resistance=10)}
    found = size_restrictors(vs.layouts.shared(lungs, arrangement="star"), BREATH, targets=GOOD)
    by_hand = size_restrictors(real(), BREATH, targets=GOOD, vary={HOLE: (1, "widest")})
    assert found.results.quantity.values.tolist() == [HOLE]
    assert value_of(found.results) == value_of(by_hand.results)


def test_a_restrictor_that_is_not_there():
    path = "parts.a inspiratory restrictor.resistance"
    lung = vs.Lung(compliance=50, resistance=10)
    circuit = vs.layouts.shared({"a": lung, "b": lung})
    with pytest.raises(InputError, match=r"no .a inspiratory restrictor.*\n  Put one in with ventsim\.studies"):
        size(circuit, BREATH, targets={"a": {"inspired_tidal_volume": 400.0}}, vary={path: (0.0, 50.0)})


def test_the_text_of_no_answer_says_why():
    found = size(ideal(), BREATH, targets={"a": {"inspired_tidal_volume": 750}}, vary={LINEAR: (0, 200)})
    text = str(sizing_table(found))
    assert "cannot be met" in text and "694.751 mL at the nearest" in text
    with pytest.raises(SchemaError, match="no result of a sizing"):
        sizing_table(xr.Dataset())
