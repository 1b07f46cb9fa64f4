"""Ctrl-C as a wish that is granted between two blocks of breaths."""

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Self


class StopRequest:
    """Context in which the first Ctrl-C only notes the wish to stop.

    Python drops an interruption that comes while a file is being closed or memory is being freed, and a run would
    go on; a wish that is noted is not lost. The second Ctrl-C, and the first while there is nothing to keep,
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

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._installed:
            signal.signal(signal.SIGINT, signal.default_int_handler)

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self._asked or not self._worth_keeping():
            raise KeyboardInterrupt
        self._asked = True

    def check(self) -> None:
        """Grant the wish, if there is one, by raising KeyboardInterrupt."""
        if self._asked:
            raise KeyboardInterrupt
