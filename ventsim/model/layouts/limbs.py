"""What lies between the fittings at the ventilator and one lung."""

from typing import Annotated, ClassVar

from pydantic import Field

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.parts import Filter, OneWayValve, Restrictor, TrachealTube, Tube, YPiece


class PatientLimbs(Description):
    """What lies between the fittings at the ventilator and one lung.

    In this order: one-way valve, restrictor, inspiratory tube, Y-piece, with the filter, the tracheal tube
    and the lung at its patient port; then expiratory tube, restrictor, one-way valve.

    Raises
    ------
    PartError
        If a value is not such a part.

    Examples
    --------
    >>> PatientLimbs(filter=Filter()).filter.gas_volume
    60.0
    """

    kind: ClassVar[str] = "patient limbs"
    error_type: ClassVar[type[InputError]] = PartError

    inspiratory_tube: Annotated[Tube, Field(description="inspiratory limb")] = Tube(length=1.5)
    expiratory_tube: Annotated[Tube, Field(description="expiratory limb")] = Tube(length=1.5)
    inspiratory_restrictor: Annotated[
        Restrictor | None, Field(description="narrowing at the beginning of the inspiratory limb")
    ] = None
    expiratory_restrictor: Annotated[
        Restrictor | None, Field(description="narrowing at the end of the expiratory limb")
    ] = None
    filter: Annotated[Filter | None, Field(description="filter between Y-piece and lung")] = None
    tracheal_tube: Annotated[
        TrachealTube | None, Field(description="tracheal tube of the lung; None: counted in its resistance")
    ] = None
    valve: Annotated[OneWayValve, Field(description="one-way valve in each limb")] = OneWayValve()
    y_piece: Annotated[YPiece, Field(description="Y-piece at the lung")] = YPiece()
