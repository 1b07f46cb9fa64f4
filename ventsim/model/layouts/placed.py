"""A shared circuit from the places of the beds and the sizes of the tubes."""

from collections.abc import Mapping

from ventsim.errors import CircuitError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.layouts.branch import Branch
from ventsim.model.layouts.floor_plan import FloorPlan
from ventsim.model.layouts.manifolds import Arrangement
from ventsim.model.layouts.recipes import shared
from ventsim.model.parts import LungPart, TrachealTube, Tube
from ventsim.model.parts.tube import ADULT_BORE
from ventsim.model.ventilator import Ventilator


def on_floor_plan(
    lungs: Mapping[str, LungPart],
    plan: FloorPlan,
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
    plan : FloorPlan
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
        if name not in lungs:
            hint = suggestion(str(name), lungs)
            raise CircuitError(f"tracheal_tubes: there is no lung {name!r}.\n  {hint}")
    limb = Tube(length=1.0, bore=bore)  # of its values the bore alone counts
    branches = {
        name: Branch(
            inspiratory_tube=limb, expiratory_tube=limb, tracheal_tube=TrachealTube(inner_diameter=diameter)
        )
        for name, diameter in tracheal_tubes.items()
    }
    return shared(
        lungs,
        arrangement=arrangement,
        branch=Branch(inspiratory_tube=limb, expiratory_tube=limb),
        branches=branches,
        one_way_valves=one_way_valves,
        ventilator=ventilator,
        extension=limb,
        floor_plan=plan,
    )
