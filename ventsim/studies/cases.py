"""One case of a study: a scenario with some values replaced."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ventsim.model.circuit import Circuit
from ventsim.model.paths import with_values
from ventsim.model.ventilator import BreathSettings


@dataclass(frozen=True, slots=True)
class ReplacedValues:
    """Circuit and settings with some values replaced, made when they are needed; can be pickled.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    settings : BreathSettings
        The settings.
    values : mapping of str to object
        New values by path.
    """

    circuit: Circuit
    settings: BreathSettings
    values: Mapping[str, Any]

    def __call__(self) -> tuple[Circuit, BreathSettings]:
        """The two."""
        return with_values(self.circuit, self.settings, self.values)
