"""Mechanical power: published bedside formulas for the energy that goes into the lung each minute.

The functions keep the published factor 0.098, which rounds 0.0980665 J for each cmH2O·L.
"""

from ventsim.model.parts import Lung
from ventsim.model.ventilator import PressureControl, VolumeControl
from ventsim.theory.arguments import Floats, closed_form, plain, read_numbers
from ventsim.units import ML_PER_L

JOULES = 0.098  # as printed in the papers [J/(cmH2O·L)]


@closed_form
def mechanical_power_gattinoni_2016(
    lung: Lung | None = None,
    settings: VolumeControl | None = None,
    *,
    tidal_volume: Floats | None = None,
    compliance: Floats | None = None,
    resistance: Floats | None = None,
    rate: Floats | None = None,
    ie_ratio: Floats | None = None,
    peep: Floats | None = None,
) -> Floats:
    r"""Mechanical power of volume control with constant flow, from the mechanics of the lung.

    Assumes one linear passive compartment and no auto-PEEP. The I:E ratio gives the flow; with a pause it is the
    time of flow by the rest of the period, as descriptions give it.

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Notes
    -----
    With elastance :math:`E = 1/C` and the I:E ratio r:

    .. math:: 0.098\,f\left\{V_T^2\left[\frac{E}{2} + f\,\frac{1 + r}{60\,r}\,R\right] + V_T\,PEEP\right\}

    References
    ----------
    .. [1] Gattinoni et al., Intensive Care Med 2016;42:1567-1575 (formula from memory).

    Examples
    --------
    >>> mechanical_power_gattinoni_2016(
    ...     tidal_volume=500.0, compliance=50.0, resistance=10.0, rate=20.0, ie_ratio=0.5, peep=5.0
    ... )
    14.7
    """
    n = read_numbers("mechanical_power_gattinoni_2016", locals())
    litres = n.tidal_volume / ML_PER_L
    resistive = litres * n.rate * (1.0 + n.ie_ratio) / (60.0 * n.ie_ratio) * n.resistance
    return plain(n.where, JOULES * n.rate * litres * (0.5 * n.tidal_volume / n.compliance + resistive + n.peep))


@closed_form
def mechanical_power_simplified_gattinoni_2016(
    settings: VolumeControl | None = None,
    *,
    tidal_volume: Floats | None = None,
    rate: Floats | None = None,
    peak_pressure: Floats,
    plateau_pressure: Floats,
    peep: Floats | None = None,
) -> Floats:
    r"""Mechanical power of volume control with constant flow, from displayed pressures.

    Assumes what :func:`mechanical_power_gattinoni_2016` assumes.

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Notes
    -----
    .. math:: 0.098\,f\,V_T\left[p_{peak} - \tfrac12\,(p_{plat} - PEEP)\right]

    References
    ----------
    .. [1] Gattinoni et al., Intensive Care Med 2016;42:1567-1575 (formula from memory).

    Examples
    --------
    >>> mechanical_power_simplified_gattinoni_2016(
    ...     tidal_volume=500.0, rate=20.0, peak_pressure=20.0, plateau_pressure=15.0, peep=5.0
    ... )
    14.7
    """
    n = read_numbers("mechanical_power_simplified_gattinoni_2016", locals())
    n.refuse_falling("peep", "plateau_pressure", "peak_pressure")
    pressure = n.peak_pressure - 0.5 * (n.plateau_pressure - n.peep)
    return plain(n.where, JOULES * n.rate * n.tidal_volume / ML_PER_L * pressure)


@closed_form
def mechanical_power_giosa_2019(
    settings: VolumeControl | None = None,
    *,
    tidal_volume: Floats | None = None,
    rate: Floats | None = None,
    peak_pressure: Floats,
    peep: Floats | None = None,
    flow: Floats | None = None,
) -> Floats:
    r"""Mechanical power of volume control with constant flow, without a pause.

    Assumes a resistance of 10 cmH2O·s/L and what :func:`mechanical_power_gattinoni_2016` assumes.

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Notes
    -----
    With the minute volume and the flow F in L/min:

    .. math:: \dot V_E\,\frac{p_{peak} + PEEP + F/6}{20}

    References
    ----------
    .. [1] Giosa et al., 2019, PMC6879677.

    Examples
    --------
    >>> mechanical_power_giosa_2019(tidal_volume=500.0, rate=20.0, peak_pressure=20.0, peep=5.0, flow=0.5)
    15.0
    """
    n = read_numbers("mechanical_power_giosa_2019", locals())
    n.refuse_falling("peep", "peak_pressure")
    minute_volume = n.rate * n.tidal_volume / ML_PER_L
    return plain(n.where, minute_volume * (n.peak_pressure + n.peep + 10.0 * n.flow) / 20.0)


@closed_form
def mechanical_power_becher_2019(
    settings: PressureControl | None = None,
    *,
    tidal_volume: Floats,
    rate: Floats | None = None,
    inspiratory_pressure: Floats | None = None,
    peep: Floats | None = None,
) -> Floats:
    r"""Mechanical power of pressure control, simplified.

    Assumes that pressure is at its set value for all of inspiration.

    Returns
    -------
    float or array
        Mechanical power. [J/min]

    Notes
    -----
    .. math:: 0.098\,f\,V_T\,(PEEP + \Delta p)

    Exact for a square wave of pressure. A slow rise makes it too large: against the integral of pressure over
    volume in 50 patients the error was 19.4 ± 12.9 % [2]_.

    References
    ----------
    .. [1] Becher et al., Intensive Care Med 2019;45:1321-1323 (formula from memory).
    .. [2] Intensive Care Med Exp 2022, s40635-022-00448-5.

    Examples
    --------
    >>> mechanical_power_becher_2019(tidal_volume=450.0, rate=20.0, inspiratory_pressure=15.0, peep=5.0)
    17.64
    """
    n = read_numbers("mechanical_power_becher_2019", locals())
    return plain(n.where, JOULES * n.rate * n.tidal_volume / ML_PER_L * (n.peep + n.inspiratory_pressure))
