"""Restrictors that a sizing puts into limbs, as its file describes them."""

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from ventsim.model.descriptions import Description
from ventsim.model.laws import OR_FLOW_LAW, FlowLaw
from ventsim.model.scenario import Scenario
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.sections import build_each
from ventsim.quantities import quantity
from ventsim.studies import add_restrictor


class Restriction(Description):
    """A restrictor to be put in; without a resistance, an orifice as wide as the tube."""

    kind: ClassVar[str] = "restrictor"

    limb: Literal["inspiratory", "expiratory"] = "inspiratory"
    resistance: Annotated[float | FlowLaw, quantity("resistance"), OR_FLOW_LAW] | None = None
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0


def read_restrictions(section: Mapping[str, Any], place: Place) -> Mapping[str, Restriction]:
    """By lung, from the limb alone, or from a table with limb and resistance."""
    tables = {lung: {"limb": given} if isinstance(given, str) else given for lung, given in section.items()}
    return build_each(Restriction, tables, place)


def put_in(scenario: Scenario, restrictions: Mapping[str, Restriction]) -> Scenario:
    """The scenario with all restrictors."""
    for lung, one in restrictions.items():
        scenario, _ = add_restrictor(
            scenario, lung, limb=one.limb, resistance=one.resistance, bore_deviation=one.bore_deviation
        )
    return scenario
