"""One row of the validation table: a reference, what ventsim gives for it, and how far apart they may be."""

import math
from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "closed form",
    "worked closed form",
    "order of convergence",
    "independent solver",
    "published theory",
    "published bench",
    "bench without source",
    "nominal value",
    "symmetry",
]
"""What a reference is.

closed form: formula of `ventsim.theory`, which shares no code with the solver;
worked closed form: digits worked out from textbook formulas outside this library;
order of convergence: the order that the method claims;
independent solver: another integrator on equations written by hand;
published theory: numbers computed and printed in a publication;
published bench: numbers measured and printed in a publication;
bench without source: measured figures that are passed on as common practice;
nominal value: what a test is meant to give, not measured;
symmetry: what must be equal.
"""


Evidence = Literal["verification", "validation", "context"]
"""What a row can show.

verification: that the equations are solved correctly, against formulas and solvers;
validation: that they are the right ones, against what others measured;
context: neither.
"""

OF_KIND: dict[Kind, Evidence] = {
    "closed form": "verification",
    "worked closed form": "verification",
    "order of convergence": "verification",
    "independent solver": "verification",
    "published theory": "verification",
    "symmetry": "verification",
    "published bench": "validation",
    "bench without source": "validation",
    "nominal value": "context",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """A comparison of one number.

    Parameters
    ----------
    case : str
        Name of the folder.
    kind : str
        What the reference is, one of `Kind`.
    quantity : str
        What is compared; unique within the case.
    unit : str
        Unit of reference, uncertainty and value.
    reference : float
        The number to be met. [unit]
    reference_uncertainty : float or None
        Half width of what the reference leaves open; 0 for an exact one, None where it is not stated. [unit]
    value : float
        What ventsim gives. [unit]
    limit : float
        Largest difference allowed, chosen before the comparison. [1 if relative, else unit]
    relative : bool
        Whether difference and limit are relative to the reference.
    why : str
        Why that limit.
    since : str
        Version of ventsim in which the limit was set.
    explanation : str, default ""
        Why the row fails, for one that is known to; such a row must fail.
    any_model : str, default ""
        Why any model would pass, or a wrong law at least, for a row that therefore shows nothing about this one's
        laws and numbers.
    span : pair of floats or None, default None
        Least and largest that ventsim gives for all that the reference leaves open, if `value` is the nearest to
        the reference between them. [unit]
    """

    case: str
    kind: Kind
    quantity: str
    unit: str
    reference: float
    reference_uncertainty: float | None
    value: float
    limit: float
    relative: bool
    why: str
    since: str = "0.1.0"
    explanation: str = ""
    any_model: str = ""
    span: tuple[float, float] | None = None

    @property
    def evidence(self) -> Evidence:
        """What the row can show, by its kind."""
        return OF_KIND[self.kind]

    @property
    def difference(self) -> float:
        """Value minus reference, relative if the limit is. [1 or unit]"""
        difference = self.value - self.reference
        return difference / abs(self.reference) if self.relative else difference

    @property
    def passes(self) -> bool:
        """Whether the difference is a number within the limit."""
        return math.isfinite(self.difference) and abs(self.difference) <= self.limit

    @property
    def is_as_expected(self) -> bool:
        """Whether the row passes, or fails and has its explanation."""
        return self.passes != bool(self.explanation)
