"""Attributes that say what was run and by what."""

from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

from ventsim.model.changes import AnyChange
from ventsim.model.circuit import Circuit
from ventsim.model.parts import PART_KINDS
from ventsim.model.scenario import CANNOT_REPEAT, Scenario
from ventsim.model.ventilator import SETTINGS_KINDS, BreathSettings
from ventsim.results.schema import CAUTION


def describe(
    circuit: Circuit, settings: BreathSettings, *, options: Mapping[str, Any], changes: Sequence[AnyChange] = ()
) -> dict[str, Any]:
    """Attributes of a result, with the scenario as text, so that it can be run again.

    `options` are run options of the scenario by name.
    """
    title = f"{len(circuit.lungs)} lungs, {settings.kind}"
    own = [f"'{name}' is a part" for name, part in circuit.parts.items() if type(part) not in PART_KINDS.values()]
    if type(settings) not in SETTINGS_KINDS.values():
        own.append(f"'{settings.kind}' are breath settings")
    if own:
        text = f"{CANNOT_REPEAT}{own[0]} of the user's own making.\n"
    else:
        scenario = Scenario(title=title, plan=circuit, settings=settings, changes=tuple(changes), **options)
        text = scenario.to_toml()
    return {
        "title": title,
        "source": f"ventsim {version('ventsim')}",
        "caution": CAUTION,
        "scenario": text,
        "sample_interval_s": options["sample_interval"],
    }
