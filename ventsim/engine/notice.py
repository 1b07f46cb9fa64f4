"""A word to the user while the engine is being compiled, which happens once per machine and version."""

import sys
import threading
from types import TracebackType
from typing import Self

from ventsim.engine.breathing import run_breaths

_PATIENCE = 2.0
_TEXT = "ventsim: compiling the numerical engine (once per machine and version, about half a minute) ..."


class CompileNotice:
    """Context in which the engine is called: says so on stderr if the first call has to compile it.

    A compiled engine loads from the cache on disk in well under two seconds; so if nothing is ready after that
    time, it is being compiled.
    """

    def __init__(self) -> None:
        self._timer = threading.Timer(_PATIENCE, self._tell)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        if not run_breaths.signatures:
            self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()

    @staticmethod
    def _tell() -> None:
        if not run_breaths.signatures:
            print(_TEXT, file=sys.stderr, flush=True)
