"""TOML text as nested tables, and what to write where it is not TOML."""

import re
import tomllib
from collections.abc import Callable
from typing import Any

from ventsim.errors import ScenarioError, shown

_HOW = 'Write [section], key = number, key = "text", key = true or # comment on each line.'
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_QUOTES = "\"'"
_END = r"\s*(?:#.*)?$"

# Slips that a line shows, the likeliest reading first: what it looks like, and what to write.
_SLIPS: tuple[tuple[str, Callable[[re.Match[str]], str]], ...] = (
    (rf"=\s*([-+]?\d+),(\d+){_END}", lambda m: f"A number has a decimal point: {m[1]}.{m[2]}"),
    (
        rf"=\s*([1-9]\d*)\s*:\s*([1-9]\d*){_END}",
        lambda m: f"A ratio is one number: {int(m[1]) / int(m[2]):.3g} for {m[1]}:{m[2]}",
    ),
    (rf"=\s*(?i:(true|false)){_END}", lambda m: f"Write it in small letters: {m[1].lower()}"),
    (rf"=\s*(?i:none|null){_END}", lambda m: 'Leave the line out, or write "none" in quotes.'),
    (
        rf"=\s*({_NUMBER})\s*([^\W\d_][^#\"']*?|%){_END}",
        lambda m: f"Write the number alone, with its unit in a comment: {m[1]}  # {m[2]}",
    ),
    (r"[“”„‘’]([^“”„‘’\"]*)[“”„‘’]", lambda m: f'Write straight quotes: "{m[1]}"'),
    (rf"=\s*([^\W\d_][^#\"'\[\]{{}}=]*?){_END}", lambda m: f'Write text in quotes: "{m[1]}"'),
    (r"^\[+(?:[\w-]+\.)*([\w-]+(?:[ \t]+[\w-]+)+)[.\]]", lambda m: f'Put a name with a space in quotes: "{m[1]}"'),
    (r"^((?:[\w-]+\.)*[\w-]+[ \t]+[\w-][\w .-]*?)\s*=", lambda m: f'Put a name with a space in quotes: "{m[1]}"'),
    (r"^[\w-]+\s*:\s*(\S.*)$", lambda m: f"Write = in place of the colon: = {m[1]}"),
    (r"^(?://|--|;)", lambda m: "A comment begins with #."),
    (rf"={_END}", lambda m: "Write a value after =, or leave the line out."),
)


def parse_toml(text: str, *, source: str) -> dict[str, Any]:
    """TOML text as nested tables.

    Parameters
    ----------
    text : str
        The text.
    source : str
        Where it comes from, for messages.

    Returns
    -------
    dict of str to object
        The sections and keys.

    Raises
    ------
    ScenarioError
        If it is not TOML; with the line, and what was probably meant.

    Examples
    --------
    >>> parse_toml("[run]\\nduration = 60", source="ward.toml")
    {'run': {'duration': 60}}
    >>> parse_toml("duration = True", source="ward.toml")
    Traceback (most recent call last):
    ventsim.errors.ScenarioError: ward.toml: this is not TOML: Invalid value, at line 1, column 12.
        duration = True
      Write it in small letters: true
    """
    if not isinstance(text, str):
        raise ScenarioError(f"{source}: {shown(text)} is not text.\n  Give the text of a TOML file.")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ScenarioError(f"{source}: {_complaint(str(error), text)}") from None


def quoted_number(value: object) -> str:
    """What to write in place of a number in quotes.

    Parameters
    ----------
    value : object
        A value from a file.

    Returns
    -------
    str
        One sentence; empty if it is no text, or none that begins with a number.

    Examples
    --------
    >>> quoted_number("25"), quoted_number("1:2"), quoted_number("none")
    ('Write 25 without quotes.', 'A ratio is one number: write 0.5.', '')
    """
    if not isinstance(value, str):
        return ""
    text = value.strip()
    ratio = re.fullmatch(r"([1-9]\d*)\s*[:/]\s*([1-9]\d*)", text)
    if ratio:
        return f"A ratio is one number: write {int(ratio[1]) / int(ratio[2]):.3g}."
    number = re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)\s*(%|[^\W\d_].*)?", text)
    if number is None:
        return ""
    alone = number[1].replace(",", ".")
    return f"Write {alone} without unit and quotes." if number[2] else f"Write {alone} without quotes."


def _complaint(error: str, text: str) -> str:
    """What the reader of TOML found, in words of this kind of file."""
    complaint = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column \d+|end of document)\)", error)
    if complaint is None or complaint[2] is None:
        what = error if complaint is None else f"{complaint[1]}, at end of document"
        return f"this is not TOML: {what}.\n  {_HOW}"
    lines = text.replace("\r\n", "\n").split("\n")
    number = int(complaint[2])
    line = lines[number - 1].strip()
    shown = f"\n    {line[:100]}"
    if re.match(r"Cannot (declare|overwrite|mutate|redefine)|Duplicate inline table key", complaint[1]):
        return f"line {number}: {_given_twice(line, lines[: number - 1])}"
    hints = (say(found) for pattern, say in _SLIPS if (found := re.search(pattern, line)))
    where = error.rpartition("(")[2].removesuffix(")")
    return f"this is not TOML: {complaint[1]}, {where}.{shown}\n  {next(hints, _HOW)}"


def _given_twice(line: str, before: list[str]) -> str:
    """A section or key that stands there already, and what to do; the lines before it are known to be TOML."""
    head = re.match(r"\[+\s*([^\]]*?)\s*\]", line)
    if head is None:
        key = line.partition("=")[0].strip()
        sections = [found[1] for text in before if (found := re.match(r"\s*\[+\s*([^\]]*?)\s*\]", text))]
        where = f" in [{sections[-1]}]" if sections else ""
        return f"there are two values of {key}{where}.\n    {line[:100]}\n  Leave one of them out."
    together = "put the keys of both into one"
    section, _, name = head[1].rpartition(".")
    if section in ("lungs", "parts"):
        return f"there are two {section} {name.strip(_QUOTES)!r}.\n  Rename one of them, or {together}."
    return f"there are two sections [{head[1]}].\n  Leave one of them out, or {together}."
