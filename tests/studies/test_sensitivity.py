"""Sensitivity matrix: against derivatives of closed forms, and what is scaled of each kind of lung."""

import math

import matplotlib as mpl
import numpy as np
import pytest

from ventsim import (
    HalfSineEffort,
    Lung,
    PressureControl,
    Region,
    Ventilator,
    VolumeControl,
    builtin,
    laws,
)
from ventsim.errors import InputError, SchemaError, SolverError
from ventsim.model.layouts import shared
from ventsim.model.parts import LungPart, Store
from ventsim.studies.sensitivity import scaled_lung, sensitivity_matrix
from ventsim.theory import parallel_lungs
from ventsim.view.plot import sensitivity_matrix as draw

mpl.use("Agg")
import matplotlib.pyplot as plt

RATE, TI, DRIVE, PEEP = 15.0, 4.0 / 3.0, 15.0, 5.0
SQUARE = PressureControl(inspiratory_pressure=DRIVE, peep=PEEP, rate=RATE, inspiratory_time=TI)
CONSTANT = VolumeControl(tidal_volume=900.0, peep=PEEP, rate=RATE, inspiratory_time=TI)
BOTH_MODES = {"square": SQUARE, "constant": CONSTANT}


@pytest.fixture(autouse=True)
def _no_figure_is_left_open():
    yield
    plt.close("all")


def ideal(compliances, resistances, *, shared_resistance=0.0):
    """Lungs behind one resistance, without anything else (cases N2 to N5 of the reference)."""
    lungs = {
        name: Lung(compliance=c, resistance=r)
        for name, c, r in zip("abcd", compliances, resistances, strict=False)
    }
    machine = Ventilator(
        source_resistance=shared_resistance,
        exhalation_resistance=shared_resistance,
        flow_limit=None,
        relief_pressure=None,
    )
    return shared(lungs, ideal=True, one_way_valves=False, ventilator=machine)


def effects_of_one_lung(compliance, resistance):
    """Derivatives by hand of ln V, V = C Δp (1-a)(1-b)/(1-ab), a = exp(-ti/RC), b = exp(-te/RC)."""
    tau = resistance * compliance / 1000.0
    x, y = TI / tau, (60.0 / RATE - TI) / tau
    a, b = math.exp(-x), math.exp(-y)
    of_time_constant = -a * x / (1 - a) - b * y / (1 - b) + a * b * (x + y) / (1 - a * b)
    return 1.0 + of_time_constant, of_time_constant


def effects_of_closed_form(compliances, resistances, shared_resistance):
    """Numerical derivatives (fourth order, step 2e-3) of the closed form of lungs in parallel."""
    step, effects = 2e-3, []

    def logs(c, r):
        breath = parallel_lungs(
            inspiratory_pressure=DRIVE, peep=PEEP, compliance=c, resistance=r,
            shared_resistance=shared_resistance, rate=RATE, inspiratory_time=TI,
        )  # fmt: skip
        return np.log(breath.tidal_volume)

    c, r = np.array(compliances, dtype=float), np.array(resistances, dtype=float)
    for of_compliance in (True, False):
        rows = []
        for j in range(c.size):
            at = {}
            for k in (-2, -1, 1, 2):
                factor = np.where(np.arange(c.size) == j, math.exp(k * step), 1.0)
                at[k] = logs(c * factor, r) if of_compliance else logs(c, r * factor)
            rows.append((8 * (at[1] - at[-1]) - (at[2] - at[-2])) / (12 * step))
        effects.append(np.array(rows))
    return effects


def test_behind_an_ideal_source_lungs_do_not_interact():
    """Closed form of one lung on the diagonal, 0 elsewhere; case N2 of lungs in parallel, and a slow one."""
    compliances, resistances = (50.0, 25.0, 80.0), (10.0, 10.0, 30.0)
    found = sensitivity_matrix(ideal(compliances, resistances), SQUARE, progress=False).isel(mode=0)
    wanted = [effects_of_one_lung(c, r) for c, r in zip(compliances, resistances, strict=True)]
    np.testing.assert_allclose(found.compliance_effect, np.diag([w[0] for w in wanted]), rtol=0, atol=1e-7)
    np.testing.assert_allclose(found.resistance_effect, np.diag([w[1] for w in wanted]), rtol=0, atol=1e-7)
    assert wanted[2][1] < -0.4  # the slow lung depends on its resistance


@pytest.mark.parametrize(
    ("compliances", "resistances", "shared_resistance"),
    [((50, 25), (10, 10), 5.0), ((20, 30, 40, 50), (10, 10, 10, 10), 3.0), ((50, 50), (5, 20), 3.0)],
    ids=["N3", "like N5", "like N4"],
)
def test_behind_a_shared_resistance(compliances, resistances, shared_resistance):
    """Lungs of the cases of parallel lungs in one breath; what one lung gains, the others lose."""
    circuit = ideal(compliances, resistances, shared_resistance=shared_resistance)
    found = sensitivity_matrix(circuit, SQUARE, progress=False).isel(mode=0)
    of_compliance, of_resistance = effects_of_closed_form(compliances, resistances, shared_resistance)
    np.testing.assert_allclose(found.compliance_effect, of_compliance, rtol=0, atol=1e-7)
    np.testing.assert_allclose(found.resistance_effect, of_resistance, rtol=0, atol=1e-7)
    others = ~np.eye(len(compliances), dtype=bool)
    assert (found.compliance_effect.values[others] < -0.01).all()
    assert found.noise_of_effects < 1e-5


def test_in_volume_control_the_volumes_are_only_shared_out():
    """What the ventilator delivers does not change: effects weighted by volumes add up to 0."""
    found = sensitivity_matrix(ideal((50, 25), (10, 20)), SQUARE, modes=BOTH_MODES, progress=False)
    assert found.mode.values.tolist() == ["square", "constant"]
    for effect in ("compliance_effect", "resistance_effect"):
        total = (found[effect] * found.tidal_volume).sum("lung") / found.tidal_volume.sum("lung")
        np.testing.assert_allclose(total.sel(mode="constant"), 0.0, atol=1e-8)
    assert abs(found.compliance_effect.sel(mode="constant", changed="a", lung="b")) > 0.1
    assert found.tidal_volume.sel(mode="constant").sum() == pytest.approx(900.0, rel=1e-8)


def test_step_and_tolerance_do_not_matter_in_a_real_circuit():
    """Quadratic tubes and valves: half the step, ten times the tolerance; 1e-5 is what the docstring says."""
    scenario = builtin("two-unequal-lungs")
    usual = sensitivity_matrix(scenario, progress=False)
    other = sensitivity_matrix(scenario, step=0.005, tolerance=1e-9, threads=1, progress=False)
    for effect in ("compliance_effect", "resistance_effect"):
        np.testing.assert_allclose(other[effect], usual[effect], rtol=0, atol=1e-5)
    assert usual.noise_of_effects < 1e-5
    assert usual.attrs["caution"].startswith("For research")
    assert usual.compliance_effect.attrs["units"] == "%/%"


def test_threads_change_no_bit():
    circuit = ideal((50, 25), (10, 10), shared_resistance=5.0)
    results = [sensitivity_matrix(circuit, SQUARE, threads=threads, progress=False) for threads in (1, 3)]
    assert results[0].identical(results[1])


REGIONS = (Region(compliance=20, resistance=15, expiratory_resistance=20), Region(compliance=30, resistance=40))
ELASTIC = (
    laws.Sigmoid(vital_capacity=2000, inflection_pressure=15, width=5),
    laws.Exponential(largest_volume=2500, pressure_rate=0.06),
    laws.VolumeDependent(elastance=0.01, volume_elastance=1e-5),
    laws.ElasticSum(
        laws=(laws.Exponential(largest_volume=2500, pressure_rate=0.06), laws.VolumeDependent(elastance=0.01))
    ),
)
AIRWAYS = (
    laws.Rohrer(linear=5, quadratic=8),
    laws.PowerLaw(coefficient=8, exponent=1.75),
    laws.MeasuredCurve(flows=(0.5, 1.0, 2.0), pressure_drops=(4.0, 10.0, 30.0)),
    laws.Series(laws=(laws.Rohrer(linear=5), laws.PowerLaw(coefficient=8, exponent=1.75))),
)


@pytest.mark.parametrize("law", ELASTIC, ids=lambda law: law.kind)
def test_a_lung_with_a_pressure_volume_law_takes_more_at_every_pressure(law):
    """Scaled by 1.2: at 1.2 times the volume the pressure is the same, with the chest wall too."""
    lung = Lung(compliance=law, resistance=10, expiratory_resistance=14, chest_wall_compliance=150)
    more = scaled_lung(lung, compliance=1.2, resistance=0.5)
    volume = np.linspace(10.0, 700.0, 9)
    wanted = lung.elastic_law.pressure(volume)
    np.testing.assert_allclose(more.elastic_law.pressure(1.2 * volume), wanted, rtol=1e-12)
    assert (more.resistance, more.expiratory_resistance) == (5.0, 7.0)
    assert more.relaxation_volume == lung.relaxation_volume


@pytest.mark.parametrize("law", AIRWAYS, ids=lambda law: law.kind)
def test_a_flow_law_loses_more_at_every_flow(law):
    more = scaled_lung(Lung(compliance=50, resistance=law), resistance=1.5)
    flow = np.linspace(-1.5, 1.5, 7)
    np.testing.assert_allclose(more.resistance.pressure_drop(flow), 1.5 * law.pressure_drop(flow), rtol=1e-12)
    assert more.compliance == 50.0


def test_everything_of_a_lung_with_regions_is_scaled():
    lung = Lung(
        resistance=4,
        regions=REGIONS,
        collateral_resistance=500,
        effort=HalfSineEffort(amplitude=5, duration=0.8, rate=15),
    )
    more = scaled_lung(lung, compliance=2.0, resistance=3.0)
    assert [region.compliance for region in more.regions] == [40.0, 60.0]
    assert [region.resistance for region in more.regions] == [45.0, 120.0]
    assert [region.expiratory_resistance for region in more.regions] == [60.0, None]
    assert (more.resistance, more.collateral_resistance) == (12.0, 1500.0)
    assert more.effort == lung.effort


def test_lungs_of_all_kinds_in_one_study():
    """Two equal regions, and laws that are straight lines, are lungs of the closed form of one lung."""
    region = Region(compliance=25, resistance=16)
    circuit = shared(
        {
            "regions": Lung(resistance=2, regions=(region, region)),
            "law": Lung(compliance=laws.VolumeDependent(elastance=0.02), resistance=laws.Rohrer(linear=10)),
        },
        ideal=True,
        one_way_valves=False,
    )
    found = sensitivity_matrix(circuit, SQUARE, progress=False).isel(mode=0)
    # 2 + 16/2 = 10 cmH2O·s/L before 50 mL/cmH2O; 1/0.02 = 50 mL/cmH2O
    of_compliance, of_resistance = effects_of_one_lung(50.0, 10.0)
    np.testing.assert_allclose(found.compliance_effect, np.diag([of_compliance] * 2), rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.resistance_effect, np.diag([of_resistance] * 2), rtol=0, atol=1e-6)


class BagOfFixedMake(LungPart):
    """A lung of a user's own making, without fields that could be scaled."""

    kind = "bag of fixed make"
    relaxation_volume: float = 0.0
    predicted_body_weight: float | None = None

    @property
    def compartments(self):
        return ("bag",)

    @property
    def compartment_weights(self):
        return (1.0,)

    def elements(self):
        return (*Lung(compliance=50, resistance=10).elements()[:1], Store("alveoli", 50.0))


def test_what_cannot_be_scaled_is_refused():
    circuit = shared({"a": Lung(compliance=50, resistance=10), "bag": BagOfFixedMake()})
    with pytest.raises(InputError, match=r"lung 'bag' \(BagOfFixedMake\) has no compliance that could be scaled"):
        sensitivity_matrix(circuit, SQUARE)
    with pytest.raises(InputError, match="has no compliance that could be scaled"):
        scaled_lung(BagOfFixedMake())


def test_wrong_input():
    circuit = ideal((50, 25), (10, 10))
    with pytest.raises(InputError, match=r"sensitivity_matrix: got 'circuit', but a scenario is needed"):
        sensitivity_matrix("circuit", SQUARE)
    with pytest.raises(InputError, match=r"sensitivity_matrix: step 0\.5 is not allowed"):
        sensitivity_matrix(circuit, SQUARE, step=0.5)
    with pytest.raises(InputError, match=r"modes: \{\} holds no breath"):
        sensitivity_matrix(circuit, SQUARE, modes={})
    with pytest.raises(InputError, match="modes: 'square' is 5, which is no breath"):
        sensitivity_matrix(circuit, SQUARE, modes={"square": 5})
    with pytest.raises(InputError, match="tolerance 1 is not allowed"):
        sensitivity_matrix(circuit, SQUARE, tolerance=1.0)


def test_a_breath_that_is_not_there_is_an_error():
    """An effort that does not come with the breaths: no steady breath. A closed valve: no volume to change."""
    effort = HalfSineEffort(amplitude=5, duration=0.8, rate=13)
    lungs = {"a": Lung(compliance=50, resistance=10, effort=effort), "b": Lung(compliance=50, resistance=10)}
    with pytest.raises(InputError, match="pressure control, as it is: no breath repeats itself"):
        sensitivity_matrix(shared(lungs), SQUARE, progress=False)
    scenario = builtin("two-unequal-lungs")
    closed = scenario.replaced({"parts.b inspiratory valve.state": "stuck closed"})
    with pytest.raises(SolverError, match="as it is: a lung gets no volume"):
        sensitivity_matrix(closed, progress=False)


def test_the_picture_shows_every_number():
    found = sensitivity_matrix(ideal((50, 25), (10, 20)), SQUARE, modes=BOTH_MODES, progress=False)
    axes = draw(found)
    assert axes.shape == (2, 2)
    assert [ax.get_title(loc="left") for ax in axes.ravel()] == [
        "square: compliance", "constant: compliance", "square: resistance", "constant: resistance",
    ]  # fmt: skip
    for column, mode in enumerate(("square", "constant")):
        for row, name in enumerate(("compliance_effect", "resistance_effect")):
            texts = [text.get_text() for text in axes[row, column].texts]
            numbers = found[name].sel(mode=mode).values.ravel()
            assert [float(text.replace("−", "-")) for text in texts] == pytest.approx(numbers, abs=6e-4)
    assert axes[0, 0].texts[1].get_text() == "0"  # an ideal source
    axes[0, 0].figure.canvas.draw()
    with pytest.raises(SchemaError, match="sensitivity_matrix needs 4 Axes"):
        draw(found, axes=[plt.figure().add_subplot()])
    with pytest.raises(SchemaError, match=r"'compliance_effect' with dims \(mode, changed, lung\) is missing"):
        draw(found.drop_vars("compliance_effect"))
