"""A lung: one elastic compartment behind one airway."""

from typing import Annotated, ClassVar

from ventsim.parts.base import Part
from ventsim.parts.elements import Element, Passage, Rohrer, Store
from ventsim.parts.quantity import COMPLIANCE_SLIPS, RESISTANCE_SLIPS, VOLUME_SLIPS, Quantity

__all__ = ["Lung"]


class Lung(Part):
    r"""The whole respiratory system of one patient: lungs, chest wall and airway, one compartment.

    Passive: no effort of the patient. Compliance and resistance do not change with volume or flow; the
    resistance may differ between inspiration and expiration.

    Parameters
    ----------
    compliance : float
        Volume gained for each unit of alveolar pressure, of lungs and chest wall together. [mL/cmH2O]
    resistance : float
        Pressure drop along the airway for each unit of flow, in inspiration. [cmH2O·s/L]
    expiratory_resistance : float or None, default None
        The same in expiration; None: as in inspiration. [cmH2O·s/L]
    relaxed_volume : float, default 1500
        Gas in the lungs at zero pressure; does not change pressures or flows. The default is illustrative.
        [mL]
    body_weight : float or None, default None
        Predicted body weight, for volumes for each kilogram; None: unknown. [kg]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: p_\mathrm{airway} = v / C + R \dot V

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

    compliance: Annotated[
        float,
        Quantity(
            unit="mL/cmH2O",
            meaning="compliance of lungs and chest wall",
            above=0.0,
            plausible=(0.2, 300.0),
            slips=COMPLIANCE_SLIPS,
        ),
    ]
    resistance: Annotated[
        float,
        Quantity(
            unit="cmH2O·s/L",
            meaning="airway resistance in inspiration",
            above=0.0,
            plausible=(0.5, 300.0),
            slips=RESISTANCE_SLIPS,
        ),
    ]
    expiratory_resistance: (
        Annotated[
            float,
            Quantity(
                unit="cmH2O·s/L",
                meaning="airway resistance in expiration; None: as in inspiration",
                above=0.0,
                plausible=(0.5, 300.0),
                slips=RESISTANCE_SLIPS,
            ),
        ]
        | None
    ) = None
    relaxed_volume: Annotated[
        float,
        Quantity(
            unit="mL",
            meaning="gas in the lungs at zero pressure (default illustrative)",
            at_least=0.0,
            plausible=(5.0, 8000.0),
            slips=VOLUME_SLIPS,
        ),
    ] = 1500.0
    body_weight: (
        Annotated[
            float,
            Quantity(
                unit="kg",
                meaning="predicted body weight; None: unknown",
                above=0.0,
                plausible=(0.3, 150.0),
                slips=(("g", 0.001),),
            ),
        ]
        | None
    ) = None

    @property
    def ports(self) -> tuple[str, ...]:
        """The airway opening."""
        return ("airway",)

    @property
    def time_constant(self) -> float:
        """Resistance times compliance, in inspiration. [s]"""
        return self.resistance * self.compliance / 1000.0

    def elements(self) -> tuple[Element, ...]:
        """A passage from airway to alveoli, and the elastic store behind it."""
        out = self.resistance if self.expiratory_resistance is None else self.expiratory_resistance
        airway = Passage("airway", "alveoli", Rohrer(self.resistance, 0.0), Rohrer(out, 0.0))
        return (airway, Store("alveoli", self.compliance))
