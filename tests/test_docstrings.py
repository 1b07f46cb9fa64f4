"""Every public object says in one form what it takes and returns; for units of numbers see ``test_units.py``."""

import dataclasses
import inspect
from collections.abc import Iterator

from public_names import ALL, CLASSES, FUNCTIONS, METHODS, OBJECTS, entries, sections

from ventsim.model.circuit import Circuit
from ventsim.model.laws import Rohrer

# Methods that take fields by name, as a mapping or as keywords.
TAKES_ANY_FIELD = ("changed",)
# Where more than two arguments may be written without their names: ends and laws, or descriptions in their order.
POSITIONAL = {
    "ventsim.model.changes.Schedule": 3,
    "ventsim.model.changes.with_changes": 3,
    "ventsim.model.parts.ElasticStore": 3,
    "ventsim.model.parts.Inertia": 3,
    "ventsim.model.parts.Passage": 4,
    "ventsim.studies.sweep": 3,  # circuit, settings, values
}


def parameters(name: str) -> dict[str, inspect.Parameter]:
    """Parameters of a function or class; of a method all but the first."""
    found = dict(inspect.signature(ALL[name]).parameters)
    if name in METHODS:
        del found[next(iter(found))]
    return found


def is_made_by_users(cls: type) -> bool:
    """Whether users write the class's parameters; records that functions return list attributes instead."""
    is_record = "Attributes" in sections(cls) and "Parameters" not in sections(cls)
    return not (inspect.isabstract(cls) or issubclass(cls, BaseException) or is_record)


def is_documented_by_base(name: str) -> bool:
    """Whether a base of the class documents the parameters of a method that the class defines anew."""
    cls, _, method = name.rpartition(".")
    bases = [getattr(base, method) for base in CLASSES[cls].__mro__[1:] if hasattr(base, method)]
    return any(entries(sections(base).get("Parameters", "")).keys() == parameters(name).keys() for base in bases)


def faults_of_form(name: str) -> Iterator[str]:
    """The first line, the section *Returns* and the one with an example."""
    item, of_title = ALL[name], sections(ALL[name])
    first, _, rest = (inspect.getdoc(item) or "").partition("\n")
    if not first.endswith((".", "?", "]")):
        yield "its first line is no whole sentence"
    if rest and not rest.startswith("\n"):
        yield "no blank line follows the first one"
    if name not in OBJECTS:
        return
    is_function = name in FUNCTIONS
    if is_function and inspect.signature(item).return_annotation is not None and not of_title.get("Returns"):
        yield "it has no section Returns"
    if (is_function or is_made_by_users(item)) and not of_title.get("Examples", "").strip():
        yield "it has no example"


def faults_of_parameters(name: str) -> Iterator[str]:
    """Each parameter is documented, annotated, and written with its name from the third on."""
    item = ALL[name]
    if isinstance(item, property) or (name in CLASSES and not is_made_by_users(item)):
        return
    wanted, found = parameters(name), entries(sections(item).get("Parameters", ""))
    if set(found) != set(wanted) and not (name in METHODS and is_documented_by_base(name)):
        yield f"its parameters are {list(wanted)}, documented are {list(found)}"
    any_field = [n for n, p in wanted.items() if p.kind is p.VAR_KEYWORD]
    if any_field and name.rpartition(".")[2] not in TAKES_ANY_FIELD:
        yield f"it hides parameters in **{any_field[0]}"
    positional = [n for n, p in wanted.items() if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    if len(positional) > POSITIONAL.get(name, 2):
        yield f"{positional[2:]} are not keyword-only"
    bare = [n for n, p in wanted.items() if p.annotation is inspect.Parameter.empty]
    if bare or (name in FUNCTIONS and inspect.signature(item).return_annotation is inspect.Signature.empty):
        yield f"not annotated: {bare or 'what it returns'}"


def faults_of_fields(name: str) -> Iterator[str]:
    """Each field of a record is documented."""
    cls = CLASSES.get(name)
    if dataclasses.is_dataclass(cls):
        of_title = sections(cls)
        found = {*entries(of_title.get("Parameters", "")), *entries(of_title.get("Attributes", ""))}
        missing = {field.name for field in dataclasses.fields(cls)} - found
        if missing:
            yield f"fields {sorted(missing)} are not documented"


def test_every_public_name_has_a_docstring_of_one_form():
    rules = (faults_of_form, faults_of_parameters, faults_of_fields)
    assert [f"{name}: {fault}" for name in ALL for rule in rules for fault in rule(name)] == []


def test_the_rules_see_what_is_wrong(monkeypatch):
    """Functions and classes written here; and the names that a user meets first are among those looked at."""

    def first(a, b: int, c: int, **d: int) -> int:
        """Sum
        of all.

        Parameters
        ----------
        a, b : int
            Two.
        """

    @dataclasses.dataclass
    class Record:
        """A record.

        Attributes
        ----------
        x : float
            Length. [m]
        """

        x: float
        y: float

    for names in (OBJECTS, FUNCTIONS, ALL):
        monkeypatch.setitem(names, "first", first)
    for names in (OBJECTS, CLASSES, ALL):
        monkeypatch.setitem(names, "Record", Record)
    found = [*faults_of_form("first"), *faults_of_parameters("first"), *faults_of_fields("Record")]
    assert [text.split()[-1] for text in found] == [
        "sentence", "one", "Returns", "example", "'b']", "**d", "keyword-only", "['a']", "documented",
    ]  # fmt: skip
    assert {Circuit, Rohrer} <= set(CLASSES.values())
