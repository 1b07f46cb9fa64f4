"""Parts and joints of a ready-made circuit."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, ClassVar

from pydantic import Field

from ventsim.errors import CircuitError, InputError, PartError, PlausibilityWarning, warn_caller
from ventsim.model.descriptions import Description, without_warnings_of
from ventsim.model.layouts.floor_plan import FloorPlan, TubeLengths
from ventsim.model.layouts.manifolds import MANIFOLDS, Arrangement, Assembly, Fittings
from ventsim.model.parts import (
    Adapter,
    Filter,
    Lung,
    LungPart,
    OneWayValve,
    Part,
    Restrictor,
    TPiece,
    TrachealTube,
    Tube,
    YPiece,
)
from ventsim.quantities import quantity, quantity_of

if TYPE_CHECKING:
    from ventsim.model.layouts.layout import Layout


class PatientLimbs(Description):
    """What lies between the fittings at the ventilator and one lung.

    In this order: one-way valve, restrictor, inspiratory tube, Y-piece, with the filter, the tracheal tube
    and the lung at its patient port; then expiratory tube, restrictor, one-way valve.

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
        Restrictor | None, Field(description="narrowing at the beginning of the inspiratory limb")
    ] = None
    expiratory_restrictor: Annotated[
        Restrictor | None, Field(description="narrowing at the end of the expiratory limb")
    ] = None
    filter: Annotated[Filter | None, Field(description="filter between Y-piece and lung")] = None
    tracheal_tube: Annotated[
        TrachealTube | None,
        Field(description="tracheal tube of the lung; None: none, or counted in its resistance"),
    ] = None
    valve: Annotated[OneWayValve, Field(description="one-way valve in each limb")] = OneWayValve()
    y_piece: Annotated[YPiece, Field(description="Y-piece at the lung")] = YPiece()


_OF_THE_WHOLE_TUBE = ("resistance", "gas_volume", "wall_compliance")


def assembled(
    layout: "Layout", extensions: Mapping[tuple[str, ...], Tube]
) -> tuple[list[tuple[str, Part]], list[tuple[str, str]]]:
    """Named parts of a layout in the order of the gas, and their joints.

    Parameters
    ----------
    layout : Layout
        What is to be assembled.
    extensions : mapping of tuple to Tube
        Tubes to the bed of a lung; on a floor plan the pattern of all, under the empty tuple.

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
        If a tube is unlikely long, or a lung counts its tracheal tube twice.
    """
    lungs, arrangement, floor_plan = layout.lungs, layout.arrangement, layout.floor_plan
    names = tuple(lungs)
    limbs = {name: layout.limbs_of(name) for name in names}
    for name, lung in lungs.items():
        _warn_of_second_tracheal_tube(name, lung, limbs[name].tracheal_tube)
    if floor_plan is not None:
        lengths = floor_plan.tube_lengths(arrangement, lungs=names)
        _warn_of_long_tubes(floor_plan, arrangement, names, lengths)
        limbs = {name: _fitted(one, name=name, length=lengths.limbs[name]) for name, one in limbs.items()}
        extensions = {key: _cut(extensions[()], length, "extension") for key, length in lengths.runs.items()}
    adapter = layout.adapter or Adapter()
    fittings = Fittings(layout.t_piece or TPiece(), adapter, extensions)
    build = MANIFOLDS[arrangement]
    inspiratory, expiratory = build("inspiratory", names, fittings), build("expiratory", names, fittings)
    whole = Assembly(inspiratory.pairs, inspiratory.joints)
    for name, lung in lungs.items():
        ends = (inspiratory.outlets[name], expiratory.outlets[name])
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
    _add_series(whole, ends[0], towards, f"{y_piece}.inspiratory")
    whole.pairs.append((y_piece, limbs.y_piece))
    patient = ((f"{name} filter", limbs.filter), (f"{name} tracheal tube", limbs.tracheal_tube))
    _add_series(whole, f"{y_piece}.patient", patient, f"{name}.airway")
    whole.pairs.append((name, lung))
    _add_series(whole, f"{y_piece}.expiratory", away, ends[1])


def _join_tubes(whole: Assembly, adapter: Adapter) -> None:
    """An adapter wherever two tubes meet, because both their ends are sleeves."""
    tubes = {name for name, part in whole.pairs if isinstance(part, Tube)}
    meeting = [joint for joint in whole.joints if all(end.partition(".")[0] in tubes for end in joint)]
    for number, joint in enumerate(meeting, start=1):
        name, place = f"connector {number}", whole.joints.index(joint)
        whole.pairs.append((name, adapter))
        whole.joints[place : place + 1] = [(joint[0], f"{name}.inlet"), (f"{name}.outlet", joint[1])]


def _add_series(whole: Assembly, start: str, pieces: Iterable[tuple[str, Part | None]], finish: str) -> None:
    """Parts with an inlet and an outlet, one behind the other; those that are None are left out."""
    for name, part in pieces:
        if part is not None:
            whole.pairs.append((name, part))
            whole.joints.append((start, f"{name}.inlet"))
            start = f"{name}.outlet"
    whole.joints.append((start, finish))


def _without_side_effects(part: Part) -> Part:
    """The part as an ideal circuit has it; see :func:`shared`."""
    changes = {"gas_volume": 0.0} if "gas_volume" in type(part).model_fields else {}
    if isinstance(part, Tube):
        changes |= {"wall_compliance": 0.0, "inertia": False}
        if part.resistance is None:
            changes["resistance"] = 0.0
    elif isinstance(part, OneWayValve):
        changes["opening_pressure"] = 0.0
    return part.changed(changes) if changes else part


_USUAL_FLOW = 0.5  # at which the loss of a tracheal tube is given [L/s]


def _warn_of_second_tracheal_tube(name: str, lung: LungPart, tube: TrachealTube | None) -> None:
    """Warn of a tracheal tube before a lung whose resistance includes one."""
    if tube is not None and isinstance(lung, Lung) and lung.includes_tracheal_tube:
        share = float(tube.inspiratory_law.pressure_drop(_USUAL_FLOW)) / _USUAL_FLOW
        text = (
            f"lung {name!r}: its airway resistance includes a tracheal tube, and its limbs hold one of "
            f"{tube.inner_diameter:.4g} mm: the tube is counted twice.\n"
            "  Leave out tracheal_tube. Or give the lung the resistance of the airway alone, about "
            f"{share:.2g} cmH2O·s/L less (that of the tube at {_USUAL_FLOW:g} L/s), and "
            "includes_tracheal_tube=False."
        )
        warn_caller(PlausibilityWarning(text))


def _warn_of_long_tubes(
    plan: FloorPlan, arrangement: Arrangement, names: Sequence[str], lengths: TubeLengths
) -> None:
    """Warn of tubes that are unlikely long, in the words of the plan: what stands how far apart."""
    limbs, runs = plan.ways(arrangement, lungs=names)
    length_of_tube = quantity_of(Tube.model_fields["length"]) or quantity("length")
    longest = (length_of_tube.plausible or (0.0, math.inf))[1]
    tubes = [(limbs[key], length) for key, length in lengths.limbs.items()]
    tubes += [(runs[key], length) for key, length in lengths.runs.items()]
    for way, length in tubes:
        if length > longest:
            text = (
                f"floor plan: {length_of_tube.text(length)} of tube from {way.start} to {way.end}, which are "
                f"{way.distance:.4g} m apart; usual: up to {length_of_tube.text(longest)}.\n"
                "  Check the places (in m), or put the ventilator nearer."
            )
            warn_caller(PlausibilityWarning(text))


def _fitted(limbs: PatientLimbs, *, name: str, length: float) -> PatientLimbs:
    """The branch with both limbs of one length."""
    where = f"limbs of lung {name!r}"
    tubes = ("inspiratory_tube", "expiratory_tube")
    return limbs.changed({tube: _cut(getattr(limbs, tube), length, f"{where}: {tube}") for tube in tubes})


def _cut(tube: Tube, length: float, where: str) -> Tube:
    for name in _OF_THE_WHOLE_TUBE:
        if getattr(tube, name) is not None:
            raise CircuitError(
                f"{where}: {name} is given for the whole tube, but its length follows from the floor plan.\n"
                f"  Leave out {name} or the floor plan."
            )
    with without_warnings_of(Tube, ("length",)):  # the floor plan is warned of by itself
        return tube.changed({"length": length})
