"""Descriptions from the sections of a file, each built and checked by itself, under its own path."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, get_args, get_origin

from pydantic.fields import FieldInfo

from ventsim.errors import suggestion
from ventsim.model.parts import LUNG_KINDS, Description, Lung, Part
from ventsim.model.scenario.messages import Complaints, Place
from ventsim.model.scenario.toml_text import quoted_number
from ventsim.model.ventilator import SETTINGS_KINDS, Ventilator
from ventsim.quantities import quantity_of

NO_VALUE = "none"
"""What a file says for None, where leaving the key out would mean something else."""

RUN_OPTIONS = ("duration", "sample_interval", "tolerance", "waveform_windows", "waveform_every")
"""Keys of the section ``[run]``."""

LAYOUT_OPTIONS = ("arrangement", "one_way_valves", "ideal")
"""Keys of the section ``[layout]``."""

SECTIONS_OF_KEYS = MappingProxyType(
    {
        name: "Write it in section [lungs.NAME], with the name of the lung."
        for cls in LUNG_KINDS.values()
        for name in cls.model_fields
    }
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

_MOST_KINDS = 3  # which are told to have a key


def build(
    cls: type[Description], value: object, place: Place, *, kinds: Mapping[str, type[Description]] | None = None
) -> Description:
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
    told = Complaints()
    with told.of_one():
        place.check_keys(
            table,
            [*fields, "kind"] if cls.tagged else fields,
            homes={**KEYS_ABOVE, **_of_other_kinds(cls, table, kinds or {})},
            elsewhere={} if place.path.startswith("parts") else SECTIONS_OF_KEYS,
        )
    with told.of_one():
        check_quotes({key: table[key] for key in table if key in fields and quantity_of(fields[key])}, place)
    values = {}
    for key, item in table.items():
        with told.of_one():
            values[key] = _value_of(fields[key], item, place.inside(key)) if key in fields else item
    told.tell()
    with place.messages_of(cls):
        return cls.from_dict(values)


def build_by_kind(kinds: Mapping[str, type[Description]], value: object, place: Place) -> Description:
    """A description of the kind that its section names.

    Parameters
    ----------
    kinds : mapping of str to type
        Classes by kind.
    value : object
        The section.
    place : Place
        Where it stands.

    Returns
    -------
    Description
        Of one of the classes.

    Raises
    ------
    ScenarioError
        As :func:`build`, or if there is no such kind.
    """
    table = table_of(value, place)
    kind = table.get("kind")
    if "kind" not in table:
        raise place.error(f"kind is missing.\n  {suggestion('', kinds)}")
    if not isinstance(kind, str) or kind not in kinds:
        raise place.inside("kind").error(f"{kind!r} is unknown.\n  {suggestion(str(kind), kinds)}")
    return build(kinds[kind], table, place, kinds=kinds)


def build_each(cls: type[Description], value: object, place: Place) -> dict[str, Description]:
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
    items, built, told = table_of(value, place), {}, Complaints()
    for name, item in items.items():
        if name in cls.model_fields and not isinstance(item, Mapping):
            raise place.inside(name).error(f"which {cls.kind} is meant?\n  Write [{place.path}.NAME] above it.")
    for name, item in items.items():
        with told.of_one():
            built[name] = build(cls, item, place.inside(name))
    told.tell()
    return built


def build_lungs(value: object, place: Place) -> dict[str, Description]:
    """Lungs of any kind; a section that does not name one holds a simple lung.

    Parameters
    ----------
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
    if not any(isinstance(item, Mapping) and "kind" in item for item in items.values()):
        return build_each(Lung, items, place)
    lungs, told = {}, Complaints()
    for name, item in items.items():
        inside = place.inside(name)
        with told.of_one():
            lungs[name] = build_by_kind(LUNG_KINDS, {"kind": Lung.kind, **table_of(item, inside)}, inside)
    told.tell()
    return lungs


def table_of(value: object, place: Place) -> Mapping[str, Any]:
    """A section, after a check that it is one.

    Parameters
    ----------
    value : object
        What stands there.
    place : Place
        Where.

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
        raise place.error(f"{value!r} is not a section.\n  Write [{place.path}] and the keys on lines below it.")
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
    told = Complaints()
    for key, item in values.items():
        right = quoted_number(item)
        if right:
            with told.of_one():
                path = place.inside(key)
                raise type(path)(path.source).error(f"{path.path} {item!r} is text, not a number.\n  {right}")
    told.tell()


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


def _of_other_kinds(
    cls: type[Description], table: Mapping[str, Any], kinds: Mapping[str, type[Description]]
) -> dict[str, str]:
    """What to tell of keys that another kind has and this one has not."""
    needed = [name for name, info in cls.model_fields.items() if info.is_required() and name not in table]
    rest = f"; {cls.kind} needs {' and '.join(needed)}" if needed else f", not for {cls.kind}"
    told = {}
    for key in table:
        having = [kind for kind, other in kinds.items() if key in other.model_fields]
        if key not in cls.model_fields and 0 < len(having) <= _MOST_KINDS:
            told[key] = f"For {' or '.join(having)} only{rest}."
    return told


def _value_of(info: FieldInfo, item: object, place: Place) -> object:
    """The value of a field: what is described in a section inside, otherwise as it stands."""
    inner = inner_classes(info)
    if item == NO_VALUE and _is_none(info):
        return None
    if inner and get_origin(info.annotation) is tuple:
        return _build_list(inner, item, place)
    return _build_inner(inner, item, place) if inner else item


def _is_none(info: FieldInfo) -> bool:
    """Whether the text for None means None in a field, not the text itself."""
    kinds = get_args(info.annotation)
    return type(None) in kinds and str not in kinds


def _build_inner(classes: tuple[type[Description], ...], value: object, place: Place) -> Description:
    """A description inside another; of several that the field may hold, the one that its kind names.

    A field that may hold several simple parts takes the first where no kind is given.
    """
    if len(classes) == 1:
        return build(classes[0], value, place)
    if issubclass(classes[0], Part):
        value = {"kind": classes[0].kind, **table_of(value, place)}
    return build_by_kind({cls.kind: cls for cls in classes}, value, place)


def _build_list(classes: tuple[type[Description], ...], value: object, place: Place) -> list[Description]:
    if not isinstance(value, list):
        raise place.error(f"{value!r} is not a list.\n  Write [[{place.path}]] above each of them.")
    return [_build_inner(classes, item, place.inside(str(number))) for number, item in enumerate(value, start=1)]
