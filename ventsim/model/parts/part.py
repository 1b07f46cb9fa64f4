"""The base of everything that a circuit is made of."""

from abc import ABC, abstractmethod
from typing import ClassVar

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.families import Family
from ventsim.model.laws.flow import flow_law
from ventsim.model.parts.elements import Element, Store
from ventsim.units import ATMOSPHERE_CMH2O

PARTS = Family(name="part", tag="kind", example="Tube(length=1.5)")
"""Everything that a circuit can be made of."""


class Part(Description, ABC):
    """Base of everything that a circuit is made of.

    A final subclass

    1. sets `kind`, unique among the parts, and is listed in ``ventsim.model.parts.PART_KINDS``;
    2. returns its ports from `ports`, always the same for the same values;
    3. returns from `elements` passages that connect all its ports with each other, and stores.

    Examples
    --------
    >>> from ventsim.model.parts import YPiece
    >>> YPiece().ports
    ('inspiratory', 'expiratory', 'patient')
    """

    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "kind"

    @property
    @abstractmethod
    def ports(self) -> tuple[str, ...]:
        """Names of the openings that a joint can use."""

    @abstractmethod
    def elements(self) -> tuple[Element, ...]:
        """The passages and stores that this part consists of.

        Returns
        -------
        tuple of Passage or Store
            Points are ports of this part or points inside it.
        """


class InLine(Part, ABC):
    """Base of the parts with two ends."""

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")


def require_resistance(part: Part, *names: str) -> None:
    """Refuse laws without any pressure drop where a part needs one.

    Parameters
    ----------
    part : Part
        The part.
    *names : str
        Its fields that hold a number or a flow law; None is left out.

    Raises
    ------
    PartError
        If a law is a plain joint.
    """
    for name in names:
        value = getattr(part, name)
        if value is not None and flow_law(value).is_zero:
            raise PartError(f"{part.kind}: {name} is 0.\n  Give a resistance above 0, or a law that has one.")


def gas_stores(gas_volume: float, *, at: tuple[str, ...], wall_compliance: float = 0.0) -> tuple[Store, ...]:
    r"""Stores for the gas in a rigid or slightly elastic space, shared equally between some points.

    Isothermal: the walls keep the gas at their temperature, which holds for narrow tubes and slow changes.

    Parameters
    ----------
    gas_volume : float
        Volume of the space. [mL]
    at : tuple of str
        The points.
    wall_compliance : float, default 0
        Stretch of the walls. [mL/cmH2O]

    Returns
    -------
    tuple of Store
        One for each point; none if nothing is stored.

    Notes
    -----
    .. math:: C = V / p_\mathrm{atm} + C_\mathrm{wall}

    Exact for gas counted at atmospheric pressure, as ventsim counts it, as long as the walls stretch in
    proportion.

    References
    ----------
    .. [1] Boyle's law at the standard atmosphere of 101325 Pa.

    Examples
    --------
    >>> gas_stores(1000.0, at=("centre",))[0].compliance
    0.96784
    """
    compliance = gas_volume / ATMOSPHERE_CMH2O + wall_compliance
    return tuple(Store(point, compliance / len(at)) for point in at) if compliance > 0.0 else ()
