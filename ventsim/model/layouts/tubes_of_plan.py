"""The tubes of a ready-made circuit: as given, or with the lengths of a floor plan."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ventsim.errors import CircuitError, PlausibilityWarning, suggestion, warn_caller
from ventsim.model.descriptions import doubts_settled
from ventsim.model.layouts.branch import Branch
from ventsim.model.layouts.floor_plan import FloorPlan, TubeLengths
from ventsim.model.layouts.manifolds import Arrangement
from ventsim.model.parts import Tube
from ventsim.model.wording import shown
from ventsim.quantities import quantity_of

_OF_THE_WHOLE_TUBE = ("resistance", "quadratic_resistance", "gas_volume", "wall_compliance")


@dataclass(frozen=True, slots=True)
class LaidTubes:
    """What leads to each lung, and the tubes that lead to fittings.

    Attributes
    ----------
    branches : mapping of str to Branch
        By the lung's name.
    runs : mapping of (tuple of str) to Tube
        As :class:`ventsim.layouts.manifolds.Fittings` has them.
    """

    branches: Mapping[str, Branch]
    runs: Mapping[tuple[str, ...], Tube]


def lay_tubes(
    names: Sequence[str],
    *,
    arrangement: Arrangement,
    branch: Branch,
    branches: Mapping[str, Branch],
    extension: Tube | None,
    extensions: Mapping[str, Tube],
    floor_plan: FloorPlan | None,
) -> LaidTubes:
    """Branches and tubes between fittings, for lungs in their order.

    Parameters
    ----------
    names : sequence of str
        Names of the lungs.
    arrangement : {"tree", "chain", "star"}
        How the limbs leave the ports.
    branch : Branch
        The limbs of every lung; on a floor plan without regard to their lengths.
    branches : mapping of str to Branch
        Limbs of single lungs, in place of `branch`.
    extension : Tube or None
        Tube between fittings; on a floor plan without regard to its length. None: 2 m of adult tube.
    extensions : mapping of str to Tube
        Tubes to the fittings of single lungs in a chain; not on a floor plan.
    floor_plan : FloorPlan or None
        Where beds and ventilator stand.

    Returns
    -------
    LaidTubes
        The tubes.

    Raises
    ------
    CircuitError
        If a name or type does not fit, or a tube cannot take the length of the plan.

    Warns
    -----
    PlausibilityWarning
        If the plan asks for a tube of unlikely length.
    """
    _check_extensions(names, arrangement, extensions)
    limbs = {name: branches.get(name, branch) for name in names}
    pattern = Tube(length=2.0) if extension is None else extension
    if floor_plan is None:
        runs = {(name,): pattern for name in names[1:]} if arrangement == "chain" else {}
        return LaidTubes(limbs, runs | {(name,): tube for name, tube in extensions.items()})
    if not isinstance(floor_plan, FloorPlan):
        raise CircuitError(f"floor_plan {shown(floor_plan)} is not a FloorPlan.\n  Give FloorPlan(beds={{...}}).")
    if extensions:
        raise CircuitError(
            "extensions are given together with a floor plan, from which their lengths follow.\n"
            "  Leave out one of the two."
        )
    lengths = floor_plan.tube_lengths(arrangement, lungs=names)
    _doubt(floor_plan, arrangement, names, lengths)
    limbs = {name: _fitted(limb, name=name, length=lengths.limbs[name]) for name, limb in limbs.items()}
    return LaidTubes(limbs, {key: _cut(pattern, length, "extension") for key, length in lengths.runs.items()})


def _doubt(plan: FloorPlan, arrangement: Arrangement, names: Sequence[str], lengths: TubeLengths) -> None:
    """Tell of tubes that are unlikely long, in the words of the plan: what stands how far apart."""
    limbs, runs = plan.ways(arrangement, lungs=names)
    quantity = quantity_of(Tube.model_fields["length"])
    longest = quantity.plausible[1]
    tubes = [(limbs[key], length) for key, length in lengths.limbs.items()]
    tubes += [(runs[key], length) for key, length in lengths.runs.items()]
    for way, length in tubes:
        if length > longest:
            text = (
                f"floor plan: {quantity.text(length)} of tube from {way.start} to {way.end}, which are "
                f"{way.distance:.4g} m apart; usual: up to {quantity.text(longest)}.\n"
                "  Check the places (in m), or put the ventilator nearer."
            )
            warn_caller(PlausibilityWarning(text))


def _check_extensions(names: Sequence[str], arrangement: str, extensions: Mapping[str, Tube]) -> None:
    if extensions and arrangement != "chain":
        raise CircuitError(
            f"extensions: there is none in the arrangement {arrangement!r}.\n"
            "  Leave them out, or take the arrangement 'chain'."
        )
    for name, tube in extensions.items():
        if name not in names:
            raise CircuitError(f"extensions: there is no lung {name!r}.\n  {suggestion(str(name), names)}")
        if not isinstance(tube, Tube):
            raise CircuitError(f"extensions: {name!r} is {shown(tube)}, not a tube.\n  Give Tube(length=...).")


def _fitted(branch: Branch, *, name: str, length: float) -> Branch:
    """The branch with both limbs of one length."""
    where = f"branch of lung {name!r}"
    limbs = ("inspiratory_tube", "expiratory_tube")
    return branch.changed({limb: _cut(getattr(branch, limb), length, f"{where}: {limb}") for limb in limbs})


def _cut(tube: Tube, length: float, where: str) -> Tube:
    for name in _OF_THE_WHOLE_TUBE:
        if getattr(tube, name) is not None:
            raise CircuitError(
                f"{where}: {name} is given for the whole tube, but its length follows from the floor plan.\n"
                f"  Leave out {name} or the floor plan."
            )
    with doubts_settled(Tube, ("length",)):  # the plan has its own words for it
        return tube.changed({"length": length})
