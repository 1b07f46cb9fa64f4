"""A scenario by its name, or from a file."""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

import xarray as xr

from ventsim.command.kinds_of_files import refuse_other_kind
from ventsim.command.remarks import in_short
from ventsim.command.warnings_seen import UNLIKELY_INPUT, collected
from ventsim.errors import ScenarioError, nearest_names
from ventsim.model.scenario import Scenario, builtin, builtin_names, builtin_text
from ventsim.model.scenario.files import SCENARIO_SUFFIXES, scenario_files
from ventsim.model.ventilator import SETTINGS_KINDS

_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Found:
    """A scenario, where it comes from, its text, the name for its results, and remarks on unlikely values."""

    scenario: Scenario
    origin: str
    text: str
    stem: str
    remarks: tuple[str, ...] = ()

    def with_scenario(self, scenario: Scenario) -> Self:
        """The same, with a changed scenario."""
        return replace(self, scenario=scenario)


def find(target: str) -> Found:
    """A scenario by its name, or from a file; warnings of unlikely values are displayed, and kept."""
    with collected(*UNLIKELY_INPUT, displayed=True) as texts:
        found = _find(target)
    return replace(found, remarks=tuple(in_short(texts)))


def heading(scenario: Scenario) -> str:
    """Title of a scenario with the mode that it is run in, which a title can have wrong but settings cannot."""
    kind, title = scenario.settings.kind, scenario.title.casefold()
    if kind in title:
        return scenario.title
    if any(other in title for other in SETTINGS_KINDS):
        return f"{scenario.title} (run in {kind})"
    return f"{scenario.title}, {kind}"


def _find(target: str) -> Found:
    path = Path(target)
    if target in builtin_names():
        return Found(builtin(target), "built-in, invented for demonstration", builtin_text(target), target)
    if not os.path.exists(path) and path.name == target and path.suffix not in SCENARIO_SUFFIXES:
        near = nearest_names(target, (*builtin_names(), *scenario_files(path.parent)))
        hint = f"Did you mean {' or '.join(map(repr, near))}?" if near else _all_builtins()
        raise ScenarioError(f"there is no built-in scenario and no file '{target}'.\n  {hint}")
    try:
        scenario = _scenario_of_result(path) if is_result(path) else Scenario.read(path)
    except ScenarioError:
        refuse_other_kind(path, "run")
        raise
    return Found(scenario, f"from {target}", scenario.to_toml(), path.stem)


def _all_builtins() -> str:
    return "Give a file, or one of these:\n    " + "\n    ".join(builtin_names())


def is_result(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_HDF5_SIGNATURE)) == _HDF5_SIGNATURE
    except OSError:
        return False  # reading it as a scenario says what is wrong


def _scenario_of_result(path: Path) -> Scenario:
    try:
        with xr.open_dataset(path, engine="h5netcdf") as result:
            attributes = xr.Dataset(attrs=result.attrs)
    except (OSError, ValueError) as error:
        raise ScenarioError(f"cannot read '{path}': {error}.\n  Give a result that ventsim has written.") from None
    try:
        return Scenario.from_dataset(attributes)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None
