"""From a scenario to TOML text."""

from collections.abc import Mapping, Sequence
from typing import Any

import tomli_w

from ventsim.errors import ScenarioError
from ventsim.model.changes import AnyChange
from ventsim.model.circuit import Circuit
from ventsim.model.layouts import Layout
from ventsim.model.parts import PART_KINDS, Description, Lung
from ventsim.model.scenario.reading import FITTINGS
from ventsim.model.scenario.sections import LAYOUT_OPTIONS, NO_VALUE, inner_classes
from ventsim.model.ventilator import BreathSettings

HEADER = """\
# Scenario of ventsim. Units: pressure cmH2O, volume mL, compliance mL/cmH2O, flow L/s, time s, rate 1/min,
# resistance cmH2O·s/L (quadratic cmH2O·s²/L²), tube length m, bore mm, back leak mL/min per cmH2O, weight kg.
"""
"""Comment at the head of every file that is written."""


def write_toml(
    *,
    title: str,
    about: str,
    plan: Layout | Circuit,
    settings: BreathSettings,
    changes: Sequence[AnyChange],
    run: Mapping[str, Any],
) -> str:
    """The values of a scenario as TOML text.

    Values that a description has by default are written too, so that a file keeps its meaning if a default
    changes; what is None is left out.

    Parameters
    ----------
    title : str
        One line.
    about : str
        Free text.
    plan : Layout or Circuit
        What is ventilated.
    settings : BreathSettings
        The breath settings.
    changes : sequence of Change, Disconnection, LungRemoval, Clamp and LeakOnset
        What changes.
    run : mapping of str to object
        Run options by name, those that are given.

    Returns
    -------
    str
        The text.
    """
    if isinstance(plan, Circuit):
        _check_kinds(plan)
    head = {"title": title} | ({"about": about} if about else {})
    joints = "" if isinstance(plan, Layout) else _joints(plan.joints)
    sections: dict[str, Any] = {"run": dict(run), "settings": {"kind": settings.kind, **_plain(settings)}}
    if plan.ventilator is not None:
        sections["ventilator"] = _plain(plan.ventilator)
    if isinstance(plan, Layout):
        sections |= _layout(plan)
    else:
        sections["parts"] = {name: {"kind": part.kind, **_plain(part)} for name, part in plan.parts.items()}
    # Several lines are easier to read, but would turn a carriage return before a line feed into nothing.
    several = "\r\n" not in about
    top = tomli_w.dumps(head, multiline_strings=several)
    return f"{HEADER}\n{top}{joints}\n{tomli_w.dumps(sections)}{''.join(map(_change, changes))}"


def _check_kinds(circuit: Circuit) -> None:
    """Refuse parts that a file could not bring back."""
    for name, part in circuit.parts.items():
        if PART_KINDS.get(part.kind) is not type(part):
            raise ScenarioError(
                f"part '{name}' ({type(part).__name__}) is of your own making, so a file cannot hold it.\n"
                "  Keep the Python code that makes the circuit, or give its curve as a measured part."
            )


def _layout(plan: Layout) -> dict[str, Any]:
    sections: dict[str, Any] = {"layout": {name: getattr(plan, name) for name in LAYOUT_OPTIONS}}
    sections["lungs"] = {
        name: _plain(lung) if isinstance(lung, Lung) else {"kind": lung.kind, **_plain(lung)}
        for name, lung in plan.lungs.items()
    }
    for name in FITTINGS:
        if getattr(plan, name) is not None:
            sections[name] = _plain(getattr(plan, name))
    for name in ("branches", "extensions"):
        if getattr(plan, name):
            sections[name] = {key: _plain(item) for key, item in getattr(plan, name).items()}
    return sections


def _plain(item: Description) -> dict[str, Any]:
    """Values by name, nested as the description is."""
    values: dict[str, Any] = {}
    for name, info in type(item).model_fields.items():
        value = getattr(item, name)
        if isinstance(value, Description):
            kind = {"kind": value.kind} if len(inner_classes(info)) > 1 else {}
            values[name] = kind | _plain(value)
        elif value and isinstance(value, tuple) and isinstance(value[0], Description):
            values[name] = [_plain(item) for item in value]
        elif value is not None:
            values[name] = value
        elif info.default is not None:
            values[name] = NO_VALUE
    return values


def _change(change: AnyChange) -> str:
    """A section of its own; the writer of TOML would put short ones into one line at the top."""
    return f"\n[[changes]]\n{tomli_w.dumps({'kind': change.kind, **_plain(change)})}"


def _joints(joints: Sequence[tuple[str, str]]) -> str:
    """One joint on each line; the writer of TOML would use four."""
    lines = [f"    [{_quoted(start)}, {_quoted(end)}],\n" for start, end in joints]
    return f"joints = [\n{''.join(lines)}]\n"


def _quoted(text: str) -> str:
    return tomli_w.dumps({"x": text}).removeprefix("x = ").rstrip("\n")
