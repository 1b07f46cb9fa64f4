"""Parts that sit in line with a tube: restrictor, filter and leak."""

from collections.abc import Iterator
from typing import Annotated, ClassVar

from ventsim.errors import PartError, check_name
from ventsim.model.laws.flow import OPEN, OR_FLOW_LAW, AnyFlowLaw, Rohrer, flow_law
from ventsim.model.parts.part import PARTS, Atmosphere, Element, InLine, Passage, filled_passage
from ventsim.parameters import public
from ventsim.quantities import quantity

_DEAD_SPACE = quantity(
    "gas_volume", "gas inside; between Y-piece and lung it is dead space", plausible=(0.0, 300.0)
)
HOLE = quantity("resistance", "resistance of the hole", plausible=(0.0, 1e5))
"""Resistance of a leak."""


@PARTS.member
class Restrictor(InLine):
    r"""A narrowing that is put into a limb to lower the flow to one lung.

    The same in both directions. Its law may be a number, :class:`ventsim.laws.Orifice` for a hole of known size,
    :class:`ventsim.laws.MeasuredCurve` for points from a bench, :class:`ventsim.laws.AdjustableCurve` for a valve
    with a scale, or any other flow law.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    Without resistance it is a plain joint: a restrictor that stands fully open.

    Examples
    --------
    >>> float(Restrictor(resistance=20.0).elements()[0].forward.pressure_drop(0.5))
    10.0
    """

    kind: ClassVar[str] = "restrictor"

    resistance: Annotated[float | AnyFlowLaw, quantity("resistance"), OR_FLOW_LAW] = 0.0
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0

    def elements(self) -> tuple[Element, ...]:
        """One passage, and half of the gas at each end."""
        law = flow_law(self.resistance)
        return filled_passage(law, law, gas_volume=self.gas_volume)


@PARTS.member
class Filter(InLine):
    r"""A breathing filter or heat and moisture exchanger.

    The same in both directions, and unchanged by moisture.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    The default resistances give 2 cmH2O at 60 L/min; adult filters usually have 1 to 3 (common practice,
    no source). Six adult filters for heat and moisture were measured to hold 55 to 92 mL; 35 to 90 mL are
    usual.

    Examples
    --------
    >>> float(Filter().elements()[0].forward.pressure_drop(1.0))
    2.0
    """

    kind: ClassVar[str] = "filter"

    resistance: Annotated[float | AnyFlowLaw, quantity("resistance", plausible=(0.0, 50.0)), OR_FLOW_LAW] = Rohrer(
        linear=1.0, quadratic=1.0
    )
    gas_volume: Annotated[float, _DEAD_SPACE] = 60.0

    def elements(self) -> tuple[Element, ...]:
        """A passage, and half of the gas at each end."""
        law = flow_law(self.resistance)
        return filled_passage(law, law, gas_volume=self.gas_volume)


@PARTS.member
class Leak(InLine):
    r"""A hole in the way of the gas, such as a cuff that does not seal or a loose joint.

    Sits between two other parts without a resistance of its own to what passes by; holds no gas.

    Raises
    ------
    PartError
        If a value is impossible, or the hole has no resistance.

    Notes
    -----
    The flow :math:`q` to the atmosphere follows from the pressure in the circuit as

    .. math:: p = f(q)

    Where the pressure falls below that of the atmosphere, air comes in by the same law.

    Examples
    --------
    >>> float(Leak(resistance=200.0).elements()[1].forward.pressure_drop(0.05))
    10.0
    """

    kind: ClassVar[str] = "leak"

    resistance: Annotated[float | AnyFlowLaw, HOLE, OR_FLOW_LAW]

    def _faults(self) -> Iterator[str]:
        if flow_law(self.resistance).is_zero:
            yield (
                "without resistance the hole would hold the circuit at atmospheric pressure.\n"
                "  Give a resistance above 0, or a law that has one; without a leak, leave the part out."
            )

    def elements(self) -> tuple[Element, ...]:
        """A way past the hole, and the hole."""
        hole = flow_law(self.resistance)
        return (
            Passage("inlet", "outlet", OPEN, OPEN),
            Passage("inlet", "outside", hole, hole),
            Atmosphere("outside"),
        )


# Ten paediatric heat and moisture exchangers, in the order of the published table: Critical Care Research and
# Practice 2012, article 439267, table 1. The flow is not stated.
_PAEDIATRIC_RESISTANCES = (5.7, 0.6, 4.3, 3.5, 1.6, 3.3, 1.2, 13.6, 1.2, 8.1)  # [cmH2O·s/L]
_PAEDIATRIC_VOLUMES = (26.0, 30.0, 28.0, 21.0, 21.0, 28.0, 10.0, 12.0, 12.0, 12.0)  # dead space [mL]

# Adult exchangers: 55 to 92 mL in six devices (abstract read, authors not shown); 1 to 3 cmH2O at 60 L/min
# is common practice, no source. The two figures of a row are illustrative pairs of the ends and the middle
# of those ranges.
_ADULT = {
    "adult, small": (0.5, 0.5, 55.0),
    "adult": (1.0, 1.0, 75.0),
    "adult, large": (1.5, 1.5, 92.0),
}

_EXCHANGERS = _ADULT | {
    f"paediatric {number}": (resistance, 0.0, volume)
    for number, resistance, volume in zip(range(1, 11), _PAEDIATRIC_RESISTANCES, _PAEDIATRIC_VOLUMES, strict=True)
}


def heat_moisture_exchanger_names() -> tuple[str, ...]:
    """Names of the ready-made heat and moisture exchangers.

    Returns
    -------
    tuple of str
        Names for :func:`heat_moisture_exchanger`.

    Examples
    --------
    >>> heat_moisture_exchanger_names()[:2]
    ('adult, small', 'adult')
    """
    return tuple(_EXCHANGERS)


@public
def heat_moisture_exchanger(name: str = "adult") -> Filter:
    """A heat and moisture exchanger, as a filter with its resistance and dead space.

    Parameters
    ----------
    name : str, default "adult"
        One of :func:`heat_moisture_exchanger_names`.

    Returns
    -------
    Filter
        Resistance of the dry device, and the gas inside.

    Raises
    ------
    PartError
        If there is no such name.

    Notes
    -----
    The ten paediatric ones are measured [1]_, with a resistance that is taken as linear. The adult ones are
    illustrative: their dead space spans the 55 to 92 mL measured on six devices, their pressure drop the 1
    to 3 cmH2O at 60 L/min of common practice (no source).

    References
    ----------
    .. [1] Critical Care Research and Practice 2012, article 439267, table 1.

    Examples
    --------
    >>> heat_moisture_exchanger("paediatric 3").gas_volume
    28.0
    """
    check_name(name, _EXCHANGERS, wrong=f"there is no heat and moisture exchanger {name!r}", error=PartError)
    linear, quadratic, volume = _EXCHANGERS[name]
    return Filter(resistance=Rohrer(linear=linear, quadratic=quadratic), gas_volume=volume)
