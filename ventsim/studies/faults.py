"""Faults that a blind-spot study tries, and the same breath in the other mode."""

import warnings
from collections.abc import Mapping

from ventsim.errors import InputError, PlausibilityWarning, suggestion
from ventsim.model.changes import AnyChange, Change, Clamp, Disconnection, LeakOnset
from ventsim.model.circuit import Circuit
from ventsim.model.parts import (
    CompartmentLung,
    ElasticLung,
    Filter,
    Lung,
    LungPart,
    OneWayValve,
    Orifice,
    Restrictor,
    SigmoidCurve,
    TrachealTube,
    Tube,
    VolumeDependentCurve,
)
from ventsim.model.ventilator import BreathSettings, PressureControl, VolumeControl
from ventsim.results.measures import breath_measures
from ventsim.simulation import steady_breath

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
    part = circuit.lungs[lung]
    faults = {
        "stiff lung": _scaled(f"lungs.{lung}", _elastic_factors(part, _STIFFER)),
        "narrow airway": _scaled(f"lungs.{lung}", _airway_factors(part, _NARROWER_AIRWAY)),
    }
    faults = {name: changes for name, changes in faults.items() if changes}
    return faults | _faults_of_parts(circuit, lung) | {
        "cuff leak": (LeakOnset(joint=f"{lung}.airway", linear_resistance=_CUFF_LEAK, at=0.0),),
        "disconnection": (Disconnection(joint=f"{lung}.airway", at=0.0),),
    }  # fmt: skip


def _scaled(path: str, factors: Mapping[str, float]) -> tuple[AnyChange, ...]:
    """Changes of several values of one part, each by its factor."""
    return tuple(Change(path=f"{path}.{field}", factor=factor, at=0.0) for field, factor in factors.items())


def _elastic_factors(lung: LungPart, factor: float) -> dict[str, float]:
    """By what to multiply which values of a lung so that its compliance is `factor` times as large."""
    if isinstance(lung, Lung):
        return {"compliance": factor}
    if isinstance(lung, CompartmentLung):
        return {f"regions.{k}.compliance": factor for k in range(1, len(lung.regions) + 1)}
    if not isinstance(lung, ElasticLung):
        return {}
    wall = {} if lung.chest_wall_compliance is None else {"chest_wall_compliance": factor}
    if isinstance(lung.curve, VolumeDependentCurve):
        return {"curve.elastance": 1.0 / factor, "curve.volume_elastance": 1.0 / factor, **wall}
    size = "vital_capacity" if isinstance(lung.curve, SigmoidCurve) else "largest_volume"
    return {f"curve.{size}": factor, **wall}


def _airway_factors(lung: LungPart, factor: float) -> dict[str, float]:
    """By what to multiply which values of a lung so that its airway resists `factor` times as much."""
    fields = ("resistance", "expiratory_resistance")
    factors = {field: factor for field in fields if getattr(lung, field, None) is not None}
    if isinstance(lung, CompartmentLung):
        for k, region in enumerate(lung.regions, start=1):
            factors |= {f"regions.{k}.{name}": factor for name in fields if getattr(region, name) is not None}
    return factors


def _faults_of_parts(circuit: Circuit, lung: str) -> dict[str, tuple[AnyChange, ...]]:
    """Faults of tubes, valves and filter of one branch."""
    faults = {}
    kinked = _kink(circuit, lung)
    if kinked:
        faults["kinked tube"] = kinked
    if isinstance(circuit.parts.get(f"{lung} inspiratory tube"), Tube):
        faults["clamped tube"] = (Clamp(part=f"{lung} inspiratory tube", at=0.0),)
    tube = circuit.parts.get(f"{lung} tracheal tube")
    if isinstance(tube, TrachealTube):
        faults["secretions"] = _secretions(f"parts.{lung} tracheal tube", tube)
    if isinstance(circuit.parts.get(f"{lung} filter"), Filter):
        factors = {"resistance": _CLOGGED, "quadratic_resistance": _CLOGGED}
        faults["clogged filter"] = _scaled(f"parts.{lung} filter", factors)
    if isinstance(circuit.parts.get(f"{lung} expiratory valve"), OneWayValve):
        for state in ("stuck open", "stuck closed", "missing"):
            path = f"parts.{lung} expiratory valve.state"
            faults[f"valve {state}"] = (Change(path=path, to=state, at=0.0),)
    return faults


def _kink(circuit: Circuit, lung: str) -> tuple[AnyChange, ...]:
    """The inspiratory limb narrowed at one place to a hole: its loss, not that of a tube narrow all along."""
    hole = float(Orifice(bore=_KINK).elements()[0].forward.pressure_drop(1.0))
    restrictor, tube = f"{lung} inspiratory restrictor", f"{lung} inspiratory tube"
    if isinstance(circuit.parts.get(restrictor), Orifice):
        return (Change(path=f"parts.{restrictor}.bore", to=_KINK, at=0.0),)
    if isinstance(circuit.parts.get(restrictor), Restrictor):
        before = circuit.parts[restrictor].quadratic_resistance
        return (Change(path=f"parts.{restrictor}.quadratic_resistance", to=before + hole, at=0.0),)
    if isinstance(circuit.parts.get(tube), Tube):
        # Where the tube's own resistance comes from its geometry, it is lost beside that of the hole.
        before = circuit.parts[tube].quadratic_resistance or 0.0
        return (Change(path=f"parts.{tube}.quadratic_resistance", to=before + hole, at=0.0),)
    return ()


def _secretions(path: str, tube: TrachealTube) -> tuple[AnyChange, ...]:
    """A narrower bore; coefficients that were measured do not know of the bore and grow as of turbulent flow."""
    fields = ("resistance", "quadratic_resistance", "power_coefficient", "expiratory_power_coefficient")
    measured = [field for field in fields if getattr(tube, field) is not None]
    if measured:
        return _scaled(path, dict.fromkeys(measured, _SECRETIONS**-4))
    obstructed_fraction = 1.0 - _SECRETIONS * (1.0 - tube.obstructed_fraction)
    return (Change(path=f"{path}.obstructed_fraction", to=obstructed_fraction, at=0.0),)


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


def equivalent_modes(circuit: Circuit, settings: BreathSettings) -> Mapping[str, BreathSettings]:
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
    >>> list(equivalent_modes(circuit, settings))
    ['pressure control', 'volume control']
    """
    other = equivalent_settings(circuit, settings)
    found = {settings.kind: settings, other.kind: other}
    return {kind: found[kind] for kind in (PressureControl.kind, VolumeControl.kind)}
