"""Studies on the command line, and the files that say what a sweep or a sizing is to do."""

import re
from argparse import Namespace
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np
import xarray as xr

import ventsim
from ventsim.command.ending import UNANSWERED, UNLIKELY_INPUT, collected, last_lines
from ventsim.command.files import announce, find, find_beside, heading, output_files, read_study, write
from ventsim.command.streams import say
from ventsim.errors import InputError, SchemaError, StoppedEarlyWarning, suggestion
from ventsim.model.descriptions import Description
from ventsim.model.laws import OR_FLOW_LAW, AnyFlowLaw
from ventsim.model.scenario import Scenario
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.sections import build_each
from ventsim.quantities import check, quantity
from ventsim.results.schema import VARIABLES
from ventsim.starting import INTERRUPTED
from ventsim.tables import Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SWEEP_KEYS = ("scenario", "values", "paired", "duration", "show", "lung", "limit")
_SIZE_KEYS = ("scenario", "targets", "vary", "restrict", "drills", "bore_tolerance")
_RANGE_KEYS = ("from", "to", "count")
_RESTRICTOR = re.compile(r"(limbs|parts)\.(?P<lung>.+)[. ](?P<limb>inspiratory|expiratory)[_ ]restrictor(\.|$)")
_NARROWEST = 1.0  # lower limit of a bore that varies by default [mm]
_DONE = "the study is finished, but its files"


def study_blind_spots(options: Namespace) -> int:
    """Try faults at one lung, print what each lung gets and what the ventilator sees, write file and figure."""
    found = find(options.target)
    files = output_files(options, stem=f"{found.stem}-blind-spots")
    scenario = found.scenario.changed(changes=())  # the study makes its own
    lung = next(iter(scenario.circuit.lungs)) if options.lung is None else options.lung
    modes = ventsim.studies.equivalent_modes(scenario) if options.mode == "both" else None
    with collected(StoppedEarlyWarning) as stops, collected(*UNLIKELY_INPUT) as remarks:
        study = ventsim.studies.blind_spots(scenario, modes=modes, lung=lung, duration=options.watch)
    write(_DONE, {files[0]: study, files[1]: ventsim.plot.blind_spots(study)[0].figure})
    print(f"{heading(scenario) if modes is None else scenario.title} ({found.origin})")
    print(f"Faults at lung '{lung}', each by itself, watched for {options.watch:g} s\n")
    failed = int((study.reason != "").sum())
    missed = f"{failed} of {study.reason.size} faults could not be run; the table says why." if failed else ""
    table = ventsim.studies.blind_spots_table(study)
    return _end(table, files, [*found.remarks, *remarks], stops=stops, missed=missed)


def run_sweep(options: Namespace) -> int:
    """Run the sweep of a file, print the measure asked for, write file and figure.

    The study itself checks paths and numbers.
    """
    path = Path(options.target)
    table = read_study(path, "sweep", _SWEEP_KEYS, needed=("scenario", "values"))
    by_path = _by_path(_section(table["values"], "values", path), "values", path)
    found = find_beside(path, table["scenario"])
    values = {name: _listed(given, f"values.{name}", path) for name, given in by_path.items()}
    paired = _kind(table.get("paired", False), bool, "paired", "true or false", path)
    show = _kind(table.get("show", "inspired_tidal_volume"), str, "show", "the name of a measure", path)
    lung, limit, scenario = table.get("lung"), table.get("limit"), found.scenario
    files = output_files(options, stem=f"{path.stem}-sweep")
    measures = [name for name, row in VARIABLES.items() if row.kinds == ("measures",)]
    if show not in measures:
        raise InputError(f"show: there is no measure '{show}'.\n  {suggestion(show, measures)}")
    if limit is not None:
        check(str(path), {"limit": limit}, limit=quantity("value"))
    if lung is not None and lung not in scenario.circuit.lungs:
        raise InputError(f"lung: there is no lung {lung!r}.\n  {suggestion(str(lung), scenario.circuit.lungs)}")
    with collected(StoppedEarlyWarning) as stops, collected(*UNLIKELY_INPUT) as remarks:
        study = ventsim.studies.sweep(scenario, values, paired=paired, duration=table.get("duration"))
    write(_DONE, {files[0]: study, files[1]: _sweep_figure(study, show, lung=lung, limit=limit)})
    announce(scenario, found.origin)
    without = int((study.reason != "").sum())
    missed = f"{without} of {study.status.size} points have no breath; the table says why." if without else ""
    shown = ventsim.studies.sweep_table(study, show=show)
    return _end(shown, files, [*found.remarks, *remarks], stops=stops, missed=missed)


def run_size(options: Namespace) -> int:
    """Do the sizing of a file, print the answer, write file and figure.

    The study itself checks paths and numbers.
    """
    path = Path(options.target)
    table = read_study(path, "size", _SIZE_KEYS, needed=("scenario", "targets"))
    given = _section(table["targets"], "targets", path)
    restrict = _section(table.get("restrict", {}), "restrict", path)
    found = find_beside(path, table["scenario"])
    targets = {lung: _section(wanted, f"targets.{lung}", path) for lung, wanted in given.items()}
    limits = _by_path(_section(table["vary"], "vary", path), "vary", path) if "vary" in table else None
    restrictions = _restrictions(restrict, Place(str(path), "restrict"))
    files = output_files(options, stem=f"{path.stem}-sized", endings=(".nc", ".png", ".toml"))
    scenario, vary = _with_restrictors(found.scenario, restrictions, limits)
    holes = {key: table[key] for key in ("drills", "bore_tolerance") if key in table}
    with collected(*UNLIKELY_INPUT) as remarks:
        sizing = ventsim.studies.size_restrictors(scenario, targets=targets, vary=vary, **holes)
    contents = (sizing.results, _size_figure(scenario, sizing.scenario), sizing.scenario.to_toml())
    write(_DONE, dict(zip(files, contents, strict=True)))
    announce(scenario, found.origin)
    missed = "" if sizing.feasible else "the targets are not met."
    return _end(ventsim.studies.sizing_table(sizing), files, [*found.remarks, *remarks], missed=missed)


def _size_figure(before: Scenario, sized: Scenario) -> "Figure":
    """Tidal volumes of the steady breath before, and with the values found."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 2.6 + 0.84 * len(before.circuit.lungs)), layout="constrained")
    for ax, one, title in zip(figure.subplots(2, 1), (before, sized), ("before", "sized"), strict=True):
        ventsim.plot.shares(ventsim.breath_measures(ventsim.steady_breath(one)), ax=ax)
        ax.set_title(title, loc="left", fontsize="medium")
    return figure


def _sweep_figure(study: xr.Dataset, show: str, *, lung: str | None, limit: float | None) -> "Figure":
    from matplotlib.figure import Figure

    try:
        if lung is None:
            return ventsim.plot.sweep_lines(study, show)[0].figure
        ax: Any = ventsim.plot.sweep_map(study, show, lung=lung, limit=limit)
        return ax.figure
    except SchemaError as error:
        reason = str(error).splitlines()[0]
        say(
            f"ventsim: the picture shows nothing: {reason}\n"
            '  Give fewer values; or write lung = "NAME" above [values], for a map of two paths.'
        )
        figure = Figure(figsize=(6.0, 1.5))
        figure.text(0.05, 0.5, f"Not drawn: {error}", va="center", fontsize="small", parse_math=False, wrap=True)
        return figure


def _end(
    table: Table, files: Sequence[Path], remarks: Sequence[str], *, stops: Sequence[str] = (), missed: str = ""
) -> int:
    """Print the table of a study; return the exit code, which says whether it was stopped or left a question open.

    `missed` says what has no answer.
    """
    print(f"{table.text(caution=False)}\n\n{last_lines(remarks, files)}", flush=True)
    for line in stops or ([missed] if missed else []):
        say(f"ventsim: {line}")
    return INTERRUPTED if stops else UNANSWERED if missed else 0


class Restriction(Description):
    """A restrictor to be put in; without a resistance, an orifice as wide as the tube."""

    kind: ClassVar[str] = "restrictor"

    limb: Literal["inspiratory", "expiratory"] = "inspiratory"
    resistance: Annotated[float | AnyFlowLaw, quantity("resistance"), OR_FLOW_LAW] | None = None
    bore_deviation: Annotated[float, quantity("bore_deviation")] = 0.0


def _restrictions(section: Mapping[str, Any], place: Place) -> Mapping[str, Restriction]:
    """By lung, from the limb alone, or from a table with limb and resistance."""
    for lung, given in section.items():
        if not isinstance(given, str | Mapping):
            raise place.inside(lung).error(
                f"{given!r} is no restrictor.\n"
                '  Write "inspiratory", or { limb = "inspiratory", resistance = 10 }.'
            )
    tables = {lung: {"limb": given} if isinstance(given, str) else given for lung, given in section.items()}
    return build_each(Restriction, tables, place)


def _with_restrictors(
    scenario: Scenario, restrictions: Mapping[str, Restriction], vary: Mapping[str, Any] | None
) -> tuple[Scenario, Mapping[str, Any] | None]:
    """The scenario with all restrictors, and what varies: the bores of their orifices if the file does not say."""
    bores: dict[str, Any] = {}
    for lung, one in restrictions.items():
        scenario, path = ventsim.studies.add_restrictor(scenario, lung, **dict(one))
        if vary is None and one.resistance is not None:
            raise InputError(
                f"restrict.{lung}: the file does not say what varies of a resistance that is given.\n"
                f'  Write [vary] and a line with limits, such as "{path}" = [0, 50].'
            )
        bores[path] = [_NARROWEST, "widest"]
    if vary is None:
        return scenario, bores or None
    for path in vary:  # which may expect a restrictor where there is none
        found = _RESTRICTOR.match(path)
        lung, limb = (found["lung"], found["limb"]) if found else ("", "")
        if lung in scenario.circuit.lungs and f"{lung} {limb} restrictor" not in scenario.circuit.parts:
            raise InputError(
                f"vary: '{path}' is not there: the {limb} limb of lung {lung} has no restrictor.\n"
                f'  Put one in: write [restrict] and below it {lung} = "{limb}".'
            )
    return scenario, vary


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
        raise InputError(f"{path}: {name} {given!r} is not {what}.\n  Give {what}.")
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
    quantities: Any = {"from": quantity("value"), "to": quantity("value"), "count": quantity("count")}
    check(f"{path}: {name}", given, **quantities)
    return np.linspace(first, last, count).tolist()
