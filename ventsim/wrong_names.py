"""What a namespace answers to a name that it does not have: the nearest right one, or where the name is.

Python asks a module's function ``__getattr__`` for every name that is not there. ``hasattr``, ``from ... import``,
pickling and the search for examples go on as before, because the answer is an ``AttributeError`` as always.
"""

import functools
import sys
from types import ModuleType
from typing import NoReturn

from ventsim.errors import nearest_names, suggestion

_PACKAGE = __name__.partition(".")[0]
_FEW = 12  # names that a message can list


def answer_wrong_names() -> None:
    """Let every public namespace that is loaded answer wrong names: ventsim, and all modules with ``__all__``.

    Called once, at the end of the import of ventsim.

    Examples
    --------
    >>> import ventsim
    >>> ventsim.PresureControl
    Traceback (most recent call last):
    AttributeError: ventsim has no 'PresureControl'.
      Did you mean 'PressureControl'?
    >>> ventsim.layouts.sweep
    Traceback (most recent call last):
    AttributeError: ventsim.layouts has no 'sweep'.
      Write ventsim.studies.sweep.
    """
    for module in _namespaces().values():
        module.__getattr__ = functools.partial(_refuse, module)


def _namespaces() -> dict[str, ModuleType]:
    """The package and its public modules, by their full names."""
    return {
        name: module
        for name, module in sys.modules.copy().items()  # another thread may import something meanwhile
        if name.partition(".")[0] == _PACKAGE and name.count(".") <= 1 and hasattr(module, "__all__")
    }


def _refuse(module: ModuleType, name: str) -> NoReturn:
    """Raise the error of a module that has no such name."""
    text = f"{module.__name__} has no {name!r}."
    if not name.startswith("_"):  # those are asked for by tools, often, and not by people
        text = f"{text}\n  {_hint(module, name)}"
    # With `obj` alone, Python itself does not add a second suggestion.
    raise AttributeError(text, obj=module)


def _hint(module: ModuleType, name: str) -> str:
    others = _namespaces()
    own = list(module.__all__)
    if module.__name__ == _PACKAGE:
        own += [key.partition(".")[2] for key in others if "." in key]
    homes = [key for key, other in others.items() if name in other.__all__]
    if homes:
        return f"Write {min(homes, key=len)}.{name}."
    near = nearest_names(name, own, limit=1)
    if near or len(own) <= _FEW:
        return suggestion(name, near or own)
    elsewhere = {word: key for key, other in others.items() for word in other.__all__}
    for word in nearest_names(name, elsewhere, limit=1):
        return f"Did you mean {elsewhere[word]}.{word}?"
    return f"help({module.__name__}) shows what is there."
