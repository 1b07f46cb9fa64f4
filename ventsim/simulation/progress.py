"""A progress bar for long runs, in a terminal as in a notebook."""

import sys
import warnings
from types import TracebackType
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
        self._done = 0.0

    def __enter__(self) -> Self:
        shown = _somebody_watches() if self._shown is None else self._shown
        if shown:
            with warnings.catch_warnings():
                # Without the widgets of a notebook the bar is one of text, which is good enough.
                warnings.simplefilter("ignore")
                from tqdm.auto import tqdm

                self._bar = tqdm(
                    total=round(self._total), delay=_PATIENCE, desc="breathing" if self._unit == "s" else None,
                    unit=self._unit, dynamic_ncols=True,
                )  # fmt: skip
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.close()

    def reach(self, time: float) -> None:
        """Tell how far the work has come."""
        if self._bar is not None:
            steps = round(min(time, self._total)) - round(self._done)
            self._bar.update(steps)
        self._done = min(time, self._total)

    def advance(self, amount: float) -> None:
        """Tell how much more has been done."""
        self.reach(self._done + amount)


def _somebody_watches() -> bool:
    """Whether a bar would be seen: in a terminal, or in a notebook."""
    if "ipykernel" in sys.modules:
        return True
    return bool(sys.stderr is not None and sys.stderr.isatty())
