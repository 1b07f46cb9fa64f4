"""What every model of a lung has in common, and the simplest one: one compartment behind one airway."""

from abc import abstractmethod
from typing import TYPE_CHECKING, Annotated, ClassVar

from ventsim.model.laws.pressure_volume import PressureVolume
from ventsim.model.parts.effort import Effort, EffortField
from ventsim.model.parts.elements import ElasticStore, Element, Passage, Rohrer, Store
from ventsim.model.parts.part import Part
from ventsim.quantities import quantity

InspiratoryResistance = Annotated[
    float,
    quantity("resistance", "airway resistance in inspiration", above=0.0, at_least=None, plausible=(0.5, 300.0)),
]
ExpiratoryResistance = (
    Annotated[float, quantity("expiratory_resistance", "airway resistance in expiration; None: as in inspiration")]
    | None
)
RelaxedVolume = Annotated[
    float,
    quantity("relaxation_volume"),
]
BodyWeight = Annotated[float, quantity("predicted_body_weight")] | None


class LungPart(Part):
    """Base of every model of a lung: a part with one port, ``"airway"``, that stores gas inside.

    A final subclass

    1. has the fields `relaxation_volume` and `predicted_body_weight`, as :class:`Lung` has them;
    2. returns from `elements` exactly one passage that begins at ``"airway"``, with a resistance; its flow is
       the flow of the lung, positive in inspiration;
    3. names in `compartments` the points inside at which it stores gas, each with one store or elastic store;
       the volume of the lung is the sum of theirs;
    4. gives in `compartment_weights` one weight above 0 for each of them, 1 in sum; the alveolar pressure of
       the lung is the mean of their pressures with these weights.

    Examples
    --------
    >>> Lung(compliance=50.0, resistance=10.0).compartments
    ('alveoli',)
    """

    if TYPE_CHECKING:  # Declared by each lung itself, behind the fields that are its own.
        relaxation_volume: float
        predicted_body_weight: float | None

    @property
    def ports(self) -> tuple[str, ...]:
        """The airway opening."""
        return ("airway",)

    @property
    @abstractmethod
    def compartments(self) -> tuple[str, ...]:
        """Names of the points inside that store gas."""

    @property
    @abstractmethod
    def compartment_weights(self) -> tuple[float, ...]:
        """Share of each compartment in the compliance of the lung. [1]"""


class Lung(LungPart):
    r"""The whole respiratory system of one patient: lungs, chest wall and airway, one compartment.

    Compliance and resistance do not change with volume or flow; the resistance may differ between inspiration
    and expiration. Passive unless an effort is given.

    Parameters
    ----------
    compliance : float
        Volume gained for each unit of alveolar pressure, of lungs and chest wall together. [mL/cmH2O]
    resistance : float
        Pressure drop along the airway for each unit of flow, in inspiration. [cmH2O·s/L]
    expiratory_resistance : float or None, default None
        The same in expiration; None: as in inspiration. [cmH2O·s/L]
    effort : HalfSineEffort, SampledEffort or None, default None
        Effort of the respiratory muscles; None: none.
    relaxation_volume : float, default 1500
        Gas in the lungs at zero pressure; does not change pressures or flows. The default is illustrative.
        [mL]
    predicted_body_weight : float or None, default None
        Predicted body weight, for volumes for each kilogram; None: unknown. [kg]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: p_\mathrm{airway} + p_\mathrm{mus} = v / C + R \dot V

    Valid as far as pressure-volume curve and pressure-flow curve of the airway may be taken as straight.

    References
    ----------
    .. [1] R. L. Chatburn, letter, Respiratory Care 59(4), e61 (2014): this equation as the model for
       ventilator studies.

    Examples
    --------
    >>> Lung(compliance=50.0, resistance=10.0).time_constant
    0.5
    """

    kind: ClassVar[str] = "lung"

    compliance: Annotated[float, quantity("compliance", "compliance of lungs and chest wall")]
    resistance: InspiratoryResistance
    expiratory_resistance: ExpiratoryResistance = None
    effort: EffortField = None
    relaxation_volume: RelaxedVolume = 1500.0
    predicted_body_weight: BodyWeight = None

    @property
    def compartments(self) -> tuple[str, ...]:
        """The only compartment."""
        return ("alveoli",)

    @property
    def compartment_weights(self) -> tuple[float, ...]:
        """All in one compartment. [1]"""
        return (1.0,)

    @property
    def time_constant(self) -> float:
        """Resistance times compliance, in inspiration. [s]"""
        return self.resistance * self.compliance / 1000.0

    def elements(self) -> tuple[Element, ...]:
        """A passage from airway to alveoli, and the elastic store behind it."""
        airway = airway_passage(
            "airway", "alveoli", inspiratory=self.resistance, expiratory=self.expiratory_resistance
        )
        return (airway, linear_store("alveoli", self.compliance, effort=self.effort))


def airway_passage(start: str, end: str, *, inspiratory: float, expiratory: float | None) -> Passage:
    """An airway with a linear resistance that may depend on the direction of the flow.

    Parameters
    ----------
    start, end : str
        Points nearer to and farther from the mouth.
    inspiratory : float
        Resistance from `start` to `end`. [cmH2O·s/L]
    expiratory : float or None
        Resistance from `end` to `start`; None: the same. [cmH2O·s/L]

    Returns
    -------
    Passage
        The airway.

    Examples
    --------
    >>> airway_passage("airway", "alveoli", inspiratory=10.0, expiratory=None).backward.linear
    10.0
    """
    out = inspiratory if expiratory is None else expiratory
    return Passage(start, end, Rohrer(inspiratory, 0.0), Rohrer(out, 0.0))


def linear_store(at: str, compliance: float, *, effort: Effort | None) -> Store | ElasticStore:
    """A compartment with a constant compliance, passive or with an effort.

    Parameters
    ----------
    at : str
        Its point.
    compliance : float
        Its compliance. [mL/cmH2O]
    effort : HalfSineEffort, SampledEffort or None
        Effort of the respiratory muscles.

    Returns
    -------
    Store or ElasticStore
        The plain store unless there is an effort.

    Examples
    --------
    >>> linear_store("alveoli", 50.0, effort=None)
    Store(at='alveoli', compliance=50.0)
    """
    if effort is None:
        return Store(at, compliance)
    return ElasticStore(at, PressureVolume(linear=1.0 / compliance), effort.course())
