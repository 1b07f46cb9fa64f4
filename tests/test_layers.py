"""Imports inside ventsim point one way, from layer to layer; DEVELOPERS.md shows the same table."""

import ast
import importlib
import inspect
import re
from collections.abc import Iterator
from pathlib import Path

from ventsim.errors import InputError, VentsimError
from ventsim.model.descriptions import Description
from ventsim.model.laws.own import UsersOwn
from ventsim.model.parts import LungPart
from ventsim.model.parts.part import InLine
from ventsim.theory.arguments import Results
from ventsim.theory.steady import OneLungBreath, SteadyBreath

PROJECT = Path(__file__).parents[1]
ROOT = PROJECT / "ventsim"

# From top to bottom; modules of one row do not know each other.
LAYERS = (
    ("starting", "errors"),
    ("units", "parameters"),
    ("quantities", "compiling"),
    ("tables", "files"),
    ("model",),
    ("theory", "engine", "results"),
    ("simulation",),
    ("studies",),
    ("view",),
    ("command", "root"),
)
ROW = {name: number for number, names in enumerate(LAYERS) for name in names}
ALONE = {"starting", "errors", "tables", "compiling"}  # these import nothing of ventsim
# The only layer that runs the engine, and the only module of the engine that knows parts, circuits and settings.
RUNS_THE_ENGINE, TRANSLATOR = "simulation", "engine/network.py"
# What only these layers may import from outside, so that the rest stays light and testable without it.
OUTSIDE = {
    "numba": {"compiling"},
    "matplotlib": {"view", "command"},
    "tqdm": {"simulation"},
    "pydantic": {"quantities", "model", "results"},
    "networkx": {"model", "view"},
    "scipy": {"studies"},
    "xarray": {"files", "model", "results", "simulation", "studies", "view", "command"},
    "pandas": {"tables", "model", "results", "simulation", "studies", "view", "command"},
}
FILES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in sorted(ROOT.rglob("*.py"))
}


def home(file: str) -> str:
    """The layer of a file; those at the top of the package are its root."""
    name = file.split("/")[0].removesuffix(".py")
    return "root" if name.startswith("__") else name


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
    """Layers that a module imports."""
    found = [parts for parts in imported(source) if parts[0] == "ventsim"]
    names = {parts[1] if len(parts) > 1 else "root" for parts in found}
    return {name if name in ROW else "root" for name in names}


def faults(file: str, source: str) -> Iterator[str]:
    """What a file may not import."""
    here = home(file)
    for target in own_targets(source) - {here}:
        is_above = ROW[target] < ROW[here] or (here == "command" and target == "root") or here == "root"
        is_hidden = target == "engine" and here != RUNS_THE_ENGINE
        if here in ALONE or not is_above or is_hidden or (here, target) == ("simulation", "theory"):
            yield f"{here} may not import {target}"
        if here == "engine" and target == "model" and file != TRANSLATOR:
            yield f"only {TRANSLATOR} knows {target}"
    packages = {parts[0] for parts in imported(source)}
    if "" in packages:
        yield "an import is relative"
    for package in packages & set(OUTSIDE):
        if here not in OUTSIDE[package]:
            yield f"{here} may not import {package}"


def test_imports_point_one_way():
    assert len(LAYERS) <= 10
    assert {home(file) for file in FILES} == set(ROW)
    assert [f"{file}: {fault}" for file, source in FILES.items() for fault in faults(file, source)] == []


def test_developers_guide_shows_the_same_layers():
    """The first column of its table has the layers of a row, from top to bottom."""
    text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("| layer |")[2].partition("\n\n")[0]
    rows = [set(re.findall(r"`(\w+)`", row.split("|")[1])) for row in table.splitlines()[2:]]
    assert rows == [set(names) - {"parameters", "root"} for names in LAYERS]


# Bases without an abstract method, of which nobody makes an object; and those between a base and a class.
BASES = (Description, VentsimError, InputError, Results, SteadyBreath, OneLungBreath, UsersOwn)
BETWEEN = {LungPart, InLine, OneLungBreath, UsersOwn}


def test_classes_are_abstract_or_final():
    """A parent of ours is abstract or a base; two for a class, three where one stands between."""
    wrong = []
    for file in FILES.keys() - {"__main__.py"}:
        name = ".".join(("ventsim", *Path(file).with_suffix("").parts)).removesuffix(".__init__")
        for cls in vars(importlib.import_module(name)).values():
            if not inspect.isclass(cls) or cls.__module__ != name:
                continue
            parents = [base for base in cls.__mro__[1:] if base.__module__.startswith("ventsim.")]
            is_deep = len(parents) > 2 + bool(BETWEEN & set(parents))
            if is_deep or not all(inspect.isabstract(base) or base in BASES for base in parents):
                wrong.append(f"{file}: {cls.__name__} of {parents}")
    assert wrong == []


def test_every_spelling_of_an_import_is_seen():
    """Spellings of one import, written here; and imports that are refused."""
    for source, expected in (
        ("import ventsim.model.circuit", {"model"}),
        ("import ventsim.model.circuit.graph as graph", {"model"}),
        ("from ventsim import model", {"model"}),
        ("from ventsim import Circuit", {"root"}),
        ("from ventsim.model.circuit.graph import build_graph", {"model"}),
        ("def f():\n    from ventsim.model.circuit import Circuit", {"model"}),
        ("import ventsim", {"root"}),
        ("import numpy", set()),
    ):
        assert own_targets(source) == expected
    for file, source in (
        ("model/gas.py", "from ventsim.results import schema"),
        ("results/a.py", "from ventsim import theory"),
        ("tables.py", "from ventsim import units"),
        ("studies/sweep.py", "from ventsim.engine import phases"),
        ("engine/phases.py", "from ventsim.model.circuit import Circuit"),
        ("view/plot/a.py", "from . import b"),
        ("model/gas.py", "import numba"),
    ):
        assert len(list(faults(file, source))) == 1, (file, source)
