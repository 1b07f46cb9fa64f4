"""Sliders for a notebook: change lungs and breath, and see what each lung gets.

The picture is redrawn from the steady breath at every move of a slider. Matplotlib and ipywidgets are imported
when a panel or a picture is made, not with ventsim; ipywidgets comes with ``pip install "ventsim[notebooks]"``.
"""

from ventsim.view.panel.sliders import BreathPicture, two_lungs

__all__ = ["BreathPicture", "two_lungs"]
