"""Reading of the command line, and its help."""

import argparse
import os
import textwrap
from collections.abc import Sequence
from typing import NoReturn

import ventsim
from ventsim.command import actions
from ventsim.command.remarks import CAUTION
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


class _Parser(argparse.ArgumentParser):
    """Raises the library's error where its base would print and leave."""

    def error(self, message: str) -> NoReturn:
        usage = self.format_usage().replace("usage: ", "").strip()
        raise InputError(f"{message}.\n  Write: {usage}")


def read_arguments(given: Sequence[str]) -> argparse.Namespace:
    """Options with the action to carry out; raises InputError if they make no sense."""
    if not given:
        raise InputError(f"there is no command.\n  Write one of: {', '.join(_OPTIONS)}; or ventsim --help.")
    if given[0] not in (*_OPTIONS, *_ALONE):
        runs = given[0] in builtin_names() or os.path.isfile(given[0])
        hint = f"Did you mean: ventsim run {given[0]}" if runs else suggestion(given[0], (*_OPTIONS, *_ALONE))
        raise InputError(f"there is no command '{given[0]}'.\n  {hint}")
    options, rest = _parser().parse_known_args(given)
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
    _add_scenario_commands(group)
    _add_study_commands(group)
    return parser


def _add_scenario_commands(group: "argparse._SubParsersAction[_Parser]") -> None:
    """Commands on one scenario."""
    run = _with_target(group.add_parser("run", help="run a scenario, print tables, write results and a picture"))
    _add_folder(run)
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
    show = _with_target(group.add_parser("scenario", help="print a scenario as TOML, to be changed and run"))
    show.set_defaults(action=actions.show_scenario)
    what = "list the parts of a scenario's circuit, and joints that do not fit"
    _with_target(group.add_parser("parts", help=what)).set_defaults(action=actions.list_parts)
    draw = _with_target(group.add_parser("draw", help="draw a scenario's circuit with the flows of an instant"))
    draw.add_argument(
        "--time", metavar="S", type=_seconds,
        help="the instant, counted from the start of the run (default: the largest flow of the steady breath)",
    )  # fmt: skip
    _add_folder(draw, "picture")
    draw.set_defaults(action=actions.draw)


def _add_study_commands(group: "argparse._SubParsersAction[_Parser]") -> None:
    """Commands that take many runs."""
    what = "try faults: what each lung gets, what the ventilator sees"
    blind = _with_target(group.add_parser("blind-spots", help=what))
    blind.add_argument("--lung", metavar="NAME", help="lung at which the faults are (default: the first)")
    blind.add_argument("--mode", choices=("both", "as-is"), default="both", help="modes to try (default: both)")
    blind.add_argument(
        "--watch", metavar="S", type=_seconds, default=300.0, help="how long to watch each fault (default: 300 s)"
    )
    _add_folder(blind)
    blind.set_defaults(action=actions.watch_blind_spots)
    what = "vary values of a scenario, as a TOML file says"
    _add_study_of_file(group, "sweep", what, SWEEP).set_defaults(action=actions.run_a_sweep)
    what = "find restrictors and settings that give each lung its volume, as a TOML file says"
    _add_study_of_file(group, "size", what, SIZE).set_defaults(action=actions.run_a_size)


def _add_study_of_file(
    group: "argparse._SubParsersAction[_Parser]", name: str, what: str, example: str
) -> argparse.ArgumentParser:
    study = group.add_parser(name, help=what, epilog=example, formatter_class=argparse.RawDescriptionHelpFormatter)
    study.add_argument("file", metavar="STUDY.toml", help="what to do, as below")
    _add_folder(study)
    return study


def _with_target(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    parser.add_argument("target", metavar="NAME_OR_FILE", help="built-in scenario, scenario.toml or result.nc")
    return parser


def _add_folder(parser: argparse.ArgumentParser, what: str = "files") -> None:
    parser.add_argument("--out", metavar="DIR", default=".", help=f"folder for the {what} (default: this one)")


def _seconds(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of seconds") from None


TOP = f"""\
exit codes:
  0    done
  2    wrong input, or a run that failed
  3    a study was run, but leaves its question open: targets that cannot be
       met, points or faults without a breath
  130  stopped by Ctrl-C; long runs and studies keep what is finished
  141  the reader of the output has left

{textwrap.fill(CAUTION, 80)}"""

SWEEP = """\
A file such as this one, here all invented, is enough:

  scenario = "two-unequal-lungs"    # built-in, or a file beside this one
  show = "inspired_tidal_volume"    # the measure to print and draw
  [values]
  "lungs.b.compliance" = { from = 20, to = 60, count = 5 }   # mL/cmH2O
  "settings.peep" = [5, 10]                                  # cmH2O

Above [values] may stand as well: paired = true (the first value of each path
goes with the first of all others), duration = 60 (the last whole breath of so
many s instead of the steady breath), lung = "b" (a map of that lung) and
limit = 300 (a line in the map). Paths are explained in
docs/howto_hours_and_studies.md. Exit code 3: a point has no breath.
"""

SIZE = """\
A file such as this one, here all invented, is enough:

  scenario = "two-unequal-lungs"    # built-in, or a file beside this one
  [targets.a]
  inspired_tidal_volume = 400       # mL

It puts an orifice into the inspiratory limb of lung a and finds its bore. The
same for another limb, or for a resistance or law instead of an orifice:

  [restrict]
  a = "expiratory"                                                  # an orifice
  b = { limb = "inspiratory", resistance = 10 }                     # cmH2O·s/L
  [vary]
  "limbs.a.expiratory_restrictor.resistance.bore" = [1, "widest"]   # mm, limits
  "limbs.b.inspiratory_restrictor.resistance" = [0, 50]             # limits

A law is a table, { law = "rohrer", linear = 5, quadratic = 8 }, and a path leads
to a value of it, "limbs.b.inspiratory_restrictor.resistance.quadratic". Without
[vary] the orifices of [restrict] vary. As many values vary as there are targets.
Above the sections may stand as well: drills = [3, 4, 5] (bores to choose from,
mm) and bore_tolerance = 0.1 (mm). The scenario with the values found is written
as a .toml file. More in docs/howto_hours_and_studies.md. Exit code 3: the
targets are not met.
"""
