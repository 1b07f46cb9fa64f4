"""Warnings collected while a command runs, so that its summary can repeat them."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from ventsim.errors import CircuitWarning, PlausibilityWarning

UNLIKELY_INPUT = (PlausibilityWarning, CircuitWarning)
"""Warnings about input that is possible but unlikely."""


@contextmanager
def collected(*categories: type[Warning], displayed: bool) -> Iterator[list[str]]:
    """Context that collects the texts of some warnings.

    `displayed` says whether they are displayed as well; other warnings go where they always go.
    """
    texts: list[str] = []
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
            texts.append(str(message))
        if displayed or not is_meant:
            others(message, category, filename, lineno, file, line)

    with warnings.catch_warnings():
        warnings.showwarning = show
        for category in categories:
            warnings.simplefilter("always", category)
        yield texts
