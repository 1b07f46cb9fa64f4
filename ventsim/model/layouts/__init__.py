"""Ready-made circuits: one lung, or several that share one ventilator.

>>> from ventsim import layouts
>>> from ventsim.model.parts import Lung
>>> soft, stiff = Lung(compliance=50.0, resistance=10.0), Lung(compliance=30.0, resistance=10.0)
>>> circuit = layouts.shared({"a": soft, "b": stiff})
>>> sum(part.kind == "t-piece" for part in circuit.parts.values())
2
"""

from ventsim.model.layouts.assembly import PatientLimbs
from ventsim.model.layouts.bed_places import beds_around, beds_in_row
from ventsim.model.layouts.floor_plan import FloorPlan, TubeLengths
from ventsim.model.layouts.layout import IDEAL_VENTILATOR, Layout, on_floor_plan, shared, single

__all__ = [
    "IDEAL_VENTILATOR",
    "FloorPlan",
    "Layout",
    "PatientLimbs",
    "TubeLengths",
    "beds_around",
    "beds_in_row",
    "on_floor_plan",
    "shared",
    "single",
]
