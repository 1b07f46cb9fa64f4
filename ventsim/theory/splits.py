"""Where a set flow goes: into two lungs side by side, or into the circuit and one lung."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.theory.inputs import FloatArray, Floats, checked_together, checked_two_lungs, unboxed
from ventsim.units import ML_PER_L


@dataclass(frozen=True, kw_only=True, eq=False)
class FlowSplit:
    """A constant flow shared by two lungs.

    Attributes
    ----------
    inspired_volume : array of shape (..., 2)
        Volume that each lung has taken since the flow began; the first dimensions are those of the times.
        [mL]
    flow : array of shape (..., 2)
        Flow into each lung. [L/s]
    time_constant : float
        Time constant with which the split by resistance turns into the split by compliance. [s]
    """

    inspired_volume: FloatArray
    flow: FloatArray
    time_constant: float


@dataclass(frozen=True, kw_only=True, eq=False)
class CircuitComplianceSplit:
    """A constant flow shared by the compliance of the circuit and the lung behind it.

    Attributes
    ----------
    lung_volume : float or array
        Volume that the lung has taken since the flow began. [mL]
    circuit_volume : float or array
        Volume stored in the circuit since the flow began. [mL]
    lung_flow : float or array
        Flow into the lung. [L/s]
    airway_pressure : float or array
        Pressure in the circuit above its pressure at the beginning. [cmH2O]
    alveolar_pressure : float or array
        Pressure in the lung above its pressure at the beginning. [cmH2O]
    """

    lung_volume: Floats
    circuit_volume: Floats
    lung_flow: Floats
    airway_pressure: Floats
    alveolar_pressure: Floats


def constant_flow_split(
    time: Floats,
    *,
    flow: float,
    compliances: Sequence[float] | FloatArray,
    resistances: Sequence[float] | FloatArray,
) -> FlowSplit:
    r"""How two lungs in parallel share a constant flow.

    Assumes two linear passive lungs at equal pressure when the flow begins, and no gas stored in the circuit.

    Parameters
    ----------
    time : float or array of any shape
        Time since the flow began. [s]
    flow : float
        Total flow. [L/s]
    compliances : sequence of float, or array of shape (2,)
        Compliance of each lung with its chest wall. [mL/cmH2O]
    resistances : sequence of float, or array of shape (2,)
        Resistance of each branch, from junction to lung. [cmH2O·s/L]

    Returns
    -------
    FlowSplit
        Volumes and flows, the two lungs along the last dimension.

    Raises
    ------
    InputError
        If a value is impossible, or there are not exactly two lungs.

    Notes
    -----
    .. math::

        q_1(0) = F\frac{R_2}{R_1 + R_2}, \qquad q_1(\infty) = F\frac{C_1}{C_1 + C_2}, \qquad
        \tau = (R_1 + R_2)\frac{C_1 C_2}{C_1 + C_2}

        V_1 = q_1(\infty)\,t + \bigl(q_1(0) - q_1(\infty)\bigr)\,\tau\,(1 - e^{-t/\tau}), \qquad
        V_2 = F t - V_1

    A resistance that both lungs share changes the pressure at the source, not the split.

    References
    ----------
    .. [1] Derived here; checked by integration.

    Examples
    --------
    >>> split = constant_flow_split(1.0, flow=1.0, compliances=[50.0, 25.0], resistances=[10.0, 10.0])
    >>> split.inspired_volume.tolist()
    [613.877, 386.123]
    """
    where = "constant_flow_split"
    time, flow = checked_together(where, {"time": time, "flow": flow})
    (c1, c2), (r1, r2) = checked_two_lungs(where, {"compliances": compliances, "resistances": resistances})
    at_first = np.array([r2, r1]) / (r1 + r2)
    at_last = np.array([c1, c2]) / (c1 + c2)
    tau = (r1 + r2) * c1 / ML_PER_L * c2 / (c1 + c2)
    passed, flow = time[..., np.newaxis], flow[..., np.newaxis]
    moved = -tau * np.expm1(-passed / tau)
    volume = flow * (at_last * passed + (at_first - at_last) * moved)
    return FlowSplit(
        inspired_volume=volume * ML_PER_L,
        flow=flow * (at_last + (at_first - at_last) * np.exp(-passed / tau)),
        time_constant=float(tau),
    )


def circuit_compliance_split(
    time: Floats, *, flow: Floats, compliance: Floats, circuit_compliance: Floats, resistance: Floats
) -> CircuitComplianceSplit:
    r"""How a lung and the compliance of its circuit share a constant flow.

    Assumes one linear passive lung, all compliance of the circuit at the airway opening, and lung and circuit
    at one pressure when the flow begins.

    Parameters
    ----------
    time : float or array
        Time since the flow began. [s]
    flow : float or array
        Flow from the ventilator. [L/s]
    compliance : float or array
        Compliance of lung and chest wall together. [mL/cmH2O]
    circuit_compliance : float or array
        Compliance of the circuit: stretch of its walls and compression of its gas. [mL/cmH2O]
    resistance : float or array
        Resistance between circuit and lung. [cmH2O·s/L]

    Returns
    -------
    CircuitComplianceSplit
        Volumes, flow and pressures, each of the common shape of the arguments.

    Raises
    ------
    InputError
        If a value is impossible, or the shapes of arrays do not fit.

    Notes
    -----
    .. math::

        \dot V_{lung} &= F\,\frac{C}{C + C_c}\,(1 - e^{-t/\tau}), \qquad \tau = R\,\frac{C\,C_c}{C + C_c} \\
        V_{lung} &= F\,\frac{C}{C + C_c}\,\bigl[t - \tau\,(1 - e^{-t/\tau})\bigr]

    References
    ----------
    .. [1] Derived here; checked by integration.

    Examples
    --------
    >>> split = circuit_compliance_split(
    ...     1.0, flow=0.5, compliance=50.0, circuit_compliance=2.5, resistance=10.0
    ... )
    >>> split.lung_volume
    464.85
    """
    values = {
        "time": time,
        "flow": flow,
        "compliance": compliance,
        "circuit_compliance": circuit_compliance,
        "resistance": resistance,
    }
    time, flow, lung, circuit, resistance = checked_together("circuit_compliance_split", values)
    share = lung / (lung + circuit)
    tau = resistance * share * circuit / ML_PER_L
    lung_flow = -flow * share * np.expm1(-time / tau)
    stored = flow * time * ML_PER_L
    lung_volume = share * (stored - tau * lung_flow / share * ML_PER_L)
    alveolar = lung_volume / lung
    return CircuitComplianceSplit(
        lung_volume=unboxed(lung_volume),
        circuit_volume=unboxed(stored - lung_volume),
        lung_flow=unboxed(lung_flow),
        airway_pressure=unboxed(alveolar + resistance * lung_flow),
        alveolar_pressure=unboxed(alveolar),
    )


def lung_tidal_volume(
    *, tidal_volume: Floats, circuit_compliance: Floats, peak_pressure: Floats, peep: Floats
) -> Floats:
    r"""What reaches the lung of a set volume, after the circuit has kept its part.

    Assumes that the whole circuit is at the peak pressure when the set volume has left the ventilator. It is
    a balance of gas: for pressure control it gives what the machine spends on the circuit, not a loss of the
    lung.

    Parameters
    ----------
    tidal_volume : float or array
        Volume that leaves the ventilator. [mL]
    circuit_compliance : float or array
        Compliance of the circuit. [mL/cmH2O]
    peak_pressure : float or array
        Pressure in the circuit at the end of the flow. [cmH2O]
    peep : float or array
        Pressure in the circuit before the breath. [cmH2O]

    Returns
    -------
    float or array
        Volume that enters the lung. [mL]

    Raises
    ------
    InputError
        If a value is impossible, the peak pressure is below PEEP, or the circuit would keep more than was
        set.

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
    where = "lung_tidal_volume"
    values = {
        "tidal_volume": tidal_volume,
        "circuit_compliance": circuit_compliance,
        "peak_pressure": peak_pressure,
        "peep": peep,
    }
    volume, compliance, peak, peep = checked_together(where, values)
    kept = compliance * (peak - peep)
    low, high = peak < peep, kept > volume
    if np.any(low):
        raise InputError(
            f"{where}: peak_pressure {float(peak[low][0]):.6g} cmH2O is below "
            f"peep {float(peep[low][0]):.6g} cmH2O.\n"
            "  Allowed: at least peep.\n  Give both relative to atmosphere."
        )
    if np.any(high):
        raise InputError(
            f"{where}: the circuit would keep {float(kept[high][0]):.6g} mL of tidal_volume "
            f"{float(volume[high][0]):.6g} mL.\n  Allowed: circuit_compliance times the pressure rise up to "
            "tidal_volume.\n  Check circuit_compliance, an adult circuit has 1.5 to 3 mL/cmH2O."
        )
    return unboxed(volume - kept)
