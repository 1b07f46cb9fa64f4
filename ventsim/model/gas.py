"""Breathing gas: density and viscosity of dry or moist mixtures of air and oxygen, and conditions of volume.

The gas is ideal. Its dry part is oxygen with nitrogen and argon in the proportion of air; carbon dioxide is
left out. Limits of every input are checked; outside them the correlations were not compared with anything.
"""

import math
from dataclasses import dataclass
from typing import Literal

from ventsim.errors import InputError, check_name, shown, suggestion
from ventsim.parameters import public
from ventsim.quantities import check, quantity
from ventsim.units import ATMOSPHERE_CMH2O, CMH2O_PA

BODY_TEMPERATURE = 37.0
"""Temperature of the body, as in the conditions BTPS. [°C]"""

Condition = Literal["ATPS", "ATPD", "BTPS", "STPD"]
"""Ambient or body or standard temperature and pressure, saturated or dry."""

_HUMIDITY = {"dry": 0.0, "saturated": 1.0}
_ZERO_CELSIUS = 273.15  # [K]
_GAS_CONSTANT = 8.314462618  # [J/(mol·K)], CODATA 2018
_ARGON_TO_NITROGEN = 0.00934 / 0.78084  # mole fractions of dry air, US Standard Atmosphere 1976


@dataclass(frozen=True, slots=True)
class _Species:
    """Molar mass, and Sutherland's constants: viscosity at a temperature, and the constant S."""

    molar_mass: float  # [kg/mol]
    viscosity: float  # [µPa·s]
    at: float  # [K]
    constant: float  # [K]


# Molar masses: IUPAC. Sutherland's constants: F. M. White, Viscous Fluid Flow, table 1-2 (from memory);
# those of water vapour fitted here to its viscosity at saturation and 0 to 60 °C in CoolProp
# 8.0.0, to 0.5 %.
_NITROGEN = _Species(0.0280134, 16.63, 273.0, 107.0)
_OXYGEN = _Species(0.0319988, 19.19, 273.0, 139.0)
_ARGON = _Species(0.039948, 21.25, 273.0, 144.0)
_WATER = _Species(0.01801528, 10.087, 310.15, 270.0)


@dataclass(frozen=True, slots=True)
class GasProperties:
    """Density and viscosity of a gas.

    Attributes
    ----------
    density : float
        Mass in each unit of volume. [kg/m³]
    viscosity : float
        Dynamic viscosity. [µPa·s]

    Examples
    --------
    >>> GasProperties(density=1.2, viscosity=18.2).density
    1.2
    """

    density: float
    viscosity: float


@public
def breathing_gas(
    *,
    oxygen_fraction: float = 0.21,
    temperature: float = 20.0,
    humidity: float | Literal["dry", "saturated"] = "dry",
    pressure: float = ATMOSPHERE_CMH2O,
) -> GasProperties:
    r"""Density and viscosity of a mixture of air and oxygen, with or without water vapour.

    Assumes ideal gases. Nitrogen and argon keep the proportion that they have in air.

    Parameters
    ----------
    oxygen_fraction : float, default 0.21
        Mole fraction of oxygen in the dry gas, 0.2 to 1. [1]
    temperature : float, default 20
        Temperature, 0 to 60. [°C]
    humidity : float or {"dry", "saturated"}, default "dry"
        Relative humidity: vapour pressure over that of saturation, 0 to 1. [1]
    pressure : float, default 1033.2275
        Absolute pressure, 500 to 1600. Not for a part of a circuit, whose density follows
        ``Ventilator.ambient_pressure`` by itself. [cmH2O]

    Returns
    -------
    GasProperties
        Density [kg/m³] and viscosity [µPa·s].

    Raises
    ------
    InputError
        If a value is outside its limits, or the humidity is another word.

    Notes
    -----
    .. math::

        \rho = \frac{p}{R T} \sum_i x_i M_i, \qquad
        \mu_i = \mu_{0,i} \Big(\frac{T}{T_0}\Big)^{3/2} \frac{T_0 + S_i}{T + S_i}, \qquad
        \mu = \sum_i \frac{x_i \mu_i}{\sum_j x_j \phi_{ij}}, \qquad
        \phi_{ij} = \frac{\big[1 + \sqrt{\mu_i/\mu_j}\,(M_j/M_i)^{1/4}\big]^2}{\sqrt{8 (1 + M_i/M_j)}}

    Against an equation of state (CoolProp 8.0.0) at 0 to 37 °C the density is right to 0.1 %, the viscosity
    of air and of oxygen to 1 %.

    References
    ----------
    .. [1] C. R. Wilke, A viscosity equation for gas mixtures, J Chem Phys 18 (1950) 517-519, eqs. 13 and 14
       (from memory).
    .. [2] W. Sutherland, The viscosity of gases and molecular force, Phil Mag 36 (1893) 507-531 (from
       memory); constants from F. M. White, Viscous Fluid Flow, table 1-2 (from memory).

    Examples
    --------
    >>> breathing_gas().density
    1.2040
    >>> breathing_gas(oxygen_fraction=1.0, temperature=37.0, humidity="saturated").density
    1.2232
    """
    relative = _HUMIDITY.get(humidity, math.nan) if isinstance(humidity, str) else humidity
    if isinstance(humidity, str) and humidity not in _HUMIDITY:
        raise InputError(
            f"breathing_gas: humidity {shown(humidity)} is unknown.\n"
            f"  {suggestion(humidity, _HUMIDITY)} Or give a relative humidity of 0 to 1."
        )
    given = {"oxygen_fraction": oxygen_fraction, "temperature": temperature, "humidity": relative}
    check("breathing_gas", given | {"pressure": pressure}, pressure=quantity("ambient_pressure"))
    kelvin = temperature + _ZERO_CELSIUS
    vapour = relative * saturation_pressure(temperature) / pressure
    inert = (1.0 - oxygen_fraction) / (1.0 + _ARGON_TO_NITROGEN)
    dry = ((_NITROGEN, inert), (_ARGON, inert * _ARGON_TO_NITROGEN), (_OXYGEN, oxygen_fraction))
    mixture = [(species, share * (1.0 - vapour)) for species, share in dry] + [(_WATER, vapour)]
    molar_mass = sum(share * species.molar_mass for species, share in mixture)
    density = pressure * CMH2O_PA * molar_mass / (_GAS_CONSTANT * kelvin)
    return GasProperties(density=density, viscosity=_mixture_viscosity(mixture, kelvin))


@public
def saturation_pressure(temperature: float) -> float:
    r"""Vapour pressure of water over a flat surface.

    Parameters
    ----------
    temperature : float
        Temperature, 0 to 60. [°C]

    Returns
    -------
    float
        Partial pressure of the vapour where it is saturated. [cmH2O]

    Raises
    ------
    InputError
        If the temperature is outside its limits.

    Notes
    -----
    .. math::

        \ln \frac{p}{p_c} = \frac{T_c}{T} \big(a_1 \vartheta + a_2 \vartheta^{1.5} + a_3 \vartheta^3
            + a_4 \vartheta^{3.5} + a_5 \vartheta^4 + a_6 \vartheta^{7.5}\big), \qquad \vartheta = 1 - T/T_c

    Valid from the triple point to the critical one. The raising of the vapour pressure by the air above the
    water, about 0.4 %, is neglected.

    References
    ----------
    .. [1] W. Wagner, A. Pruß, International equations for the saturation properties of ordinary water
       substance, J Phys Chem Ref Data 22 (1993) 783-787, eq. 1; coefficients from memory, tested against
       CoolProp 8.0.0.

    Examples
    --------
    >>> saturation_pressure(37.0)
    64.06
    """
    check("saturation_pressure", {"temperature": temperature})
    critical_temperature, critical_pressure = 647.096, 22.064e6  # [K], [Pa]
    kelvin = temperature + _ZERO_CELSIUS
    distance = 1.0 - kelvin / critical_temperature
    factors = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
    powers = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
    total = sum(factor * distance**power for factor, power in zip(factors, powers, strict=True))
    return critical_pressure * math.exp(critical_temperature / kelvin * total) / CMH2O_PA


@public
def volume_factor(
    source: Condition, target: Condition, *, temperature: float = 20.0, pressure: float = ATMOSPHERE_CMH2O
) -> float:
    r"""Factor from a volume of gas under one set of conditions to that under another.

    The dry gas keeps its amount; water evaporates or condenses.

    Parameters
    ----------
    source, target : {"ATPS", "ATPD", "BTPS", "STPD"}
        Ambient temperature and pressure, saturated or dry; body temperature (37 °C) and ambient pressure,
        saturated; standard temperature (0 °C) and pressure (101325 Pa), dry.
    temperature : float, default 20
        Ambient temperature, 0 to 60. [°C]
    pressure : float, default 1033.2275
        Ambient pressure, absolute, 500 to 1600; of a circuit ``circuit.ventilator.ambient_pressure``. [cmH2O]

    Returns
    -------
    float
        Volume under `target` for each unit of volume under `source`. [1]

    Raises
    ------
    InputError
        If a condition is unknown or a value is outside its limits.

    Notes
    -----
    .. math:: \frac{V_2}{V_1} = \frac{T_2}{T_1} \, \frac{p_1 - p_{w,1}}{p_2 - p_{w,2}}

    References
    ----------
    .. [1] Law of ideal gases for the dry part; factors of textbooks of lung function: 1.102 at 20 °C and
       1.075 at 25 °C from ATPS to BTPS (from memory).

    Examples
    --------
    >>> volume_factor("ATPS", "BTPS", temperature=20.0)
    1.102
    >>> volume_factor("STPD", "BTPS")
    1.2105
    """
    given = {"temperature": temperature, "pressure": pressure}
    check("volume_factor", given, pressure=quantity("ambient_pressure"))
    states = {
        "ATPS": (temperature, pressure - saturation_pressure(temperature)),
        "ATPD": (temperature, pressure),
        "BTPS": (BODY_TEMPERATURE, pressure - saturation_pressure(BODY_TEMPERATURE)),
        "STPD": (0.0, ATMOSPHERE_CMH2O),
    }
    for name in (source, target):
        check_name(name, states, wrong=f"volume_factor: there is no condition {name!r}")
    (first, dry_first), (second, dry_second) = states[source], states[target]
    return (second + _ZERO_CELSIUS) / (first + _ZERO_CELSIUS) * dry_first / dry_second


def _mixture_viscosity(mixture: list[tuple[_Species, float]], kelvin: float) -> float:
    """Viscosity by Wilke's rule from those of the pure gases by Sutherland's. [µPa·s]"""
    present = [(species, share, _pure_viscosity(species, kelvin)) for species, share in mixture if share > 0.0]
    total = 0.0
    for own, share, viscosity in present:
        weight = 0.0
        for other, other_share, other_viscosity in present:
            ratio = math.sqrt(viscosity / other_viscosity) * (other.molar_mass / own.molar_mass) ** 0.25
            weight += other_share * (1.0 + ratio) ** 2 / math.sqrt(8.0 * (1.0 + own.molar_mass / other.molar_mass))
        total += share * viscosity / weight
    return total


def _pure_viscosity(species: _Species, kelvin: float) -> float:
    warming = (kelvin / species.at) ** 1.5 * (species.at + species.constant) / (kelvin + species.constant)
    return species.viscosity * warming
