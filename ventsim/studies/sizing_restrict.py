"""A restrictor put into the branch of one lung."""

import math
from typing import Literal

from ventsim.errors import CircuitError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.parts import AdjustableRestrictor, Orifice, Restrictor, Tube
from ventsim.model.parts.tube import ADULT_BORE

Limb = Literal["inspiratory", "expiratory"]
_LIMBS = ("inspiratory", "expiratory")


def restrict(
    circuit: Circuit,
    lung: str,
    *,
    limb: Limb = "inspiratory",
    part: Restrictor | Orifice | AdjustableRestrictor | None = None,
    bore_deviation: float = 0.0,
) -> tuple[Circuit, str]:
    """Put a restrictor into a limb that has none, between the tube and the fitting or valve at its end.

    Parameters
    ----------
    circuit : Circuit
        With parts named as those of :func:`ventsim.layouts.shared`, such as ``"b inspiratory tube"``.
    lung : str
        Name of the lung.
    limb : {"inspiratory", "expiratory"}, default "inspiratory"
        Which limb.
    part : Restrictor, Orifice, AdjustableRestrictor or None, default None
        What to put there; None: an orifice as wide as the tube, which loses nothing.
    bore_deviation : float, default 0
        True diameter minus the bore as drilled or drawn, of the orifice that is put there for None. The widest
        bore is then that of the tube less the deviation; to :func:`size` this limit is ``"widest"``. [mm]

    Returns
    -------
    tuple of (Circuit, str)
        The new circuit with the part ``"b inspiratory restrictor"``, and the path of its value to vary: the
        bore of an orifice, the opening of an adjustable restrictor, of a restrictor the quadratic resistance
        if that alone is above 0, otherwise the linear one.

    Raises
    ------
    CircuitError
        If there is no such lung, limb or tube, the limb has a restrictor, or a part and a deviation are given.
    PartError
        If the deviation is impossible.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    >>> circuit, path = restrict(vs.layouts.shared(lungs), "b")
    >>> path, circuit.parts["b inspiratory restrictor"].bore
    ('parts.b inspiratory restrictor.bore', 22.0)
    >>> drilled, _ = restrict(vs.layouts.shared(lungs), "b", bore_deviation=0.06)
    >>> drilled.parts["b inspiratory restrictor"].bore
    21.94
    """
    if lung not in circuit.lungs:
        raise CircuitError(f"there is no lung {lung!r}.\n  {suggestion(str(lung), circuit.lungs)}")
    if limb not in _LIMBS:
        raise CircuitError(f"there is no limb {limb!r}.\n  {suggestion(str(limb), _LIMBS)}")
    name, tube = f"{lung} {limb} restrictor", f"{lung} {limb} tube"
    if name in circuit.parts:
        raise CircuitError(
            f"there is a part '{name}' already ({circuit.parts[name].kind}).\n"
            f"  Vary a value of it: 'parts.{name}...'."
        )
    if not isinstance(circuit.parts.get(tube), Tube):
        raise CircuitError(
            f"there is no tube '{tube}' to put a restrictor at.\n"
            "  Make the circuit with layouts.shared, or add the restrictor to its parts and joints."
        )
    if part is not None and bore_deviation != 0.0:
        raise CircuitError(
            f"there is a part and a bore_deviation {bore_deviation!r} mm beside it.\n"
            "  Give the deviation to the part: Orifice(bore=..., bore_deviation=...)."
        )
    new = _open_orifice(circuit.parts[tube].bore, bore_deviation) if part is None else part
    if not isinstance(new, Restrictor | Orifice | AdjustableRestrictor):
        raise CircuitError(
            f"part is {type(new).__name__}, not a restrictor.\n  Give Orifice(...), Restrictor(...) or None."
        )
    first = (f"{name}.outlet", f"{tube}.inlet") if limb == "inspiratory" else (f"{tube}.outlet", f"{name}.inlet")
    end, free = (first[1], f"{name}.inlet") if limb == "inspiratory" else (first[0], f"{name}.outlet")
    joints = [first]
    for joint in circuit.joints:
        joints.append(tuple(free if place == end else place for place in joint))
    parts: dict[str, object] = {}
    for known, existing in circuit.parts.items():
        if known == tube and limb == "inspiratory":
            parts[name] = new
        parts[known] = existing
        if known == tube and limb == "expiratory":
            parts[name] = new
    field = _field_to_vary(new)
    return circuit.changed({"parts": parts, "joints": tuple(joints)}), f"parts.{name}.{field}"


def _open_orifice(tube_bore: float, deviation: float) -> Orifice:
    """The widest hole that a tube can have. [mm]"""
    narrower = Orifice(bore=0.5 * tube_bore, tube_bore=tube_bore, bore_deviation=deviation)  # refuses a wrong one
    return narrower.changed({"bore": widest_bore(narrower)})


def widest_bore(hole: Orifice) -> float:
    """The largest bore with which a hole fits its tube: there, the true bore is that of the tube. [mm]"""
    bore = hole.tube_bore - hole.bore_deviation
    # Sums are rounded: one digit less in the last place, if need be.
    return bore if bore + hole.bore_deviation <= hole.tube_bore else math.nextafter(bore, 0.0)


def _field_to_vary(part: Restrictor | Orifice | AdjustableRestrictor) -> str:
    if isinstance(part, Orifice):
        return "bore"
    if isinstance(part, AdjustableRestrictor):
        return "opening"
    only_quadratic = part.quadratic_resistance > 0.0 and part.linear_resistance == 0.0
    return "quadratic_resistance" if only_quadratic else "linear_resistance"


def tube_bore_of(circuit: Circuit, part: str) -> float:
    """Bore of the tube at which a restrictor of the layouts sits, or that of an adult tube. [mm]"""
    tube = circuit.parts.get(f"{part.removesuffix(' restrictor')} tube")
    return tube.bore if isinstance(tube, Tube) else ADULT_BORE
