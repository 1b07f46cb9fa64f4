"""How a command ends: its exit code, what to check, what was written, and a word of caution."""

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ventsim.errors import CircuitWarning, PlausibilityWarning
from ventsim.results import schema

WRONG_INPUT, UNANSWERED, BROKEN_PIPE = 2, 3, 141
"""Exit codes beside that of Ctrl-C, the last as a shell counts signals."""

_MOST_LINES = 8


def last_lines(remarks: Sequence[str], files: Sequence[Path]) -> str:
    """What to check, if there is anything; the files that were written; and the caution.

    Of a warning that is its first line, which names the value by its path instead of part and name.
    """
    firsts = (text.splitlines()[0] for text in remarks)
    short = list(dict.fromkeys(re.sub(r"^[^':]* '([^']+)': (\w+ )", r"\1.\2", first) for first in firsts))
    shown = short[:_MOST_LINES]
    if len(short) > _MOST_LINES:
        shown.append(f"and {len(short) - _MOST_LINES} more, above")
    to_check = "To check:   " + "\n            ".join(shown) + "\n" if shown else ""
    return f"{to_check}Written:    {', '.join(map(str, files))}\n\n{CAUTION}"


CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

UNLIKELY_INPUT = (PlausibilityWarning, CircuitWarning)
"""Warnings about input that is possible but unlikely."""


def see_warnings(*categories: type[Warning], see: Callable[[str, type[Warning]], None], hand_on: bool) -> None:
    """Hand all warnings of some categories to a function, and on to where they always go if asked for."""
    others = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
        is_seen = issubclass(category, categories)
        if is_seen:
            see(str(message), category)
        if hand_on or not is_seen:
            others(message, category, *where, **more)

    warnings.showwarning = show
    for category in categories:
        warnings.simplefilter("always", category)


@contextmanager
def collected(*categories: type[Warning]) -> Iterator[list[str]]:
    """Context that collects the texts of some warnings, which go where they always go as well."""
    texts: list[str] = []
    with warnings.catch_warnings():
        see_warnings(*categories, see=lambda text, _: texts.append(text), hand_on=True)
        yield texts
