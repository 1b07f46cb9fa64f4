"""Set-up of the test run: no compiled engine older than its sources, no display."""

import os
from pathlib import Path

import matplotlib
import pytest

ENGINE = Path(__file__).parents[1] / "ventsim" / "engine"


def pytest_configure(config: pytest.Config) -> None:
    """Clear a stale compile cache once, before any worker starts.

    numba looks at the file of the compiled function alone, not at the files of the functions that it calls.
    """
    matplotlib.use("Agg")
    if os.environ.get("PYTEST_XDIST_WORKER"):
        return
    compiled = [*(ENGINE / "__pycache__").glob("*.nbi"), *(ENGINE / "__pycache__").glob("*.nbc")]
    newest = max(path.stat().st_mtime for path in ENGINE.glob("*.py"))
    if any(path.stat().st_mtime < newest for path in compiled):
        for path in compiled:
            path.unlink(missing_ok=True)
