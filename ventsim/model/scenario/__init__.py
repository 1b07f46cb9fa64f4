"""Scenarios: circuit, breath settings and run options in one description, kept as TOML text.

>>> from ventsim.model.scenario import builtin
>>> list(builtin("two-unequal-lungs").circuit.lungs)
['a', 'b']
"""

from ventsim.model.scenario.builtin import builtin, builtin_names, builtin_text
from ventsim.model.scenario.description import (
    CANNOT_REPEAT,
    DEFAULT_TOLERANCE,
    MOST_SAMPLES,
    UNTITLED,
    AnyScenario,
    Scenario,
    scenario_of,
)

__all__ = [
    "CANNOT_REPEAT", "DEFAULT_TOLERANCE", "MOST_SAMPLES", "UNTITLED", "AnyScenario", "Scenario", "builtin",
    "builtin_names", "builtin_text", "scenario_of",
]  # fmt: skip
