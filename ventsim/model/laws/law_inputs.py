"""Checks of the numbers handed to the laws of flow, by one table of their units and limits."""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError
from ventsim.quantities import BORE_SLIPS, FLOW_SLIPS, LENGTH_SLIPS, PRESSURE_SLIPS, Quantity

FloatArray = NDArray[np.float64]

_BORE = Quantity(unit="mm", meaning="inner diameter", above=0.0, plausible=(0.5, 60.0), slips=BORE_SLIPS)
_HEADS = Quantity(unit="1", meaning="dynamic heads lost", at_least=0.0)

LAW_INPUTS: Mapping[str, Quantity] = MappingProxyType(
    {
        "bore": _BORE,
        "tube_bore": _BORE,
        "inner_diameter": _BORE,
        "length": Quantity(unit="m", meaning="length", at_least=0.0, plausible=(0.0, 20.0), slips=LENGTH_SLIPS),
        "density": Quantity(unit="kg/m³", meaning="density of the gas", above=0.0, plausible=(0.1, 3.0)),
        "viscosity": Quantity(
            unit="µPa·s",
            meaning="viscosity of the gas",
            above=0.0,
            plausible=(5.0, 40.0),
            slips=(("Pa·s", 1e6), ("mPa·s", 1e3)),
        ),
        "corrugation_factor": Quantity(unit="1", meaning="factor of turbulent friction", at_least=1.0),
        "loss_coefficient": _HEADS,
        "discharge_coefficient": Quantity(
            unit="1", meaning="real over ideal flow", above=0.0, at_most=1.0, plausible=(0.5, 1.0)
        ),
        "pressure_drop": Quantity(
            unit="cmH2O", meaning="wanted loss", above=0.0, plausible=(0.01, 1000.0), slips=PRESSURE_SLIPS
        ),
        "wanted_flow": Quantity(unit="L/s", meaning="flow", above=0.0, plausible=(0.001, 10.0), slips=FLOW_SLIPS),
        "reynolds": Quantity(unit="1", meaning="Reynolds number", above=0.0),
        "coefficient": Quantity(unit="cmH2O·(s/L)ⁿ", meaning="pressure drop at 1 L/s", above=0.0),
        "exponent": Quantity(unit="1", meaning="power of the flow", at_least=1.0, at_most=2.0),
        "narrowing": Quantity(
            unit="1",
            meaning="share of the bore that is blocked",
            at_least=0.0,
            below=1.0,
        ),
    }
)
"""Unit and limits of each argument."""


def check_law_inputs(law: str, values: Mapping[str, float]) -> None:
    """Refuse what is impossible.

    Parameters
    ----------
    law : str
        Name of the function, for the message.
    values : mapping of str to float
        Arguments by name, a key of :data:`LAW_INPUTS`.

    Raises
    ------
    InputError
        If a value is no number or outside its limits.

    Examples
    --------
    >>> check_law_inputs("tube_inertance", {"bore": 22.0, "length": -1.0})
    Traceback (most recent call last):
    ventsim.errors.InputError: tube_inertance: length -1 m is not allowed.
      Allowed: at least 0 m; usual: 0 to 20 m.
    """
    for name, value in values.items():
        quantity = LAW_INPUTS[name]
        fault = quantity.fault(value)
        if fault:
            shown = name.removeprefix("wanted_")
            raise InputError(f"{law}: {shown} {fault}\n  {quantity.allowed()}")


def finite_flow(law: str, flow: float | FloatArray) -> FloatArray:
    """The flows as an array, all of them finite.

    Parameters
    ----------
    law : str
        Name of the function, for the message.
    flow : float or array of shape (n,)
        Flow, of either sign. [L/s]

    Returns
    -------
    array of shape (n,) or ()
        The same flows. [L/s]

    Raises
    ------
    InputError
        If a flow is no finite number.

    Examples
    --------
    >>> finite_flow("tube_pressure_drop", [0.5, 1.0])
    array([0.5, 1. ])
    """
    try:
        flows = np.asarray(flow, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{law}: flow {flow!r} is not a number.\n  Give flows in L/s.") from None
    if not np.isfinite(flows).all():
        wrong = flows[~np.isfinite(flows)].flat[0] if flows.ndim else float(flows)
        raise InputError(f"{law}: flow {wrong:g} L/s is not allowed.\n  Allowed: finite numbers in L/s.")
    return flows
