"""How descriptions word what is wrong with a value."""

from collections.abc import Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from ventsim.errors import InputError, nearest_names, shown, suggestion
from ventsim.quantities import quantity_of


def with_article(word: str) -> str:
    """A word behind "a" or "an"."""
    return f"{'an' if word[0] in 'aeiouAEIOU' else 'a'} {word}"


def unnamed(where: str, cls: Any, values: tuple[Any, ...], data: Mapping[str, Any]) -> str:
    """Why values without names are refused, and how to write them.

    Parameters
    ----------
    where : str
        How messages call the description.
    cls : type
        Its class.
    values : tuple of object
        The values without names.
    data : mapping of str to object
        Those with names.

    Returns
    -------
    str
        The message.
    """
    fields = list(cls.model_fields)
    needed = list(cls.leading) or [name for name, info in cls.model_fields.items() if info.is_required()]
    free = [name for name in needed if name not in data]
    pairs = dict.fromkeys(free or [name for name in fields if name not in data][:1], "...")
    # Only where the order of the fields shows which value is meant.
    if len(values) <= len(free) and fields[: len(needed)] == needed:
        pairs |= {name: shown(value) for name, value in zip(free, values, strict=False)}
    pairs |= {name: shown(value) for name, value in data.items()}
    call = f"{cls.__name__}({', '.join(f'{name}={text}' for name, text in pairs.items())})"
    several = "values are given" if len(values) > 1 else "a value is given"
    return (
        f"{where}: {several} without a name: {', '.join(map(shown, values))}.\n"
        f"  Write {call}.\n  Names: {', '.join(fields) or 'none, it has no values'}."
    )


def reworded(where: str, cls: Any, error: ValidationError) -> InputError:
    """A complaint of pydantic in the form of the library; an error of its own passes as it is.

    Parameters
    ----------
    where : str
        How messages call the description.
    cls : type
        Its class.
    error : pydantic.ValidationError
        What pydantic found.

    Returns
    -------
    InputError
        With all complaints, unknown names first.
    """
    items, fields = error.errors(include_url=False), cls.model_fields
    unknown = [item for item in items if item["type"] == "extra_forbidden"]
    # Not a word of missing what they probably mean.
    meant = {near for item in unknown for near in nearest_names(_path(item["loc"]), fields, limit=1)}
    others = [item for item in items if item["type"] != "missing" or _path(item["loc"]) not in meant]
    lines, kinds = [], set()
    for item in [*unknown, *(item for item in others if item not in unknown)]:
        cause = item.get("ctx", {}).get("error")
        if isinstance(cause, InputError):
            kinds.add(type(cause))
            before = f"{where}: {_path(item['loc'])}: " if item["loc"] else ""
            lines.append(f"{before}{cause}")
        else:
            kinds.add(cls.error_type)
            lines.append(f"{where}: {_complaint(cls, item)}")
    kind = kinds.pop() if len(kinds) == 1 else cls.error_type
    return kind("\n".join(lines))


def _path(loc: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in loc)


def _complaint(cls: type[BaseModel], item: Mapping[str, Any]) -> str:
    """One error of pydantic's list, without the label."""
    name, given, fields = _path(item["loc"]), item["input"], cls.model_fields
    match item["type"]:
        case "quantity":
            return f"{name} {item['msg']}"
        case "missing":
            quantity = quantity_of(fields[name]) if name in fields else None
            described = fields[name].description if name in fields else None
            hint = f"{name}=... in {quantity.unit}, {quantity.meaning}" if quantity else f"{name}=..."
            return f"{name} is missing.\n  Give {f'{hint}, {described}' if described else hint}."
        case "extra_forbidden":
            return f"there is no {name!r}.\n  {suggestion(str(name), fields)}"
        case "literal_error":
            choices = [str(choice) for choice in get_args(fields[str(item["loc"][0])].annotation)]
            text = given if isinstance(given, str) else shown(given)
            return f"{name} {shown(given)} is not one of the choices.\n  {suggestion(text, choices)}"
        case "model_type":
            wanted = item["ctx"]["class_name"]
            return f"{name} {shown(given)} is not {with_article(wanted)}.\n  Give {wanted}(...)."
        case "bool_type" | "bool_parsing":
            return f"{name} {shown(given)} is neither true nor false.\n  Give one of the two, without quotes."
        case _:
            described = fields[name].description if name in fields else None
            return (
                f"{name} {shown(given)} does not fit: {item['msg']}.\n  Give {described or 'what its help says'}."
            )
