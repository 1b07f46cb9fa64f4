"""The ventilator: breath settings, their segments, and the machine that carries them out."""

from types import MappingProxyType

from ventsim.model.ventilator.machine import Ventilator, check_settings
from ventsim.model.ventilator.settings import SETTINGS, BreathSettings, PressureControl, Segment, VolumeControl

__all__ = [
    "SETTINGS",
    "SETTINGS_KINDS",
    "BreathSettings",
    "PressureControl",
    "Segment",
    "Ventilator",
    "VolumeControl",
    "check_settings",
]

SETTINGS_KINDS = MappingProxyType(SETTINGS.kinds)
"""The class of each kind of breath settings, by the word that files use for it."""
