"""Drawings of circuits, and of differences between two results: what is drawn, where, and from which numbers."""

from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ventsim as vs
from ventsim import laws
from ventsim.errors import CircuitError, CircuitWarning, SchemaError
from ventsim.model.parts import Cap, Filter, Leak, OpenEnd, Restrictor, TPiece, Tube, YPiece
from ventsim.model.parts.part import PARTS
from ventsim.model.scenario import builtin, builtin_names
from ventsim.view.plot import circuit_drawing, differences
from ventsim.view.plot.circuit.drawing import JUNCTIONS, SHAPES
from ventsim.view.plot.circuit.flows import joint_flows
from ventsim.view.plot.circuit.geometry import geometry, owner

mpl.use("Agg")
import matplotlib.pyplot as plt

SETTINGS = vs.PressureControl(inspiratory_pressure=12.0, peep=5.0, rate=14.0, ie_ratio=0.5)


@pytest.fixture(autouse=True)
def _no_figure_is_left_open():
    yield
    plt.close("all")


def lung(compliance=40.0):
    return vs.Lung(compliance=compliance, resistance=10.0)


def common_y_piece():
    """One limb each way for two lungs behind one Y-piece; a leak before one of them."""
    parts = {"in": Tube(length=1.5), "y": YPiece(), "out": Tube(length=1.5), "t": TPiece(), "leak": Leak(
        resistance=100.0), "a": lung(), "b": lung(20.0)}  # fmt: skip
    joints = [("ventilator.inspiratory", "in.inlet"), ("in.outlet", "y.inspiratory"),
              ("y.expiratory", "out.inlet"), ("out.outlet", "ventilator.expiratory"), ("y.patient", "t.stem"),
              ("t.left", "a.airway"), ("t.right", "leak.inlet"), ("leak.outlet", "b.airway")]  # fmt: skip
    return vs.Circuit(parts=parts, joints=joints)


def one_tube_past_both():
    """Both lungs hang on T-pieces of one tube that leads from port to port."""
    parts = {"t1": TPiece(), "between": Tube(length=1.0), "t2": TPiece(), "a": lung(), "b": lung(20.0)}
    joints = [("ventilator.inspiratory", "t1.stem"), ("t1.left", "a.airway"), ("t1.right", "between.inlet"),
              ("between.outlet", "t2.stem"), ("t2.left", "b.airway"),
              ("t2.right", "ventilator.expiratory")]  # fmt: skip
    return vs.Circuit(parts=parts, joints=joints)


def with_dead_ends():
    """A capped leg in the inspiratory limb, a hole in the expiratory one."""
    parts = {"ti": TPiece(), "cap": Cap(), "in": Tube(length=1.5), "y": YPiece(), "a": lung(),
             "out": Tube(length=1.5), "te": TPiece(), "hole": OpenEnd(bore=3.0)}  # fmt: skip
    joints = [("ventilator.inspiratory", "ti.stem"), ("ti.left", "in.inlet"), ("ti.right", "cap.inlet"),
              ("in.outlet", "y.inspiratory"), ("y.patient", "a.airway"), ("y.expiratory", "out.inlet"),
              ("out.outlet", "te.left"), ("te.right", "hole.inlet"),
              ("te.stem", "ventilator.expiratory")]  # fmt: skip
    return vs.Circuit(parts=parts, joints=joints)


def with_a_link():
    """Two lungs with a tube from one Y-side to the other, so that there is more than one way to each."""
    parts = {"ti": TPiece(), "in a": Tube(length=1.0), "in b": Tube(length=1.0), "la": TPiece(), "lb": TPiece(),
             "link": Tube(length=0.5), "ya": YPiece(), "yb": YPiece(), "a": lung(), "b": lung(25.0),
             "out a": Tube(length=1.0), "out b": Tube(length=1.0), "te": TPiece()}  # fmt: skip
    joints = [("ventilator.inspiratory", "ti.stem"), ("ti.left", "in a.inlet"), ("ti.right", "in b.inlet"),
              ("in a.outlet", "la.stem"), ("in b.outlet", "lb.stem"), ("la.right", "link.inlet"),
              ("link.outlet", "lb.right"), ("la.left", "ya.inspiratory"), ("lb.left", "yb.inspiratory"),
              ("ya.patient", "a.airway"), ("yb.patient", "b.airway"), ("ya.expiratory", "out a.inlet"),
              ("yb.expiratory", "out b.inlet"), ("out a.outlet", "te.left"), ("out b.outlet", "te.right"),
              ("te.stem", "ventilator.expiratory")]  # fmt: skip
    return vs.Circuit(parts=parts, joints=joints)


def restricted():
    """Every part that a limb may have."""
    limbs = vs.PatientLimbs(
        inspiratory_restrictor=Restrictor(resistance=20.0),
        expiratory_restrictor=Restrictor(resistance=laws.Orifice(bore=6.0)),
        filter=Filter(),
    )
    return vs.layouts.shared({"a": lung(), "a long name": lung(20.0), "c": lung()}, limbs={"c": limbs})


CIRCUITS = {
    **{name: builtin(name).circuit for name in builtin_names() if "control" not in name},
    **{f.__name__: f() for f in (common_y_piece, one_tube_past_both, with_dead_ends, with_a_link, restricted)},
    "single": vs.layouts.single(lung(), name="the only one"),
    "ideal": vs.layouts.shared({"a": lung(), "b": lung(20.0)}, ideal=True),
    "chain of nine": vs.layouts.shared({f"bed {k}": lung() for k in range(9)}, arrangement="chain"),
    "star of five": vs.layouts.shared({f"bed {k}": lung() for k in range(5)}, arrangement="star"),
    "tree of seven": vs.layouts.shared({f"bed {k}": lung() for k in range(7)}),
}
each_circuit = pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS.keys())


def texts(ax):
    return [text.get_text() for text in ax.texts]


@each_circuit
def test_every_part_has_a_position_of_its_own(circuit):
    spots = geometry(circuit).spots
    assert set(spots) == {*circuit.parts, "ventilator.inspiratory", "ventilator.expiratory"}
    xy = np.array(list(spots.values()))
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    assert apart.min() > 0.3  # a symbol is 18 points wide, 0.27 of a column


@each_circuit
def test_a_line_joins_what_a_joint_joins_and_is_drawn_once(circuit):
    drawing = geometry(circuit)
    assert list(drawing.lines) == list(circuit.joints)
    for (first, second), line in drawing.lines.items():
        assert line[0] == drawing.spots[owner(first)]
        assert line[-1] == drawing.spots[owner(second)]
    carried = {joint for segment in drawing.segments for joint, _ in segment.carries}
    assert carried == set(circuit.joints)


@each_circuit
def test_gas_goes_from_left_to_right(circuit):
    """A way from port to port never turns back, except for what hangs on it."""
    spots = geometry(circuit).spots
    xs = [x for x, _ in spots.values()]
    assert spots["ventilator.inspiratory"][0] == min(xs)
    assert spots["ventilator.expiratory"][0] == max(xs)
    for name in circuit.lungs:
        assert spots["ventilator.inspiratory"][0] < spots[name][0] < spots["ventilator.expiratory"][0]


@each_circuit
def test_all_names_are_written(circuit):
    ax = circuit_drawing(circuit)
    written = {text.replace("\n", " ") for text in texts(ax)}
    assert written == {*circuit.parts, "ventilator inspiratory port", "ventilator expiratory port", ""} - (
        {""} if all(len(name) > 4 for name in circuit.lungs) else set()
    )


@each_circuit
def test_what_enters_a_fitting_leaves_it(circuit):
    """Up to the gas that it stores; flows at ports and lungs are those of the waveforms."""
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    instant = waveforms.isel(time=int(np.abs(waveforms.time.values - 5.3).argmin()))
    flows = joint_flows(circuit, instant)
    assert np.isfinite(list(flows.values())).all()
    into = dict.fromkeys({owner(end) for joint in circuit.joints for end in joint}, 0.0)
    for (a, b), flow in flows.items():
        into[owner(a)] -= flow
        into[owner(b)] += flow
    largest = max(map(abs, flows.values()))
    for name in circuit.lungs:
        # Stored at the airway where the lung is joined to a fitting with gas in it: up to some mL of 1 s.
        assert into[name] == pytest.approx(float(instant.flow.sel(lung=name)), abs=0.03 * largest)
    assert into["ventilator.expiratory"] == pytest.approx(float(instant.expiratory_port_flow), abs=0.03 * largest)


def test_flows_in_an_ideal_circuit_add_up():
    """Nothing stores gas there: what the lungs take is what leaves the port, to rounding."""
    circuit = CIRCUITS["ideal"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    for time in (4.5, 5.0, 6.0, 8.0):
        instant = waveforms.isel(time=int(np.abs(waveforms.time.values - time).argmin()))
        flows = joint_flows(circuit, instant)
        leaves = -float(instant.inspiratory_port_flow) + float(instant.expiratory_port_flow)
        assert sum(flow for (_, b), flow in flows.items() if owner(b) in circuit.lungs) == pytest.approx(
            -leaves, abs=1e-9
        )


def test_a_leak_takes_its_part():
    """Gas into the leak, less the gas out of it, is what the hole lets out (its law: pressure / 100)."""
    circuit = common_y_piece()
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    instant = waveforms.isel(time=int(np.abs(waveforms.time.values - 5.0).argmin()))
    flows = joint_flows(circuit, instant)
    lost = flows["t.right", "leak.inlet"] - flows["leak.outlet", "b.airway"]
    assert lost == pytest.approx(float(instant.airway_pressure.sel(lung="b")) / 100.0, rel=1e-6)


@pytest.mark.parametrize(("unit", "factor"), [("L/s", 1.0), ("L/min", 60.0)])
def test_numbers_are_those_of_the_waves(unit, factor):
    circuit = CIRCUITS["two-unequal-lungs"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    ax = circuit_drawing(circuit, waveforms=waveforms, time=5.0, flow_unit=unit)
    instant = waveforms.isel(time=int(np.abs(waveforms.time.values - 5.0).argmin()))
    digits = 1 if unit == "L/min" else 3
    for name in circuit.lungs:
        one = instant.sel(lung=name)
        flow = f"{factor * float(one.flow):+.{digits}f} {unit}"
        rest = f"{float(one.alveolar_pressure):.1f} cmH2O, {float(one.volume):.0f} mL"
        assert f"{flow}\n{rest}" in texts(ax)
    port = f"{factor * float(instant.inspiratory_port_flow):+.{digits}f} {unit}"
    assert any(text.startswith("ventilator\ninspiratory port") and text.endswith(port) for text in texts(ax))
    # 5.0 s lies 5 - 60/14 s after the start of breath 2, in inspiration (a third of 60/14 s).
    assert ax.get_title(loc="left") == "flow at 5.00 s: breath 2, 0.71 s after its start, inspiration"


def test_the_widest_line_has_the_largest_flow():
    circuit = CIRCUITS["star of five"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    ax = circuit_drawing(circuit, waveforms=waveforms, time=5.0)
    instant = waveforms.isel(time=int(np.abs(waveforms.time.values - 5.0).argmin()))
    flows = np.abs(list(joint_flows(circuit, instant).values()))
    solid = [line for line in ax.lines if line.get_linestyle() == "-" and len(line.get_xdata()) > 1]
    widths = np.array([line.get_linewidth() for line in solid])
    assert widths.max() == pytest.approx(9.0)  # points, of the largest flow
    widest = solid[int(widths.argmax())]
    assert flows.max() == pytest.approx(float(instant.inspiratory_port_flow), rel=0.05)
    assert min(widest.get_xdata()) == geometry(circuit).spots["ventilator.inspiratory"][0]
    # Five limbs leave one adapter, two up, one straight, two down: a line for two limbs is grey and wider.
    x = geometry(circuit).spots["inspiratory adapter 1"][0]
    uprights = sorted(
        (line for line in solid if list(line.get_xdata()) == [x, x]), key=lambda line: line.get_linewidth()
    )
    single, double = uprights[0].get_linewidth(), uprights[-1].get_linewidth()
    # width = 1.2 + 7.8 flow / largest, and two equal lungs carry twice the flow of one
    assert double - 1.2 == pytest.approx(2.0 * (single - 1.2), rel=1e-6)


def test_without_a_time_it_is_that_of_the_largest_flow_into_the_lungs():
    circuit = CIRCUITS["two-unequal-lungs"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0)
    title = circuit_drawing(circuit, waveforms=waveforms).get_title(loc="left")
    last = waveforms.sel(time=slice(float(waveforms.breath_start[-1]), None))
    time = float(last.time[int(last.flow.sum("lung").values.argmax())])
    assert title.startswith(f"flow at {time:.2f} s: breath 3")


def test_a_run_without_flow_is_drawn():
    """PEEP of 0 and no pressure above it: nothing moves, and nothing is divided by zero."""
    circuit = CIRCUITS["ideal"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=2.0)
    still = waveforms.copy()
    for name in ("flow", "branch_flow", "inspiratory_port_flow", "expiratory_port_flow"):
        still[name] = still[name] * 0.0
    ax = circuit_drawing(circuit, waveforms=still)
    assert ax.get_legend() is None
    assert "\n0.0 L/min" in texts(ax)[-1]


def test_a_run_without_flow_but_rounding_is_drawn_as_still():
    """Flows of a picolitre per second are what rounding leaves: no wide lines, no scale of them."""
    circuit = CIRCUITS["ideal"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=2.0)
    still = waveforms.copy()
    for name in ("flow", "branch_flow", "inspiratory_port_flow", "expiratory_port_flow"):
        still[name] = (still[name] * 1e-12).assign_attrs(waveforms[name].attrs)
    ax = circuit_drawing(circuit, waveforms=still)
    assert ax.get_legend() is None
    assert {line.get_linewidth() for line in ax.lines} == {1.1}


def test_what_a_leak_of_unknown_flow_loses_is_unknown():
    """The balance of its part has no solution; what enters it is what the ports give and lung a does not take."""
    circuit = common_y_piece()
    instant = vs.simulate(circuit, SETTINGS, duration=2.0).isel(time=50)
    instant["branch_flow"] = instant["branch_flow"] * np.nan
    flows = joint_flows(circuit, instant)
    given = float(instant.inspiratory_port_flow - instant.expiratory_port_flow)
    assert flows["t.right", "leak.inlet"] == pytest.approx(given - float(instant.flow.sel(lung="a")), abs=1e-12)
    assert flows["leak.outlet", "b.airway"] == float(instant.flow.sel(lung="b"))


@pytest.mark.parametrize("limb", ["inspiratory", "expiratory"])
def test_a_lung_of_which_one_limb_came_off(limb):
    """Its other limb still meets it at its Y-piece, in a row of its own below those of the others."""
    circuit = vs.layouts.shared({name: lung() for name in "abc"})
    end = "outlet" if limb == "inspiratory" else "inlet"
    gone = vs.Disconnection(at=0.0, joint=f"c {limb} tube.{end}")
    drawing = geometry(vs.changes.Schedule(circuit, SETTINGS, [gone]).circuit_at(1.0))
    spots = drawing.spots
    assert len(set(spots.values())) == len(spots)
    assert drawing.tops == {"a y-piece", "b y-piece", "c y-piece"}
    assert spots["a y-piece"][0] == spots["b y-piece"][0] == spots["c y-piece"][0]
    assert spots["a y-piece"][1] < spots["b y-piece"][1] < spots["c y-piece"][1]


@pytest.mark.parametrize(
    "joints",
    [
        ("inspiratory t-piece.left", "inspiratory t-piece.right"),
        ("a inspiratory tube.outlet", "b inspiratory tube.outlet"),
        ("a y-piece.expiratory", "b expiratory tube.outlet"),
    ],
)
def test_two_dead_ends_do_not_lie_upon_each_other(joints):
    circuit = vs.layouts.shared({name: lung() for name in "ab"})
    gone = [vs.Disconnection(at=0.0, joint=joint) for joint in joints]
    spots = geometry(vs.changes.Schedule(circuit, SETTINGS, gone).circuit_at(1.0)).spots
    for (one, (x, y)), (other, (u, v)) in combinations(spots.items(), 2):
        assert max(abs(x - u), abs(y - v)) >= 0.3, (one, other)  # in inches about 0.25, the size of a symbol


def test_a_circuit_that_came_apart_is_drawn_with_what_is_known():
    """In the time of a disconnection the waveforms lack some paths of the circuit as it was."""
    circuit = builtin("two-unequal-lungs").circuit
    gone = vs.Disconnection(at=4.5, joint="b y-piece.patient")
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0, changes=[gone])
    ax = circuit_drawing(circuit, waveforms=waveforms, time=5.0)
    assert any("b expiratory" in text for text in texts(ax))


def test_a_lung_that_came_off():
    """The circuit of that time: the limbs still meet at the Y-piece; the lung stands below, joined to nothing."""
    circuit = builtin("four-equal-lungs").circuit
    gone = vs.Disconnection(at=4.5, joint="b y-piece.patient")
    apart = vs.changes.Schedule(circuit, SETTINGS, [gone]).circuit_at(5.0)
    drawing = geometry(apart)
    spots = drawing.spots
    assert spots["a y-piece"][0] == spots["b y-piece"][0] == spots["c y-piece"][0]
    assert spots["a y-piece"][1] < spots["b y-piece"][1] < spots["c y-piece"][1] < spots["b"][1]
    assert drawing.serves["b inspiratory tube"] == set()
    waveforms = vs.simulate(circuit, SETTINGS, duration=9.0, changes=[gone])
    ax = circuit_drawing(apart, waveforms=waveforms, time=5.0)
    assert "open end of b y-piece patient" in texts(ax)
    assert not any("−0.0" in text for text in texts(ax))


def test_wrong_input_to_a_drawing():
    circuit = CIRCUITS["two-unequal-lungs"]
    waveforms = vs.simulate(circuit, SETTINGS, duration=5.0)
    with pytest.raises(SchemaError, match=r"time 99 s is outside of the waveforms.\n  Allowed: 0 to 5 s"):
        circuit_drawing(circuit, waveforms=waveforms, time=99.0)
    with pytest.raises(SchemaError, match="time nan s is outside"):
        circuit_drawing(circuit, waveforms=waveforms, time=float("nan"))
    with pytest.raises(
        SchemaError, match=r"the waveforms are those of the lungs a, b, the circuit has bed 0, bed 1"
    ):
        circuit_drawing(CIRCUITS["star of five"], waveforms=waveforms)
    for name in ("branch_flow", "alveolar_pressure", "inspiration_end", "expiratory_port_pressure"):
        with pytest.raises(SchemaError, match=f"'{name}' is missing"):
            circuit_drawing(circuit, waveforms=waveforms.drop_vars(name))
    with pytest.raises(SchemaError, match=r"time '4' s is outside of the waveforms.\n  Allowed: 0 to 5 s"):
        circuit_drawing(circuit, waveforms=waveforms, time="4")
    with pytest.raises(SchemaError, match=r"know no flow through 'in'\.\n  Give the circuit that was simulated"):
        circuit_drawing(common_y_piece(), waveforms=waveforms)
    with pytest.raises(CircuitError, match=r"'ward' is not a circuit.\n  Give .*, or a Scenario"):
        circuit_drawing("ward")


def test_a_scenario_is_drawn_like_its_circuit():
    """So is a layout; the picture of each is the same to the byte."""
    layout = vs.layouts.Layout(lungs={"a": lung(), "b": lung(20.0)})
    scenario = vs.Scenario(circuit=layout, settings=SETTINGS)
    drawn = []
    for one in (layout, layout.circuit, scenario):
        figure = circuit_drawing(one).figure
        figure.canvas.draw()
        drawn.append(bytes(figure.canvas.buffer_rgba()))
    assert drawn[0] == drawn[1] == drawn[2]


def test_every_kind_of_part_has_a_symbol():
    """A plain box is for kinds of a user's own; a lung is drawn as an ellipse."""
    assert set(PARTS.kinds) - {"lung"} == {*SHAPES, *JUNCTIONS}


@settings(max_examples=25, deadline=None)
@given(
    count=st.integers(1, 12),
    arrangement=st.sampled_from(["tree", "chain", "star"]),
    ideal=st.booleans(),
    valves=st.booleans(),
)
def test_positions_in_any_ready_made_circuit(count, arrangement, ideal, valves):
    lungs = {f"lung {k}": lung() for k in range(count)}
    circuit = vs.layouts.shared(lungs, arrangement=arrangement, ideal=ideal, one_way_valves=valves or ideal)
    drawing = geometry(circuit)
    assert len(set(drawing.spots.values())) == len(circuit.parts) + 2
    # Lungs in their order from top to bottom, each alone in its limb.
    heights = [drawing.spots[name][1] for name in circuit.lungs]
    assert heights == sorted(heights)
    assert all(drawing.serves[name] == {name} for name in circuit.lungs)


@pytest.fixture(scope="module")
def pair():
    """A real circuit and an ideal one, sampled at other times."""
    lungs = {"a": lung(), "b": lung(20.0)}
    real = vs.simulate(vs.layouts.shared(lungs), SETTINGS, duration=9.0)
    ideal = vs.simulate(CIRCUITS["ideal"], SETTINGS, duration=8.0, sample_interval=0.004)
    return real, ideal


@pytest.mark.parametrize("variable", ["volume", "flow", "airway_pressure"])
def test_differences_are_those_of_the_numbers(pair, variable):
    real, ideal = pair
    top, bottom = differences(real, ideal, variable=variable)
    unit = {"volume": "mL", "flow": "L/s", "airway_pressure": "cmH2O"}[variable]
    assert top.get_ylabel() == f"{variable.replace('_', ' ')} [{unit}]"
    assert (bottom.get_ylabel(), bottom.get_xlabel()) == (f"difference [{unit}]", "time [s]")
    time = real.time.values[real.time.values <= ideal.time.values[-1]]
    for k, name in enumerate("ab"):
        other = np.interp(time, ideal.time.values, ideal[variable].sel(lung=name).values)
        expected = real[variable].sel(lung=name).values[: len(time)] - other
        np.testing.assert_array_equal(bottom.lines[k].get_xdata(), time)
        np.testing.assert_allclose(bottom.lines[k].get_ydata(), expected, atol=1e-12)
    assert [text.get_text() for text in top.get_legend().get_texts()] == ["a", "b", "reference"]


def test_differences_of_lungs_in_another_order(pair):
    real, _ = pair
    _, bottom = differences(real, real.isel(lung=[1, 0]))
    for line in bottom.lines[:2]:
        assert not np.any(line.get_ydata())


def test_differences_of_a_port_and_on_a_logarithmic_axis(pair):
    real, ideal = pair
    top, bottom = differences(real, ideal, variable="inspiratory_port_pressure", logarithmic=True)
    assert top.get_ylabel() == "pressure at the inspiratory port [cmH2O]"
    assert bottom.get_yscale() == "log"
    assert bottom.get_ylabel() == "size of difference [cmH2O]"
    assert np.nanmin(bottom.lines[0].get_ydata()) > 0.0
    _, same = differences(real, real, logarithmic=True)
    assert same.get_title(loc="left") == "largest difference 0 mL"


def test_wrong_input_to_differences(pair):
    real, ideal = pair
    with pytest.raises(SchemaError, match=r"'volum' cannot be drawn against time.\n  Did you mean 'volume'"):
        differences(real, ideal, variable="volum")
    with pytest.raises(SchemaError, match="the lungs differ: a, b against x, b"):
        differences(real, ideal.assign_coords(lung=["x", "b"]))
    with pytest.raises(SchemaError, match="no time in common: 0 to 9 s against 100 to 108 s"):
        differences(real, ideal.assign_coords(time=ideal.time + 100.0))
    with pytest.raises(SchemaError, match=r"no sample lies within the time of the reference, 4 to 6 s\.\n"):
        differences(real.isel(time=[0, -1]), real.sel(time=slice(4.0, 6.0)))
    with pytest.raises(SchemaError, match=r"'\['volume'\]' cannot be drawn"):
        differences(real, ideal, variable=["volume"])
    with pytest.raises(SchemaError, match=r"differences needs 2 Axes \(curves and difference\); it got 3"):
        differences(real, ideal, axes=plt.subplots(3, 1)[1])


def test_a_valve_against_the_flow_is_drawn_as_it_lies():
    """The symbol points from inlet to outlet, so that the fault can be seen."""
    circuit = vs.layouts.shared({"a": lung(), "b": lung()})
    swapped = {"a inspiratory valve.inlet": "a inspiratory valve.outlet",
               "a inspiratory valve.outlet": "a inspiratory valve.inlet"}  # fmt: skip
    joints = [(swapped.get(a, a), swapped.get(b, b)) for a, b in circuit.joints]
    with pytest.warns(CircuitWarning, match="points against the flow"):
        turned = vs.Circuit(parts=dict(circuit.parts), joints=joints)
    right, wrong = (tip_of_valve(circuit_drawing(c), c) for c in (circuit, turned))
    assert right > 0.0 > wrong


def tip_of_valve(ax, circuit):
    """How far the tip of the triangle of the first valve is to the right of its position. [pixel]"""
    ax.figure.canvas.draw()
    at = ax.transData.transform(geometry(circuit).spots["a inspiratory valve"])
    near = []
    for patch in ax.patches:
        if len(patch.get_path().vertices) == 4:  # a triangle, closed
            points = patch.get_transform().transform(patch.get_path().vertices[:3])
            near.append((np.hypot(*(points.mean(axis=0) - at)), points[1][0] - at[0]))
    return min(near)[1]
