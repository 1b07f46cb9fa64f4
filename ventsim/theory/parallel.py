"""Pressure control of any number of lungs side by side, behind one shared resistance."""

from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.model.ventilator import PressureControl
from ventsim.parameters import public
from ventsim.quantities import FloatArray, finite_array
from ventsim.theory.arguments import Floats, Lungs, Numbers, Row, closed_form, read_numbers
from ventsim.theory.steady import BreathWaveform, SteadyBreath, shared_measures
from ventsim.units import ML_PER_L

# The slowest mode carries a relative rounding error of 1e-16 times the ratio of fastest to slowest.
LARGEST_SPREAD = 1e8


class _Phase:
    """Inspiration or expiration of lungs behind one shared resistance, and the decays of which it is made.

    Pressure times the root of compliance obeys a symmetric matrix, so the modes are real and orthogonal.
    """

    def __init__(self, compliance: FloatArray, resistance: FloatArray, shared: FloatArray) -> None:
        each = 1.0 / resistance
        # The second term couples the lungs through the junction.
        coupled = np.diag(each) - shared / (1.0 + shared * each.sum()) * np.outer(each, each)
        root = np.sqrt(compliance / ML_PER_L)
        self.rates, vectors = np.linalg.eigh(coupled / np.outer(root, root))  # [1/s]
        self.to_modes, self.from_modes = vectors.T * root, vectors / root[:, np.newaxis]
        if self.rates[0] < self.rates[-1] / LARGEST_SPREAD:
            raise InputError(
                "parallel_lungs: time constants of the lungs differ too much to calculate the slowest.\n"
                f"  Allowed: ratios of up to {LARGEST_SPREAD:.0e}. Check the units of compliance and resistances."
            )

    def matrices(self, time: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What carries pressures through a time, and identity minus that, exact also for short times."""
        kept, lost = np.exp(-self.rates * time), -np.expm1(-self.rates * time)
        return (self.from_modes * kept) @ self.to_modes, (self.from_modes * lost) @ self.to_modes

    def decay(self, pressures: Floats, time: FloatArray) -> FloatArray:
        """Pressures some time later, with the source at zero; lungs come last."""
        decays = np.exp(-np.multiply.outer(time, self.rates))
        return (decays * (self.to_modes @ pressures)) @ self.from_modes.T


def _phases(n: Numbers) -> tuple[_Phase, _Phase]:
    """Inspiration and expiration."""
    return (
        _Phase(n.compliance, n.resistance, n.shared_resistance),
        _Phase(n.compliance, n.expiratory_resistance, n.expiratory_shared_resistance),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class ParallelLungsBreath(SteadyBreath):
    """The breath that repeats itself in lungs that share one source of pressure, along the only dimension."""

    @public
    def waveform(self, times: Floats) -> BreathWaveform:
        r"""Pressures, flows and volumes over time.

        Parameters
        ----------
        times : float or array
            Time since the start of any inspiration; the breath repeats itself. [s]

        Returns
        -------
        BreathWaveform
            Lungs along the last dimension, after those of `times`, but for the airway pressure, which is that of
            the junction. At a switch, flows and airway pressure just after it.

        Notes
        -----
        With the terms of :func:`parallel_lungs`, the pressure of the junction above PEEP is

        .. math:: p_y = \frac{p_{source} + R_s \sum G_i\,p_i}{1 + R_s \sum G_i}

        Examples
        --------
        >>> breath = parallel_lungs(
        ...     compliance=[50.0, 25.0], resistance=10.0, shared_resistance=5.0, inspiratory_pressure=15.0,
        ...     peep=5.0, rate=15.0, inspiratory_time=4 / 3,
        ... )
        >>> breath.waveform(4 / 3).alveolar_pressure.tolist()
        [16.8567, 18.1521]
        """
        n, (inspiration, expiration) = self.given, _phases(self.given)
        time = np.mod(finite_array("waveform", "times", times, unit="s"), n.period)
        is_inspiration = time < n.inspiratory_time
        filling = n.inspiratory_pressure - inspiration.decay(n.inspiratory_pressure - self.auto_peep, time)
        since = np.maximum(time - n.inspiratory_time, 0.0)
        emptying = expiration.decay(self.auto_peep + self.driving_pressure, since)
        above = np.where(is_inspiration[..., np.newaxis], filling, emptying)
        source = np.where(is_inspiration, n.inspiratory_pressure, 0.0)
        shared = np.where(is_inspiration, n.shared_resistance, n.expiratory_shared_resistance)
        each = np.where(is_inspiration[..., np.newaxis], 1.0 / n.resistance, 1.0 / n.expiratory_resistance)
        junction = (source + shared * (each * above).sum(axis=-1)) / (1.0 + shared * each.sum(axis=-1))
        return BreathWaveform(
            volume=n.compliance * (n.peep + above),
            flow=each * (junction[..., np.newaxis] - above),
            airway_pressure=n.peep + junction,
            alveolar_pressure=n.peep + above,
        )


@closed_form
def parallel_lungs(
    lungs: Lungs | None = None,
    settings: PressureControl | None = None,
    *,
    compliance: Row | None = None,
    resistance: Row | None = None,
    expiratory_resistance: Row | None = None,
    shared_resistance: float = 0.0,
    expiratory_shared_resistance: float | None = None,
    inspiratory_pressure: float | None = None,
    peep: float | None = None,
    rate: float | None = None,
    inspiratory_time: float | None = None,
) -> ParallelLungsBreath:
    r"""Steady breath of several lungs under one square wave of pressure.

    Assumes linear passive lungs, an ideal pressure source, no gas stored in the circuit, and branches that let gas
    pass both ways, so that one lung may fill another while their pressures differ.

    Returns
    -------
    ParallelLungsBreath
        Volumes and pressures of each lung; ``waveform(times)`` gives them over time.

    Notes
    -----
    With the pressures p of the lungs above PEEP, their compliances C, the conductances :math:`G_i = 1/R_i` of the
    branches and the shared resistance :math:`R_s`, each phase obeys

    .. math::

        C\,\dot p = -K\,(p - p_{source}), \qquad K = \mathrm{diag}(G) - \frac{R_s\,G G^T}{1 + R_s \sum G}

    so that :math:`E = e^{-C^{-1}Kt}` carries the lungs through it. With the matrices of both phases

    .. math:: p_{ei} = (I - E_i E_e)^{-1} (I - E_i)\,\Delta p, \qquad p_{ee} = E_e\,p_{ei}

    Inspiratory and expiratory resistances belong to the phase, not to the direction of flow. One-way valves change
    nothing as long as no branch flow turns round within its phase. Without shared resistance the lungs do not
    affect each other, and each breathes as in :func:`pressure_control`.

    References
    ----------
    .. [1] Derived here; checked by integration and by an independent circuit simulation of the electrical
       analogue.

    Examples
    --------
    >>> from ventsim import Lung, PressureControl
    >>> breath = parallel_lungs(
    ...     {"a": Lung(compliance=50.0, resistance=10.0), "b": Lung(compliance=25.0, resistance=10.0)},
    ...     PressureControl(inspiratory_pressure=15.0, peep=5.0, rate=15.0, ie_ratio=0.5),
    ...     shared_resistance=5.0,
    ... )
    >>> breath.tidal_volume.tolist()
    [566.842, 321.477]
    """
    n = read_numbers("parallel_lungs", locals())
    if n.rate.ndim:
        raise InputError("parallel_lungs: settings are arrays.\n  Give one number of each for all lungs.")
    inspiration, expiration = _phases(n)
    carry_in, rest_in = inspiration.matrices(n.inspiratory_time)
    carry_out, rest_out = expiration.matrices(n.period - n.inspiratory_time)
    # I - Ei Ee, written so that it keeps its digits when both phases are short.
    try:
        top = np.linalg.solve(rest_in + carry_in @ rest_out, rest_in.sum(axis=1) * n.inspiratory_pressure)
    except np.linalg.LinAlgError:
        raise InputError("parallel_lungs: numbers are too far apart to calculate with.\n  Check units.") from None
    mean_airway = n.peep + n.inspiratory_pressure * n.duty_cycle
    swing = rest_out @ top
    shared = shared_measures(n, top=top, bottom=carry_out @ top, swing=swing, mean_airway=mean_airway)
    mean_flow = (n.compliance * swing).sum() / ML_PER_L / n.period
    shared["mean_alveolar_pressure"] += (n.expiratory_shared_resistance - n.shared_resistance) * mean_flow
    return ParallelLungsBreath(**shared)
