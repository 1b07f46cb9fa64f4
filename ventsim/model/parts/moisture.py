"""Ready-made filters with the figures of measured heat and moisture exchangers."""

from collections.abc import Mapping
from types import MappingProxyType

from ventsim.errors import PartError, suggestion
from ventsim.model.parts.inline import Filter

# Resistance [cmH2O·s/L] and dead space [mL] of ten paediatric heat and moisture exchangers, in the order of
# the published table: Critical Care Research and Practice 2012, article 439267, table 1. At what flow is
# not told.
_PAEDIATRIC = (
    (5.7, 26.0),
    (0.6, 30.0),
    (4.3, 28.0),
    (3.5, 21.0),
    (1.6, 21.0),
    (3.3, 28.0),
    (1.2, 10.0),
    (13.6, 12.0),
    (1.2, 12.0),
    (8.1, 12.0),
)

# Adult exchangers: 55 to 92 mL in six devices (abstract read, authors not shown); 1 to 3 cmH2O at 60 L/min
# is common practice, no source. The two figures of a row are illustrative pairs of the ends and the middle
# of those ranges.
_ADULT = {
    "adult, small": (0.5, 0.5, 55.0),
    "adult": (1.0, 1.0, 75.0),
    "adult, large": (1.5, 1.5, 92.0),
}

_EXCHANGERS: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    _ADULT
    | {
        f"paediatric {number}": (resistance, 0.0, volume)
        for number, (resistance, volume) in enumerate(_PAEDIATRIC, start=1)
    }
)


def heat_moisture_exchanger_names() -> tuple[str, ...]:
    """Names of the ready-made heat and moisture exchangers.

    Returns
    -------
    tuple of str
        Names for :func:`heat_moisture_exchanger`.

    Examples
    --------
    >>> heat_moisture_exchanger_names()[:2]
    ('adult, small', 'adult')
    """
    return tuple(_EXCHANGERS)


def heat_moisture_exchanger(name: str = "adult") -> Filter:
    """A heat and moisture exchanger, as a filter with its resistance and dead space.

    Parameters
    ----------
    name : str, default "adult"
        One of :func:`heat_moisture_exchanger_names`.

    Returns
    -------
    Filter
        Resistance of the dry device, and the gas inside.

    Raises
    ------
    PartError
        If there is no such name.

    Notes
    -----
    The ten paediatric ones are measured [1]_, with a resistance that is taken as linear. The adult ones are
    illustrative: their dead space spans the 55 to 92 mL measured on six devices, their pressure drop the 1
    to 3 cmH2O at 60 L/min of common practice (no source).

    References
    ----------
    .. [1] Critical Care Research and Practice 2012, article 439267, table 1.

    Examples
    --------
    >>> heat_moisture_exchanger("paediatric 3").gas_volume
    28.0
    """
    if name not in _EXCHANGERS:
        raise PartError(
            f"there is no heat and moisture exchanger {name!r}.\n  {suggestion(str(name), _EXCHANGERS)}"
        )
    linear, quadratic, volume = _EXCHANGERS[name]
    return Filter(resistance=linear, quadratic_resistance=quadratic, gas_volume=volume)
