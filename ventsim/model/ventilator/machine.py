"""The machine that carries out breath settings: ports, valves and limits."""

from typing import Annotated, ClassVar

from ventsim.errors import InputError, PartError, SettingsError
from ventsim.model.descriptions import Description
from ventsim.model.laws.flow import OR_FLOW_LAW, FlowLaw
from ventsim.model.ventilator.settings import BreathSettings, VolumeControl
from ventsim.quantities import quantity
from ventsim.units import ATMOSPHERE_CMH2O


class Ventilator(Description):
    """The machine between the breath settings and the circuit: its two ports, valves and limits.

    Gas leaves through the inspiratory port, whose valve lets nothing back, and returns through the expiratory
    port, whose exhalation valve is shut in inspiration and opens to PEEP in expiration.

    The ambient pressure holds for the whole circuit: where it is low, gas is thin and gives way more. Densities
    and stored gas of parts and laws are given for the standard atmosphere and follow it; viscosity stays the same.

    Source and exhalation valve may have any flow law. The flow limit holds in every mode: a set flow above it is
    cut, and a set pressure is missed while the flow that it needs is larger.

    Gas inside the machine and in a humidifier is compressed at the inspiratory port. Without them, as by default,
    a circuit with two limbs of 1.5 m stores 2.0 mL/cmH2O; with 100 mL in the machine and a humidifier of 300 mL it
    stores 2.4. Both lie within the 1.5 to 2.5 mL/cmH2O of three adult circuits (Respiratory Care 39(8), 1994, DOI
    10.1177/193336549403900803 as printed).

    Defaults: flow limit of 180 L/min and relief are common practice, no source. From memory: exhalation valves
    lose 2 to 5 cmH2O at 1 L/s, humidifiers hold 200 to 400 mL, many machines let no more than 2 to 2.5 L be set.
    That the loss of the exhalation valve is linear is a convention of ventsim: with most of it quadratic, as
    ``laws.Rohrer(linear=1, quadratic=2)``, end-expiratory pressures of a published bench study come out lower, and
    more of its rows fail (case 12 of the validation). Studies can carry the range, as a number or as a law.

    Raises
    ------
    PartError
        If a value is impossible.

    Examples
    --------
    >>> Ventilator().ports
    ('inspiratory', 'expiratory')
    """

    kind: ClassVar[str] = "ventilator"
    error_type: ClassVar[type[InputError]] = PartError

    source_resistance: Annotated[float | FlowLaw, quantity("source_resistance"), OR_FLOW_LAW] = 0.5
    exhalation_resistance: Annotated[float | FlowLaw, quantity("exhalation_resistance"), OR_FLOW_LAW] = 3.0
    internal_volume: Annotated[float, quantity("internal_volume")] = 0.0
    humidifier_volume: Annotated[float, quantity("humidifier_volume")] = 0.0
    flow_limit: Annotated[float, quantity("flow_limit")] | None = 3.0
    ambient_pressure: Annotated[
        float, quantity("ambient_pressure", "absolute pressure of the room in which machine and circuit stand")
    ] = ATMOSPHERE_CMH2O
    largest_tidal_volume: Annotated[float, quantity("largest_tidal_volume")] | None = 2500.0
    relief_pressure: Annotated[float, quantity("relief_pressure")] | None = 60.0

    @property
    def ports(self) -> tuple[str, ...]:
        """The openings for the inspiratory and the expiratory limb."""
        return ("inspiratory", "expiratory")


def check_settings(ventilator: Ventilator, settings: BreathSettings) -> None:
    """Check that a ventilator can carry out breath settings.

    Parameters
    ----------
    ventilator : Ventilator
        The machine.
    settings : BreathSettings
        The breath settings.

    Raises
    ------
    SettingsError
        If PEEP, or the highest pressure that is set, lies above the relief pressure, or if a volume is set that is
        larger than the machine allows.

    Examples
    --------
    >>> from ventsim.model.ventilator import PressureControl
    >>> check_settings(Ventilator(), PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5))
    """
    largest = ventilator.largest_tidal_volume
    if largest is not None and isinstance(settings, VolumeControl) and settings.tidal_volume > largest:
        raise SettingsError(
            f"{settings.kind}: tidal_volume {settings.tidal_volume:.6g} mL is above the ventilator's "
            f"largest_tidal_volume of {largest:.6g} mL.\n"
            f"  Allowed: at most {largest:.6g} mL. Lower tidal_volume or raise largest_tidal_volume."
        )
    relief = ventilator.relief_pressure
    if relief is None:
        return
    if settings.peep > relief:
        raise SettingsError(
            f"{settings.kind}: peep {settings.peep:.6g} cmH2O is above the ventilator's relief_pressure of "
            f"{relief:.6g} cmH2O.\n"
            f"  Allowed: at most {relief:.6g} cmH2O. Lower peep or raise relief_pressure."
        )
    set_pressures = [
        pressure
        for segment in settings.segments()
        if segment.drive == "pressure"
        for pressure in (segment.start, segment.start + segment.change)
    ]
    top = max(set_pressures, default=settings.peep)
    if top > relief:
        raise SettingsError(
            f"{settings.kind}: the set pressure of {top:.6g} cmH2O, PEEP included, is above the ventilator's "
            f"relief_pressure of {relief:.6g} cmH2O.\n"
            f"  Allowed: at most {relief:.6g} cmH2O. "
            "Lower inspiratory_pressure or peep, or raise relief_pressure."
        )
