"""Points measured on a bench, read and checked."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError

FloatArray = NDArray[np.float64]


def checked_points(
    function: str,
    flows: Sequence[float] | FloatArray,
    pressures: Sequence[float] | FloatArray,
    standard_deviation: Sequence[float] | FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The points as arrays; scatter is 1 for all where none is given."""
    columns = {"flows": (flows, "L/s"), "pressures": (pressures, "cmH2O")}
    columns |= {} if standard_deviation is None else {"standard_deviation": (standard_deviation, "cmH2O")}
    arrays = {}
    for name, (values, unit) in columns.items():
        try:
            arrays[name] = np.atleast_1d(np.asarray(values, dtype=float))
        except (TypeError, ValueError):
            raise InputError(
                f"{function}: {name} {values!r} are not numbers.\n  Give numbers in {unit}."
            ) from None
        array = arrays[name]
        if array.ndim != 1 or array.shape != arrays["flows"].shape:
            raise InputError(
                f"{function}: {name} has shape {array.shape}, flows {arrays['flows'].shape}.\n"
                "  Give one value for each point."
            )
        wrong = ~np.isfinite(array)
        if name == "flows":
            wrong |= array == 0.0
        if name == "standard_deviation":
            wrong |= array <= 0.0
        if wrong.any():
            allowed = {"flows": "finite, not 0", "pressures": "finite", "standard_deviation": "finite, above 0"}[
                name
            ]
            raise InputError(
                f"{function}: {name} hold {array[wrong][0]:.6g} {unit}.\n"
                f"  Allowed: {allowed}. Leave out the point, or correct it."
            )
    if not arrays["flows"].size:
        raise InputError(f"{function}: there are no points.\n  Give flows in L/s and pressures in cmH2O.")
    return arrays["flows"], arrays["pressures"], arrays.get("standard_deviation", np.ones_like(arrays["flows"]))
