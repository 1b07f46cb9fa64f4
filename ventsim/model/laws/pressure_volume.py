"""Pressure-volume relation of a store as a sum of terms, and the effort of respiratory muscles over time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError

FloatArray = NDArray[np.float64]

# Bisections of an inversion: more than the digits of a number.
_HALVINGS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureVolume:
    r"""Transmural pressure of a store as a function of its volume above relaxed volume.

    The terms add up like elastic bodies that share one volume, such as lung and chest wall.

    Parameters
    ----------
    linear : float, default 0
        Elastance of a straight term. [cmH2O/mL]
    quadratic : float, default 0
        Elastance gained for each unit of volume. [cmH2O/mL²]
    sigmoid : (float, float, float) or None, default None
        Vital volume, inflection and width of a sigmoid term. [mL, cmH2O, cmH2O]
    exponential : (float, float) or None, default None
        Largest volume and rate of an exponential term. [mL, 1/cmH2O]

    Notes
    -----
    .. math::

        p = (E_1 + E_2 v)\,v + \Big[c - d \ln\Big(\frac{b}{v + v_0} - 1\Big)\Big]
            - \frac{1}{k} \ln\Big(1 - \frac{v}{V_\mathrm{max}}\Big),
        \qquad v_0 = \frac{b}{1 + e^{c/d}}

    The sigmoid term is shifted so that its volume is 0 at pressure 0.

    References
    ----------
    .. [1] Sigmoid: J. G. Venegas, R. S. Harris, B. A. Simon, J Appl Physiol 84 (1998) 389-395 (abstract).
    .. [2] Exponential: E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory).

    Examples
    --------
    >>> curve = PressureVolume(exponential=(6000.0, 0.12))
    >>> float(curve.volume(10.0))
    4192.8
    """

    linear: float = 0.0
    quadratic: float = 0.0
    sigmoid: tuple[float, float, float] | None = None
    exponential: tuple[float, float] | None = None

    @property
    def floor(self) -> float:
        """Volume that is never reached from above. [mL]"""
        # A volume-dependent elastance turns back where its slope is 0.
        turning = -self.linear / (2.0 * self.quadratic) if self.quadratic > 0.0 else -np.inf
        if self.sigmoid is None:
            return turning if self.exponential is None else -np.inf
        vital, inflection, width = self.sigmoid
        return -vital / (1.0 + np.exp(inflection / width))

    @property
    def capacity(self) -> float:
        """Volume that is never reached from below. [mL]"""
        sigmoid = np.inf if self.sigmoid is None else self.floor + self.sigmoid[0]
        return min(sigmoid, np.inf if self.exponential is None else self.exponential[0])

    def pressure(self, volume: float | FloatArray) -> FloatArray:
        """Transmural pressure at a volume.

        Parameters
        ----------
        volume : float or array of shape (n,)
            Volume above relaxed volume, between `floor` and `capacity`. [mL]

        Returns
        -------
        array of shape (n,) or ()
            Pressure. [cmH2O]

        Examples
        --------
        >>> float(PressureVolume(linear=0.02).pressure(500.0))
        10.0
        """
        volume = np.asarray(volume, dtype=float)
        total = (self.linear + self.quadratic * volume) * volume
        if self.sigmoid is not None:
            vital, inflection, width = self.sigmoid
            total = total + inflection - width * np.log(vital / (volume - self.floor) - 1.0)
        if self.exponential is not None:
            largest, rate = self.exponential
            total = total - np.log1p(-volume / largest) / rate
        return total

    def volume(self, pressure: float | FloatArray) -> FloatArray:
        """Volume at a transmural pressure, by bisection of the rising curve.

        Parameters
        ----------
        pressure : float or array of shape (n,)
            Pressure. [cmH2O]

        Returns
        -------
        array of shape (n,) or ()
            Volume above relaxed volume. [mL]

        Examples
        --------
        >>> float(PressureVolume(linear=0.02).volume(10.0))
        500.0
        """
        pressure = np.asarray(pressure, dtype=float)
        low = np.full(pressure.shape, self.floor if np.isfinite(self.floor) else -1e6)
        high = np.full(pressure.shape, self.capacity if np.isfinite(self.capacity) else 1e6)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            with np.errstate(divide="ignore", invalid="ignore"):
                below = self.pressure(middle) < pressure
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return 0.5 * (low + high)


@dataclass(frozen=True, slots=True, kw_only=True)
class MuscleEffort:
    r"""Pressure of the respiratory muscles over time, repeated with a period; positive breathes in.

    Parameters
    ----------
    times : tuple of float
        Times within a period, rising, from 0 to `period` at most. [s]
    pressures : tuple of float
        Pressure at each of the times. [cmH2O]
    period : float
        Time from one effort to the next. [s]
    half_sine : bool, default False
        Whether the course between two times is half a sine wave: then there are the three values 0, amplitude, 0
        at begin, middle and end. Otherwise it is a straight line.

    Notes
    -----
    Before the first time and after the last one the pressure is 0 if `half_sine`, otherwise the nearest value.

    Examples
    --------
    >>> effort = MuscleEffort(times=(0.0, 0.5, 1.0), pressures=(0.0, 8.0, 0.0), period=4.0, half_sine=True)
    >>> float(effort.pressure(4.5))
    8.0
    """

    times: tuple[float, ...]
    pressures: tuple[float, ...]
    period: float
    half_sine: bool = False

    def pressure(self, time: float | FloatArray) -> FloatArray:
        """Pressure of the muscles at a time.

        Parameters
        ----------
        time : float or array of shape (n,)
            Time since the start of a run. [s]

        Returns
        -------
        array of shape (n,) or ()
            Pressure. [cmH2O]

        Examples
        --------
        >>> line = MuscleEffort(times=(0.0, 1.0), pressures=(0.0, 5.0), period=2.0)
        >>> float(line.pressure(0.5))
        2.5
        """
        phase = np.mod(time, self.period)
        if not self.half_sine:
            return np.interp(phase, self.times, self.pressures)
        begin, end = self.times[0], self.times[-1]
        inside = (phase >= begin) & (phase <= end)
        angle = np.pi * (phase - begin) / (end - begin)
        return np.where(inside, self.pressures[1] * np.sin(angle), 0.0)


def check_within(volume: FloatArray, *, low: float, high: float) -> None:
    """Refuse volumes for which a curve has no pressure.

    Parameters
    ----------
    volume : array of shape (n,) or ()
        Volumes. [mL]
    low, high : float
        Limits that are not reached; infinite: none. [mL]

    Raises
    ------
    InputError
        If a volume is not between them.
    """
    outside = (volume <= low) | (volume >= high)
    if outside.any():
        wrong = float(np.extract(outside, volume)[0])
        bounds = [f"above {low:.6g}"] if np.isfinite(low) else []
        bounds += [f"below {high:.6g}"] if np.isfinite(high) else []
        raise InputError(
            f"volume {wrong:.6g} mL cannot be held: the curve has no pressure for it.\n"
            f"  Allowed: {' and '.join(bounds)} mL. Lower the volume, or give the lung a larger capacity."
        )
