"""Ctrl-C while the command starts and ends, when nothing of the library is there to answer it.

Imported before the rest of ``ventsim``, whose import takes about a second. In every program but the command it
does nothing.
"""

import os
import signal
import sys
import threading
from types import FrameType

STOPPED = "ventsim: stopped by Ctrl-C; results of this run are not complete."
"""What is said of a stop."""

INTERRUPTED = 130
"""Exit code of a stop, as a shell counts signals. [1]"""


def _is_command() -> bool:
    """Whether the process is ``ventsim ...`` or ``python -m ventsim ...``."""
    name = os.path.basename(sys.argv[0] if sys.argv else "").removesuffix(".exe")
    given = sys.orig_argv[1:]
    return name == "ventsim" or ("-m" in given and given[given.index("-m") + 1 :][:1] == ["ventsim"])


def _leave(number: int, frame: FrameType | None) -> None:
    try:
        os.write(2, f"{STOPPED}\n".encode())
    finally:
        os._exit(INTERRUPTED)


def guard() -> None:
    """Have Ctrl-C end the command at once, with one line; nothing is being written."""
    in_main = threading.current_thread() is threading.main_thread()
    if in_main and _is_command() and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _leave)


def release() -> None:
    """Have Ctrl-C raise KeyboardInterrupt again, so that what is finished can be kept."""
    if signal.getsignal(signal.SIGINT) is _leave:
        signal.signal(signal.SIGINT, signal.default_int_handler)


guard()
