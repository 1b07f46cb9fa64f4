"""From the command line to an exit code."""

import os
import sys
import warnings
from collections.abc import Sequence

from ventsim.command.arguments import read_arguments
from ventsim.command.files import BROKEN_PIPE, INTERRUPTED, WRONG_INPUT
from ventsim.command.remarks import UNLIKELY_INPUT, take_warnings
from ventsim.errors import StoppedEarlyWarning, VentsimError


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
    with warnings.catch_warnings():
        _show_warnings_as_lines()
        try:
            options = read_arguments(sys.argv[1:] if arguments is None else arguments)
            code = options.action(options)
            sys.stdout.flush()
            return code or 0
        except SystemExit:  # how argparse ends after --help and --version
            return 0
        except VentsimError as error:
            print(f"ventsim: {error}", file=sys.stderr)
            return WRONG_INPUT
        except KeyboardInterrupt:
            print("ventsim: stopped by Ctrl-C; results of this run are not complete.", file=sys.stderr)
            return INTERRUPTED
        except BrokenPipeError:  # the reader of the output, such as head, has seen enough
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return BROKEN_PIPE


def _show_warnings_as_lines() -> None:
    """Print our own warnings as plain lines, each once; leave others as they are."""
    shown: set[str] = set()

    def take(text: str, category: type[Warning]) -> bool:
        if not issubclass(category, UNLIKELY_INPUT):
            return False
        if text not in shown:
            shown.add(text)
            print(f"ventsim: please check: {text}", file=sys.stderr)
        return True

    take_warnings(take)
    for category in UNLIKELY_INPUT:
        warnings.simplefilter("always", category)
    warnings.simplefilter("ignore", StoppedEarlyWarning)  # runs and studies report their stop themselves
