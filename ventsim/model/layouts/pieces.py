"""Tubes joined from the lengths in which tube is to be had."""

import functools
import math
import numbers
from collections.abc import Sequence

from ventsim.errors import CircuitError

_MM_PER_M = 1000
_SHORTEST, _LONGEST, _MOST = 0.05, 100.0, 10


def read_pieces(value: object) -> tuple[float, ...] | None:
    """Lengths of tube that are to be had.

    Parameters
    ----------
    value : object
        Sequence of lengths in m, or None.

    Returns
    -------
    tuple of float or None
        The lengths, shortest first. [m]

    Raises
    ------
    CircuitError
        If it is neither, or a length is impossible.

    Examples
    --------
    >>> read_pieces([1.8, 1.5])
    (1.5, 1.8)
    """
    if value is None:
        return None
    is_list = isinstance(value, Sequence) and not isinstance(value, str) and 1 <= len(value) <= _MOST
    if not is_list or not all(isinstance(item, numbers.Real) and not isinstance(item, bool) for item in value):
        raise CircuitError(
            f"{value!r} is not a list of lengths.\n"
            f"  Give 1 to {_MOST} numbers of metres, such as (1.5, 1.8); or None for tube that is cut."
        )
    for item in value:
        if not _SHORTEST <= item <= _LONGEST:
            raise CircuitError(
                f"piece of {float(item):.6g} m is not allowed.\n"
                f"  Allowed: {_SHORTEST:.6g} to {_LONGEST:.6g} m. Check the unit."
            )
    return tuple(sorted({float(item) for item in value}))


def joined_pieces(length: float, *, pieces: Sequence[float]) -> tuple[float, ...]:
    """The pieces that reach a length with the least tube, and among those the fewest pieces.

    Parameters
    ----------
    length : float
        Length that is needed, at least 0. [m]
    pieces : sequence of float
        Lengths that are to be had, counted in whole millimetres. [m]

    Returns
    -------
    tuple of float
        Their lengths, longest first; none for a length of 0. [m]

    Examples
    --------
    >>> joined_pieces(3.1, pieces=(1.5, 1.8))
    (1.8, 1.5)
    >>> joined_pieces(0.4, pieces=(1.5, 1.8))
    (1.5,)
    """
    # A millimetre that rounding of floats has added is not worth a piece.
    needed = math.ceil(round(length * _MM_PER_M, 3))
    found = _joined(needed, tuple(sorted(round(piece * _MM_PER_M) for piece in pieces)))
    return tuple(piece / _MM_PER_M for piece in found)


@functools.lru_cache(maxsize=1024)
def _joined(needed: int, pieces: tuple[int, ...]) -> tuple[int, ...]:
    """Round by round one piece more; a sum that is met again needs no more pieces than before."""
    if needed <= 0:
        return ()
    shortfall: dict[int, tuple[int, ...]] = {0: ()}
    seen, enough = {0}, {}
    while shortfall:
        longer = {}
        for total, chosen in shortfall.items():
            for piece in pieces:
                reached = total + piece
                if reached in seen:
                    continue
                seen.add(reached)
                (enough if reached >= needed else longer)[reached] = (*chosen, piece)
        shortfall = longer
    return tuple(sorted(enough[min(enough)], reverse=True))
