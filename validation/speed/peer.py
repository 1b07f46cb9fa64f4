"""The same circuit for a general-purpose solver: vectorised NumPy equations, stepped by scipy's LSODA.

The equations are built from what the parts say of themselves, without any code of the engine.  Every point must
store gas.  LSODA is restarted at every jump of the source, which is the way to use it well.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

import ventsim as vs

FloatArray = NDArray[np.float64]
Derivative = Callable[[float, FloatArray], FloatArray]


class Peer:
    """A circuit as right-hand sides in NumPy, pressures of the points as unknowns."""

    def __init__(self, circuit: vs.Circuit, settings: vs.PressureControl) -> None:
        self._points: dict[str, int] = {}
        same = _merged(circuit)
        index = {point: self._points.setdefault(root, len(self._points)) for point, root in same.items()}
        n = len(self._points)
        self.compliance = np.zeros(n)
        start, end, law = [], [], []
        for name, part in circuit.parts.items():
            for element in part.elements():
                if hasattr(element, "at"):
                    self.compliance[index[f"{name}.{element.at}"]] += element.compliance / 1000.0
                elif not element.is_ideal:
                    start.append(index[f"{name}.{element.start}"])
                    end.append(index[f"{name}.{element.end}"])
                    forward = element.forward
                    law.append((*forward.coefficients, element.opening_pressure, element.is_one_way))
        self._start, self._end = np.array(start), np.array(end)
        self._linear, self._quadratic, self._opening, one_way = np.array(law, dtype=float).T
        self._one_way = one_way > 0
        self._spread = np.zeros((n, len(start)))
        self._spread[self._start, np.arange(len(start))] = -1.0
        self._spread[self._end, np.arange(len(start))] = 1.0
        self._spread /= self.compliance[:, None]
        self._port_in, self._port_out = index["ventilator.inspiratory"], index["ventilator.expiratory"]
        self._machine, self._settings = circuit.ventilator, settings
        self.alveoli = np.array([index[f"{lung}.alveoli"] for lung in circuit.lungs])

    def _passages(self, pressure: FloatArray) -> FloatArray:
        drop = pressure[self._start] - pressure[self._end] - self._opening
        flow = 2.0 * drop / (self._linear + np.sqrt(self._linear**2 + 4.0 * self._quadratic * np.abs(drop)))
        flow[self._one_way & (drop < 0.0)] = 0.0
        return self._spread @ flow

    def inspiration(self, _time: float, pressure: FloatArray) -> FloatArray:
        """Rates of the pressures while the source is on. [cmH2O/s]"""
        rate = self._passages(pressure)
        target = self._settings.peep + self._settings.inspiratory_pressure
        source = max(target - pressure[self._port_in], 0.0) / self._machine.source_resistance
        source = min(source, self._machine.flow_limit)
        rate[self._port_in] += source / self.compliance[self._port_in]
        return rate

    def expiration(self, _time: float, pressure: FloatArray) -> FloatArray:
        """Rates of the pressures while the exhalation valve is open. [cmH2O/s]"""
        rate = self._passages(pressure)
        out = max(pressure[self._port_out] - self._settings.peep, 0.0) / self._machine.exhalation_resistance
        rate[self._port_out] -= out / self.compliance[self._port_out]
        return rate

    def breath(self, pressure: FloatArray, tolerance: float) -> tuple[FloatArray, FloatArray]:
        """One breath: pressures at its end, and the volume that each lung gained until expiration began. [mL]"""
        before = pressure[self.alveoli]
        for derivative, duration in (
            (self.inspiration, self._settings.inspiratory_phase_time),
            (self.expiration, self._settings.expiratory_time),
        ):
            run = solve_ivp(
                derivative, (0.0, duration), pressure, method="LSODA", rtol=tolerance, atol=10.0 * tolerance
            )
            pressure = run.y[:, -1]
            if derivative == self.inspiration:
                gained = 1000.0 * self.compliance[self.alveoli] * (pressure[self.alveoli] - before)
        return pressure, gained


def _merged(circuit: vs.Circuit) -> dict[str, str]:
    """Point -> representative of all points between which nothing resists the flow."""
    graph: dict[str, set[str]] = {}

    def join(a: str, b: str) -> None:
        graph.setdefault(a, set()).add(b)
        graph.setdefault(b, set()).add(a)

    for name, part in circuit.parts.items():
        for element in part.elements():
            if hasattr(element, "at"):
                graph.setdefault(f"{name}.{element.at}", set())
            elif element.is_ideal:
                join(f"{name}.{element.start}", f"{name}.{element.end}")
            else:
                graph.setdefault(f"{name}.{element.start}", set())
                graph.setdefault(f"{name}.{element.end}", set())
    for a, b in circuit.joints:
        join(a, b)
    root: dict[str, str] = {}
    for point in graph:
        waiting = [] if point in root else [point]
        while waiting:
            here = waiting.pop()
            if here not in root:
                root[here] = point
                waiting.extend(graph[here])
    return root
