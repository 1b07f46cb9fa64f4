"""Breath settings of several modes: checked, and the other mode that delivers the same volume."""

import warnings
from collections.abc import Mapping
from typing import Any

from ventsim.errors import InputError, PlausibilityWarning
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import shown
from ventsim.model.scenario import AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings, PressureControl, VolumeControl
from ventsim.parameters import public
from ventsim.results.measures import breath_measures
from ventsim.simulation import steady_breath

# Part of the inspiratory phase that a volume-controlled breath holds its gas, so that a plateau shows.
_PAUSE = 0.2
_LARGEST_DRIVE = 200.0


def scenario_and_modes(
    scenario: AnyScenario, settings: Any, modes: Any, *, where: str, **options: Any
) -> tuple[Scenario, dict[str, BreathSettings]]:
    """The scenario of a study, and its breath settings by mode; by default those of the scenario alone.

    A circuit needs no settings beside its modes.
    """
    if isinstance(settings, Mapping):
        raise InputError(f"{where}: the settings are those of several modes.\n  Write modes={{...}}.")
    if modes is not None:
        if not isinstance(modes, Mapping) or not modes:
            raise InputError(
                f"modes: {shown(modes)} holds no breath.\n"
                f"  Give {{'name': PressureControl(...), ...}}, or leave it out."
            )
        for mode, breath in modes.items():
            if not isinstance(breath, BreathSettings):
                raise InputError(
                    f"modes: {mode!r} is {shown(breath)}, which is no breath.\n"
                    "  Give PressureControl(...) or VolumeControl(...)."
                )
        if settings is None and not isinstance(scenario, Scenario):
            settings = next(iter(modes.values()))
    scenario = scenario_of(scenario, settings, where=where, steady=True, **options)
    found = {scenario.settings.kind: scenario.settings} if modes is None else modes
    return scenario, {str(mode): breath for mode, breath in found.items()}


@public
def equivalent_settings(scenario: AnyScenario, settings: BreathSettings | None = None) -> BreathSettings:
    """The breath in the other mode that delivers the same volume in the same time at the same PEEP and rate.

    Parameters
    ----------
    scenario
    settings

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

    scenario = scenario_of(scenario, settings, where="equivalent_settings", steady=True)
    circuit, settings = scenario.circuit, scenario.settings
    if not isinstance(settings, PressureControl | VolumeControl):
        raise InputError(
            f"equivalent_settings: {shown(settings)} has no counterpart in another mode.\n"
            "  Give PressureControl(...) or VolumeControl(...)."
        )
    phase = settings.inspiratory_phase_time
    common: dict[str, Any] = {"peep": settings.peep, "rate": settings.rate, "inspiratory_time": phase}
    if isinstance(settings, PressureControl):
        return VolumeControl(tidal_volume=_delivered(circuit, settings), pause_time=_PAUSE * phase, **common)
    wanted = settings.tidal_volume
    relief = circuit.ventilator.relief_pressure
    most = _LARGEST_DRIVE if relief is None else relief - settings.peep

    def miss(pressure: float) -> float:
        # No word of a pressure that is only tried.
        with warnings.catch_warnings(action="ignore", category=PlausibilityWarning):
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


@public
def equivalent_modes(
    scenario: AnyScenario, settings: BreathSettings | None = None
) -> Mapping[str, BreathSettings]:
    """Pressure control and volume control that deliver the same volume.

    Parameters
    ----------
    scenario
    settings

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
    scenario = scenario_of(scenario, settings, where="equivalent_modes", steady=True)
    other = equivalent_settings(scenario)
    found = {scenario.settings.kind: scenario.settings, other.kind: other}
    return {kind: found[kind] for kind in (PressureControl.kind, VolumeControl.kind)}
