"""Two lungs on linear tubes without valves, written out by hand and solved by SciPy."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Compliance [L/cmH2O] and resistance [cmH2O·s/L] of the lungs.
LUNG_COMPLIANCE = np.array([0.050, 0.025])
LUNG_RESISTANCE = np.array([10.0, 15.0])
# Of each of the four tubes: resistance [cmH2O·s/L], and half of its compliance [L/cmH2O].
TUBE_RESISTANCE = 1.5
TUBE_HALF = 0.0006
# Stored at each adapter and at each Y-piece [L/cmH2O]: 24 and 12 mL of gas at 1033.2275 cmH2O.
ADAPTER, Y_PIECE = 0.024 / 1033.2275, 0.012 / 1033.2275
# Source, exhalation valve [cmH2O·s/L], and the pressures that they hold [cmH2O].
SOURCE_RESISTANCE, EXHALATION_RESISTANCE = 0.5, 3.0
PEEP, TOP = 5.0, 20.0


def rate_of_change(time: float, state: FloatArray, inspiring: bool) -> FloatArray:
    """Rates of the pressures at every point, shape (6,). [cmH2O/s]

    In the order: inspiratory and expiratory adapter, Y-pieces (2), lungs (2).
    """
    adapter_in, adapter_out, y, lung = state[0], state[1], state[2:4], state[4:6]
    towards = (adapter_in - y) / TUBE_RESISTANCE
    away = (y - adapter_out) / TUBE_RESISTANCE
    into_lung = (y - lung) / LUNG_RESISTANCE
    source = max(TOP - adapter_in, 0.0) / SOURCE_RESISTANCE if inspiring else 0.0
    exhaled = 0.0 if inspiring else max(adapter_out - PEEP, 0.0) / EXHALATION_RESISTANCE
    return np.concatenate([
        [(source - towards.sum()) / (ADAPTER + 2 * TUBE_HALF)],
        [(away.sum() - exhaled) / (ADAPTER + 2 * TUBE_HALF)],
        (towards - away - into_lung) / (Y_PIECE + 2 * TUBE_HALF),
        into_lung / LUNG_COMPLIANCE,
    ])  # fmt: skip


START = np.full(6, PEEP)
LUNGS = slice(4, 6)
