"""Pictures of waveforms, measures and studies: functions that take a Dataset of the schema and return Axes.

Every lung has one colour and one pattern of line, the same in every picture, which can also be distinguished in
grey print. Colours: palette of Okabe and Ito, Color Universal Design, 2008 (from memory), with yellow last
because it is faint on white. Matplotlib is imported when a picture is drawn, not with ventsim.
"""

from ventsim.view.plot.bench import FittedLaw, bench_fit
from ventsim.view.plot.cells import blind_spots, sensitivity_matrix
from ventsim.view.plot.circuit.drawing import circuit_drawing
from ventsim.view.plot.long_runs import hours
from ventsim.view.plot.style import COLOURS
from ventsim.view.plot.sweeps import sweep_lines, sweep_map
from ventsim.view.plot.waveform_plots import differences, loops, shares, waveforms

__all__ = [
    "COLOURS",
    "FittedLaw",
    "bench_fit",
    "blind_spots",
    "circuit_drawing",
    "differences",
    "hours",
    "loops",
    "sensitivity_matrix",
    "shares",
    "sweep_lines",
    "sweep_map",
    "waveforms",
]
