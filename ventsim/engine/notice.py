"""A word to the user while the engine is being compiled, which happens once per machine and version."""

import sys
import threading
from types import TracebackType
from typing import Self

from numba.core.dispatcher import Dispatcher

_PATIENCE = 2.0
_TEXT = "ventsim: compiling {what} (once per machine and version, about {seconds} s) ..."
# What is compiled, and how long that takes on an ordinary machine.
_KNOWN = {
    "run_breaths": ("the numerical engine", 30),
    "search_steady_start": ("the search for steady breaths", 15),
}


class CompileNotice:
    """Context in which a compiled function is called: says so on stderr if the first call has to compile it.

    What is compiled loads from the cache on disk in well under two seconds; so if nothing is ready after that
    time, it is being compiled.
    """

    def __init__(self, function: Dispatcher) -> None:
        self._function = function
        self._timer = threading.Timer(_PATIENCE, self._tell)
        self._timer.daemon = True

    def __enter__(self) -> Self:
        if not self._function.signatures:
            self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()

    def _tell(self) -> None:
        if not self._function.signatures:
            what, seconds = _KNOWN[self._function.__name__]
            print(_TEXT.format(what=what, seconds=seconds), file=sys.stderr, flush=True)
