"""Factors are exact, a wrong unit is answered with the nearest one, and every public number has a unit."""

import inspect
import math
import re
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from public_names import ALL, entries, sections

from ventsim import units
from ventsim.units import UNITS, convert

# Conventional centimetre of water: 1000 kg/m³ x 9.80665 m/s² x 0.01 m = 98.0665 Pa (ISO 80000-4, from memory).
# Conventional millimetre of mercury: 13595.1 kg/m³ x 9.80665 m/s² x 0.001 m = 133.322387415 Pa (from memory).
# Standard atmosphere 101325 Pa and bar 100 kPa: exact by definition (10th CGPM 1954; ISO 80000-4, from memory).
# Pound 0.45359237 kg and inch 25.4 mm: exact by the international agreement of 1959 (from memory).
CONSTANTS = [
    ("CMH2O_PA", 98.0665),
    ("HPA_PA", 100.0),
    ("MMHG_PA", 133.322387415),
    ("PSI_PA", 6894.757293168362),  # 0.45359237 x 9.80665 / 0.0254², computed with 30 decimal digits
    ("ATMOSPHERE_PA", 101325.0),
    ("ATMOSPHERE_CMH2O", 1033.227452799886),  # 101325 / 98.0665, computed with 30 decimal digits
    ("L_PER_MIN", 60.0),
    ("ML_PER_L", 1000.0),
    ("CMH2O_L_J", 0.0980665),  # 98.0665 Pa x 0.001 m³
]

# One row for each unit: how much of the house's unit it is. Quotients and products of the constants above.
TO_HOUSE = [
    ("cmH2O", "cmH2O", 1.0),
    ("hPa", "cmH2O", 100 / 98.0665),
    ("mbar", "cmH2O", 100 / 98.0665),
    ("kPa", "cmH2O", 1000 / 98.0665),
    ("mmHg", "cmH2O", 1.35951),
    ("Pa", "cmH2O", 1 / 98.0665),
    ("psi", "cmH2O", 70.30695796391593),  # 6894.757293168362 / 98.0665, computed with 30 decimal digits
    ("atm", "cmH2O", 1033.227452799886),
    ("mL", "mL", 1.0),
    ("L", "mL", 1000.0),
    ("m³", "mL", 1e6),
    ("L/s", "L/s", 1.0),
    ("L/min", "L/s", 1 / 60),
    ("mL/s", "L/s", 0.001),
    ("mL/min", "L/s", 1 / 60000),
    ("m³/s", "L/s", 1000.0),
    ("s", "s", 1.0),
    ("ms", "s", 0.001),
    ("min", "s", 60.0),
    ("1/min", "1/min", 1.0),
    ("1/s", "1/min", 60.0),
    ("Hz", "1/min", 60.0),
    ("m", "m", 1.0),
    ("cm", "m", 0.01),
    ("mm", "m", 0.001),
    ("cmH2O·s/L", "cmH2O·s/L", 1.0),
    ("hPa·s/L", "cmH2O·s/L", 100 / 98.0665),
    ("mbar·s/L", "cmH2O·s/L", 100 / 98.0665),
    ("kPa·s/L", "cmH2O·s/L", 1000 / 98.0665),
    ("Pa·s/m³", "cmH2O·s/L", 1 / 98066.5),
    ("cmH2O·s²/L²", "cmH2O·s²/L²", 1.0),
    ("hPa·s²/L²", "cmH2O·s²/L²", 100 / 98.0665),
    ("Pa·s²/m⁶", "cmH2O·s²/L²", 1 / 98066500.0),
    ("mL/cmH2O", "mL/cmH2O", 1.0),
    ("L/cmH2O", "mL/cmH2O", 1000.0),
    ("mL/hPa", "mL/cmH2O", 0.980665),
    ("mL/mbar", "mL/cmH2O", 0.980665),
    ("mL/kPa", "mL/cmH2O", 0.0980665),
    ("L/kPa", "mL/cmH2O", 98.0665),
    ("m³/Pa", "mL/cmH2O", 98066500.0),
    ("J", "cmH2O·L", 1 / 0.0980665),
    ("mJ", "cmH2O·L", 0.001 / 0.0980665),
    ("cmH2O·L", "J", 0.0980665),
    ("cmH2O·mL", "J", 0.0000980665),
]


def test_constants_and_factors_are_exact():
    """To the last digit but one: the quotient of two exact numbers, rounded once."""
    for name, expected in CONSTANTS:
        assert getattr(units, name) == expected, name
    for unit, house, expected in TO_HOUSE:
        found = convert(1.0, source=unit, target=house)
        assert found == pytest.approx(expected, rel=3e-16, abs=0.0), unit
    assert {row[0] for row in TO_HOUSE} == set(UNITS)


@given(
    value=st.floats(-1e6, 1e6),
    pair=st.sampled_from([(a, b) for a in UNITS for b in UNITS if UNITS[a] == UNITS[b]]),
)
def test_there_and_back(value, pair):
    there = convert(value, source=pair[0], target=pair[1])
    assert convert(there, source=pair[1], target=pair[0]) == pytest.approx(value, rel=1e-15, abs=1e-300)


def test_flow_of_a_litre_per_second():
    """60 L/min is 1 L/s without any rounding."""
    assert convert(60.0, source="L/min", target="L/s") == 1.0
    assert convert(1.0, source="L/s", target="L/min") == 60.0


def test_arrays_keep_their_shape():
    flow = convert(np.array([[30.0, 60.0], [0.0, -60.0]]), source="L/min", target="L/s")
    np.testing.assert_allclose(flow, [[0.5, 1.0], [0.0, -1.0]], rtol=1e-15)


@pytest.mark.parametrize(
    ("typed", "unit"),
    [("cmH2O.s/L", "cmH2O·s/L"), ("Pa*s/m3", "Pa·s/m³"), ("cmH2O.s2/L2", "cmH2O·s²/L²"), ("m^3", "m³")],
)
def test_plain_typing_is_understood(typed, unit):
    assert convert(2.0, source=typed, target=unit) == 2.0


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ("cmh2o", r"unknown unit 'cmh2o'\.\n  Did you mean 'cmH2O'"),
        ("l/min", r"unknown unit 'l/min'\.\n  Did you mean 'L/min'"),
        ("furlong²", r"unknown unit 'furlong²'\.\n  Known units: cmH2O, hPa"),
    ],
)
def test_unknown_unit(wrong, message):
    with pytest.raises(ValueError, match=message):
        convert(1.0, source=wrong, target="Pa")


def test_other_quantity():
    with pytest.raises(
        ValueError, match=r"cannot convert 'mL' to 's'.*volume.*time\.\n  Units of volume: mL, L, m³"
    ):
        convert(1.0, source="mL", target="s")


def test_nan_passes_through():
    """A missing sample stays missing; conversion invents nothing."""
    assert math.isnan(convert(math.nan, source="L/min", target="L/s"))


# --- units in docstrings ------------------------------------------------------------------------------------

# Types whose values are numbers; text such as "mapping of str to float" is not one of them.
NUMBER = re.compile(r"(float|int|array|complex|tuple of float|number|sequence of float)\b")
UNIT = re.compile(r"\[[^\[\]]+\]")


def numbers_without_unit(name: str) -> Iterator[str]:
    """Parameters, attributes and results of a public name that are numbers, and have no [unit] in its docstring.

    Nothing here judges whether a unit is the right one; the tables of quantities and of result variables do.
    """
    item, of_title = ALL[name], sections(ALL[name])
    for title in ("Parameters", "Attributes"):
        for entry, text in entries(of_title.get(title, "")).items():
            if NUMBER.match(text) and not UNIT.search(text):
                yield entry
    returns = of_title.get("Returns", "")
    if NUMBER.match(returns) and not UNIT.search(returns):
        yield "what it returns"
    is_number = isinstance(item, property) and "float" in str(inspect.signature(item.fget).return_annotation)
    if is_number and not UNIT.search(inspect.getdoc(item) or ""):
        yield "its value"


def test_every_public_number_has_a_unit():
    assert [f"{name}: {number}" for name in ALL for number in numbers_without_unit(name)] == []


def test_a_number_without_unit_is_seen(monkeypatch):
    """A docstring written here: the unit of the first two names serves both."""

    class Sum:
        """Sum.

        Parameters
        ----------
        a, b : float
            Two. [s]
        c : float
            One.
        d : str
            Text.

        Returns
        -------
        float
            All.
        """

        @property
        def half(self) -> float:
            """Half of it."""

    monkeypatch.setitem(ALL, "Sum", Sum)
    monkeypatch.setitem(ALL, "Sum.half", Sum.half)
    found = [number for name in ("Sum", "Sum.half") for number in numbers_without_unit(name)]
    assert found == ["c", "what it returns", "its value"]
