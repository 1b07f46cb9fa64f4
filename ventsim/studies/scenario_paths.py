"""What a study varies: values of circuit and settings by path, and of the recipe that made the circuit.

Paths are those of changes, such as ``lungs.b.compliance`` or ``settings.peep``. Where the circuit comes from a
layout, values of its recipe have paths too, such as ``branches.b.inspiratory_tube.length``; for them the circuit
is built anew.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, get_args

from ventsim.errors import InputError, suggestion
from ventsim.model.changes.paths import canonical, roots, steps_of, value_at, with_values
from ventsim.model.changes.walking import Steps, Value, field_at, item_at, quantity_at, replaced
from ventsim.model.circuit import Circuit
from ventsim.model.layouts import Branch, Layout
from ventsim.model.parts import Adapter, Description, TPiece, Tube
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings
from ventsim.quantities import Quantity

_BRANCHES, _EXTENSIONS = "branches", "extensions"
_EXTENSION_LENGTH = 2.0  # of the tube that a layout takes by itself [m]
_NAMED_BY_OWNER = ("lungs", "parts")


@dataclass(frozen=True, eq=False)
class Subject:
    """A circuit with its settings, and the layout that made it.

    Parameters
    ----------
    circuit : Circuit
        Ventilator, lungs and what joins them.
    settings : PressureControl or VolumeControl
        The breath.
    layout : Layout or None, default None
        The recipe of the circuit; None: there is none.

    Examples
    --------
    >>> from ventsim.model.scenario import builtin
    >>> subject = subject_of(builtin("two-unequal-lungs"))
    >>> subject.value("branches.b.inspiratory_tube.length")
    1.5
    """

    circuit: Circuit
    settings: BreathSettings
    layout: Layout | None = None

    @cached_property
    def _recipe(self) -> dict[str, Any]:
        return {} if self.layout is None else _recipe_of(self.layout)

    def value(self, path: str) -> Value:
        """The value at the end of a path.

        Parameters
        ----------
        path : str
            Steps with full stops between.

        Returns
        -------
        float, str or None
            The value. [unit of its field]

        Raises
        ------
        InputError
            If there is no such path, or it does not lead to a single value.
        """
        if not isinstance(path, str):
            raise InputError(f"path {path!r} is not text.\n  Write it as 'settings.peep' or 'lungs.b.compliance'.")
        steps = steps_of(path)
        if steps[0] not in self._recipe:
            known = [*roots(self.circuit, self.settings), *self._recipe]
            if steps[0] not in known and steps[0] not in self.circuit.parts:
                raise InputError(f"path {path!r}: there is no '{steps[0]}'.\n  {suggestion(steps[0], known)}")
            return value_at(self.circuit, self.settings, path=path)
        found = item_at(self._recipe, steps)
        if isinstance(found, Description | Mapping | tuple):
            if isinstance(found, Description):
                names = list(type(found).model_fields)
            else:
                names = [str(k) for k in range(1, len(found) + 1)] if isinstance(found, tuple) else list(found)
            raise InputError(f"path {path!r} does not lead to a single value.\n  {suggestion('', names)}")
        return found

    def quantity(self, path: str) -> Quantity | None:
        """Unit, limits and meaning of the number at the end of a path; None if it has none.

        Parameters
        ----------
        path : str
            A path that exists.

        Returns
        -------
        Quantity or None
            As in the field's annotation.
        """
        return quantity_at(self._root, steps_of(path))

    def choices(self, path: str) -> tuple[str, ...]:
        """The words that a field takes, empty if they are not told.

        Parameters
        ----------
        path : str
            A path that exists.

        Returns
        -------
        tuple of str
            The words.
        """
        field = field_at(self._root, steps_of(path))
        return () if field is None else tuple(word for word in get_args(field.annotation) if isinstance(word, str))

    @property
    def _root(self) -> dict[str, Any]:
        return {**roots(self.circuit, self.settings), **self._recipe}

    def meaning(self, path: str) -> str:
        """What a path leads to, in a few words that suit the axis of a plot.

        Parameters
        ----------
        path : str
            A path that exists.

        Returns
        -------
        str
            Such as ``"b: bore"``.
        """
        steps, quantity = steps_of(path), self.quantity(path)
        owner = steps[1:-1] if steps[0] in _NAMED_BY_OWNER else () if steps[0] == "settings" else steps[:-1]
        what = steps[-1].replace("_", " ") if quantity is None else quantity.meaning.partition(";")[0]
        return f"{' '.join(owner).replace('_', ' ')}: {what}" if owner else what

    def is_same(self, path: str, other: str) -> bool:
        """Whether two paths lead to one value: a lung is a part.

        Parameters
        ----------
        path, other : str
            Paths that exist.

        Returns
        -------
        bool
            Whether they do.
        """
        return canonical(steps_of(path)) == canonical(steps_of(other))

    def of_recipe(self, path: str) -> bool:
        """Whether a path leads to a value of the recipe.

        Parameters
        ----------
        path : str
            A path that exists.

        Returns
        -------
        bool
            Whether the circuit is built anew for it.
        """
        return steps_of(path)[0] in self._recipe

    def changed(self, values: Mapping[str, Value]) -> tuple[Circuit, BreathSettings]:
        """Circuit and settings with several values replaced, those of the recipe first.

        Parameters
        ----------
        values : mapping of str to float or str
            New values by path. [unit of each field]

        Returns
        -------
        tuple of (Circuit, BreathSettings)
            What nothing was replaced in is the same object.

        Raises
        ------
        InputError
            If a value is impossible.
        """
        recipe = {steps_of(path): value for path, value in values.items() if self.of_recipe(path)}
        rest = {path: value for path, value in values.items() if not self.of_recipe(path)}
        circuit = self.circuit if not recipe else _rebuilt(self.layout, recipe)
        return with_values(circuit, self.settings, values=rest)


@dataclass(frozen=True, slots=True)
class StudyCase:
    """One point of a study as a value, which a process or a cluster can take.

    Parameters
    ----------
    subject : Subject
        What is varied.
    paths : tuple of str
        Paths that exist.
    values : tuple of float or str
        The value of each. [unit of each field]

    Examples
    --------
    >>> from ventsim.model.scenario import builtin
    >>> case = StudyCase(subject_of(builtin("two-unequal-lungs")), ("settings.peep",), (8.0,))
    >>> case()[1].peep
    8.0
    """

    subject: Subject
    paths: tuple[str, ...]
    values: tuple[Value, ...]

    def __call__(self) -> tuple[Circuit, BreathSettings]:
        """Make circuit and settings; raises InputError if a value is impossible."""
        return self.subject.changed(dict(zip(self.paths, self.values, strict=True)))


def subject_of(scenario: Scenario | Circuit, *, settings: BreathSettings | None = None) -> Subject:
    """What a study varies, from what the user hands over.

    Parameters
    ----------
    scenario : Scenario or Circuit
        A scenario without changes in time, or a circuit.
    settings : PressureControl, VolumeControl or None, default None
        The breath of a circuit; None: that of the scenario.

    Returns
    -------
    Subject
        Circuit, settings and the layout, if there is one.

    Raises
    ------
    InputError
        If it is neither, or settings are missing or given twice.

    Examples
    --------
    >>> from ventsim.model.scenario import builtin
    >>> subject_of(builtin("two-unequal-lungs")).layout.arrangement
    'tree'
    """
    if isinstance(scenario, Circuit):
        if not isinstance(settings, BreathSettings):
            raise InputError(
                f"settings: got {type(settings).__name__}, but a circuit needs breath settings.\n"
                "  Give settings=PressureControl(...) or VolumeControl(...)."
            )
        return Subject(scenario, settings)
    if not isinstance(scenario, Scenario):
        raise InputError(f"got {type(scenario).__name__}, but a Scenario, or a Circuit with settings=, is needed.")
    if settings is not None:
        raise InputError(
            "settings are given, but the scenario has its own.\n"
            "  Leave them out, or use scenario.changed({'settings': ...})."
        )
    if scenario.changes:
        raise InputError(
            f"the scenario has {len(scenario.changes)} changes in time; a study of steady breaths has none.\n"
            "  Use scenario.changed({'changes': ()}), or simulate_scenario for the course in time."
        )
    layout = scenario.plan if isinstance(scenario.plan, Layout) else None
    return Subject(scenario.circuit, scenario.settings, layout)


def _recipe_of(layout: Layout) -> dict[str, Any]:
    """Descriptions of a recipe by name, those that it leaves to their defaults included."""
    branch, lungs = layout.branch or Branch(), list(layout.lungs)
    recipe: dict[str, Any] = {
        "branch": branch,
        _BRANCHES: {name: layout.branches.get(name, branch) for name in lungs},
        "t_piece": layout.t_piece or TPiece(),
        "adapter": layout.adapter or Adapter(),
    }
    if layout.floor_plan is not None:
        recipe["floor_plan"] = layout.floor_plan
    if layout.arrangement == "chain" or layout.floor_plan is not None:
        recipe["extension"] = extension = layout.extension or Tube(length=_EXTENSION_LENGTH)
        if layout.floor_plan is None:
            # The first bed has a tube of its own only where one is given.
            reached = [name for name in lungs if name in layout.extensions or name != lungs[0]]
            recipe[_EXTENSIONS] = {name: layout.extensions.get(name, extension) for name in reached}
    return recipe


def _rebuilt(layout: Layout, values: Mapping[Steps, Value]) -> Circuit:
    """The circuit of a recipe with values replaced; what is said of a single lung goes before what is of all."""
    for_all = {steps: value for steps, value in values.items() if steps[0] not in (_BRANCHES, _EXTENSIONS)}
    if for_all:
        new = replaced(_recipe_of(layout), for_all)
        layout = layout.changed({name: new[name] for name in {steps[0] for steps in for_all}})
    of_one = {steps: value for steps, value in values.items() if steps not in for_all}
    if of_one:
        new = replaced(_recipe_of(layout), of_one)
        changes = {}
        for name in {steps[0] for steps in of_one}:
            given = {*getattr(layout, name), *(steps[1] for steps in of_one if steps[0] == name)}
            changes[name] = {lung: item for lung, item in new[name].items() if lung in given}
        layout = layout.changed(changes)
    return layout.circuit()
