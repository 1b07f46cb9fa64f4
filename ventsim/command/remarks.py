"""Remarks at the end of a run on what to check: warnings, gas that was vented, lungs without any."""

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import xarray as xr

from ventsim.errors import CircuitWarning, PlausibilityWarning
from ventsim.results import schema
from ventsim.tables import fixed

_MOST_LINES = 8
_NOTHING = 0.05  # volume that a table shows as 0.0 [mL]
_SENT_BACK = 0.05  # part of the inspired volume that is worth a remark (a convention of ventsim)


def lines_to_check(remarks: Sequence[str]) -> str:
    """Lines of a summary, each with its line break; empty if there is nothing to check."""
    if not remarks:
        return ""
    shown = list(remarks[:_MOST_LINES])
    if len(remarks) > _MOST_LINES:
        shown.append(f"and {len(remarks) - _MOST_LINES} more, above")
    return "To check:   " + "\n            ".join(shown) + "\n"


def in_short(warnings: Sequence[str]) -> list[str]:
    """The first line of each warning, which names the value by its path instead of part and name."""
    firsts = (text.splitlines()[0] for text in warnings)
    return list(dict.fromkeys(re.sub(r"^[^':]* '([^']+)': (\w+ )", r"\1.\2", first) for first in firsts))


def empty_lungs(last: xr.Dataset) -> list[str]:
    """Lungs into which nothing went in a breath."""
    volumes = last["inspired_tidal_volume"]
    empty = [str(name) for name in last.lung.values[(volumes < _NOTHING).values]]
    if not empty:
        return []
    if len(empty) == last.sizes["lung"]:
        return [f"Nothing is inspired: every lung gets less than {_NOTHING} mL in the last breath."]
    names = ", ".join(empty)
    return [f"lung {names}: nothing is inspired in the last breath, less than {_NOTHING} mL."]


def gas_sent_back(last: xr.Dataset) -> list[str]:
    """Lungs that send gas back into their inspiratory limb, and breathe it again or let others breathe it."""
    found = []
    for name in last.lung.values:
        lung = last.sel(lung=name)
        back, inspired = float(lung["inspiratory_reversed_volume"]), float(lung["inspired_tidal_volume"])
        limb = float(lung["inspiratory_contained_volume"])
        if not back >= max(_SENT_BACK * inspired, _NOTHING):
            continue
        where = "it gets to other lungs" if back > limb else "the lung breathes it again"
        found.append(
            f"lung {name}: {fixed(back, 0)} mL go back into its inspiratory limb of {fixed(limb, 0)} mL: {where}."
        )
    return found


def relief_of_last_breath(last: xr.Dataset, relief_pressure: float | None) -> list[str]:
    """Gas that pressure relief vented in the last breath."""
    vented = float(last["port_relief_volume"])
    if not vented >= _NOTHING or relief_pressure is None:
        return []
    return [
        f"Pressure relief at {relief_pressure:g} cmH2O vented {fixed(vented, 1)} mL of the last breath; "
        f"{fixed(float(last['port_delivered_volume']), 1)} mL went into the circuit."
    ]


def relief_of_run(measures: xr.Dataset) -> list[str]:
    """Gas that pressure relief vented in any breath."""
    vented = np.nan_to_num(measures["port_relief_volume"].values)
    count = int((vented >= _NOTHING).sum())
    if not count:
        return []
    most = fixed(vented.max(), 1)
    return [f"Pressure relief vented gas in {count} of {vented.size} breaths, at most {most} mL in one."]


CAUTION = f"{schema.CAUTION} Sharing a ventilator is off-label and professional bodies advise against it."
"""Last line of every run. Source: joint statement of SCCM, AARC, ASA, APSF, AACN and CHEST, 26 March 2020."""

UNLIKELY_INPUT = (PlausibilityWarning, CircuitWarning)
"""Warnings about input that is possible but unlikely."""


def take_warnings(take: Callable[[str, type[Warning]], bool]) -> None:
    """Hand every warning to a function; one that it does not take goes where it always goes."""
    others = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
        if not take(str(message), category):
            others(message, category, *where, **more)

    warnings.showwarning = show


@contextmanager
def collected(*categories: type[Warning], displayed: bool) -> Iterator[list[str]]:
    """Context that collects the texts of some warnings.

    `displayed` says whether they are displayed as well; other warnings go where they always go.
    """
    texts: list[str] = []

    def take(text: str, category: type[Warning]) -> bool:
        if issubclass(category, categories):
            texts.append(text)
            return not displayed
        return False

    with warnings.catch_warnings():
        take_warnings(take)
        for category in categories:
            warnings.simplefilter("always", category)
        yield texts
