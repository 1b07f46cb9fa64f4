"""Parameters that many functions share, documented once.

A docstring names such a parameter on a line of its own in its section *Parameters*; :func:`documented` writes type
and meaning behind it, so that ``help()`` and the reference are complete.
"""

import inspect
import re
import textwrap
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeVar

F = TypeVar("F", bound=Callable[..., object])

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
            "Result of an earlier run of a circuit with the same points; its last state is the first one.",
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


def documented(function: F) -> F:
    """Complete the docstring of a function that names shared parameters; a decorator.

    Parameters
    ----------
    function : callable
        Its docstring has lines with nothing but a name of :data:`PARAMETERS` in the section *Parameters*.

    Returns
    -------
    callable
        The same function.
    """
    text = inspect.cleandoc(function.__doc__ or "")
    section = _SECTION.search(text)
    if section is None:
        return function
    lines = []
    for line in text[section.end() :].split("\n"):
        if line in PARAMETERS:
            kind, meaning = PARAMETERS[line]
            wrapped = textwrap.wrap(meaning, _WIDTH, initial_indent="    ", subsequent_indent="    ")
            lines += [f"{line} : {kind}", *wrapped]
        else:
            lines.append(line)
    function.__doc__ = text[: section.end()] + "\n".join(lines) + "\n"
    return function
