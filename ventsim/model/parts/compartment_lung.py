"""A lung of several regions that fill and empty side by side."""

import itertools
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar

from pydantic import Field, PlainSerializer, PlainValidator, SerializationInfo

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.parts.effort import EffortField
from ventsim.model.parts.elements import Element, Passage, Rohrer
from ventsim.model.parts.lung import (
    BodyWeight,
    ExpiratoryResistance,
    LungPart,
    RelaxedVolume,
    airway_passage,
    linear_store,
)
from ventsim.model.wording import named, shown
from ventsim.quantities import quantity

_MOST_REGIONS = 64
_CARINA = "carina"


class Region(Description):
    """One compartment of a lung: a compliance behind an airway of its own.

    Parameters
    ----------
    compliance : float
        Volume gained for each unit of pressure. [mL/cmH2O]
    resistance : float
        Resistance of its own airway in inspiration. [cmH2O·s/L]
    expiratory_resistance : float or None, default None
        The same in expiration; None: as in inspiration. [cmH2O·s/L]

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> Region(compliance=25.0, resistance=20.0).time_constant
    0.5
    """

    kind: ClassVar[str] = "region"
    error_type: ClassVar[type[InputError]] = PartError

    compliance: Annotated[float, quantity("compliance", "compliance of the region", plausible=(0.01, 300.0))]
    resistance: Annotated[
        float,
        quantity(
            "resistance",
            "resistance of its own airway in inspiration",
            above=0.0,
            at_least=None,
            plausible=(0.05, 3000.0),
        ),
    ]
    expiratory_resistance: (
        Annotated[
            float,
            quantity(
                "expiratory_resistance",
                "resistance of its own airway in expiration; None: as in inspiration",
                plausible=(0.05, 3000.0),
            ),
        ]
        | None
    ) = None

    @property
    def time_constant(self) -> float:
        """Resistance times compliance, in inspiration. [s]"""
        return self.resistance * self.compliance / 1000.0


def _read_regions(value: object) -> tuple[Region, ...]:
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise PartError(f"{value!r} is not a list of regions.\n  Give (Region(...), Region(...)).")
    if not 1 <= len(value) <= _MOST_REGIONS:
        raise PartError(f"there are {len(value)} of them.\n  Allowed: 1 to {_MOST_REGIONS}.")
    regions = []
    for number, item in enumerate(value, start=1):
        if isinstance(item, Mapping):
            with named(str(number)):
                item = Region.from_dict(item)
        if not isinstance(item, Region):
            raise PartError(f"number {number}, {shown(item)}, is not a region.\n  Give Region(...).")
        regions.append(item)
    return tuple(regions)


def _dump_regions(regions: tuple[Region, ...], info: SerializationInfo) -> list[dict[str, Any]]:
    return [region.model_dump(mode=info.mode, exclude_none=info.exclude_none) for region in regions]


class CompartmentLung(LungPart):
    r"""Several regions in parallel behind a common airway, each with a compliance and an airway of its own.

    Regions with different time constants fill and empty at different times, and gas may pass from one to
    another.

    Parameters
    ----------
    resistance : float
        Resistance of the common airway in inspiration. [cmH2O·s/L]
    regions : sequence of Region
        The regions, 1 to 64. Their points are called ``"region 1"``, ``"region 2"`` and so on.
    expiratory_resistance : float or None, default None
        Resistance of the common airway in expiration; None: as in inspiration. [cmH2O·s/L]
    collateral_resistance : float or None, default None
        Resistance of a path from each region to the next in the list; None: no such path. [cmH2O·s/L]
    effort : HalfSineEffort, SampledEffort or None, default None
        Effort of the respiratory muscles, the same on every region; None: none.
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
    With the flow :math:`q_i` into region :math:`i` and without collateral paths

    .. math::

        p_\mathrm{airway} + p_\mathrm{mus} = R \sum_j q_j + R_i q_i + v_i / C_i, \qquad dv_i/dt = q_i

    The regions do not share a chest wall: the pleural pressure is the same everywhere and does not depend on
    the volume. A compliance of the chest wall belongs into those of the regions.

    References
    ----------
    .. [1] A. B. Otis, C. B. McKerrow, R. A. Bartlett et al., Mechanical factors in distribution of pulmonary
       ventilation, J Appl Physiol 8 (1956) 427-443 (from memory).

    Examples
    --------
    >>> fast, slow = Region(compliance=25.0, resistance=10.0), Region(compliance=25.0, resistance=40.0)
    >>> lung = CompartmentLung(resistance=5.0, regions=(fast, slow))
    >>> lung.compliance, lung.compartment_weights
    (50.0, (0.5, 0.5))
    """

    kind: ClassVar[str] = "compartment lung"

    resistance: Annotated[
        float,
        quantity(
            "resistance",
            "resistance of the common airway in inspiration",
            above=0.0,
            at_least=None,
            plausible=(0.05, 300.0),
        ),
    ]
    regions: Annotated[
        tuple[Region, ...],
        PlainValidator(_read_regions),
        PlainSerializer(_dump_regions),
        Field(description="the regions, side by side"),
    ]
    expiratory_resistance: ExpiratoryResistance = None
    collateral_resistance: Annotated[float, quantity("collateral_resistance")] | None = None
    effort: EffortField = None
    relaxation_volume: RelaxedVolume = 1500.0
    predicted_body_weight: BodyWeight = None

    @property
    def compartments(self) -> tuple[str, ...]:
        """The regions, in their order."""
        return tuple(f"region {number}" for number in range(1, len(self.regions) + 1))

    @property
    def compliance(self) -> float:
        """Sum of the compliances of the regions. [mL/cmH2O]"""
        return sum(region.compliance for region in self.regions)

    @property
    def compartment_weights(self) -> tuple[float, ...]:
        """Share of each region in the compliance. [1]"""
        return tuple(region.compliance / self.compliance for region in self.regions)

    def elements(self) -> tuple[Element, ...]:
        """The common airway, an airway and a store for each region, and the paths between neighbours."""
        common = airway_passage(
            "airway", _CARINA, inspiratory=self.resistance, expiratory=self.expiratory_resistance
        )
        elements: list[Element] = [common]
        for point, region in zip(self.compartments, self.regions, strict=True):
            elements.append(
                airway_passage(
                    _CARINA, point, inspiratory=region.resistance, expiratory=region.expiratory_resistance
                )
            )
            elements.append(linear_store(point, region.compliance, effort=self.effort))
        if self.collateral_resistance is not None:
            law = Rohrer(self.collateral_resistance, 0.0)
            neighbours = itertools.pairwise(self.compartments)
            elements.extend(Passage(start, end, law, law) for start, end in neighbours)
        return tuple(elements)
