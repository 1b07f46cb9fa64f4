"""A restrictor put into the branch of one lung."""

from typing import Literal

from ventsim.circuit import Circuit
from ventsim.errors import CircuitError, suggestion
from ventsim.parts import AdjustableRestrictor, Orifice, Restrictor, Tube
from ventsim.parts.tube import ADULT_BORE

__all__ = ["restrict"]

Limb = Literal["inspiratory", "expiratory"]
_LIMBS = ("inspiratory", "expiratory")


def restrict(
    circuit: Circuit,
    lung: str,
    *,
    limb: Limb = "inspiratory",
    part: Restrictor | Orifice | AdjustableRestrictor | None = None,
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

    Returns
    -------
    tuple of (Circuit, str)
        The new circuit with the part ``"b inspiratory restrictor"``, and the path of its value to vary: the
        bore of an orifice, the opening of an adjustable restrictor, of a restrictor the quadratic resistance
        if that alone is above 0, otherwise the linear one.

    Raises
    ------
    CircuitError
        If there is no such lung, limb or tube, or the limb has a restrictor.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "ab"}
    >>> circuit, path = restrict(vs.layouts.shared(lungs), "b")
    >>> path, circuit.parts["b inspiratory restrictor"].bore
    ('parts.b inspiratory restrictor.bore', 22.0)
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
    bore = circuit.parts[tube].bore
    new = Orifice(bore=bore, tube_bore=bore) if part is None else part
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
