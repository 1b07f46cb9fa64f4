"""Sliders for a notebook: change lungs and breath, and see what each lung gets.

The picture is redrawn from the steady breath at every move of a slider. Matplotlib and ipywidgets are imported
when a panel or a picture is made, not with ventsim; ipywidgets comes with ``pip install "ventsim[notebooks]"``.
"""

import html
import io
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ventsim.errors import InputError, VentsimError
from ventsim.model.descriptions import shown
from ventsim.model.layouts import shared
from ventsim.model.parts import Lung, LungPart
from ventsim.model.scenario import AnyScenario, Scenario, scenario_of
from ventsim.model.ventilator import BreathSettings, PressureControl, VolumeControl
from ventsim.parameters import public
from ventsim.results.measures import breath_measures
from ventsim.simulation import steady_breath
from ventsim.tables import fixed, percent
from ventsim.view.plot.style import COLOURS, FAINT, as_text, axis_label, line_style

if TYPE_CHECKING:
    from ipywidgets import VBox

__all__ = ["BreathPicture", "two_lungs"]


ScenarioOrLungs = AnyScenario | Mapping[str, LungPart]
"""What a panel starts with: lungs by name get the default circuit."""

# Modes that a panel can show, and what only one of them has.
_MODES: dict[str, tuple[type[PressureControl | VolumeControl], str]] = {
    PressureControl.kind: (PressureControl, "inspiratory_pressure"),
    VolumeControl.kind: (VolumeControl, "tidal_volume"),
}
_OF_LUNG = ("compliance", "resistance")
_OF_BREATH = ("inspiratory_pressure", "tidal_volume", "rate", "peep")
# Words, unit, least, most, step. Invented, and within what ventsim finds plausible.
_RANGES = {
    "compliance": ("compliance of {lung}", "mL/cmH2O", 10.0, 100.0, 5.0),
    "resistance": ("resistance of {lung}", "cmH2O·s/L", 2.0, 50.0, 1.0),
    "inspiratory_pressure": ("set pressure above PEEP", "cmH2O", 5.0, 30.0, 1.0),
    "tidal_volume": ("set volume", "mL", 200.0, 1400.0, 50.0),
    "rate": ("rate", "1/min", 6.0, 30.0, 1.0),
    "peep": ("PEEP", "cmH2O", 0.0, 15.0, 1.0),
}
_EXACT = 1e-9  # rounding of floats that costs no step [1]
_OTHER_MODE = {"inspiratory_pressure": 12.0, "tidal_volume": 800.0}  # where the other mode starts, invented
# Invented.
_LUNGS = {"a": Lung(compliance=50.0, resistance=10.0), "b": Lung(compliance=25.0, resistance=10.0)}
_SETTINGS = PressureControl(inspiratory_pressure=12.0, peep=5.0, rate=14.0, ie_ratio=0.5)


@public
def two_lungs(scenario: ScenarioOrLungs | None = None, settings: BreathSettings | None = None) -> "VBox":
    """Sliders for two lungs on one ventilator, and a picture of the breath that follows them.

    Compliance and resistance of each lung, mode, set pressure or set volume, rate and PEEP. Everything else stays
    as it is in the circuit and settings that the panel starts with. It needs a notebook that runs; elsewhere use
    :class:`BreathPicture`.

    Parameters
    ----------
    scenario : Scenario, Circuit, Layout or mapping of str to LungPart, optional
        Two lungs by name, with which the sliders start, on the default circuit; a circuit of two lungs; or a
        scenario without changes. Not given: invented lungs, called a and b.
    settings : PressureControl or VolumeControl, optional
        The breath with which the sliders start, unless a scenario is given; not given: an invented one,
        inspiration half as long as expiration.

    Returns
    -------
    ipywidgets.VBox
        The panel; a notebook shows it where it is the last value of a cell.

    Raises
    ------
    InputError
        If there are not two lungs with one number each for compliance and resistance, or the settings are
        something else.
    ModuleNotFoundError
        If ipywidgets is not installed.

    Examples
    --------
    ``ventsim.panel.two_lungs()`` as the last line of a cell, or
    ``ventsim.panel.two_lungs({"left": Lung(compliance=40, resistance=8), "right": Lung(...)}, settings)``.
    """
    if settings is None and not isinstance(scenario, Scenario):
        settings = _SETTINGS
    start = scenario_of_panel(_LUNGS if scenario is None else scenario, settings, where="two_lungs")
    check_start(start)
    try:
        import ipywidgets as widgets
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError(
            "the panel of sliders needs ipywidgets, which is not installed.\n"
            '  Install it with: python -m pip install "ventsim[notebooks]"; or use ventsim.panel.BreathPicture.'
        ) from error
    look = {"style": {"description_width": "230px"}, "layout": {"width": "430px"}}
    sliders = {key: widgets.FloatSlider(**slider, **look) for key, slider in sliders_for(start).items()}
    mode = widgets.ToggleButtons(options=tuple(_MODES), value=start.settings.kind, style={"button_width": "150px"})
    picture = BreathPicture(start)
    image = widgets.Image(value=picture.png(), format="png", layout={"width": "860px", "max_width": "100%"})
    message = widgets.HTML()

    def follow(_: object = None) -> None:
        for each, (_, name) in _MODES.items():
            sliders["", name].layout.display = None if each == mode.value else "none"
        try:
            values = {key: slider.value for key, slider in sliders.items()}
            picture.redraw(with_values(start, values, mode=mode.value))
        except VentsimError as error:
            message.value = f"<pre>{html.escape(str(error))}</pre>"
            return
        message.value, image.value = "", picture.png()

    for control in (mode, *sliders.values()):
        control.observe(follow, names="value")
    follow()
    of_lungs = [slider for (lung, _), slider in sliders.items() if lung]
    of_breath = [slider for (lung, _), slider in sliders.items() if not lung]
    columns = widgets.HBox([widgets.VBox(of_lungs), widgets.VBox(of_breath)], layout={"flex_flow": "row wrap"})
    return widgets.VBox([mode, columns, message, image])


# Steps of the upper ends of the axes, so that they stand still while little changes.
_PRESSURE_STEP, _VOLUME_STEP = 10.0, 200.0  # [cmH2O], [mL]


@public
class BreathPicture:
    """Pressures, volumes and tidal volumes of the steady breath of lungs on one ventilator.

    Lines, bars and texts are made once; :meth:`redraw` gives them new values. A notebook shows the picture where
    it is the last value of a cell.

    Parameters
    ----------
    scenario : Scenario, Circuit, Layout or mapping of str to LungPart
        A scenario without changes; or a circuit, followed by `settings`. Lungs by name, also followed by
        `settings`, hang on the default circuit, :func:`ventsim.layouts.shared`.
    settings : BreathSettings, optional
        The breath, unless a scenario is given.

    Raises
    ------
    InputError
        If there is no lung, or circuit and settings do not fit together.

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> from ventsim.model.ventilator import PressureControl
    >>> lungs = {"a": Lung(compliance=50, resistance=10), "b": Lung(compliance=25, resistance=10)}
    >>> settings = PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
    >>> volumes = BreathPicture(lungs, settings).redraw(lungs, settings)
    >>> round(volumes["a"]), round(volumes["b"])
    (516, 283)
    """

    def __init__(self, scenario: ScenarioOrLungs, settings: BreathSettings | None = None) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        scenario = scenario_of_panel(scenario, settings, where="BreathPicture")
        self.figure = Figure(figsize=(8.6, 4.0), dpi=70)
        self._canvas = FigureCanvasAgg(self.figure)
        self._names = list(scenario.circuit.lungs)
        grid = self.figure.add_gridspec(
            2, 2, width_ratios=(2.0, 1.0), left=0.09, right=0.985, top=0.9, bottom=0.13, hspace=0.14, wspace=0.24
        )
        self._pressure_axes = self.figure.add_subplot(grid[0, 0])
        self._volume_axes = self.figure.add_subplot(grid[1, 0], sharex=self._pressure_axes)
        self._bar_axes = self.figure.add_subplot(grid[:, 1])
        looks = [line_style(k) for k in range(len(self._names))]
        draw = self._pressure_axes.plot
        self._airway = [draw([], [], color=look["color"], linewidth=0.8, alpha=0.7)[0] for look in looks]
        self._alveolar = [
            draw([], [], label=f"lung {as_text(name)}", **look)[0]
            for name, look in zip(self._names, looks, strict=True)
        ]
        draw([], [], **FAINT, label="at the airway")
        above: dict[str, Any] = {"loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "borderaxespad": 0.1}
        self._pressure_axes.legend(ncols=len(self._names) + 1, frameon=False, **above)
        self._pressure_axes.set_ylabel("pressure [cmH2O]")
        self._pressure_axes.tick_params(labelbottom=False)
        self._volume = [self._volume_axes.plot([], [], **look)[0] for look in looks]
        self._volume_axes.set_ylabel("volume breathed in [mL]")
        self._volume_axes.set_xlabel("time [s]")
        self._bars = self._bar_axes.bar(
            list(map(as_text, self._names)), 0.0, width=0.6, color=COLOURS, edgecolor="black", linewidth=0.6
        )
        self._texts = [
            self._bar_axes.annotate("", (k, 0.0), xytext=(0, 3), textcoords="offset points", ha="center")
            for k in range(len(self._names))
        ]
        self._bar_axes.set_title(axis_label("inspired_tidal_volume"), loc="left", fontsize="medium")
        self._bar_axes.set_xlabel("lung")
        self.redraw(scenario)

    @public
    def redraw(self, scenario: ScenarioOrLungs, settings: BreathSettings | None = None) -> dict[str, float]:
        """Show the steady breath of other lungs of the same names, or of another breath.

        Parameters
        ----------
        scenario : Scenario, Circuit, Layout or mapping of str to LungPart
            As for the picture.
        settings : BreathSettings, optional
            The breath, unless a scenario is given.

        Returns
        -------
        dict of str to float
            Inspired tidal volume of every lung. [mL]

        Raises
        ------
        InputError
            If the names are not those of the picture, or circuit and settings do not fit together.
        SolverError
            If no steady breath is found.
        """
        scenario = scenario_of_panel(scenario, settings, where="BreathPicture")
        names = list(scenario.circuit.lungs)
        if names != self._names:
            raise InputError(
                f"the picture shows lungs {', '.join(self._names)}, not {', '.join(names)}.\n"
                "  Give lungs of the same names in the same order, or make another BreathPicture."
            )
        waveforms = steady_breath(scenario)
        volumes = breath_measures(waveforms)["inspired_tidal_volume"].values[0]
        signals = ("time", "airway_pressure", "alveolar_pressure", "volume")
        time, airway, alveolar, volume = (waveforms[name].values for name in signals)
        for k in range(len(self._names)):
            self._airway[k].set_data(time, airway[:, k])
            self._alveolar[k].set_data(time, alveolar[:, k])
            self._volume[k].set_data(time, volume[:, k] - volume[0, k])
            self._bars[k].set_height(volumes[k])
            self._texts[k].xy = (k, volumes[k])
            self._texts[k].set_text(f"{fixed(volumes[k], 0)} mL\n{percent(volumes[k] / volumes.sum(), 0)} %")
        self._pressure_axes.set_xlim(0.0, time[-1])
        self._pressure_axes.set_ylim(0.0, _above(airway.max(), _PRESSURE_STEP))
        self._volume_axes.set_ylim(0.0, _above(1.03 * np.ptp(volume, axis=0).max(), _VOLUME_STEP))
        self._bar_axes.set_ylim(0.0, _above(1.15 * volumes.max(), _VOLUME_STEP))
        return dict(zip(self._names, map(float, volumes), strict=True))

    def png(self) -> bytes:
        """The picture as a PNG file.

        Returns
        -------
        bytes
            The content of the file.
        """
        file = io.BytesIO()
        # Little compression: the picture is seen once, and must come quickly.
        self._canvas.print_png(file, pil_kwargs={"compress_level": 1}, metadata={"Software": None})
        return file.getvalue()

    def _repr_png_(self) -> bytes:
        return self.png()


def _above(value: float, step: float) -> float:
    """The next multiple of the step that is above the value."""
    return step * (math.floor(value / step) + 1.0)


def scenario_of_panel(given: ScenarioOrLungs, settings: BreathSettings | None, *, where: str) -> Scenario:
    """The scenario of which steady breaths are shown.

    Parameters
    ----------
    given : Scenario, Circuit, Layout or mapping of str to LungPart
        Lungs by name get the default circuit, :func:`ventsim.layouts.shared`.
    settings : BreathSettings or None
        The breath; None with a scenario.
    where : str
        What was called, for messages.

    Returns
    -------
    Scenario
        Without changes in time.

    Raises
    ------
    InputError
        If the two do not fit together.
    """
    if not isinstance(given, AnyScenario | Mapping):
        raise InputError(
            f"{where}: got {shown(given)}, but lungs by name are needed, a circuit or a scenario.\n"
            "  Give {'a': Lung(...), 'b': Lung(...)}, what layouts.shared(...) returns, or Scenario(...)."
        )
    circuit = shared(given) if isinstance(given, Mapping) else given
    return scenario_of(circuit, settings, where=where, steady=True)


def check_start(scenario: Scenario) -> None:
    """Refuse what two sliders for each lung and those of the breath cannot stand for.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders start.

    Raises
    ------
    InputError
        If there are not two lungs with one number each for compliance and resistance, or the settings are
        neither pressure nor volume control.
    """
    lungs, settings = scenario.circuit.lungs, scenario.settings
    if len(lungs) != 2:
        raise InputError(
            f"two_lungs: there are {len(lungs)} lungs, the sliders are for 2.\n"
            "  Give {'a': Lung(...), 'b': Lung(...)}, or a scenario with two lungs."
        )
    for name, lung in lungs.items():
        values = {key: getattr(lung, key, None) for key in _OF_LUNG}
        laws = [f"{key} {shown(value)}" for key, value in values.items() if not isinstance(value, float)]
        if not isinstance(lung, Lung) or lung.regions or laws:
            found = "with regions" if getattr(lung, "regions", ()) else " and ".join(laws) or shown(lung)
            raise InputError(
                f"two_lungs: lung {name!r}: {found}; a slider shows a number, not a law or several regions.\n"
                "  Give Lung(compliance=..., resistance=...) with numbers, or draw it with "
                "ventsim.panel.BreathPicture."
            )
    if not isinstance(settings, PressureControl | VolumeControl):
        raise InputError(
            f"two_lungs: settings {shown(settings)} is no breath that has sliders.\n"
            "  Give PressureControl(...) or VolumeControl(...)."
        )


def sliders_for(scenario: Scenario) -> dict[tuple[str, str], dict[str, Any]]:
    """Arguments of the sliders, by the name of the lung (empty for the breath) and of the value.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders start.

    Returns
    -------
    dict of (str, str) to dict
        What ``ipywidgets.FloatSlider`` takes: sliders start at the values of the scenario; one that starts outside
        the usual range goes from a fifth to twice its start, one that starts at 0 from there to the end of that
        range. [units of the labels]

    Examples
    --------
    >>> from ventsim.model.parts import Lung
    >>> settings = PressureControl(inspiratory_pressure=15.0, rate=15.0, ie_ratio=0.5)
    >>> circuit = shared({"soft": Lung(compliance=120.0, resistance=10.0)})
    >>> sliders = sliders_for(Scenario(circuit=circuit, settings=settings))
    >>> sliders["soft", "compliance"]["max"], sliders["", "rate"]["value"]
    (240.0, 15.0)
    """
    starts = {
        (lung, name): getattr(given, name) for lung, given in scenario.circuit.lungs.items() for name in _OF_LUNG
    }
    starts |= {("", name): getattr(scenario.settings, name, _OTHER_MODE.get(name)) for name in _OF_BREATH}
    sliders = {}
    for (lung, name), start in starts.items():
        words, unit, least, most, step = _RANGES[name]
        if start > 0.0 and not least <= start <= most:  # a newborn, say: steps that suit the start
            least, most, step = 0.2 * start, 2.0 * start, 0.1 * start
        # So that steps meet the start.
        least = start - step * math.floor((start - min(least, start)) / step + _EXACT)
        decimals = max(len(f"{number:.4g}".partition(".")[2]) for number in (start, step))
        words, shown_as = f"{words.format(lung=lung)} [{unit}]", f".{decimals}f"
        limits = {"value": start, "min": least, "max": most, "step": step}
        sliders[lung, name] = {"description": words, "readout_format": shown_as, **limits}
    return sliders


def with_values(scenario: Scenario, values: Mapping[tuple[str, str], float], *, mode: str) -> Scenario:
    """The scenario with the values of the sliders; what has no slider stays, in the other mode the timing.

    Parameters
    ----------
    scenario : Scenario
        With which the sliders started.
    values : mapping of (str, str) to float
        Values by the keys of :func:`sliders_for`. [units of the labels]
    mode : {"pressure control", "volume control"}
        The mode that is shown.

    Returns
    -------
    Scenario
        What is to be shown.

    Raises
    ------
    InputError
        If the values contradict each other.
    """
    lungs = {f"lungs.{lung}.{name}": value for (lung, name), value in values.items() if lung}
    of_mode, own = _MODES[mode]
    breath: dict[str, Any] = {name: values["", name] for name in ("rate", "peep", own)}
    settings = scenario.settings
    if settings.kind == mode:
        settings = settings.changed(breath)
    else:
        timing = {name: getattr(settings, name) for name in ("inspiratory_time", "ie_ratio")}
        settings = of_mode(**breath, **timing)
    return scenario.replaced(lungs).changed(settings=settings)
