"""A restrictor put into a limb of one lung."""

from typing import Any, Literal, TypeVar

from ventsim.errors import CircuitError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.laws import AdjustableCurve, Orifice
from ventsim.model.laws.flow import FLOW_LAWS, FlowLaw
from ventsim.model.layouts import PatientLimbs
from ventsim.model.parts import ADULT_BORE, Restrictor, Tube
from ventsim.model.scenario import Scenario

Limb = Literal["inspiratory", "expiratory"]
_LIMBS = ("inspiratory", "expiratory")
Subject = TypeVar("Subject", Scenario, Circuit)


def add_restrictor(
    scenario: Subject,
    lung: str,
    *,
    limb: Limb = "inspiratory",
    resistance: Any = None,
    bore_deviation: float = 0.0,
) -> tuple[Subject, str]:
    """Put a restrictor into a limb that has none, between the tube and the fitting or valve at its end.

    Parameters
    ----------
    scenario : Scenario or Circuit
        With parts named as those of :func:`ventsim.layouts.shared`, such as ``"b inspiratory tube"``.
    lung : str
        Name of the lung.
    limb : {"inspiratory", "expiratory"}, default "inspiratory"
        Which limb.
    resistance : float, flow law or None, default None
        What to put there; None: an orifice as wide as the tube, which loses nothing. [cmH2O·s/L]
    bore_deviation : float, default 0
        True diameter minus the bore as drilled or drawn, of the orifice that is put there for None. The widest
        bore is then that of the tube less the deviation; to :func:`size_restrictors` this limit is ``"widest"``.
        [mm]

    Returns
    -------
    scenario : Scenario or Circuit
        The same with the restrictor.
    path : str
        Path of its value to vary: the bore of an orifice, the opening of an adjustable valve, otherwise the
        resistance, or its quadratic coefficient if that alone is above 0.

    Raises
    ------
    CircuitError
        If there is no such lung, limb or tube, the limb has a restrictor, or a law and a deviation are given.
    PartError
        If the resistance or the deviation is impossible.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    >>> circuit, path = add_restrictor(vs.layouts.shared(lungs), "b")
    >>> path, circuit.parts["b inspiratory restrictor"].resistance.bore
    ('limbs.b.inspiratory_restrictor.resistance.bore', 22.0)
    >>> drilled, _ = add_restrictor(vs.layouts.shared(lungs), "b", bore_deviation=0.06)
    >>> drilled.parts["b inspiratory restrictor"].resistance.bore
    21.94
    """
    circuit = scenario.circuit if isinstance(scenario, Scenario) else scenario
    if lung not in circuit.lungs:
        raise CircuitError(f"there is no lung {lung!r}.\n  {suggestion(str(lung), circuit.lungs)}")
    if limb not in _LIMBS:
        raise CircuitError(f"there is no limb {limb!r}.\n  {suggestion(str(limb), _LIMBS)}")
    name, tube = f"{lung} {limb} restrictor", f"{lung} {limb} tube"
    if name in circuit.parts:
        raise CircuitError(
            f"there is a part '{name}' already.\n  Vary a value of it: 'parts.{name}.resistance...'."
        )
    if not isinstance(circuit.parts.get(tube), Tube):
        raise CircuitError(
            f"there is no tube '{tube}' to put a restrictor at.\n"
            "  Make the circuit with layouts.shared, or add the restrictor to its parts and joints."
        )
    if resistance is not None and bore_deviation != 0.0:
        raise CircuitError(
            f"there is a resistance, and a bore_deviation {bore_deviation!r} mm beside it.\n"
            "  Give the deviation to the law: laws.Orifice(bore=..., bore_deviation=...)."
        )
    if resistance is None:
        resistance = widest_orifice(circuit.parts[tube].bore, bore_deviation)
    part = resistance if isinstance(resistance, Restrictor) else Restrictor(resistance=resistance)
    if circuit.layout is None:
        new, where = _inserted(circuit, name, tube, part, limb=limb), f"parts.{name}"
    else:
        layout, field = circuit.layout, f"{limb}_restrictor"
        limbs: dict[str, PatientLimbs] = {one: layout.limbs_of(one) for one in layout.lungs}
        new = layout.changed(limbs=limbs | {lung: limbs[lung].changed({field: part})}).circuit
        where = f"limbs.{lung}.{field}"
    path = f"{where}.{_value_to_vary(part.resistance)}"
    return (scenario.changed(circuit=new) if isinstance(scenario, Scenario) else new), path


def _inserted(circuit: Circuit, name: str, tube: str, part: Restrictor, *, limb: str) -> Circuit:
    """A circuit that was joined part by part, with the restrictor before or behind the tube."""
    first = (f"{name}.outlet", f"{tube}.inlet") if limb == "inspiratory" else (f"{tube}.outlet", f"{name}.inlet")
    end, free = (first[1], f"{name}.inlet") if limb == "inspiratory" else (first[0], f"{name}.outlet")
    joints = [first, *(tuple(free if one == end else one for one in joint) for joint in circuit.joints)]
    parts = list(circuit.parts.items())
    parts.insert(list(circuit.parts).index(tube) + (limb == "expiratory"), (name, part))
    return circuit.changed(parts=dict(parts), joints=tuple(joints))


def widest_orifice(tube_bore: float, bore_deviation: float = 0.0) -> Orifice:
    """The widest hole that a tube can have: it loses nothing.

    Parameters
    ----------
    tube_bore : float
        Inner diameter of the tube. [mm]
    bore_deviation : float, default 0
        True diameter of the hole minus its bore. [mm]

    Returns
    -------
    Orifice
        The law.
    """
    narrower = Orifice(bore=0.5 * tube_bore, tube_bore=tube_bore, bore_deviation=bore_deviation)  # checks it
    return narrower.changed(bore=narrower.widest_bore)


def _value_to_vary(resistance: Any) -> str:
    """Where, below the part, the value that sets the restriction is."""
    if isinstance(resistance, Orifice):
        return "resistance.bore"
    if isinstance(resistance, AdjustableCurve):
        return "resistance.opening"
    if not isinstance(resistance, FlowLaw):
        return "resistance"
    linear, quadratic = resistance.coefficients or (0.0, 0.0)
    if resistance.coefficients is None:
        raise CircuitError(
            f"the law '{resistance.kind}' has no one value to vary.\n"
            f"  Use {FLOW_LAWS.example}, laws.Orifice or a number."
        )
    return "resistance.quadratic" if quadratic > 0.0 and linear == 0.0 else "resistance.linear"


def tube_bore_of(circuit: Circuit, part: str) -> float:
    """Bore of the tube at which a restrictor of the layouts sits, or that of an adult tube. [mm]"""
    tube = circuit.parts.get(f"{part.removesuffix(' restrictor')} tube")
    return tube.bore if isinstance(tube, Tube) else ADULT_BORE
