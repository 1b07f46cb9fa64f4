"""The lung of a patient, the effort of its muscles, and what every model of a lung has in common.

The ventilator does not react to an effort: its breaths and the efforts of the patient keep their own times.
"""

import itertools
from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import Field

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description, Family, FloatTuple, Member
from ventsim.model.laws.elastic import OR_ELASTIC_LAW, AnyElasticLaw, ElasticLaw, elastic_law, sharing_one_volume
from ventsim.model.laws.flow import OR_FLOW_LAW, AnyFlowLaw, flow_law
from ventsim.model.parts.part import (
    PARTS,
    ElasticStore,
    Element,
    MuscleEffort,
    Part,
    Passage,
    Store,
    without_resistance,
)
from ventsim.quantities import quantity

_CARINA = "carina"
_MOST_REGIONS = 64

REGIONS = Family(name="region", tag="kind", example="Region(compliance=25, resistance=10)", default="region")
"""Compartments of a lung."""


def _airway(meaning: str, low: float, high: float) -> Any:
    return quantity("resistance", meaning, above=0.0, at_least=None, plausible=(low, high))


_OF_REGION = quantity("compliance", "compliance of the region", plausible=(0.01, 300.0))
_OF_ALL = quantity("compliance", "compliance of lungs and chest wall; None: that of the regions")
_OWN_IN = _airway("resistance of its own airway in inspiration", 0.05, 3000.0)
_OWN_OUT = _airway("resistance of its own airway in expiration; None: as in inspiration", 0.05, 3000.0)
_IN = _airway("airway resistance in inspiration", 0.5, 300.0)
_OUT = _airway("airway resistance in expiration; None: as in inspiration", 0.5, 300.0)
_CHEST_WALL = quantity("chest_wall_compliance")


@REGIONS.member
class Region(Description):
    """One compartment of a lung: an elastic volume behind an airway of its own.

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> Region(compliance=25.0, resistance=20.0).resistance
    20.0
    """

    kind: ClassVar[str] = "region"
    error_type: ClassVar[type[InputError]] = PartError

    compliance: Annotated[float | AnyElasticLaw, _OF_REGION, OR_ELASTIC_LAW]
    resistance: Annotated[float | AnyFlowLaw, _OWN_IN, OR_FLOW_LAW]
    expiratory_resistance: Annotated[float | AnyFlowLaw, _OWN_OUT, OR_FLOW_LAW] | None = None


_SAME = 1e-9  # times and pressures that differ by less, relative to the largest, are equal


EFFORTS = Family(name="effort", tag="kind", example="HalfSineEffort(amplitude=5, duration=1, rate=15)")
"""Efforts of the respiratory muscles."""


@EFFORTS.member
class HalfSineEffort(Description):
    r"""Half a wave of a sine for each breath of the patient, and rest until the next.

    Raises
    ------
    PartError
        If a value is impossible, or an effort would last beyond the period of the patient's breaths.

    Notes
    -----
    .. math:: p_\mathrm{mus}(t) = A \sin\big(\pi (t - t_0) / T_\mathrm{mus}\big)

    for :math:`t_0 \le t \le t_0 + T_\mathrm{mus}`, else 0; repeated every :math:`60 / f`. The alveolar
    pressure is that of the pressure-volume curve minus :math:`p_\mathrm{mus}`. The half-sine is a common
    simplification (common practice, no source).

    Examples
    --------
    >>> effort = HalfSineEffort(amplitude=8.0, duration=1.0, rate=15.0, delay=0.5)
    >>> float(effort.over_time().pressure(1.0))
    8.0
    """

    kind: ClassVar[str] = "half-sine effort"
    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    amplitude: Annotated[float, quantity("amplitude")]
    duration: Annotated[float, quantity("effort_duration")]
    rate: Annotated[float, quantity("effort_rate")]
    delay: Annotated[float, quantity("effort_delay")] = 0.0

    def _faults(self) -> Iterator[str]:
        end = self.delay + self.duration
        if end > self.period * (1.0 + _SAME):
            yield (
                f"delay {self.delay:.6g} s and duration {self.duration:.6g} s end at {end:.6g} s, "
                f"beyond the period of {self.period:.6g} s.\n"
                f"  Allowed at a rate of {self.rate:.6g}/min: {self.period:.6g} s for both together. "
                "Lower rate, duration or delay."
            )

    @property
    def period(self) -> float:
        """Time from one effort to the next. [s]"""
        return 60.0 / self.rate

    def over_time(self) -> MuscleEffort:
        """The pressure of the muscles over time.

        Returns
        -------
        MuscleEffort
            As an elastic store takes it.
        """
        end = min(self.delay + self.duration, self.period)
        return MuscleEffort(
            times=(self.delay, 0.5 * (self.delay + end), end),
            pressures=(0.0, self.amplitude, 0.0),
            period=self.period,
            half_sine=True,
        )


@EFFORTS.member
class SampledEffort(Description):
    """A measured or drawn waveform of the pressure of the muscles, straight between its points.

    Raises
    ------
    PartError
        If times and pressures do not fit each other or the period.

    Notes
    -----
    Before the first and after the last point of a period the pressure stays as it is there.

    Examples
    --------
    >>> effort = SampledEffort(times=(0.0, 0.8, 1.0), pressures=(0.0, 6.0, 0.0), period=4.0)
    >>> float(effort.over_time().pressure(4.4))
    3.0
    """

    kind: ClassVar[str] = "sampled effort"
    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    times: Annotated[FloatTuple, quantity("times")]
    pressures: Annotated[FloatTuple, quantity("muscle_pressures")]
    period: Annotated[float, quantity("effort_period")]

    def _faults(self) -> Iterator[str]:
        if len(self.times) != len(self.pressures):
            yield (
                f"there are {len(self.times)} times, but {len(self.pressures)} pressures.\n"
                "  Give one pressure for each time."
            )
        if len(self.times) < 2:
            yield (
                f"{len(self.times)} points do not describe a pressure over time.\n"
                "  Give at least 2 times and pressures."
            )
        for earlier, later in itertools.pairwise(self.times):
            if later <= earlier:
                yield (
                    f"times: {later:.6g} s follows {earlier:.6g} s.\n  Allowed: each later than the one before."
                )
        if self.times[-1] > self.period:
            yield (
                f"times end at {self.times[-1]:.6g} s, beyond the period of {self.period:.6g} s.\n"
                "  Raise the period or leave out the last points."
            )
        first, last = self.pressures[0], self.pressures[-1]
        if abs(last - first) > _SAME * max(map(abs, self.pressures)):
            yield (
                f"pressures begin at {first:.6g} cmH2O and end at {last:.6g} cmH2O, so they would "
                "jump when the effort repeats.\n  Let the last be equal to the first."
            )

    def over_time(self) -> MuscleEffort:
        """The pressure of the muscles over time.

        Returns
        -------
        MuscleEffort
            As an elastic store takes it.
        """
        return MuscleEffort(times=self.times, pressures=self.pressures, period=self.period)


_Effort = Annotated[HalfSineEffort | SampledEffort, Member(EFFORTS)]


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

    ports: ClassVar[tuple[str, ...]] = ("airway",)

    if TYPE_CHECKING:  # Declared by each lung itself, behind the fields that are its own.
        relaxation_volume: float
        predicted_body_weight: float | None

    @property
    @abstractmethod
    def compartments(self) -> tuple[str, ...]:
        """Names of the points inside that store gas."""

    @property
    @abstractmethod
    def compartment_weights(self) -> tuple[float, ...]:
        """Weight of each compartment in the alveolar pressure. [1]"""


@PARTS.member
class Lung(LungPart):
    r"""The respiratory system of one patient: lungs, chest wall and airway.

    The elastic behaviour is a compliance or a pressure-volume law, the airway a resistance or a flow law, which
    may differ between inspiration and expiration. Instead of one compartment there may be several regions side by
    side behind the common airway, which fill and empty at different times. Passive unless an effort is given.

    Raises
    ------
    PartError
        If a value is impossible, or the lung has neither a compliance nor regions, or both.

    Notes
    -----
    One compartment:

    .. math:: p_\mathrm{airway} + p_\mathrm{mus} = f(v) + f_\mathrm{cw}(v) + R(\dot V)

    where for a compliance :math:`f(v) = v / C` and for a resistance :math:`R(\dot V) = R \dot V`. Lung and chest
    wall hold the same volume, so their pressures add up, both counted from the same relaxation volume; without a
    chest wall of its own it is part of the compliance. Without hysteresis: the same curve in inspiration and
    expiration.

    Regions, with the flow :math:`q_i` into region :math:`i` and without collateral paths:

    .. math::

        p_\mathrm{airway} + p_\mathrm{mus} = R\Big(\sum_j q_j\Big) + R_i(q_i) + f_i(v_i), \qquad dv_i/dt = q_i

    They do not share a chest wall: a compliance of the chest wall belongs into those of the regions.

    References
    ----------
    .. [1] R. L. Chatburn, letter, Respiratory Care 59(4), e61 (2014): this equation as the model for
       ventilator studies.
    .. [2] A. B. Otis, C. B. McKerrow, R. A. Bartlett et al., Mechanical factors in distribution of pulmonary
       ventilation, J Appl Physiol 8 (1956) 427-443 (from memory): regions.

    Examples
    --------
    >>> Lung(compliance=50.0, resistance=10.0).time_constant
    0.5
    >>> from ventsim.model import laws
    >>> stiff = laws.Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0)
    >>> airway = laws.Rohrer(linear=5.0, quadratic=8.0)
    >>> lung = Lung(compliance=stiff, chest_wall_compliance=200.0, resistance=airway)
    >>> round(float(lung.elastic_law.pressure(905.15)), 2)
    19.53
    >>> fast, slow = Region(compliance=25.0, resistance=10.0), Region(compliance=25.0, resistance=40.0)
    >>> lung = Lung(resistance=5.0, regions=(fast, slow))
    >>> lung.compartment_weights, lung.compliance_at_relaxation
    ((0.5, 0.5), 50.0)
    """

    kind: ClassVar[str] = "lung"
    leading: ClassVar[tuple[str, ...]] = ("compliance", "resistance")

    compliance: Annotated[float | AnyElasticLaw, _OF_ALL, OR_ELASTIC_LAW] | None = None
    resistance: Annotated[float | AnyFlowLaw, _IN, OR_FLOW_LAW]
    expiratory_resistance: Annotated[float | AnyFlowLaw, _OUT, OR_FLOW_LAW] | None = None
    chest_wall_compliance: Annotated[float | AnyElasticLaw, _CHEST_WALL, OR_ELASTIC_LAW] | None = None
    regions: Annotated[
        Sequence[Region], Member(REGIONS, many=True), Field(description="compartments side by side")
    ] = ()
    collateral_resistance: Annotated[float | AnyFlowLaw, quantity("collateral_resistance"), OR_FLOW_LAW] | None = (
        None
    )
    effort: Annotated[_Effort | None, Field(description="effort of the respiratory muscles; None: none")] = None
    relaxation_volume: Annotated[float, quantity("relaxation_volume")] = 1500.0
    predicted_body_weight: Annotated[float, quantity("predicted_body_weight")] | None = None
    includes_tracheal_tube: Annotated[
        bool, Field(strict=True, description="whether its resistance is known to include that of a tracheal tube")
    ] = False

    def _faults(self) -> Iterator[str]:
        yield from without_resistance(self, "resistance", "expiratory_resistance", "collateral_resistance")
        if self.compliance is None and not self.regions:
            yield (
                "compliance is missing.\n"
                "  Give compliance=... in mL/cmH2O, compliance of lungs and chest wall; or "
                "regions=(Region(...), ...)."
            )
        if self.collateral_resistance is not None and not self.regions:
            yield "collateral_resistance joins regions, and there is none.\n  Leave it out."
        if len(self.regions) > _MOST_REGIONS:
            yield f"regions: there are {len(self.regions)} of them.\n  Allowed: 1 to {_MOST_REGIONS}."
        for name in ("compliance", "chest_wall_compliance"):
            if self.regions and getattr(self, name) is not None:
                yield (
                    f"{name} and regions are given at once.\n"
                    f"  Leave {name} out; each region has a compliance of its own, the chest wall included."
                )

    @property
    def compartments(self) -> tuple[str, ...]:
        """The regions in their order, or the only compartment."""
        if not self.regions:
            return ("alveoli",)
        return tuple(f"region {number}" for number in range(1, len(self.regions) + 1))

    @property
    def compartment_weights(self) -> tuple[float, ...]:
        """Part of each compartment in the compliance, of a law that at rest. [1]"""
        found = self._compliances_at_rest
        return tuple(one / sum(found) for one in found)

    @property
    def compliance_at_relaxation(self) -> float:
        """Compliance of lungs and chest wall at relaxation volume, that of all regions together. [mL/cmH2O]"""
        return sum(self._compliances_at_rest)

    @property
    def _compliances_at_rest(self) -> list[float]:
        """Of each region, or of the only compartment. [mL/cmH2O]"""
        whole = self.compliance if self.chest_wall_compliance is None else self.elastic_law
        return [_compliance_at_rest(one.compliance) for one in self.regions] or [_compliance_at_rest(whole)]

    @property
    def elastic_law(self) -> ElasticLaw:
        """Pressure-volume law of lung and chest wall together, of a lung without regions."""
        if self.compliance is None:
            raise PartError("lung: the regions have a pressure-volume law each.\n  Use those of the regions.")
        walls = () if self.chest_wall_compliance is None else (self.chest_wall_compliance,)
        return sharing_one_volume((self.compliance, *walls))

    @property
    def time_constant(self) -> float:
        """Resistance times compliance, in inspiration, of a lung that has one number of each. [s]"""
        if not isinstance(self.resistance, float) or not isinstance(self.compliance, float):
            raise PartError(
                "lung: only a lung with one number each for resistance and compliance has one time constant.\n"
                "  Look at its filling with steady_breath."
            )
        return self.resistance * self.compliance / 1000.0

    def elements(self) -> tuple[Element, ...]:
        """An airway and an elastic store; or the common airway, those of each region, and the collateral paths."""
        effort = None if self.effort is None else self.effort.over_time()
        if not self.regions:
            walls = () if self.chest_wall_compliance is None else (self.chest_wall_compliance,)
            store = _store("alveoli", (self.compliance, *walls), effort, self.relaxation_volume)
            return (_airway_passage("airway", "alveoli", self), store)
        elements: list[Element] = [_airway_passage("airway", _CARINA, self)]
        parts = zip(self.compartments, self.regions, self.compartment_weights, strict=True)
        for point, region, weight in parts:
            elements.append(_airway_passage(_CARINA, point, region))
            elements.append(_store(point, (region.compliance,), effort, weight * self.relaxation_volume))
        if self.collateral_resistance is not None:
            law = flow_law(self.collateral_resistance)
            elements.extend(Passage(start, end, law, law) for start, end in itertools.pairwise(self.compartments))
        return tuple(elements)


_NEAR_REST = 0.05  # [mL]


def _compliance_at_rest(value: Any) -> float:
    """Volume gained for each unit of pressure at relaxation volume. [mL/cmH2O]"""
    if isinstance(value, float):
        return value
    law = elastic_law(value)
    # Around rest, and well inside of where the law has a pressure [mL].
    high = min(_NEAR_REST, -0.01 * law.floor or _NEAR_REST, 0.01 * law.capacity)
    low = max(-high, law.floor)
    return (high - low) / float(law.pressure(high) - law.pressure(low))


def _airway_passage(start: str, end: str, owner: Lung | Region) -> Passage:
    """The airway of a lung or region from its mouth to its end."""
    inspiratory = flow_law(owner.resistance)
    own = owner.expiratory_resistance
    return Passage(start, end, inspiratory, inspiratory if own is None else flow_law(own))


def _store(at: str, laws: tuple[Any, ...], effort: MuscleEffort | None, gas_volume: float) -> Store | ElasticStore:
    """The plain store of a compliance, unless a curve or an effort is given."""
    if effort is None and len(laws) == 1 and isinstance(laws[0], float):
        return Store(at, laws[0], gas_volume=gas_volume)
    return ElasticStore(at, sharing_one_volume(laws), effort, gas_volume=gas_volume)
