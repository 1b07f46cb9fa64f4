"""The machine that carries out breath settings: ports, valves and limits."""

from typing import Annotated, ClassVar, Self

from pydantic import model_validator

from ventsim.errors import InputError, PartError, SettingsError
from ventsim.model.descriptions import Description
from ventsim.model.laws.measured import measured_curve, points_fault
from ventsim.model.parts.elements import Curve
from ventsim.model.parts.measured import MeasuredDrops, MeasuredFlows
from ventsim.model.ventilator.settings import BreathSettings
from ventsim.quantities import quantity


class Ventilator(Description):
    """The machine between the breath settings and the circuit: its two ports, valves and limits.

    Gas leaves through the inspiratory port, whose valve lets nothing back, and returns through the expiratory
    port, whose exhalation valve is shut in inspiration and opens to PEEP in expiration.

    Parameters
    ----------
    source_resistance : float, default 0.5
        Linear resistance between the pressure source and the inspiratory port, in pressure control (default
        illustrative). [cmH2O·s/L]
    exhalation_resistance : float, default 3
        Linear resistance of the open exhalation valve (default: common practice, no source; 2 to 5).
        [cmH2O·s/L]
    exhalation_flows : tuple of float or None, default None
        Flows of a measured curve of the open exhalation valve, rising; with `exhalation_drops` it replaces
        `exhalation_resistance`. [L/s]
    exhalation_drops : tuple of float or None, default None
        Pressure at the expiratory port above PEEP at each of the flows, rising. [cmH2O]
    flow_limit : float or None, default 3
        Largest flow in pressure control, 180 L/min (default: common practice, no source); None: no limit.
        [L/s]
    relief_pressure : float or None, default 60
        Pressure above which the inspiratory port vents to the outside, so that it never exceeds it (default:
        common practice, no source); None: no relief. [cmH2O]

    Raises
    ------
    PartError
        If a value is impossible, or the points of the curve do not rise.

    Examples
    --------
    >>> Ventilator().ports
    ('inspiratory', 'expiratory')
    """

    kind: ClassVar[str] = "ventilator"
    error_type: ClassVar[type[InputError]] = PartError

    source_resistance: Annotated[float, quantity("source_resistance")] = 0.5
    exhalation_resistance: Annotated[float, quantity("exhalation_resistance")] = 3.0
    exhalation_flows: MeasuredFlows | None = None
    exhalation_drops: MeasuredDrops | None = None
    flow_limit: Annotated[float, quantity("flow_limit")] | None = 3.0
    relief_pressure: Annotated[float, quantity("relief_pressure")] | None = 60.0

    @model_validator(mode="after")
    def _check_points(self) -> Self:
        if self.exhalation_flows is None and self.exhalation_drops is None:
            return self
        fault = points_fault(self.exhalation_flows or (), self.exhalation_drops or ())
        if fault:
            raise PartError(f"{self.kind}: curve of the exhalation valve: {fault}")
        return self

    @property
    def exhalation_law(self) -> Curve | None:
        """The measured curve of the open exhalation valve, or None where a resistance describes it."""
        if self.exhalation_flows is None or self.exhalation_drops is None:
            return None
        return measured_curve(self.exhalation_flows, self.exhalation_drops)

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
        If PEEP, or the highest pressure that is set, lies above the relief pressure.

    Examples
    --------
    >>> from ventsim.model.ventilator import PressureControl
    >>> check_settings(Ventilator(), PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5))
    """
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
