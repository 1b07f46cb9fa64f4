"""Set-up of the test run: no compiled engine older than its sources, no display, Ctrl-C as in a terminal."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import matplotlib
import pytest

ENGINE = Path(__file__).parents[1] / "ventsim" / "engine"


def pytest_configure(config: pytest.Config) -> None:
    """Clear a stale compile cache once, before any worker starts.

    numba looks at the file of the compiled function alone, not at the files of the functions that it calls.
    """
    matplotlib.use("Agg")
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        # A shell that puts the tests into the background has them, and all that they start, ignore Ctrl-C.
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if os.environ.get("PYTEST_XDIST_WORKER"):
        return
    compiled = [*(ENGINE / "__pycache__").glob("*.nbi"), *(ENGINE / "__pycache__").glob("*.nbc")]
    newest = max(path.stat().st_mtime for path in ENGINE.glob("*.py"))
    if any(path.stat().st_mtime < newest for path in compiled):
        for path in compiled:
            path.unlink(missing_ok=True)


@pytest.fixture(autouse=True)
def _close_figures() -> Iterator[None]:
    """No picture of one test stays open in the next; matplotlib warns of many."""
    yield
    pyplot = sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        pyplot.close("all")


@pytest.fixture
def start_process() -> Iterator[Callable[[list[str]], subprocess.Popen]]:
    """Starts a process whose output can be read; it does not outlive the test, however that ends."""
    started: list[subprocess.Popen] = []

    def start(command: list[str]) -> subprocess.Popen:
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        started.append(subprocess.Popen(command, text=True, **pipes))
        return started[-1]

    yield start
    for process in started:
        process.kill()
        process.communicate()
