"""What every command says, and how it ends."""

from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import SETTINGS_KINDS
from ventsim.results import schema

CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

WRONG_INPUT, UNANSWERED, INTERRUPTED, BROKEN_PIPE = 2, 3, 130, 141
"""Exit codes, the last two as a shell counts signals."""


def heading(scenario: Scenario) -> str:
    """Title of a scenario with the mode that it is run in, which a title can have wrong but settings cannot."""
    kind, said = scenario.settings.kind, scenario.title.casefold()
    if kind in said:
        return scenario.title
    if any(other in said for other in SETTINGS_KINDS):
        return f"{scenario.title} (run in {kind})"
    return f"{scenario.title}, {kind}"
