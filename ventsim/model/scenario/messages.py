"""Where in a file a value stands, and the complaints of descriptions with that place in front."""

import contextlib
import json
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Self

from ventsim.errors import InputError, ScenarioError, nearest_names, suggestion
from ventsim.model import laws
from ventsim.model.descriptions import Description, named

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LAW = re.compile(r"laws\.(\w+)\(([^()]*)\)")


class Complaints:
    """Complaints about several places of a file, reported together.

    Examples
    --------
    >>> found = Complaints()
    >>> for key in ("a", "b"):
    ...     with found.of_one():
    ...         raise Place("ward.toml", key).error("it is wrong.")
    >>> found.tell()
    Traceback (most recent call last):
    ventsim.errors.ScenarioError: ward.toml: a: it is wrong.
    ward.toml: b: it is wrong.
    """

    def __init__(self) -> None:
        self._texts: list[str] = []

    def __bool__(self) -> bool:
        return bool(self._texts)

    @contextlib.contextmanager
    def of_one(self) -> Iterator[None]:
        """Context in which a complaint is kept instead of raised."""
        try:
            yield
        except ScenarioError as error:
            self._texts.append(str(error))

    def tell(self) -> None:
        """Raise one ScenarioError with all complaints, each once; nothing if there is none."""
        if self._texts:
            raise ScenarioError("\n".join(dict.fromkeys(self._texts)))


def read_each(items: Iterable[tuple[str, Any]], read: Callable[[str, Any], Any]) -> dict[str, Any]:
    """What a reader makes of each of several values.

    Parameters
    ----------
    items : iterable of (str, object)
        Values by name.
    read : callable
        Takes name and value.

    Returns
    -------
    dict of str to object
        Results by name.

    Raises
    ------
    ScenarioError
        With the complaints about all values.

    Examples
    --------
    >>> read_each({"a": "1"}.items(), lambda name, value: int(value))
    {'a': 1}
    """
    found, values = Complaints(), {}
    for name, item in items:
        with found.of_one():
            values[name] = read(name, item)
    found.tell()
    return values


@dataclass(frozen=True, slots=True)
class Place:
    """A section or key of a file.

    Parameters
    ----------
    source : str
        Name of the file.
    path : str, default ""
        Keys from the top, with dots between; empty for the top itself.

    Examples
    --------
    >>> Place("ward.toml").inside("parts").inside("a tube").path
    'parts."a tube"'
    """

    source: str
    path: str = ""

    def inside(self, key: str) -> Self:
        """The place of a key in this section.

        Parameters
        ----------
        key : str
            The key.

        Returns
        -------
        Place
            One step further down.
        """
        step = key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)
        return type(self)(self.source, f"{self.path}.{step}" if self.path else step)

    def error(self, text: str) -> ScenarioError:
        """A complaint about this place.

        Parameters
        ----------
        text : str
            What is wrong, and the next step.

        Returns
        -------
        ScenarioError
            To be raised.
        """
        return ScenarioError(": ".join(piece for piece in (self.source, self.path, text) if piece))

    def check_keys(
        self, given: Collection[str], allowed: Collection[str], *, homes: Mapping[str, str],
        elsewhere: Mapping[str, str],
    ) -> None:  # fmt: skip
        """Refuse keys that this section does not have, all of them at once.

        Parameters
        ----------
        given : collection of str
            Keys of the section.
        allowed : collection of str
            Keys that it may have.
        homes : mapping of str to str
            Where keys belong that cannot be slips of a key of this section, for the message.
        elsewhere : mapping of str to str
            Where keys belong that are no piece of a key of this section.

        Raises
        ------
        ScenarioError
            With the nearest right name, or the section where the key belongs.
        """
        found: dict[str, list[str]] = {}
        for key in given:
            if key not in allowed:
                is_piece = any(key in near for near in nearest_names(key, allowed))
                other = "" if is_piece else elsewhere.get(key, "")
                hint = homes.get(key) or other or suggestion(key, allowed)
                found.setdefault(hint, []).append(key)
        read_each(found.items(), self._refuse)

    def _refuse(self, hint: str, keys: Collection[str]) -> None:
        if len(keys) == 1:
            raise self.inside(*keys).error(f"there is no such key here.\n  {hint}")
        raise self.error(f"there are no such keys here: {', '.join(keys)}.\n  {hint}")

    @contextlib.contextmanager
    def messages_of(self, cls: type[Description], *, paths: Mapping[str, str] | None = None) -> Iterator[None]:
        """Turn complaints of a description made inside the ``with`` block into complaints about this place.

        Parameters
        ----------
        cls : type
            Class of the description.
        paths : mapping of str to str or None, default None
            Paths of fields that do not stand at ``path.field``.

        Raises
        ------
        ScenarioError
            In place of any :class:`InputError`.
        """
        with named(self.path) if self.path else contextlib.nullcontext():
            try:
                yield
            except InputError as error:
                if isinstance(error, ScenarioError) and str(error).startswith(f"{self.source}: "):
                    raise
                raise ScenarioError(self._relocated(str(error), cls, paths or {})) from None

    def _relocated(self, text: str, cls: type[Description], paths: Mapping[str, str]) -> str:
        """The text with the label of the description replaced by this place, line by line."""
        labels = (f"{cls.kind} '{self.path}': ", f"{cls.kind}: ")
        lines = []
        for number, line in enumerate(text.split("\n")):
            label = next((label for label in labels if line.startswith(label)), "")
            if not label and number > 0:
                lines.append(line)
                continue
            rest = line.removeprefix(label)
            name = re.split(r"\W", rest, maxsplit=1)[0]
            if name in cls.model_fields:
                path = paths.get(name) or (f"{self.path}.{name}" if self.path else name)
                lines.append(f"{self.source}: {path}{rest.removeprefix(name)}")
            else:
                lines.append(str(self.error(rest)))
        return _LAW.sub(_as_in_a_file, "\n".join(lines))


def _as_in_a_file(written: re.Match[str]) -> str:
    """A law as a file has it, in place of the Python that makes it."""
    kind = getattr(getattr(laws, written[1], None), "kind", None)
    return f'{{ law = "{kind}", {written[2].replace("=", " = ")} }}' if kind else written[0]
