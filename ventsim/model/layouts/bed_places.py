"""Floor plans in which the beds stand in a regular pattern."""

import math
from collections.abc import Iterable
from typing import Literal

from ventsim.errors import CircuitError, check_name, shown
from ventsim.model.layouts.floor_plan import FloorPlan
from ventsim.parameters import public
from ventsim.quantities import quantity

_Distance = quantity("distance")


@public
def beds_in_row(
    names: Iterable[str],
    *,
    spacing: float = 2.0,
    distance: float = 1.0,
    ventilator_at: Literal["middle", "end"] = "middle",
) -> FloorPlan:
    """Beds in a straight row, the ventilator beside it.

    Parameters
    ----------
    names : iterable of str
        Names of the lungs from left to right, such as the mapping of the lungs.
    spacing : float, default 2
        Distance from bed to bed. [m]
    distance : float, default 1
        Distance of the ventilator from the row. [m]
    ventilator_at : {"middle", "end"}, default "middle"
        Whether the ventilator stands in front of the middle of the row, or in front of the first bed.

    Returns
    -------
    FloorPlan
        With the ventilator at (0, 0).

    Raises
    ------
    CircuitError
        If there is no name, a name occurs twice or a number is impossible.

    Examples
    --------
    >>> beds_in_row("ab", spacing=3.0).beds
    {'a': (-1.5, 1.0), 'b': (1.5, 1.0)}
    """
    beds = _read_names(names)
    _check_distance("spacing", spacing)
    _check_distance("distance", distance)
    wrong = f"beds in a row: ventilator_at {shown(ventilator_at)} is not one of the choices"
    check_name(ventilator_at, ("middle", "end"), wrong=wrong, error=CircuitError)
    first = -(len(beds) - 1) / 2.0 * spacing if ventilator_at == "middle" else 0.0
    return FloorPlan(beds={name: (first + number * spacing, distance) for number, name in enumerate(beds)})


@public
def beds_around(names: Iterable[str], *, radius: float = 2.0) -> FloorPlan:
    """Beds at equal distances on a circle, the ventilator at its centre.

    Parameters
    ----------
    names : iterable of str
        Names of the lungs in their order on the circle, such as the mapping of the lungs.
    radius : float, default 2
        Distance of each bed from the ventilator. [m]

    Returns
    -------
    FloorPlan
        With the ventilator at (0, 0) and the first bed on the x axis.

    Raises
    ------
    CircuitError
        If there is no name, a name occurs twice or the radius is impossible.

    Examples
    --------
    >>> beds_around("abcd", radius=2.0).beds["b"]
    (0.0, 2.0)
    """
    beds = _read_names(names)
    _check_distance("radius", radius)
    angles = {name: 2.0 * math.pi * number / len(beds) for number, name in enumerate(beds)}
    places = {name: (radius * math.cos(angle), radius * math.sin(angle)) for name, angle in angles.items()}
    # Rounded to micrometres, so that a quarter turn is exactly that.
    return FloorPlan(beds={name: (round(x, 6) + 0.0, round(y, 6) + 0.0) for name, (x, y) in places.items()})


def _read_names(names: Iterable[str]) -> list[str]:
    if not isinstance(names, Iterable):
        raise CircuitError(f"{shown(names)} is not a list of names.\n  Give the names of the lungs: ['a', 'b'].")
    beds = list(names)
    for name in beds:
        if beds.count(name) > 1:
            raise CircuitError(f"two beds are called {name!r}.\n  Give every bed a name of its own.")
    return beds


def _check_distance(name: str, value: float) -> None:
    fault = _Distance.fault(value)
    if fault:
        raise CircuitError(f"{name} {fault}\n  {_Distance.allowed()}")
