"""Restrictors that a sizing puts into limbs, as its file describes them, and the values of them that vary."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from ventsim.errors import InputError
from ventsim.model.descriptions import Description
from ventsim.model.laws import OR_FLOW_LAW, FlowLaw
from ventsim.model.scenario import Scenario
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.sections import build_each
from ventsim.quantities import quantity
from ventsim.studies import add_restrictor

_RESTRICTOR = re.compile(r"(limbs|parts)\.(?P<lung>.+)[. ](?P<limb>inspiratory|expiratory)[_ ]restrictor(\.|$)")
_NARROWEST = 1.0  # lower limit of a bore that varies by default [mm]


class Restriction(Description):
    """A restrictor to be put in; without a resistance, an orifice as wide as the tube."""

    kind: ClassVar[str] = "restrictor"

    limb: Literal["inspiratory", "expiratory"] = "inspiratory"
    resistance: Annotated[float | FlowLaw, quantity("resistance"), OR_FLOW_LAW] | None = None
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0


def read_restrictions(section: Mapping[str, Any], place: Place) -> Mapping[str, Restriction]:
    """By lung, from the limb alone, or from a table with limb and resistance."""
    for lung, given in section.items():
        if not isinstance(given, str | Mapping):
            raise place.inside(lung).error(
                f"{given!r} is no restrictor.\n"
                '  Write "inspiratory", or { limb = "inspiratory", resistance = 10 }.'
            )
    tables = {lung: {"limb": given} if isinstance(given, str) else given for lung, given in section.items()}
    return build_each(Restriction, tables, place)


def with_restrictors(
    scenario: Scenario, restrictions: Mapping[str, Restriction], vary: Mapping[str, Any] | None
) -> tuple[Scenario, Mapping[str, Any] | None]:
    """The scenario with all restrictors, and what varies: the bores of their orifices if the file does not say."""
    bores: dict[str, Any] = {}
    for lung, one in restrictions.items():
        scenario, path = add_restrictor(
            scenario, lung, limb=one.limb, resistance=one.resistance, bore_deviation=one.bore_deviation
        )
        if vary is None and one.resistance is not None:
            raise InputError(
                f"restrict.{lung}: the file does not say what varies of a resistance that is given.\n"
                f'  Write [vary] and a line with limits, such as "{path}" = [0, 50].'
            )
        bores[path] = [_NARROWEST, "widest"]
    if vary is None:
        return scenario, bores or None
    _check_restrictors(scenario, vary)
    return scenario, vary


def _check_restrictors(scenario: Scenario, vary: Mapping[str, Any]) -> None:
    """Say how to put in a restrictor that a path expects where there is none."""
    for path in vary:
        found = _RESTRICTOR.match(path)
        if found is None:
            continue
        lung, limb = found["lung"], found["limb"]
        if lung in scenario.circuit.lungs and f"{lung} {limb} restrictor" not in scenario.circuit.parts:
            raise InputError(
                f"vary: '{path}' is not there: the {limb} limb of lung {lung} has no restrictor.\n"
                f'  Put one in: write [restrict] and below it {lung} = "{limb}".'
            )
