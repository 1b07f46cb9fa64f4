"""Measures of each breath, from any Dataset that fits the schema: simulated, streamed or measured.

Every measure has one definition, in :func:`measured`, a compiled function on the samples of breaths.
The Dataset road (:func:`breath_measures`) and an engine that keeps no waveforms both go through it.

Volumes, means and work are differences of running integrals between the two ends of the breath, so they do
not depend on the sampling when the integrals came with the waveforms. Peaks are the largest sample.
"""

from ventsim.results.measures.breaths import breath_measures, integrate_recording
from ventsim.results.measures.kernel import (
    AT_EQUILIBRIUM,
    LUNG_MEASURES,
    LUNG_SIGNALS,
    PORT_MEASURES,
    PORT_SIGNALS,
    TIMING,
    Measures,
    Samples,
    measured,
    variables_of,
)
from ventsim.results.measures.remarks import (
    LIMITED_SHARE,
    breath_remarks,
    lung_remarks,
    machine_remarks,
    remarks_at,
)
from ventsim.results.measures.table import breath_table

__all__ = [
    "AT_EQUILIBRIUM",
    "LIMITED_SHARE",
    "LUNG_MEASURES",
    "LUNG_SIGNALS",
    "PORT_MEASURES",
    "PORT_SIGNALS",
    "TIMING",
    "Measures",
    "Samples",
    "breath_measures",
    "breath_remarks",
    "breath_table",
    "integrate_recording",
    "lung_remarks",
    "machine_remarks",
    "measured",
    "remarks_at",
    "variables_of",
]
