"""Pressure control: a square wave of pressure drives one linear lung."""

from dataclasses import dataclass

import numpy as np

from ventsim.model.parts import Lung
from ventsim.model.ventilator import PressureControl
from ventsim.quantities import FloatArray, check, quantity
from ventsim.theory.arguments import Floats, Results, closed_form, fitted, plain, read_numbers
from ventsim.theory.steady import OneLungBreath, shared_measures
from ventsim.units import ML_PER_L


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
