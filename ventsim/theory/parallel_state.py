"""The repeating breath of several lungs in parallel, solved through the modes of each phase."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ventsim.errors import InputError
from ventsim.theory.inputs import FloatArray, checked, checked_lungs, checked_times
from ventsim.units import ML_PER_L

# The slowest mode carries a relative rounding error of 1e-16 times the ratio of fastest to slowest.
LARGEST_SPREAD = 1e8


@dataclass(frozen=True, kw_only=True, eq=False)
class Modes:
    """The exponential decays of which a phase is made.

    Pressure times the root of compliance obeys a symmetric matrix, so the modes are real and orthogonal.

    Attributes
    ----------
    rates : array of shape (lung,)
        Inverse of the time constant of each mode. [1/s]
    vectors : array of shape (lung, lung)
        One mode in each column. [1]
    root : array of shape (lung,)
        Square root of the compliances. [(L/cmH2O)^0.5]
    """

    rates: FloatArray
    vectors: FloatArray
    root: FloatArray

    def decay(self, pressure: FloatArray, time: FloatArray) -> FloatArray:
        """Pressures some time later, with the source at zero.

        Parameters
        ----------
        pressure : array of shape (lung,)
            Pressure of each lung at first. [cmH2O]
        time : array of any shape
            Time since then. [s]

        Returns
        -------
        array of the shape of `time`, with a last dimension (lung,)
            Pressure of each lung. [cmH2O]
        """
        weights = np.exp(-np.multiply.outer(time, self.rates)) * (self.vectors.T @ (self.root * pressure))
        return weights @ self.vectors.T / self.root

    def matrix(self, time: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The matrix that carries pressures through a time, and identity minus that matrix.

        Parameters
        ----------
        time : array without dimensions
            Duration. [s]

        Returns
        -------
        tuple of two arrays of shape (lung, lung)
            Pressures later over pressures at first, and identity minus that, exact also for short times. [1]
        """
        left, right = self.vectors / self.root[:, np.newaxis], self.vectors.T * self.root
        return (left * np.exp(-self.rates * time)) @ right, (left * -np.expm1(-self.rates * time)) @ right


@dataclass(frozen=True, kw_only=True, eq=False)
class LungGroup:
    """Checked settings and lungs, and the pressures above PEEP once every breath is like the one before.

    Attributes
    ----------
    step : array without dimensions
        Set inspiratory pressure above PEEP. [cmH2O]
    peep : array without dimensions
        Set pressure of expiration. [cmH2O]
    inspiratory_time : array without dimensions
        Duration of inspiration. [s]
    period : array without dimensions
        Duration of the whole breath. [s]
    compliances : array of shape (lung,)
        Compliance of each lung. [mL/cmH2O]
    conductances : array of shape (lung,)
        One over the resistance of each branch to inspiration. [L/s/cmH2O]
    expiratory_conductances : array of shape (lung,)
        One over the resistance of each branch to expiration. [L/s/cmH2O]
    shared_resistance : array without dimensions
        Resistance between source and junction in inspiration. [cmH2O·s/L]
    expiratory_shared_resistance : array without dimensions
        Resistance between junction and exhalation valve in expiration. [cmH2O·s/L]
    inspiration : Modes
        Modes of inspiration.
    expiration : Modes
        Modes of expiration.
    end_inspiration : array of shape (lung,)
        Alveolar pressure above PEEP at the end of inspiration. [cmH2O]
    end_expiration : array of shape (lung,)
        Alveolar pressure above PEEP at the end of expiration. [cmH2O]
    swing : array of shape (lung,)
        Difference of these two. [cmH2O]
    """

    step: FloatArray
    peep: FloatArray
    inspiratory_time: FloatArray
    period: FloatArray
    compliances: FloatArray
    conductances: FloatArray
    expiratory_conductances: FloatArray
    shared_resistance: FloatArray
    expiratory_shared_resistance: FloatArray
    inspiration: Modes
    expiration: Modes
    end_inspiration: FloatArray
    end_expiration: FloatArray
    swing: FloatArray


def settled_group(
    where: str,
    *,
    settings: Mapping[str, float | None],
    lungs: Mapping[str, Sequence[float] | FloatArray | None],
) -> LungGroup:
    """Check settings and lungs and solve for the repeating breath.

    Parameters
    ----------
    where : str
        Name of the function that was called, for messages.
    settings : mapping of str to float or None
        The single numbers among the arguments of `parallel_lungs_pressure_control`, by name.
    lungs : mapping of str to sequence of float or None
        The lists among them.

    Returns
    -------
    LungGroup
        Settings, lungs and pressures.

    Raises
    ------
    InputError
        If a value is impossible, the lists differ in length, or inspiration fills the whole period.
    """
    given, rows = dict(settings), dict(lungs)
    if given["expiratory_shared_resistance"] is None:
        given["expiratory_shared_resistance"] = given["shared_resistance"]
    if rows["expiratory_resistances"] is None:
        rows["expiratory_resistances"] = rows["resistances"]
    step, peep, shared, shared_out, rate, time_in = (_single(where, v, name=k) for k, v in given.items())
    compliances, r_in, r_out = checked_lungs(where, rows)
    period = checked_times(where, rate=rate, inspiratory_time=time_in)
    inspiration = _modes(where, compliances, conductances=1.0 / r_in, shared_resistance=shared)
    expiration = _modes(where, compliances, conductances=1.0 / r_out, shared_resistance=shared_out)
    carry_in, rest_in = inspiration.matrix(time_in)
    carry_out, rest_out = expiration.matrix(period - time_in)
    # I - Ei Ee, written so that it keeps its digits when both phases are short.
    top = np.linalg.solve(rest_in + carry_in @ rest_out, rest_in.sum(axis=1) * step)
    return LungGroup(
        step=step,
        peep=peep,
        inspiratory_time=time_in,
        period=period,
        compliances=compliances,
        conductances=1.0 / r_in,
        expiratory_conductances=1.0 / r_out,
        shared_resistance=shared,
        expiratory_shared_resistance=shared_out,
        inspiration=inspiration,
        expiration=expiration,
        end_inspiration=top,
        end_expiration=carry_out @ top,
        swing=rest_out @ top,
    )


def _single(where: str, value: float | None, *, name: str) -> FloatArray:
    array = checked(where, value, name=name)
    if array.ndim:
        raise InputError(
            f"{where}: {name} has shape {array.shape}.\n  Allowed: one number for all lungs.\n"
            f"  Give a single {name}."
        )
    return array


def _modes(
    where: str, compliances: FloatArray, *, conductances: FloatArray, shared_resistance: FloatArray
) -> Modes:
    """Modes of lungs behind one shared resistance; the second term couples them through the junction."""
    total = 1.0 + shared_resistance * conductances.sum()
    coupled = np.diag(conductances) - shared_resistance / total * np.outer(conductances, conductances)
    root = np.sqrt(compliances / ML_PER_L)
    rates, vectors = np.linalg.eigh(coupled / np.outer(root, root))
    if rates[0] < rates[-1] / LARGEST_SPREAD:
        raise InputError(
            f"{where}: time constants of the lungs differ so much that the slowest cannot be calculated.\n"
            f"  Allowed: ratios of up to {LARGEST_SPREAD:.0e}.\n"
            "  Check the units of compliances and resistances, and shared_resistance against them."
        )
    return Modes(rates=rates, vectors=vectors, root=root)
