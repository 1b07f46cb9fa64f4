"""Breaths over a range of one or several values: a grid of circuits and settings, run as one batch."""

import itertools
import math
import numbers
import re
import warnings
from collections.abc import Iterable, Mapping, Sequence, Set
from typing import Any

import numpy as np
import xarray as xr

from ventsim.errors import (
    CircuitWarning,
    InputError,
    PlausibilityWarning,
    StoppedEarlyWarning,
    suggestion,
    warn_caller,
)
from ventsim.model.changes.walking import Value
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import CANNOT_REPEAT, Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import check
from ventsim.results.measures import variables_of
from ventsim.results.schema import label
from ventsim.simulation.batch import NOT_RUN, STATUS_WORDS, BatchOptions, PieceResult, run_batch
from ventsim.simulation.problem import DEFAULT_SAMPLE_INTERVAL, DEFAULT_TOLERANCE, check_sampling
from ventsim.simulation.provenance import describe
from ventsim.studies.scenario_paths import StudyCase, Subject, subject_of

MOST_POINTS = 1_000_000
"""Largest number of points of a sweep. [1]"""

_CASE = "case"
_OUTCOME = {
    "status": {"long_name": "how the point ended", "positive": "a text, no sign"},
    "reason": {"long_name": "why there is no breath", "positive": "a text, no sign; empty where there is one"},
    "breaths": {"units": "1", "long_name": "breaths that were run", "positive": "never negative"},
}


def sweep(
    scenario: Scenario | Circuit,
    values: Mapping[str, Sequence[Value]],
    *,
    settings: BreathSettings | None = None,
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
    scenario : Scenario or Circuit
        What is varied; a scenario without changes in time, or a circuit with `settings`.
    values : mapping of str to sequence of float or str
        The values of each path, in any order. Paths are those of changes: ``"lungs.b.compliance"``,
        ``"settings.peep"``, ``"ventilator.flow_limit"``, ``"parts.b inspiratory tube.bore"``. A scenario with a
        layout also has paths into its recipe, for which the circuit is built anew:
        ``"branch.inspiratory_tube.bore"``, ``"branches.b.inspiratory_tube.length"``, ``"extensions.b.length"``,
        ``"floor_plan.slack"``.
        [unit of each field]
    settings : PressureControl, VolumeControl or None, default None
        The breath of a circuit; None: that of the scenario.
    paired : bool, default False
        Whether the values go together, the first of each path with the first of all others, and so on; otherwise
        every value is combined with every other.
    duration : float or None, default None
        Take the last whole breath of a run that lasts so long from rest; None: the steady breath. [s]
    tolerance : float or None, default None
        Relative error allowed per step of the solver; None: that of the scenario, for a circuit 5e-7. [1]
    sample_interval : float or None, default None
        Distance of samples, from which peaks are taken; None: that of the scenario, for a circuit 0.01 s. [s]
    threads : int or None, default None
        Threads to use; None: one for each processor. The numbers do not depend on it. [1]
    progress : bool or None, default None
        Whether to show a progress bar; None: in a notebook or terminal, if it lasts longer than a second.

    Returns
    -------
    xarray.Dataset
        All measures of :func:`ventsim.breath_measures`, with one dimension for each path, named by the path itself
        with ``_`` for a space or slash (``dataset.sel({"lungs.b.compliance": 20})``), or the dimension ``case``
        with the paths as coordinates on it if `paired`; measures of lungs have ``lung`` besides. Where a point has
        no breath, measures are NaN, ``status`` is ``failed`` (the solver), ``refused`` (impossible input) or ``not
        run``, and ``reason`` says why; ``breaths`` counts the breaths that were run, the measured one included.

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
    [172.0, 283.0, 508.0]
    """
    subject = subject_of(scenario, settings=settings)
    grid = _checked_values(subject, values)
    shape = _shape(grid, paired=paired)
    of_run = scenario if isinstance(scenario, Scenario) else None
    options = BatchOptions(
        tolerance=_first_given(tolerance, of_run and of_run.tolerance, DEFAULT_TOLERANCE),
        sample_interval=_first_given(sample_interval, of_run and of_run.sample_interval, DEFAULT_SAMPLE_INTERVAL),
        duration=duration,
    )
    check("", {"tolerance": options.tolerance})
    if duration is None:
        check_sampling(options.sample_interval, subject.settings.period)
    else:
        check("", {"duration": duration})
    _warn_of_doubts(subject, grid)
    points = zip(*grid.values(), strict=True) if paired else itertools.product(*grid.values())
    cases = [StudyCase(subject, tuple(grid), point) for point in points]
    with warnings.catch_warnings():
        # Unlikely values have been told once; filters hold for all threads.
        for kind in (PlausibilityWarning, CircuitWarning):
            warnings.simplefilter("ignore", kind)
        n_lungs = len(subject.circuit.lungs)
        result = run_batch(cases, options, n_lungs=n_lungs, threads=threads, progress=progress)
    missing = int((result.status == NOT_RUN).sum())
    if missing:
        text = f"the sweep was stopped by Ctrl-C; not run: {missing} of {len(cases)} points. The others are kept."
        warn_caller(StoppedEarlyWarning(text))
    attrs = _attrs(scenario, subject, options, paths=list(grid), paired=paired)
    return _dataset(result, subject, grid=grid, shape=shape, paired=paired).assign_attrs(attrs)


def _name(path: str) -> str:
    """Name of a path in a Dataset; files cannot have coordinates with a space or slash in their name."""
    return re.sub(r"[\s/]", "_", path)


def _first_given(*options: float | None) -> float:
    return next(option for option in options if option is not None)


def _checked_values(subject: Subject, values: Mapping[str, Sequence[Value]]) -> dict[str, tuple[Value, ...]]:
    """Values by path after the checks that need no run."""
    if not isinstance(values, Mapping) or not values:
        raise InputError("values: there is no path.\n  Give {'lungs.a.compliance': [20, 30, 40], ...}.")
    grid: dict[str, tuple[Value, ...]] = {}
    for path, given in values.items():
        now = subject.value(path)
        for other in grid:
            if subject.is_same(path, other):
                raise InputError(f"paths '{other}' and '{path}' lead to the same value.\n  Leave out one of them.")
            if _name(path) == _name(other):
                raise InputError(
                    f"paths '{other}' and '{path}' would get the same name, '{_name(path)}'.\n"
                    "  Rename one of the parts."
                )
        grid[path] = _checked_list(subject, path, given, now=now)
    for path, listed in grid.items():
        if subject.of_recipe(path):
            _check_effect(subject, path, listed)
    return grid


def _checked_list(subject: Subject, path: str, given: object, *, now: Value) -> tuple[Value, ...]:
    """The values of one path: numbers where a number stands, else words."""
    quantity = subject.quantity(path)
    unit = "" if quantity is None or quantity.unit == "1" else f" {quantity.unit}"
    numeric = quantity is not None or (isinstance(now, int | float) and not isinstance(now, bool))
    if isinstance(now, tuple):
        raise InputError(f"path {path!r} leads to a list, not to a single number.\n  Give a number of the list.")
    wanted = f"a list of numbers{f' [{unit.strip()}]' if unit else ''}" if numeric else "a list of words"
    is_list = isinstance(given, Iterable) and not isinstance(given, str | bytes | Mapping | Set)
    items = list(given) if is_list and np.ndim(given) < 2 else None
    if not items:
        shown = "no value" if is_list and items is not None else f"{given!r}"
        raise InputError(f"{path}: got {shown}, but {wanted} is needed.\n  It is {now!r}{unit} now.")
    checked: list[Value] = []
    for item in items:
        plain = item.item() if isinstance(item, np.generic | np.ndarray | xr.DataArray) else item
        if numeric:
            real = isinstance(plain, numbers.Real) and not isinstance(plain, bool)
            if not real or not math.isfinite(plain):
                raise InputError(f"{path}: {plain!r} is not a finite number.\n  Give {wanted}.")
            whole = quantity is not None and quantity.whole and plain == round(plain)
            checked.append(int(plain) if whole else float(plain))
            continue
        words = subject.choices(path)
        if type(plain) is not (bool if isinstance(now, bool) else str) or (words and plain not in words):
            hint = suggestion(str(plain), words) if words else f"It is {now!r} now."
            raise InputError(f"{path}: {plain!r} is not allowed.\n  {hint}")
        checked.append(plain)
    return tuple(checked)


def _check_effect(subject: Subject, path: str, listed: tuple[Value, ...]) -> None:
    """Refuse a value of the recipe without any effect on the circuit, such as a length that a floor plan gives."""
    made = []
    for value in (min(listed), max(listed)):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                made.append(subject.changed({path: value})[0])
        except InputError:
            return  # an impossible value is told at its point
    if min(listed) != max(listed) and made[0] == made[1]:
        raise InputError(
            f"path {path!r} has no effect on this circuit: nothing of the recipe uses it.\n"
            "  A floor plan or a value for a single lung may stand in its place; or vary parts.NAME.field."
        )


def _shape(grid: Mapping[str, tuple[Value, ...]], *, paired: bool) -> tuple[int, ...]:
    """Number of points along each dimension."""
    sizes = {path: len(listed) for path, listed in grid.items()}
    if paired:
        if len(set(sizes.values())) > 1:
            told = ", ".join(f"'{path}' has {size}" for path, size in sizes.items())
            raise InputError(
                f"paired values must be equally many: {told}.\n  Leave out paired=True for a full grid."
            )
        shape: tuple[int, ...] = (next(iter(sizes.values())),)
    else:
        shape = tuple(sizes.values())
    if math.prod(shape) > MOST_POINTS:
        raise InputError(
            f"the sweep has {math.prod(shape):,} points ({' × '.join(map(str, shape))}).\n"
            f"  Allowed: at most {MOST_POINTS:,}. Give fewer values, or use paired=True."
        )
    return shape


def _warn_of_doubts(subject: Subject, grid: Mapping[str, tuple[Value, ...]]) -> None:
    for path, listed in grid.items():
        quantity = subject.quantity(path)
        doubts = [] if quantity is None else [(v, quantity.doubt(v)) for v in listed if not quantity.fault(v)]
        told = next(((value, doubt) for value, doubt in doubts if doubt), None)
        if told:
            warn_caller(PlausibilityWarning(f"{path} {quantity.text(told[0])} {told[1]}"))


def _attrs(
    scenario: Scenario | Circuit, subject: Subject, options: BatchOptions, *, paths: list[str], paired: bool
) -> dict[str, Any]:
    duration = subject.settings.period if options.duration is None else options.duration
    run = {"duration": duration, "sample_interval": options.sample_interval, "tolerance": options.tolerance}
    attrs = describe(subject.circuit, subject.settings, options=run)
    if isinstance(scenario, Scenario):
        text = attrs["scenario"] if attrs["scenario"].startswith(CANNOT_REPEAT) else scenario.to_toml()
        attrs |= {"title": scenario.title, "scenario": text}
    return attrs | {
        "title": f"sweep: {attrs['title']}",
        "swept": ", ".join(paths),
        "combination": "paired" if paired else "full grid",
        "breath_kind": "steady breath" if options.duration is None else f"last whole breath of {duration:.6g} s",
        "tolerance": options.tolerance,
    }


def _dataset(
    result: PieceResult, subject: Subject, *, grid: Mapping[str, tuple[Value, ...]], shape: tuple[int, ...],
    paired: bool,
) -> xr.Dataset:  # fmt: skip
    dims = (_CASE,) if paired else tuple(map(_name, grid))
    n_lungs = len(subject.circuit.lungs)
    variables: dict[str, Any] = {
        **variables_of(result.lungs.reshape(*shape, n_lungs), *dims, "lung"),
        **variables_of(result.ports.reshape(shape), *dims),
        **variables_of(result.timing.reshape(shape), *dims),
    }
    coords: dict[str, Any] = {"lung": list(subject.circuit.lungs)}
    if paired:
        attrs = {"units": "1", "long_name": "number of the case", "positive": "counted from 1"}
        coords[_CASE] = xr.Variable(_CASE, np.arange(1, shape[0] + 1), attrs)
    for path, listed in grid.items():
        quantity = subject.quantity(path)
        attrs = {"long_name": subject.meaning(path), "path": path}
        attrs |= {} if quantity is None else {"units": quantity.unit}
        coords[_name(path)] = xr.Variable(_CASE if paired else _name(path), np.array(listed), attrs)
    dataset = label(xr.Dataset(variables, coords=coords))
    words = np.array(STATUS_WORDS, dtype=object)[result.status]
    outcome = (words, np.array(result.reason, dtype=object), result.breaths)
    for (name, attrs), values in zip(_OUTCOME.items(), outcome, strict=True):
        dataset[name] = xr.Variable(dims, values.reshape(shape), attrs)
    return dataset
