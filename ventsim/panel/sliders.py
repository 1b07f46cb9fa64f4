"""The panel of sliders."""

import html
from typing import TYPE_CHECKING

from ventsim.errors import VentsimError
from ventsim.panel.picture import BreathPicture
from ventsim.parts import Lung
from ventsim.ventilator import BreathSettings, PressureControl, VolumeControl

if TYPE_CHECKING:
    from ipywidgets import VBox, Widget

__all__ = ["two_lungs"]

_MODES = ("pressure control", "volume control")
_WIDTH = "860px"
_IE_RATIO = 0.5  # as in most examples; a slider more would teach nothing about sharing [1]

# Label, first value, least, most, step. Invented, and within what ventsim finds plausible.
_SLIDERS = {
    "compliance_a": ("compliance of a [mL/cmH2O]", 50.0, 10.0, 100.0, 5.0),
    "resistance_a": ("resistance of a [cmH2O·s/L]", 10.0, 2.0, 50.0, 1.0),
    "compliance_b": ("compliance of b [mL/cmH2O]", 25.0, 10.0, 100.0, 5.0),
    "resistance_b": ("resistance of b [cmH2O·s/L]", 10.0, 2.0, 50.0, 1.0),
    "inspiratory_pressure": ("set pressure above PEEP [cmH2O]", 12.0, 5.0, 30.0, 1.0),
    "tidal_volume": ("set volume [mL]", 800.0, 200.0, 1400.0, 50.0),
    "rate": ("rate [1/min]", 14.0, 6.0, 30.0, 1.0),
    "peep": ("PEEP [cmH2O]", 5.0, 0.0, 15.0, 1.0),
}
_OF_MODE = {_MODES[0]: "inspiratory_pressure", _MODES[1]: "tidal_volume"}


def two_lungs() -> "VBox":
    """Sliders for two lungs on one ventilator, and a picture of the breath that follows them.

    Compliance and resistance of each lung, mode, set pressure or set volume, rate and PEEP; inspiration lasts
    half as long as expiration. The numbers that it starts with are invented. It needs a notebook that runs;
    elsewhere use :class:`BreathPicture`.

    Returns
    -------
    ipywidgets.VBox
        The panel; a notebook shows it where it is the last value of a cell.

    Raises
    ------
    ModuleNotFoundError
        If ipywidgets is not installed.

    Examples
    --------
    ``ventsim.panel.two_lungs()`` as the last line of a cell.
    """
    try:
        import ipywidgets as widgets
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError(
            "the panel of sliders needs ipywidgets, which is not installed.\n"
            '  Install it with: python -m pip install "ventsim[notebooks]"; or use ventsim.panel.BreathPicture.'
        ) from error

    sliders = _make_sliders()
    mode = widgets.ToggleButtons(options=_MODES, style={"button_width": "150px"})
    values = {name: slider.value for name, slider in sliders.items()}
    picture = BreathPicture(_lungs(values), _settings(values, mode.value))
    image = widgets.Image(value=picture.png(), format="png", layout={"width": _WIDTH, "max_width": "100%"})
    message = widgets.HTML()

    def follow(_: object = None) -> None:
        for each, name in _OF_MODE.items():
            sliders[name].layout.display = None if each == mode.value else "none"
        try:
            values = {name: slider.value for name, slider in sliders.items()}
            picture.redraw(_lungs(values), _settings(values, mode.value))
        except VentsimError as error:
            message.value = f"<pre>{html.escape(str(error))}</pre>"
            return
        message.value, image.value = "", picture.png()

    for control in (mode, *sliders.values()):
        control.observe(follow, names="value")
    follow()
    names = list(sliders)
    columns = [widgets.VBox([sliders[name] for name in group]) for group in (names[:4], names[4:])]
    return widgets.VBox([mode, widgets.HBox(columns, layout={"flex_flow": "row wrap"}), message, image])


def _make_sliders() -> "dict[str, Widget]":
    import ipywidgets as widgets

    return {
        name: widgets.FloatSlider(
            value=first,
            min=least,
            max=most,
            step=step,
            description=label,
            readout_format=".0f",
            style={"description_width": "230px"},
            layout={"width": "430px"},
        )
        for name, (label, first, least, most, step) in _SLIDERS.items()
    }


def _lungs(values: dict[str, float]) -> dict[str, Lung]:
    return {
        name: Lung(compliance=values[f"compliance_{name}"], resistance=values[f"resistance_{name}"])
        for name in "ab"
    }


def _settings(values: dict[str, float], mode: str) -> BreathSettings:
    common = {"peep": values["peep"], "rate": values["rate"], "ie_ratio": _IE_RATIO}
    if mode == _MODES[0]:
        return PressureControl(inspiratory_pressure=values["inspiratory_pressure"], **common)
    return VolumeControl(tidal_volume=values["tidal_volume"], **common)
