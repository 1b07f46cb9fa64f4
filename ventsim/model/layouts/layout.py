"""The description of a ready-made circuit, and the functions that make one."""

import functools
import html
from collections.abc import Callable, Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, PlainSerializer, PlainValidator, model_validator

from ventsim.errors import CircuitError, InputError, check_name
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import read_parts
from ventsim.model.circuit.overview import circuit_html, circuit_words
from ventsim.model.descriptions import Description, FrozenMapping, named, plain_values, shown, with_article
from ventsim.model.layouts.assembly import Arrangement, PatientLimbs, assembled
from ventsim.model.layouts.floor_plan import FloorPlan
from ventsim.model.parts import ADULT_BORE, Adapter, Lung, LungPart, TPiece, TrachealTube, Tube
from ventsim.model.ventilator import Ventilator
from ventsim.parameters import public

IDEAL_VENTILATOR = Ventilator(
    source_resistance=0.0,
    exhalation_resistance=0.0,
    flow_limit=None,
    largest_tidal_volume=None,
    relief_pressure=None,
)
"""A ventilator that holds its ports exactly at the set pressure."""


def _read_lungs(lungs: object) -> FrozenMapping:
    if not isinstance(lungs, Mapping):
        kind = with_article("list" if isinstance(lungs, list | tuple) else type(lungs).__name__)
        given = lungs if isinstance(lungs, list | tuple) else (lungs,)
        names = dict(zip("abcdefgh", given, strict=False)) or {"a": None}
        example = ", ".join(f"{name!r}: ..." for name in names)
        raise CircuitError(f"no lung has a name: this is {kind}.\n  Give each a name: {{{example}}}.")
    if not lungs:
        raise CircuitError("lungs {} holds no lung.\n  Give at least one: {'a': Lung(...)}.")
    found = {
        name: {"kind": Lung.kind, **lung} if isinstance(lung, Mapping) else lung for name, lung in lungs.items()
    }
    for name, lung in found.items():
        if not isinstance(name, str):
            raise CircuitError(f"lungs: the name {shown(name)} is no text.\n  Write {shown(name)!r}.")
        if not isinstance(lung, LungPart | Mapping) or (isinstance(lung, Mapping) and lung["kind"] != Lung.kind):
            raise CircuitError(
                f"lungs: {shown(name)} is {shown(lung)}, not a lung.\n"
                "  Give a Lung(compliance=..., resistance=...)."
            )
    return read_parts(found)


def _for_all_or_each(cls: type[Description]) -> Callable[[object], Any]:
    """A reader of one description for all lungs, or of one by lung."""

    def read(value: object) -> Any:
        if isinstance(value, cls):
            return value
        if value is None or (isinstance(value, Mapping) and not value):
            return None
        wanted = with_article(cls.__name__)
        if not isinstance(value, Mapping):
            raise CircuitError(
                f"{shown(value)} is neither {wanted} nor a mapping of lungs to them.\n"
                f"  Give {cls.__name__}(...) for all lungs alike, or {{'a': {cls.__name__}(...)}}."
            )
        if set(value) <= {*cls.model_fields, cls.tag} and not any(
            isinstance(item, cls) for item in value.values()
        ):
            return cls.from_dict(value)
        items = {}
        for name, item in value.items():
            if isinstance(item, Mapping):
                with named(str(name)):
                    item = cls.from_dict(item)
            if not isinstance(item, cls):
                raise CircuitError(f"{name!r} is {shown(item)}, not {wanted}.\n  Give {cls.__name__}(...).")
            items[name] = item
        return FrozenMapping(items)

    return read


def _read_flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise CircuitError(f"{shown(value)} is neither true nor false.\n  Give one of the two, without quotes.")
    return value


_Flag = Annotated[bool, PlainValidator(_read_flag)]


class Layout(Description):
    """A ready-made circuit as :func:`ventsim.layouts.shared` makes it, kept as a description.

    Raises
    ------
    CircuitError
        If a value has the wrong type, there is no lung, or a name does not fit.
    PartError
        If a part is impossible.

    Examples
    --------
    >>> layout = Layout(lungs={"a": Lung(compliance=50.0, resistance=10.0)}, one_way_valves=False)
    >>> list(layout.circuit.parts)
    ['a inspiratory tube', 'a y-piece', 'a', 'a expiratory tube']
    """

    kind: ClassVar[str] = "layout"
    error_type: ClassVar[type[InputError]] = CircuitError

    lungs: Annotated[
        Mapping[str, LungPart],
        PlainValidator(_read_lungs),
        PlainSerializer(plain_values),
        Field(description="the lungs by name, at least one"),
    ]
    arrangement: Annotated[Arrangement, Field(description="how the limbs leave the ports")] = "tree"
    limbs: Annotated[
        PatientLimbs | Mapping[str, PatientLimbs] | None,
        PlainValidator(_for_all_or_each(PatientLimbs)),
        PlainSerializer(plain_values),
        Field(description="the limbs: one value for all lungs, or by lung; None: the default ones"),
    ] = None
    one_way_valves: Annotated[_Flag, Field(description="whether each limb gets a one-way valve")] = True
    ideal: Annotated[_Flag, Field(description="whether to leave out the effects of the circuit")] = False
    ventilator: Annotated[
        Ventilator | None,
        Field(description="the machine; None: the default one, or an ideal one in an ideal circuit"),
    ] = None
    t_piece: Annotated[TPiece | None, Field(description="T-pieces at the ports; None: the default one")] = None
    adapter: Annotated[
        Adapter | None, Field(description="adapters at the ports, whatever its outlets; None: the default one")
    ] = None
    extension: Annotated[
        Tube | Mapping[str, Tube] | None,
        PlainValidator(_for_all_or_each(Tube)),
        PlainSerializer(plain_values),
        Field(
            description="tube from bed to bed in a chain: one value for all, or by lung; None: 2 m of adult tube"
        ),
    ] = None
    floor_plan: Annotated[
        FloorPlan | None,
        Field(description="where beds and ventilator stand; the lengths of all tubes are then those of the plan"),
    ] = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name in ("limbs", "extension"):
            given = getattr(self, name)
            for lung in given if isinstance(given, FrozenMapping) else ():
                check_name(lung, self.lungs, wrong=f"{name}: there is no lung {shown(lung)}", error=CircuitError)
        own = isinstance(self.extension, Mapping)
        if own and self.floor_plan is not None:
            raise CircuitError(
                "extension: tubes by lung are given together with a floor plan, from which their lengths follow.\n"
                "  Leave out one of the two, or give one tube for all."
            )
        if own and self.arrangement != "chain":
            raise CircuitError(
                f"extension: there is none in the arrangement {self.arrangement!r}.\n"
                "  Leave it out, or take the arrangement 'chain'."
            )
        self.circuit  # noqa: B018 (made once, and checked)
        return self

    def __repr__(self) -> str:
        return f"<{self._options()}: {circuit_words(self.circuit)}>"

    __str__ = __repr__

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self._options())}</p>\n{circuit_html(self.circuit)}"

    def _options(self) -> str:
        options = ["Layout", f"arrangement {self.arrangement}"]
        options += [] if self.one_way_valves else ["no one-way valves"]
        options += ["ideal"] if self.ideal else []
        options += ["on a floor plan"] if self.floor_plan is not None else []
        return ", ".join(options)

    @public
    def limbs_of(self, lung: str) -> PatientLimbs:
        """The limbs of a lung, its own or those of all.

        Parameters
        ----------
        lung : str
            Name of the lung.

        Returns
        -------
        PatientLimbs
            The default ones where none are given.
        """
        if isinstance(self.limbs, PatientLimbs):
            return self.limbs
        return (self.limbs or {}).get(lung) or PatientLimbs()

    @public
    def extension_to(self, lung: str) -> Tube:
        """The tube to the bed of a lung in a chain, its own or that of all.

        Parameters
        ----------
        lung : str
            Name of the lung.

        Returns
        -------
        Tube
            The default one where none is given.
        """
        if isinstance(self.extension, Tube):
            return self.extension
        return (self.extension or {}).get(lung) or Tube(length=2.0)

    @property
    def extended(self) -> tuple[str, ...]:
        """Lungs of a chain to whose bed a tube leads: all but the first, and that if it has one of its own."""
        own = self.extension if isinstance(self.extension, Mapping) else ()
        names = enumerate(self.lungs) if self.arrangement == "chain" else ()
        return tuple(name for number, name in names if number > 0 or name in own)

    @functools.cached_property
    def circuit(self) -> Circuit:
        """The checked circuit; it remembers its layout."""
        pairs, joints = assembled(self)
        machine = self.ventilator or (IDEAL_VENTILATOR if self.ideal else Ventilator())
        return Circuit.from_pairs(pairs, joints=joints, ventilator=machine).of_layout(self)


@public
def shared(
    lungs: Mapping[str, LungPart],
    *,
    arrangement: Arrangement = "tree",
    limbs: PatientLimbs | Mapping[str, PatientLimbs] | None = None,
    one_way_valves: bool = True,
    ideal: bool = False,
    ventilator: Ventilator | None = None,
    t_piece: TPiece | None = None,
    adapter: Adapter | None = None,
    extension: Tube | Mapping[str, Tube] | None = None,
    floor_plan: FloorPlan | None = None,
) -> Circuit:
    """Several lungs on one ventilator, each with its own inspiratory and expiratory limb.

    The same fittings divide the inspiratory port and join the expiratory one:

    - ``"tree"``: a T-piece at the port for two lungs. For more, an adapter at the port, a T-piece behind it,
      and adapters with two outlets below, as even as the number of lungs allows; four lungs need one T-piece
      and three adapters for each port.
    - ``"chain"``: beds in a row; a T-piece for each lung but the last, joined by extension tubes.
    - ``"star"``: one adapter with an outlet for each lung.

    Parameters
    ----------
    lungs : mapping of str to LungPart
        The lungs by name, at least one.
    arrangement : {"tree", "chain", "star"}, default "tree"
        How the limbs leave the ports.
    limbs : PatientLimbs or mapping of str to PatientLimbs, optional
        The limbs: one value for all lungs, or by lung, where a lung that is left out has the default ones.
    one_way_valves : bool, default True
        Whether each limb gets a one-way valve, so that gas of one lung cannot reach another.
    ideal : bool, default False
        Whether to leave out the effects of the circuit: nothing but lungs and tracheal tubes stores gas,
        breathing tubes without a given resistance have none, and valves open at no pressure (their
        resistance, and that of restrictors, filters and tracheal tubes, stays).
    ventilator : Ventilator or None, default None
        The machine; None: the default one, or :data:`IDEAL_VENTILATOR` in an ideal circuit.
    t_piece : TPiece or None, default None
        T-pieces at the ports; None: the default one.
    adapter : Adapter or None, default None
        Adapters at the ports, whatever its number of outlets; None: the default one.
    extension : Tube or mapping of str to Tube, optional
        Tube from bed to bed in a chain, by default 2 m of adult tube: one value for all, or the tubes to the beds
        of single lungs. That of the first lung leads from the port to the first T-piece, where there is none
        otherwise.
    floor_plan : FloorPlan or None, default None
        Where beds and ventilator stand. The lengths of all tubes are then those of the plan, whatever lengths
        the others give, and a tree gets tubes between its fittings.

    Returns
    -------
    Circuit
        The checked circuit, with names such as ``"a inspiratory tube"``; the lungs keep their names.

    Raises
    ------
    CircuitError
        If there is no lung, a name does not fit, or the arrangement is unknown.

    Notes
    -----
    Where two tubes meet, as at the end of a chain without valves, an adapter joins them.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> lung = Lung(compliance=50.0, resistance=10.0)
    >>> four = shared({name: lung for name in "abcd"})
    >>> sum(part.kind == "adapter" for part in four.parts.values())
    6
    """
    return Layout(**locals()).circuit


@public
def single(
    lung: LungPart,
    *,
    name: str = "lung",
    limbs: PatientLimbs | None = None,
    one_way_valves: bool = False,
    ideal: bool = False,
    ventilator: Ventilator | None = None,
) -> Circuit:
    """One lung on one ventilator: two limbs and a Y-piece.

    Parameters
    ----------
    lung : LungPart
        The lung.
    name : str, default "lung"
        Its name in the circuit.
    limbs : PatientLimbs or None, default None
        Limbs and Y-piece; None: the default ones.
    one_way_valves : bool, default False
        Whether each limb gets a one-way valve besides the ventilator's own.
    ideal : bool, default False
        Whether to leave out all effects of the circuit, as in :func:`shared`.
    ventilator : Ventilator or None, default None
        The machine; None: the default one, or an ideal one in an ideal circuit.

    Returns
    -------
    Circuit
        The checked circuit.

    Raises
    ------
    InputError
        If a value is impossible.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> list(single(Lung(compliance=50.0, resistance=5.0)).parts)
    ['lung inspiratory tube', 'lung y-piece', 'lung', 'lung expiratory tube']
    """
    return shared({name: lung}, limbs=limbs, one_way_valves=one_way_valves, ideal=ideal, ventilator=ventilator)


@public
def on_floor_plan(
    lungs: Mapping[str, LungPart],
    floor_plan: FloorPlan,
    *,
    arrangement: Arrangement = "tree",
    tracheal_tubes: Mapping[str, float] | float | None = None,
    bore: float = ADULT_BORE,
    one_way_valves: bool = True,
    ventilator: Ventilator | None = None,
) -> Circuit:
    """Several lungs on one ventilator, with tubes as long as the places of the beds ask for.

    In short for :func:`shared` with a floor plan, where all limbs have one bore.

    Parameters
    ----------
    lungs : mapping of str to LungPart
        The lungs by name; without tracheal tubes if `tracheal_tubes` gives them.
    floor_plan : FloorPlan
        Places of beds and ventilator, with the names of the lungs.
    arrangement : {"tree", "chain", "star"}, default "tree"
        How the limbs leave the ports.
    tracheal_tubes : mapping of str to float, float or None, default None
        Inner diameters of the tracheal tubes by the lung's name, or one for all; None: none. [mm]
    bore : float, default 22
        Inner diameter of all breathing tubes. [mm]
    one_way_valves : bool, default True
        Whether each limb gets a one-way valve.
    ventilator : Ventilator or None, default None
        The machine; None: the default one.

    Returns
    -------
    Circuit
        The checked circuit.

    Raises
    ------
    CircuitError
        If beds and lungs have different names, or as :func:`shared`.
    PartError
        If a bore or diameter is impossible.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.layouts import beds_around
    >>> lungs = {name: Lung(compliance=50.0, resistance=10.0) for name in "abcd"}
    >>> circuit = on_floor_plan(lungs, beds_around(lungs, radius=2.0), tracheal_tubes={"a": 7.5})
    >>> circuit.parts["a inspiratory tube"].length, circuit.parts["a tracheal tube"].inner_diameter
    (3.0, 7.5)
    """
    if not isinstance(tracheal_tubes, Mapping):
        tracheal_tubes = {} if tracheal_tubes is None else dict.fromkeys(lungs, tracheal_tubes)
    for name in tracheal_tubes:
        check_name(name, lungs, wrong=f"tracheal_tubes: there is no lung {name!r}", error=CircuitError)
    tube = Tube(length=1.0, bore=bore)  # of its values the bore alone counts
    plain = PatientLimbs(inspiratory_tube=tube, expiratory_tube=tube)
    limbs = dict.fromkeys(lungs, plain) | {
        name: plain.changed(tracheal_tube=TrachealTube(inner_diameter=size))
        for name, size in tracheal_tubes.items()
    }
    return shared(
        lungs,
        arrangement=arrangement,
        limbs=limbs,
        one_way_valves=one_way_valves,
        ventilator=ventilator,
        extension=tube,
        floor_plan=floor_plan,
    )
