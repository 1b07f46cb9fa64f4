"""From a scenario to TOML text."""

from typing import TYPE_CHECKING, Any

import tomli_w

from ventsim.errors import ScenarioError
from ventsim.model.changes import AnyChange
from ventsim.model.changes.descriptions import LAWS
from ventsim.model.descriptions import Description, Family, FrozenMapping, Member
from ventsim.model.laws import ElasticLaw, FlowLaw
from ventsim.model.layouts import Layout
from ventsim.model.parts import PARTS
from ventsim.model.paths import NO_VALUE
from ventsim.model.scenario.reading import FITTINGS, FOR_ALL_OR_EACH
from ventsim.model.scenario.sections import LAYOUT_OPTIONS, RUN_OPTIONS
from ventsim.model.ventilator import SETTINGS
from ventsim.quantities import mark_of

if TYPE_CHECKING:
    from ventsim.model.scenario.description import Scenario

HEADER = """\
# Scenario of ventsim. Units: pressure cmH2O, volume mL, compliance mL/cmH2O, flow L/s, time s, rate 1/min,
# resistance cmH2O·s/L (quadratic cmH2O·s²/L²), tube length m, bore mm, back leak mL/min per cmH2O, weight kg.
"""
"""Comment at the head of every file that is written."""


def write_toml(scenario: "Scenario") -> str:
    """The values of a scenario as TOML text.

    Values that a description has by default are written too, so that a file keeps its meaning if a default
    changes; what is None is left out.

    Parameters
    ----------
    scenario : Scenario
        The scenario; a circuit that a layout made is written as the layout.

    Returns
    -------
    str
        The text.

    Raises
    ------
    ScenarioError
        If a part, law or setting is of the user's own making, so that a file cannot hold it.
    """
    circuit, about = scenario.circuit, scenario.about
    layout: Layout | None = circuit.layout
    head = {"title": scenario.title} | ({"about": about} if about else {})
    run = {name: value for name in RUN_OPTIONS if (value := getattr(scenario, name)) not in (None, ())}
    sections: dict[str, Any] = {"run": run, "settings": _tagged(scenario.settings, SETTINGS, "settings")}
    machine = circuit.ventilator if layout is None else layout.ventilator
    if machine is not None:
        sections["ventilator"] = _plain(machine, "ventilator")
    if layout is None:
        sections["parts"] = {name: _tagged(part, PARTS, f"part '{name}'") for name, part in circuit.parts.items()}
    else:
        sections |= _sections_of(layout)
    # Several lines are easier to read, but would turn a carriage return before a line feed into nothing.
    top = tomli_w.dumps(head, multiline_strings="\r\n" not in about)
    joints = ""
    if layout is None:  # one joint on each line; the writer of TOML would use four
        lines = [f"    [{_quoted(start)}, {_quoted(end)}],\n" for start, end in circuit.joints]
        joints = f"joints = [\n{''.join(lines)}]\n"
    return f"{HEADER}\n{top}{joints}\n{tomli_w.dumps(sections)}{''.join(map(_change, scenario.changes))}"


def _tagged(item: Any, family: Family, where: str) -> dict[str, Any]:
    """Values by name, with the kind unless it goes without saying; what a file could not bring back is refused."""
    kind = getattr(item, "kind", None)
    if kind is None or family.kinds.get(kind) is not type(item):
        name = type(getattr(item, "wrapped", item)).__name__
        raise ScenarioError(
            f"{where}: {name} is a {family.name} of your own making, so a file cannot hold it.\n"
            "  Keep the Python code that makes it, or use a law, part or setting of the library."
        )
    tag = {family.tag: kind} if item.tag and kind != family.default else {}
    return tag | _plain(item, where)


def _sections_of(layout: Layout) -> dict[str, Any]:
    sections: dict[str, Any] = {"layout": {name: getattr(layout, name) for name in LAYOUT_OPTIONS}}
    sections["lungs"] = {}
    for name, lung in layout.lungs.items():
        values = _tagged(lung, PARTS, f"lung '{name}'")
        del values[PARTS.tag]
        sections["lungs"][name] = values
    for name in (*FITTINGS, *FOR_ALL_OR_EACH):
        value = getattr(layout, name)
        if isinstance(value, FrozenMapping):
            sections[name] = {key: _plain(item, f"{name}.{key}") for key, item in value.items()}
        elif value is not None:
            sections[name] = _plain(value, name)
    return sections


def _plain(item: Description, where: str) -> dict[str, Any]:
    """Values by name, nested as the description is."""
    values: dict[str, Any] = {}
    for name, info in type(item).model_fields.items():
        value, member, inside = getattr(item, name), mark_of(info, Member), f"{where}: {name}"
        if value is None:
            if info.default is not None:
                values[name] = NO_VALUE
        elif member is not None and member.many:
            if value:
                values[name] = [_tagged(one, member.family, inside) for one in value]
        elif member is not None and not isinstance(value, int | float):
            values[name] = _tagged(value, member.family, inside)
        elif isinstance(value, FlowLaw | ElasticLaw):  # where anything may stand
            values[name] = _tagged(value, LAWS, inside)
        elif isinstance(value, Description):
            values[name] = _plain(value, inside)
        else:
            values[name] = dict(value) if isinstance(value, FrozenMapping) else value
    return values


def _change(change: AnyChange) -> str:
    """A section of its own; the writer of TOML would put short ones into one line at the top."""
    text = tomli_w.dumps({"changes": {"kind": change.kind, **_plain(change, "changes")}})
    return "\n" + text.replace("[changes]", "[[changes]]", 1)


def _quoted(text: str) -> str:
    return tomli_w.dumps({"x": text}).removeprefix("x = ").rstrip("\n")
