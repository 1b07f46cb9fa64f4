"""How a command ends: its exit code, what to check, what was written, and a word of caution."""

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ventsim.errors import CircuitWarning, PlausibilityWarning
from ventsim.results import schema

WRONG_INPUT, UNANSWERED, INTERRUPTED, BROKEN_PIPE = 2, 3, 130, 141
"""Exit codes, the last two as a shell counts signals."""

_MOST_LINES = 8


def last_lines(remarks: Sequence[str], files: Sequence[Path]) -> str:
    """What to check, if there is anything; the files that were written; and the caution."""
    shown = list(remarks[:_MOST_LINES])
    if len(remarks) > _MOST_LINES:
        shown.append(f"and {len(remarks) - _MOST_LINES} more, above")
    to_check = "To check:   " + "\n            ".join(shown) + "\n" if shown else ""
    return f"{to_check}Written:    {', '.join(map(str, files))}\n\n{CAUTION}"


def in_short(warnings: Sequence[str]) -> list[str]:
    """The first line of each warning, which names the value by its path instead of part and name."""
    firsts = (text.splitlines()[0] for text in warnings)
    return list(dict.fromkeys(re.sub(r"^[^':]* '([^']+)': (\w+ )", r"\1.\2", first) for first in firsts))


CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

UNLIKELY_INPUT = (PlausibilityWarning, CircuitWarning)
"""Warnings about input that is possible but unlikely."""


def take_warnings(take: Callable[[str, type[Warning]], bool]) -> None:
    """Hand every warning to a function; one that it does not take goes where it always goes."""
    others = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
        if not take(str(message), category):
            others(message, category, *where, **more)

    warnings.showwarning = show


@contextmanager
def collected(*categories: type[Warning], displayed: bool) -> Iterator[list[str]]:
    """Context that collects the texts of some warnings.

    `displayed` says whether they are displayed as well; other warnings go where they always go.
    """
    texts: list[str] = []

    def take(text: str, category: type[Warning]) -> bool:
        if issubclass(category, categories):
            texts.append(text)
            return not displayed
        return False

    with warnings.catch_warnings():
        take_warnings(take)
        for category in categories:
            warnings.simplefilter("always", category)
        yield texts
