"""Text files in and out, with messages that tell what to do."""

from pathlib import Path

from ventsim.errors import ScenarioError, nearest_names

_MOST_FILES = 5  # that a message names

SCENARIO_SUFFIXES = (".toml", ".nc")
"""Endings of the names of scenarios and of results, which hold a scenario."""


def read_text(path: Path) -> str:
    """Text of a scenario file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    ScenarioError
        If it cannot be read as text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")  # some editors begin a file with a byte order mark
    except FileNotFoundError:
        raise ScenarioError(f"there is no file '{path}'.\n  {_nearest(path)}") from None
    except IsADirectoryError:
        raise ScenarioError(f"'{path}' is a folder, not a file.\n  {_nearest(path / '*.toml')}") from None
    except UnicodeDecodeError:
        raise ScenarioError(
            f"'{path}' is not a text file in UTF-8.\n"
            "  A scenario is TOML text; that of a result is taken from its Dataset by Scenario.from_dataset."
        ) from None
    except (OSError, ValueError) as error:
        raise ScenarioError(f"cannot read '{path}': {_reason(error)}.\n  Give a file that can be read.") from None


def write_text(path: Path, text: str) -> None:
    """Write a scenario file.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        Its text.

    Raises
    ------
    ScenarioError
        If it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise ScenarioError(
            f"cannot write '{path}': {_reason(error)}.\n  Give a file in a folder that can be written to."
        ) from None


def scenario_files(folder: Path) -> tuple[str, ...]:
    """Names of the scenarios and results in a folder.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    tuple of str
        In alphabetical order; empty if the folder cannot be read.
    """
    try:
        return tuple(sorted(item.name for item in folder.iterdir() if item.suffix in SCENARIO_SUFFIXES))
    except OSError:
        return ()


def _nearest(path: Path) -> str:
    """A hint to the files near a wrong path."""
    found = scenario_files(path.parent)
    if not found:
        return f"Neither scenario nor result is in '{path.parent}'."
    # Without their endings, in which all are alike.
    stems = nearest_names(path.stem, dict.fromkeys(Path(name).stem for name in found))
    near = [name for stem in stems for name in found if Path(name).stem == stem]
    if near:
        return f"Did you mean {' or '.join(repr(str(path.parent / name)) for name in near)}?"
    some = ", ".join(repr(str(path.parent / name)) for name in found[:_MOST_FILES])
    return f"There {'is' if len(found) == 1 else 'are'} {some}{' and more' if len(found) > _MOST_FILES else ''}."


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)
