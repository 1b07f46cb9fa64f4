"""How functions are compiled: kept on disk where that is possible, and free of the interpreter lock.

What numba keeps on disk is found beside the sources, or else in the user's cache folder; NUMBA_CACHE_DIR names
another one.  Where no folder can be written to, each process compiles anew.  What cannot be read is made again.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import Any

from numba import njit
from numba.core import types

_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy"}


def compiled(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """A decorator that has numba compile a function at its first call, or load what was compiled before.

    Parameters
    ----------
    **options
        Further options of ``numba.njit``.

    Returns
    -------
    callable
        The decorator.

    Examples
    --------
    >>> @compiled()
    ... def double(x):
    ...     return 2.0 * x
    >>> double(4.0)
    8.0
    """

    def decorate(function: Callable[..., Any]) -> Any:
        try:
            dispatcher = njit(cache=True, **_OPTIONS, **options)(function)
        except RuntimeError:  # numba finds no folder to write to
            dispatcher = njit(**_OPTIONS, **options)(function)
        _forgive_damage(dispatcher)
        _ignore_values(dispatcher)
        return dispatcher

    return decorate


def _forgive_damage(dispatcher: Any) -> None:
    """Have a damaged file of the cache made again, and do without where none can be written, as on a full disk.

    numba would end with the error of whatever reads or writes it.
    """
    cache = dispatcher._cache
    load, save = cache.load_overload, cache.save_overload

    def load_overload(signature: Any, target: Any) -> Any:
        try:
            return load(signature, target)
        except Exception:  # which one depends on where the file is damaged
            with suppress(OSError):
                cache.flush()
            return None

    def save_overload(signature: Any, result: Any) -> None:
        with suppress(OSError):
            save(signature, result)

    cache.load_overload, cache.save_overload = load_overload, save_overload


def _ignore_values(dispatcher: Any) -> None:
    """Have a function compiled for the types of its arguments alone.

    As numba has it, one that is called with -1 here and with True there is compiled anew for each of them, with
    all that it calls.
    """
    template = type(dispatcher).get_call_template

    def get_call_template(args: Any, kws: Any) -> Any:
        plain = {name: types.unliteral(kind) for name, kind in kws.items()}
        return template(dispatcher, [types.unliteral(kind) for kind in args], plain)

    dispatcher.get_call_template = get_call_template
