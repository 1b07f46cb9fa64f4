"""The command ``ventsim``: run a scenario, list and show scenarios, tell which parts one needs."""

import argparse
import os
import sys
import tempfile
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TextIO

import ventsim
from ventsim.circuit import parts_list_text
from ventsim.errors import (
    CircuitWarning,
    InputError,
    PlausibilityWarning,
    ScenarioError,
    VentsimError,
    suggestion,
)
from ventsim.scenario import Scenario, builtin, builtin_names, builtin_text
from ventsim.scenario.files import SCENARIO_SUFFIXES, scenario_files

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["main"]

CAUTION = (
    "For research, teaching and engineering; not for deciding about a patient. "
    "Sharing a ventilator is off-label and professional bodies advise against it."
)
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

WRONG_INPUT, INTERRUPTED, BROKEN_PIPE = 2, 130, 141  # exit codes, the last two as a shell counts signals
BREATHS_IN_PICTURE = 2
_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Carry out the command.

    Parameters
    ----------
    arguments : sequence of str or None, default None
        Words after ``ventsim``; None: those of the command line.

    Returns
    -------
    int
        Exit code: 0, 2 after wrong input, 130 after Ctrl-C. [1]

    Examples
    --------
    >>> main(["scenario", "nothing-of-the-kind"])  # the message goes to the error stream
    2
    """
    with warnings.catch_warnings():
        _show_doubts_as_lines()
        try:
            options = _read_arguments(sys.argv[1:] if arguments is None else arguments)
            options.action(options)
            sys.stdout.flush()
            return 0
        except SystemExit as stop:  # how argparse ends after --help and --version
            return stop.code
        except VentsimError as error:
            print(f"ventsim: {error}", file=sys.stderr)
            return WRONG_INPUT
        except KeyboardInterrupt:
            print("ventsim: stopped by Ctrl-C; results of this run are not complete.", file=sys.stderr)
            return INTERRUPTED
        except BrokenPipeError:  # the reader of the output, such as head, has seen enough
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return BROKEN_PIPE


# --- arguments ----------------------------------------------------------------------------------------------


_OPTIONS = {
    "run": ("--out", "--duration", "--help"),
    "scenarios": ("--help",),
    "scenario": ("--help",),
    "parts": ("--help",),
}
_ALONE = ("--help", "-h", "--version")


class _Parser(argparse.ArgumentParser):
    """Raises the library's error where its base would print and leave."""

    def error(self, message: str) -> NoReturn:
        usage = self.format_usage().replace("usage: ", "").strip()
        raise InputError(f"{message}.\n  Write: {usage}")


def _read_arguments(words: Sequence[str]) -> argparse.Namespace:
    if not words:
        raise InputError(f"there is no command.\n  Write one of: {', '.join(_OPTIONS)}; or ventsim --help.")
    if words[0] not in (*_OPTIONS, *_ALONE):
        runs = words[0] in builtin_names() or os.path.isfile(words[0])
        hint = f"Did you mean: ventsim run {words[0]}" if runs else suggestion(words[0], (*_OPTIONS, *_ALONE))
        raise InputError(f"there is no command '{words[0]}'.\n  {hint}")
    options, rest = _parser().parse_known_args(words)
    if rest:
        known = _OPTIONS[options.command]
        hint = suggestion(rest[0], known) if rest[0].startswith("-") else "Put a name with spaces in quotes."
        raise InputError(f"{options.command}: '{rest[0]}' is not expected.\n  {hint}")
    return options


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="ventsim",
        description="Simulates breathing when one ventilator drives one, two, four or more lungs.",
        epilog=CAUTION,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"ventsim {ventsim.__version__}")
    group = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    run = group.add_parser("run", help="run a scenario, print its last breath, write waveforms and a picture")
    run.add_argument("target", metavar="NAME_OR_FILE", help="built-in scenario, scenario.toml or result.nc")
    run.add_argument("--out", metavar="DIR", default=".", help="folder for the files (default: this one)")
    run.add_argument("--duration", metavar="S", type=_seconds, help="how long to run [s]")
    run.set_defaults(action=_run)
    listing = group.add_parser("scenarios", help="list the built-in scenarios")
    listing.set_defaults(action=_list)
    show = group.add_parser("scenario", help="print a scenario as TOML, to be changed and run")
    show.add_argument("target", metavar="NAME_OR_FILE", help="built-in scenario, scenario.toml or result.nc")
    show.set_defaults(action=_show)
    parts = group.add_parser(
        "parts", help="list the parts of a scenario's circuit, and joints that do not fit"
    )
    parts.add_argument("target", metavar="NAME_OR_FILE", help="built-in scenario, scenario.toml or result.nc")
    parts.set_defaults(action=_list_parts)
    return parser


def _seconds(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of seconds") from None


def _show_doubts_as_lines() -> None:
    """Print our own warnings as plain lines, each once; leave others as they are."""
    shown: set[str] = set()
    others = warnings.showwarning

    def show(
        message: Warning | str,
        category: type[Warning],
        filename: str,
        lineno: int,
        file: TextIO | None = None,
        line: str | None = None,
    ) -> None:
        if not issubclass(category, PlausibilityWarning | CircuitWarning):
            others(message, category, filename, lineno, file, line)
        elif str(message) not in shown:
            shown.add(str(message))
            print(f"ventsim: please check: {message}", file=sys.stderr)

    warnings.showwarning = show
    for category in (PlausibilityWarning, CircuitWarning):
        warnings.simplefilter("always", category)


# --- scenarios ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    """A scenario, where it comes from, its text, and the name for its results."""

    scenario: Scenario
    origin: str
    text: str
    stem: str


def _find(target: str) -> _Found:
    path = Path(target)
    if target in builtin_names():
        return _Found(builtin(target), "built-in, invented for demonstration", builtin_text(target), target)
    if not os.path.exists(path) and path.name == target and path.suffix not in SCENARIO_SUFFIXES:
        hint = suggestion(target, (*builtin_names(), *scenario_files(path.parent)))
        raise ScenarioError(f"there is no built-in scenario and no file '{target}'.\n  {hint}")
    scenario = _scenario_of_result(path) if _is_result(path) else Scenario.read(path)
    return _Found(scenario, f"from {target}", scenario.to_toml(), path.stem)


def _is_result(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_HDF5_SIGNATURE)) == _HDF5_SIGNATURE
    except OSError:
        return False  # reading it as a scenario tells what is wrong


def _scenario_of_result(path: Path) -> Scenario:
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="h5netcdf") as result:
            attributes = xr.Dataset(attrs=result.attrs)
    except (OSError, ValueError) as error:
        raise ScenarioError(
            f"cannot read '{path}': {error}.\n  Give a result that ventsim has written."
        ) from None
    try:
        return Scenario.from_dataset(attributes)
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None


def _list(options: argparse.Namespace) -> None:
    names = builtin_names()
    width = max(map(len, names))
    for name in names:
        print(f"{name.ljust(width)}  {builtin(name).title}")
    print("\nAll invented for demonstration. Try: ventsim run two-unequal-lungs")


def _show(options: argparse.Namespace) -> None:
    print(_find(options.target).text.rstrip("\n"))


def _list_parts(options: argparse.Namespace) -> None:
    found = _find(options.target)
    print(f"{found.scenario.title} ({found.origin})\n")
    print(parts_list_text(found.scenario.circuit))


# --- a run --------------------------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> None:
    found = _find(options.target)
    scenario = found.scenario
    if options.duration is not None:
        scenario = scenario.changed({"duration": options.duration})
    _check_whole_breath(scenario)
    files = _output_files(Path(options.out), stem=found.stem, source=Path(options.target))

    print(f"{scenario.title} ({found.origin})\n", flush=True)  # before the word on compiling, if there is one
    waves = ventsim.simulate_scenario(scenario)
    measures = ventsim.breath_measures(waves)
    # The files come first: whoever reads the table may stop reading (`| head`) and must still have them.
    _write(waves, files, title=scenario.title)
    print(_summary(waves, measures, tolerance=scenario.tolerance))
    print(f"Written:    {', '.join(map(str, files))}\n\n{CAUTION}")


def _check_whole_breath(scenario: Scenario) -> None:
    period = scenario.settings.period
    if scenario.duration < period * (1.0 - 1e-9):
        raise ScenarioError(
            f"duration {scenario.duration:.6g} s holds no whole breath, so there is nothing to measure.\n"
            f"  Allowed: at least {period:.6g} s, one breath at a rate of {scenario.settings.rate:.6g} 1/min."
        )


def _output_files(folder: Path, *, stem: str, source: Path) -> tuple[Path, Path]:
    """Names of waveforms and picture, in a folder that has been tried; the file that was read is kept."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        if (folder / f"{stem}.nc").exists() and source.exists() and (folder / f"{stem}.nc").samefile(source):
            stem = f"{stem}-again"
        files = folder / f"{stem}.nc", folder / f"{stem}.png"
        for file in files:
            if file.exists():
                file.open("r+b").close()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        place = getattr(error, "filename", None) or folder
        raise InputError(
            f"cannot write results into '{folder}': {reason}: '{place}'.\n"
            "  Give a folder that can be written to: --out DIR."
        ) from None
    return files


def _summary(waves: "xr.Dataset", measures: "xr.Dataset", *, tolerance: float) -> str:
    """The last whole breath, how its gas balances, and how precise the numbers are."""
    last = measures.isel(breath=-1)
    # The table ends with a line of caution; here that comes at the very end, and says more.
    table, _, _ = ventsim.breath_table(measures).rpartition("\n\n")
    delivered, returned = float(last["port_delivered_volume"]), float(last["port_returned_volume"])
    stored = round(delivered - returned - float(last["unaccounted_volume"]), 1) + 0.0
    steady = "one breath only."
    if measures.sizes["breath"] > 1:
        volumes = measures["inspired_tidal_volume"].isel(breath=slice(-2, None))
        change = max(float(abs(volumes.diff("breath")).max()), 0.01)
        steady = f"no lung's inspired volume differs by more than {change:.2f} mL from the breath before."
    lost = abs(waves.attrs["volume_balance_residual_mL"])
    return "\n".join(
        [
            table,
            "",
            f"Gas:        {delivered:.1f} mL delivered, {returned:.1f} mL returned, {stored:.1f} mL more "
            "held by lungs and circuit than before the breath.",
            f"Steadiness: {steady}",
            f"Numerics:   {waves.attrs['steps']} steps at a tolerance of {tolerance:g}; {lost:.1g} mL of gas "
            "not accounted for in the whole run.",
        ]
    )


def _write(waves: "xr.Dataset", files: tuple[Path, Path], *, title: str) -> None:
    from matplotlib.figure import Figure

    waveforms, picture = files
    figure = Figure(figsize=(8.0, 6.8 + 0.09 * waves.sizes["lung"]), layout="constrained")
    ventsim.plot.waveforms(
        waves,
        breaths=min(BREATHS_IN_PICTURE, int((waves["breath_end"] <= waves["time"][-1] + 1e-6).sum())),
        axes=figure.subplots(3, 1, sharex=True),
    )
    figure.suptitle(title, parse_math=False)
    try:
        waves.to_netcdf(
            waveforms, engine="h5netcdf", encoding={name: {"zlib": True} for name in waves.data_vars}
        )
        figure.savefig(picture, dpi=150)
    except (OSError, RuntimeError) as error:
        raise InputError(
            f"the run is finished, but its files could not be written: {error}.\n"
            "  Make room, or give another folder: --out DIR."
        ) from None


if __name__ == "__main__":
    sys.exit(main())
