"""Responses of linear lungs to a step, an exponential rise, a constant flow and a sine wave."""

from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.model.parts import Lung
from ventsim.model.ventilator import PressureControl, VolumeControl
from ventsim.quantities import FloatArray
from ventsim.theory.arguments import Floats, Lungs, Numbers, Results, Row, closed_form, plain, read_numbers
from ventsim.theory.steady import BreathWaveform
from ventsim.units import ML_PER_L

FASTEST = 1e150  # stands for an infinite frequency; its square is still finite [Hz]


@closed_form
def time_constant(
    lung: Lung | None = None, *, compliance: Floats | None = None, resistance: Floats | None = None
) -> Floats:
    r"""Time in which a passive lung completes 63 % of a change.

    Assumes a linear lung: one compliance, one resistance.

    Returns
    -------
    float or array
        Time constant, of a lung that of inspiration. [s]

    Notes
    -----
    .. math:: \tau = R\,C

    Resistance is one number only while the pressure drop is proportional to flow. With a quadratic part, the time
    constant falls as the lung empties.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (from memory).

    Examples
    --------
    >>> time_constant(compliance=50.0, resistance=10.0)
    0.5
    """
    n = read_numbers("time_constant", locals())
    return plain(n.where, n.resistance * n.compliance / ML_PER_L)


@closed_form
def fraction_complete(*, time: Floats, time_constant: Floats) -> Floats:
    r"""Part of an exponential change that is done after a given time.

    Assumes a step of pressure and a linear lung.

    Returns
    -------
    float or array
        Part of the final change, between 0 and 1. [1]

    Notes
    -----
    .. math:: 1 - e^{-t/\tau}

    After three time constants 5 % is left, which is why expiration shorter than three time constants is a usual
    flag for trapped gas (common practice, no source).

    Examples
    --------
    >>> fraction_complete(time=1.5, time_constant=0.5)
    0.95021
    """
    n = read_numbers("fraction_complete", locals())
    return plain(n.where, -np.expm1(-n.time / n.time_constant))


@closed_form
def pressure_rise_from_rest(
    lung: Lung | None = None,
    settings: PressureControl | None = None,
    *,
    time: Floats,
    compliance: Floats | None = None,
    resistance: Floats | None = None,
    inspiratory_pressure: Floats | None = None,
    peep: Floats | None = None,
    rise_time_constant: Floats | None = None,
) -> BreathWaveform:
    r"""Filling of a lung at rest by a pressure that rises exponentially.

    Assumes one linear passive compartment at PEEP when the rise begins, and an ideal pressure source. The time
    constant of the rise may equal that of the lung; of settings with an exponential rise it is a third of the rise
    time.

    Returns
    -------
    BreathWaveform
        Pressures, flow and volume, each of the common shape of the arguments.

    Notes
    -----
    With the time constant of the lung :math:`\tau = RC` and that of the rise :math:`\tau_r`:

    .. math::

        p_{aw} &= PEEP + \Delta p\,(1 - e^{-t/\tau_r}) \\
        p_{alv} &= PEEP + \Delta p
                   \left[1 - \frac{\tau e^{-t/\tau} - \tau_r e^{-t/\tau_r}}{\tau - \tau_r}\right]

    For equal time constants the bracket becomes :math:`1 - (1 + t/\tau)\,e^{-t/\tau}`.

    References
    ----------
    .. [1] Bates, Lung Mechanics, Cambridge University Press, 2009 (equation of motion, from memory; the response
       to this rise is derived here and checked by integration).

    Examples
    --------
    >>> wave = pressure_rise_from_rest(
    ...     time=1.0, inspiratory_pressure=15.0, peep=5.0, rise_time_constant=0.1, compliance=50.0, resistance=10.0
    ... )
    >>> wave.alveolar_pressure
    17.4626
    """
    n = read_numbers("pressure_rise_from_rest", locals())
    lag, rise = n.resistance * n.compliance / ML_PER_L, n.rise_time_constant
    slow, fast = np.maximum(lag, rise), np.minimum(lag, rise)
    gap = n.time * (slow - fast) / (slow * fast)
    # (1 - exp(-x)) / x, which is 1 for equal time constants: the difference quotient of the two exponentials.
    quotient = np.where(gap > 0.0, -np.expm1(-gap) / np.where(gap > 0.0, gap, 1.0), 1.0)
    shared = n.time * np.exp(-n.time / slow) * quotient
    alveolar = n.peep + n.inspiratory_pressure * (-np.expm1(-n.time / lag) - shared / lag)
    return BreathWaveform(
        volume=n.compliance * alveolar,
        flow=n.inspiratory_pressure / n.resistance * shared / rise,
        airway_pressure=n.peep - n.inspiratory_pressure * np.expm1(-n.time / rise),
        alveolar_pressure=alveolar,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class FlowSplit(Results):
    """A constant flow shared by two lungs, or by a lung and the compliance of its circuit.

    Attributes
    ----------
    inspired_volume : array
        Volume that each lung has taken since the flow began; the lungs come last, after the dimensions of the
        times. [mL]
    flow : array
        Flow into each lung, of the same shape. [L/s]
    alveolar_pressure : array
        Pressure in each lung above its pressure at the beginning, of the same shape. [cmH2O]
    airway_pressure : float or array
        Pressure where lungs and circuit meet, above that at the beginning. [cmH2O]
    circuit_volume : float or array
        Volume stored in the circuit since the flow began. [mL]
    time_constant : float
        Time constant with which the first split turns into that by compliance. [s]
    """

    inspired_volume: FloatArray
    flow: FloatArray
    alveolar_pressure: FloatArray
    airway_pressure: Floats
    circuit_volume: Floats
    time_constant: float


def _check_two(n: Numbers, compliance: FloatArray) -> None:
    if compliance.size != 2:
        raise InputError(f"{n.where} is about two compartments, not {compliance.size}.\n  Give numbers of two.")


@closed_form
def constant_flow_split(
    lungs: Lungs | None = None,
    settings: VolumeControl | None = None,
    *,
    time: Floats,
    flow: Floats | None = None,
    compliance: Row | None = None,
    resistance: Row | None = None,
    circuit_compliance: float = 0.0,
) -> FlowSplit:
    r"""How two lungs in parallel, or one lung and the compliance of its circuit, share a constant flow.

    Assumes linear passive lungs, and all at one pressure when the flow begins. Two lungs: no gas is stored in the
    circuit. One lung: all compliance of the circuit is at the airway opening.

    Returns
    -------
    FlowSplit
        Volumes, flows and pressures.

    Notes
    -----
    .. math::

        q_1(0) = F\frac{R_2}{R_1 + R_2}, \qquad q_1(\infty) = F\frac{C_1}{C_1 + C_2}, \qquad
        \tau = (R_1 + R_2)\frac{C_1 C_2}{C_1 + C_2}

        V_1 = q_1(\infty)\,t + \bigl(q_1(0) - q_1(\infty)\bigr)\,\tau\,(1 - e^{-t/\tau}), \qquad
        V_2 = F t - V_1

    The circuit takes part as a second lung without resistance, :math:`R_2 = 0`. A resistance that both lungs share
    changes the pressure at the source, not the split.

    References
    ----------
    .. [1] Derived here; checked by integration.

    Examples
    --------
    >>> split = constant_flow_split(time=1.0, flow=1.0, compliance=[50.0, 25.0], resistance=10.0)
    >>> split.inspired_volume.tolist()
    [613.877, 386.123]
    >>> lung = Lung(compliance=50.0, resistance=10.0)
    >>> split = constant_flow_split([lung], time=1.0, flow=0.5, circuit_compliance=2.5)
    >>> split.inspired_volume.tolist(), split.circuit_volume
    ([464.85], 35.15)
    """
    n = read_numbers("constant_flow_split", locals())
    compliance, resistance = n.compliance, n.resistance
    if np.any(n.circuit_compliance):
        compliance, resistance = np.append(compliance, circuit_compliance), np.append(resistance, 0.0)
    _check_two(n, compliance)
    tau = resistance.sum() * compliance.prod() / compliance.sum() / ML_PER_L
    at_first, at_last = resistance[::-1] / resistance.sum(), compliance / compliance.sum()
    time, total, done = (part[..., np.newaxis] for part in (n.time, n.flow, -np.expm1(-n.time / tau)))
    volume = total * (at_last * (time - tau * done) + at_first * tau * done) * ML_PER_L
    into = total * (at_last * done + at_first * (1.0 - done))
    number, pressure = n.compliance.size, volume / compliance
    return FlowSplit(
        inspired_volume=volume[..., :number],
        flow=into[..., :number],
        alveolar_pressure=pressure[..., :number],
        airway_pressure=pressure[..., 0] + resistance[0] * into[..., 0],
        circuit_volume=volume[..., number:].sum(axis=-1),
        time_constant=tau,
    )


@closed_form
def lung_tidal_volume(
    *, tidal_volume: Floats, circuit_compliance: Floats, peak_pressure: Floats, peep: Floats
) -> Floats:
    r"""What reaches the lung of a set volume, after the circuit has kept its part.

    Assumes that the whole circuit is at the peak pressure when the set volume has left the ventilator. It is a
    balance of gas: for pressure control it gives what the machine spends on the circuit, not a loss of the lung.

    Returns
    -------
    float or array
        Volume that enters the lung. [mL]

    Notes
    -----
    .. math:: V_{lung} = V_{set} - C_c\,(p_{peak} - PEEP)

    References
    ----------
    .. [1] Balance of gas; the correction is common practice, no source.

    Examples
    --------
    >>> lung_tidal_volume(tidal_volume=500.0, circuit_compliance=2.5, peak_pressure=25.0, peep=5.0)
    450.0
    """
    n = read_numbers("lung_tidal_volume", locals())
    n.refuse_falling("peep", "peak_pressure")
    kept = n.circuit_compliance * (n.peak_pressure - n.peep)
    n.refuse(
        kept > n.tidal_volume,
        "the circuit would keep {kept:.6g} mL of tidal_volume {tidal_volume:.6g} mL.\n"
        "  Check circuit_compliance; an adult circuit has 1.5 to 3 mL/cmH2O.",
        kept=kept,
    )
    return plain(n.where, n.tidal_volume - kept)


@dataclass(frozen=True, kw_only=True, eq=False)
class EffectiveMechanics(Results):
    """The one lung that takes the same sinusoidal flow at the same pressure as two in parallel.

    Attributes
    ----------
    compliance : float or array
        Effective (dynamic) compliance. [mL/cmH2O]
    resistance : float or array
        Effective resistance. [cmH2O·s/L]
    """

    compliance: Floats
    resistance: Floats


@closed_form
def two_compartment_effective(
    lungs: Lungs | None = None, *, frequency: Floats, compliance: Row | None = None, resistance: Row | None = None
) -> EffectiveMechanics:
    r"""Effective compliance and resistance of two parallel compartments over frequency.

    Assumes two linear compartments that join at one point, each with one resistance for both directions, and
    sinusoidal flow that has settled. Frequencies zero and infinity give the limits. The compartments may be the
    regions of one lung: give ``lung.regions``.

    Returns
    -------
    EffectiveMechanics
        Compliance and resistance, each of the shape of `frequency`.

    Notes
    -----
    With the angular frequency :math:`\omega` and :math:`\tau_i = R_i C_i`:

    .. math::

        C(\omega) = \frac{\omega^2 (\tau_2 C_1 + \tau_1 C_2)^2 + (C_1 + C_2)^2}
                         {\omega^2 (\tau_1^2 C_2 + \tau_2^2 C_1) + (C_1 + C_2)}

        R(\omega) = \frac{\omega^2 \tau_1 \tau_2 (\tau_2 C_1 + \tau_1 C_2) + (\tau_1 C_1 + \tau_2 C_2)}
                         {\omega^2 (\tau_2 C_1 + \tau_1 C_2)^2 + (C_1 + C_2)^2}

    With equal time constants neither depends on frequency; otherwise both fall as it rises.

    References
    ----------
    .. [1] Otis, McKerrow, Bartlett, Mead, McIlroy, Selverstone, Radford, Mechanical factors in distribution of
       pulmonary ventilation, J Appl Physiol 1956;8:427-443 (form from memory).

    Examples
    --------
    >>> lung = two_compartment_effective(frequency=0.25, compliance=[50.0, 50.0], resistance=[5.0, 25.0])
    >>> lung.compliance, lung.resistance
    (79.471, 5.5626)
    """
    if np.asarray(frequency).dtype.kind == "f":
        frequency = np.where(np.isposinf(frequency), FASTEST, frequency)
    n = read_numbers("two_compartment_effective", locals())
    _check_two(n, n.compliance)
    # In litres, so that compliance times resistance is a time.
    (c1, c2), (r1, r2) = n.compliance / ML_PER_L, n.resistance
    t1, t2 = r1 * c1, r2 * c2
    cross = t2 * c1 + t1 * c2
    # Weights of the terms without and with the squared frequency, over their sum, so that the limit works.
    steady = 1.0 / (1.0 + (2.0 * np.pi * n.frequency) ** 2 * t1 * t2)
    moving = (1.0 - steady) / (t1 * t2)
    divided = moving * cross**2 + steady * (c1 + c2) ** 2
    return EffectiveMechanics(
        compliance=divided / (moving * (t1**2 * c2 + t2**2 * c1) + steady * (c1 + c2)) * ML_PER_L,
        resistance=(moving * t1 * t2 * cross + steady * (t1 * c1 + t2 * c2)) / divided,
    )
