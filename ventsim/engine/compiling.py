"""How the engine's functions are compiled: cached on disk, free of the interpreter lock, IEEE division.

The arrays of a run outlive every call, and the engine allocates none, so numba's reference counting is switched
off: it would take more time than the arithmetic.  Hence no slice assignment (``a[i] = b``, which copies) and no
array creation in compiled code; numba refuses both under this option.  (Single records can be assigned.)
"""

from collections.abc import Callable
from typing import Any

from numba import njit
from numba.core import types

_OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}


def _once_for_all_values(dispatcher: Any) -> Any:
    """Have a function compiled for the types of its arguments alone.

    As numba has it, one that is called with -1 here and with True there is compiled anew for each of them, with
    all that it calls.
    """
    template = type(dispatcher).get_call_template

    def get_call_template(args: Any, kws: Any) -> Any:
        plain = {name: types.unliteral(kind) for name, kind in kws.items()}
        return template(dispatcher, [types.unliteral(kind) for kind in args], plain)

    dispatcher.get_call_template = get_call_template
    return dispatcher


def entry(function: Callable[..., Any]) -> Any:
    """A compiled function that Python calls, and others too."""
    return _once_for_all_values(njit(**_OPTIONS)(function))


def compiled(function: Callable[..., Any]) -> Any:
    """A compiled function that only compiled ones call; without a way in from Python it compiles much faster."""
    return _once_for_all_values(njit(no_cpython_wrapper=True, no_cfunc_wrapper=True, **_OPTIONS)(function))


# For the smallest functions, which are called more often than their arithmetic is worth a call.
inlined = njit(inline="always", **_OPTIONS)
