"""Many circuits, one after the other and over threads: a piece of a batch is a value in and a value out.

Nothing is shared between the pieces, so that they can be handed to threads, to processes or to a cluster; the
numbers are the same bit for bit whichever way they ran.
"""

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ventsim.errors import InputError, VentsimError
from ventsim.model.changes import Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import check, quantity
from ventsim.results.kernel import LUNG_MEASURES, PORT_MEASURES, TIMING, Measures
from ventsim.simulation.blocks import Blocks
from ventsim.simulation.integration import Integration
from ventsim.simulation.problem import Problem, check_sampling, problem_of
from ventsim.simulation.progress import Progress
from ventsim.simulation.steady import one_breath, steady_start
from ventsim.simulation.waveforms import measures_of

FINISHED, FAILED, REFUSED, NOT_RUN = range(4)
"""How a case of a batch can end: with a breath, without one, with impossible input, or not at all."""

STATUS_WORDS = ("finished", "failed", "refused", "not run")

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


@dataclass(frozen=True, eq=False)
class PieceResult:
    """Measures of the cases of one piece, NaN where there is no breath, with status and reason."""

    lungs: NDArray[np.void]  # (n_cases, n_lungs) of LUNG_MEASURES
    ports: NDArray[np.void]  # (n_cases,) of PORT_MEASURES
    timing: NDArray[np.void]  # (n_cases,) of TIMING
    status: NDArray[np.int8]  # (n_cases,)
    reason: tuple[str, ...]
    breaths: NDArray[np.int64]  # (n_cases,) breaths that were run


def unfinished(n_cases: int, n_lungs: int) -> PieceResult:
    """The result of cases of which none has been run."""
    return PieceResult(
        lungs=np.full((n_cases, n_lungs), np.nan, LUNG_MEASURES),
        ports=np.full(n_cases, np.nan, PORT_MEASURES),
        timing=np.full(n_cases, np.nan, TIMING),
        status=np.full(n_cases, NOT_RUN, dtype=np.int8),
        reason=("not run: the batch was stopped before",) * n_cases,
        breaths=np.zeros(n_cases, dtype=np.int64),
    )


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
    reasons = list(result.reason)
    like: Problem | None = None  # the case before, of which most is the same
    for k, case in enumerate(cases):
        try:
            circuit, settings = case()
            like = problem_of(circuit, settings, tolerance=options.tolerance, before=like)
            measures, breaths = _last_breath(like, options)
        except VentsimError as error:
            result.status[k] = REFUSED if isinstance(error, InputError) else FAILED
            reasons[k] = str(error)
            continue
        result.timing[k], result.lungs[k], result.ports[k] = (rows[-1] for rows in measures)
        result.breaths[k] = breaths
        result.status[k], reasons[k] = FINISHED, ""
    return PieceResult(result.lungs, result.ports, result.timing, result.status, tuple(reasons), result.breaths)


def _last_breath(problem: Problem, options: BatchOptions) -> tuple[Measures, int]:
    """Measures of which the last are those of the steady or the last breath; and how many breaths it took."""
    check_sampling(options.sample_interval, problem.period)
    start, breaths = None, 0
    blocks = one_breath(problem)
    if options.duration is None:
        found = steady_start(problem, tolerance=options.tolerance)
        start, breaths = found.pressure, found.breaths
    else:
        check("", {"duration": options.duration}, duration=quantity("duration", at_least=problem.period))
        schedule = Schedule(problem.circuit, problem.settings)
        blocks = Blocks(schedule, options.duration, whole=True, keeps=False)
    integration = Integration(
        tolerance=options.tolerance, sample_interval=options.sample_interval, start=start, problem=problem
    )
    for block in integration.blocks(blocks, longest=_CASES_IN_PIECE):
        recorded = integration.run_block(block, every_part=False)
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
    if not cases:
        return unfinished(0, n_lungs)
    pieces = [cases[k : k + _CASES_IN_PIECE] for k in range(0, len(cases), _CASES_IN_PIECE)]
    results: dict[int, PieceResult] = {}
    with Progress(len(cases), shown=progress, unit="circuits") as bar:
        try:
            run = _run_here if threads == 1 else _run_in_threads
            run(pieces, options, results, bar, n_lungs=n_lungs, threads=int(threads))
        except KeyboardInterrupt:
            if not results:
                raise
    return _joined([results.get(k) or unfinished(len(piece), n_lungs) for k, piece in enumerate(pieces)])


_Pieces = Sequence[Sequence[Case]]


def _run_here(
    pieces: _Pieces,
    options: BatchOptions,
    results: dict[int, PieceResult],
    bar: Progress,
    *,
    n_lungs: int,
    threads: int,
) -> None:
    """Run the pieces one after the other in this thread; `results` receives each as it is finished."""
    for k, piece in enumerate(pieces):
        results[k] = run_piece(piece, options, n_lungs=n_lungs)
        bar.advance(len(piece))


def _run_in_threads(
    pieces: _Pieces,
    options: BatchOptions,
    results: dict[int, PieceResult],
    bar: Progress,
    *,
    n_lungs: int,
    threads: int,
) -> None:
    """Run the pieces over threads; `results` receives each as it is finished, also those under way at Ctrl-C."""
    waiting: dict[Future[PieceResult], int] = {}

    def collect(done: Iterable[Future[PieceResult]]) -> None:
        for future in done:
            results[waiting.pop(future)] = future.result()
            bar.advance(len(future.result().status))

    with ThreadPoolExecutor(threads) as pool:
        try:
            for k, piece in enumerate(pieces):
                waiting[pool.submit(run_piece, piece, options, n_lungs=n_lungs)] = k
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


def _joined(parts: Sequence[PieceResult]) -> PieceResult:
    return PieceResult(
        lungs=np.concatenate([part.lungs for part in parts]),
        ports=np.concatenate([part.ports for part in parts]),
        timing=np.concatenate([part.timing for part in parts]),
        status=np.concatenate([part.status for part in parts]),
        reason=tuple(text for part in parts for text in part.reason),
        breaths=np.concatenate([part.breaths for part in parts]),
    )
