"""What makes a function or class public: its shared parameters are documented, the kinds of its arguments guarded.

A docstring names a parameter that many functions share on a line of its own in its section *Parameters*;
:func:`public` writes type and meaning behind it, so that ``help()`` and the reference are complete. It also has
every call look at its arguments, by the annotations: what each kind of annotation takes is in :func:`rule_of`.
"""

import inspect
import re
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Set, Sized
from functools import update_wrapper
from pathlib import Path
from types import FunctionType, MappingProxyType, NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import (
    InputError,
    VentsimError,
    fault_of_name,
    fault_of_number,
    fault_of_numbers,
    shown,
    suggestion,
)

F = TypeVar("F", bound=Callable[..., object])
Rule = Callable[[Any, str], str]
"""What is wrong with a value: two lines that begin with the name that is given to it; empty if nothing is."""

PARAMETERS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "scenario": (
            "Scenario, Circuit or Layout",
            "What is run: a scenario; or a circuit, followed by its `settings`.",
        ),
        "settings": (
            "BreathSettings, optional",
            "The breath, where a circuit comes first; a scenario has its own.",
        ),
        "duration": ("float, optional", "How long to run; by default as the scenario says (60). [s]"),
        "sample_interval": ("float, optional", "Distance of samples; by default as the scenario says (0.01). [s]"),
        "tolerance": (
            "float, optional",
            "Relative error allowed per step of the solver; by default as the scenario says (5e-7). [1]",
        ),
        "changes": (
            "sequence of Change, Disconnection, LungRemoval, Clamp or LeakOnset, optional",
            "What changes while the run goes on; by default as the scenario says. Parts change at the very "
            "instant, settings with the next breath; gas stays where it is, also when what holds it changes.",
        ),
        "start": (
            "xarray.Dataset, optional",
            "Result of an earlier run of a circuit with the same points, whole or at least with its last sample. "
            "The state in which that run ended is the first one.",
        ),
        "ramp_updates": (
            "int, default 1",
            "How often in a breath a ramp moves a part, to its value in the middle until the next time. [1]",
        ),
        "waveform_windows": (
            "sequence of (float, float), optional",
            "Intervals of time; the waveforms of all breaths that lie in one, if only in part, are kept. [s]",
        ),
        "waveform_every": ("int, optional", "Waveforms of every n-th breath are kept, from the first on. [1]"),
        "modes": (
            "mapping of str to BreathSettings, optional",
            "Breath settings by name, each of which is tried in place of those of the scenario.",
        ),
        "threads": ("int, optional", "Number of threads; by default one for each core. [1]"),
        "progress": (
            "bool, optional",
            "Whether to show a progress bar; by default in a notebook or terminal, if it takes longer than "
            "a second.",
        ),
        "caution": ("bool, default True", "Whether the line of caution stands at the end."),
    }
)
"""Type and meaning by name."""

_SECTION = re.compile(r"(?m)^Parameters\n-+\n")
_WIDTH = 108


def public(item: F) -> F:
    """Complete the docstring of a function or class, and refuse arguments of a wrong kind; a decorator.

    Parameters
    ----------
    item : callable
        A function, a method below ``@classmethod`` or ``@property``, or a dataclass. Its docstring may have lines
        with nothing but a name of :data:`PARAMETERS` in the section *Parameters*.

    Returns
    -------
    callable
        A function that looks at its arguments first; of a class the same one.
    """
    if isinstance(item, type):
        item.__init__ = _guarded(item.__init__, item)  # type: ignore[misc]
        return item
    _document(item)
    return _guarded(item, item)


def _document(function: Callable[..., object]) -> None:
    """Write type and meaning behind the parameters that many functions share."""
    text = inspect.cleandoc(function.__doc__ or "")
    section = _SECTION.search(text)
    if section is None:
        return
    lines = []
    for line in text[section.end() :].split("\n"):
        if line in PARAMETERS:
            kind, meaning = PARAMETERS[line]
            wrapped = textwrap.wrap(meaning, _WIDTH, initial_indent="    ", subsequent_indent="    ")
            lines += [f"{line} : {kind}", *wrapped]
        else:
            lines.append(line)
    function.__doc__ = text[: section.end()] + "\n".join(lines) + "\n"


def _guarded(function: Any, documented: Any) -> Any:
    """The function behind a look at its arguments; `documented` has the docstring with their units."""
    names = list(inspect.signature(function).parameters)
    is_method = names[0] in ("self", "cls")
    rules: dict[str, Rule | None] = {}
    # Calls from inside the library come with checked arguments, and often; the command hands on what users give.
    getframe = sys._getframe

    def prepare() -> None:  # at the first call, when all names of annotations are there
        hints = _hints(function)
        rules.update({name: rule_of(hints.get(name, Any)) for name in names})

    def look(name: str, value: Any) -> str:
        return fault_of(rules[name], value, name)

    def refuse(name: str, fault: str, args: Any, options: Any) -> None:
        # The function may know better words; not of what never ends, nor of a flag, with which it would work on.
        if rules[name] is not _flag and not fault.endswith(_ENDLESS):
            try:
                function(*args, **options)
            except VentsimError as error:
                if error.has_remedy:
                    raise
            except Exception:  # whatever the value made it do
                pass
        where = documented.__qualname__ if is_method else documented.__name__
        unit = unit_of(inspect.getdoc(documented) or "", name)
        raise InputError(f"{where}: {fault}{unit}.")

    def guarded(*args, **options):  # type: ignore[no-untyped-def]
        caller = getframe(1).f_globals.get("__name__", "")
        if caller[:8] == "ventsim." and caller[8:15] != "command":
            return function(*args, **options)
        if not rules:
            prepare()
        for name, value in (*zip(names, args, strict=False), *options.items()):
            if name in rules and (fault := look(name, value)):
                refuse(name, fault, args, options)
        return function(*args, **options)

    # With the globals of the function, by which examples in docstrings are found.
    home, closure = inspect.unwrap(function).__globals__, guarded.__closure__
    return update_wrapper(FunctionType(guarded.__code__, home, None, None, closure), function)


def fault_of_fields(item: Any) -> str:
    """What is wrong with the fields of a dataclass: two lines without the last full stop; empty if nothing is."""
    for name, hint in _hints(type(item).__init__).items():
        rule = rule_of(hint)
        if rule is not None and hasattr(item, name) and (fault := rule(getattr(item, name), name)):
            return fault
    return ""


def _hints(function: Any) -> dict[str, Any]:
    """Annotations of a function; those with names that only type checkers import are left out."""
    found = {}
    for name, hint in function.__annotations__.items():
        try:
            found[name] = eval(hint, inspect.unwrap(function).__globals__) if isinstance(hint, str) else hint
        except (NameError, AttributeError):
            continue
    return found


def unit_of(doc: str, name: str) -> str:
    """ " in s", by the docstring of a parameter; empty for a number without a unit."""
    entry = re.search(rf"(?m)^(?:\*{{0,2}}\w+, )*{name}(?:, \w+)* : [^\n]*\n((?:    [^\n]*\n?)*)", doc)
    unit = re.findall(r"\[([^\]]+)\]", entry[1]) if entry else []
    return f" in {unit[-1]}" if unit and unit[-1] not in ("1", "source") else ""


def rule_of(hint: Any) -> Rule | None:
    """What an annotation takes; None: anything, which the function itself has to look at.

    Parameters
    ----------
    hint : object
        An annotation.

    Returns
    -------
    callable or None
        Of a value and the name that messages give it: two lines that say what is wrong without the last full stop,
        empty if nothing is.

    Examples
    --------
    >>> rule_of(float)("12", "rate")
    "rate '12' is not a number.\\n  Give a finite number"
    >>> rule_of(bool)(1, "ideal")
    'ideal 1 is neither true nor false.\\n  Give True or False'
    """
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:  # with a rule of its own, or with what is no rule
        return next((own for own in inner[1:] if inspect.isroutine(own)), None) or rule_of(inner[0])
    if hint in _RULES:
        return _RULES[hint]
    if origin is np.ndarray:  # alone, of results, of which some may be missing
        return _numbers_or_missing
    if origin in (Union, UnionType):
        kinds = [ArrayLike if get_origin(one) is np.ndarray else one for one in inner if one is not NoneType]
        return _any_of([rule_of(one) for one in kinds], or_none=NoneType in inner)
    if origin is Literal:
        return _choice(inner)
    if origin is tuple and (len(inner) != 2 or inner[1] is not Ellipsis):
        return _row([rule_of(one) for one in inner])
    if origin is not None and isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping(*map(rule_of, inner))
    if origin is not None and isinstance(origin, type) and issubclass(origin, Iterable):
        return _many(rule_of(inner[0]), ordered=not issubclass(Set, origin))
    if hint not in (Any, object) and isinstance(hint, type) and not getattr(hint, "_is_protocol", False):
        return _instance(hint)
    return None


_ENDLESS = "Give a list or tuple of what it yields"


def fault_of(rule: Rule | None, value: Any, name: str) -> str:
    """What is wrong by a rule; by any, what is read while it is made, since it may never end."""
    if isinstance(value, Iterator):
        return f"{name} {shown(value)} may never end.\n  {_ENDLESS}"
    return rule(value, name) if rule is not None else ""


_LONGEST_FILE = 255  # bytes in the name of a file


def _whole(value: Any, name: str) -> str:
    fault = fault_of_number(value, name)
    if not fault and value != round(value):
        return f"{name} {value!r} is not a whole number.\n  Give a whole number"
    return fault


def _numbers_or_missing(value: Any, name: str) -> str:
    is_numbers = isinstance(value, np.ndarray) and value.dtype.kind in "iuf" and value.ndim > 0
    return "" if is_numbers else f"{name} {shown(value)} is not an array of numbers.\n  Give a numpy array"


def _flag(value: Any, name: str) -> str:
    if isinstance(value, bool | np.bool_):
        return ""
    return f"{name} {shown(value)} is neither true nor false.\n  Give True or False"


def _path(value: Any, name: str) -> str:
    fault = fault_of_name(str(value) if isinstance(value, Path) else value, name)
    if not fault and not 0 < len(Path(value).name.encode()) <= _LONGEST_FILE:
        return f"{name} {shown(str(value))} is no name of a file.\n  Give one of at most {_LONGEST_FILE} letters"
    return fault


_RULES: dict[Any, Rule] = {
    float: fault_of_number, int: _whole, bool: _flag, str: fault_of_name, Path: _path, ArrayLike: fault_of_numbers,
}  # fmt: skip


def _choice(options: tuple[Any, ...]) -> Rule:
    def rule(value: Any, name: str) -> str:
        if any(type(value) is type(one) and value == one for one in options):
            return ""
        hint = suggestion(value if isinstance(value, str) else "", map(str, options))
        return f"{name} {shown(value)} is not one of the choices.\n  {hint.rstrip('.')}"

    return rule


def _any_of(rules: list[Rule | None], *, or_none: bool) -> Rule | None:
    known = [rule for rule in rules if rule is not None]
    if not known or len(known) < len(rules):
        return None
    # A number is one of numbers, and text beside a path is one.
    for wide, narrow in ((fault_of_numbers, fault_of_number), (_path, fault_of_name)):
        if wide in known:
            known = [rule for rule in known if rule is not narrow]

    def rule(value: Any, name: str) -> str:
        if value is None and or_none:
            return ""
        faults = []
        for one in known:
            faults.append(one(value, name))
            if not faults[-1]:
                return ""
        wanted = [fault.partition("\n  Give ")[2] for fault in faults]
        if len(faults) == 1 or not all(wanted):
            return faults[0]
        return f"{faults[0].partition(chr(10))[0]}\n  Give {', or '.join(dict.fromkeys(wanted))}"

    return rule


def _instance(kind: type) -> Rule:
    article = "an" if kind.__name__[0] in "AEIOU" else "a"

    def rule(value: Any, name: str) -> str:
        if isinstance(value, kind):
            return ""
        return f"{name} {shown(value)} is not {article} {kind.__name__}.\n  Give {article} {kind.__name__}"

    return rule


def _mapping(of_key: Rule | None, of_value: Rule | None) -> Rule:
    def rule(value: Any, name: str) -> str:
        if not isinstance(value, Mapping):
            return f"{name} {shown(value)} is not a mapping.\n  Give {{name: value, ...}}"
        for key, item in value.items():
            fault = fault_of(of_key, key, f"{name}: the name") or fault_of(of_value, item, f"{name}[{shown(key)}]")
            if fault:
                return fault
        return ""

    return rule


def _many(of_item: Rule | None, *, ordered: bool) -> Rule:
    """Of several; one that is read while it is made may never end."""

    def rule(value: Any, name: str) -> str:
        is_listed = isinstance(value, Iterable) and isinstance(value, Sized) and not isinstance(value, bytes)
        is_keyed = isinstance(value, str | Set) or hasattr(value, "keys")
        if not is_listed or (ordered and is_keyed) or not getattr(value, "ndim", 1):
            return f"{name} {shown(value)} is not a list.\n  Give a list or tuple"
        for k, item in enumerate(value if of_item is not None or not hasattr(value, "dtype") else ()):
            if fault := fault_of(of_item, item, f"{name}[{k}]"):
                return fault
        return ""

    return rule


def _row(rules: list[Rule | None]) -> Rule:
    of_items = _many(None, ordered=True)

    def rule(value: Any, name: str) -> str:
        if of_items(value, name) or len(value) != len(rules):
            return f"{name} {shown(value)} is not a row of {len(rules)}.\n  Give a tuple of {len(rules)}"
        for k, (of_item, item) in enumerate(zip(rules, value, strict=True)):
            if fault := fault_of(of_item, item, f"{name}[{k}]"):
                return fault
        return ""

    return rule
