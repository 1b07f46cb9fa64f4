"""Every public object documents what it takes and returns, each number with its unit.

The rules are those of the conventions in DEVELOPERS.md; nothing here judges whether a unit is the right one.
That is done by the tables of fields and of result variables (`test_schema.py`, `test_parts.py`).
"""

import dataclasses
import inspect
import re
from collections.abc import Iterator
from typing import Any

import pytest

import ventsim
from ventsim import (
    changes,
    circuit,
    errors,
    gas,
    layouts,
    metrics,
    monitor,
    panel,
    parts,
    plot,
    scenario,
    schema,
    studies,
    theory,
    units,
    ventilator,
)
from ventsim.model.parts.part import Passage, Rohrer, Store

MODULES = (
    ventsim, theory, layouts, plot, metrics, monitor, panel, schema, studies, units, gas, scenario,
    changes, parts, circuit,
    ventilator, errors,
)  # fmt: skip

# Types whose values are numbers; text such as "mapping of str to float" is not one of them.
NUMBER = re.compile(r"(float|int|array|complex|tuple of float|number|sequence of float)\b")
UNIT = re.compile(r"\[[^\[\]]+\]")

# Where more than two arguments may be written without their names: two ends and two laws, read in one line.
POSITIONAL = {
    "ventsim.parts.Passage": 4,
    "ventsim.changes.Schedule": 3,
    "ventsim.changes.with_changes": 3,
}

# A name line of a numpydoc section: one or more names, a colon, the type; then indented text.
ENTRY = re.compile(r"^(?P<names>\w+(?:, \w+)*) : (?P<text>[^\n]+\n(?:    [^\n]*\n?|\n(?=    ))*)", flags=re.M)
SECTION = re.compile(r"^(?P<title>[A-Z][a-z ]+)\n-{3,}\n", flags=re.M)


def public_objects() -> dict[str, Any]:
    """Classes and functions that users are told of, by their name, each once."""
    found: dict[int, tuple[str, Any]] = {}
    for module in MODULES:
        for name in module.__all__:
            item = getattr(module, name)
            if inspect.isclass(item) or inspect.isfunction(item):
                found.setdefault(id(item), (f"{module.__name__}.{name}", item))
    return dict(sorted(found.values()))


OBJECTS = public_objects()
FUNCTIONS = {name: item for name, item in OBJECTS.items() if inspect.isfunction(item)}
CLASSES = {name: item for name, item in OBJECTS.items() if inspect.isclass(item)}


def public_methods(cls: type) -> Iterator[tuple[str, Any]]:
    """Functions and properties that a class of ours defines itself."""
    for name, item in vars(cls).items():
        bare = item.__func__ if isinstance(item, classmethod | staticmethod) else item
        if not name.startswith("_") and (inspect.isfunction(bare) or isinstance(bare, property)):
            yield name, bare


METHODS = {f"{name}.{own}": item for name, cls in CLASSES.items() for own, item in public_methods(cls)}
ALL = OBJECTS | METHODS
CALLABLES = FUNCTIONS | {name: item for name, item in METHODS.items() if inspect.isfunction(item)}


def sections(text: str) -> dict[str, str]:
    """Sections of a numpydoc docstring by title; what precedes them is the section ''."""
    parts_of_text = SECTION.split(text)
    return {"": parts_of_text[0], **dict(zip(parts_of_text[1::2], parts_of_text[2::2], strict=True))}


def entries(section: str) -> dict[str, str]:
    """Type and text of every name of a section."""
    return {name: match["text"] for match in ENTRY.finditer(section + "\n") for name in match["names"].split(", ")}


def parameters(name: str) -> dict[str, inspect.Parameter]:
    """Parameters of a function or class; of a method all but the first."""
    found = dict(inspect.signature(ALL[name]).parameters)
    if name in METHODS:
        first = next(iter(found))
        assert first in ("self", "cls")
        del found[first]
    return found


def is_made_by_users(name: str) -> bool:
    """Whether users write the class's parameters; records that functions return list attributes instead."""
    cls = CLASSES[name]
    is_record = "Attributes" in sections(inspect.getdoc(cls) or "")
    return not (inspect.isabstract(cls) or issubclass(cls, BaseException) or is_record)


@pytest.mark.parametrize("name", OBJECTS)
def test_docstring_begins_with_one_line(name):
    text = inspect.getdoc(OBJECTS[name]) or ""
    first, _, rest = text.partition("\n")
    assert first.endswith((".", "?")), "the first line is a whole sentence"
    assert not rest or rest.startswith("\n"), "a blank line follows the first one"


MADE = [name for name in CLASSES if is_made_by_users(name)]


@pytest.mark.parametrize("name", [*CALLABLES, *MADE])
def test_every_parameter_is_documented(name):
    found = entries(sections(inspect.getdoc(ALL[name]) or "").get("Parameters", ""))
    assert set(found) == set(parameters(name))


@pytest.mark.parametrize("name", ALL)
def test_every_number_has_a_unit(name):
    of_title = sections(inspect.getdoc(ALL[name]) or "")
    for title in ("Parameters", "Attributes"):
        for entry, text in entries(of_title.get(title, "")).items():
            if NUMBER.match(text):
                assert UNIT.search(text), f"{entry}: no [unit]"


@pytest.mark.parametrize("name", CALLABLES)
def test_a_number_that_is_returned_has_a_unit(name):
    text = sections(inspect.getdoc(CALLABLES[name]) or "").get("Returns", "")
    returns = inspect.signature(CALLABLES[name]).return_annotation
    if returns is not None and name in FUNCTIONS:
        assert text.strip(), "no section Returns"
    if NUMBER.match(text):
        assert UNIT.search(text), "no [unit]"


@pytest.mark.parametrize("name", {n: m for n, m in METHODS.items() if isinstance(m, property)})
def test_a_property_that_is_a_number_has_a_unit(name):
    prop = METHODS[name]
    text = inspect.getdoc(prop) or ""
    assert text, "no docstring"
    if "float" in str(inspect.signature(prop.fget).return_annotation):
        assert UNIT.search(text), "no [unit]"


@pytest.mark.parametrize("name", {n: c for n, c in CLASSES.items() if dataclasses.is_dataclass(c)})
def test_fields_of_results_are_documented(name):
    text = inspect.getdoc(CLASSES[name]) or ""
    found = {**entries(sections(text).get("Parameters", "")), **entries(sections(text).get("Attributes", ""))}
    assert {field.name for field in dataclasses.fields(CLASSES[name])} <= set(found)


@pytest.mark.parametrize("name", [*FUNCTIONS, *MADE])
def test_signature_hides_nothing(name):
    """No ``**kwargs``, at most two positional arguments, everything annotated."""
    wanted = parameters(name)
    positional = [n for n, p in wanted.items() if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    assert not any(p.kind is p.VAR_KEYWORD for p in wanted.values()), "no **kwargs"
    assert len(positional) <= POSITIONAL.get(name, 2), f"make keyword-only: {positional[2:]}"
    bare = [n for n, p in wanted.items() if p.annotation is inspect.Parameter.empty]
    assert not bare, f"not annotated: {bare}"
    if name in FUNCTIONS:
        assert inspect.signature(FUNCTIONS[name]).return_annotation is not inspect.Signature.empty


@pytest.mark.parametrize("name", [*FUNCTIONS, *MADE])
def test_there_is_an_example(name):
    assert sections(inspect.getdoc(OBJECTS[name]) or "").get("Examples", "").strip(), "no section Examples"


def test_the_reader_of_docstrings_finds_what_is_wrong():
    """The patterns above see a missing unit and a second name; a docstring written here."""
    section = "Parameters\n----------\na, b : float\n    Two. [s]\nc : float\n    One.\n"
    text = f"Sum.\n\n{section}\nReturns\n-------\nx\n"
    found = entries(sections(text)["Parameters"])
    assert set(found) == {"a", "b", "c"}
    assert UNIT.search(found["b"]) and not UNIT.search(found["c"])
    assert {circuit.Circuit, Rohrer, Passage, Store} <= set(CLASSES.values())
