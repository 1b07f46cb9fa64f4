"""Flow laws and pressure-volume laws: what a `resistance` or a `compliance` may be instead of a number.

>>> from ventsim import laws
>>> law = laws.Rohrer(linear=5.0, quadratic=8.0) + laws.Orifice(bore=5.0)
>>> round(float(law.pressure_drop(0.5)), 2)
9.97
"""

from ventsim.model.laws.bench_fit import RohrerFit, fit_rohrer
from ventsim.model.laws.elastic import (
    ELASTIC_LAWS,
    OR_ELASTIC_LAW,
    AnyElasticLaw,
    ElasticLaw,
    ElasticSum,
    ElasticTerms,
    Exponential,
    Sigmoid,
    VolumeDependent,
    elastic_law,
    overdistension_index,
    series_compliance,
)
from ventsim.model.laws.flow import (
    FLOW_LAWS,
    OPEN,
    OR_FLOW_LAW,
    AnyFlowLaw,
    FlowLaw,
    PowerLaw,
    Rohrer,
    Series,
    flow_law,
)
from ventsim.model.laws.measured import AdjustableCurve, MeasuredCurve, MonotoneFit, fit_monotone
from ventsim.model.laws.orifice import EquivalentBore, Orifice, PrintedBore, orifice_bore, printed_bore
from ventsim.model.laws.tracheal import tracheal_tube_curvature, tracheal_tube_friction, tracheal_tube_length
from ventsim.model.laws.tube_friction import (
    TubeFriction,
    friction_factor,
    reynolds_number,
    tube_inertance,
    tube_volume,
)

__all__ = [
    "ELASTIC_LAWS",
    "FLOW_LAWS",
    "OPEN",
    "OR_ELASTIC_LAW",
    "OR_FLOW_LAW",
    "AdjustableCurve",
    "AnyElasticLaw",
    "AnyFlowLaw",
    "ElasticLaw",
    "ElasticSum",
    "ElasticTerms",
    "EquivalentBore",
    "Exponential",
    "FlowLaw",
    "MeasuredCurve",
    "MonotoneFit",
    "Orifice",
    "PowerLaw",
    "PrintedBore",
    "Rohrer",
    "RohrerFit",
    "Series",
    "Sigmoid",
    "TubeFriction",
    "VolumeDependent",
    "elastic_law",
    "fit_monotone",
    "fit_rohrer",
    "flow_law",
    "friction_factor",
    "orifice_bore",
    "overdistension_index",
    "printed_bore",
    "reynolds_number",
    "series_compliance",
    "tracheal_tube_curvature",
    "tracheal_tube_friction",
    "tracheal_tube_length",
    "tube_inertance",
    "tube_volume",
]
