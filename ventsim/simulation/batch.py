"""Many circuits, one after the other and over threads: a piece of a batch is a value in and a value out.

Nothing is shared between the pieces, so that they can be handed to threads, to processes or to a cluster; the
numbers are the same bit for bit whichever way they ran.
"""

import os
import warnings
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from ventsim.errors import CircuitWarning, InputError, PlausibilityWarning, VentsimError
from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import check, quantity
from ventsim.results.kernel import LUNG_MEASURES, PORT_MEASURES, TIMING, Measures
from ventsim.results.measures import AT_FLOW_LIMIT, LIMITED_SHARE
from ventsim.results.schema import label
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration, Problem, problem_of
from ventsim.simulation.progress import Progress
from ventsim.simulation.run import measures_of
from ventsim.simulation.steady import steady_start

FINISHED, FAILED, REFUSED, NOT_RUN = range(4)
"""How a case of a batch can end: with a breath, without one, with impossible input, or not at all."""

STATUS_WORDS = ("finished", "failed", "refused", "not run")

FLOW_LIMITED = "flow limited"
"""Status of a case that has finished with a breath in which the flow limit of the ventilator acts."""

_STATUS = {"long_name": "how the case ended", "positive": "a text, no sign"}

# Cases in a piece: so few that Ctrl-C and the progress bar come soon, so many that handing them over is cheap.
_CASES_IN_PIECE = 16

Case = Callable[[], tuple[Circuit, BreathSettings]]
"""What makes a circuit and its settings; it may raise an error of the library, which is noted."""


@dataclass(frozen=True)
class BatchOptions:
    """How every case of a batch is run.

    `duration` None asks for the steady breath, otherwise for the last whole breath of a run of that length [s].
    """

    tolerance: float
    sample_interval: float
    duration: float | None = None


class PieceResult(NamedTuple):
    """Measures of the cases of one piece, NaN where there is no breath, with status and reason."""

    lungs: NDArray[np.void]  # (n_cases, n_lungs) of LUNG_MEASURES
    ports: NDArray[np.void]  # (n_cases,) of PORT_MEASURES
    timing: NDArray[np.void]  # (n_cases,) of TIMING
    status: NDArray[np.int8]  # (n_cases,)
    reason: NDArray[np.object_]  # (n_cases,) of str
    breaths: NDArray[np.int64]  # (n_cases,) breaths that were run


def unfinished(n_cases: int, n_lungs: int) -> PieceResult:
    """The result of cases of which none has been run."""
    return PieceResult(
        lungs=np.full((n_cases, n_lungs), np.nan, LUNG_MEASURES),
        ports=np.full(n_cases, np.nan, PORT_MEASURES),
        timing=np.full(n_cases, np.nan, TIMING),
        status=np.full(n_cases, NOT_RUN, dtype=np.int8),
        reason=np.full(n_cases, "not run: the batch was stopped before", dtype=object),
        breaths=np.zeros(n_cases, dtype=np.int64),
    )


def ended(result: PieceResult, *dims: str) -> xr.Dataset:
    """How each case ended, and what the flow limit costs in it.

    Parameters
    ----------
    result : PieceResult
        Cases.
    *dims : str
        The dimension of the cases.

    Returns
    -------
    xarray.Dataset
        ``status``, one of `STATUS_WORDS` or `FLOW_LIMITED`, and the measures `AT_FLOW_LIMIT`.
    """
    words = np.array(STATUS_WORDS, dtype=object)[result.status]
    words[result.ports["port_limited_fraction"] > LIMITED_SHARE] = FLOW_LIMITED
    costs = xr.Dataset({name: (dims, result.ports[name]) for name in AT_FLOW_LIMIT})
    return label(costs).assign(status=xr.Variable(dims, words, _STATUS))


def run_piece(cases: Sequence[Case], options: BatchOptions, *, n_lungs: int) -> PieceResult:
    """Run the cases of one piece.

    Parameters
    ----------
    cases : sequence of callable
        Each makes a circuit with `n_lungs` lungs and its settings.
    options : BatchOptions
        How they are run.
    n_lungs : int
        Number of lungs. [1]

    Returns
    -------
    PieceResult
        One row per case; a case that fails has NaN, its status and the reason.
    """
    result = unfinished(len(cases), n_lungs)
    like: Problem | None = None  # the case before, of which most is the same
    for k, case in enumerate(cases):
        try:
            circuit, settings = case()
            like = problem_of(circuit, settings, tolerance=options.tolerance, before=like)
            measures, result.breaths[k] = _last_breath(like, options)
        except VentsimError as error:
            result.status[k] = REFUSED if isinstance(error, InputError) else FAILED
            result.reason[k] = str(error)
        else:
            result.timing[k], result.lungs[k], result.ports[k] = (rows[-1] for rows in measures)
            result.status[k], result.reason[k] = FINISHED, ""
    return result


def _last_breath(problem: Problem, options: BatchOptions) -> tuple[Measures, int]:
    """Measures of which the last are those of the steady or the last breath; and how many breaths it took."""
    sample_interval = quantity("sample_interval", at_most=problem.period)  # otherwise it cannot show a breath
    check("", {"sample_interval": options.sample_interval}, sample_interval=sample_interval)
    start, breaths, duration = None, 0, options.duration
    if duration is None:
        found = steady_start(problem, tolerance=options.tolerance)
        start, breaths, duration = found.pressure, found.breaths, problem.period
    else:
        check("", {"duration": duration}, duration=quantity("duration", at_least=problem.period))
    blocks = Blocks(Schedule(problem.circuit, problem.settings), duration, whole=True, every=None)
    integration = Integration(options, start=start, problem=problem)
    for block in integration.blocks(blocks, longest=_CASES_IN_PIECE):
        recorded = integration.run_block(block)
    measures = measures_of(recorded, held_at_start=integration.held_at_start)
    return measures, breaths + integration.position.breaths


def run_batch(
    cases: Sequence[Case],
    options: BatchOptions,
    *,
    n_lungs: int,
    threads: int | None = None,
    progress: bool | None = None,
) -> PieceResult:
    """Run many cases over threads.

    Parameters
    ----------
    cases : sequence of callable
        Each makes a circuit with `n_lungs` lungs and its settings.
    options : BatchOptions
        How they are run.
    n_lungs : int
        Number of lungs. [1]
    threads : int or None, default None
        Threads to use; None: one for each processor that may be used. [1]
    progress : bool or None, default None
        Whether to show a progress bar; None: in a notebook or terminal, if the batch lasts longer than a second.

    Returns
    -------
    PieceResult
        One row per case. After Ctrl-C the cases that were not run have that status; none that was is lost.

    Raises
    ------
    InputError
        If an option is out of range.
    """
    if threads is None:
        threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    check("", {"tolerance": options.tolerance, "threads": threads})
    pieces = [cases[k : k + _CASES_IN_PIECE] for k in range(0, len(cases), _CASES_IN_PIECE)]
    results = [unfinished(len(piece), n_lungs) for piece in pieces]
    run = partial(run_piece, options=options, n_lungs=n_lungs)
    with Progress(len(cases), shown=progress, unit="circuits") as bar, warnings.catch_warnings():
        # Of a batch nobody is warned case by case; filters hold for all threads.
        for kind in (PlausibilityWarning, CircuitWarning):
            warnings.simplefilter("ignore", kind)

        def keep(k: int, result: PieceResult) -> None:
            results[k] = result
            bar.advance(len(result.status))

        try:
            if threads == 1:
                for k, piece in enumerate(pieces):
                    keep(k, run(piece))
            else:
                _run_in_threads(pieces, run, keep, threads=int(threads))
        except KeyboardInterrupt:
            if all((result.status == NOT_RUN).all() for result in results):
                raise
    return PieceResult(*map(np.concatenate, zip(unfinished(0, n_lungs), *results, strict=True)))


def _run_in_threads(
    pieces: Sequence[Sequence[Case]],
    run: Callable[[Sequence[Case]], PieceResult],
    keep: Callable[[int, PieceResult], None],
    *,
    threads: int,
) -> None:
    """Run the pieces over threads; `keep` receives each as it is finished, also those under way at Ctrl-C."""
    waiting: dict[Future[PieceResult], int] = {}

    def collect(done: Iterable[Future[PieceResult]]) -> None:
        for future in done:
            keep(waiting.pop(future), future.result())

    with ThreadPoolExecutor(threads) as pool:
        try:
            for k, piece in enumerate(pieces):
                waiting[pool.submit(run, piece)] = k
                # A few ahead, so that no thread is idle and a stop need not wait for many.
                if len(waiting) >= 2 * threads:
                    collect(wait(waiting, return_when=FIRST_COMPLETED).done)
            while waiting:
                collect(wait(waiting, return_when=FIRST_COMPLETED).done)
        except BaseException:
            for future in list(waiting):
                if future.cancel():
                    del waiting[future]
            finished = [future for future in wait(waiting).done if future.exception() is None]
            collect(finished)
            raise
