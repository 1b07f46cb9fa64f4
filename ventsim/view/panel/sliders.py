"""The panel of sliders."""

import html
from typing import TYPE_CHECKING, Any

from ventsim.errors import VentsimError
from ventsim.model.parts import Lung
from ventsim.model.scenario import Scenario
from ventsim.model.ventilator import BreathSettings, PressureControl
from ventsim.view.panel.picture import BreathPicture
from ventsim.view.panel.starting_values import (
    MODES,
    ScenarioOrLungs,
    Slider,
    check_start,
    scenario_of_panel,
    sliders_for,
    with_values,
)

if TYPE_CHECKING:
    from ipywidgets import FloatSlider, VBox

_WIDTH = "860px"
# Invented.
_LUNGS = {"a": Lung(compliance=50.0, resistance=10.0), "b": Lung(compliance=25.0, resistance=10.0)}
_SETTINGS = PressureControl(inspiratory_pressure=12.0, peep=5.0, rate=14.0, ie_ratio=0.5)
_OF_MODE = dict(zip(MODES, ("inspiratory_pressure", "tidal_volume"), strict=True))


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
    widgets = _ipywidgets()
    sliders = {key: _widget(slider) for key, slider in sliders_for(start).items()}
    mode = widgets.ToggleButtons(options=MODES, value=start.settings.kind, style={"button_width": "150px"})
    picture = BreathPicture(start)
    image = widgets.Image(value=picture.png(), format="png", layout={"width": _WIDTH, "max_width": "100%"})
    message = widgets.HTML()

    def follow(_: object = None) -> None:
        for each, name in _OF_MODE.items():
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


def _ipywidgets() -> Any:
    try:
        import ipywidgets
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError(
            "the panel of sliders needs ipywidgets, which is not installed.\n"
            '  Install it with: python -m pip install "ventsim[notebooks]"; or use ventsim.panel.BreathPicture.'
        ) from error
    return ipywidgets


def _widget(slider: Slider) -> "FloatSlider":
    decimals = max(len(f"{number:.4g}".partition(".")[2]) for number in (slider.start, slider.step))
    return _ipywidgets().FloatSlider(
        value=slider.start,
        min=slider.least,
        max=slider.most,
        step=slider.step,
        description=slider.label,
        readout_format=f".{decimals}f",
        style={"description_width": "230px"},
        layout={"width": "430px"},
    )
