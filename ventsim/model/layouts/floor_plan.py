"""Where beds and ventilator stand on the floor, and how much tube each arrangement needs for it."""

import functools
import itertools
import math
import numbers
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, ClassVar, Self, TypeGuard

from pydantic import AfterValidator, Field, PlainSerializer, PlainValidator, model_validator

from ventsim.errors import CircuitError, InputError, PlausibilityWarning, check_name, suggestion, warn_caller
from ventsim.model.descriptions import Description, FrozenMapping, plain_values, shown, without_warnings_of
from ventsim.model.layouts.assembly import MANIFOLDS, Arrangement, PatientLimbs, halves
from ventsim.model.parts import Tube
from ventsim.parameters import public
from ventsim.quantities import check, quantity, quantity_of

_MM_PER_M = 1000
_MOST = 10  # lengths of stock tube


def _sorted_lengths(value: tuple[float, ...] | None) -> tuple[float, ...] | None:
    """Each length once, shortest first."""
    if value is not None and not 1 <= len(value) <= _MOST:
        raise CircuitError(
            f"{len(value)} lengths are given.\n"
            f"  Give 1 to {_MOST}, such as (1.5, 1.8); or None for tube that is cut."
        )
    return value and tuple(sorted(set(value)))


def _are_numbers(value: object) -> TypeGuard[Sequence[float]]:
    if not isinstance(value, Sequence) or isinstance(value, str):
        return False
    return all(isinstance(item, numbers.Real) and not isinstance(item, bool) for item in value)


def joined_lengths(length: float, *, stock_lengths: Sequence[float]) -> tuple[float, ...]:
    """The pieces that reach a length with the least tube, and among those the fewest pieces.

    Parameters
    ----------
    length : float
        Length that is needed, at least 0. [m]
    stock_lengths : sequence of float
        Lengths that are to be had, counted in whole millimetres. [m]

    Returns
    -------
    tuple of float
        Their lengths, longest first; none for a length of 0. [m]

    Examples
    --------
    >>> joined_lengths(3.1, stock_lengths=(1.5, 1.8))
    (1.8, 1.5)
    >>> joined_lengths(0.4, stock_lengths=(1.5, 1.8))
    (1.5,)
    """
    # A millimetre that rounding of floats has added is not worth a piece.
    needed = math.ceil(round(length * _MM_PER_M, 3))
    found = _joined(needed, tuple(sorted(round(piece * _MM_PER_M) for piece in stock_lengths)))
    return tuple(piece / _MM_PER_M for piece in found)


@functools.lru_cache(maxsize=1024)
def _joined(needed: int, pieces: tuple[int, ...]) -> tuple[int, ...]:
    """Round by round one piece more; a sum that is met again needs no more pieces than before."""
    if needed <= 0:
        return ()
    shortfall: dict[int, tuple[int, ...]] = {0: ()}
    seen = {0}
    enough: dict[int, tuple[int, ...]] = {}
    while shortfall:
        longer: dict[int, tuple[int, ...]] = {}
        for total, chosen in shortfall.items():
            for piece in pieces:
                reached = total + piece
                if reached in seen:
                    continue
                seen.add(reached)
                (enough if reached >= needed else longer)[reached] = (*chosen, piece)
        shortfall = longer
    return tuple(sorted(enough[min(enough)], reverse=True))


Position = tuple[float, float]

SAME_PLACE = 0.01
"""Distance up to which two beds stand at one place. [m]"""


def _read_position(value: object) -> Position:
    if not _are_numbers(value) or len(value) != 2:
        raise CircuitError(f"{shown(value)} is not a place on the floor.\n  Give (x, y), each a number of metres.")
    for item in value:
        check("", {"coordinate": item}, error=CircuitError)
    x, y = map(float, value)
    return x, y


def _read_beds(value: object) -> FrozenMapping:
    if not isinstance(value, Mapping) or not value:
        raise CircuitError(f"{shown(value)} holds no bed.\n  Give at least one: {{'a': (x, y)}}, in metres.")
    beds = {}
    for name, place in value.items():
        try:
            beds[name] = _read_position(place)
        except CircuitError as error:
            raise CircuitError(f"bed {name!r}: {error}") from None
    return FrozenMapping(beds)


@dataclass(frozen=True, slots=True)
class Way:
    """A straight way on the floor.

    Attributes
    ----------
    start, end : str
        What stands at its ends, in words.
    distance : float
        From one to the other. [m]
    """

    start: str
    end: str
    distance: float


@dataclass(frozen=True, slots=True)
class TubeLengths:
    """Lengths of tube that a floor plan asks for, the same in the inspiratory and the expiratory limb.

    Attributes
    ----------
    limbs : mapping of str to float
        The tube to each lung, by the lung's name. [m]
    runs : mapping of (tuple of str) to float
        Tubes between ventilator and fittings, by the names of the lungs for whose sake the fitting at the
        far end stands where it does. [m]
    """

    limbs: Mapping[str, float]
    runs: Mapping[tuple[str, ...], float]


class FloorPlan(Description):
    r"""Places of beds and ventilator on the floor, from which the lengths of tubes follow.

    Raises
    ------
    CircuitError
        If there is no bed, two beds stand at one place, or a number is impossible.

    Notes
    -----
    A tube between two places that are :math:`d` apart needs :math:`s\,d`, with the extra_length :math:`s`; a limb
    :math:`s\,d + h`, with the height :math:`h`. Where the fittings stand:

    - ``"star"``: at the ventilator.
    - ``"chain"``: the T-piece of each lung at its bed, in the order of the lungs; the last bed has none.
    - ``"tree"``: the first T-piece at the ventilator, every other fitting in the middle (mean place) of the
      beds that it serves.

    Straight ways, whatever stands between; joints of pieces neither resist nor hold gas.

    Examples
    --------
    >>> plan = FloorPlan(beds={"a": (3.0, 0.0), "b": (0.0, 2.0)}, stock_lengths=None)
    >>> plan.tube_lengths("star").limbs["a"]
    4.1
    """

    kind: ClassVar[str] = "floor plan"
    error_type: ClassVar[type[InputError]] = CircuitError

    beds: Annotated[
        Mapping[str, Position],
        PlainValidator(_read_beds),
        PlainSerializer(plain_values),
        Field(description="place (x, y) of each bed, by the name of its lung [m]"),
    ]
    ventilator: Annotated[
        Position, PlainValidator(_read_position), Field(description="place (x, y) of the ventilator [m]")
    ] = (0.0, 0.0)
    extra_length: Annotated[float, quantity("extra_length")] = 1.2
    height: Annotated[float, quantity("height")] = 0.5
    stock_lengths: Annotated[
        Annotated[Sequence[float], quantity("stock_length")] | None, AfterValidator(_sorted_lengths)
    ] = (1.5, 1.8)

    @model_validator(mode="after")
    def _check(self) -> Self:
        for first, second in itertools.combinations(self.beds, 2):
            if math.dist(self.beds[first], self.beds[second]) <= SAME_PLACE:
                x, y = self.beds[second]
                raise CircuitError(
                    f"beds {first!r} and {second!r} stand at one place: ({x:.6g}, {y:.6g}) m.\n"
                    "  Give each bed a place of its own."
                )
        return self

    @public
    def tube_lengths(
        self, arrangement: Arrangement = "tree", *, lungs: Sequence[str] | None = None
    ) -> TubeLengths:
        """Lengths of all tubes.

        Parameters
        ----------
        arrangement : {"tree", "chain", "star"}, default "tree"
            How the limbs leave the ports.
        lungs : sequence of str or None, default None
            Names of the lungs in the order in which the circuit has them; None: the order of the beds.

        Returns
        -------
        TubeLengths
            Rounded up to what can be joined from the pieces. [m]

        Raises
        ------
        CircuitError
            If there is no such arrangement, or beds and lungs have different names.

        Examples
        --------
        >>> plan = FloorPlan(beds={"a": (0.0, 1.0), "b": (2.0, 1.0), "c": (4.0, 1.0)})
        >>> plan.tube_lengths("chain").runs
        mappingproxy({('a',): 1.5, ('b',): 3.0})
        """
        limbs, runs = self.ways(arrangement, lungs=lungs)
        of_limbs = {name: self._length(way, self.height) for name, way in limbs.items()}
        of_runs = {key: self._length(way, 0.0) for key, way in runs.items() if way.distance > 0.0}
        return TubeLengths(MappingProxyType(of_limbs), MappingProxyType(of_runs))

    @public
    def ways(
        self, arrangement: Arrangement = "tree", *, lungs: Sequence[str] | None = None
    ) -> tuple[Mapping[str, Way], Mapping[tuple[str, ...], Way]]:
        """The straight ways that the tubes follow, with what stands at their ends.

        Parameters
        ----------
        arrangement : {"tree", "chain", "star"}, default "tree"
            How the limbs leave the ports.
        lungs : sequence of str or None, default None
            Names of the lungs in the order in which the circuit has them; None: the order of the beds.

        Returns
        -------
        tuple of two mappings
            Ways of the limbs and of the tubes between fittings, by the keys of :class:`TubeLengths`.

        Raises
        ------
        CircuitError
            As :meth:`tube_lengths`.

        Examples
        --------
        >>> FloorPlan(beds={"a": (3.0, 4.0)}).ways("star")[0]["a"]
        Way(start='the ventilator', end="bed 'a'", distance=5.0)
        """
        check_name(arrangement, MANIFOLDS, wrong=f"there is no arrangement {arrangement!r}", error=CircuitError)
        names = tuple(self.beds if lungs is None else lungs)
        self.check_names(names)
        return {"tree": self._tree, "chain": self._chain, "star": self._star}[arrangement](names)

    @public
    def fitted(
        self, arrangement: Arrangement, limbs: Mapping[str, PatientLimbs], *, extension: Tube
    ) -> tuple[dict[str, PatientLimbs], dict[tuple[str, ...], Tube]]:
        """Limbs and tubes between fittings with the lengths of the plan.

        Parameters
        ----------
        arrangement : {"tree", "chain", "star"}
            How the limbs leave the ports.
        limbs : mapping of str to PatientLimbs
            The limbs of each lung, in the order in which the circuit has them.
        extension : Tube
            Pattern of the tubes between fittings.

        Returns
        -------
        limbs : dict of str to PatientLimbs
            The limbs of each lung.
        runs : dict of (tuple of str) to Tube
            Tubes between fittings, by the keys of :class:`TubeLengths`.

        Raises
        ------
        CircuitError
            As :meth:`tube_lengths`, or if a tube cannot take another length.

        Warns
        -----
        PlausibilityWarning
            If a tube is unlikely long.

        Examples
        --------
        >>> plan = FloorPlan(beds={"a": (0.0, 1.0), "b": (2.0, 1.0), "c": (4.0, 1.0)})
        >>> limbs = dict.fromkeys("abc", PatientLimbs())
        >>> plan.fitted("chain", limbs, extension=Tube(length=1.0))[1][("b",)].length
        3.0
        """
        of_limbs, of_runs = self.ways(arrangement, lungs=tuple(limbs))
        lengths = self.tube_lengths(arrangement, lungs=tuple(limbs))
        tubes = [(of_limbs[key], length) for key, length in lengths.limbs.items()]
        tubes += [(of_runs[key], length) for key, length in lengths.runs.items()]
        usual = quantity_of(Tube.model_fields["length"]) or quantity("length")
        longest = (usual.plausible or (0.0, math.inf))[1]
        for way, length in tubes:
            if length > longest:
                text = (
                    f"floor plan: {usual.text(length)} of tube from {way.start} to {way.end}, which are "
                    f"{way.distance:.4g} m apart; usual: up to {usual.text(longest)}.\n"
                    "  Check the places (in m), or put the ventilator nearer."
                )
                warn_caller(PlausibilityWarning(text))
        fitted = {}
        for name, length in lengths.limbs.items():
            new = {
                tube: _cut(getattr(limbs[name], tube), length, f"limbs of lung {name!r}: {tube}")
                for tube in ("inspiratory_tube", "expiratory_tube")
            }
            fitted[name] = limbs[name].changed(new)
        return fitted, {key: _cut(extension, length, "extension") for key, length in lengths.runs.items()}

    @public
    def check_names(self, lungs: Iterable[str]) -> None:
        """Refuse lungs without a bed and beds without a lung.

        Parameters
        ----------
        lungs : iterable of str
            Names of the lungs.

        Raises
        ------
        CircuitError
            With the nearest right name.
        """
        names = list(lungs)
        for name in names:
            check_name(name, self.beds, wrong=f"floor plan: there is no bed for lung {name!r}", error=CircuitError)
        for name in self.beds:
            if name not in names:
                raise CircuitError(
                    f"floor plan: no lung lies in bed {name!r}.\n  {suggestion(str(name), names)}\n"
                    "  Each bed has the name of its lung; leave out beds that are empty."
                )

    def _length(self, way: Way, height: float) -> float:
        """Tube along a way, and up; what can be joined from the pieces. [m]"""
        length = way.distance * self.extra_length + height
        if self.stock_lengths is None:
            return length
        return math.fsum(joined_lengths(length, stock_lengths=self.stock_lengths))

    def _star(self, names: tuple[str, ...]) -> tuple[dict[str, Way], dict[tuple[str, ...], Way]]:
        return {name: _way(self._port, self._bed(name)) for name in names}, {}

    def _chain(self, names: tuple[str, ...]) -> tuple[dict[str, Way], dict[tuple[str, ...], Way]]:
        """Tube from T-piece to T-piece; the last bed's own limb goes all the way from the last T-piece."""
        limbs: dict[str, Way] = {}
        runs: dict[tuple[str, ...], Way] = {}
        start = self._port
        for name in names[:-1]:
            runs[name,] = _way(start, self._bed(name))
            start = self._bed(name)
            limbs[name] = _way(start, start)
        limbs[names[-1]] = _way(start, self._bed(names[-1]))
        return limbs, runs

    def _tree(self, names: tuple[str, ...]) -> tuple[dict[str, Way], dict[tuple[str, ...], Way]]:
        limbs, runs = {}, {}
        waiting = [(group, self._port) for group in halves(names) if group]
        while waiting:
            group, start = waiting.pop()
            if len(group) == 1:
                limbs[group[0]] = _way(start, self._bed(group[0]))
                continue
            x, y = (math.fsum(self.beds[name][axis] for name in group) / len(group) for axis in (0, 1))
            spot = (f"the middle of beds {', '.join(map(repr, group))}", (x, y))
            runs[group] = _way(start, spot)
            waiting += [(half, spot) for half in halves(group)]
        return {name: limbs[name] for name in names}, runs

    @property
    def _port(self) -> tuple[str, Position]:
        return "the ventilator", self.ventilator

    def _bed(self, name: str) -> tuple[str, Position]:
        return f"bed {name!r}", self.beds[name]


def _way(start: tuple[str, Position], end: tuple[str, Position]) -> Way:
    return Way(start[0], end[0], math.dist(start[1], end[1]))


def _cut(tube: Tube, length: float, where: str) -> Tube:
    for name in ("resistance", "gas_volume", "wall_compliance"):
        if getattr(tube, name) is not None:
            raise CircuitError(
                f"{where}: {name} is given for the whole tube, but its length follows from the floor plan.\n"
                f"  Leave out {name} or the floor plan."
            )
    with without_warnings_of(Tube, ("length",)):  # the floor plan is warned of by itself
        return tube.changed({"length": length})
