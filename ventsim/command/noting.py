"""Warnings noted while they are told, so that they can be repeated where they are read."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from ventsim.errors import CircuitWarning, PlausibilityWarning

DOUBTS = (PlausibilityWarning, CircuitWarning)
"""Warnings about input that is possible but unlikely."""


@contextmanager
def noting(*categories: type[Warning], told: bool) -> Iterator[list[str]]:
    """Context that notes the texts of some warnings.

    `told` says whether they are shown as well; other warnings go where they always go.
    """
    noted: list[str] = []
    others = warnings.showwarning

    def show(
        message: Warning | str,
        category: type[Warning],
        filename: str,
        lineno: int,
        file: TextIO | None = None,
        line: str | None = None,
    ) -> None:
        is_meant = issubclass(category, categories)
        if is_meant:
            noted.append(str(message))
        if told or not is_meant:
            others(message, category, filename, lineno, file, line)

    with warnings.catch_warnings():
        warnings.showwarning = show
        for category in categories:
            warnings.simplefilter("always", category)
        yield noted
