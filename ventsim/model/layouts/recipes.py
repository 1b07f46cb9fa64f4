"""Functions that make a circuit from lungs and a few choices."""

from collections.abc import Iterable, Mapping

from ventsim.errors import CircuitError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.layouts.branch import Branch
from ventsim.model.layouts.floor_plan import FloorPlan
from ventsim.model.layouts.manifolds import MANIFOLDS, Arrangement, Fittings, Plan
from ventsim.model.layouts.tubes_of_plan import lay_tubes
from ventsim.model.parts import Adapter, LungPart, OneWayValve, Part, TPiece, Tube
from ventsim.model.ventilator import Ventilator
from ventsim.model.wording import shown

IDEAL_VENTILATOR = Ventilator(
    source_resistance=0.0, exhalation_resistance=0.0, flow_limit=None, relief_pressure=None
)
"""A ventilator that holds its ports exactly at the set pressure."""


def single(
    lung: LungPart,
    *,
    name: str = "lung",
    branch: Branch | None = None,
    one_way_valves: bool = False,
    ideal: bool = False,
    ventilator: Ventilator | None = None,
) -> Circuit:
    """One lung on one ventilator: two limbs and a Y-piece.

    Parameters
    ----------
    lung : LungPart
        The lung, of any kind.
    name : str, default "lung"
        Its name in the circuit.
    branch : Branch or None, default None
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
    return shared({name: lung}, branch=branch, one_way_valves=one_way_valves, ideal=ideal, ventilator=ventilator)


def shared(
    lungs: Mapping[str, LungPart],
    *,
    arrangement: Arrangement = "tree",
    branch: Branch | None = None,
    branches: Mapping[str, Branch] | None = None,
    one_way_valves: bool = True,
    ideal: bool = False,
    ventilator: Ventilator | None = None,
    t_piece: TPiece | None = None,
    adapter: Adapter | None = None,
    extension: Tube | None = None,
    extensions: Mapping[str, Tube] | None = None,
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
    branch : Branch or None, default None
        The limbs of every lung; None: the default ones.
    branches : mapping of str to Branch or None, default None
        Limbs of single lungs by the lung's name, in place of `branch`.
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
    extension : Tube or None, default None
        Tube from bed to bed in a chain; None: 2 m of adult tube.
    extensions : mapping of str to Tube or None, default None
        Tubes to the beds of single lungs in a chain by the lung's name, in place of `extension`. That of the
        first lung leads from the port to the first T-piece, where there is none otherwise.
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
    _check_lungs(lungs)
    _check_flag("one_way_valves", one_way_valves)
    _check_flag("ideal", ideal)
    if branches is not None and not isinstance(branches, Mapping):
        raise CircuitError(
            f"branches: {type(branches).__name__} is not a mapping of lungs to branches.\n"
            "  Give branches={'a': Branch(...)}, or branch=Branch(...) for all lungs alike."
        )
    default, own = Branch() if branch is None else branch, branches or {}
    for name in own:
        if name not in lungs:
            raise CircuitError(f"branches: there is no lung '{name}'.\n  {suggestion(name, lungs)}")
    _check_branches((default, *own.values()))
    build = MANIFOLDS.get(arrangement)
    if build is None:
        hint = suggestion(str(arrangement), MANIFOLDS)
        raise CircuitError(f"there is no arrangement {arrangement!r}.\n  {hint}")
    tubes = lay_tubes(
        tuple(lungs),
        arrangement=arrangement,
        branch=default,
        branches=own,
        extension=extension,
        extensions=extensions or {},
        floor_plan=floor_plan,
    )
    fittings = Fittings(t_piece or TPiece(), adapter or Adapter(), tubes.runs)
    inspiratory = build("inspiratory", tuple(lungs), fittings)
    expiratory = build("expiratory", tuple(lungs), fittings)
    plan = Plan(inspiratory.pairs, inspiratory.joints)
    for name, lung in lungs.items():
        ends = (inspiratory.outlets[name], expiratory.outlets[name])
        limbs = tubes.branches[name]
        _add_branch(plan, name, lung, ends=ends, branch=limbs, one_way_valves=one_way_valves)
    plan.pairs.extend(expiratory.pairs)
    plan.joints.extend(expiratory.joints)
    _join_tubes(plan, fittings.adapter.changed({"outlets": 1}))
    if ideal:
        plan.pairs[:] = [(name, _without_side_effects(part)) for name, part in plan.pairs]
    machine = ventilator or (IDEAL_VENTILATOR if ideal else Ventilator())
    return Circuit.from_pairs(plan.pairs, joints=plan.joints, ventilator=machine)


def _check_lungs(lungs: Mapping[str, LungPart]) -> None:
    if not isinstance(lungs, Mapping):
        kind = "list" if isinstance(lungs, list | tuple) else type(lungs).__name__
        given = lungs if isinstance(lungs, list | tuple) else (lungs,)
        names = dict(zip("abcdefgh", given, strict=False)) or {"a": None}
        example = ", ".join(f"{name!r}: ..." for name in names)
        article = "an" if kind[0] in "aeiouAEIOU" else "a"
        raise CircuitError(
            f"lungs is {article} {kind}, and holds no lung with a name.\n  Give each a name: {{{example}}}."
        )
    if not lungs:
        raise CircuitError("lungs {} holds no lung.\n  Give at least one: {'a': Lung(...)}.")
    for name, lung in lungs.items():
        if not isinstance(name, str):
            raise CircuitError(f"lungs: the name {name!r} is no text.\n  Write {str(name)!r}.")
        if not isinstance(lung, LungPart):
            raise CircuitError(
                f"lungs: {name!r} is {shown(lung)}, not a lung.\n  Give a Lung(compliance=..., resistance=...)."
            )


def _check_flag(name: str, value: object) -> None:
    """A text such as "no" would count as true."""
    if not isinstance(value, bool):
        raise CircuitError(f"{name}: {value!r} is neither True nor False.\n  Give one of the two, without quotes.")


def _check_branches(branches: Iterable[Branch]) -> None:
    for branch in branches:
        if not isinstance(branch, Branch):
            raise CircuitError(f"branch {shown(branch)} is not a Branch.\n  Give Branch(...).")


def _add_branch(
    plan: Plan, name: str, lung: LungPart, *, ends: tuple[str, str], branch: Branch, one_way_valves: bool
) -> None:
    """Both limbs of one lung, between its two ends at the fittings."""
    valve, y_piece = branch.valve if one_way_valves else None, f"{name} y-piece"
    towards = (
        (f"{name} inspiratory valve", valve),
        (f"{name} inspiratory restrictor", branch.inspiratory_restrictor),
        (f"{name} inspiratory tube", branch.inspiratory_tube),
    )
    away = (
        (f"{name} expiratory tube", branch.expiratory_tube),
        (f"{name} expiratory restrictor", branch.expiratory_restrictor),
        (f"{name} expiratory valve", valve),
    )
    _add_series(plan, ends[0], towards, f"{y_piece}.inspiratory")
    plan.pairs.append((y_piece, branch.y_piece))
    patient = ((f"{name} filter", branch.filter), (f"{name} tracheal tube", branch.tracheal_tube))
    _add_series(plan, f"{y_piece}.patient", patient, f"{name}.airway")
    plan.pairs.append((name, lung))
    _add_series(plan, f"{y_piece}.expiratory", away, ends[1])


def _join_tubes(plan: Plan, adapter: Adapter) -> None:
    """An adapter wherever two tubes meet, because both their ends are sleeves."""
    tubes = {name for name, part in plan.pairs if isinstance(part, Tube)}
    meeting = [joint for joint in plan.joints if all(end.partition(".")[0] in tubes for end in joint)]
    for number, joint in enumerate(meeting, start=1):
        name, place = f"connector {number}", plan.joints.index(joint)
        plan.pairs.append((name, adapter))
        plan.joints[place : place + 1] = [(joint[0], f"{name}.inlet"), (f"{name}.outlet", joint[1])]


def _add_series(plan: Plan, start: str, pieces: Iterable[tuple[str, Part | None]], finish: str) -> None:
    """Parts with an inlet and an outlet, one behind the other; those that are None are left out."""
    for name, part in pieces:
        if part is not None:
            plan.pairs.append((name, part))
            plan.joints.append((start, f"{name}.inlet"))
            start = f"{name}.outlet"
    plan.joints.append((start, finish))


def _without_side_effects(part: Part) -> Part:
    """The part as an ideal circuit has it; see :func:`shared`."""
    changes = {"gas_volume": 0.0} if "gas_volume" in type(part).model_fields else {}
    if isinstance(part, Tube):
        changes |= {"wall_compliance": 0.0, "inertia": False}
        if part.resistance is None and part.quadratic_resistance is None:
            changes |= {"resistance": 0.0, "quadratic_resistance": 0.0}
    elif isinstance(part, OneWayValve):
        changes["opening_pressure"] = 0.0
    return part.changed(changes) if changes else part
