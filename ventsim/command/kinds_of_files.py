"""Which command a TOML file is for."""

from collections.abc import Collection
from pathlib import Path

from ventsim.errors import InputError, ScenarioError
from ventsim.model.scenario.files import read_text
from ventsim.model.scenario.toml_text import parse_toml

DESCRIPTIONS = {"run": "a scenario", "sweep": "a sweep", "size": "a sizing"}
"""What the files of a command are called."""

_SIGNS = {
    "sweep": {"values"},
    "size": {"targets", "vary", "restrict"},
    "run": {"settings", "lungs", "parts", "joints", "layout"},
}


def command_of(keys: Collection[str]) -> str:
    """The command to which the keys at the top of a file belong; empty if they fit none."""
    return next((command for command, signs in _SIGNS.items() if signs & set(keys)), "")


def refuse_other_kind(path: Path, command: str, keys: Collection[str] | None = None) -> None:
    """Raise InputError if a file is for another command; one that cannot be read is nobody's.

    `keys` are those at its top, if they are known.
    """
    if keys is None:
        try:
            keys = parse_toml(read_text(path), source=str(path))
        except ScenarioError:
            return
    meant = command_of(keys)
    if meant not in ("", command):
        raise InputError(
            f"'{path}' describes {DESCRIPTIONS[meant]}, not {DESCRIPTIONS[command]}.\n"
            f"  Write: ventsim {meant} {path}"
        )
