"""A lung whose compliance changes with its volume."""

import dataclasses
from typing import Annotated, ClassVar

from pydantic import Field, PlainSerializer, PlainValidator

from ventsim.model.descriptions import Description
from ventsim.model.laws.curves import ElasticCurve
from ventsim.model.laws.pressure_volume import PressureVolume
from ventsim.model.nested import dump_nested, read_nested
from ventsim.model.parts.effort import EffortField
from ventsim.model.parts.elements import ElasticStore, Element
from ventsim.model.parts.lung import (
    BodyWeight,
    ExpiratoryResistance,
    InspiratoryResistance,
    LungPart,
    RelaxedVolume,
    airway_passage,
)
from ventsim.quantities import quantity


def _read_curve(value: object) -> Description:
    return read_nested(value, choices=ElasticCurve)


class ElasticLung(LungPart):
    r"""One compartment behind one airway, with a curved pressure-volume relation.

    Parameters
    ----------
    curve : SigmoidCurve, ExponentialCurve or VolumeDependentCurve
        Pressure-volume relation: of the lung if `chest_wall_compliance` is given, else of lung and chest wall
        together.
    resistance : float
        Pressure drop along the airway for each unit of flow, in inspiration. [cmH2O·s/L]
    expiratory_resistance : float or None, default None
        The same in expiration; None: as in inspiration. [cmH2O·s/L]
    chest_wall_compliance : float or None, default None
        Compliance of a chest wall in series with the lung; None: part of the curve. [mL/cmH2O]
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
    .. math:: p_\mathrm{airway} + p_\mathrm{mus} = f(v) + v / C_\mathrm{cw} + R \dot V

    Lung and chest wall hold the same volume, so their pressures add up, both counted from the same relaxed
    state. Without hysteresis: the same curve in inspiration and expiration.

    References
    ----------
    .. [1] J. G. Venegas, R. S. Harris, B. A. Simon, J Appl Physiol 84 (1998) 389-395 (abstract): sigmoid.
    .. [2] E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory): exponential.

    Examples
    --------
    >>> from ventsim.model.laws.curves import SigmoidCurve
    >>> sigmoid = SigmoidCurve(vital_capacity=2000.0, inflection=15.0, width=5.0)
    >>> lung = ElasticLung(curve=sigmoid, resistance=10.0, chest_wall_compliance=200.0)
    >>> float(lung.law().pressure(905.15))
    19.53
    """

    kind: ClassVar[str] = "elastic lung"

    curve: Annotated[
        ElasticCurve,
        PlainValidator(_read_curve),
        PlainSerializer(dump_nested),
        Field(description="pressure-volume relation"),
    ]
    resistance: InspiratoryResistance
    expiratory_resistance: ExpiratoryResistance = None
    chest_wall_compliance: (
        Annotated[
            float,
            quantity(
                "chest_wall_compliance",
                "compliance of a chest wall in series with the lung; None: part of the curve",
            ),
        ]
        | None
    ) = None
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

    def law(self) -> PressureVolume:
        """Pressure-volume relation of lung and chest wall together.

        Returns
        -------
        PressureVolume
            Relative to the relaxed volume, without effort.
        """
        law = self.curve.law()
        if self.chest_wall_compliance is None:
            return law
        return dataclasses.replace(law, linear=law.linear + 1.0 / self.chest_wall_compliance)

    def elements(self) -> tuple[Element, ...]:
        """A passage from airway to alveoli, and the elastic store behind it."""
        airway = airway_passage(
            "airway", "alveoli", inspiratory=self.resistance, expiratory=self.expiratory_resistance
        )
        course = None if self.effort is None else self.effort.course()
        return (airway, ElasticStore("alveoli", self.law(), course))
