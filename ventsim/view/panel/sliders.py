"""The panel of sliders."""

import html
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from ventsim.errors import VentsimError
from ventsim.model.parts import Lung
from ventsim.model.ventilator import BreathSettings, PressureControl
from ventsim.view.panel.picture import BreathPicture
from ventsim.view.panel.starting_values import MODES, Slider, breath_of, check_start, lungs_of, sliders_for

if TYPE_CHECKING:
    from ipywidgets import FloatSlider, VBox

_WIDTH = "860px"
# Invented.
_LUNGS: Mapping[str, Lung] = MappingProxyType(
    {"a": Lung(compliance=50.0, resistance=10.0), "b": Lung(compliance=25.0, resistance=10.0)}
)
_SETTINGS = PressureControl(inspiratory_pressure=12.0, peep=5.0, rate=14.0, ie_ratio=0.5)
_OF_MODE = dict(zip(MODES, ("inspiratory_pressure", "tidal_volume"), strict=True))


def two_lungs(lungs: Mapping[str, Lung] | None = None, settings: BreathSettings | None = None) -> "VBox":
    """Sliders for two lungs on one ventilator, and a picture of the breath that follows them.

    Compliance and resistance of each lung, mode, set pressure or set volume, rate and PEEP. Everything else stays
    as it is in the lungs and settings that the panel starts with. It needs a notebook that runs; elsewhere use
    :class:`BreathPicture`.

    Parameters
    ----------
    lungs : mapping of str to Lung or None, default None
        Two lungs by name, with which the sliders start; None: invented ones, called a and b.
    settings : PressureControl or VolumeControl or None, default None
        The breath with which the sliders start; None: an invented one, inspiration half as long as expiration.

    Returns
    -------
    ipywidgets.VBox
        The panel; a notebook shows it where it is the last value of a cell.

    Raises
    ------
    InputError
        If there are not two simple lungs, or the settings are something else.
    ModuleNotFoundError
        If ipywidgets is not installed.

    Examples
    --------
    ``ventsim.panel.two_lungs()`` as the last line of a cell, or
    ``ventsim.panel.two_lungs({"left": Lung(compliance=40, resistance=8), "right": Lung(...)}, settings)``.
    """
    lungs, settings = _LUNGS if lungs is None else lungs, _SETTINGS if settings is None else settings
    check_start(lungs, settings)
    try:
        import ipywidgets as widgets
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError(
            "the panel of sliders needs ipywidgets, which is not installed.\n"
            '  Install it with: python -m pip install "ventsim[notebooks]"; or use ventsim.panel.BreathPicture.'
        ) from error

    sliders = {key: _widget(slider) for key, slider in sliders_for(lungs, settings).items()}
    mode = widgets.ToggleButtons(options=MODES, value=settings.kind, style={"button_width": "150px"})
    picture = BreathPicture(lungs, settings)
    image = widgets.Image(value=picture.png(), format="png", layout={"width": _WIDTH, "max_width": "100%"})
    message = widgets.HTML()

    def follow(_: object = None) -> None:
        for each, name in _OF_MODE.items():
            sliders["", name].layout.display = None if each == mode.value else "none"
        try:
            values = {key: slider.value for key, slider in sliders.items()}
            picture.redraw(lungs_of(lungs, values), breath_of(settings, values, mode=mode.value))
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


def _widget(slider: Slider) -> "FloatSlider":
    import ipywidgets as widgets

    decimals = max(len(f"{number:.4g}".partition(".")[2]) for number in (slider.start, slider.step))
    return widgets.FloatSlider(
        value=slider.start,
        min=slider.least,
        max=slider.most,
        step=slider.step,
        description=slider.label,
        readout_format=f".{decimals}f",
        style={"description_width": "230px"},
        layout={"width": "430px"},
    )
