"""Stops a long run at a random moment, twenty times, by Ctrl-C or by force, and looks at the file that is left.

Run ``python validation/stopped_runs.py``; it prints a line for each try and ends with an error if a file does
not open or holds part of a breath.
"""

import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "simulation"))

from test_long_runs import check_file, start_process

TRIES = 20


def main() -> None:
    """Do all tries."""
    files = 0
    for number in range(TRIES):
        moment = (signal.SIGINT, signal.SIGKILL)[number % 2]
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "run.nc"
            process = start_process(path)
            time.sleep(random.uniform(0.0, 4.0))
            os.kill(process.pid, moment)
            process.communicate(timeout=60)
            left = f"{check_file(path)} whole breaths" if path.exists() else "no file yet"
            files += path.exists()
        print(f"{number + 1:2d}  {moment.name}  {left}")
    print(f"{files} files, all of them whole")


if __name__ == "__main__":
    main()
