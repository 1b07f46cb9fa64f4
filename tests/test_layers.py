"""Imports inside ventsim point one way; DEVELOPERS.md shows the same table."""

import ast
import importlib
import inspect
import re
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from ventsim.errors import InputError, VentsimError
from ventsim.model.parts import Description, LungPart

PROJECT = Path(__file__).parents[1]
ROOT = PROJECT / "ventsim"

DESCRIPTIONS = ["parts", "ventilator", "circuit", "changes", "layouts", "scenario"]
BASE = ["units", "errors"]
ALLOWED = {
    "units": [],
    "errors": [],
    "wrong_names": ["errors"],
    "schema": [*BASE],
    "theory": [*BASE],
    "gas": [*BASE],
    "parts": [*BASE, "gas"],
    "ventilator": [*BASE, "parts"],
    "circuit": [*BASE, "parts", "ventilator"],
    "layouts": [*BASE, "parts", "ventilator", "circuit"],
    "changes": [*BASE, "parts", "ventilator", "circuit"],
    "scenario": [*BASE, "parts", "ventilator", "circuit", "changes", "layouts"],
    "metrics": [*BASE, "schema"],
    "monitor": [*BASE, "schema", "parts"],
    "plot": [*BASE, "schema", "parts", "circuit"],
    "engine": [*BASE, "parts", "ventilator", "circuit"],
    "simulation": [*BASE, "schema", *DESCRIPTIONS, "metrics", "engine"],
    "panel": [*BASE, "metrics", "parts", "ventilator", "layouts", "plot", "simulation"],
    "studies": [*BASE, "schema", *DESCRIPTIONS, "metrics", "monitor", "simulation"],
    "command": [
        *BASE,
        "schema",
        *DESCRIPTIONS,
        "metrics",
        "monitor",
        "plot",
        "engine",
        "simulation",
        "studies",
        "root",
    ],
    "__main__": ["command"],
}
# What only these modules may import from outside, so that the rest stays light and testable without it.
OUTSIDE = {
    "numba": {"engine", "metrics"},
    "matplotlib": {"plot", "panel", "command"},
    "tqdm": {"simulation"},
    "pydantic": {"parts", "ventilator", "circuit", "changes", "layouts", "scenario", "monitor"},
    "networkx": {"circuit", "plot"},
    "xarray": {"schema", "metrics", "monitor", "plot", "simulation", "studies", "scenario", "command"},
}
# The only module of the engine that knows what parts, circuits and settings are.
TRANSLATOR = ROOT / "engine" / "network.py"

FILES = sorted(path for path in ROOT.rglob("*.py") if path != ROOT / "__init__.py")


def imported(source: str) -> Iterator[list[str]]:
    """Dotted names, split, that a module imports anywhere; of relative imports the first is empty."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            module = "" if node.level else node.module
            names = [f"{module}.{a.name}" for a in node.names] if module == "ventsim" else [module]
        elif isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        else:
            continue
        yield from (name.split(".") for name in names)


def own_targets(source: str) -> set[str]:
    """Top-level modules of ventsim that a module imports."""
    found = [parts for parts in imported(source) if parts[0] == "ventsim"]
    names = {parts[1] if len(parts) > 1 else "root" for parts in found}
    known = {path.relative_to(ROOT).parts[0].removesuffix(".py") for path in FILES}
    return {name if name in known else "root" for name in names}


def home(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def ids(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_imports_point_one_way(path):
    wrong = own_targets(path.read_text(encoding="utf-8")) - {home(path), *ALLOWED[home(path)]}
    assert not wrong, f"{home(path)} may not import {', '.join(sorted(wrong))}"


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_imports_are_absolute(path):
    assert not [parts for parts in imported(path.read_text(encoding="utf-8")) if parts == [""]]


@pytest.mark.parametrize("path", [p for p in FILES if home(p) == "engine" and p != TRANSLATOR], ids=ids)
def test_the_engine_knows_arrays_only(path):
    assert not own_targets(path.read_text(encoding="utf-8")) & set(DESCRIPTIONS)


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_packages_from_outside_stay_where_they_are_needed(path):
    packages = {parts[0] for parts in imported(path.read_text(encoding="utf-8"))}
    for package, homes in OUTSIDE.items():
        assert package not in packages or home(path) in homes, f"{home(path)} may not import {package}"


def test_the_map_has_no_cycle_and_no_module_too_many():
    assert "units" in list(TopologicalSorter(ALLOWED).static_order())
    assert {home(path) for path in FILES} == set(ALLOWED)


def test_developers_guide_shows_the_same_map():
    """The first column of its table names the module, the last one what it may import."""
    text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \|.*\| ([^|\n]+) \|$", text, flags=re.M)
    shown = {name: set(re.findall(r"\w+", cell)) - {"nothing"} for name, cell in rows if name in ALLOWED}
    assert shown == {name: set(targets) for name, targets in ALLOWED.items()}


@pytest.mark.parametrize("path", [p for p in FILES if p.name != "__main__.py"], ids=ids)
def test_classes_are_abstract_or_final(path):
    """A parent of ours is abstract, or the base of descriptions or errors; two for a class, three for a lung."""
    inside = path.relative_to(ROOT).with_suffix("").parts
    module = importlib.import_module(".".join(("ventsim", *inside)).removesuffix(".__init__"))
    own = [cls for _, cls in inspect.getmembers(module, inspect.isclass) if cls.__module__ == module.__name__]
    for cls in own:
        parents = [base for base in cls.__mro__[1:] if base.__module__.startswith("ventsim.")]
        assert len(parents) <= 2 + (LungPart in parents), f"{cls.__name__} lies too deep"
        for base in parents:
            assert inspect.isabstract(base) or base in (Description, VentsimError, InputError)


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import ventsim.model.circuit", {"circuit"}),
        ("import ventsim.model.circuit.graph as graph", {"circuit"}),
        ("from ventsim import circuit", {"circuit"}),
        ("from ventsim import Circuit", {"root"}),
        ("from ventsim.model.circuit.graph import build_graph", {"circuit"}),
        ("def f():\n    from ventsim.model.circuit import Circuit", {"circuit"}),
        ("import ventsim", {"root"}),
        ("import numpy", set()),
    ],
)
def test_every_spelling_of_an_import_is_seen(source, expected):
    """Spellings of one import, written here."""
    assert own_targets(source) == expected
