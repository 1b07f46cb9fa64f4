"""What the command prints, on streams of any encoding, full, or closed."""

import codecs
import errno
import io
import os
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TextIO

# What stands for a character that an encoding lacks; letters with accents, and small numbers, are found without.
_READABLE = {
    "·": "*", "×": "x", "−": "-", "±": "+/-", "→": "->", "≤": "<=", "≥": ">=", "≈": "~", "–": "-", "—": "-",
    "²": "^2", "³": "^3", "‘": "'", "’": "'", "“": '"', "”": '"', "µ": "u", "μ": "u", "Δ": "delta ", "ρ": "rho",
    "η": "eta", "∞": "inf", "°": " deg ", "ß": "ss",
}  # fmt: skip


def readable(text: str) -> str:
    """Text in ASCII that can still be read.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        With others for the characters that ASCII lacks; those without likeness as their numbers.

    Examples
    --------
    >>> readable("10 cmH2O·s/L ± 5, Übung, 肺")
    '10 cmH2O*s/L +/- 5, Ubung, \\\\u80ba'
    """
    return "".join(map(_ascii, text))


def _ascii(character: str) -> str:
    if character in _READABLE:
        return _READABLE[character]
    plain = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return plain or character.encode("ascii", "backslashreplace").decode()


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return readable(error.object[error.start : error.end]), error.end


codecs.register_error("readable", _replace)


def say(text: str) -> None:
    """Print a message to the error stream; if that can take none, there is nobody to read it."""
    with suppress(OSError):
        print(text, file=sys.stderr, flush=True)


@contextmanager
def readable_streams() -> Iterator[None]:
    """Context in which both streams take any character; one that is closed takes, and loses, everything."""
    opened: list[str] = []
    changed: list[tuple[io.TextIOWrapper, str]] = []
    for name in ("stdin", "stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            # Whatever file was given the number of the stream next would be written to as well.
            setattr(sys, name, open(os.devnull, "r" if name == "stdin" else "w", encoding="utf-8"))  # noqa: SIM115
            opened.append(name)
        elif name != "stdin" and isinstance(stream, io.TextIOWrapper):
            changed.append((stream, stream.errors or "strict"))
            with suppress(OSError):  # of a stream that is full already; what is printed then says so
                stream.reconfigure(errors="readable")
    try:
        yield
    finally:
        for stream, errors in changed:
            with suppress(OSError, ValueError):  # of a stream that is full or closed by now
                stream.reconfigure(errors=errors)
        for name in opened:
            getattr(sys, name).close()
            setattr(sys, name, None)


def is_left(error: OSError) -> bool:
    """Whether an error says that the reader of the output has gone; Windows has another number for it."""
    return isinstance(error, BrokenPipeError) or (sys.platform == "win32" and error.errno == errno.EINVAL)


def is_broken(stream: TextIO) -> bool:
    """Whether a stream cannot be written to; what waits in it is thrown away then, so that the end is quiet."""
    try:
        print(file=stream, flush=True)
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        return True
    return False
