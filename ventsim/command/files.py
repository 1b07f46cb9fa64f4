"""Files of the command: which scenario is meant, which command a file is for, where results go."""

import io
import os
import sys
from argparse import Namespace
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr

from ventsim.command.ending import UNLIKELY_INPUT, collected
from ventsim.errors import FileError, InputError, ScenarioError, nearest_names
from ventsim.files import (
    SCENARIO_SUFFIXES,
    is_result,
    netcdf,
    read_attributes,
    read_text,
    reserved,
    scenario_files,
    write_file,
)
from ventsim.model.changes import changes_table
from ventsim.model.scenario import Scenario, builtin, builtin_names
from ventsim.model.scenario.first_edition import refuse_first_edition
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.toml_text import parse_toml
from ventsim.model.ventilator import SETTINGS_KINDS

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def output_files(
    options: Namespace, *, stem: str, endings: Sequence[str] = (".nc", ".png"), keep_source: bool = True
) -> list[Path]:
    """Names of what is to be written, in a folder that can be written to; the file that was read is kept."""
    folder, source = Path(options.out), Path(options.target)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise FileError(
            f"cannot write results into '{folder}': {getattr(error, 'strerror', None) or error}.\n"
            "  Give a folder that can be written to: --out DIR."
        ) from None
    result = folder / f"{stem}.nc"
    if keep_source and result.exists() and source.exists() and result.samefile(source):
        stem = f"{stem}-again"
    files = [folder / f"{stem}{ending}" for ending in endings]
    for file in files:
        with reserved(file):
            pass  # now it is known that it can be written
    return files


def write(what: str, contents: Mapping[Path, "xr.Dataset | Figure | str"]) -> None:
    """Write files from what they are to hold; say so if `what`, such as "the drawing", is not in them."""
    ready = {file: _packed(content) for file, content in contents.items()}
    try:
        for file, packed in ready.items():
            write_file(file, packed)
    except FileError as error:
        raise FileError(f"{what} could not be written: {error}") from None


def _packed(content: "xr.Dataset | Figure | str") -> memoryview | str:
    if isinstance(content, str):
        return content
    if isinstance(content, xr.Dataset):
        return netcdf({"": content})
    picture = io.BytesIO()
    content.savefig(picture, dpi=150, format="png")
    return picture.getbuffer()


@dataclass(frozen=True, slots=True)
class Found:
    """A scenario, where it comes from, the name for its results, and warnings of unlikely values."""

    scenario: Scenario
    origin: str
    stem: str
    remarks: Sequence[str] = ()


def find(target: str) -> Found:
    """A scenario by its name, or from a file; warnings of unlikely values are displayed, and kept."""
    path = Path(target)
    if target in builtin_names():
        return Found(builtin(target), "built-in, invented for demonstration", target)
    if not os.path.exists(path) and path.name == target and path.suffix not in SCENARIO_SUFFIXES:
        near = nearest_names(target, (*builtin_names(), *scenario_files(path.parent)))
        hint = "\n    ".join(["Give a file, or one of these:", *builtin_names()])
        if near:
            hint = f"Did you mean {' or '.join(map(repr, near))}?"
        raise ScenarioError(f"there is no built-in scenario and no file '{target}'.\n  {hint}")
    try:
        with collected(*UNLIKELY_INPUT) as remarks:
            scenario = _scenario_of_result(path) if is_result(path) else Scenario.read(path)
    except ScenarioError:
        refuse_other_kind(path, "run")
        raise
    return Found(scenario, f"from {target}", path.stem, remarks)


def find_beside(path: Path, name: object) -> Found:
    """A built-in scenario, or one of a file whose name counts from the folder of the study's file."""
    if not isinstance(name, str):
        raise InputError(f"{path}: scenario {name!r} is not the name of a scenario or file.")
    return find(name if name in builtin_names() else str(path.parent / name))


def heading(scenario: Scenario) -> str:
    """Title of a scenario with the mode that it is run in, which a title can have wrong but settings cannot."""
    kind, title = scenario.settings.kind, scenario.title.casefold()
    if kind in title:
        return scenario.title
    if any(other in title for other in SETTINGS_KINDS):
        return f"{scenario.title} (run in {kind})"
    return f"{scenario.title}, {kind}"


def announce(scenario: Scenario, origin: str, *, changes: bool = False) -> str:
    """Print what is run or drawn, where it comes from, and what changes in it if asked for; return its heading."""
    title = heading(scenario)
    print(f"{title} ({origin})\n")
    if changes and scenario.changes:
        print(changes_table(scenario.schedule), end="\n\n")
    sys.stdout.flush()  # before a run that takes long, and before messages on the other stream
    return title


def _scenario_of_result(path: Path) -> Scenario:
    attributes = xr.Dataset(attrs=read_attributes(path))
    try:
        return Scenario.from_dataset(attributes)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None


# What the files of a command are called, and keys at their top that show for which command they are.
_KINDS = {
    "sweep": ("a sweep", {"values"}),
    "size": ("a sizing", {"targets", "vary", "restrict"}),
    "run": ("a scenario", {"settings", "lungs", "parts", "joints", "layout"}),
}


def refuse_other_kind(path: Path, command: str) -> None:
    """Raise InputError if a file is for another command; one that cannot be read is nobody's."""
    try:
        keys = parse_toml(read_text(path), source=str(path)).keys()
    except ScenarioError:
        return
    meant = next((other for other, (_, signs) in _KINDS.items() if signs & keys), "")
    if meant not in ("", command):
        raise InputError(
            f"'{path}' describes {_KINDS[meant][0]}, not {_KINDS[command][0]}.\n  Write: ventsim {meant} {path}"
        )


_EXAMPLE = "ventsim {} --help shows how such a file looks."


def read_study(path: Path, command: str, keys: Sequence[str], *, needed: Sequence[str]) -> dict[str, Any]:
    """The file of a study, in which some keys are needed and no others than `keys` are allowed."""
    if is_result(path):
        raise InputError(f"'{path}' is a result, not {_KINDS[command][0]}.\n  {_EXAMPLE.format(command)}")
    table = parse_toml(read_text(path), source=str(path))
    if not set(table) <= set(keys):
        refuse_other_kind(path, command)
    Place(str(path)).check_keys(table, keys, homes={}, elsewhere={})
    refuse_first_edition(table, Place(str(path)))
    missing = [key for key in needed if key not in table]
    if missing:
        raise InputError(f"{path}: {' and '.join(missing)} missing.\n  {_EXAMPLE.format(command)}")
    return table
