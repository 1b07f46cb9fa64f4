"""What of the breaths of a run is worth a second look, in sentences."""

import numpy as np
import xarray as xr

from ventsim.results.measures import LIMITED_SHARE, breath_measures, whole_breaths
from ventsim.results.schema import VARIABLES
from ventsim.tables import fixed

NOTHING = 0.05  # volume that a table shows as 0.0 [mL]
_REVERSED = 0.05  # part of the inspired volume that is worth a remark (a convention of ventsim)
# Of each limb how gas passes its end at the Y-piece against its direction, and what follows up to the volume of
# the limb, and beyond it.
_LIMBS = {
    "inspiratory": ("go back into its inspiratory limb", "the lung breathes it again", "it gets to other lungs"),
    "expiratory": (
        "come back out of its expiratory limb",
        "the lung breathes it again",
        "the lung breathes gas of other lungs",
    ),
}
_MISSED = (("port_missed_pressure", 2, "pressure"), ("port_missed_volume", 1, "volume"))


def breath_remarks(measures: xr.Dataset) -> list[str]:
    """What of one breath is worth a second look: gas vented, flow limited, lungs without gas, gas breathed again.

    Parameters
    ----------
    measures : xarray.Dataset
        Measures of one breath, with or without dimension ``breath``.

    Returns
    -------
    list of str
        One sentence each; empty if nothing is remarkable.

    Examples
    --------
    >>> import ventsim as vs
    >>> lungs = {name: vs.Lung(compliance=50, resistance=10) for name in "abcdef"}
    >>> settings = vs.PressureControl(inspiratory_pressure=20, rate=15, inspiratory_time=1)
    >>> measures = vs.breath_measures(vs.steady_breath(vs.layouts.shared(lungs), settings))
    >>> breath_remarks(measures)
    ['The flow limit of the ventilator acts in 100 % of inspiration; 1.85 cmH2O of the set pressure are missed.']
    """
    one = measures.squeeze("breath") if measures["breath"].ndim else measures
    return [*machine_remarks(one), *lung_remarks(one)]


def remarks_at(waveforms: xr.Dataset, time: float | None = None) -> list[str]:
    """What of the breath at an instant is worth a second look.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms of a simulation.
    time : float or None, default None
        The instant; None: the last breath. [s]

    Returns
    -------
    list of str
        As of :func:`breath_remarks`; empty if the waveforms do not hold that breath from start to end.
    """
    starts = waveforms["breath_start"].values
    k = starts.size - 1 if time is None else max(int(np.searchsorted(starts, time, side="right")) - 1, 0)
    if not starts.size or not whole_breaths(waveforms)[k]:
        return []
    return breath_remarks(breath_measures(waveforms).sel(breath=waveforms["breath"].values[k]))


def machine_remarks(measures: xr.Dataset) -> list[str]:
    """What the ventilator did in one or more breaths that is worth a second look.

    Parameters
    ----------
    measures : xarray.Dataset
        Measures of breaths.

    Returns
    -------
    list of str
        Gas that pressure relief vented, and the flow limit.
    """
    several = np.atleast_1d(measures["breath"].values).size > 1
    return [text for text in (_vented(measures, several=several), _limited(measures, several=several)) if text]


def _vented(measures: xr.Dataset, *, several: bool) -> str:
    vented = np.nan_to_num(np.atleast_1d(measures["port_relief_volume"].values))
    count, most = int((vented >= NOTHING).sum()), fixed(float(vented.max()), 1)
    if not count:
        return ""
    if several:
        return f"Pressure relief vented gas in {count} of {vented.size} breaths, at most {most} mL in one."
    delivered = fixed(measures["port_delivered_volume"].values.item(), 1)
    return f"Pressure relief vented {most} mL of the breath; {delivered} mL went into the circuit."


def _limited(measures: xr.Dataset, *, several: bool) -> str:
    limited = np.nan_to_num(np.atleast_1d(measures["port_limited_fraction"].values))
    count, worst = int((limited > LIMITED_SHARE).sum()), int(np.argmax(limited))
    if not count:
        return ""
    missed = []
    for name, decimals, what in _MISSED:
        value = float(np.atleast_1d(measures[name].values)[worst])
        if value >= 0.5 * 10.0**-decimals:
            missed.append(f"{fixed(value, decimals)} {VARIABLES[name].units} of the set {what}")
    where = f" in {count} of {limited.size} breaths, at most" if several else ""
    missing = f"; {' and '.join(missed)} are missed" if missed else ""
    share = fixed(100.0 * float(limited[worst]), 0)
    return f"The flow limit of the ventilator acts{where} in {share} % of inspiration{missing}."


def lung_remarks(breath: xr.Dataset) -> list[str]:
    """What lungs got in one breath that is worth a second look.

    Parameters
    ----------
    breath : xarray.Dataset
        Measures of one breath, without dimension ``breath``.

    Returns
    -------
    list of str
        Lungs into which nothing went, lungs that send gas back into their inspiratory limb, and lungs that fill
        backwards through their expiratory limb: what they or others breathed out is breathed again.
    """
    names = [str(name) for name in breath["lung"].values]
    inspired = breath["inspired_tidal_volume"].values
    empty = [name for name, volume in zip(names, inspired, strict=True) if volume < NOTHING]
    found = [f"lung {', '.join(empty)}: nothing is inspired in the breath, less than {NOTHING} mL."]
    if len(empty) == len(names):
        found = [f"Nothing is inspired: every lung gets less than {NOTHING} mL in the breath."]
    elif not empty:
        found = []
    for side, (how, its_own, beyond) in _LIMBS.items():
        limbs, reverse = breath[f"{side}_contained_volume"].values, breath[f"{side}_reversed_volume"].values
        for name, volume, limb, back in zip(names, inspired, limbs, reverse, strict=True):
            if back >= max(_REVERSED * volume, NOTHING):
                whose = beyond if back > limb else its_own
                found.append(f"lung {name}: {fixed(back, 0)} mL {how} of {fixed(limb, 0)} mL: {whose}.")
    return found
