"""Fittings that divide, join and end the stream, and the tubes between them, also that in a trachea."""

from collections.abc import Iterable, Iterator
from typing import Annotated, ClassVar

from pydantic import Field

from ventsim.model.laws.flow import OPEN, OR_FLOW_LAW, AnyFlowLaw, FlowLaw, flow_law
from ventsim.model.laws.tracheal import (
    TRACHEAL_LOSS_COEFFICIENT,
    tracheal_tube_curvature,
    tracheal_tube_friction,
    tracheal_tube_length,
)
from ventsim.model.laws.tube_friction import (
    AIR_DENSITY,
    AIR_VISCOSITY,
    CORRUGATED_FRICTION,
    TubeFriction,
    Wall,
    tube_inertance,
    tube_volume,
)
from ventsim.model.parts.part import PARTS, Atmosphere, Element, InLine, Part, Passage, filled_passage, gas_stores
from ventsim.quantities import Quantity, quantity, quantity_of
from ventsim.units import ATMOSPHERE_CMH2O

ADULT_BORE = 22.0
"""Bore of an adult breathing tube. [mm] Nominal size of the 22 mm cone of ISO 5356-1."""

WALL_COMPLIANCE_PER_METRE = 0.3
"""Wall stretch of one metre of corrugated 22 mm tube. [mL/cmH2O per m]

Common practice, no source. Chosen so that two limbs of 1.5 m, with their gas, store 2.0 mL/cmH2O, inside the
1.5 to 2.5 mL/cmH2O measured on three adult circuits (Respiratory Care 39(8), 1994, DOI
10.1177/193336549403900803 as printed).
"""


def _resistance(meaning: str) -> Quantity:
    return quantity("resistance", meaning, plausible=(0.0, 300.0))


_WHOLE = _resistance("resistance of the whole tube; None: from length and bore")
_MEASURED = _resistance("resistance as measured; None: from the size")
_MEASURED_OUT = _resistance("resistance as measured in expiration; None: as in inspiration")
_GAS = quantity("gas_volume", "gas inside; None: cross-section times length", plausible=(0.0, 5000.0))
_LENGTH = quantity("length", "length; None: usual for the size", plausible=(0.05, 0.45))
_CURVATURE = quantity("curvature", "one over the radius of the bend; 0: straight; None: usual for the size")
_LOSS = quantity("loss_coefficient", "dynamic heads lost at ends and joint", plausible=(0.0, 5.0))
_LOSS_OUT = quantity("expiratory_loss_coefficient", plausible=(0.0, 5.0))
_LEG = quantity("resistance", "resistance of each outlet", plausible=(0.0, 100.0))
OF_TUBE_LAW = ("corrugated_friction", "loss_coefficient")
"""Fields of a tube that its own law alone has, which a resistance replaces."""

_Inertia = Annotated[bool, Field(strict=True, description="whether the gas in the tube has to be accelerated")]


def _replaced_by(resistance: str, part: Part, names: Iterable[str]) -> Iterator[str]:
    """Values of a law that is not used, because a resistance is given in its place."""
    for name in names:
        info = type(part).model_fields[name]
        value, quantity = getattr(part, name), quantity_of(info)
        if value != info.default and quantity is not None:
            yield (
                f"{name} {quantity.text(value)} would change nothing, because {resistance} is given.\n"
                f"  Leave it out, or leave out {resistance}; a law as measured includes it."
            )


@PARTS.member
class TPiece(Part):
    """A T-piece: one stem and two legs.

    The same part divides the inspiratory limb and joins the expiratory one. All gas is stored at the stem.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    Changes of momentum at the bend are neglected, or counted in the resistance of the legs.

    Examples
    --------
    >>> TPiece().ports
    ('stem', 'left', 'right')
    """

    kind: ClassVar[str] = "t-piece"
    ports: ClassVar[tuple[str, ...]] = ("stem", "left", "right")

    gas_volume: Annotated[float, quantity("gas_volume")] = 15.0
    resistance: Annotated[float | AnyFlowLaw, _LEG, OR_FLOW_LAW] = 0.0

    def elements(self) -> tuple[Element, ...]:
        """A passage through each leg, and a store at the stem."""
        law = flow_law(self.resistance)
        legs = (Passage("stem", "left", law, law), Passage("stem", "right", law, law))
        return (*legs, *gas_stores(self.gas_volume, at=("stem",), mixes=True))


@PARTS.member
class YPiece(Part):
    """The Y-piece at a patient, which joins inspiratory tube, expiratory tube and the patient's airway.

    No resistance. All gas is stored at the patient port.

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> YPiece().ports
    ('inspiratory', 'expiratory', 'patient')
    """

    kind: ClassVar[str] = "y-piece"
    ports: ClassVar[tuple[str, ...]] = ("inspiratory", "expiratory", "patient")

    gas_volume: Annotated[float, quantity("gas_volume")] = 12.0

    def elements(self) -> tuple[Element, ...]:
        """Ideal passages towards and from the patient, and a store at the patient port."""
        towards = Passage("inspiratory", "patient", OPEN, OPEN)
        away = Passage("patient", "expiratory", OPEN, OPEN)
        return (towards, away, *gas_stores(self.gas_volume, at=("patient",), mixes=True))


@PARTS.member
class Adapter(Part):
    """A 22 mm adapter: one inlet, and one or more outlets.

    With one outlet it connects two parts whose ends do not fit; with more it divides the inspiratory limb or
    joins the expiratory one. All gas is stored at the inlet, or evenly at both ends if there is one outlet.

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> Adapter().ports
    ('inlet', 'outlet')
    >>> Adapter(outlets=2).ports
    ('inlet', 'outlet1', 'outlet2')
    """

    kind: ClassVar[str] = "adapter"

    outlets: Annotated[int, quantity("outlets")] = 1
    gas_volume: Annotated[float, quantity("gas_volume")] = 8.0
    resistance: Annotated[float | AnyFlowLaw, _LEG, OR_FLOW_LAW] = 0.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The inlet and the outlets."""
        return ("inlet", *self.outlet_ports)

    @property
    def outlet_ports(self) -> tuple[str, ...]:
        """The outlets: ``outlet`` if there is one, else ``outlet1``, ``outlet2`` and so on."""
        if self.outlets == 1:
            return ("outlet",)
        return tuple(f"outlet{number}" for number in range(1, self.outlets + 1))

    def elements(self) -> tuple[Element, ...]:
        """A passage through each outlet, and the stores."""
        law = flow_law(self.resistance)
        if self.outlets == 1:
            return filled_passage(law, law, gas_volume=self.gas_volume)
        passages = tuple(Passage("inlet", outlet, law, law) for outlet in self.outlet_ports)
        return (*passages, *gas_stores(self.gas_volume, at=("inlet",), mixes=True))


@PARTS.member
class OpenEnd(Part):
    r"""An end that is open to the room, such as a joint that has come apart.

    Holds no gas and is the same in both directions.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    One dynamic head is lost, with the area :math:`A` of the opening:

    .. math:: \Delta p = \frac{\rho}{2 A^2} \, q |q|

    Gas that leaves loses all of its motion in the room. Gas that comes in around a thin wall that stands free
    in the room loses as much by the theory of J.-C. de Borda, in which the jet shrinks to half of the area;
    handbooks give 0.8 to 1 for it, 0.5 for a sharp edge that is flush with a wall, and less for a rounded one
    (both from memory).

    Examples
    --------
    >>> float(OpenEnd(bore=15.0).elements()[0].forward.pressure_drop(1.0))
    0.197
    """

    kind: ClassVar[str] = "open end"
    ports: ClassVar[tuple[str, ...]] = ("inlet",)

    bore: Annotated[float, quantity("bore", "inner diameter of the opening", plausible=(2.0, 40.0))] = 22.0
    density: Annotated[float, quantity("density")] = AIR_DENSITY

    def elements(self) -> tuple[Element, ...]:
        """A passage to the room."""
        law = TubeFriction.model_construct(bore=self.bore, length=0.0, loss_coefficient=1.0, density=self.density)
        return (Passage("inlet", "room", law, law), Atmosphere("room"))


@PARTS.member
class Cap(Part):
    """A cap that closes an end. Holds no gas.

    Examples
    --------
    >>> Cap().elements()
    ()
    """

    kind: ClassVar[str] = "cap"
    ports: ClassVar[tuple[str, ...]] = ("inlet",)

    def elements(self) -> tuple[Element, ...]:
        """None: the end is an end."""
        return ()


@PARTS.member
class Tube(InLine):
    r"""A straight tube of constant bore.

    The stored gas is split evenly between the two ends.

    Raises
    ------
    PartError
        If a value is impossible, or heads or a friction are given beside a resistance, which includes them.

    Notes
    -----
    .. math:: C = V / (n \, p_\mathrm{atm}) + C_\mathrm{wall}, \qquad C_\mathrm{wall} = c L (D/22)^2

    The gas is compressed with the polytropic exponent :math:`n`: 1, isothermal, where it has the time to take the
    temperature of the wall, as in narrow tubes and slow breaths; 1.4, adiabatic, is the other end, for wide
    vessels and fast changes (textbook thermodynamics; where a tube lies in between was not measured).
    The wall scales as if each stretched in proportion to the gas it holds; rough guide for bores of 10 to
    30 mm. Without a `resistance` of its own the flow law is
    :class:`ventsim.laws.TubeFriction`: linear plus quadratic in a corrugated tube; in a smooth one laminar, then
    turbulent after Blasius, with a smooth blend between.

    References
    ----------
    .. [1] For the pressure drop see there; the wall's scaling is common practice, no source.

    Examples
    --------
    >>> tube = Tube(length=1.5)
    >>> tube.stored_compliance
    1.002
    >>> Tube(length=0.0, resistance=8.0).stored_compliance
    0.0
    """

    kind: ClassVar[str] = "tube"

    length: Annotated[float, quantity("length", plausible=(0.0, 10.0))]
    bore: Annotated[float, quantity("bore", plausible=(2.5, 40.0))] = ADULT_BORE
    resistance: Annotated[float | AnyFlowLaw, _WHOLE, OR_FLOW_LAW] | None = None
    gas_volume: Annotated[float, _GAS] | None = None
    wall_compliance: Annotated[float, quantity("wall_compliance")] | None = None
    wall: Annotated[Wall, Field(description="what the wall is like inside")] = "corrugated"
    corrugated_friction: Annotated[float, quantity("corrugated_friction")] = CORRUGATED_FRICTION
    loss_coefficient: Annotated[float, quantity("loss_coefficient")] = 0.0
    density: Annotated[float, quantity("density", plausible=(0.5, 2.0))] = AIR_DENSITY
    viscosity: Annotated[float, quantity("viscosity", plausible=(10.0, 30.0))] = AIR_VISCOSITY
    inertia: _Inertia = False
    polytropic_exponent: Annotated[float, quantity("polytropic_exponent")] = 1.0

    def _faults(self) -> Iterator[str]:
        if self.resistance is not None:
            yield from _replaced_by("resistance", self, OF_TUBE_LAW)

    @property
    def flow_law(self) -> FlowLaw:
        """The flow law: the given one, else that of length and bore."""
        if self.resistance is not None:
            return flow_law(self.resistance)
        # Of the law a tube has all values but the curvature, under the same names.
        names = [name for name in TubeFriction.model_fields if name != "curvature"]
        return TubeFriction.model_construct(**{name: getattr(self, name) for name in names})

    @property
    def contained_volume(self) -> float:
        """Gas inside at atmospheric pressure. [mL]"""
        return tube_volume(self.bore, self.length) if self.gas_volume is None else self.gas_volume

    @property
    def inertance(self) -> float:
        """Inertance of the gas inside; 0 without inertia. [cmH2O·s²/L]"""
        return tube_inertance(self.bore, self.length, density=self.density) if self.inertia else 0.0

    @property
    def wall_stretch(self) -> float:
        """Stretch of the whole wall. [mL/cmH2O]"""
        if self.wall_compliance is not None:
            return self.wall_compliance
        return WALL_COMPLIANCE_PER_METRE * self.length * (self.bore / ADULT_BORE) ** 2

    @property
    def stored_compliance(self) -> float:
        """Gas stored for each unit of pressure, compressed at the standard atmosphere. [mL/cmH2O]"""
        return self.contained_volume / ATMOSPHERE_CMH2O / self.polytropic_exponent + self.wall_stretch

    def elements(self) -> tuple[Element, ...]:
        """A passage, half of the gas at each end, and inertia if it is wanted."""
        return filled_passage(
            self.flow_law, self.flow_law, gas_volume=self.contained_volume, inertance=self.inertance,
            wall_compliance=self.wall_stretch, polytropic_exponent=self.polytropic_exponent,
        )  # fmt: skip


@PARTS.member
class TrachealTube(InLine):
    r"""A tracheal or tracheostomy tube with its slip joint.

    Its wall is smooth and stiff; its bend raises laminar friction. Inspiration flows from inlet to outlet.

    Raises
    ------
    PartError
        If a value is impossible, or a measured resistance is given together with what it replaces: curvature,
        obstructed fraction, heads.

    Notes
    -----
    Without a `resistance` of its own the law in each direction is :func:`ventsim.laws.tracheal_tube_friction`. A
    measured law, such as ``laws.PowerLaw(coefficient=6.5, exponent=1.75)``, holds for the tube as it was measured;
    gas does not change it. One law for each direction is usual because the drop
    differs between inspiration and expiration [1]_.

    References
    ----------
    .. [1] J. Guttmann et al., Anesthesiology 79 (1993) 503-513 (abstract).

    Examples
    --------
    >>> float(TrachealTube(inner_diameter=8.0).inspiratory_law.pressure_drop(1.0))
    6.78
    >>> TrachealTube(inner_diameter=8.0).contained_volume
    16.6
    """

    kind: ClassVar[str] = "tracheal tube"

    inner_diameter: Annotated[float, quantity("inner_diameter")]
    length: Annotated[float, _LENGTH] | None = None
    curvature: Annotated[float, _CURVATURE] | None = None
    obstructed_fraction: Annotated[float, quantity("obstructed_fraction")] = 0.0
    loss_coefficient: Annotated[float, _LOSS] = TRACHEAL_LOSS_COEFFICIENT
    expiratory_loss_coefficient: Annotated[float, _LOSS_OUT] | None = None
    resistance: Annotated[float | AnyFlowLaw, _MEASURED, OR_FLOW_LAW] | None = None
    expiratory_resistance: Annotated[float | AnyFlowLaw, _MEASURED_OUT, OR_FLOW_LAW] | None = None
    density: Annotated[float, quantity("density", plausible=(0.5, 2.0))] = AIR_DENSITY
    viscosity: Annotated[float, quantity("viscosity", plausible=(10.0, 30.0))] = AIR_VISCOSITY
    inertia: _Inertia = False

    def _faults(self) -> Iterator[str]:
        if self.expiratory_resistance is not None:
            yield from _replaced_by("expiratory_resistance", self, ("expiratory_loss_coefficient",))
        if self.resistance is not None:
            names = ("curvature", "obstructed_fraction", "loss_coefficient", "expiratory_loss_coefficient")
            yield from _replaced_by("resistance", self, names)

    @property
    def tube_length(self) -> float:
        """Length, given or usual for the size. [m]"""
        return tracheal_tube_length(self.inner_diameter) if self.length is None else self.length

    @property
    def bend_curvature(self) -> float:
        """Curvature, given or usual for the size. [1/m]"""
        return tracheal_tube_curvature(self.inner_diameter) if self.curvature is None else self.curvature

    @property
    def open_bore(self) -> float:
        """Diameter that secretions leave free. [mm]"""
        return self.inner_diameter * (1.0 - self.obstructed_fraction)

    @property
    def contained_volume(self) -> float:
        """Gas inside, part of the dead space. [mL]"""
        return tube_volume(self.open_bore, self.tube_length)

    @property
    def inspiratory_law(self) -> FlowLaw:
        """Flow law from inlet to outlet."""
        return self._from_size(self.loss_coefficient) if self.resistance is None else flow_law(self.resistance)

    @property
    def expiratory_law(self) -> FlowLaw:
        """Flow law from outlet to inlet."""
        if self.expiratory_resistance is not None:
            return flow_law(self.expiratory_resistance)
        if self.resistance is not None or self.expiratory_loss_coefficient is None:
            return self.inspiratory_law
        return self._from_size(self.expiratory_loss_coefficient)

    def _from_size(self, loss_coefficient: float) -> FlowLaw:
        names = ("length", "curvature", "obstructed_fraction", "density", "viscosity")
        values = {name: getattr(self, name) for name in names}
        return tracheal_tube_friction(self.inner_diameter, loss_coefficient=loss_coefficient, **values)

    def elements(self) -> tuple[Element, ...]:
        """A passage, half of the gas at each end, and inertia if it is wanted."""
        inertance = tube_inertance(self.open_bore, self.tube_length, density=self.density) if self.inertia else 0.0
        laws = self.inspiratory_law, self.expiratory_law
        return filled_passage(*laws, gas_volume=self.contained_volume, inertance=inertance)
