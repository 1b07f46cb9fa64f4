"""Fittings that divide or join the stream: T-piece, Y-piece and adapter."""

from typing import Annotated, ClassVar

from ventsim.model.laws.flow import OPEN, OR_FLOW_LAW, FlowLaw, flow_law
from ventsim.model.laws.tube_friction import AIR_DENSITY, TubeFriction
from ventsim.model.parts.part import PARTS, Atmosphere, Element, Part, Passage, filled_passage, gas_stores
from ventsim.quantities import quantity

_LEG = quantity("resistance", "resistance of each outlet", plausible=(0.0, 100.0))


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

    gas_volume: Annotated[float, quantity("gas_volume")] = 15.0
    resistance: Annotated[float | FlowLaw, _LEG, OR_FLOW_LAW] = 0.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The stem and the two legs."""
        return ("stem", "left", "right")

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

    gas_volume: Annotated[float, quantity("gas_volume")] = 12.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The two tube ends and the patient's side."""
        return ("inspiratory", "expiratory", "patient")

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
    resistance: Annotated[float | FlowLaw, _LEG, OR_FLOW_LAW] = 0.0

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

    bore: Annotated[float, quantity("bore", "inner diameter of the opening", plausible=(2.0, 40.0))] = 22.0
    density: Annotated[float, quantity("density")] = AIR_DENSITY

    @property
    def ports(self) -> tuple[str, ...]:
        """The end."""
        return ("inlet",)

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

    @property
    def ports(self) -> tuple[str, ...]:
        """The end that is closed."""
        return ("inlet",)

    def elements(self) -> tuple[Element, ...]:
        """None: the end is an end."""
        return ()
