"""Descriptions from the sections of a file, each built and checked by itself, under its own path."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar, get_args

from pydantic.fields import FieldInfo

from ventsim.errors import shown, suggestion
from ventsim.model.descriptions import Description, Family, Member
from ventsim.model.parts import Lung
from ventsim.model.paths import NO_VALUE
from ventsim.model.scenario.messages import Complaints, Place, read_each
from ventsim.model.scenario.toml_text import quoted_number
from ventsim.model.ventilator import SETTINGS_KINDS, Ventilator
from ventsim.quantities import mark_of, quantity_of

RUN_OPTIONS = ("duration", "sample_interval", "tolerance", "waveform_windows", "waveform_every")
"""Keys of the section ``[run]``."""

LAYOUT_OPTIONS = ("arrangement", "one_way_valves", "ideal")
"""Keys of the section ``[layout]``."""

SECTIONS_OF_KEYS = MappingProxyType(
    {name: "Write it in section [lungs.NAME], with the name of the lung." for name in Lung.model_fields}
    | {name: "Write it in section [settings]." for cls in SETTINGS_KINDS.values() for name in cls.model_fields}
    | {name: "Write it in section [ventilator]." for name in Ventilator.model_fields}
    | {name: "Write it in section [layout]." for name in LAYOUT_OPTIONS}
    | {name: "Write it in section [run]." for name in RUN_OPTIONS}
)
"""Where a key belongs that stands in another section."""

KEYS_ABOVE = MappingProxyType(
    {name: "Write it above the first [section] of the file." for name in ("title", "about", "joints")}
)
"""What to tell of a key that stands in no section."""

Described = TypeVar("Described", bound=Description)

_MOST_KINDS = 3  # that a message names as having a key


def build(
    cls: type[Described], value: object, place: Place, *, kinds: Mapping[str, type[Description]] | None = None
) -> Described:
    """A description from its section; the sections inside it first, so that each is named by its own path.

    Parameters
    ----------
    cls : type
        Class of the description.
    value : object
        The section.
    place : Place
        Where it stands.
    kinds : mapping of str to type, or None, default None
        All that could stand there, by kind: a key may belong to another one.

    Returns
    -------
    Description
        Of this class.

    Raises
    ------
    ScenarioError
        With all that is wrong in the section and in those inside it.
    """
    table, fields = table_of(value, place), cls.model_fields
    found = Complaints()
    with found.of_one():
        place.check_keys(
            table,
            [*fields, cls.tag] if cls.tag else fields,
            homes={**KEYS_ABOVE, **_of_other_kinds(cls, table, kinds or {})},
            elsewhere={} if place.path.startswith("parts") else SECTIONS_OF_KEYS,
        )
    if cls.tag and table.get(cls.tag, cls.kind) != cls.kind:
        with found.of_one():
            wrong = f"{table[cls.tag]!r} is not possible here.\n  Allowed: '{cls.kind}'; or leave it out."
            raise place.inside(cls.tag).error(wrong)
    with found.of_one():
        check_quotes({key: table[key] for key in table if key in fields and quantity_of(fields[key])}, place)
    values = {}
    for key, item in table.items():
        with found.of_one():
            values[key] = _value_of(fields[key], item, place.inside(key)) if key in fields else item
    found.tell()
    with place.messages_of(cls):
        return cls.from_dict(values)


def build_member(family: Family, value: object, place: Place) -> Any:
    """A member of a family, of the kind that its section names, or a number that stands for one.

    Parameters
    ----------
    family : Family
        What may stand there.
    value : object
        The section.
    place : Place
        Where it stands.

    Returns
    -------
    Description or float
        Of one of the classes; the number, not checked.

    Raises
    ------
    ScenarioError
        As :func:`build`, or if there is no such kind.
    """
    if family.number is not None and isinstance(value, int | float):
        return value
    table = table_of(value, place)
    kind = table.get(family.tag, family.default)
    if not kind:
        raise place.error(f"{family.tag} is missing.\n  {suggestion('', family.kinds)}")
    if not isinstance(kind, str) or kind not in family.kinds:
        raise place.inside(family.tag).error(f"{shown(kind)} is unknown.\n  {suggestion(str(kind), family.kinds)}")
    cls = family.kinds[kind]
    # A class without a tag of its own has no such key.
    plain = table if cls.tag else {key: item for key, item in table.items() if key != family.tag}
    return build(cls, plain, place, kinds=family.kinds)


def build_members(family: Family, value: object, place: Place) -> list[Any]:
    """Members of a family, from a list of sections.

    Parameters
    ----------
    family : Family
        What may stand there.
    value : object
        The list.
    place : Place
        Where it stands.

    Returns
    -------
    list of Description
        In the order of the file.

    Raises
    ------
    ScenarioError
        With all that is wrong in all of them, or if it is no list.
    """
    if not isinstance(value, list):
        raise place.error(f"{shown(value)} is not a list.\n  Write [[{place.path}]] above each of them.")

    def read(number: str, item: object) -> Any:
        if family.number is None or not isinstance(item, int | float):
            table_of(item, place.inside(number), head=f"[{place.path}]")
        return build_member(family, item, place.inside(number))

    return list(read_each({str(k): item for k, item in enumerate(value, start=1)}.items(), read).values())


def build_each(cls: type[Described], value: object, place: Place) -> dict[str, Described]:
    """Descriptions of one class by name, from a section of sections.

    Parameters
    ----------
    cls : type
        Class of all of them.
    value : object
        The section.
    place : Place
        Where it stands.

    Returns
    -------
    dict of str to Description
        In the order of the file.

    Raises
    ------
    ScenarioError
        With all that is wrong in all of them.
    """
    items = table_of(value, place)
    for name, item in items.items():
        if name in cls.model_fields and not isinstance(item, Mapping):
            raise place.inside(name).error(f"which {cls.kind} is meant?\n  Write [{place.path}.NAME] above it.")
    return read_each(items.items(), lambda name, item: build(cls, item, place.inside(name)))


def table_of(value: object, place: Place, *, head: str = "") -> Mapping[str, Any]:
    """A section, after a check that it is one.

    Parameters
    ----------
    value : object
        What stands there.
    place : Place
        Where.
    head : str, default ""
        What stands between the brackets above it; empty: its path.

    Returns
    -------
    mapping of str to object
        Its keys and values.

    Raises
    ------
    ScenarioError
        If it is no section.
    """
    if not isinstance(value, Mapping):
        raise place.error(
            f"{shown(value)} is not a section.\n  Write [{head or place.path}] and the keys on lines below it."
        )
    return value


def check_quotes(values: Mapping[str, object], place: Place) -> None:
    """Refuse numbers that are written as text.

    Parameters
    ----------
    values : mapping of str to object
        Values of fields that hold numbers.
    place : Place
        Where they stand.

    Raises
    ------
    ScenarioError
        With all of them, and what to write.
    """

    def check(key: str, item: object) -> None:
        right = quoted_number(item)
        if right:
            path = place.inside(key).path
            raise Place(place.source).error(f"{path} {shown(item)} is text, not a number.\n  {right}")

    read_each(values.items(), check)


def inner_class(info: FieldInfo) -> type[Description] | None:
    """The class of descriptions that a field holds, or None.

    Parameters
    ----------
    info : pydantic.fields.FieldInfo
        A field.

    Returns
    -------
    type or None
        A description's class.
    """
    kinds = (info.annotation, *get_args(info.annotation))
    found = (kind for kind in kinds if isinstance(kind, type) and issubclass(kind, Description))
    return next(found, None)


def _of_other_kinds(
    cls: type[Description], table: Mapping[str, Any], kinds: Mapping[str, type[Description]]
) -> dict[str, str]:
    """What to tell of keys that another kind has and this one has not."""
    needed = [name for name, info in cls.model_fields.items() if info.is_required() and name not in table]
    rest = f"; {cls.kind} needs {' and '.join(needed)}" if needed else f", not for {cls.kind}"
    found = {}
    for key in table:
        having = [kind for kind, other in kinds.items() if key in other.model_fields]
        if key not in cls.model_fields and 0 < len(having) <= _MOST_KINDS:
            found[key] = f"For {' or '.join(having)} only{rest}."
    return found


def _value_of(info: FieldInfo, item: object, place: Place) -> object:
    """The value of a field from what the file holds for it."""
    kinds = get_args(info.annotation)
    if item == NO_VALUE and type(None) in kinds and str not in kinds:
        return None
    member = mark_of(info, Member)
    if member is None:
        inner = inner_class(info)
        return item if inner is None else build(inner, item, place)
    if member.many:
        return build_members(member.family, item, place)
    return item if member.or_number and not isinstance(item, Mapping) else build_member(member.family, item, place)
