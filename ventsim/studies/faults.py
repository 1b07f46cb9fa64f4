"""Faults that a blind-spot study tries, and the same breath in the other mode."""

import warnings
from collections.abc import Mapping

from ventsim.changes import AddedLeak, AnyChange, Change, Clamp, Disconnection
from ventsim.circuit import Circuit
from ventsim.errors import InputError, PlausibilityWarning, suggestion
from ventsim.metrics import breath_measures
from ventsim.parts import Filter, Lung, OneWayValve, Orifice, Restrictor, TrachealTube, Tube
from ventsim.simulation import steady_breath
from ventsim.ventilator import BreathSettings, PressureControl, VolumeControl

__all__ = ["both_modes", "equivalent_settings", "standard_faults"]

# All invented for study; none is a threshold of anything.
_STIFFER, _NARROWER_AIRWAY, _CLOGGED, _CUFF_LEAK = 0.5, 3.0, 8.0, 150.0
_KINK, _SECRETIONS = 3.0, 0.7

# Part of the inspiratory phase that a volume-controlled breath holds its gas, so that a plateau shows.
_PAUSE = 0.2
_LARGEST_DRIVE = 200.0


def standard_faults(circuit: Circuit, *, lung: str | None = None) -> dict[str, tuple[AnyChange, ...]]:
    """Faults at one lung, as far as its branch has the parts for them, beginning at time 0.

    Parameters
    ----------
    circuit : Circuit
        A circuit with parts named as those of :func:`ventsim.layouts.shared`.
    lung : str or None, default None
        Which lung; None: the first one.

    Returns
    -------
    dict of str to tuple of changes
        By a short name. Their sizes are invented: half the compliance, three times the resistance, a kink of
        3 mm, a tracheal tube narrowed to 70 % of its bore, a filter with eight times its resistance, a cuff leak
        of 150 cmH2O·s/L.

    Raises
    ------
    InputError
        If there is no such lung.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.shared({"a": vs.Lung(compliance=50, resistance=10)})
    >>> list(standard_faults(circuit))[:3]
    ['stiff lung', 'narrow airway', 'kinked tube']
    """
    if lung is None:
        lung = next(iter(circuit.lungs))
    if lung not in circuit.lungs:
        raise InputError(f"there is no lung '{lung}'.\n  {suggestion(lung, circuit.lungs)}")
    faults: dict[str, tuple[AnyChange, ...]] = {}
    if isinstance(circuit.lungs[lung], Lung):
        faults["stiff lung"] = (Change(path=f"lungs.{lung}.compliance", factor=_STIFFER, at=0.0),)
        airway = [Change(path=f"lungs.{lung}.resistance", factor=_NARROWER_AIRWAY, at=0.0)]
        if circuit.lungs[lung].expiratory_resistance is not None:
            airway.append(Change(path=f"lungs.{lung}.expiratory_resistance", factor=_NARROWER_AIRWAY, at=0.0))
        faults["narrow airway"] = tuple(airway)
    return faults | _faults_of_parts(circuit, lung) | {
        "cuff leak": (AddedLeak(joint=f"{lung}.airway", linear_resistance=_CUFF_LEAK, at=0.0),),
        "disconnection": (Disconnection(joint=f"{lung}.airway", at=0.0),),
    }  # fmt: skip


def _faults_of_parts(circuit: Circuit, lung: str) -> dict[str, tuple[AnyChange, ...]]:
    """Faults of tubes, valves and filter of one branch."""
    faults: dict[str, tuple[AnyChange, ...]] = {}

    def add(name: str, part: str, kind: type | tuple[type, ...], *changes: AnyChange) -> None:
        if isinstance(circuit.parts.get(f"{lung} {part}"), kind):
            faults[name] = changes

    def change(part: str, field: str, **value: float | str) -> Change:
        return Change(path=f"parts.{lung} {part}.{field}", at=0.0, **value)

    if isinstance(circuit.parts.get(f"{lung} inspiratory restrictor"), Restrictor | Orifice):
        add("kinked tube", "inspiratory restrictor", Orifice, change("inspiratory restrictor", "bore", to=_KINK))
    elif isinstance(circuit.parts.get(f"{lung} inspiratory tube"), Tube):
        # The kink of a tube is one narrow place: the loss of a hole of that bore, not of a tube narrow all along.
        hole = Orifice(bore=_KINK).elements()[0].forward
        quadratic = change("inspiratory tube", "quadratic_resistance", to=float(hole.pressure_drop(1.0)))
        linear = change("inspiratory tube", "resistance", to=0.1)
        add("kinked tube", "inspiratory tube", Tube, linear, quadratic)
    add("clamped tube", "inspiratory tube", Tube, Clamp(part=f"{lung} inspiratory tube", at=0.0))
    add(
        "secretions", "tracheal tube", TrachealTube,
        Change(path=f"parts.{lung} tracheal tube.inner_diameter", factor=_SECRETIONS, at=0.0),
    )  # fmt: skip
    add(
        "clogged filter", "filter", Filter,
        Change(path=f"parts.{lung} filter.resistance", factor=_CLOGGED, at=0.0),
        Change(path=f"parts.{lung} filter.quadratic_resistance", factor=_CLOGGED, at=0.0),
    )  # fmt: skip
    add("valve stuck open", "expiratory valve", OneWayValve, change("expiratory valve", "state", to="stuck open"))
    add(
        "valve stuck closed", "expiratory valve", OneWayValve,
        change("expiratory valve", "state", to="stuck closed"),
    )  # fmt: skip
    return faults


def equivalent_settings(circuit: Circuit, settings: BreathSettings) -> BreathSettings:
    """The breath in the other mode that delivers the same volume in the same time at the same PEEP and rate.

    Parameters
    ----------
    circuit : Circuit
        What is ventilated.
    settings : PressureControl or VolumeControl
        The breath.

    Returns
    -------
    VolumeControl or PressureControl
        Volume control with constant flow and a pause of a fifth of the inspiratory phase; or pressure control
        without rise time whose steady breath delivers the set volume to a relative 1e-6.

    Raises
    ------
    InputError
        If no pressure up to 200 cmH2O, or up to the relief pressure, delivers that volume.
    SolverError
        If there is no steady breath.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> round(equivalent_settings(circuit, settings).tidal_volume, 1)
    694.8
    """
    from scipy.optimize import brentq

    common = {
        "peep": settings.peep,
        "rate": settings.rate,
        "inspiratory_time": settings.inspiratory_phase_time,
    }
    if isinstance(settings, PressureControl):
        pause = _PAUSE * settings.inspiratory_phase_time
        return VolumeControl(tidal_volume=_delivered(circuit, settings), pause_time=pause, **common)
    wanted = settings.tidal_volume
    relief = circuit.ventilator.relief_pressure
    most = _LARGEST_DRIVE if relief is None else relief - settings.peep

    def miss(pressure: float) -> float:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", PlausibilityWarning)  # of a pressure that is only tried
            tried = PressureControl(inspiratory_pressure=pressure, **common)
        return _delivered(circuit, tried) - wanted

    if miss(most) < 0.0:
        raise InputError(
            f"no pressure control delivers {wanted:g} mL: {most:g} cmH2O above PEEP give less.\n"
            "  Lower the tidal volume, or raise inspiratory_time or the ventilator's relief_pressure."
        )
    pressure = brentq(miss, 0.01, most, rtol=1e-7)
    return PressureControl(inspiratory_pressure=float(pressure), **common)


def _delivered(circuit: Circuit, settings: BreathSettings) -> float:
    """Volume that the ventilator delivers in the steady breath. [mL]"""
    return float(breath_measures(steady_breath(circuit, settings)).port_delivered_volume[0])


def both_modes(circuit: Circuit, settings: BreathSettings) -> Mapping[str, BreathSettings]:
    """Pressure control and volume control that deliver the same volume.

    Parameters
    ----------
    circuit : Circuit
        What is ventilated.
    settings : PressureControl or VolumeControl
        The breath in one of the modes.

    Returns
    -------
    mapping of str to settings
        "pressure control" and "volume control", the given one as it is.

    Raises
    ------
    InputError
        As :func:`equivalent_settings`.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    >>> settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=4 / 3)
    >>> list(both_modes(circuit, settings))
    ['pressure control', 'volume control']
    """
    other = equivalent_settings(circuit, settings)
    found = {settings.kind: settings, other.kind: other}
    return {kind: found[kind] for kind in (PressureControl.kind, VolumeControl.kind)}
