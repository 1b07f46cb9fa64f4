"""Pressure-volume laws: how the pressure of a lung or chest wall follows from its volume, and their contract."""

import math
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description, Family, Member
from ventsim.model.laws.own import UsersOwn
from ventsim.parameters import public
from ventsim.quantities import check, finite_array, quantity, rule
from ventsim.units import FloatArray

# Bisections of an inversion: more than the digits of a number; and the volume beyond which it does not look [mL].
_HALVINGS, _FAR = 200, 1e6
# Where the third derivative of the logistic curve is 0: cosh(x) = 2, that is x = ln(2 + √3).
_BEND = math.log(2.0 + math.sqrt(3.0))

ELASTIC_LAWS = Family(
    name="pressure-volume law",
    tag="law",
    example="laws.Sigmoid(vital_capacity=2000, inflection_pressure=15, width=5)",
    accepts=lambda value: callable(getattr(value, "pressure", None)),
    number=quantity("compliance"),
    member_of=lambda value: elastic_law(value),
)
"""The pressure-volume laws; any object with a method ``pressure(volume)`` is one."""


class AnyElasticLaw(Protocol):
    """What a field of a compliance takes besides a number: a law of the library, or an object of your own.

    Examples
    --------
    >>> class Cubic:
    ...     def pressure(self, volume):
    ...         return 0.02 * volume + 1e-9 * volume**3
    >>> law: AnyElasticLaw = Cubic()
    """

    @abstractmethod
    def pressure(self, volume: Any, /) -> Any:
        """Transmural pressure at a volume, strictly rising, 0 at 0.

        Parameters
        ----------
        volume : array of shape (n,)
            Volumes above relaxation volume. [mL]

        Returns
        -------
        array of shape (n,)
            Pressures. [cmH2O]
        """


@dataclass(frozen=True, slots=True, kw_only=True)
class ElasticTerms:
    r"""A law as a sum of terms that the engine knows in closed form.

    Parameters
    ----------
    linear : float, default 0
        Elastance of a straight term. [cmH2O/mL]
    quadratic : float, default 0
        Elastance gained for each unit of volume. [cmH2O/mL²]
    sigmoid : (float, float, float) or None, default None
        Vital capacity, inflection pressure and width of a sigmoid term. [mL, cmH2O, cmH2O]
    exponential : (float, float) or None, default None
        Largest volume and rate of an exponential term. [mL, 1/cmH2O]

    Examples
    --------
    >>> ElasticTerms(linear=0.02).quadratic
    0.0
    """

    linear: float = 0.0
    quadratic: float = 0.0
    sigmoid: tuple[float, float, float] | None = None
    exponential: tuple[float, float] | None = None


class ElasticLaw(Description, ABC):
    """Base of the pressure-volume laws: transmural pressure as a function of the volume above relaxation volume.

    A law of your own is any object with the method `pressure`, which takes an array of volumes above relaxation
    volume [mL] and returns pressures [cmH2O]: strictly rising, 0 at 0. It may have `floor` and `capacity`, volumes
    that are never reached from above and from below [mL]. Elastic bodies that share one volume, such as lung and
    chest wall, add: ``laws.Sigmoid(...) + laws.VolumeDependent(elastance=0.005)``.

    Examples
    --------
    >>> law = Exponential(largest_volume=6000.0, pressure_rate=0.12) + 200.0
    >>> float(law.pressure(1000.0))
    6.52
    """

    error_type: ClassVar[type[InputError]] = PartError
    tag: ClassVar[str] = "law"

    @public
    def pressure(self, volume: ArrayLike) -> FloatArray:
        """Transmural pressure at a volume.

        Parameters
        ----------
        volume : float or array of shape (n,)
            Volume above relaxation volume, between `floor` and `capacity`. [mL]

        Returns
        -------
        array of shape (n,) or ()
            Pressure. [cmH2O]

        Raises
        ------
        InputError
            If the law has no pressure for a volume.
        """
        return self._pressure(self._checked(volume))

    @property
    def floor(self) -> float:
        """Volume that is never reached from above. [mL]"""
        return -math.inf

    @property
    def capacity(self) -> float:
        """Volume that is never reached from below. [mL]"""
        return math.inf

    @property
    def terms(self) -> ElasticTerms | None:
        """The law in the engine's closed form; None: the engine makes a table of it."""
        return None

    @public
    def volume(self, pressure: ArrayLike) -> FloatArray:
        """Volume at a transmural pressure, by bisection of the rising curve.

        Parameters
        ----------
        pressure : float or array of shape (n,)
            Pressure. [cmH2O]

        Returns
        -------
        array of shape (n,) or ()
            Volume above relaxation volume. [mL]
        """
        pressure = finite_array(self.kind, "pressure", pressure, unit="cmH2O")
        low = np.full(pressure.shape, self.floor if math.isfinite(self.floor) else -_FAR)
        high = np.full(pressure.shape, self.capacity if math.isfinite(self.capacity) else _FAR)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            with np.errstate(divide="ignore", invalid="ignore"):
                below = self._pressure(middle) < pressure
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return 0.5 * (low + high)

    @abstractmethod
    def _pressure(self, volume: FloatArray) -> FloatArray:
        """Pressure without a check of the volume."""

    def _checked(self, volume: ArrayLike) -> FloatArray:
        """Volumes, all of which have a pressure."""
        volume = finite_array(self.kind, "volume", volume, unit="mL")
        outside = (volume <= self.floor) | (volume >= self.capacity)
        if outside.any():
            bounds = [f"above {self.floor:.6g}"] if math.isfinite(self.floor) else []
            bounds += [f"below {self.capacity:.6g}"] if math.isfinite(self.capacity) else []
            raise InputError(
                f"{self.kind}: volume {np.extract(outside, volume)[0]:.6g} mL cannot be held: the curve has no "
                "pressure for it.\n"
                f"  Allowed: {' and '.join(bounds)} mL. Lower the volume, or give the lung a larger "
                "capacity."
            )
        return volume

    def __add__(self, other: Any) -> "ElasticLaw":
        return sharing_one_volume((self, other))

    def __radd__(self, other: Any) -> "ElasticLaw":
        return sharing_one_volume((other, self))


@ELASTIC_LAWS.member
class Sigmoid(ElasticLaw):
    r"""Soft in the middle, stiff at low and at high volume.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: V = a + \frac{b}{1 + e^{-(p - c) / d}}, \qquad p = c - d \ln\left(\frac{b}{V - a} - 1\right)

    with the vital capacity :math:`b`, the inflection pressure :math:`c` and the width :math:`d`. The lower
    asymptote :math:`a` is not needed, because volumes are counted from the relaxation volume, the one at
    :math:`p = 0`; what lies above it is :math:`b / (1 + e^{-c/d})`. The highest compliance, at
    the inflection pressure, is :math:`b / 4d`.

    References
    ----------
    .. [1] J. G. Venegas, R. S. Harris, B. A. Simon, J Appl Physiol 84 (1998) 389-395 (abstract).

    Examples
    --------
    >>> law = Sigmoid(vital_capacity=2000.0, inflection_pressure=15.0, width=5.0)
    >>> law.capacity, float(law.pressure(905.15)), float(law.compliance(15.0)), law.corner_pressures
    (1905.1, 15.0, 100.0, (5.0, 25.0))
    """

    kind: ClassVar[str] = "sigmoid"

    vital_capacity: Annotated[float, quantity("vital_capacity")]
    inflection_pressure: Annotated[float, quantity("inflection_pressure")]
    width: Annotated[float, quantity("width")]

    @property
    def floor(self) -> float:
        """The lower asymptote. [mL]"""
        return -self.vital_capacity / (1.0 + math.exp(self.inflection_pressure / self.width))

    @property
    def capacity(self) -> float:
        """The upper asymptote. [mL]"""
        return self.floor + self.vital_capacity

    @property
    def terms(self) -> ElasticTerms:
        """One sigmoid term."""
        return ElasticTerms(sigmoid=(self.vital_capacity, self.inflection_pressure, self.width))

    @property
    def corner_pressures(self) -> tuple[float, float]:
        """Where the tangent at the inflection meets the asymptotes, :math:`c ± 2d` (from memory). [cmH2O]"""
        return self.inflection_pressure - 2.0 * self.width, self.inflection_pressure + 2.0 * self.width

    @property
    def bending_pressures(self) -> tuple[float, float]:
        """Where the compliance changes fastest with the pressure, :math:`c ± d ln(2 + √3)` (derived). [cmH2O]"""
        return self.inflection_pressure - _BEND * self.width, self.inflection_pressure + _BEND * self.width

    def _pressure(self, volume: FloatArray) -> FloatArray:
        return self.inflection_pressure - self.width * np.log(self.vital_capacity / (volume - self.floor) - 1.0)

    @public
    def volume(self, pressure: ArrayLike) -> FloatArray:
        """Volume above relaxation volume at a pressure. [mL]"""
        pressure = finite_array(self.kind, "pressure", pressure, unit="cmH2O")
        return self.floor + self.vital_capacity * _logistic((pressure - self.inflection_pressure) / self.width)

    @public
    def compliance(self, pressure: ArrayLike) -> FloatArray:
        """Slope of the curve at a pressure.

        Parameters
        ----------
        pressure : float or array of shape (n,)
            Elastic pressure. [cmH2O]

        Returns
        -------
        array of shape (n,) or ()
            Compliance. [mL/cmH2O]
        """
        part = (self.volume(pressure) - self.floor) / self.vital_capacity
        return self.vital_capacity * part * (1.0 - part) / self.width


@ELASTIC_LAWS.member
class Exponential(ElasticLaw):
    r"""Ever stiffer towards a largest volume.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: v = V_\mathrm{max} \left(1 - e^{-k p}\right)

    Fits healthy lungs above about half of the total lung capacity; rates of 0.10 to 0.15 are normal, 0.2 to
    0.3 emphysema, about 0.08 fibrosis (1/cmH2O, from memory).

    References
    ----------
    .. [1] E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory).

    Examples
    --------
    >>> law = Exponential(largest_volume=6000.0, pressure_rate=0.12)
    >>> float(law.volume(10.0)), float(law.compliance(10.0))
    (4192.8, 216.86)
    """

    kind: ClassVar[str] = "exponential"

    largest_volume: Annotated[float, quantity("largest_volume")]
    pressure_rate: Annotated[float, quantity("pressure_rate")]

    @property
    def capacity(self) -> float:
        """The largest volume. [mL]"""
        return self.largest_volume

    @property
    def terms(self) -> ElasticTerms:
        """One exponential term."""
        return ElasticTerms(exponential=(self.largest_volume, self.pressure_rate))

    def _pressure(self, volume: FloatArray) -> FloatArray:
        return -np.log1p(-volume / self.largest_volume) / self.pressure_rate

    @public
    def volume(self, pressure: ArrayLike) -> FloatArray:
        """Volume above relaxation volume at a pressure. [mL]"""
        pressure = finite_array(self.kind, "pressure", pressure, unit="cmH2O")
        return -self.largest_volume * np.expm1(-self.pressure_rate * pressure)

    @public
    def compliance(self, pressure: ArrayLike) -> FloatArray:
        """Slope of the curve at a pressure.

        Parameters
        ----------
        pressure : float or array of shape (n,)
            Elastic pressure. [cmH2O]

        Returns
        -------
        array of shape (n,) or ()
            Compliance. [mL/cmH2O]
        """
        return self.pressure_rate * (self.largest_volume - self.volume(pressure))


@ELASTIC_LAWS.member
class VolumeDependent(ElasticLaw):
    r"""Elastance that grows in proportion to the volume.

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: p = (E_1 + E_2 v)\, v, \qquad v = \frac{2 p}{E_1 + \sqrt{E_1^2 + 4 E_2 p}}

    Elastance that falls with the volume, as while a lung is recruited, is not allowed here because the curve
    would turn back; take a :class:`Sigmoid`.

    References
    ----------
    .. [1] The form is common in respiratory mechanics (from memory).

    Examples
    --------
    >>> law = VolumeDependent(elastance=0.02, volume_elastance=1e-5)
    >>> float(law.pressure(500.0)), float(law.volume(12.5))
    (12.5, 500.0)
    """

    kind: ClassVar[str] = "volume-dependent"

    elastance: Annotated[float, quantity("elastance")]
    volume_elastance: Annotated[float, quantity("volume_elastance")] = 0.0

    @classmethod
    @public
    def of(cls, compliance: Annotated[float, rule("compliance")]) -> Self:
        """The straight law of a compliance that has been checked.

        Parameters
        ----------
        compliance : float
            Compliance, above 0. [mL/cmH2O]

        Returns
        -------
        VolumeDependent
            Without a quadratic term.
        """
        return cls.model_construct(elastance=1.0 / compliance, volume_elastance=0.0)

    @property
    def floor(self) -> float:
        """Where the curve turns back. [mL]"""
        return -self.elastance / (2.0 * self.volume_elastance) if self.volume_elastance > 0.0 else -math.inf

    @property
    def terms(self) -> ElasticTerms:
        """A straight and a quadratic term."""
        return ElasticTerms(linear=self.elastance, quadratic=self.volume_elastance)

    def _pressure(self, volume: FloatArray) -> FloatArray:
        return (self.elastance + self.volume_elastance * volume) * volume

    @public
    def volume(self, pressure: ArrayLike) -> FloatArray:
        """Volume above relaxation volume at a pressure. [mL]"""
        pressure = finite_array(self.kind, "pressure", pressure, unit="cmH2O")
        under_root = self.elastance**2 + 4.0 * self.volume_elastance * pressure
        if np.any(under_root <= 0.0):
            turn = -(self.elastance**2) / (4.0 * self.volume_elastance)
            wrong = float(np.extract(under_root <= 0.0, pressure)[0])
            raise InputError(
                f"{self.kind}: pressure {wrong:.6g} cmH2O is not reached: the curve turns back at {turn:.6g} "
                "cmH2O.\n"
                f"  Allowed: above {turn:.6g} cmH2O."
            )
        return 2.0 * pressure / (self.elastance + np.sqrt(under_root))


@ELASTIC_LAWS.member
class ElasticSum(ElasticLaw):
    r"""Elastic bodies that share one volume, such as lung and chest wall: their pressures add up.

    Raises
    ------
    PartError
        If there is none, or one is neither a pressure-volume law nor a number above 0.

    Notes
    -----
    A number is a compliance.

    .. math:: p = \sum_i p_i(v)

    Examples
    --------
    >>> float(ElasticSum(laws=(VolumeDependent(elastance=0.02), VolumeDependent(elastance=0.005))).pressure(400.0))
    10.0
    """

    kind: ClassVar[str] = "sum"

    laws: Annotated[Sequence[Any], Member(ELASTIC_LAWS, many=True)]

    def _faults(self) -> Iterator[str]:
        if not self.laws:
            yield f"laws holds none.\n  Give at least one, such as {ELASTIC_LAWS.example}."

    @property
    def floor(self) -> float:
        """The highest floor of the laws; without one, where the volume-dependent laws together turn back. [mL]"""
        bent = [law for law in self.laws if isinstance(law, VolumeDependent)]
        floor = max((law.floor for law in self.laws if law not in bent), default=-math.inf)
        gained = sum(law.volume_elastance for law in bent)
        if math.isfinite(floor) or gained == 0.0:
            return floor
        return -sum(law.elastance for law in bent) / (2.0 * gained)

    @property
    def capacity(self) -> float:
        """The smallest capacity of the laws. [mL]"""
        return min(law.capacity for law in self.laws)

    @property
    def terms(self) -> ElasticTerms | None:
        """The terms of all laws, if the engine knows each and no kind of curve comes twice."""
        found = [law.terms for law in self.laws]
        given = [one for one in found if one is not None]
        sigmoids = [one.sigmoid for one in given if one.sigmoid is not None]
        exponentials = [one.exponential for one in given if one.exponential is not None]
        if None in found or len(sigmoids) > 1 or len(exponentials) > 1:
            return None
        return ElasticTerms(
            linear=sum(one.linear for one in given),
            quadratic=sum(one.quadratic for one in given),
            sigmoid=next(iter(sigmoids), None),
            exponential=next(iter(exponentials), None),
        )

    def _pressure(self, volume: FloatArray) -> FloatArray:
        return np.sum([law._pressure(volume) for law in self.laws], axis=0)


class UserElasticLaw(UsersOwn, ElasticLaw):
    """A pressure-volume law of the user's own making, seen as one of the library.

    Examples
    --------
    >>> class Cubic:
    ...     def pressure(self, volume):
    ...         return 0.02 * volume + 1e-9 * volume**3
    >>> float(UserElasticLaw(wrapped=Cubic(), volume_factor=2.0).pressure(1000.0))
    10.125
    """

    volume_factor: Annotated[float, quantity("factor", "factor on its volume at every pressure", above=0.0)] = 1.0

    @property
    def floor(self) -> float:
        """As the law says, or none. [mL]"""
        return self.volume_factor * float(getattr(self.wrapped, "floor", -math.inf))

    @property
    def capacity(self) -> float:
        """As the law says, or none. [mL]"""
        return self.volume_factor * float(getattr(self.wrapped, "capacity", math.inf))

    def pressure(self, volume: ArrayLike) -> FloatArray:
        """Transmural pressure at a volume, which the law checks itself. [cmH2O]"""
        return self._pressure(np.asarray(volume, dtype=float))

    def _pressure(self, volume: FloatArray) -> FloatArray:
        return np.asarray(self.wrapped.pressure(volume / self.volume_factor), dtype=float)


@public
def elastic_law(value: Annotated[Any, ELASTIC_LAWS.fault_of]) -> ElasticLaw:
    """The law that a field stands for: a number is a compliance.

    Parameters
    ----------
    value : float or pressure-volume law
        A checked value of a field; an object of a user's own with `pressure` is wrapped. [mL/cmH2O]

    Returns
    -------
    ElasticLaw
        The law.

    Examples
    --------
    >>> float(elastic_law(50.0).pressure(500.0))
    10.0
    """
    if isinstance(value, ElasticLaw):
        return value
    if isinstance(value, int | float):
        return VolumeDependent.of(float(value))
    return UserElasticLaw(wrapped=value)


def sharing_one_volume(values: Iterable[Any]) -> ElasticLaw:
    """Elastic bodies that hold the same volume, as one law.

    Parameters
    ----------
    values : iterable of float or pressure-volume law
        The laws; a number is a compliance. [mL/cmH2O]

    Returns
    -------
    ElasticLaw
        The law itself if there is one, else :class:`ElasticSum`.
    """
    found: list[Any] = []
    for value in values:
        law = ELASTIC_LAWS.read(value)
        found += law.laws if isinstance(law, ElasticSum) else [law]
    return found[0] if len(found) == 1 else ElasticSum.model_construct(laws=tuple(found))


@public
def series_compliance(lung: float, chest_wall: float) -> float:
    r"""Compliance of a lung inside a chest wall.

    Parameters
    ----------
    lung, chest_wall : float
        Their compliances. [mL/cmH2O]

    Returns
    -------
    float
        Compliance of both. [mL/cmH2O]

    Raises
    ------
    InputError
        If a compliance is not above 0.

    Notes
    -----
    .. math:: 1/C = 1/C_\mathrm{L} + 1/C_\mathrm{cw}

    Both hold the same volume, and their pressures add up.

    Examples
    --------
    >>> series_compliance(100.0, 100.0)
    50.0
    """
    either = quantity("compliance", plausible=None)
    check("series_compliance", {"lung": lung, "chest_wall": chest_wall}, lung=either, chest_wall=either)
    return 1.0 / (1.0 / lung + 1.0 / chest_wall)


@public
def overdistension_index(tidal_volume: float, *, elastance: float, volume_elastance: float) -> float:
    r"""Share of the elastance at the end of a breath that the volume-dependent part makes.

    Parameters
    ----------
    tidal_volume : float
        Volume of the breath. [mL]
    elastance : float
        Elastance at the start of the breath. [cmH2O/mL]
    volume_elastance : float
        Elastance gained for each unit of volume; negative while a lung is recruited. [cmH2O/mL²]

    Returns
    -------
    float
        Index. [1]

    Raises
    ------
    InputError
        If a number is impossible, or the elastance falls to 0 within the breath.

    Notes
    -----
    .. math:: \%E_2 = \frac{E_2 V_T}{E_1 + E_2 V_T}

    Above 0.3 it is taken as a sign of overdistension (from memory).

    References
    ----------
    .. [1] The index is common in respiratory mechanics (from memory).

    Examples
    --------
    >>> round(overdistension_index(500.0, elastance=0.02, volume_elastance=1e-5), 3)
    0.2
    """
    check(
        "overdistension_index",
        {"tidal_volume": tidal_volume, "elastance": elastance, "volume_elastance": volume_elastance},
        volume_elastance=quantity("volume_elastance", at_least=None, plausible=None),
    )
    gained = volume_elastance * tidal_volume
    if elastance + gained <= 0.0:
        raise InputError(
            f"overdistension_index: volume_elastance {volume_elastance:.6g} cmH2O/mL² lets the elastance fall to "
            f"{elastance + gained:.6g} cmH2O/mL at {tidal_volume:.6g} mL.\n"
            f"  Allowed: above {-elastance / tidal_volume:.6g} cmH2O/mL²."
        )
    return gained / (elastance + gained)


def _logistic(x: FloatArray) -> FloatArray:
    """1 / (1 + exp(-x)) without overflow."""
    small = np.exp(-np.abs(x))
    return np.where(x >= 0.0, 1.0, small) / (1.0 + small)


OR_ELASTIC_LAW = Member(ELASTIC_LAWS, or_number=True)
"""Marks a field that takes a compliance or a pressure-volume law."""
