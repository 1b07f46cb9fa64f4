"""One linear lung that a square wave of pressure or a set flow fills, and that then empties."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ventsim.errors import InputError, shown, suggestion
from ventsim.model.parts import Lung
from ventsim.model.ventilator import PressureControl, VolumeControl
from ventsim.parameters import public
from ventsim.quantities import FloatArray, check, quantity
from ventsim.theory.arguments import Floats, Numbers, Results, closed_form, fitted, plain, read_numbers
from ventsim.theory.steady import OneLungBreath, shared_measures
from ventsim.units import ML_PER_L

FlowPattern = Literal["constant", "decelerating", "sine"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ApproachBreath(Results):
    """One of the first breaths after the ventilator is switched on.

    Attributes
    ----------
    inspired_volume : float or array
        Volume that goes in. [mL]
    expired_volume : float or array
        Volume that comes out, less than goes in until the breath repeats itself. [mL]
    end_inspiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of inspiration. [cmH2O]
    end_expiratory_alveolar_pressure : float or array
        Pressure in the lung at the end of expiration. [cmH2O]
    """

    inspired_volume: Floats
    expired_volume: Floats
    end_inspiratory_alveolar_pressure: Floats
    end_expiratory_alveolar_pressure: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class PressureControlBreath(OneLungBreath):
    """The breath of one lung that repeats itself in pressure control."""

    def _inspiration(self, time: FloatArray) -> tuple[Floats, Floats]:
        n = self.given
        flow = self.peak_inspiratory_flow * np.exp(-time / (n.resistance * n.compliance / ML_PER_L))
        return self.peak_airway_pressure - n.resistance * flow, flow

    @public
    def from_rest(self, breath: Floats) -> ApproachBreath:
        r"""The n-th breath after rest at PEEP, on the way to this one.

        Parameters
        ----------
        breath : int or array of int
            Number of the breath; the first is 1. [1]

        Returns
        -------
        ApproachBreath
            Volumes and pressures of that breath.

        Notes
        -----
        With the terms of :func:`pressure_control`, the pressure above PEEP at the end of expiration n is

        .. math:: p_{ee,n} = p_{ee,\infty}\,\bigl(1 - (ab)^n\bigr)

        and from one breath to the next :math:`p_{ei,n} = a\,p_{ee,n-1} + (1-a)\,\Delta p`; derived here and
        checked by recursion.

        Examples
        --------
        >>> breath = pressure_control(
        ...     inspiratory_pressure=20.0, peep=5.0, compliance=60.0, resistance=15.0, expiratory_resistance=25.0,
        ...     rate=20.0, inspiratory_time=1.0,
        ... )
        >>> breath.from_rest(1).inspired_volume
        804.97
        """
        for number in np.unique(breath).tolist():
            check("from_rest", {"breath": number}, breath=quantity("waveform_every"))
        n = self.given
        count = fitted("from_rest", {"breath": np.asarray(breath), "lungs": n.rate})["breath"]
        before, after = (-self.auto_peep * np.expm1(-k * (n.filling + n.emptying)) for k in (count - 1, count))
        top = before * np.exp(-n.filling) - n.inspiratory_pressure * np.expm1(-n.filling)
        return ApproachBreath(
            inspired_volume=n.compliance * (top - before),
            expired_volume=n.compliance * (top - after),
            end_inspiratory_alveolar_pressure=n.peep + top,
            end_expiratory_alveolar_pressure=n.peep + after,
        )

    @property
    def tidal_volume_at_low_rate(self) -> Floats:
        r"""Tidal volume if expiration is long enough to empty the lung; no rate gives more. [mL]

        .. math:: V_T = C\,\Delta p\,\bigl(1 - e^{-t_i/(R_i C)}\bigr)

        >>> breath = pressure_control(
        ...     compliance=50.0, resistance=5.0, inspiratory_pressure=10.0, peep=5.0, rate=40.0,
        ...     inspiratory_time=1.0,
        ... )
        >>> breath.tidal_volume, breath.tidal_volume_at_low_rate
        (425.47, 490.84)
        """
        n = self.given
        return plain(n.where, -n.compliance * n.inspiratory_pressure * np.expm1(-n.filling))

    @property
    def minute_volume_at_high_rate(self) -> Floats:
        r"""What minute volume tends to as the rate grows at the same duty cycle, its upper bound. [L/min]

        Whatever the compliance, with the duty cycle :math:`D = t_i/T`:

        .. math:: \dot V_E = \frac{60\,\Delta p\,D(1-D)}{D R_e + (1-D) R_i}

        >>> breath = pressure_control(
        ...     compliance=50.0, resistance=10.0, inspiratory_pressure=15.0, peep=5.0, rate=30.0,
        ...     inspiratory_time=1.0,
        ... )
        >>> breath.minute_volume_at_high_rate, breath.mean_alveolar_pressure_at_high_rate
        (22.5, 12.5)
        """
        n, duty = self.given, self.given.duty_cycle
        weighted = duty * n.expiratory_resistance + (1.0 - duty) * n.resistance
        return plain(n.where, 60.0 * n.inspiratory_pressure * duty * (1.0 - duty) / weighted)

    @property
    def mean_alveolar_pressure_at_high_rate(self) -> Floats:
        r"""Pressure at which the lung comes to stand as the rate grows at the same duty cycle. [cmH2O]

        .. math:: \bar p_{alv} = PEEP + \frac{\Delta p\,D R_e}{D R_e + (1-D) R_i}
        """
        n = self.given
        mean_flow = self.minute_volume_at_high_rate / 60.0
        return plain(n.where, n.peep + mean_flow * n.expiratory_resistance / (1.0 - n.duty_cycle))


@closed_form
def pressure_control(
    lung: Lung | None = None,
    settings: PressureControl | None = None,
    *,
    compliance: Floats | None = None,
    resistance: Floats | None = None,
    expiratory_resistance: Floats | None = None,
    inspiratory_pressure: Floats | None = None,
    peep: Floats | None = None,
    rate: Floats | None = None,
    inspiratory_time: Floats | None = None,
) -> PressureControlBreath:
    r"""Steady breath of one lung under a square wave of pressure.

    Assumes one linear passive compartment, an ideal pressure source and no gas stored in the circuit.

    Returns
    -------
    PressureControlBreath
        Volumes, pressures and flows; ``waveform(times)`` gives them over time, ``from_rest(n)`` the first
        breaths, and three properties the limits of a low and a high rate.

    Notes
    -----
    With :math:`a = e^{-t_i/(R_i C)}`, :math:`b = e^{-t_e/(R_e C)}`, :math:`D = t_i/T`:

    .. math::

        V_T &= C\,\Delta p\,\frac{(1-a)(1-b)}{1-ab} \\
        p_{ei} &= PEEP + \Delta p\,\frac{1-a}{1-ab} \\
        p_{ee} &= PEEP + \Delta p\,\frac{b(1-a)}{1-ab} \\
        \bar p_{aw} &= PEEP + D\,\Delta p \\
        \bar p_{alv} &= \bar p_{aw} + (R_e - R_i)\,V_T/T

    In inspiration :math:`p_{alv} = PEEP + \Delta p - (PEEP + \Delta p - p_{ee})\,e^{-t/(R_i C)}`.

    References
    ----------
    .. [1] Marini, Crooke, Truwit, Determinants and limits of pressure-preset ventilation, J Appl Physiol
       1989;67:1081-1092 (formulas, limits included, from memory, derived again and checked by integration).
    .. [2] Marini, Ravenscraft, Mean airway pressure, Crit Care Med 1992;20:1461-1472 and 1604-1616 (last line of
       the five, from memory).

    Examples
    --------
    >>> from ventsim import Lung, PressureControl
    >>> lung = Lung(compliance=60.0, resistance=15.0, expiratory_resistance=25.0)
    >>> breath = pressure_control(
    ...     lung, PressureControl(inspiratory_pressure=20.0, peep=5.0, rate=20.0, inspiratory_time=1.0)
    ... )
    >>> breath.tidal_volume, breath.auto_peep
    (649.11, 3.87249)

    The same by numbers, here for two rates:

    >>> breath = pressure_control(
    ...     compliance=60.0, resistance=15.0, expiratory_resistance=25.0, inspiratory_pressure=20.0, peep=5.0,
    ...     rate=[20.0, 25.0], inspiratory_time=1.0,
    ... )
    >>> breath.auto_peep.tolist()
    [3.87249, 6.06029]
    """
    n = read_numbers("pressure_control", locals())
    # Written with expm1, because 1 - exp(-x) and differences of the pressures lose digits at a fast rate.
    filled, emptied = -np.expm1(-n.filling), -np.expm1(-n.emptying)
    renewed = -np.expm1(-(n.filling + n.emptying))
    top = n.inspiratory_pressure * filled / renewed
    mean_airway = n.peep + n.inspiratory_pressure * n.duty_cycle
    return PressureControlBreath(
        peak_airway_pressure=n.peep + n.inspiratory_pressure,
        peak_inspiratory_flow=n.inspiratory_pressure * emptied / renewed / n.resistance,
        peak_expiratory_flow=top / n.expiratory_resistance,
        **shared_measures(
            n, top=top, bottom=top * np.exp(-n.emptying), swing=top * emptied, mean_airway=mean_airway
        ),
    )


@dataclass(frozen=True)
class _Ramp:
    """Flow over mean flow: a straight line over the part of the flow time that has passed."""

    end_ratio: Floats
    fastest = 0.0  # when the flow is highest
    mean_volume = property(lambda self: (2.0 + self.end_ratio) / (3.0 * (1.0 + self.end_ratio)))

    def flow(self, part: Floats) -> Floats:
        return 2.0 / (1.0 + self.end_ratio) * (1.0 - (1.0 - self.end_ratio) * part)

    def volume(self, part: Floats) -> Floats:
        """Integral of the flow."""
        return 2.0 / (1.0 + self.end_ratio) * part * (1.0 - (1.0 - self.end_ratio) * part / 2.0)

    def peak(self, ratio: FloatArray) -> FloatArray:
        """When volume plus so many times the flow is highest."""
        fall = np.maximum(1.0 - self.end_ratio, 1e-300)
        return np.clip(1.0 / fall - ratio, 0.0, 1.0)


class _HalfSine:
    """Flow over mean flow, half a sine, with the same methods."""

    fastest, mean_volume = 0.5, 0.5

    def flow(self, part: Floats) -> Floats:
        return 0.5 * np.pi * np.sin(np.pi * part)

    def volume(self, part: Floats) -> Floats:
        return np.sin(0.5 * np.pi * part) ** 2

    def peak(self, ratio: FloatArray) -> FloatArray:
        return 1.0 - np.arctan(np.pi * ratio) / np.pi


@dataclass(frozen=True, kw_only=True, eq=False)
class VolumeControlBreath(OneLungBreath):
    """The breath of one lung that repeats itself in volume control.

    Attributes
    ----------
    peak_airway_pressure_time : float or array
        Moment of the highest airway pressure after the start of inspiration. [s]
    end_flow_airway_pressure : float or array
        Pressure at the airway opening when the set flow ends, just before it stops. [cmH2O]
    onset_pressure_step : float or array
        Jump of airway pressure above alveolar pressure when the flow starts. [cmH2O]
    """

    peak_airway_pressure_time: Floats
    end_flow_airway_pressure: Floats
    onset_pressure_step: Floats

    @property
    def plateau_pressure(self) -> Floats:
        """End-inspiratory alveolar pressure, which a pause shows at the airway. [cmH2O]"""
        return self.end_inspiratory_alveolar_pressure

    def _inspiration(self, time: FloatArray) -> tuple[Floats, Floats]:
        n, shape = self.given, _shape(self.given)
        flow_time = n.inspiratory_time - n.pause_time
        part = np.minimum(time / flow_time, 1.0)
        flow = np.where(time < flow_time, n.tidal_volume / ML_PER_L / flow_time * shape.flow(part), 0.0)
        return self.end_expiratory_alveolar_pressure + self.driving_pressure * shape.volume(part), flow


def _shape(n: Numbers) -> _Ramp | _HalfSine:
    """Shape of the flow; an error if there is no such pattern."""
    shapes: dict[str, _Ramp | _HalfSine] = {
        "constant": _Ramp(1.0),
        "decelerating": _Ramp(n.end_flow_ratio),
        "sine": _HalfSine(),
    }
    if n.values["flow_pattern"] not in shapes:
        wrong = n.values["flow_pattern"]
        raise InputError(f"{n.where}: flow_pattern {shown(wrong)} is unknown.\n  {suggestion(str(wrong), shapes)}")
    return shapes[n.values["flow_pattern"]]


@closed_form
def volume_control(
    lung: Lung | None = None,
    settings: VolumeControl | None = None,
    *,
    compliance: Floats | None = None,
    resistance: Floats | None = None,
    expiratory_resistance: Floats | None = None,
    tidal_volume: Floats | None = None,
    peep: Floats | None = None,
    rate: Floats | None = None,
    inspiratory_time: Floats | None = None,
    pause_time: Floats | None = None,
    flow_pattern: FlowPattern | None = None,
    end_flow_ratio: Floats | None = None,
) -> VolumeControlBreath:
    r"""Steady breath of one lung that a set flow fills.

    Assumes one linear passive compartment, an ideal flow source, no gas stored in the circuit, and an airway that
    is at PEEP for all of expiration.

    Returns
    -------
    VolumeControlBreath
        Pressures, flows and times; ``waveform(times)`` gives them over time.

    Notes
    -----
    With flow time :math:`t_f`, :math:`b = e^{-t_e/(R_e C)}`, and flow :math:`\dot V(t)` of integral V(t):

    .. math::

        p_{ee} &= PEEP + \frac{V_T}{C}\,\frac{b}{1-b}, \qquad p_{plat} = p_{ee} + V_T/C \\
        p_{peak} &= \max_t\,\bigl[p_{ee} + V(t)/C + R_i \dot V(t)\bigr] \\
        \bar p_{alv} &= \bar p_{aw} + (R_e - R_i)\,V_T/T

    Constant flow peaks at its end with :math:`p_{plat} + R_i V_T/t_f`. A ramp that falls to the part k starts with
    :math:`\frac{2 V_T}{(1+k)\,t_f}` and peaks at :math:`\frac{t_f}{1-k} - R_i C`, kept within the flow time. Half
    a sine has the highest flow :math:`\frac{\pi V_T}{2 t_f}` and peaks at
    :math:`t_f\bigl(1 - \frac1\pi \arctan(\pi R_i C/t_f)\bigr)` with :math:`p_{ee} + \frac{V_T}{2C}\bigl(1 +
    \sqrt{1 + (\pi R_i C/t_f)^2}\bigr)`. In a pause airway and lung are at the plateau.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (equation of motion, from memory; the breath is
       derived here and checked by integration and against a published example, Crit Care 2013, cc12561, Table 1).

    Examples
    --------
    >>> from ventsim import Lung, VolumeControl
    >>> breath = volume_control(
    ...     Lung(compliance=50.0, resistance=10.0),
    ...     VolumeControl(tidal_volume=500.0, peep=5.0, rate=15.0, inspiratory_time=1.0),
    ... )
    >>> breath.peak_airway_pressure, breath.plateau_pressure
    (20.02485, 15.02485)
    """
    n = read_numbers("volume_control", locals())
    shape = _shape(n)
    n.refuse(
        (n.values["flow_pattern"] != "decelerating") & (n.end_flow_ratio != 0.0),
        "end_flow_ratio {end_flow_ratio:.6g} has no meaning for this flow_pattern.\n"
        "  Leave end_flow_ratio out, or give flow_pattern='decelerating'.",
    )
    n.refuse(
        n.pause_time >= n.inspiratory_time,
        "pause_time {pause_time:.6g} s leaves no time for flow in inspiratory_time {inspiratory_time:.6g} s, of "
        "which it is a part.\n  Shorten pause_time or lengthen inspiratory_time.",
    )
    flow_time, driving = n.inspiratory_time - n.pause_time, n.tidal_volume / n.compliance
    # b / (1 - b), which neither overflows for a long expiration nor loses digits for a short one.
    bottom = driving * np.exp(-n.emptying) / -np.expm1(-n.emptying)
    mean_flow = n.tidal_volume / ML_PER_L / flow_time
    resistive = n.resistance * mean_flow
    peak_at = shape.peak(resistive / driving)
    peak = driving * shape.volume(peak_at) + resistive * shape.flow(peak_at)
    # Integral of airway pressure above PEEP over one breath. [cmH2O·s]
    area = (bottom + driving * shape.mean_volume + resistive) * flow_time + (bottom + driving) * n.pause_time
    shared = shared_measures(
        n, top=bottom + driving, bottom=bottom, swing=driving, mean_airway=n.peep + area / n.period
    )
    return VolumeControlBreath(
        peak_airway_pressure=n.peep + bottom + peak,
        peak_airway_pressure_time=peak_at * flow_time,
        end_flow_airway_pressure=n.peep + bottom + driving + resistive * shape.flow(1.0),
        onset_pressure_step=resistive * shape.flow(0.0),
        peak_inspiratory_flow=mean_flow * shape.flow(shape.fastest),
        peak_expiratory_flow=(bottom + driving) / n.expiratory_resistance,
        **shared,
    )
