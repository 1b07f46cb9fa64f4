"""How the engine's functions are compiled: cached on disk, free of the interpreter lock, IEEE division.

The arrays of a run outlive every call, and the engine allocates none, so numba's reference counting is switched
off: it would take more time than the arithmetic.  Hence no slice assignment (``a[i] = b``, which copies) and no
array creation in compiled code; numba refuses both under this option.  (Single records can be assigned.)
"""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from numba import njit
from numba.core.dispatcher import Dispatcher

_OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}

compiled = njit(**_OPTIONS)

# For the smallest functions, which are called more often than their arithmetic is worth a call.
inlined = njit(inline="always", **_OPTIONS)

_PATIENCE = 2.0
_TEXT = "ventsim: compiling {what} (once per machine and version, about {seconds} s) ..."
# What is compiled, and how long that takes on an ordinary machine.
_KNOWN = {
    "run_breaths": ("the numerical engine", 30),
    "search_steady_start": ("the search for steady breaths", 15),
}


@contextmanager
def compile_notice(function: Dispatcher) -> Iterator[None]:
    """Context in which a compiled function is called: says so on stderr if the first call has to compile it.

    What is compiled loads from the cache on disk in well under two seconds; so if nothing is ready after that
    time, it is being compiled.
    """

    def say() -> None:
        if not function.signatures:
            what, seconds = _KNOWN[function.py_func.__name__]
            print(_TEXT.format(what=what, seconds=seconds), file=sys.stderr, flush=True)

    timer = threading.Timer(_PATIENCE, say)
    timer.daemon = True
    if not function.signatures:
        timer.start()
    try:
        yield
    finally:
        timer.cancel()
