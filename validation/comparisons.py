"""Rows of the kinds that several cases share, each kind with its limit."""

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import ArrayLike
from rows import Row

DEFAULT_TOLERANCE = 5e-7
"""The default of `ventsim.simulate` and `ventsim.steady_breath`. [1]"""
TIGHT_TOLERANCE = 1e-10
"""A tolerance at which the error of the solver is hardly more than rounding. [1]"""

DEFAULT_LIMIT = 1e-5
"""Allowed difference from a closed form at the default tolerance. [1]"""
TIGHT_LIMIT = 1e-8
"""Allowed difference from a closed form at the tight tolerance. [1]"""
SMALL = 0.1
"""A quantity below this (cmH2O, mL, L/s) is compared absolutely, with the limit of this size. [unit]"""


def closed_form(
    case: str,
    quantity: str,
    *,
    unit: str,
    reference: float,
    value: float,
    limit: float = DEFAULT_LIMIT,
    any_model: str = "",
) -> Row:
    """A value at default tolerance against a formula of `ventsim.theory`."""
    is_small = abs(reference) < SMALL
    return Row(
        case=case, kind="closed form", quantity=quantity, unit=unit, reference=float(reference),
        reference_uncertainty=0.0, value=float(value), limit=SMALL * limit if is_small else limit,
        relative=not is_small, why=f"error of the solver, default tolerance {DEFAULT_TOLERANCE:g}",
        any_model=any_model,
    )  # fmt: skip


def worked(case: str, quantity: str, *, unit: str, text: str, value: float) -> Row:
    """A value at default tolerance against digits worked out elsewhere."""
    half = half_digit(text)
    return Row(
        case=case, kind="worked closed form", quantity=quantity, unit=unit, reference=float(text),
        reference_uncertainty=half, value=float(value), limit=half * (1 + 1e-6), relative=False,
        why="half of the last digit written",
    )  # fmt: skip


def half_digit(text: str) -> float:
    """Half of the last digit of a number that is written down; 0.005 for "9.78"."""
    decimals = len(text.partition(".")[2])
    return 0.5 * 10.0**-decimals


def worst_differences(case: str, quantity: str, *, find: Callable[[float], Iterable[float]]) -> list[Row]:
    """One row per tolerance for the largest of many relative differences from closed forms."""
    limits = {DEFAULT_TOLERANCE: DEFAULT_LIMIT, TIGHT_TOLERANCE: TIGHT_LIMIT}
    return [
        Row(
            case=case, kind="closed form", quantity=f"{quantity}, tolerance {tolerance:g}", unit="1",
            reference=0.0, reference_uncertainty=0.0, value=max(find(tolerance)),
            limit=limit, relative=False, why="error of the solver",
        )
        for tolerance, limit in limits.items()
    ]  # fmt: skip


def relative_difference(value: ArrayLike, reference: ArrayLike) -> float:
    """Largest difference of numbers, each relative to its reference or to `SMALL` if that is larger."""
    value, reference = np.asarray(value, dtype=float), np.asarray(reference, dtype=float)
    return float(np.max(np.abs(value - reference) / np.maximum(np.abs(reference), SMALL)))


def curve_difference(value: ArrayLike, reference: ArrayLike) -> float:
    """Largest difference of two curves, relative to the largest value of the reference."""
    value, reference = np.squeeze(np.asarray(value)), np.squeeze(np.asarray(reference))
    return float(np.max(np.abs(value - reference)) / np.max(np.abs(reference)))
