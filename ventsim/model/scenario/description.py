"""The scenario itself."""

from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

import xarray as xr
from pydantic import Field, PlainSerializer, PlainValidator, model_validator

from ventsim.errors import InputError, ScenarioError, fault_of_text
from ventsim.files import read_text, write_file
from ventsim.model.changes import CHANGES, AnyChange, Schedule
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import Description, Kept, Member, plain_values, shown
from ventsim.model.layouts import Layout
from ventsim.model.paths import value_at, with_values
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.reading import read_values
from ventsim.model.scenario.sections import RUN_OPTIONS
from ventsim.model.scenario.writing import write_toml
from ventsim.model.ventilator import SETTINGS, BreathSettings, check_settings
from ventsim.parameters import public
from ventsim.quantities import QUANTITIES, check, quantity

DEFAULT_TOLERANCE = 5e-7
"""Default of the relative error allowed per step; tidal volumes usually come out better than 1e-6. [1]"""

MOST_SAMPLES = 20_000_000
"""Largest number of samples of one run. [1]"""


UNTITLED = "untitled"
"""Title of a scenario without one."""

CANNOT_REPEAT = "# Cannot be run again from here: "
"""How the attribute ``scenario`` begins where a circuit holds parts of the user's own making."""


def _read_text(value: object) -> str:
    if not isinstance(value, str):
        raise ScenarioError(f'{shown(value)} is not text.\n  Write it in quotes: "...".')
    if fault := fault_of_text(value, ""):
        raise ScenarioError(f"{fault.lstrip()}.")
    return value


def _read_title(value: object) -> str:
    title = _read_text(value)
    if not title.strip() or not title.isprintable():
        raise ScenarioError(f"{shown(title)} is not a title.\n  Give one line of text that is not empty.")
    return title


def _read_circuit(value: object) -> Circuit:
    if isinstance(value, Circuit):
        return value
    if isinstance(value, Layout):
        return value.circuit
    if isinstance(value, Mapping):
        return Layout.from_dict(value).circuit if "lungs" in value else Circuit.from_dict(value)
    raise ScenarioError(
        f"{shown(value)} is not a circuit.\n  Give what layouts.shared(...) returns, a Layout or a Circuit."
    )


def _read_windows(value: object) -> tuple[tuple[float, float], ...]:
    """Pairs of times, the first before the second."""
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise ScenarioError(
            f"{shown(value)} is not a list of intervals of time.\n  Give [[start, end], ...] in s."
        )
    windows = []
    for number, item in enumerate(value, start=1):
        is_pair = isinstance(item, Sequence) and not isinstance(item, str) and len(item) == 2
        if not is_pair or any(quantity("time").fault(time) for time in item):
            raise ScenarioError(
                f"number {number}, {shown(item)}, is not an interval of time.\n"
                "  Give [start, end] in s, both at least 0."
            )
        start, end = float(item[0]), float(item[1])
        if not start < end:
            raise ScenarioError(
                f"number {number}, {start:.10g} to {end:.10g} s, ends before it begins.\n"
                f"  Allowed: an end above {start:.10g} s."
            )
        windows.append((start, end))
    return tuple(windows)


class Scenario(Description):
    """All that one run needs: what is ventilated, how, for how long and how precisely.

    Raises
    ------
    ScenarioError
        If a value is impossible or of the wrong type, or a change lies beyond the duration.
    SettingsError
        If the ventilator cannot carry out the settings.
    InputError
        If a change is impossible; the message has its number, counted from 1.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> scenario = Scenario(
    ...     title="one lung",
    ...     circuit=Layout(lungs={"a": Lung(compliance=50.0, resistance=10.0)}),
    ...     settings=PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5),
    ... )
    >>> scenario.replaced({"lungs.a.compliance": 20.0}).value("lungs.a.compliance")
    20.0
    >>> Scenario.from_toml(scenario.to_toml()) == scenario
    True
    """

    kind: ClassVar[str] = "scenario"
    error_type: ClassVar[type[InputError]] = ScenarioError

    title: Annotated[
        str, PlainValidator(_read_title), Field(description="one line that says what it is")
    ] = UNTITLED  # fmt: skip
    about: Annotated[str, PlainValidator(_read_text), Field(description="purpose, source of numbers")] = ""
    circuit: Annotated[
        Kept[Circuit, Circuit | Layout],
        PlainValidator(_read_circuit),
        PlainSerializer(lambda circuit, info: plain_values(circuit.layout or circuit, info)),
        Field(description="what is ventilated, a circuit or the layout of one"),
    ]
    settings: Annotated[BreathSettings, Member(SETTINGS), Field(description="the breath settings")]
    changes: Annotated[
        Sequence[AnyChange],
        Member(CHANGES, many=True),
        Field(description="what changes while the run goes on"),
    ] = ()
    duration: Annotated[float, quantity("duration")] = 60.0
    sample_interval: Annotated[float, quantity("sample_interval")] = 0.01
    tolerance: Annotated[float, quantity("tolerance")] = DEFAULT_TOLERANCE
    waveform_windows: Annotated[
        Sequence[tuple[float, float]],
        PlainValidator(_read_windows),
        Field(description="windows of time whose waveforms are kept [s]"),
    ] = ()
    waveform_every: Annotated[int, quantity("waveform_every")] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        check_settings(self.circuit.ventilator, self.settings)
        for number, change in enumerate(self.changes, start=1):
            if change in self.schedule.unreached(self.duration):
                raise ScenarioError(
                    f"changes.{number}.at {change.at:.10g} s lies beyond the duration of {self.duration:.10g} s.\n"
                    "  Raise duration or lower at."
                )
        for number, (start, end) in enumerate(self.waveform_windows, start=1):
            if end > self.duration:
                raise ScenarioError(
                    f"waveform_windows: number {number}, {start:.10g} to {end:.10g} s, goes on after the duration "
                    f"of {self.duration:.10g} s.\n  Raise duration or end it earlier."
                )
        shortest = min(self.schedule.settings_at(time).period for time in self.schedule.knots)
        if self.sample_interval > shortest:
            raise ScenarioError(
                f"sample_interval {self.sample_interval:.6g} s is longer than a breath.\n"
                f"  Allowed: at most {shortest:.6g} s. Lower sample_interval or rate."
            )
        if self.waveform_every == 1 and self.duration > MOST_SAMPLES * self.sample_interval:
            raise ScenarioError(
                f"duration {self.duration:.6g} s makes {self.duration / self.sample_interval:.3g} samples.\n"
                f"  Allowed: at most {MOST_SAMPLES:.0e}. Lower duration, or raise sample_interval or "
                "waveform_every."
            )
        return self

    @cached_property
    def schedule(self) -> Schedule:
        """Circuit and breath settings at any time of the run."""
        return Schedule(self.circuit, self.settings, self.changes)

    @public
    def value(self, path: str) -> Any:
        """What a path leads to: a number, text or None, or a whole description.

        Parameters
        ----------
        path : str
            Such as ``"lungs.b.compliance"``, ``"settings.peep"`` or ``"limbs.b.inspiratory_tube.length"``.

        Returns
        -------
        object
            The value.

        Raises
        ------
        InputError
            If the path leads nowhere; the message has the nearest names.
        """
        return value_at(self.circuit, self.settings, path)

    @public
    def replaced(self, values: Mapping[str, Any]) -> Self:
        """A new scenario with the values at some paths replaced.

        Parameters
        ----------
        values : mapping of str to object
            New values by path: numbers, text, None, or whole descriptions such as laws.

        Returns
        -------
        Scenario
            Checked like any other.

        Raises
        ------
        InputError
            If a path leads nowhere, or a value is impossible.
        """
        if not isinstance(values, Mapping):
            raise ScenarioError(
                f"replaced takes values by path; got {shown(values)}.\n"
                "  Write .replaced({'lungs.b.compliance': 20})."
            )
        circuit, settings = with_values(self.circuit, self.settings, values)
        return self.changed(circuit=circuit, settings=settings)

    @property
    def keeps_all_waveforms(self) -> bool:
        """Whether the waveforms of every breath are kept."""
        return self.waveform_every == 1 or (self.waveform_every is None and not self.waveform_windows)

    def to_toml(self) -> str:
        """The scenario as TOML text, with every value that is not None.

        Returns
        -------
        str
            Text that :meth:`from_toml` reads back to an equal scenario.
        """
        return write_toml(self)

    @classmethod
    @public
    def from_toml(cls, text: Annotated[str, fault_of_text], *, source: str = "scenario") -> Self:
        """Read a scenario from TOML text.

        Parameters
        ----------
        text : str
            The text.
        source : str, default "scenario"
            Where it comes from, for messages.

        Returns
        -------
        Scenario
            The checked scenario.

        Raises
        ------
        ScenarioError
            With source, key path, value, unit, what is allowed and the nearest right name; all complaints that
            do not depend on each other are reported together.

        Examples
        --------
        >>> Scenario.from_toml("[lungs.a]\\ncompliance = -1\\nresistance = 5", source="ward.toml")
        Traceback (most recent call last):
        ventsim.errors.ScenarioError: ward.toml: lungs.a.compliance -1 mL/cmH2O is not allowed.
          Allowed: above 0 mL/cmH2O; usual: 0.2 to 300 mL/cmH2O.
        ward.toml: section [settings] is missing.
          Write [settings] and below it kind = "pressure control" or kind = "volume control".
        """
        return cls._from_text(text, source=source, title=UNTITLED)

    @classmethod
    def _from_text(cls, text: str, *, source: str, title: str) -> Self:
        """The scenario of a text; `title` is that of a text without one."""
        values = {"title": title} | read_values(text, source=source)
        paths = {name: f"run.{name}" for name in RUN_OPTIONS}
        with Place(source).messages_of(cls, paths=paths):
            return cls(**values)

    @classmethod
    @public
    def from_dataset(cls, dataset: xr.Dataset) -> Self:
        """The scenario that made a result, from the attribute ``scenario`` of the Dataset.

        Parameters
        ----------
        dataset : xarray.Dataset
            Result of a run, also one read from a file.

        Returns
        -------
        Scenario
            The checked scenario.

        Raises
        ------
        ScenarioError
            If the Dataset holds no scenario, or one that cannot be read.
        """
        text = dataset.attrs.get("scenario")
        if not isinstance(text, str):
            raise ScenarioError(
                "the Dataset has no attribute 'scenario', so the run cannot be repeated from it.\n"
                "  Give the result of a run of ventsim, or write a scenario."
            )
        if text.startswith(CANNOT_REPEAT):
            raise ScenarioError(f"{text.lstrip('# ').rstrip()}\n  Run the Python code that made the result.")
        return cls.from_toml(text, source="scenario of the Dataset")

    @classmethod
    @public
    def read(cls, path: str | Path) -> Self:
        """Read a scenario from a TOML file; one without a title gets the name of the file.

        Parameters
        ----------
        path : str or Path
            The file.

        Returns
        -------
        Scenario
            The checked scenario.

        Raises
        ------
        ScenarioError
            If the file cannot be read, or as :meth:`from_toml`.
        """
        name = " ".join(Path(path).stem.split()) or UNTITLED
        return cls._from_text(read_text(Path(path)), source=str(path), title=name)

    @public
    def save(self, path: str | Path) -> None:
        """Write the scenario to a TOML file; a file that exists is replaced in one step.

        Parameters
        ----------
        path : str or Path
            The file.

        Raises
        ------
        FileError
            If the file cannot be written; what was there before is whole.
        """
        write_file(path, self.to_toml())


AnyScenario = Scenario | Circuit | Layout
"""What verbs take: a scenario; or a circuit or the layout of one, followed by breath settings."""


def scenario_of(
    scenario: Any, settings: Any = None, *, where: str, steady: bool = False, **options: Any
) -> Scenario:
    """The scenario that a verb is to run: itself, or one of a circuit and settings.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        What the user gave first.
    settings : BreathSettings or None, default None
        What the user gave second: needed with a circuit, not with a scenario.
    where : str
        The verb, for messages.
    steady : bool, default False
        Whether the verb looks at steady breaths, which have no changes in time.
    **options
        Run options of the verb; None: as the scenario has it.

    Returns
    -------
    Scenario
        With the options.

    Raises
    ------
    InputError
        If one of the two is of the wrong type, an option is impossible, or the scenario has changes that the verb
        does not know.
    """
    given = {name: value for name, value in options.items() if value is not None}
    check(where, {name: value for name, value in given.items() if name in QUANTITIES}, warn=False)
    if isinstance(scenario, Circuit | Layout):
        if not isinstance(settings, BreathSettings):
            what = "are missing" if settings is None else f"{shown(settings)} are of the wrong type"
            raise InputError(
                f"{where}: settings {what}; a circuit needs breath settings.\n"
                "  Give PressureControl(...) or VolumeControl(...) after the circuit."
            )
        circuit = scenario.circuit if isinstance(scenario, Layout) else scenario
        return Scenario(circuit=circuit, settings=settings, **given)
    if not isinstance(scenario, Scenario):
        raise InputError(
            f"{where}: got {shown(scenario)}, but a scenario is needed, or a circuit and settings.\n"
            "  Give Scenario(...), or what layouts.shared(...) returns and PressureControl(...)."
        )
    if settings is not None:
        raise InputError(
            f"{where}: settings are given, but the scenario has its own.\n"
            "  Leave them out, or use scenario.changed(settings=...)."
        )
    if steady and scenario.changes:
        raise InputError(
            f"{where}: the scenario has {len(scenario.changes)} changes in time; a steady breath has none.\n"
            "  Use scenario.changed(changes=()), or simulate for the run in time."
        )
    return scenario.changed(given) if given else scenario
