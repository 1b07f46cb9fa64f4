"""Pictures of waveforms, measures and studies: each function takes a Dataset that fits the schema and returns Axes.

Every lung has one colour and one pattern of line, the same in every picture, so that lungs can be told apart in
grey print as well. Colours: palette of Okabe and Ito, Color Universal Design, 2008 (from memory), with yellow last
because it is faint on white. Matplotlib is imported when a picture is drawn, not with ventsim.
"""

from ventsim.view.plot.bench import FittedLaw, bench_fit
from ventsim.view.plot.blind_spots import blind_spots
from ventsim.view.plot.circuit_drawing import circuit_drawing
from ventsim.view.plot.differences import differences
from ventsim.view.plot.hours import hours
from ventsim.view.plot.interaction import interaction
from ventsim.view.plot.style import COLOURS
from ventsim.view.plot.sweeps import sweep_lines, sweep_map
from ventsim.view.plot.waveforms import loops, shares, waveforms

__all__ = [
    "COLOURS",
    "FittedLaw",
    "bench_fit",
    "blind_spots",
    "circuit_drawing",
    "differences",
    "hours",
    "interaction",
    "loops",
    "shares",
    "sweep_lines",
    "sweep_map",
    "waveforms",
]
