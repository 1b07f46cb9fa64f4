"""Parts from measured points against the closed law of the points; tubes by geometry against their exact law.

Expected numbers come from the same circuits with closed laws, and for geometry from a law written down here a
second time and stepped by SciPy.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

import ventsim as vs
from ventsim.model.laws import MeasuredCurve
from ventsim.model.parts import Restrictor, TrachealTube
from ventsim.model.parts.part import Part

PLAIN = vs.Ventilator(source_resistance=2.0, exhalation_resistance=3.0, flow_limit=None, relief_pressure=None)
LUNG = vs.Lung(compliance=40.0, resistance=8.0)
SETTINGS = vs.PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, inspiratory_time=1.2)
RUN = {"duration": 8.0, "tolerance": 1e-9}


def circuit_with(part: Part) -> vs.Circuit:
    """One lung behind a part, nothing else in the circuit."""
    joints = [
        ("ventilator.inspiratory", "y.inspiratory"),
        ("y.expiratory", "ventilator.expiratory"),
        ("y.patient", "part.inlet"),
        ("part.outlet", "lung.airway"),
    ]
    parts = {"y": vs.YPiece(gas_volume=0.0), "part": part, "lung": LUNG}
    return vs.Circuit(parts=parts, joints=tuple(joints), ventilator=PLAIN)


# --- points of a closed law -----------------------------------------------------------------------------------


def points_of(linear: float, quadratic: float, number: int) -> Restrictor:
    """So many points of a Rohrer law, evenly spaced up to 3 L/s."""
    flows = np.linspace(0.0, 3.0, number + 1)[1:]
    return Restrictor(
        resistance=MeasuredCurve(flows=tuple(flows), pressure_drops=tuple(linear * flows + quadratic * flows**2))
    )


def interpolation_error(linear: float, quadratic: float, number: int) -> float:
    """Largest error of the cubic between the points, relative to what ventilator, part and lung lose [1]."""
    part, flows = points_of(linear, quadratic, number), np.linspace(0.0, 2.0, 20_001)[1:]
    exact = linear * flows + quadratic * flows**2
    found = part.resistance.pressure_drop(flows)
    return float((np.abs(found - exact) / (exact + 10.0 * flows)).max())


def difference(linear: float, quadratic: float, number: int) -> tuple[float, float]:
    """Largest difference of volumes from the closed law, in swings of the lung, and the error of the table."""
    law = vs.Restrictor(resistance=vs.laws.Rohrer(linear=linear, quadratic=quadratic))
    closed = vs.simulate(circuit_with(law), SETTINGS, **RUN)
    points = vs.simulate(circuit_with(points_of(linear, quadratic, number)), SETTINGS, **RUN)
    swing = float(closed.volume.max() - closed.volume.min())
    return float(np.abs(points.volume - closed.volume).max()) / swing, points.attrs["flow_table_error"]


@pytest.mark.parametrize(("linear", "quadratic"), [(2.0, 6.0), (8.0, 1.0), (0.5, 20.0)])
@pytest.mark.parametrize("number", [6, 12, 200])
def test_points_of_a_closed_law_give_what_the_law_gives(linear, quadratic, number):
    """Volumes differ by the error of the table plus that between the points, at most."""
    found, stated = difference(linear, quadratic, number)
    allowed = stated + interpolation_error(linear, quadratic, number)
    assert 0.0 < found < allowed, f"{found:.2g} of {allowed:.2g}"


def test_more_points_are_closer():
    """With half the distance of the points the difference falls to a quarter or less: order two."""
    few, more, many = (difference(2.0, 6.0, number)[0] for number in (6, 12, 48))
    assert more < few / 4.0
    assert many < more / 16.0


def test_the_table_states_its_error():
    """At flows between its edges a table is off by what it says, at most; asked from the flow in the waveforms."""
    part = points_of(2.0, 6.0, 200)
    waveforms = vs.simulate(circuit_with(part), SETTINGS, **RUN)
    flow = waveforms.flow.values[:, 0]
    inlet = waveforms.inspiratory_port_pressure.values
    drop = inlet - waveforms.airway_pressure.values[:, 0]
    exact = part.resistance.pressure_drop(flow)
    slope = (part.resistance.pressure_drop(np.abs(flow) + 1e-6) - np.abs(exact)) / 1e-6
    off = np.abs(drop - exact) / slope / (np.abs(flow) + 0.01)
    stated = waveforms.attrs["flow_table_error"]
    assert 0.0 < stated < 1e-4
    assert off.max() < 1.1 * stated + 1e-9


# --- geometry -------------------------------------------------------------------------------------------------

CMH2O = 98.0665  # [Pa]


def smooth_rise(x: float) -> float:
    """From 0 at 0 to 1 at 1, as documented."""
    x = min(max(x, 0.0), 1.0)
    return 10 * x**3 - 15 * x**4 + 6 * x**5


def geometry_drop(
    flow: float,
    *,
    bore: float,
    length: float,
    heads: float,
    density: float,
    viscosity: float,
    curvature: float = 0.0,
) -> float:
    """Loss of a smooth tube [cmH2O] by Hagen-Poiseuille and Blasius, in SI units, blended as documented.

    64 / Re below Re 2000, in a bend times Ito's ratio, 0.3164 / Re^0.25 above 4000 (all from memory), and heads.
    """
    if flow == 0.0:
        return 0.0
    diameter, volume_flow = bore * 1e-3, flow * 1e-3
    velocity = volume_flow / (np.pi / 4 * diameter**2)
    reynolds = density * velocity * diameter / (viscosity * 1e-6)
    share, bent = smooth_rise((reynolds - 2000.0) / 2000.0), 1.0
    dean = reynolds * np.sqrt(diameter * curvature / 2)
    if dean > 13.5:
        bent += smooth_rise((dean - 13.5) / 13.5) * (21.5 * dean / (1.56 + np.log10(dean)) ** 5.73 - 1.0)
    friction = (1 - share) * bent * 64 / reynolds + share * 0.3164 / reynolds**0.25
    return (friction * length / diameter + heads) * density / 2 * velocity**2 / CMH2O


TUBES = {
    "smooth": (
        vs.Tube(length=1.0, bore=8.0, wall="smooth", gas_volume=0.0, wall_compliance=0.0),
        {"bore": 8.0, "length": 1.0, "heads": 0.0},
    ),
    "light gas": (
        vs.Tube(length=1.0, bore=8.0, wall="smooth", gas_volume=0.0, wall_compliance=0.0, density=0.6,
                viscosity=20.0),
        {"bore": 8.0, "length": 1.0, "heads": 0.0, "density": 0.6, "viscosity": 20.0},
    ),
}  # fmt: skip


def exact_volume(law: dict[str, float], times: np.ndarray) -> np.ndarray:
    """Volume of the lung [mL] at times: the flow is searched at each call, the solver started at each jump."""
    law = {"density": 1.204, "viscosity": 18.21} | law
    found, volume = np.empty_like(times), LUNG.compliance * SETTINGS.peep
    # Begin, duration, pressure and resistance of the ventilator, twice a breath.
    for began, length, source, outer in ((0, 1.2, 20, 2), (1.2, 2.8, 5, 3), (4, 1.2, 20, 2), (5.2, 2.8, 5, 3)):

        def rate(t, v, source=source, outer=outer):
            drop = source - v[0] / LUNG.compliance

            def short(flow):
                return geometry_drop(flow, **law) + (outer + LUNG.resistance) * flow - abs(drop)

            size = brentq(short, 0.0, 10.0, xtol=1e-14)
            return [1000.0 * np.copysign(size, drop)]

        run = solve_ivp(rate, (0, length), [volume], method="DOP853", rtol=1e-9, atol=1e-8, dense_output=True)
        part = (times >= began) & (times < began + length + 1e-9)
        found[part] = run.sol(times[part] - began)[0]
        volume = run.y[0, -1]
    return found


@pytest.mark.parametrize("name", TUBES)
def test_geometry_against_the_exact_law(name):
    """Volumes to the error that the table states, and what both solvers leave (1e-8), of the swing."""
    tube, law = TUBES[name]
    assert tube.flow_law.coefficients is None
    waveforms = vs.simulate(circuit_with(tube), SETTINGS, **RUN)
    stated = waveforms.attrs["flow_table_error"]
    assert 0.0 < stated < 5e-6
    expected = exact_volume(law, waveforms.time.values)
    swing = expected.max() - expected.min()
    assert np.abs(waveforms.volume.values[:, 0] - expected).max() < (stated + 1e-8) * swing


def test_tracheal_tube_against_the_exact_law():
    """The same for a tracheal tube of 7 mm: bent to 140 mm, 1.5 heads; its own 12 mL of gas at its ends."""
    tube = TrachealTube(inner_diameter=7.0)
    law = {"bore": 7.0, "length": 0.31, "heads": 1.5, "density": 1.204, "viscosity": 18.21, "curvature": 1 / 0.14}
    flows = np.array([0.01, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0])
    expected = [geometry_drop(flow, **law) for flow in flows]
    assert tube.inspiratory_law.pressure_drop(flows) == pytest.approx(expected, rel=1e-12)
    waveforms = vs.simulate(circuit_with(tube), SETTINGS, **RUN)
    lost = waveforms.inspiratory_port_pressure.values - waveforms.airway_pressure.values[:, 0]
    flow = waveforms.branch_flow.sel(branch="part").values
    exact = np.array([np.copysign(geometry_drop(abs(q), **law), q) for q in flow])
    inhaling = waveforms.inspiratory_port_flow.values > 0.0
    assert np.abs(lost - exact)[inhaling].max() < 1e-5 * np.abs(exact).max()
