"""What belongs to one lung: its limbs, valves and Y-piece."""

from typing import Annotated, ClassVar

from pydantic import Field, PlainSerializer, PlainValidator

from ventsim.errors import InputError, PartError
from ventsim.model.nested import dump_nested, read_nested
from ventsim.model.parts import (
    AdjustableRestrictor,
    Description,
    Filter,
    MeasuredPart,
    OneWayValve,
    Orifice,
    Restrictor,
    TrachealTube,
    Tube,
    YPiece,
)

AnyRestrictor = Restrictor | Orifice | MeasuredPart | AdjustableRestrictor
"""What narrows a limb; plain values that do not name their kind are those of the first that they fit."""


def _read_restrictor(value: object) -> Description | None:
    return None if value is None else read_nested(value, choices=AnyRestrictor, needs_kind=False)


_RESTRICTOR = (PlainValidator(_read_restrictor), PlainSerializer(dump_nested))


class Branch(Description):
    """What lies between the fittings at the ventilator and one lung.

    In this order: one-way valve, restrictor, inspiratory tube, Y-piece, with the filter, the tracheal tube
    and the lung at its patient port; then expiratory tube, restrictor, one-way valve.

    Parameters
    ----------
    inspiratory_tube, expiratory_tube : Tube, default Tube(length=1.5)
        The two limbs.
    inspiratory_restrictor, expiratory_restrictor : Restrictor, Orifice, MeasuredPart, ..., default None
        Narrowings between the limbs and the fittings at the ventilator; also an AdjustableRestrictor; None:
        none.
    filter : Filter or None, default None
        Filter between Y-piece and lung.
    tracheal_tube : TrachealTube or None, default None
        Tracheal tube of the lung, behind the filter; None: counted in the lung's resistance.
    valve : OneWayValve, default OneWayValve()
        The valve in each limb, where one-way valves are asked for.
    y_piece : YPiece, default YPiece()
        The Y-piece at the lung.

    Raises
    ------
    PartError
        If a value is not such a part.

    Examples
    --------
    >>> Branch(filter=Filter()).filter.gas_volume
    60.0
    """

    kind: ClassVar[str] = "branch"
    error_type: ClassVar[type[InputError]] = PartError

    inspiratory_tube: Annotated[Tube, Field(description="inspiratory limb")] = Tube(length=1.5)
    expiratory_tube: Annotated[Tube, Field(description="expiratory limb")] = Tube(length=1.5)
    inspiratory_restrictor: Annotated[
        AnyRestrictor | None,
        *_RESTRICTOR,
        Field(description="narrowing at the beginning of the inspiratory limb"),
    ] = None
    expiratory_restrictor: Annotated[
        AnyRestrictor | None,
        *_RESTRICTOR,
        Field(description="narrowing at the end of the expiratory limb"),
    ] = None
    filter: Annotated[Filter | None, Field(description="filter between Y-piece and lung")] = None
    tracheal_tube: Annotated[TrachealTube | None, Field(description="tracheal tube of the lung")] = None
    valve: Annotated[OneWayValve, Field(description="one-way valve in each limb")] = OneWayValve()
    y_piece: Annotated[YPiece, Field(description="Y-piece at the lung")] = YPiece()
