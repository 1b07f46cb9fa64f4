"""Parts and joints of a ready-made circuit: the fittings of each arrangement, and the limbs of each lung."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import Field

from ventsim.errors import InputError, PartError
from ventsim.model.circuit import VENTILATOR
from ventsim.model.descriptions import Description, Family, Member
from ventsim.model.parts import (
    Adapter,
    Filter,
    LungPart,
    OneWayValve,
    Part,
    PeepValve,
    Restrictor,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
)
from ventsim.model.parts.fittings import OF_TUBE_LAW

if TYPE_CHECKING:
    from ventsim.model.layouts.layout import Layout

Arrangement = Literal["tree", "chain", "star"]
"""How the limbs leave the ports."""


RESTRICTORS = Family(
    name="restrictor",
    tag="kind",
    example="Restrictor(resistance=20) or a one-way part",
    default=Restrictor.kind,
    kinds={cls.kind: cls for cls in (Restrictor, OneWayValve, PeepValve)},
)
"""What can narrow a limb."""
_Restrictor = Annotated[Restrictor | OneWayValve | PeepValve, Member(RESTRICTORS)]


class PatientLimbs(Description):
    """What lies between the fittings at the ventilator and one lung.

    In this order: one-way valve, restrictor, inspiratory tube, Y-piece, with the filter, the tracheal tube
    and the lung at its patient port; then expiratory tube, restrictor, one-way valve. A restrictor may be a
    one-way part: a :class:`ventsim.parts.OneWayValve` or :class:`ventsim.parts.PeepValve`.

    Raises
    ------
    PartError
        If a value is not such a part.

    Examples
    --------
    >>> PatientLimbs(filter=Filter()).filter.gas_volume
    60.0
    """

    kind: ClassVar[str] = "patient limbs"
    error_type: ClassVar[type[InputError]] = PartError

    inspiratory_tube: Annotated[Tube, Field(description="inspiratory limb")] = Tube(length=1.5)
    expiratory_tube: Annotated[Tube, Field(description="expiratory limb")] = Tube(length=1.5)
    inspiratory_restrictor: Annotated[
        _Restrictor | None, Field(description="narrowing at the beginning of the inspiratory limb")
    ] = None
    expiratory_restrictor: Annotated[
        _Restrictor | None, Field(description="narrowing at the end of the expiratory limb")
    ] = None
    filter: Annotated[Filter | None, Field(description="filter between Y-piece and lung")] = None
    tracheal_tube: Annotated[
        TrachealTube | None,
        Field(description="tracheal tube of the lung; None: none, or counted in its resistance"),
    ] = None
    valve: Annotated[OneWayValve, Field(description="one-way valve in each limb")] = OneWayValve()
    y_piece: Annotated[YPiece, Field(description="Y-piece at the lung")] = YPiece()


@dataclass(frozen=True, slots=True)
class Assembly:
    """Named parts and joints of one limb under construction, and the free end that each lung's limb takes.

    `t_piece` and `adapter` are patterns of the fittings. The key of a tube is the names of the lungs for whose
    sake the fitting at its far end is there: in a tree all that it serves, in a chain the one that leaves it.
    """

    limb: str
    t_piece: TPiece
    adapter: Adapter
    runs: Mapping[tuple[str, ...], Tube]
    pairs: list[tuple[str, Part]] = field(default_factory=list)
    joints: list[tuple[str, str]] = field(default_factory=list)
    outlets: dict[str, str] = field(default_factory=dict)

    def add(self, end: str, name: str, part: Part, *, port: str) -> None:
        """Join a port of a new part to a free end."""
        self.pairs.append((name, part))
        self.joints.append((end, f"{name}.{port}"))

    def add_series(self, end: str, pieces: Iterable[tuple[str, Part | None]], finish: str) -> None:
        """Parts with an inlet and an outlet, one behind the other; those that are None are left out."""
        for name, part in pieces:
            if part is not None:
                self.add(end, name, part, port="inlet")
                end = f"{name}.outlet"
        self.joints.append((end, finish))

    def add_run(self, end: str, key: tuple[str, ...]) -> str:
        """Put a tube, if there is one, between a free end and the next fitting; the new free end."""
        if key not in self.runs:
            return end
        name = f"{self.limb} extension {sum(isinstance(part, Tube) for _, part in self.pairs) + 1}"
        # Gas leaves the ventilator through one side and returns through the other.
        near, far = ("inlet", "outlet") if self.limb == "inspiratory" else ("outlet", "inlet")
        self.add(end, name, self.runs[key], port=near)
        return f"{name}.{far}"

    def add_adapter(self, end: str, *, outlets: int) -> tuple[str, ...]:
        """Put an adapter at a free end; the new free ends."""
        name = f"{self.limb} adapter {sum(isinstance(part, Adapter) for _, part in self.pairs) + 1}"
        adapter = self.adapter.changed(outlets=outlets)
        self.add(end, name, adapter, port="inlet")
        return tuple(f"{name}.{outlet}" for outlet in adapter.outlet_ports)


def _tree(whole: Assembly, names: tuple[str, ...]) -> None:
    """A T-piece at the root, adapters with two outlets below; for more than two, an adapter at the port."""
    port, tee = f"{VENTILATOR}.{whole.limb}", f"{whole.limb} t-piece"
    if len(names) == 1:
        whole.outlets[names[0]] = port
        return
    if len(names) > 2:
        port = whole.add_adapter(port, outlets=1)[0]
    whole.add(port, tee, whole.t_piece, port="stem")
    waiting = list(zip((f"{tee}.left", f"{tee}.right"), halves(names), strict=True))
    while waiting:
        end, group = waiting.pop(0)
        if len(group) == 1:
            whole.outlets[group[0]] = end
        else:
            outlets = whole.add_adapter(whole.add_run(end, group), outlets=2)
            waiting += zip(outlets, halves(group), strict=True)


def _star(whole: Assembly, names: tuple[str, ...]) -> None:
    """One adapter with an outlet for each lung."""
    port = f"{VENTILATOR}.{whole.limb}"
    ends = whole.add_adapter(port, outlets=len(names)) if len(names) > 1 else (port,)
    whole.outlets.update(zip(names, ends, strict=True))


def _chain(whole: Assembly, names: tuple[str, ...]) -> None:
    """A T-piece for each lung but the last, and an extension tube behind each T-piece."""
    end = f"{VENTILATOR}.{whole.limb}"
    for number, name in enumerate(names[:-1], start=1):
        tee = f"{whole.limb} t-piece {number}"
        whole.add(whole.add_run(end, (name,)), tee, whole.t_piece, port="stem")
        whole.outlets[name] = f"{tee}.left"
        end = f"{tee}.right"
    whole.outlets[names[-1]] = whole.add_run(end, names[-1:])


MANIFOLDS: Mapping[str, Callable[[Assembly, tuple[str, ...]], None]] = MappingProxyType(
    {"tree": _tree, "chain": _chain, "star": _star}
)


def halves(names: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names in two groups, in their order; of an odd number the first group has one more.

    Parameters
    ----------
    names : sequence of str
        At least one name.

    Returns
    -------
    tuple of two tuples of str
        The second is empty if there is one name.

    Examples
    --------
    >>> halves("abc")
    (('a', 'b'), ('c',))
    """
    half = (len(names) + 1) // 2
    return tuple(names[:half]), tuple(names[half:])


def assembled(layout: "Layout") -> tuple[list[tuple[str, Part]], list[tuple[str, str]]]:
    """Named parts of a layout in the order of the gas, and their joints.

    Parameters
    ----------
    layout : Layout
        What is to be assembled.

    Returns
    -------
    pairs : list of (str, Part)
        The parts.
    joints : list of (str, str)
        The joints.

    Raises
    ------
    CircuitError
        If a tube cannot take the length of the floor plan.

    Warns
    -----
    PlausibilityWarning
        If a tube is unlikely long.
    """
    lungs, names = layout.lungs, tuple(layout.lungs)
    limbs = {name: layout.limbs_of(name) for name in names}
    runs: dict[tuple[str, ...], Tube] = {(name,): layout.extension_to(name) for name in layout.extended}
    if layout.floor_plan is not None:
        limbs, runs = layout.floor_plan.fitted(layout.arrangement, limbs, extension=layout.extension_to(""))
    t_piece, adapter = layout.t_piece or TPiece(), layout.adapter or Adapter()
    whole, expiratory = (Assembly(limb, t_piece, adapter, runs) for limb in ("inspiratory", "expiratory"))
    for side in (whole, expiratory):
        MANIFOLDS[layout.arrangement](side, names)
    for name, lung in lungs.items():
        ends = (whole.outlets[name], expiratory.outlets[name])
        _add_limbs(whole, name, lung, ends=ends, limbs=limbs[name], one_way_valves=layout.one_way_valves)
    whole.pairs.extend(expiratory.pairs)
    whole.joints.extend(expiratory.joints)
    _join_tubes(whole, adapter.changed(outlets=1))
    if layout.ideal:
        whole.pairs[:] = [(name, _without_side_effects(part)) for name, part in whole.pairs]
    return whole.pairs, whole.joints


def _add_limbs(
    whole: Assembly, name: str, lung: LungPart, *, ends: tuple[str, str], limbs: PatientLimbs, one_way_valves: bool
) -> None:
    """Both limbs of one lung, between its two ends at the fittings."""
    valve, y_piece = limbs.valve if one_way_valves else None, f"{name} y-piece"
    towards = (
        (f"{name} inspiratory valve", valve),
        (f"{name} inspiratory restrictor", limbs.inspiratory_restrictor),
        (f"{name} inspiratory tube", limbs.inspiratory_tube),
    )
    away = (
        (f"{name} expiratory tube", limbs.expiratory_tube),
        (f"{name} expiratory restrictor", limbs.expiratory_restrictor),
        (f"{name} expiratory valve", valve),
    )
    whole.add_series(ends[0], towards, f"{y_piece}.inspiratory")
    whole.pairs.append((y_piece, limbs.y_piece))
    patient = ((f"{name} filter", limbs.filter), (f"{name} tracheal tube", limbs.tracheal_tube))
    whole.add_series(f"{y_piece}.patient", patient, f"{name}.airway")
    whole.pairs.append((name, lung))
    whole.add_series(f"{y_piece}.expiratory", away, ends[1])


def _join_tubes(whole: Assembly, adapter: Adapter) -> None:
    """An adapter wherever two tubes meet, because both their ends are sleeves."""
    tubes = {name for name, part in whole.pairs if isinstance(part, Tube)}
    meeting = [joint for joint in whole.joints if all(end.partition(".")[0] in tubes for end in joint)]
    for number, joint in enumerate(meeting, start=1):
        name, place = f"connector {number}", whole.joints.index(joint)
        whole.pairs.append((name, adapter))
        whole.joints[place : place + 1] = [(joint[0], f"{name}.inlet"), (f"{name}.outlet", joint[1])]


def _without_side_effects(part: Part) -> Part:
    """The part as an ideal circuit has it; see :func:`shared`."""
    changes = {"gas_volume": 0.0} if "gas_volume" in type(part).model_fields else {}
    if isinstance(part, Tube):
        changes |= {"wall_compliance": 0.0, "inertia": False}
        if part.resistance is None:
            changes |= {"resistance": 0.0, **{name: Tube.model_fields[name].default for name in OF_TUBE_LAW}}
    elif isinstance(part, OneWayValve):
        changes["opening_pressure"] = 0.0
    return part.changed(changes) if changes else part
