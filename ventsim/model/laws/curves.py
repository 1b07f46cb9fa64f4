"""Descriptions of the elastic behaviour of a lung whose compliance changes with its volume."""

from typing import Annotated, ClassVar

from ventsim.errors import InputError, PartError
from ventsim.model.descriptions import Description
from ventsim.model.laws.pressure_volume import PressureVolume
from ventsim.quantities import quantity


class SigmoidCurve(Description):
    r"""Soft in the middle, stiff at low and at high volume.

    Parameters
    ----------
    vital_capacity : float
        Volume between lower and upper asymptote. [mL]
    inflection : float
        Pressure of the highest compliance. [cmH2O]
    width : float
        Pressure over which the curve bends. [cmH2O]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: V = a + \frac{b}{1 + e^{-(p - c) / d}}

    with the vital volume :math:`b`, the inflection :math:`c` and the width :math:`d`. The lower asymptote
    :math:`a` is not needed, because volumes are counted from the relaxed volume, the one at :math:`p = 0`;
    what lies above it is :math:`b / (1 + e^{-c/d})`. The law is
    :func:`ventsim.laws.sigmoid.sigmoid_volume`.

    References
    ----------
    .. [1] J. G. Venegas, R. S. Harris, B. A. Simon, J Appl Physiol 84 (1998) 389-395 (abstract).

    Examples
    --------
    >>> curve = SigmoidCurve(vital_capacity=2000.0, inflection=15.0, width=5.0)
    >>> float(curve.law().capacity)
    1905.1
    """

    kind: ClassVar[str] = "sigmoid curve"
    error_type: ClassVar[type[InputError]] = PartError
    tagged: ClassVar[bool] = True

    vital_capacity: Annotated[float, quantity("vital_capacity")]
    inflection: Annotated[float, quantity("inflection_pressure")]
    width: Annotated[float, quantity("width")]

    def law(self) -> PressureVolume:
        """The pressure-volume relation, counted from the relaxed volume.

        Returns
        -------
        PressureVolume
            As an elastic store takes it.
        """
        return PressureVolume(sigmoid=(self.vital_capacity, self.inflection, self.width))


class ExponentialCurve(Description):
    r"""Ever stiffer towards a largest volume.

    Parameters
    ----------
    largest_volume : float
        Volume that is never reached, above the relaxed volume. [mL]
    rate : float
        How fast the curve nears it. [1/cmH2O]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: v = V_\mathrm{max} \left(1 - e^{-k p}\right)

    Fits healthy lungs above about half of the total lung capacity; rates of 0.10 to 0.15 are normal, 0.2 to
    0.3 emphysema, about 0.08 fibrosis (1/cmH2O, from memory). The law is
    :func:`ventsim.laws.elastance.exponential_volume`.

    References
    ----------
    .. [1] E. Salazar, J. H. Knowles, J Appl Physiol 19 (1964) 97-104 (from memory).

    Examples
    --------
    >>> float(ExponentialCurve(largest_volume=6000.0, rate=0.12).law().volume(10.0))
    4192.8
    """

    kind: ClassVar[str] = "exponential curve"
    error_type: ClassVar[type[InputError]] = PartError
    tagged: ClassVar[bool] = True

    largest_volume: Annotated[
        float, quantity("largest_volume", "volume that is never reached, above the relaxed volume")
    ]
    rate: Annotated[float, quantity("pressure_rate")]

    def law(self) -> PressureVolume:
        """The pressure-volume relation.

        Returns
        -------
        PressureVolume
            As an elastic store takes it.
        """
        return PressureVolume(exponential=(self.largest_volume, self.rate))


class VolumeDependentCurve(Description):
    r"""Elastance that grows in proportion to the volume.

    Parameters
    ----------
    elastance : float
        Elastance at the relaxed volume. [cmH2O/mL]
    volume_elastance : float, default 0
        Elastance gained for each unit of volume; 0: a straight line. [cmH2O/mL²]

    Raises
    ------
    PartError
        If a value is impossible.

    Notes
    -----
    .. math:: p = (E_1 + E_2 v)\, v

    Elastance that falls with the volume, as while a lung is recruited, is not allowed here because the curve
    would turn back; take a :class:`SigmoidCurve`. The law is
    :func:`ventsim.laws.elastance.volume_dependent_pressure`.

    References
    ----------
    .. [1] The form is common in respiratory mechanics (from memory).

    Examples
    --------
    >>> float(VolumeDependentCurve(elastance=0.02, volume_elastance=1e-5).law().pressure(500.0))
    12.5
    """

    kind: ClassVar[str] = "volume-dependent curve"
    error_type: ClassVar[type[InputError]] = PartError
    tagged: ClassVar[bool] = True

    elastance: Annotated[float, quantity("elastance", "elastance at the relaxed volume")]
    volume_elastance: Annotated[float, quantity("volume_elastance")] = 0.0

    def law(self) -> PressureVolume:
        """The pressure-volume relation.

        Returns
        -------
        PressureVolume
            As an elastic store takes it.
        """
        return PressureVolume(linear=self.elastance, quadratic=self.volume_elastance)


ElasticCurve = SigmoidCurve | ExponentialCurve | VolumeDependentCurve
"""How the pressure of a lung follows from its volume."""
