"""Breaths over a range of one or several values: a grid of circuits and settings, run as one batch."""

import itertools
import math
import numbers
import re
import warnings
from collections.abc import Iterable, Mapping, Sequence, Set, Sized
from functools import partial
from typing import Any, get_args

import numpy as np
import xarray as xr

from ventsim.errors import (
    InputError,
    StoppedEarlyWarning,
    suggestion,
    warn_caller,
)
from ventsim.model.descriptions import Member
from ventsim.model.paths import Value, field_at, of_layout, places, quantity_at, single_value, text_of, with_values
from ventsim.model.scenario import AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.quantities import QUANTITIES, Quantity, check, mark_of, warn_of_unlikely
from ventsim.results.kernel import variables_of
from ventsim.results.schema import label
from ventsim.simulation.batch import NOT_RUN, BatchOptions, PieceResult, ended, run_batch
from ventsim.simulation.run import describe

MOST_POINTS = 1_000_000
"""Largest number of points of a sweep. [1]"""

_Quantities = Mapping[str, Quantity | None]
_CASE = "case"
_OUTCOME = {
    "reason": {"long_name": "why there is no breath", "positive": "a text, no sign; empty where there is one"},
    "breaths": {"units": "1", "long_name": "breaths that were run", "positive": "never negative"},
}


@public
def sweep(
    scenario: AnyScenario,
    settings: BreathSettings | Mapping[str, Sequence[Value]] | None = None,
    values: Mapping[str, Sequence[Value]] | None = None,
    *,
    paired: bool = False,
    duration: float | None = None,
    tolerance: float | None = None,
    sample_interval: float | None = None,
    threads: int | None = None,
    progress: bool | None = None,
) -> xr.Dataset:
    """Measures of the breath at every point of a grid of values.

    Parameters
    ----------
    scenario
    settings : BreathSettings, optional
        The breath, where a circuit comes first: ``sweep(circuit, settings, values)``, but ``sweep(scenario,
        values)``.
    values : mapping of str to sequence
        Values to try by path, such as ``{"lungs.b.compliance": [20, 30, 40]}``; see :mod:`ventsim.model.paths`.
        Laws too, where the field takes one; the coordinate then holds them in words.
    paired : bool, default False
        Whether the first values of all paths make the first point, and so on, instead of a full grid.
    duration : float, optional
        Take the last whole breath of a run so long in place of the steady breath. [s]
    tolerance
    sample_interval
    threads
    progress

    Returns
    -------
    xarray.Dataset
        All measures of :func:`ventsim.breath_measures`, with one dimension for each path, named by the path itself
        with ``_`` for a space or slash (``dataset.sel({"lungs.b.compliance": 20})``), or the dimension ``case``
        with the paths as coordinates on it if `paired`; measures of lungs have ``lung`` besides. Where a point has
        no breath, measures are NaN, ``status`` is ``failed`` (the solver), ``refused`` (impossible input) or ``not
        run``, and ``reason`` says why. ``flow limited`` is a breath in which the machine's flow limit acts in more
        than a twentieth of inspiration; ``port_missed_pressure`` and ``port_missed_volume`` say what it costs.
        ``breaths`` counts the breaths that were run, the measured one included.

    Raises
    ------
    InputError
        If a path does not exist (the message has the nearest ones), a value has the wrong type, a value of the
        recipe does not change the circuit, or there are too many points.

    Warns
    -----
    PlausibilityWarning
        Once for each path with an unlikely value.
    StoppedEarlyWarning
        If Ctrl-C ended the sweep; what was finished is returned.

    Examples
    --------
    >>> from ventsim.model.scenario import builtin
    >>> found = sweep(builtin("two-unequal-lungs"), {"lungs.b.compliance": [15, 25, 50]})
    >>> found.inspired_tidal_volume.sel(lung="b").values.round(0).tolist()
    [172.0, 283.0, 507.0]
    """
    if values is None and not isinstance(settings, BreathSettings):
        settings, values = None, settings
    scenario = scenario_of(
        scenario, settings, where="sweep", steady=True, tolerance=tolerance, sample_interval=sample_interval
    )
    grid = _checked_values(scenario, values)
    shape = _shape(grid, paired=paired)
    options = BatchOptions(
        tolerance=scenario.tolerance, sample_interval=scenario.sample_interval, duration=duration
    )
    if duration is not None:
        check("sweep", {"duration": duration})
    quantities = {path: quantity_at(scenario.circuit, scenario.settings, path) for path in grid}
    for path, quantity in quantities.items():
        if quantity is not None:
            warn_of_unlikely(path, quantity, [value for value in grid[path] if not quantity.fault(value)])
    points = zip(*grid.values(), strict=True) if paired else itertools.product(*grid.values())
    circuit, breath = scenario.circuit, scenario.settings
    cases = [partial(with_values, circuit, breath, dict(zip(grid, point, strict=True))) for point in points]
    result = run_batch(cases, options, n_lungs=len(circuit.lungs), threads=threads, progress=progress)
    if missing := int((result.status == NOT_RUN).sum()):
        text = f"the sweep was stopped by Ctrl-C; not run: {missing} of {len(cases)} points. The others are kept."
        warn_caller(StoppedEarlyWarning(text))
    attrs = describe(scenario)
    attrs |= {
        "title": f"sweep: {attrs['title']}",
        "swept": ", ".join(grid),
        "combination": "paired" if paired else "full grid",
        "breath_kind": "steady breath" if duration is None else f"last whole breath of {float(duration):.6g} s",
        "tolerance": options.tolerance,
    }
    found = _dataset(result, scenario, grid=grid, shape=shape, quantities=quantities, paired=paired)
    return found.assign_attrs(attrs)


def _name(path: str) -> str:
    """Name of a path in a Dataset; files cannot have coordinates with a space or slash in their name."""
    return re.sub(r"[\s/]", "_", path)


def _checked_values(scenario: Scenario, values: object) -> dict[str, tuple[Value, ...]]:
    """Values by path after the checks that need no run."""
    if not isinstance(values, Mapping) or not values:
        raise InputError("values: there is no path.\n  Give {'lungs.a.compliance': [20, 30, 40], ...}.")
    grid: dict[str, tuple[Value, ...]] = {}
    for path, given in values.items():
        now = single_value(scenario.circuit, scenario.settings, path)
        for other in grid:
            if _name(path) == _name(other):
                raise InputError(
                    f"paths '{other}' and '{path}' would get the same name, '{_name(path)}'.\n"
                    "  Rename one of the parts."
                )
        grid[path] = _checked_list(scenario, path, given, now=now)
    places(scenario.circuit, grid)
    for path, listed in grid.items():
        if of_layout(path):
            _check_effect(scenario, path, listed)
    return grid


def _checked_list(scenario: Scenario, path: str, given: Any, *, now: Value) -> tuple[Value, ...]:
    """The values of one path: numbers where a number stands, else words."""
    quantity = quantity_at(scenario.circuit, scenario.settings, path)
    unit = "" if quantity is None or quantity.unit == "1" else f" {quantity.unit}"
    numeric = quantity is not None or (isinstance(now, int | float) and not isinstance(now, bool))
    field = field_at(scenario.circuit, scenario.settings, path)
    member = None if field is None else mark_of(field, Member)
    wanted = f"a list of numbers{f' [{unit.strip()}]' if unit else ''}" if numeric else "a list of words"
    wanted += " or laws" if member is not None else ""
    # What is read while it is made may never end.
    is_list = (
        isinstance(given, Iterable)
        and isinstance(given, Sized)
        and not isinstance(given, str | bytes | Mapping | Set)
    )
    is_list = is_list and getattr(given, "ndim", 1) > 0
    items = list(given) if is_list else None
    if not items or any(isinstance(item, list | tuple) or getattr(item, "ndim", 0) for item in items):
        shown = "no value" if items == [] else f"{given!r}"
        raise InputError(f"{path}: got {shown}, but {wanted} is needed.\n  It is {now!r}{unit} now.")
    checked: list[Value] = []
    for item in items:
        plain = item.item() if isinstance(item, np.generic | np.ndarray | xr.DataArray) else item
        if member is not None and not isinstance(plain, numbers.Real | str | None):
            try:
                checked.append(member.family.read(plain))
            except InputError as error:
                raise InputError(f"{path}: {error}") from None
            continue
        if numeric:
            if QUANTITIES["value"].fault(plain):
                raise InputError(f"{path}: {plain!r} is not a finite number.\n  Give {wanted}.")
            whole = quantity is not None and quantity.whole and plain == round(plain)
            checked.append(int(plain) if whole else float(plain))
            continue
        words = () if field is None else tuple(w for w in get_args(field.annotation) if isinstance(w, str))
        if type(plain) is not (bool if isinstance(now, bool) else str) or (words and plain not in words):
            hint = suggestion(str(plain), words) if words else f"It is {now!r} now."
            raise InputError(f"{path}: {plain!r} is not allowed.\n  {hint}")
        checked.append(plain)
    return tuple(checked)


def _check_effect(scenario: Scenario, path: str, listed: tuple[Value, ...]) -> None:
    """Refuse a value of the recipe without any effect on the circuit, such as a length that a floor plan gives."""
    made = []
    other = next((value for value in listed if value != listed[0]), None)
    for value in (listed[0], other) if other is not None else ():
        try:
            with warnings.catch_warnings(action="ignore"):
                made.append(scenario.replaced({path: value}).circuit)
        except InputError:
            return  # an impossible value is reported at its point
    if made and made[0] == made[1]:
        raise InputError(
            f"path {path!r} has no effect on this circuit: nothing of the layout uses it.\n"
            "  A floor plan or a value for a single lung may stand in its place; or vary parts.NAME.field."
        )


def _shape(grid: Mapping[str, tuple[Value, ...]], *, paired: bool) -> tuple[int, ...]:
    """Number of points along each dimension."""
    sizes = {path: len(listed) for path, listed in grid.items()}
    if paired and len(set(sizes.values())) > 1:
        found = ", ".join(f"'{path}' has {size}" for path, size in sizes.items())
        raise InputError(f"paired values must be equally many: {found}.\n  Leave out paired=True for a full grid.")
    shape = tuple(sizes.values())[: 1 if paired else None]
    if math.prod(shape) > MOST_POINTS:
        raise InputError(
            f"the sweep has {math.prod(shape):,} points ({' × '.join(map(str, shape))}).\n"
            f"  Allowed: at most {MOST_POINTS:,}. Give fewer values, or use paired=True."
        )
    return shape


def _meaning(path: str, quantity: Quantity | None) -> str:
    """What the value is and whose, in a few words."""
    steps = path.split(".")
    owner = steps[1:-1] if steps[0] in ("lungs", "parts") else () if steps[0] == "settings" else steps[:-1]
    what = steps[-1].replace("_", " ") if quantity is None else quantity.meaning.partition(";")[0]
    return f"{' '.join(owner).replace('_', ' ')}: {what}" if owner else what


def _dataset(
    result: PieceResult, scenario: Scenario, *, grid: Mapping[str, tuple[Value, ...]], shape: tuple[int, ...],
    quantities: _Quantities, paired: bool,
) -> xr.Dataset:  # fmt: skip
    dims = (_CASE,) if paired else tuple(map(_name, grid))
    n_lungs = len(scenario.circuit.lungs)
    variables: dict[str, Any] = {
        **variables_of(result.lungs.reshape(*shape, n_lungs), *dims, "lung"),
        **variables_of(result.ports.reshape(shape), *dims),
        **variables_of(result.timing.reshape(shape), *dims),
    }
    coords: dict[str, Any] = {"lung": list(scenario.circuit.lungs)}
    if paired:
        attrs = {"units": "1", "long_name": "number of the case", "positive": "counted from 1"}
        coords[_CASE] = xr.Variable(_CASE, np.arange(1, shape[0] + 1), attrs)
    for path, quantity in quantities.items():
        attrs = {"long_name": _meaning(path, quantity), "path": path}
        tried: list[Any] = list(grid[path])
        if not all(isinstance(value, int | float | str) for value in tried):  # laws: in words
            tried = [text_of(one, quantity) if isinstance(one, int | float) else repr(one) for one in tried]
        elif quantity is not None:
            attrs["units"] = quantity.unit
        coords[_name(path)] = xr.Variable(_CASE if paired else _name(path), np.array(tried), attrs)
    dataset = label(xr.Dataset(variables, coords=coords))
    status = ended(result, _CASE)["status"]
    dataset["status"] = xr.Variable(dims, status.values.reshape(shape), status.attrs)
    outcome = (np.array(result.reason, dtype=object), result.breaths)
    for (name, attrs), values in zip(_OUTCOME.items(), outcome, strict=True):
        dataset[name] = xr.Variable(dims, values.reshape(shape), attrs)
    return dataset
