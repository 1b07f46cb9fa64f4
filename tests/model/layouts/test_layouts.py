"""Ready-made circuits: which parts they have, how they hang together, and what an ideal circuit leaves out."""

import warnings
from collections import Counter

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventsim import layouts
from ventsim.errors import CircuitError, InputError, PartError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.layouts import Layout, PatientLimbs, shared, single
from ventsim.model.parts import (
    Adapter,
    Filter,
    Lung,
    OneWayValve,
    Passage,
    PeepValve,
    Restrictor,
    Store,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
    preset,
)
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import PressureControl, Ventilator, VolumeControl
from ventsim.results.measures import breath_measures
from ventsim.simulation import steady_breath

LUNG = Lung(compliance=50.0, resistance=5.0)
BREATH = VolumeControl(tidal_volume=400.0, rate=15.0, inspiratory_time=1.0)
ARRANGEMENTS = ["tree", "chain", "star"]


def lungs(number):
    return {f"bed {index}": LUNG for index in range(1, number + 1)}


def kinds(circuit):
    return Counter(part.kind for part in circuit.parts.values())


def stored(circuit):
    """Sum of the compliances of all stores but the lungs' [mL/cmH2O]."""
    parts = [part for part in circuit.parts.values() if not isinstance(part, Lung)]
    return sum(store.compliance for part in parts for store in part.elements() if isinstance(store, Store))


def way(circuit, start, end):
    """Names of the parts on the way between two points, in order."""
    nodes = nx.shortest_path(circuit.graph().to_undirected(), start, end)
    names = [node.partition(".")[0] for node in nodes]
    return [name for name, before in zip(names[1:], names, strict=False) if name != before]


def test_tracheal_tube_counted_twice():
    """A resistance with a tube, and one of 8 mm: 1.84 cmH2O at 0.5 L/s (computed), 3.7 cmH2O·s/L."""
    limbs = PatientLimbs(tracheal_tube=TrachealTube(inner_diameter=8.0))
    lungs = {"a": preset("copd"), "b": LUNG}
    message = (
        r"^the tracheal tube of lung 'a' is counted twice: .* includes one, and 'a tracheal tube' of 8 mm leads "
        r"to the lung\.\n  Leave out 'a tracheal tube'\. Or give .* about 3\.7 cmH2O·s/L less"
    )
    with pytest.warns(PlausibilityWarning, match=message) as caught:
        shared(lungs, limbs=limbs)
    assert len(caught) == 1
    with pytest.warns(PlausibilityWarning, match="tube of lung 'a' is counted twice"):
        layouts.on_floor_plan({"a": preset("asthma")}, layouts.beds_around(["a"], radius=2.0), tracheal_tubes=7.5)


def test_tracheal_tube_counted_twice_however_the_circuit_is_made():
    """One circuit joined part by part, and a lung exchanged behind a tube; once for each circuit."""
    tube, copd = TrachealTube(inner_diameter=8.0), preset("copd")
    scenario = Scenario(circuit=shared({"a": LUNG}, limbs=PatientLimbs(tracheal_tube=tube)), settings=BREATH)
    circuit = scenario.circuit
    joints = [
        ("ventilator.inspiratory", "y.inspiratory"),
        ("y.expiratory", "ventilator.expiratory"),
        ("y.patient", "tube.inlet"),
        ("tube.outlet", "a.airway"),
    ]
    for make in (
        lambda: Circuit(parts={"y": YPiece(), "tube": tube, "a": copd}, joints=joints),
        lambda: circuit.with_parts({"a": copd}),
        lambda: circuit.changed(parts={**circuit.parts, "a": copd}),
        lambda: scenario.replaced({"lungs.a": copd}),
    ):
        with pytest.warns(PlausibilityWarning, match="tube of lung 'a' is counted twice") as caught:
            make()
        assert len(caught) == 1


def test_tracheal_tube_counted_once():
    """The tube in the lung or in the limbs, but not in both."""
    limbs = PatientLimbs(tracheal_tube=TrachealTube(inner_diameter=4.0))
    airway = preset("copd").changed({"resistance": 16.0, "includes_tracheal_tube": False})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        shared({"a": preset("copd")}, limbs={"a": PatientLimbs()})
        shared({"a": preset("infant"), "b": airway}, limbs=limbs)


def test_single_lung():
    circuit = single(LUNG)
    assert list(circuit.parts) == ["lung inspiratory tube", "lung y-piece", "lung", "lung expiratory tube"]
    assert circuit.lungs == {"lung": LUNG}
    assert list(single(LUNG, name="a").lungs) == ["a"]
    assert kinds(single(LUNG, one_way_valves=True))["one-way valve"] == 2


def test_single_adult_circuit_stores_what_was_measured():
    """1.47 to 2.52 mL/cmH2O on three adult circuits: Respiratory Care 39(8), 1994 (abstract)."""
    assert 1.47 <= stored(single(LUNG)) <= 2.52


@pytest.mark.parametrize("arrangement", ["tree", "star"])
@pytest.mark.parametrize("number", [2, 4, 8])
def test_shared_adult_circuits_store_for_each_lung_what_was_measured(arrangement, number):
    """As above; a chain has its extensions besides: 2 m on each limb from bed to bed, each 1.34 mL/cmH2O."""
    shares = stored(shared(lungs(number), arrangement=arrangement)) / number
    assert 1.47 <= shares <= 2.52
    extensions = 2 * (number - 1) * Tube(length=2.0).stored_compliance
    assert 1.47 <= (stored(shared(lungs(number), arrangement="chain")) - extensions) / number <= 2.52


@pytest.mark.parametrize(("number", "arrangement"), [(1, "tree"), (4, "tree"), (4, "star"), (4, "chain")])
def test_circuit_keeps_its_share_of_the_set_volume(number, arrangement):
    """A circuit of compliance Cc beside lungs of compliance C keeps Cc / (C + Cc) of the volume.

    Lungs and circuit are at one pressure in a long pause, and at one pressure at the end of expiration.

    The limit of 4 % is for flow that has not quite come to rest in either phase; about 4 % of the set volume
    stay in the circuit of a tree, twice as much in that of a chain.
    """
    circuit = shared(lungs(number), arrangement=arrangement, one_way_valves=False)
    set_volume = 500.0 * number
    breath = VolumeControl(tidal_volume=set_volume, peep=5.0, rate=12.0, inspiratory_time=2.0, pause_time=0.8)
    measures = breath_measures(steady_breath(circuit, breath)).isel(breath=-1)
    kept = set_volume - float(measures["inspired_tidal_volume"].sum())
    lungs_and_circuit = number * LUNG.compliance + stored(circuit)
    assert kept == pytest.approx(set_volume * stored(circuit) / lungs_and_circuit, rel=0.04)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("number", range(1, 10))
def test_every_layout_is_complete_and_silent(arrangement, number):
    """The circuit checks itself when it is made; no valve may point the wrong way."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for one_way_valves in (True, False):
            for ideal in (True, False):
                circuit = shared(
                    lungs(number), arrangement=arrangement, one_way_valves=one_way_valves, ideal=ideal
                )
                assert circuit.lungs == lungs(number)
                assert kinds(circuit)["one-way valve"] == (2 * number if one_way_valves else 0)
                assert kinds(circuit)["y-piece"] == number


@pytest.mark.parametrize(
    ("arrangement", "number", "t_pieces", "adapters"),
    [
        # Fittings on both limbs together. Each with two outlets adds one outlet: n - 1 of them on each limb.
        ("tree", 1, 0, 0),
        ("tree", 2, 2, 0),
        ("tree", 3, 2, 4),  # adapter at the port, T-piece, one adapter with two outlets
        ("tree", 4, 2, 6),  # adapter at the port, T-piece, two adapters with two outlets
        ("tree", 5, 2, 8),
        ("tree", 8, 2, 14),
        ("chain", 1, 0, 0),
        ("chain", 2, 2, 0),
        ("chain", 4, 6, 0),
        ("star", 1, 0, 0),
        ("star", 2, 0, 2),
        ("star", 6, 0, 2),
    ],
)
def test_number_of_fittings(arrangement, number, t_pieces, adapters):
    found = kinds(shared(lungs(number), arrangement=arrangement))
    assert (found["t-piece"], found["adapter"]) == (t_pieces, adapters)


@pytest.mark.parametrize("number", range(2, 18))
def test_tree_is_as_even_as_possible(number):
    """The number of divisions on the way to two lungs differs by one at most."""
    circuit = shared(lungs(number))
    depths = [len(way(circuit, "ventilator.inspiratory", f"{name}.airway")) for name in circuit.lungs]
    assert max(depths) - min(depths) <= 1


def test_order_of_the_parts_on_the_way():
    branch = PatientLimbs(
        inspiratory_restrictor=Restrictor(resistance=5.0),
        expiratory_restrictor=Restrictor(resistance=2.0),
        filter=Filter(),
        tracheal_tube=TrachealTube(inner_diameter=8.0),
    )
    circuit = shared({"a": LUNG, "b": LUNG}, limbs=branch)
    assert way(circuit, "ventilator.inspiratory", "a.airway") == [
        "inspiratory t-piece",
        "a inspiratory valve",
        "a inspiratory restrictor",
        "a inspiratory tube",
        "a y-piece",
        "a filter",
        "a tracheal tube",
        "a",
    ]
    assert way(circuit, "a.airway", "ventilator.expiratory") == [
        "a tracheal tube",
        "a filter",
        "a y-piece",
        "a expiratory tube",
        "a expiratory restrictor",
        "a expiratory valve",
        "expiratory t-piece",
        "ventilator",
    ]


def test_chain_passes_the_beds_in_order():
    circuit = shared(lungs(3), arrangement="chain", one_way_valves=False, extension=Tube(length=3.0))
    assert way(circuit, "ventilator.inspiratory", "bed 3.airway")[:5] == [
        "inspiratory t-piece 1",
        "inspiratory extension 1",
        "inspiratory t-piece 2",
        "inspiratory extension 2",
        "connector 1",
    ]
    assert circuit.parts["inspiratory extension 1"].length == 3.0
    assert shared(lungs(2), arrangement="chain").parts["expiratory extension 1"].length == 2.0


def test_each_bed_of_a_chain_may_have_its_own_extension():
    """That of the first bed leads to the first T-piece."""
    circuit = shared(
        lungs(3),
        arrangement="chain",
        extension={"bed 1": Tube(length=1.0), "bed 2": Tube(length=4.0), "bed 3": Tube(length=3.0)},
    )
    for limb in ("inspiratory", "expiratory"):
        lengths = [circuit.parts[f"{limb} extension {number}"].length for number in (1, 2, 3)]
        assert lengths == [1.0, 4.0, 3.0]
    assert way(circuit, "ventilator.inspiratory", "bed 3.airway")[:6] == [
        "inspiratory extension 1",
        "inspiratory t-piece 1",
        "inspiratory extension 2",
        "inspiratory t-piece 2",
        "inspiratory extension 3",
        "bed 3 inspiratory valve",
    ]
    alone = shared(lungs(1), arrangement="chain", extension={"bed 1": Tube(length=1.0)})
    assert kinds(alone)["tube"] == 4


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_tubes_and_valves_point_with_the_flow(arrangement):
    """Gas goes through every inlet before its outlet, out along the inspiratory limb and back along the other."""
    circuit = shared(lungs(4), arrangement=arrangement, one_way_valves=True)
    plain = circuit.graph().to_undirected()
    for name, part in circuit.parts.items():
        if part.ports != ("inlet", "outlet") or isinstance(part, Adapter):
            continue
        port = "ventilator.inspiratory" if "inspiratory" in name else "ventilator.expiratory"
        ends = {end: nx.shortest_path_length(plain, port, f"{name}.{end}") for end in part.ports}
        assert (ends["inlet"] < ends["outlet"]) == ("inspiratory" in name), name


def test_each_lung_may_have_its_own_branch():
    long = PatientLimbs(inspiratory_tube=Tube(length=4.0))
    circuit = shared(
        {"a": LUNG, "b": LUNG}, limbs=dict.fromkeys({"a": LUNG, "b": LUNG}, PatientLimbs()) | {"b": long}
    )
    assert circuit.parts["a inspiratory tube"].length == 1.5
    assert circuit.parts["b inspiratory tube"].length == 4.0


def test_fittings_and_machine_can_be_given():
    circuit = shared(
        lungs(4),
        t_piece=TPiece(gas_volume=30.0),
        adapter=Adapter(gas_volume=9.0),
        ventilator=Ventilator(source_resistance=2.0),
    )
    assert circuit.parts["inspiratory t-piece"].gas_volume == 30.0
    assert [circuit.parts[f"expiratory adapter {number}"].outlets for number in (1, 2, 3)] == [1, 2, 2]
    assert all(part.gas_volume == 9.0 for part in circuit.parts.values() if isinstance(part, Adapter))
    assert circuit.ventilator.source_resistance == 2.0


# --- one-way parts as restrictors -----------------------------------------------------------------------------


def test_a_one_way_part_is_the_restrictor_of_one_limb():
    """In both limbs of both lungs it is what the layout puts there itself, and files bring it back."""
    breath = PressureControl(inspiratory_pressure=12.0, peep=5.0, rate=15.0, inspiratory_time=1.0)
    valve = OneWayValve(opening_pressure=0.4, resistance=2.0)
    limbs = PatientLimbs(inspiratory_restrictor=valve, expiratory_restrictor=valve)
    own = Scenario(circuit=shared(lungs(2), limbs=limbs, one_way_valves=False), settings=breath)
    given = own.changed(circuit=shared(lungs(2), limbs=PatientLimbs(valve=valve)))
    found, expected = (breath_measures(steady_breath(one)).inspired_tidal_volume for one in (own, given))
    assert found.values == pytest.approx(expected.values, rel=1e-9)
    assert Scenario.from_toml(own.to_toml()) == own and 'kind = "one-way valve"' in own.to_toml()
    path = "limbs.bed 1.inspiratory_restrictor.opening_pressure"
    assert own.replaced({path: 0.0}).circuit.parts["bed 1 inspiratory restrictor"].opening_pressure == 0.0
    peep = PatientLimbs(expiratory_restrictor={"kind": "peep valve", "opening_pressure": 10.0})
    assert peep.expiratory_restrictor == PeepValve(opening_pressure=10.0)


# --- ideal circuits -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("number", [1, 2, 4])
def test_ideal_circuit_stores_nothing_and_resists_only_where_told(arrangement, number):
    branch = PatientLimbs(
        inspiratory_tube=Tube(length=1.5, resistance=3.0),
        valve=OneWayValve(resistance=0.5, gas_volume=5.0),
        filter=Filter(resistance=2.0),
    )
    circuit = shared(lungs(number), arrangement=arrangement, limbs=branch, ideal=True)
    assert stored(circuit) == 0.0
    assert circuit.ventilator == layouts.IDEAL_VENTILATOR
    resistances = Counter(
        element.forward.linear
        for part in circuit.parts.values()
        if not isinstance(part, Lung)
        for element in part.elements()
        if isinstance(element, Passage) and not element.is_ideal
    )
    assert resistances == {3.0: number, 0.5: 2 * number, 2.0: number}
    valves = [part for part in circuit.parts.values() if isinstance(part, OneWayValve)]
    assert {valve.opening_pressure for valve in valves} == {0.0}


def test_ideal_tube_loses_no_heads():
    bent = PatientLimbs(inspiratory_tube=Tube(length=1.5, loss_coefficient=2.0, corrugated_friction=0.1))
    tube = shared(lungs(1), limbs=bent, ideal=True).parts["bed 1 inspiratory tube"]
    assert tube.elements()[0].is_ideal


def test_ideal_ventilator():
    machine = layouts.IDEAL_VENTILATOR
    assert machine.source_resistance == machine.exhalation_resistance == 0.0
    assert machine.flow_limit is None and machine.relief_pressure is None
    given = Ventilator(source_resistance=2.0)
    assert single(LUNG, ideal=True, ventilator=given).ventilator == given


# --- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "error", "message"),
    [
        (lambda: shared({}), CircuitError, r"holds no lung\.\n  Give at least one: \{'a': Lung\(\.\.\.\)\}"),
        (
            lambda: shared([LUNG, LUNG]),
            CircuitError,
            r"no lung has a name: this is a list\.\n  Give each a name: \{'a': \.\.\., 'b': \.\.\.\}",
        ),
        (
            lambda: shared(LUNG),
            CircuitError,
            r"no lung has a name: this is a Lung\.\n  Give each a name: \{'a': \.\.\.\}",
        ),
        (
            lambda: shared([]),
            CircuitError,
            r"no lung has a name: this is a list.*\n  Give each a name: \{'a': \.\.\.\}",
        ),
        (lambda: shared({1: LUNG}), CircuitError, r"lungs: the name 1 is no text\.\n  Write '1'\.$"),
        (lambda: Layout(lungs=[LUNG]), CircuitError, r"no lung has a name: this is a list"),
        (lambda: Layout(lungs={1: LUNG}), CircuitError, r"the name 1 is no text\.\n  Write '1'"),
        (
            lambda: single(LUNG, limbs=3),
            CircuitError,
            r"limbs: 3 is neither a PatientLimbs nor .*\n  Give PatientLimbs",
        ),
        (lambda: shared({"a": TPiece()}), CircuitError, r"lungs: 'a' is .*, not a lung"),
        (
            lambda: shared({"a.b": LUNG}),
            CircuitError,
            r"'a\.b' cannot be the name of a part",
        ),
        (
            lambda: shared({"a": LUNG}, arrangement="treee"),
            CircuitError,
            r"arrangement 'treee' is not one of the choices\.\n  Did you mean 'tree'",
        ),
        (
            lambda: shared(lungs(2), limbs=dict.fromkeys(lungs(2), PatientLimbs()) | {"bed 3": PatientLimbs()}),
            CircuitError,
            r"limbs: there is no lung 'bed 3'\.\n  Did you mean 'bed [12]'",
        ),
        (
            lambda: shared({"a": LUNG, "inspiratory t-piece": LUNG}),
            CircuitError,
            r"two parts are called 'inspiratory t-piece': a t-piece and a lung",
        ),
        (
            lambda: shared(lungs(2), arrangement="chain", extension={"bed 3": Tube(length=1.0)}),
            CircuitError,
            r"extension: there is no lung 'bed 3'\.\n  Did you mean 'bed [12]'",
        ),
        (
            lambda: shared(lungs(2), arrangement="chain", extension={"bed 2": 1.0}),
            CircuitError,
            r"extension: 'bed 2' is 1\.0, not a Tube\.\n  Give Tube\(\.\.\.\)",
        ),
        (
            lambda: shared(lungs(2), extension={"bed 2": Tube(length=1.0)}),
            CircuitError,
            r"extension: there is none in the arrangement 'tree'\.\n  Leave it out, or take .* 'chain'",
        ),
        (
            lambda: PatientLimbs(tracheal_tube=8.0),
            PartError,
            r"patient limbs: tracheal_tube 8\.0 is not a TrachealTube",
        ),
        (lambda: shared(lungs(65), arrangement="star"), PartError, r"adapter: outlets 65 is not allowed"),
        (
            lambda: PatientLimbs(inspiratory_tube=1.5),
            PartError,
            r"patient limbs: inspiratory_tube 1\.5 is not a Tube",
        ),
        (
            lambda: PatientLimbs(inspiratory_tube={"length": -1.0}),
            PartError,
            r"patient limbs: inspiratory_tube: tube: length -1 m is not allowed",
        ),
        (lambda: PatientLimbs(valves=OneWayValve()), PartError, r"there is no 'valves'\.\n  Did you mean 'valve'"),
    ],
)
def test_impossible_layout(make, error, message):
    with pytest.raises(error, match=message):
        make()


def test_limbs_survive_plain_values():
    limbs = PatientLimbs(filter=Filter(), y_piece=YPiece(gas_volume=20.0))
    assert PatientLimbs.from_dict(limbs.model_dump()) == limbs
    assert PatientLimbs.from_dict({"inspiratory_tube": {"length": 2}}).inspiratory_tube == Tube(length=2.0)


@settings(max_examples=15, deadline=None)
@given(
    number=st.integers(1, 9),
    arrangement=st.sampled_from(ARRANGEMENTS),
    one_way_valves=st.booleans(),
    ideal=st.booleans(),
)
def test_layouts_survive_plain_values(number, arrangement, one_way_valves, ideal):
    circuit = shared(lungs(number), arrangement=arrangement, one_way_valves=one_way_valves, ideal=ideal)
    assert Circuit.from_dict(circuit.model_dump()) == circuit


@pytest.mark.parametrize("name", ["ideal", "one_way_valves"])
@pytest.mark.parametrize("value", ["no", 0, None])
def test_a_flag_that_is_neither_true_nor_false(name, value):
    """A text such as "no" would count as true."""
    lungs = {"a": Lung(compliance=50, resistance=10), "b": Lung(compliance=25, resistance=10)}
    with pytest.raises(InputError, match=f"^shared: {name} .* is neither true nor false"):
        shared(lungs, **{name: value})
    with pytest.raises(CircuitError, match=f"{name}: .* is neither true nor false"):
        Layout(lungs=lungs, **{name: value})


def test_a_list_of_limbs_is_refused():
    lungs = {"a": Lung(compliance=50, resistance=10), "b": Lung(compliance=25, resistance=10)}
    with pytest.raises(CircuitError, match=r"limbs: \[.*\] is neither .*\n  Give PatientLimbs\(\.\.\.\) for all"):
        shared(lungs, limbs=[PatientLimbs()])
