"""What a sweep or a sizing is to do, from a TOML file; restrictors that a sizing puts into limbs."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import numpy as np

from ventsim.command.files import DESCRIPTIONS, Found, find, is_result, refuse_other_kind
from ventsim.errors import InputError
from ventsim.model.descriptions import Description
from ventsim.model.laws import OR_FLOW_LAW, FlowLaw
from ventsim.model.scenario import Scenario, builtin_names
from ventsim.model.scenario.files import read_text
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.sections import build_each
from ventsim.model.scenario.toml_text import parse_toml
from ventsim.quantities import quantity
from ventsim.studies import add_restrictor

_RESTRICTOR = re.compile(r"(limbs|parts)\.(?P<lung>.+)[. ](?P<limb>inspiratory|expiratory)[_ ]restrictor(\.|$)")
_NARROWEST = 1.0  # lower limit of a bore that varies by default [mm]


class Restriction(Description):
    """A restrictor to be put in; without a resistance, an orifice as wide as the tube."""

    kind: ClassVar[str] = "restrictor"

    limb: Literal["inspiratory", "expiratory"] = "inspiratory"
    resistance: Annotated[float | FlowLaw, quantity("resistance"), OR_FLOW_LAW] | None = None
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0


def read_restrictions(section: Mapping[str, Any], place: Place) -> Mapping[str, Restriction]:
    """By lung, from the limb alone, or from a table with limb and resistance."""
    for lung, given in section.items():
        if not isinstance(given, str | Mapping):
            raise place.inside(lung).error(
                f"{given!r} is no restrictor.\n"
                '  Write "inspiratory", or { limb = "inspiratory", resistance = 10 }.'
            )
    tables = {lung: {"limb": given} if isinstance(given, str) else given for lung, given in section.items()}
    return build_each(Restriction, tables, place)


def with_restrictors(
    scenario: Scenario, restrictions: Mapping[str, Restriction], vary: Mapping[str, Any] | None
) -> tuple[Scenario, Mapping[str, Any] | None]:
    """The scenario with all restrictors, and what varies: the bores of their orifices if the file does not say."""
    bores: dict[str, Any] = {}
    for lung, one in restrictions.items():
        scenario, path = add_restrictor(
            scenario, lung, limb=one.limb, resistance=one.resistance, bore_deviation=one.bore_deviation
        )
        if vary is None and one.resistance is not None:
            raise InputError(
                f"restrict.{lung}: the file does not say what varies of a resistance that is given.\n"
                f'  Write [vary] and a line with limits, such as "{path}" = [0, 50].'
            )
        bores[path] = [_NARROWEST, "widest"]
    if vary is None:
        return scenario, bores or None
    _check_restrictors(scenario, vary)
    return scenario, vary


def _check_restrictors(scenario: Scenario, vary: Mapping[str, Any]) -> None:
    """Say how to put in a restrictor that a path expects where there is none."""
    for path in vary:
        found = _RESTRICTOR.match(path)
        lung, limb = (found["lung"], found["limb"]) if found else ("", "")
        if lung in scenario.circuit.lungs and f"{lung} {limb} restrictor" not in scenario.circuit.parts:
            raise InputError(
                f"vary: '{path}' is not there: the {limb} limb of lung {lung} has no restrictor.\n"
                f'  Put one in: write [restrict] and below it {lung} = "{limb}".'
            )


_SWEEP_KEYS = ("scenario", "values", "paired", "duration", "show", "lung", "limit")
_SIZE_KEYS = ("scenario", "targets", "vary", "restrict", "drills", "bore_tolerance")
_RANGE_KEYS = ("from", "to", "count")
_EXAMPLE = "ventsim {} --help shows how such a file looks."


@dataclass(frozen=True)
class SweepTask:
    """A sweep as the file describes it."""

    found: Found
    values: Mapping[str, Sequence[Any]]
    paired: bool
    duration: float | None
    show: str
    lung: str | None
    limit: float | None


@dataclass(frozen=True)
class SizeTask:
    """A sizing as the file describes it; `restrict` holds the restrictors that lungs get first."""

    found: Found
    targets: Mapping[str, Mapping[str, float]]
    vary: Mapping[str, Any] | None
    restrict: Mapping[str, Restriction]
    drills: Sequence[float] | None
    bore_tolerance: float


def read_sweep(path: Path) -> SweepTask:
    """Read the file of a sweep; the study itself checks paths and numbers."""
    table = _read(path, _SWEEP_KEYS, needed=("scenario", "values"), command="sweep")
    values = _by_path(_section(table["values"], "values", path), "values", path)
    return SweepTask(
        found=_scenario(table["scenario"], path),
        values={name: _listed(given, f"values.{name}", path) for name, given in values.items()},
        paired=_kind(table.get("paired", False), bool, "paired", "true or false", path),
        duration=table.get("duration"),
        show=_kind(table.get("show", "inspired_tidal_volume"), str, "show", "the name of a measure", path),
        lung=table.get("lung"),
        limit=table.get("limit"),
    )


def read_size(path: Path) -> SizeTask:
    """Read the file of a sizing; the study itself checks paths and numbers."""
    table = _read(path, _SIZE_KEYS, needed=("scenario", "targets"), command="size")
    targets = _section(table["targets"], "targets", path)
    restrict = _section(table.get("restrict", {}), "restrict", path)
    return SizeTask(
        found=_scenario(table["scenario"], path),
        targets={lung: _section(wanted, f"targets.{lung}", path) for lung, wanted in targets.items()},
        vary=_by_path(_section(table["vary"], "vary", path), "vary", path) if "vary" in table else None,
        restrict=read_restrictions(restrict, Place(str(path), "restrict")),
        drills=table.get("drills"),
        bore_tolerance=table.get("bore_tolerance", 0.1),
    )


def _read(path: Path, keys: Sequence[str], *, needed: Sequence[str], command: str) -> dict[str, Any]:
    if is_result(path):
        raise InputError(f"'{path}' is a result, not {DESCRIPTIONS[command]}.\n  {_EXAMPLE.format(command)}")
    table = parse_toml(read_text(path), source=str(path))
    if not set(table) <= set(keys):
        refuse_other_kind(path, command, table)
    Place(str(path)).check_keys(table, keys, homes={}, elsewhere={})
    missing = [key for key in needed if key not in table]
    if missing:
        raise InputError(f"{path}: {' and '.join(missing)} missing.\n  {_EXAMPLE.format(command)}")
    return table


def _scenario(given: object, path: Path) -> Found:
    """The scenario: a built-in one, or a file whose name counts from the folder of the study's file."""
    name = _kind(given, str, "scenario", "the name of a scenario or file", path)
    return find(name if name in builtin_names() else str(path.parent / name))


def _section(given: object, name: str, path: Path) -> Mapping[str, Any]:
    if not isinstance(given, Mapping):
        raise InputError(f"{path}: {name} is no section.\n  Write [{name}] and its lines below.")
    return given


def _by_path(section: Mapping[str, Any], name: str, path: Path) -> dict[str, Any]:
    """What stands at each path; without quotes, TOML takes a path for sections in sections."""
    found: dict[str, Any] = {}
    for key, given in section.items():
        is_nest = isinstance(given, Mapping) and given and not set(given) & set(_RANGE_KEYS)
        below = _by_path(given, f"{name}.{key}", path) if is_nest else {"": given}
        for rest, value in below.items():
            whole = f"{key}.{rest}" if rest else key
            if whole in found:
                raise InputError(f"{path}: {name} has '{whole}' twice.\n  Leave one of them out.")
            found[whole] = value
    return found


def _kind(given: object, kind: type, name: str, what: str, path: Path) -> Any:
    if not isinstance(given, kind):
        raise InputError(f"{path}: {name} {given!r} is not {what}.")
    return given


def _listed(given: object, name: str, path: Path) -> Sequence[Any]:
    """A list of values, or ``{ from = 20, to = 60, count = 9 }``."""
    if isinstance(given, list):
        return given
    if not isinstance(given, Mapping) or set(given) != set(_RANGE_KEYS):
        raise InputError(
            f"{path}: {name} is no list of values.\n"
            "  Write [20, 30, 40], or { from = 20, to = 60, count = 9 } for evenly spaced values."
        )
    first, last, count = (given[key] for key in _RANGE_KEYS)
    for key, value in given.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{path}: {name}.{key} {value!r} is not a number.")
    if not (isinstance(count, int) and 2 <= count <= 10_000):
        raise InputError(f"{path}: {name}.count {count!r} is not possible.\n  Allowed: 2 to 10000.")
    return np.linspace(first, last, count).tolist()
