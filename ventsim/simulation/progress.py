"""While a run goes on: a progress bar, and Ctrl-C that waits until whole breaths have ended."""

import signal
import sys
import threading
import warnings
from collections.abc import Callable
from types import FrameType
from typing import Any, Self

# Runs that are over sooner need no bar [s].
_PATIENCE = 1.0


class Progress:
    """Context in which finished breaths are counted and, where somebody can see it, shown.

    Parameters
    ----------
    total : float
        How much there is to do: seconds of breathing, or pieces of work.
    shown : bool or None
        Whether to show a bar; None: in a notebook, or where the error stream is a terminal.
    unit : str, default "s"
        What is counted.
    """

    def __init__(self, total: float, *, shown: bool | None, unit: str = "s") -> None:
        self._total, self._shown, self._unit = total, shown, unit
        self._bar: Any = None

    def __enter__(self) -> Self:
        # A bar would be seen in a notebook or in a terminal.
        is_seen = "ipykernel" in sys.modules or (sys.stderr is not None and sys.stderr.isatty())
        if is_seen if self._shown is None else self._shown:
            with warnings.catch_warnings():
                # Without the widgets of a notebook the bar is one of text, which is good enough.
                warnings.simplefilter("ignore")
                from tqdm.auto import tqdm

                self._bar = tqdm(
                    total=round(self._total), delay=_PATIENCE, desc="breathing" if self._unit == "s" else None,
                    unit=self._unit, dynamic_ncols=True,
                )  # fmt: skip
        return self

    def __exit__(self, *error: object) -> None:
        if self._bar is not None:
            self._bar.close()

    def reach(self, time: float) -> None:
        """Tell how far the work has come."""
        if self._bar is not None:
            self._bar.update(round(min(time, self._total)) - self._bar.n)

    def advance(self, amount: int) -> None:
        """Tell how much more has been done."""
        if self._bar is not None:
            self._bar.update(amount)


class StopRequest:
    """Context in which the first Ctrl-C asks for a stop at the end of the present block of breaths.

    Python drops an interruption that comes while a file is being closed or memory is being freed, and a run would
    go on; a request is not lost. The second Ctrl-C, and the first while there is nothing to keep,
    interrupt at once. Outside the main thread, and where somebody else handles the signal, nothing is changed.

    Parameters
    ----------
    worth_keeping : callable
        Says whether anything is finished by now.
    """

    def __init__(self, worth_keeping: Callable[[], bool]) -> None:
        self._worth_keeping = worth_keeping
        self._asked = self._installed = False

    def __enter__(self) -> Self:
        in_main = threading.current_thread() is threading.main_thread()
        if in_main and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, self._note)
            self._installed = True
        return self

    def __exit__(self, *error: object) -> None:
        if self._installed:
            signal.signal(signal.SIGINT, signal.default_int_handler)

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self._asked or not self._worth_keeping():
            raise KeyboardInterrupt
        self._asked = True

    def check(self) -> None:
        """Raise KeyboardInterrupt if a stop was asked for."""
        if self._asked:
            raise KeyboardInterrupt
