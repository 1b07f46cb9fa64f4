"""Of which breaths a long run keeps the waveforms."""

from collections.abc import Callable, Sequence

from ventsim.errors import InputError
from ventsim.simulation.prepare import LONGEST_RUN, check_number

Keeper = Callable[[int, float, float], bool] | bool


def keeper(windows: Sequence[tuple[float, float]], every: int | None) -> Keeper:
    """A function that says whether to keep the waveforms of a breath.

    Parameters
    ----------
    windows : sequence of (float, float)
        Stretches of time; every breath that lies in one, if only in part, is kept. [s]
    every : int or None
        Every n-th breath is kept, from the first on; None: none. [1]

    Returns
    -------
    callable or bool
        Called with the number of a breath, from 0, its start and its end [s]; or False: none is kept.

    Raises
    ------
    InputError
        If a window is none, or `every` is below 1.
    """
    spans = [_read_window(window) for window in windows]
    if not spans and every is None:
        return False
    if every is not None:
        check_number("waveform_every", every, unit="breaths", low=1)
        every = int(every)

    def keeps(number: int, start: float, end: float) -> bool:
        if every is not None and number % every == 0:
            return True
        return any(first < end and start < last for first, last in spans)

    return keeps


def _read_window(window: tuple[float, float]) -> tuple[float, float]:
    if not isinstance(window, Sequence) or isinstance(window, str) or len(window) != 2:
        raise InputError(f"waveform_windows: {window!r} is not a stretch of time.\n  Give (start, end) in s.")
    first, last = window
    for value in window:
        check_number("waveform_windows", value, unit="s", low=0.0, high=LONGEST_RUN)
    if not first < last:
        raise InputError(
            f"waveform_windows: ({first:g}, {last:g}) s ends before it begins.\n  Give (start, end) with start < end."
        )
    return float(first), float(last)
