"""Scenarios that come with ventsim, all invented for demonstration."""

from importlib.resources import files

from ventsim.errors import ScenarioError, check_name
from ventsim.model.scenario.description import Scenario
from ventsim.parameters import public

_FOLDER = files("ventsim.model.scenario").joinpath("builtin_files")
_SUFFIX = ".toml"


def builtin_names() -> tuple[str, ...]:
    """Names of the built-in scenarios.

    Returns
    -------
    tuple of str
        In alphabetical order.

    Examples
    --------
    >>> "two-unequal-lungs" in builtin_names()
    True
    """
    found = (item.name for item in _FOLDER.iterdir())
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in found if name.endswith(_SUFFIX)))


def builtin_text(name: str) -> str:
    """TOML text of a built-in scenario, with its comments.

    Parameters
    ----------
    name : str
        One of :func:`builtin_names`.

    Returns
    -------
    str
        The text.

    Raises
    ------
    ScenarioError
        If there is no such scenario.

    Examples
    --------
    >>> builtin_text("two-unequal-lungs").splitlines()[0]
    'title = "Two unequal lungs"'
    """
    check_name(name, builtin_names(), wrong=f"there is no built-in scenario {name!r}", error=ScenarioError)
    return _FOLDER.joinpath(f"{name}{_SUFFIX}").read_text(encoding="utf-8")


@public
def builtin(name: str) -> Scenario:
    """A built-in scenario.

    Parameters
    ----------
    name : str
        One of :func:`builtin_names`.

    Returns
    -------
    Scenario
        Invented for demonstration, as its text says.

    Raises
    ------
    ScenarioError
        If there is no such scenario.

    Examples
    --------
    >>> builtin("four-equal-lungs").settings.peep
    5.0
    """
    return Scenario.from_toml(builtin_text(name), source=f"built-in scenario '{name}'")
