"""A ready-made circuit as a description, so that a scenario can hold the recipe instead of every part."""

import html
import warnings
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, PlainSerializer, PlainValidator, SerializationInfo, model_validator

from ventsim.errors import CircuitError, InputError, suggestion
from ventsim.model.circuit import Circuit, FrozenParts
from ventsim.model.circuit.named_parts import read_parts
from ventsim.model.circuit.overview import circuit_html, circuit_words
from ventsim.model.layouts.branch import Branch
from ventsim.model.layouts.floor_plan import FloorPlan
from ventsim.model.layouts.manifolds import Arrangement
from ventsim.model.layouts.recipes import shared
from ventsim.model.parts import LUNG_KINDS, Adapter, Description, LungPart, TPiece, Tube
from ventsim.model.ventilator import Ventilator
from ventsim.model.wording import named, shown

_SIMPLE_LUNG = "lung"


def _read_each(cls: type[Description], value: object) -> FrozenParts:
    """Descriptions by name, from a mapping of them or of the plain values of each."""
    if not isinstance(value, Mapping):
        raise CircuitError(f"{shown(value)} is not a mapping of names.\n  Give {{'a': {cls.__name__}(...), ...}}.")
    items = {}
    for name, item in value.items():
        if isinstance(item, Mapping):
            with named(str(name)):
                item = cls.from_dict(item)
        items[name] = item
    return FrozenParts(items)


def _read_lungs(value: object) -> FrozenParts:
    """Lungs by name; plain values without a kind are those of a simple lung."""
    if not isinstance(value, Mapping):
        raise CircuitError(f"{shown(value)} is not a mapping of names.\n  Give {{'a': Lung(...), ...}}.")
    lungs = {
        name: {"kind": _SIMPLE_LUNG, **item} if isinstance(item, Mapping) else item for name, item in value.items()
    }
    for name, item in lungs.items():
        if isinstance(item, Mapping) and item["kind"] not in tuple(LUNG_KINDS):
            hint = suggestion(str(item["kind"]), LUNG_KINDS)
            raise CircuitError(f"lung {name!r}: there is no kind {item['kind']!r} of lungs.\n  {hint}")
    return read_parts(lungs)


def _read_branches(value: object) -> FrozenParts:
    return _read_each(Branch, {} if value is None else value)


def _read_extensions(value: object) -> FrozenParts:
    return _read_each(Tube, {} if value is None else value)


def _read_flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise CircuitError(f"{value!r} is neither true nor false.\n  Give one of the two, without quotes.")
    return value


def _dump_each(items: Mapping[str, Description], info: SerializationInfo) -> dict[str, Any]:
    return {name: item.model_dump(mode=info.mode, exclude_none=info.exclude_none) for name, item in items.items()}


_Flag = Annotated[bool, PlainValidator(_read_flag)]


class Layout(Description):
    """The arguments of :func:`ventsim.layouts.shared`, kept as a description.

    Parameters
    ----------
    lungs : mapping of str to LungPart
        The lungs by name, at least one.
    arrangement : {"tree", "chain", "star"}, default "tree"
        How the limbs leave the ports.
    branch : Branch or None, default None
        The limbs of every lung; None: the default ones.
    branches : mapping of str to Branch, default {}
        Limbs of single lungs by the lung's name, in place of `branch`.
    one_way_valves : bool, default True
        Whether each limb gets a one-way valve.
    ideal : bool, default False
        Whether to leave out the effects of the circuit.
    ventilator : Ventilator or None, default None
        The machine; None: the default one, or an ideal one in an ideal circuit.
    t_piece : TPiece or None, default None
        T-pieces at the ports; None: the default one.
    adapter : Adapter or None, default None
        Adapters at the ports, whatever its number of outlets; None: the default one.
    extension : Tube or None, default None
        Tube from bed to bed in a chain; None: 2 m of adult tube.
    extensions : mapping of str to Tube, default {}
        Tubes to the beds of single lungs in a chain by the lung's name, in place of `extension`.
    floor_plan : FloorPlan or None, default None
        Where beds and ventilator stand; the lengths of all tubes are then those of the plan.

    Raises
    ------
    CircuitError
        If a value has the wrong type, there is no lung, or a name does not fit.
    PartError
        If a part is impossible.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> layout = Layout(lungs={"a": Lung(compliance=50.0, resistance=10.0)}, one_way_valves=False)
    >>> list(layout.circuit().parts)
    ['a inspiratory tube', 'a y-piece', 'a', 'a expiratory tube']
    """

    kind: ClassVar[str] = "layout"
    error_type: ClassVar[type[InputError]] = CircuitError

    lungs: Annotated[
        Mapping[str, LungPart],
        PlainValidator(_read_lungs),
        PlainSerializer(_dump_each),
        Field(description="the lungs by name"),
    ]
    arrangement: Annotated[Arrangement, Field(description="how the limbs leave the ports")] = "tree"
    branch: Annotated[Branch | None, Field(description="limbs of every lung")] = None
    branches: Annotated[
        Mapping[str, Branch],
        PlainValidator(_read_branches),
        PlainSerializer(_dump_each),
        Field(description="limbs of single lungs by the lung's name"),
    ] = FrozenParts({})
    one_way_valves: Annotated[_Flag, Field(description="whether each limb gets a one-way valve")] = True
    ideal: Annotated[_Flag, Field(description="whether to leave out the effects of the circuit")] = False
    ventilator: Annotated[Ventilator | None, Field(description="the machine")] = None
    t_piece: Annotated[TPiece | None, Field(description="T-pieces at the ports")] = None
    adapter: Annotated[Adapter | None, Field(description="adapters at the ports")] = None
    extension: Annotated[Tube | None, Field(description="tube from bed to bed in a chain")] = None
    extensions: Annotated[
        Mapping[str, Tube],
        PlainValidator(_read_extensions),
        PlainSerializer(_dump_each),
        Field(description="tubes to single beds in a chain by the lung's name"),
    ] = FrozenParts({})
    floor_plan: Annotated[FloorPlan | None, Field(description="where beds and ventilator stand")] = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        self.circuit()
        return self

    def __repr__(self) -> str:
        return f"<{self._options()}: {circuit_words(self._same_circuit())}>"

    __str__ = __repr__

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self._options())}</p>\n{circuit_html(self._same_circuit())}"

    def _same_circuit(self) -> Circuit:
        """The circuit, without the warnings that were given when the layout was made."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return self.circuit()

    def _options(self) -> str:
        """What was chosen, without what the circuit shows."""
        options = ["Layout", f"arrangement {self.arrangement}"]
        options += [] if self.one_way_valves else ["no one-way valves"]
        options += ["ideal"] if self.ideal else []
        options += ["on a floor plan"] if self.floor_plan is not None else []
        return ", ".join(options)

    def circuit(self) -> Circuit:
        """The circuit, made by :func:`ventsim.layouts.shared`.

        Returns
        -------
        Circuit
            The checked circuit.
        """
        return shared(
            self.lungs,
            arrangement=self.arrangement,
            branch=self.branch,
            branches=self.branches,
            one_way_valves=self.one_way_valves,
            ideal=self.ideal,
            ventilator=self.ventilator,
            t_piece=self.t_piece,
            adapter=self.adapter,
            extension=self.extension,
            extensions=self.extensions,
            floor_plan=self.floor_plan,
        )
