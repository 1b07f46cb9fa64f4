"""Conical connectors at the ports of parts: which size and which gender each port has."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from ventsim.model.parts.part import Part
from ventsim.parameters import public


@public
@dataclass(frozen=True, slots=True, order=True)
class Cone:
    """One conical connector, or one face of a port that has two.

    Parameters
    ----------
    size : {15, 22}
        Nominal diameter. [mm]
    gender : {"male", "female"}
        Whether it goes into its counterpart or around it.

    Notes
    -----
    Sizes, the taper of 1 to 40, and the patient port that is 22 mm male outside and 15 mm female inside, are
    those of ISO 5356-1 (from memory).

    Examples
    --------
    >>> str(Cone(22, "male"))
    '22 mm male'
    """

    size: Literal[15, 22]
    gender: Literal["male", "female"]

    def __str__(self) -> str:
        return f"{self.size} mm {self.gender}"

    @public
    def mates(self, other: "Cone") -> bool:
        """Whether two cones go into each other.

        Parameters
        ----------
        other : Cone
            The counterpart.

        Returns
        -------
        bool
            True for one size and different genders.

        Examples
        --------
        >>> Cone(22, "male").mates(Cone(22, "female")), Cone(22, "male").mates(Cone(15, "female"))
        (True, False)
        """
        return self.size == other.size and self.gender != other.gender


Cones = tuple[Cone, ...]

_MALE = (Cone(22, "male"),)
_EITHER = (Cone(22, "female"), *_MALE)  # in-line parts are to be had with either gender at each end
_PATIENT = (Cone(15, "female"), Cone(22, "male"))  # one inside the other
_AIRWAY = (Cone(15, "male"), Cone(22, "female"))  # what goes onto or into a patient port

ANY_CONE: Cones = tuple(sorted((*_PATIENT, *_AIRWAY)))
"""What an adapter with one outlet has at either end, because there is one for every pair of cones."""

_NARROW_TUBE = 18.5  # half way from 15 to 22 [mm]


_IN_LINE: dict[str, Cones] = {"inlet": _EITHER, "outlet": _EITHER}
# Those of tubes and adapters depend on their values.
_BY_KIND: dict[str, dict[str, Cones]] = {
    "lung": {"airway": _AIRWAY},
    "tube": {},
    "t-piece": {"stem": _EITHER, "left": _MALE, "right": _MALE},
    "y-piece": {"inspiratory": _MALE, "expiratory": _MALE, "patient": _PATIENT},
    "adapter": {},
    "one-way valve": _IN_LINE,
    "restrictor": _IN_LINE,
    "peep valve": _IN_LINE,
    "filter": {"inlet": _AIRWAY, "outlet": _PATIENT},
    "leak": {},
    "open end": {},
    "cap": {"inlet": ANY_CONE},
    "tracheal tube": {"inlet": (Cone(15, "male"),)},
}
KINDS_WITH_CONES = frozenset(_BY_KIND)
"""Kinds of part whose connectors are known."""


@public
def cones_of(part: Part) -> Mapping[str, Cones]:
    """The cones at each port of a part.

    Parameters
    ----------
    part : Part
        The part.

    Returns
    -------
    mapping of str to tuple of Cone
        By port. Several cones: the port has two faces, or the part is to be had with any of them. A port that
        is missing has no cone, like the end of a tracheal tube that lies in the trachea.

    Notes
    -----
    From memory of ISO 5356-1: ports at ventilator and fittings 22 mm male, breathing tubes with sleeves (22
    mm female), patient ports 22 mm male outside and 15 mm female inside, tracheal tubes 15 mm male. Common
    practice, no source: tubes narrower than 18.5 mm count as 15 mm (they are sold with 22 mm sleeves too);
    valves, restrictors, stems of T-pieces and inlets of adapters are to be had male and female; an adapter
    with one outlet fits any pair of cones.

    Examples
    --------
    >>> from ventsim.model.parts import YPiece
    >>> [str(cone) for cone in cones_of(YPiece())["patient"]]
    ['15 mm female', '22 mm male']
    """
    if part.kind == "tube":
        size: Literal[15, 22] = 15 if part.bore < _NARROW_TUBE else 22
        return MappingProxyType(dict.fromkeys(part.ports, (Cone(size, "female"),)))
    if part.kind == "adapter" and part.outlets == 1:
        return MappingProxyType(dict.fromkeys(part.ports, ANY_CONE))
    if part.kind == "adapter":
        return MappingProxyType({"inlet": _EITHER, **dict.fromkeys(part.outlet_ports, _MALE)})
    return MappingProxyType(_BY_KIND.get(part.kind, {}))


def cones_mate(first: Cones, second: Cones) -> bool:
    """Whether two ports can be joined.

    Parameters
    ----------
    first, second : tuple of Cone
        Cones of the two ports; empty: no cone, which is not checked.

    Returns
    -------
    bool
        Whether any pair mates, or a port has no cone.

    Examples
    --------
    >>> from ventsim.model.parts import Tube, YPiece
    >>> cones_mate(cones_of(Tube(length=1.5))["outlet"], cones_of(YPiece())["inspiratory"])
    True
    """
    return not first or not second or any(one.mates(other) for one in first for other in second)
