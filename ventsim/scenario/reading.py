"""From TOML text to the values of a scenario."""

import re
import tomllib
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, get_args, get_origin

from pydantic.fields import FieldInfo

from ventsim.changes import CHANGE_KINDS, AnyChange, Change
from ventsim.circuit import Circuit
from ventsim.errors import ScenarioError, suggestion
from ventsim.layouts import Branch, FloorPlan, Layout
from ventsim.parts import LUNG_KINDS, PART_KINDS, Adapter, Description, Lung, Part, TPiece, Tube
from ventsim.scenario.messages import Place
from ventsim.ventilator import SETTINGS_KINDS, BreathSettings, Ventilator, check_settings

__all__ = ["FITTINGS", "LAYOUT_OPTIONS", "NO_VALUE", "RUN_OPTIONS", "inner_classes", "read_values"]

NO_VALUE = "none"
"""What a file says for None, where leaving the key out would mean something else."""

RUN_OPTIONS = ("duration", "sample_interval", "tolerance", "wave_windows", "wave_every")
"""Keys of the section ``[run]``."""

LAYOUT_OPTIONS = ("arrangement", "one_way_valves", "ideal")
"""Keys of the section ``[layout]``."""

FITTINGS = MappingProxyType(
    {"branch": Branch, "t_piece": TPiece, "adapter": Adapter, "extension": Tube, "floor_plan": FloorPlan}
)
"""Sections of a layout that hold one description each."""

_LAYOUT_SECTIONS = ("layout", "lungs", "branches", "extensions", *FITTINGS)
_TOP = ("title", "about", "joints", "run", "settings", "ventilator", *_LAYOUT_SECTIONS, "parts", "changes")
_HOMES_FROM_TOP = MappingProxyType(
    {
        name: "Write it in section [lungs.NAME], with the name of the lung."
        for cls in LUNG_KINDS.values()
        for name in cls.model_fields
    }
    | {name: "Write it in section [settings]." for name in BreathSettings.model_fields}
    | {name: "Write it in section [ventilator]." for name in Ventilator.model_fields}
    | {name: "Write it in section [layout]." for name in LAYOUT_OPTIONS}
    | {name: "Write it in section [run]." for name in RUN_OPTIONS}
)
_HOMES_FROM_SECTION = MappingProxyType(
    {name: "Write it above the first [section] of the file." for name in ("title", "about", "joints")}
)


def read_values(text: str, *, source: str) -> dict[str, Any]:
    """Title, text, plan, settings, changes and run options, each built and checked by itself.

    Parameters
    ----------
    text : str
        TOML text.
    source : str
        Where it comes from, for messages.

    Returns
    -------
    dict of str to object
        Arguments of :class:`ventsim.scenario.Scenario`.

    Raises
    ------
    ScenarioError
        With source, key path, value, unit, what is allowed and the nearest right name.
    """
    table, top = _parse(text, source), Place(source)
    top.check_keys(table, _TOP, homes=_HOMES_FROM_TOP)
    if "title" not in table:
        raise top.error('title is missing.\n  Write title = "..." above the first [section] of the file.')
    values = {key: table[key] for key in ("title", "about") if key in table}
    values |= _options(table, "run", RUN_OPTIONS, top)
    values["plan"] = _read_plan(table, top)
    if "settings" not in table:
        kinds = " or ".join(f'kind = "{kind}"' for kind in SETTINGS_KINDS)
        raise top.error(f"section [settings] is missing.\n  Write [settings] and below it {kinds}.")
    place = top.inside("settings")
    values["settings"] = settings = _build_by_kind(SETTINGS_KINDS, table["settings"], place)
    plan = values["plan"]
    circuit = plan.circuit() if isinstance(plan, Layout) else plan
    with place.messages_of(type(settings)):
        check_settings(circuit.ventilator, settings)
    if "changes" in table:
        values["changes"] = _read_changes(table["changes"], top.inside("changes"))
    return values


def _read_changes(value: object, place: Place) -> tuple[AnyChange, ...]:
    """Changes of any kind; a section that does not name one holds a change of a value."""
    if not isinstance(value, list):
        raise place.error(f"{value!r} is not a list.\n  Write [[{place.path}]] above each of them.")
    changes = []
    for number, item in enumerate(value, start=1):
        inside = place.inside(str(number))
        changes.append(_build_by_kind(CHANGE_KINDS, {"kind": Change.kind, **_table(item, inside)}, inside))
    return tuple(changes)


def _parse(text: str, source: str) -> dict[str, Any]:
    """The text as nested tables."""
    if not isinstance(text, str):
        raise ScenarioError(f"{source}: {text!r} is not text.\n  Give the text of a TOML file.")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        told = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column \d+|end of document)\)", str(error))
        what = str(error) if told is None else str(error).replace(" (at", ", at").removesuffix(")")
        lines = text.replace("\r\n", "\n").split("\n")
        shown = f"\n    {lines[int(told[2]) - 1].strip()[:100]}" if told is not None and told[2] else ""
        raise ScenarioError(
            f"{source}: this is not TOML: {what}.{shown}\n"
            '  Write [section], key = number, key = "text", key = true or # comment on each line.'
        ) from None


def _table(value: object, place: Place) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise place.error(f"{value!r} is not a section.\n  Write [{place.path}] and the keys on lines below it.")
    return value


def _options(table: Mapping[str, Any], section: str, keys: tuple[str, ...], top: Place) -> dict[str, Any]:
    """Values of a section that is no description by itself."""
    place = top.inside(section)
    options = _table(table.get(section, {}), place)
    place.check_keys(options, keys, homes=_HOMES_FROM_SECTION)
    return dict(options)


def _read_plan(table: Mapping[str, Any], top: Place) -> Layout | Circuit:
    """A layout if there are lungs, a circuit if there are parts."""
    explicit = [key for key in ("parts", "joints") if key in table]
    recipe = [key for key in _LAYOUT_SECTIONS if key in table]
    if explicit and recipe:
        raise top.error(
            f"'{recipe[0]}' belongs to a ready-made layout, '{explicit[0]}' to a circuit of single parts.\n"
            "  Give either [lungs.NAME] with [layout], or [parts.NAME] with joints."
        )
    ventilator = {}
    if "ventilator" in table:
        ventilator["ventilator"] = _build(Ventilator, table["ventilator"], top.inside("ventilator"))
    if explicit:
        return _read_circuit(table, top, ventilator)
    if not table.get("lungs"):
        raise top.error(
            "there is no lung.\n  Write [lungs.NAME] with compliance and resistance below it, for each lung; "
            "or [parts.NAME] with joints."
        )
    return _read_layout(table, top, ventilator)


def _read_layout(table: Mapping[str, Any], top: Place, given: dict[str, Any]) -> Layout:
    values = given | _options(table, "layout", LAYOUT_OPTIONS, top)
    values["lungs"] = _build_lungs(table["lungs"], top.inside("lungs"))
    if "branches" in table:
        values["branches"] = _build_each(Branch, table["branches"], top.inside("branches"))
    if "extensions" in table:
        values["extensions"] = _build_each(Tube, table["extensions"], top.inside("extensions"))
    for name, cls in FITTINGS.items():
        if name in table:
            values[name] = _build(cls, table[name], top.inside(name))
    with top.messages_of(Layout, paths={name: f"layout.{name}" for name in LAYOUT_OPTIONS}):
        return Layout(**values)


def _read_circuit(table: Mapping[str, Any], top: Place, given: dict[str, Any]) -> Circuit:
    place = top.inside("parts")
    parts = {
        name: _build_by_kind(PART_KINDS, item, place.inside(name))
        for name, item in _table(table.get("parts", {}), place).items()
    }
    if "joints" not in table:
        raise top.error('joints is missing.\n  Write joints = [["part.port", "part.port"], ...] at the top.')
    with top.messages_of(Circuit):
        return Circuit(parts=parts, joints=table["joints"], **given)


def _build_each(cls: type[Description], value: object, place: Place) -> dict[str, Description]:
    items = _table(value, place)
    for name, item in items.items():
        if name in cls.model_fields and not isinstance(item, Mapping):
            raise place.inside(name).error(f"which {cls.kind} is meant?\n  Write [{place.path}.NAME] above it.")
    return {name: _build(cls, item, place.inside(name)) for name, item in items.items()}


def _build_lungs(value: object, place: Place) -> dict[str, Description]:
    """Lungs of any kind; a section that does not name one holds a simple lung."""
    items = _table(value, place)
    if not any(isinstance(item, Mapping) and "kind" in item for item in items.values()):
        return _build_each(Lung, items, place)
    lungs = {}
    for name, item in items.items():
        inside = place.inside(name)
        lungs[name] = _build_by_kind(LUNG_KINDS, {"kind": Lung.kind, **_table(item, inside)}, inside)
    return lungs


def _build_by_kind(kinds: Mapping[str, type[Description]], value: object, place: Place) -> Description:
    table = _table(value, place)
    kind = table.get("kind")
    if "kind" not in table:
        raise place.error(f"kind is missing.\n  {suggestion('', kinds)}")
    if not isinstance(kind, str) or kind not in kinds:
        raise place.inside("kind").error(f"{kind!r} is unknown.\n  {suggestion(str(kind), kinds)}")
    return _build(kinds[kind], table, place)


def _build(cls: type[Description], value: object, place: Place) -> Description:
    """A description from its section; the sections inside it first, so that each is named by its own path."""
    table, fields = _table(value, place), cls.model_fields
    place.check_keys(table, [*fields, "kind"] if cls.tagged else fields, homes=_HOMES_FROM_SECTION)
    values = {}
    for key, item in table.items():
        inner = inner_classes(fields[key]) if key in fields else ()
        if item == NO_VALUE and key in fields and _is_none(fields[key]):
            values[key] = None
        elif inner and get_origin(fields[key].annotation) is tuple:
            values[key] = _build_list(inner, item, place.inside(key))
        elif inner:
            values[key] = _build_inner(inner, item, place.inside(key))
        else:
            values[key] = item
    with place.messages_of(cls):
        return cls.from_dict(values)


def _is_none(info: FieldInfo) -> bool:
    """Whether the text for None means None in a field, not the text itself."""
    kinds = get_args(info.annotation)
    return type(None) in kinds and str not in kinds


def _build_inner(classes: tuple[type[Description], ...], value: object, place: Place) -> Description:
    """A description inside another; of several that the field may hold, the one that its kind names.

    A field that may hold several simple parts takes the first where no kind is given.
    """
    if len(classes) == 1:
        return _build(classes[0], value, place)
    if issubclass(classes[0], Part):
        value = {"kind": classes[0].kind, **_table(value, place)}
    return _build_by_kind({cls.kind: cls for cls in classes}, value, place)


def _build_list(classes: tuple[type[Description], ...], value: object, place: Place) -> list[Description]:
    if not isinstance(value, list):
        raise place.error(f"{value!r} is not a list.\n  Write [[{place.path}]] above each of them.")
    return [_build_inner(classes, item, place.inside(str(number))) for number, item in enumerate(value, start=1)]


def inner_classes(info: FieldInfo) -> tuple[type[Description], ...]:
    """The descriptions of which a field holds one, or a list.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo
        A field of a description.

    Returns
    -------
    tuple of type
        Their classes; empty if the field holds none.

    Examples
    --------
    >>> inner_classes(Lung.model_fields["compliance"])
    ()
    """
    kinds = (info.annotation, *get_args(info.annotation))
    return tuple(kind for kind in kinds if isinstance(kind, type) and issubclass(kind, Description))
