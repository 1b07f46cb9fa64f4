"""All public classes, functions, methods and properties, and a reader of their docstrings, for tests.

Public are the names of ``ventsim`` and of the namespaces that it shows: those in ``__all__``, or without it those
that the module itself defines.
"""

import inspect
import re
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import ventsim

NAMESPACES = (ventsim, *(item for name in ventsim.__all__ if inspect.ismodule(item := getattr(ventsim, name))))

# A name line of a numpydoc section: one or more names, a colon, the type; then indented text.
ENTRY = re.compile(
    r"^(?P<names>\*{0,2}\w+(?:, \w+)*) : (?P<text>[^\n]+\n(?:    [^\n]*\n?|\n(?=    ))*)", flags=re.M
)
SECTION = re.compile(r"^(?P<title>[A-Z][a-z ]+)\n-{3,}\n", flags=re.M)


def names_of(module: ModuleType) -> list[str]:
    """The public names of a namespace."""
    own = [name for name, item in vars(module).items() if getattr(item, "__module__", "") == module.__name__]
    return list(getattr(module, "__all__", [name for name in own if not name.startswith("_")]))


def public_objects() -> dict[str, Any]:
    """Classes and functions by their name, each once."""
    found: dict[int, tuple[str, Any]] = {}
    for module in NAMESPACES:
        for name in names_of(module):
            item = getattr(module, name)
            if inspect.isclass(item) or inspect.isfunction(item):
                found.setdefault(id(item), (f"{module.__name__}.{name}", item))
    return dict(sorted(found.values()))


def public_methods(cls: type) -> Iterator[tuple[str, Any]]:
    """Functions and properties that a class of ours defines itself, but not the hooks of pydantic."""
    for name, item in vars(cls).items():
        bare = item.__func__ if isinstance(item, classmethod | staticmethod) else item
        if not name.startswith(("_", "model_")) and (inspect.isfunction(bare) or isinstance(bare, property)):
            yield name, bare


OBJECTS = public_objects()
FUNCTIONS = {name: item for name, item in OBJECTS.items() if inspect.isfunction(item)}
CLASSES = {name: item for name, item in OBJECTS.items() if inspect.isclass(item)}
METHODS = {f"{name}.{own}": item for name, cls in CLASSES.items() for own, item in public_methods(cls)}
ALL = OBJECTS | METHODS


def sections(item: Any) -> dict[str, str]:
    """Sections of a numpydoc docstring by title; what precedes them is the section ''."""
    parts = SECTION.split(item if isinstance(item, str) else inspect.getdoc(item) or "")
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def entries(section: str) -> dict[str, str]:
    """Type and text of every name of a section."""
    return {
        name.lstrip("*"): match["text"]
        for match in ENTRY.finditer(section + "\n")
        for name in match["names"].split(", ")
    }
