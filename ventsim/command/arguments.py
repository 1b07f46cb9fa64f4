"""The words of the command line."""

import argparse
import os
from collections.abc import Sequence
from typing import NoReturn

import ventsim
from ventsim.command import actions
from ventsim.command.help_texts import SIZE, SWEEP, TOP
from ventsim.errors import InputError, suggestion
from ventsim.model.scenario import builtin_names

_OPTIONS = {
    "run": ("--out", "--duration", "--continue", "--help"),
    "scenarios": ("--help",),
    "scenario": ("--help",),
    "parts": ("--help",),
    "draw": ("--out", "--time", "--help"),
    "sweep": ("--out", "--help"),
    "size": ("--out", "--help"),
    "blind-spots": ("--out", "--lung", "--mode", "--watch", "--help"),
}
_ALONE = ("--help", "-h", "--version")
_TARGET = "built-in scenario, scenario.toml or result.nc"


class _Parser(argparse.ArgumentParser):
    """Raises the library's error where its base would print and leave."""

    def error(self, message: str) -> NoReturn:
        usage = self.format_usage().replace("usage: ", "").strip()
        raise InputError(f"{message}.\n  Write: {usage}")


def read_arguments(words: Sequence[str]) -> argparse.Namespace:
    """Options with the action to carry out; raises InputError if the words make no sense."""
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
        epilog=TOP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"ventsim {ventsim.__version__}")
    group = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    run = group.add_parser("run", help="run a scenario, print tables, write results and a picture")
    run.add_argument("target", metavar="NAME_OR_FILE", help=_TARGET)
    run.add_argument("--out", metavar="DIR", default=".", help="folder for the files (default: this one)")
    run.add_argument(
        "--duration", metavar="S", type=_seconds,
        help="how long to run [s]; with --continue: until when, counted from the start of the whole run "
        "(default: what the scenario says)",
    )  # fmt: skip
    run.add_argument(
        "--continue", dest="goes_on", action="store_true", help="go on with a long run from its result.nc"
    )
    run.set_defaults(action=actions.run)
    listing = group.add_parser("scenarios", help="list the built-in scenarios")
    listing.set_defaults(action=actions.list_scenarios)
    show = group.add_parser("scenario", help="print a scenario as TOML, to be changed and run")
    show.add_argument("target", metavar="NAME_OR_FILE", help=_TARGET)
    show.set_defaults(action=actions.show_scenario)
    parts = group.add_parser("parts", help="list the parts of a scenario's circuit, and joints that do not fit")
    parts.add_argument("target", metavar="NAME_OR_FILE", help=_TARGET)
    parts.set_defaults(action=actions.list_parts)
    draw = group.add_parser("draw", help="draw a scenario's circuit with the flows of an instant")
    draw.add_argument("target", metavar="NAME_OR_FILE", help=_TARGET)
    draw.add_argument(
        "--time", metavar="S", type=_seconds,
        help="the instant, counted from the start of the run (default: the largest flow of the steady breath)",
    )  # fmt: skip
    draw.add_argument("--out", metavar="DIR", default=".", help="folder for the picture (default: this one)")
    draw.set_defaults(action=actions.draw)
    blind = group.add_parser("blind-spots", help="try faults: what each lung gets, what the ventilator sees")
    blind.add_argument("target", metavar="NAME_OR_FILE", help=_TARGET)
    blind.add_argument("--lung", metavar="NAME", help="lung at which the faults are (default: the first)")
    blind.add_argument("--mode", choices=("both", "as-is"), default="both", help="modes to try (default: both)")
    blind.add_argument(
        "--watch", metavar="S", type=_seconds, default=300.0, help="how long to watch each fault (default: 300 s)"
    )
    blind.add_argument("--out", metavar="DIR", default=".", help="folder for the files (default: this one)")
    blind.set_defaults(action=actions.watch_blind_spots)
    for name, action, what, example in (
        ("sweep", actions.run_a_sweep, "vary values of a scenario, as a TOML file says", SWEEP),
        (
            "size",
            actions.run_a_size,
            "find restrictors and settings that give each lung its volume, as a TOML file says",
            SIZE,
        ),
    ):
        study = group.add_parser(
            name, help=what, epilog=example, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        study.add_argument("file", metavar="STUDY.toml", help="what to do, as below")
        study.add_argument("--out", metavar="DIR", default=".", help="folder for the files (default: this one)")
        study.set_defaults(action=action)
    return parser


def _seconds(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of seconds") from None
