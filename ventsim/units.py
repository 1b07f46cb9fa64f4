"""Units of the trade: exact factors and one function that converts between them.

Inside ventsim a number always has the unit of the house: pressure cmH2O, volume mL, flow L/s, resistance
cmH2O·s/L, compliance mL/cmH2O, time s, rate 1/min, tube length m, bore mm. Convert at the door:

>>> from ventsim.units import convert
>>> convert(60.0, source="L/min", target="L/s")
1.0
>>> convert(20.0, source="hPa", target="cmH2O")
20.39432

Sources of the factors: 1 cmH2O = 98.0665 Pa and 1 mmHg = 133.322387415 Pa are conventional (water of 1000
kg/m³, mercury of 13595.1 kg/m³, standard gravity 9.80665 m/s²); 1 atm = 101325 Pa and 1 hPa = 1 mbar = 100 Pa
are exact by definition; 1 psi is the weight of 0.45359237 kg on a square of 0.0254 m, exact by the
international pound and inch.
"""

import difflib
from fractions import Fraction
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError, fault_of_name, fault_of_numbers

FloatArray = NDArray[np.float64]
"""Numbers in one unit."""

_CMH2O, _HPA, _MMHG = Fraction("98.0665"), Fraction(100), Fraction("133.322387415")
_PSI = Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2
_LITRE, _ML, _MINUTE = Fraction(1, 1000), Fraction(1, 1_000_000), Fraction(60)

CMH2O_PA = float(_CMH2O)
"""One centimetre of water. [Pa]"""
HPA_PA = float(_HPA)
"""One hectopascal, which is one millibar. [Pa]"""
MMHG_PA = float(_MMHG)
"""One conventional millimetre of mercury. [Pa]"""
PSI_PA = float(_PSI)
"""One pound-force per square inch. [Pa]"""
ATMOSPHERE_PA = 101325.0
"""Standard atmosphere. [Pa]"""
ATMOSPHERE_CMH2O = float(101325 / _CMH2O)
"""Standard atmosphere. [cmH2O]"""
L_PER_MIN = 60.0
"""Flow in L/min of one L/s. [L/min]"""
ML_PER_L = 1000.0
"""Millilitres in one litre. [mL]"""
CMH2O_L_J = 0.0980665
"""Work of one litre moved against one cmH2O. [J]"""

_FACTORS: dict[str, dict[str, Fraction]] = {
    "pressure": {
        "cmH2O": _CMH2O, "hPa": _HPA, "mbar": _HPA, "kPa": Fraction(1000), "mmHg": _MMHG, "Pa": Fraction(1),
        "psi": _PSI, "atm": Fraction(101325),
    },
    "volume": {"mL": _ML, "L": _LITRE, "m³": Fraction(1)},
    "flow": {
        "L/s": _LITRE, "L/min": _LITRE / _MINUTE, "mL/s": _ML, "mL/min": _ML / _MINUTE, "m³/s": Fraction(1),
    },
    "time": {"s": Fraction(1), "ms": Fraction(1, 1000), "min": _MINUTE},
    "rate": {"1/min": 1 / _MINUTE, "1/s": Fraction(1), "Hz": Fraction(1)},
    "length": {"m": Fraction(1), "cm": Fraction(1, 100), "mm": Fraction(1, 1000)},
    "resistance": {
        "cmH2O·s/L": _CMH2O / _LITRE, "hPa·s/L": _HPA / _LITRE, "mbar·s/L": _HPA / _LITRE,
        "kPa·s/L": 1000 / _LITRE, "Pa·s/m³": Fraction(1),
    },
    "quadratic resistance": {
        "cmH2O·s²/L²": _CMH2O / _LITRE**2, "hPa·s²/L²": _HPA / _LITRE**2, "Pa·s²/m⁶": Fraction(1),
    },
    "compliance": {
        "mL/cmH2O": _ML / _CMH2O, "L/cmH2O": _LITRE / _CMH2O, "mL/hPa": _ML / _HPA, "mL/mbar": _ML / _HPA,
        "mL/kPa": _ML / 1000, "L/kPa": _LITRE / 1000, "m³/Pa": Fraction(1),
    },
    "work": {"J": Fraction(1), "mJ": Fraction(1, 1000), "cmH2O·L": _CMH2O * _LITRE, "cmH2O·mL": _CMH2O * _ML},
}  # fmt: skip

UNITS = MappingProxyType({unit: quantity for quantity, units in _FACTORS.items() for unit in units})
"""Every unit that :func:`convert` knows, with the quantity that it measures."""


def convert(value: float | NDArray[np.float64], *, source: str, target: str) -> float | NDArray[np.float64]:
    """A number in another unit of the same quantity.

    The factor is formed from exact fractions and rounded once. In the name of a unit, a full stop or asterisk
    may stand for the raised dot, and plain digits after a letter for the small ones: ``"cmH2O.s/L"``,
    ``"Pa.s/m3"``.

    Parameters
    ----------
    value : float or array of any shape
        Number to convert. [source]
    source : str
        Unit of `value`, one of :data:`UNITS`.
    target : str
        Wanted unit, of the same quantity.

    Returns
    -------
    float or array of the shape of `value`
        The same amount. [target]

    Raises
    ------
    InputError
        If a unit is unknown, or if the two units measure different quantities.

    Examples
    --------
    >>> convert(5.0, source="L/min", target="mL/s")
    83.3333
    >>> convert(0.05, source="L/cmH2O", target="mL/cmH2O")
    50.0
    >>> convert(1.0, source="cmH2O·s/L", target="Pa·s/m³")
    98066.5
    """
    for fault in (
        fault_of_numbers(value, "value", missing=True),
        fault_of_name(source, "source"),
        fault_of_name(target, "target"),
    ):
        if fault:
            raise InputError(f"convert: {fault}.")
    source, target = _known(source), _known(target)
    if UNITS[source] != UNITS[target]:
        same = ", ".join(_FACTORS[UNITS[source]])
        raise InputError(
            f"cannot convert '{source}' to '{target}': the first measures {UNITS[source]}, the second "
            f"{UNITS[target]}.\n  Units of {UNITS[source]}: {same}."
        )
    factors = _FACTORS[UNITS[source]]
    numbers = np.asarray(value, dtype=float) if isinstance(value, list | tuple) else value
    return numbers * float(factors[source] / factors[target])


def _known(unit: str) -> str:
    """The listed spelling of a unit, or an error that names the nearest one."""
    plain = unit.replace(" ", "").replace(".", "·").replace("*", "·").replace("^", "")
    for digit, small in (("m3", "m³"), ("m6", "m⁶"), ("s2", "s²"), ("L2", "L²")):
        plain = plain.replace(digit, small)
    if plain in UNITS:
        return plain
    folded = {known.casefold(): known for known in UNITS}
    close = [folded[c] for c in difflib.get_close_matches(plain.casefold(), list(folded), n=3)]
    hint = f"Did you mean {' or '.join(map(repr, close))}?" if close else f"Known units: {', '.join(UNITS)}."
    raise InputError(f"unknown unit '{unit}'.\n  {hint}")
