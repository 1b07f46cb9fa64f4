"""A restrictor with a setting, known from a family of curves that were measured on a bench."""

import itertools
from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Self

import numpy as np
from pydantic import model_validator

from ventsim.errors import PartError
from ventsim.model.laws.bench_curve import MonotoneFit
from ventsim.model.laws.bench_fit import RohrerFit
from ventsim.model.laws.measured import measured_curve, points_fault
from ventsim.model.parts.elements import Curve, Element, Passage
from ventsim.model.parts.measured import MeasuredFlows
from ventsim.model.parts.part import Part, gas_stores
from ventsim.model.wording import shown
from ventsim.quantities import finite_array, quantity

_SETTING = quantity("opening")


class AdjustableRestrictor(Part):
    r"""A needle, screw or gate valve in line, set to an opening between those at which it was measured.

    The same in both directions, steady and without hysteresis: play of the thread is not in it, so turn to the
    setting from the side from which the valve was turned on the bench.

    Parameters
    ----------
    openings : tuple of float
        Settings at which it was measured, in turns or marks of its scale, at least two, rising from narrow
        to wide. [1]
    flows : tuple of float
        Measured flows, common to all openings, at least two, rising, without the point of rest. [L/s]
    drops : tuple of tuple of float
        One row for each opening: pressure drop at each of the flows, rising along the row and nowhere larger
        than at a narrower opening. [cmH2O]
    opening : float
        The setting in use, from the first to the last of the openings. [1]
    gas_volume : float, default 0
        Gas inside. [mL]

    Raises
    ------
    PartError
        If a value is impossible, the rows do not belong to openings and flows, a row does not rise, a wider
        opening resists more than a narrower one, or the setting lies outside the measured ones.

    Notes
    -----
    Between two neighbouring openings, flow by flow, the logarithm of the pressure drop is linear in the
    opening:

    .. math::

        \Delta p_j(s) = \Delta p_{j,a}^{\,1 - w} \, \Delta p_{j,b}^{\,w}, \qquad
        w = \frac{s - s_a}{s_b - s_a}

    Then the rising curve of :func:`ventsim.parts.tabulated_pressure_drop` through the points
    :math:`(\dot V_j, \Delta p_j)`, as for a measured part. The weighted geometric mean of two rising rows
    rises, is positive, lies between the two, and is exact at the measured openings; a curve over more than
    two openings could break the first of these. A power of the flow stays a power of the flow.

    Valid as far as openings are close. It is exact for a valve whose drop falls by the same share with each
    turn. Half-way between openings of which one is twice the other, it gives 12.5 % too much if the free area
    grows with the opening (:math:`\Delta p \sim s^{-2}`), 27 % if the bore does
    (:math:`\Delta p \sim s^{-4}`); both errors fall with the square of the distance of the openings.

    References
    ----------
    .. [1] The law of interpolation is a choice of ventsim; the errors are computed here.

    Examples
    --------
    >>> valve = AdjustableRestrictor(
    ...     openings=(1.0, 2.0), flows=(0.5, 1.0), drops=((9.0, 36.0), (1.0, 4.0)), opening=1.5
    ... )
    >>> float(valve.pressure_law.pressure_drop(1.0))
    12.0
    >>> float(valve.changed({"opening": 2.0}).pressure_law.pressure_drop(1.0))
    4.0
    """

    kind: ClassVar[str] = "adjustable restrictor"

    openings: Annotated[tuple[float, ...], quantity("openings")]
    flows: MeasuredFlows
    drops: Annotated[
        tuple[tuple[float, ...], ...],
        quantity("pressure_drops", "for each opening a row of the pressure drop at each of the flows"),
    ]
    opening: Annotated[float, _SETTING]
    gas_volume: Annotated[float, quantity("gas_volume", plausible=(0.0, 200.0))] = 0.0

    @classmethod
    def from_fits(
        cls,
        fits: Mapping[float, RohrerFit | MonotoneFit],
        *,
        flows: Sequence[float],
        opening: float,
        gas_volume: float = 0.0,
    ) -> Self:
        """From bench points that scatter, fitted opening by opening.

        Parameters
        ----------
        fits : mapping of float to RohrerFit or MonotoneFit
            By opening [1], in any order: what :func:`ventsim.parts.fit_rohrer` or
            :func:`ventsim.parts.fit_monotone` made of the points.
        flows : sequence of float
            Flows at which the fits are read, rising, at most the largest flow that was measured at every
            opening. [L/s]
        opening : float
            The setting in use. [1]
        gas_volume : float, default 0
            Gas inside. [mL]

        Returns
        -------
        AdjustableRestrictor
            With one row for each fit.

        Raises
        ------
        PartError
            If a value is no fit, a flow lies beyond those measured, or as for the class.
        InputError
            If a flow is no finite number.

        Examples
        --------
        >>> from ventsim.model.parts import fit_rohrer
        >>> fits = {
        ...     1.0: fit_rohrer((0.25, 0.5, 1.0), (2.3, 9.1, 35.9)),
        ...     2.0: fit_rohrer((0.25, 0.5, 1.0), (0.26, 0.99, 4.02)),
        ... }
        >>> valve = AdjustableRestrictor.from_fits(fits, flows=(0.25, 0.5, 1.0), opening=2.0)
        >>> float(valve.pressure_law.pressure_drop(1.0))
        4.02
        """
        if not isinstance(fits, Mapping):
            raise PartError(
                f"{cls.kind}: fits {fits!r} is not a mapping of openings to fits.\n"
                "  Give {1.0: fit_rohrer(...), 2.0: fit_rohrer(...)}."
            )
        at = np.atleast_1d(finite_array(f"{cls.kind}: flows", "flow", flows, unit="L/s"))
        largest = float(at.max(initial=0.0))
        for place, fit in fits.items():
            fault = _SETTING.fault(place)
            if fault:
                raise PartError(f"{cls.kind}: opening {fault}\n  {_SETTING.allowed()}")
            if not isinstance(fit, RohrerFit | MonotoneFit):
                raise PartError(
                    f"{cls.kind}: {shown(fit)} at opening {place!r} is not a fit.\n"
                    "  Give what fit_rohrer(...) or fit_monotone(...) returns."
                )
            measured = max(map(abs, fit.flows))
            if largest > measured:
                raise PartError(
                    f"{cls.kind}: flow {largest:.6g} L/s was not measured at opening {place!r}.\n"
                    f"  Allowed: at most {measured:.6g} L/s. Leave out the flow, or measure further."
                )
        openings = sorted(fits)
        rows = [fits[place].pressure_drop(at).tolist() for place in openings]
        return cls(openings=openings, flows=at.tolist(), drops=rows, opening=opening, gas_volume=gas_volume)

    @model_validator(mode="after")
    def _check_family(self) -> Self:
        for fault in (self._openings_fault(), self._rows_fault(), self._order_fault(), self._setting_fault()):
            if fault:
                raise PartError(f"{self.kind}: {fault}")
        return self

    def _openings_fault(self) -> str:
        """Why the openings cannot be a scale; empty if they can."""
        if len(self.openings) < 2:
            return (
                f"openings hold {len(self.openings)} setting(s), which leaves nothing to set.\n"
                "  Give two or more, or a MeasuredPart with the one curve."
            )
        for first, second in itertools.pairwise(self.openings):
            if second <= first:
                return (
                    f"openings do not rise from {first:.6g} to {second:.6g}.\n"
                    "  Sort openings and rows, from narrow to wide, each opening once."
                )
        if len(self.drops) != len(self.openings):
            return (
                f"drops hold {len(self.drops)} row(s) for {len(self.openings)} openings.\n"
                "  Give one row of pressure drops [cmH2O] for each opening."
            )
        return ""

    def _rows_fault(self) -> str:
        """Which row makes no curve; empty if each one does."""
        if len(self.drops) != len(self.openings):
            return ""  # told before
        for opening, row in zip(self.openings, self.drops, strict=True):
            fault = points_fault(self.flows, row)
            if fault:
                return f"at opening {opening:.6g}: {fault}"
        return ""

    def _order_fault(self) -> str:
        """Where a wider opening resists more; empty if nowhere."""
        pairs = itertools.pairwise(zip(self.openings, self.drops, strict=False))
        for (narrow, more), (wide, less) in pairs:
            for flow, before, after in zip(self.flows, more, less, strict=False):
                if after > before:
                    return (
                        f"at {flow:.6g} L/s the drop rises from {before:.6g} to {after:.6g} cmH2O while it is "
                        f"opened from {narrow:.6g} to {wide:.6g}.\n"
                        "  Allowed: the wider, the less. Measure again or leave one of the two out; if the scale "
                        "counts turns of closing, give the openings with a minus sign."
                    )
        return ""

    def _setting_fault(self) -> str:
        """Why the valve cannot be set so; empty if it can."""
        if not self.openings or self.openings[0] <= self.opening <= self.openings[-1]:
            return ""
        return (
            f"opening {self.opening:.6g} is outside the openings at which it was measured.\n"
            f"  Allowed: {self.openings[0]:.6g} to {self.openings[-1]:.6g}. Correct it, or measure there."
        )

    @property
    def ports(self) -> tuple[str, ...]:
        """The two ends."""
        return ("inlet", "outlet")

    @property
    def drops_in_use(self) -> tuple[float, ...]:
        """Pressure drop at each of the flows with the present setting. [cmH2O]"""
        if self.opening in self.openings:
            return self.drops[self.openings.index(self.opening)]
        wide = int(np.searchsorted(self.openings, self.opening))
        share = (self.opening - self.openings[wide - 1]) / (self.openings[wide] - self.openings[wide - 1])
        logs = (1.0 - share) * np.log(self.drops[wide - 1]) + share * np.log(self.drops[wide])
        return tuple(np.exp(logs).tolist())

    @property
    def pressure_law(self) -> Curve:
        """The curve at the present setting."""
        return measured_curve(self.flows, self.drops_in_use)

    def elements(self) -> tuple[Element, ...]:
        """A passage, and half of the gas at each end."""
        law = self.pressure_law
        return (Passage("inlet", "outlet", law, law), *gas_stores(self.gas_volume, at=self.ports))
