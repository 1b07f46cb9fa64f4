"""Four lungs on quadratic tubes with one-way valves, written out by hand and solved by SciPy."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Compliance [L/cmH2O], resistance to inspiration and expiration [cmH2O·s/L] of the lungs.
LUNG_COMPLIANCE = np.array([0.050, 0.025, 0.040, 0.020])
LUNG_RESISTANCE = np.array([10.0, 10.0, 20.0, 15.0])
LUNG_OUT = np.array([10.0, 15.0, 25.0, 15.0])
# Of each of the eight tubes: linear [cmH2O·s/L] and quadratic [cmH2O·s²/L²] resistance, and half of its
# compliance [L/cmH2O].
LINEAR, QUADRATIC = 0.4, 2.0
TUBE_HALF = 0.0005
# Stored at each adapter and at each Y-piece [L/cmH2O]: 30 and 12 mL of gas at 1033.2275 cmH2O.
ADAPTER, Y_PIECE = 0.030 / 1033.2275, 0.012 / 1033.2275
# One-way valves: pressure at which they open [cmH2O], resistance of an open one [cmH2O·s/L].
OPENING, VALVE_RESISTANCE = 0.2, 1.0
# Source, exhalation valve [cmH2O·s/L], and the pressures that they hold [cmH2O]; set flow [L/s].
SOURCE_RESISTANCE, EXHALATION_RESISTANCE = 0.5, 3.0
PEEP, TOP = 5.0, 20.0
SET_FLOW = 1.6


def tube_flow(drop: FloatArray) -> FloatArray:
    """Flow that solves drop = LINEAR q + QUADRATIC q |q|. [L/s]"""
    return 2.0 * drop / (LINEAR + np.sqrt(LINEAR**2 + 4.0 * QUADRATIC * np.abs(drop)))


def valve_flow(drop: FloatArray) -> FloatArray:
    """Flow through one-way valves. [L/s]"""
    return np.maximum(drop - OPENING, 0.0) / VALVE_RESISTANCE


def _rates(state: FloatArray, source: float, exhaling: bool) -> FloatArray:
    adapter_in, adapter_out = state[0], state[1]
    begin, y, end, lung = state[2:6], state[6:10], state[10:14], state[14:18]
    through_in, towards = valve_flow(adapter_in - begin), tube_flow(begin - y)
    away, through_out = tube_flow(y - end), valve_flow(end - adapter_out)
    into_lung = (y - lung) / np.where(y > lung, LUNG_RESISTANCE, LUNG_OUT)
    exhaled = max(adapter_out - PEEP, 0.0) / EXHALATION_RESISTANCE if exhaling else 0.0
    return np.concatenate([
        [(source - through_in.sum()) / ADAPTER],
        [(through_out.sum() - exhaled) / ADAPTER],
        (through_in - towards) / TUBE_HALF,
        (towards - away - into_lung) / (Y_PIECE + 2 * TUBE_HALF),
        (away - through_out) / TUBE_HALF,
        into_lung / LUNG_COMPLIANCE,
    ])  # fmt: skip


def pressure_control(time: float, state: FloatArray, inspiring: bool) -> FloatArray:
    """Rates of the pressures at every point, shape (18,). [cmH2O/s]

    In the order: inspiratory and expiratory adapter, tubes' ends behind the inspiratory valves (4), Y-pieces
    (4), tubes' ends before the expiratory valves (4), lungs (4).
    """
    source = max(TOP - state[0], 0.0) / SOURCE_RESISTANCE if inspiring else 0.0
    return _rates(state, source, not inspiring)


def volume_control(time: float, state: FloatArray, inspiring: bool) -> FloatArray:
    """The same rates, but in inspiration a set flow enters the inspiratory adapter. [cmH2O/s]"""
    return _rates(state, SET_FLOW if inspiring else 0.0, not inspiring)


START = np.full(18, PEEP)
LUNGS = slice(14, 18)
