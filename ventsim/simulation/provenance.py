"""Attributes that say where a result comes from."""

from importlib.metadata import version
from typing import Any

from ventsim.errors import ScenarioError
from ventsim.model.scenario import CANNOT_REPEAT, UNTITLED, Scenario
from ventsim.results.schema import CAUTION


def describe(scenario: Scenario) -> dict[str, Any]:
    """Attributes of a result, with the scenario as text, so that it can be run again."""
    title = scenario.title
    if title == UNTITLED:
        title = f"{len(scenario.circuit.lungs)} lungs, {scenario.settings.kind}"
        scenario = scenario.changed(title=title)
    try:
        text = scenario.to_toml()
    except ScenarioError as error:
        text = f"{CANNOT_REPEAT}{str(error).splitlines()[0]}\n"
    return {
        "title": title,
        "source": f"ventsim {version('ventsim')}",
        "caution": CAUTION,
        "scenario": text,
        "sample_interval_s": scenario.sample_interval,
    }
