"""From TOML text to the values of a scenario."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from ventsim.model.changes import CHANGES
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import Description
from ventsim.model.layouts import FloorPlan, Layout, PatientLimbs
from ventsim.model.parts import PARTS, Adapter, Lung, TPiece, Tube
from ventsim.model.scenario.first_edition import refuse_first_edition
from ventsim.model.scenario.messages import Complaints, Place, read_each
from ventsim.model.scenario.sections import (
    KEYS_ABOVE,
    LAYOUT_OPTIONS,
    RUN_OPTIONS,
    SECTIONS_OF_KEYS,
    build,
    build_each,
    build_member,
    build_members,
    check_quotes,
    table_of,
)
from ventsim.model.scenario.toml_text import parse_toml
from ventsim.model.ventilator import SETTINGS, Ventilator, check_settings

FITTINGS: Mapping[str, type[Description]] = MappingProxyType(
    {"t_piece": TPiece, "adapter": Adapter, "floor_plan": FloorPlan}
)
"""Sections of a layout that hold one description each."""

FOR_ALL_OR_EACH: Mapping[str, type[Description]] = MappingProxyType({"limbs": PatientLimbs, "extension": Tube})
"""Sections of a layout that hold one description for all lungs, or one by lung."""

_LAYOUT_SECTIONS = ("layout", "lungs", *FOR_ALL_OR_EACH, *FITTINGS)
_CIRCUIT_SECTIONS = ("parts", "joints")
_TOP = ("title", "about", "joints", "run", "settings", "ventilator", *_LAYOUT_SECTIONS, "parts", "changes")
_START = "Start from a built-in scenario: ventsim scenario two-unequal-lungs --out mine.toml"


def read_values(text: str, *, source: str) -> dict[str, Any]:
    """Title, text, circuit, settings, changes and run options, each built and checked by itself.

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
    table, top = parse_toml(text, source=source), Place(source)
    refuse_first_edition(table, top)
    if not table:
        raise top.error(f"the file is empty.\n  {_START}")
    if not any(value not in ({}, []) for value in table.values()):
        sections = ", ".join(f"[{name}]" for name in table)
        raise top.error(f"there is nothing in the file but {sections}.\n  {_START}")
    found = Complaints()
    with found.of_one():
        top.check_keys(table, _TOP, homes=SECTIONS_OF_KEYS, elsewhere={})
    # What is missing may be there under a wrong name, which has been found.
    may_be_missing = bool(found)
    values: dict[str, Any] = {key: table[key] for key in ("title", "about") if key in table}
    with found.of_one():
        values |= _options(table, "run", RUN_OPTIONS, top)
    if not may_be_missing or any(key in table for key in ("lungs", *_CIRCUIT_SECTIONS)):
        ventilator = {}
        with found.of_one():
            if "ventilator" in table:
                ventilator["ventilator"] = build(Ventilator, table["ventilator"], top.inside("ventilator"))
        with found.of_one():
            values["circuit"] = _read_circuit(table, top, ventilator)
    if not may_be_missing or "settings" in table:
        with found.of_one():
            if "settings" not in table:
                kinds = " or ".join(f'kind = "{kind}"' for kind in SETTINGS.kinds)
                raise top.error(f"section [settings] is missing.\n  Write [settings] and below it {kinds}.")
            values["settings"] = build_member(SETTINGS, table["settings"], top.inside("settings"))
    if "changes" in table:
        with found.of_one():
            values["changes"] = build_members(CHANGES, table["changes"], top.inside("changes"))
    found.tell()
    settings, circuit = values["settings"], values["circuit"]
    with top.inside("settings").messages_of(type(settings)):
        check_settings(circuit.ventilator, settings)
    return values


def _options(table: Mapping[str, Any], section: str, keys: tuple[str, ...], top: Place) -> dict[str, Any]:
    """Values of a section that is no description by itself."""
    place = top.inside(section)
    options = table_of(table.get(section, {}), place)
    place.check_keys(options, keys, homes=KEYS_ABOVE, elsewhere=SECTIONS_OF_KEYS)
    check_quotes(options, place)
    return dict(options)


def _read_circuit(table: Mapping[str, Any], top: Place, given: dict[str, Any]) -> Circuit:
    """A layout if there are lungs, a circuit if there are parts."""
    explicit = [key for key in _CIRCUIT_SECTIONS if key in table]
    recipe = [key for key in _LAYOUT_SECTIONS if key in table]
    if explicit and recipe:
        raise top.error(
            f"'{recipe[0]}' belongs to a ready-made layout, '{explicit[0]}' to a circuit of single parts.\n"
            "  Give either [lungs.NAME] with [layout], or [parts.NAME] with joints."
        )
    if explicit:
        place = top.inside("parts")
        items = table_of(table.get("parts", {}), place).items()
        parts = read_each(items, lambda name, item: build_member(PARTS, item, place.inside(name)))
        if "joints" not in table:
            raise top.error('joints is missing.\n  Write joints = [["part.port", "part.port"], ...] at the top.')
        with top.messages_of(Circuit):
            return Circuit(parts=parts, joints=table["joints"], **given)
    if not table.get("lungs"):
        raise top.error(
            "there is no lung.\n  Write [lungs.NAME] with compliance and resistance below it, for each lung; "
            "or [parts.NAME] with joints."
        )
    return _read_layout(table, top, given)


def _read_layout(table: Mapping[str, Any], top: Place, given: dict[str, Any]) -> Circuit:
    found, values = Complaints(), dict(given)
    with found.of_one():
        values |= _options(table, "layout", LAYOUT_OPTIONS, top)
    with found.of_one():
        values["lungs"] = build_each(Lung, table["lungs"], top.inside("lungs"))
    for name in (*FOR_ALL_OR_EACH, *FITTINGS):
        if name in table:
            with found.of_one():
                values[name] = _read_section(name, table, top.inside(name))
    found.tell()
    with top.messages_of(Layout, paths={name: f"layout.{name}" for name in LAYOUT_OPTIONS}):
        return Layout(**values).circuit


def _read_section(section: str, file: Mapping[str, Any], place: Place) -> Any:
    """A description; one for all lungs or one by lung, with what stands below its name in place of the rest."""
    if section in FITTINGS:
        return build(FITTINGS[section], file[section], place)
    cls, lungs = FOR_ALL_OR_EACH[section], file["lungs"]
    table = table_of(file[section], place)
    names = list(lungs) if isinstance(lungs, Mapping) else []
    place.check_keys(table, [*names, *cls.model_fields], homes=KEYS_ABOVE, elsewhere=SECTIONS_OF_KEYS)
    common = {key: item for key, item in table.items() if key not in names}
    if len(common) == len(table):
        return build(cls, table, place)
    if not common:
        return build_each(cls, table, place)
    build(cls, common, place)  # so that a wrong value of all lungs is reported once
    return build_each(cls, {name: _over(common, table.get(name, {})) for name in names}, place)


def _over(common: Mapping[str, Any], own: object) -> object:
    """Keys of all lungs, and of the sections inside, with those of one lung in their stead."""
    if not isinstance(own, Mapping):
        return own
    both = dict(common)
    for key, item in own.items():
        inside = common.get(key)
        both[key] = _over(inside, item) if isinstance(inside, Mapping) and isinstance(item, Mapping) else item
    return both
