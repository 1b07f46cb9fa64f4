"""From the command line, by way of its options, to an exit code."""

import argparse
import os
import sys
import textwrap
import warnings
from collections.abc import Callable, Sequence
from typing import NoReturn

import ventsim
from ventsim.command import scenarios, studies
from ventsim.command.ending import BROKEN_PIPE, CAUTION, UNLIKELY_INPUT, WRONG_INPUT, see_warnings
from ventsim.command.streams import is_broken, is_left, readable_streams, say
from ventsim.errors import InputError, StoppedEarlyWarning, VentsimError, suggestion
from ventsim.model.scenario import builtin_names
from ventsim.starting import INTERRUPTED, STOPPED, guard, release


def main(arguments: Sequence[str] | None = None) -> int:
    """Carry out the command.

    Parameters
    ----------
    arguments : sequence of str or None, default None
        Words after ``ventsim``; None: those of the command line.

    Returns
    -------
    int
        Exit code: 0; 2 after wrong input or a run that failed; 3 if a study was run but leaves its question open,
        by targets that cannot be met or by points or faults without a breath; 130 after Ctrl-C; 141 if the reader
        of the output has left. [1]

    Examples
    --------
    >>> main(["scenario", "nothing-of-the-kind"])  # the message goes to the error stream
    2
    """
    with readable_streams(), warnings.catch_warnings():
        _show_warnings_as_lines()
        try:
            try:
                release()
                options = _read_arguments(sys.argv[1:] if arguments is None else arguments)
                code = options.action(options)
                sys.stdout.flush()
                return code or 0
            finally:
                guard()  # while messages are printed, and Python ends
        except SystemExit:  # how argparse ends after --help and --version
            return 0
        except VentsimError as error:
            say(f"ventsim: {error}")
            return WRONG_INPUT
        except KeyboardInterrupt:
            say(STOPPED)
            return INTERRUPTED
        except OSError as error:
            if not is_broken(sys.stdout):
                raise
            if is_left(error):  # the reader of the output, such as head, has seen enough
                return BROKEN_PIPE
            say(f"ventsim: the output could not be printed: {error.strerror}.\n  Make room where it goes to.")
            return WRONG_INPUT


def _show_warnings_as_lines() -> None:
    """Print our own warnings as plain lines, each once; leave others as they are."""
    shown: set[str] = set()

    def show(text: str, category: type[Warning]) -> None:
        # Runs and studies report their stop themselves.
        if text not in shown and category is not StoppedEarlyWarning:
            shown.add(text)
            say(f"ventsim: please check: {text}")

    see_warnings(*UNLIKELY_INPUT, StoppedEarlyWarning, see=show, hand_on=False)


class _Parser(argparse.ArgumentParser):
    """Raises the library's error where its base would print and leave."""

    def error(self, message: str) -> NoReturn:
        usage = self.format_usage().replace("usage: ", "").strip()
        raise InputError(f"{message}.\n  Write: {usage}")


def _read_arguments(given: Sequence[str]) -> argparse.Namespace:
    """Options with the action to carry out; raises InputError if they make no sense."""
    parser = _Parser(
        prog="ventsim",
        description="Simulates breathing when one ventilator drives one, two, four or more lungs.",
        epilog=TOP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"ventsim {ventsim.__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_scenario_commands(commands)
    _add_study_commands(commands)
    if not given:
        raise InputError(
            f"there is no command.\n  Write one of: {', '.join(commands.choices)}; or ventsim --help."
        )
    known = (*commands.choices, "--help", "-h", "--version")
    if given[0] not in known:
        is_scenario = given[0] in builtin_names() or os.path.isfile(given[0])
        hint = f"Did you mean: ventsim run {given[0]}" if is_scenario else suggestion(given[0], known)
        raise InputError(f"there is no command '{given[0]}'.\n  {hint}")
    options, rest = parser.parse_known_args(given)
    if rest:
        actions = commands.choices[options.command]._actions
        names = [name for action in actions for name in action.option_strings if name.startswith("--")]
        hint = suggestion(rest[0], names) if rest[0].startswith("-") else "Put a name with spaces in quotes."
        raise InputError(f"{options.command}: '{rest[0]}' is not expected.\n  {hint}")
    return options


def _add_scenario_commands(commands: "argparse._SubParsersAction[_Parser]") -> None:
    """Commands on one scenario."""
    run = _add(commands, "run", scenarios.run, "run a scenario, print tables, write results and a picture")
    _add_folder(run)
    run.add_argument(
        "--duration", metavar="S", type=_seconds,
        help="how long to run [s]; with --continue: until when, counted from the start of the whole run "
        "(default: what the scenario says)",
    )  # fmt: skip
    run.add_argument(
        "--continue", dest="goes_on", action="store_true", help="go on with a long run from its result.nc"
    )
    listing = commands.add_parser("scenarios", help="list the built-in scenarios")
    listing.set_defaults(action=scenarios.list_scenarios)
    show = _add(commands, "scenario", scenarios.show_scenario, "print a scenario as TOML, to be changed and run")
    show.add_argument("--out", metavar="FILE", help="write it to a file, in UTF-8, in place of the screen")
    what = "list the parts of a scenario's circuit, and joints that do not fit"
    _add(commands, "parts", scenarios.list_parts, what)
    draw = _add(commands, "draw", scenarios.draw, "draw a scenario's circuit with the flows of an instant")
    draw.add_argument(
        "--time", metavar="S", type=_seconds,
        help="the instant, counted from the start of the run (default: the largest flow of the steady breath)",
    )  # fmt: skip
    _add_folder(draw, "picture")


def _add_study_commands(commands: "argparse._SubParsersAction[_Parser]") -> None:
    """Commands that take many runs."""
    what = "vary values of a scenario, as a TOML file says"
    sweep = _add(commands, "sweep", studies.run_sweep, what, target=_STUDY, example=SWEEP)
    what = "find restrictors and settings that give each lung its volume, as a TOML file says"
    size = _add(commands, "size", studies.run_size, what, target=_STUDY, example=SIZE)
    what = "try faults: what each lung gets, what the ventilator sees"
    blind = _add(commands, "blind-spots", studies.study_blind_spots, what)
    blind.add_argument("--lung", metavar="NAME", help="lung at which the faults are (default: the first)")
    blind.add_argument("--mode", choices=("both", "as-is"), default="both", help="modes to try (default: both)")
    blind.add_argument(
        "--watch", metavar="S", type=_seconds, default=300.0, help="how long to watch each fault (default: 300 s)"
    )
    for study in (sweep, size, blind):
        _add_folder(study)


_SCENARIO = ("NAME_OR_FILE", "built-in scenario, scenario.toml or result.nc")
_STUDY = ("STUDY.toml", "what to do, as below")


def _add(
    commands: "argparse._SubParsersAction[_Parser]", name: str, action: Callable[[argparse.Namespace], int | None],
    what: str, *, target: tuple[str, str] = _SCENARIO, example: str | None = None,
) -> _Parser:  # fmt: skip
    """A command with its target, of which the name in the help and the meaning are given."""
    as_it_is = argparse.RawDescriptionHelpFormatter
    parser = commands.add_parser(name, help=what, epilog=example, formatter_class=as_it_is)
    parser.add_argument("target", metavar=target[0], help=target[1])
    parser.set_defaults(action=action)
    return parser


def _add_folder(parser: _Parser, what: str = "files") -> None:
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
