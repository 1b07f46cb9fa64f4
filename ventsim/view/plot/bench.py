"""Points measured on a bench with the law fitted to them."""

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from ventsim.errors import InputError, shown
from ventsim.model.laws import FlowLaw
from ventsim.parameters import public
from ventsim.view.plot.style import COLOURS, FAINT, one_panel

if TYPE_CHECKING:
    from matplotlib.axes import Axes


class FittedLaw(Protocol):
    """What a fit of bench points has to offer in order to be drawn.

    Attributes
    ----------
    flows : tuple of float
        The points as measured. [L/s]
    pressures : tuple of float
        The points as measured. [cmH2O]
    standard_deviation : tuple of float or None
        Standard deviation of each pressure. [cmH2O]
    law : FlowLaw
        The fitted law.

    Examples
    --------
    ``fit: FittedLaw = ventsim.laws.fit_rohrer(flows, pressures)``
    """

    @property
    def flows(self) -> tuple[float, ...]:
        """The points as measured. [L/s]"""

    @property
    def pressures(self) -> tuple[float, ...]:
        """The points as measured. [cmH2O]"""

    @property
    def standard_deviation(self) -> tuple[float, ...] | None:
        """Standard deviation of each pressure. [cmH2O]"""

    @property
    def law(self) -> FlowLaw:
        """The fitted law."""


@public
def bench_fit(fit: FittedLaw, *, ax: "Axes | None" = None) -> "Axes":
    """Points measured on a bench, with the law fitted to them from rest to the largest flow.

    A light band shows one standard error of the law on either side, where the fit has a method
    ``pressure_drop_error`` like that of :class:`ventsim.laws.RohrerFit`.

    Parameters
    ----------
    fit : FittedLaw
        Result of :func:`ventsim.laws.fit_rohrer` or :func:`ventsim.laws.fit_monotone`.
    ax : matplotlib Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib Axes
        Pressure drop against flow.

    Examples
    --------
    ``bench_fit(fit_rohrer(flows, pressures)).figure.savefig("restrictor.png")``
    """
    for name in ("flows", "pressures", "standard_deviation", "law"):
        if not hasattr(fit, name):
            raise InputError(f"bench_fit: {shown(fit)} has no {name}.\n  Give what fit_rohrer(...) returns.")
    ax = one_panel(ax, size=(6.0, 4.5))
    flows = np.asarray(fit.flows)
    line = np.linspace(min(0.0, flows.min()), max(0.0, flows.max()), 401)
    drop = fit.law.pressure_drop(line)
    ax.plot(line, drop, color=COLOURS[0], linewidth=1.6, label="fitted law")
    error = getattr(fit, "pressure_drop_error", lambda _: np.nan)(line)
    if np.isfinite(error).all():
        band: dict[str, Any] = {"color": COLOURS[0], "alpha": 0.25, "linewidth": 0.0, "label": "± standard error"}
        ax.fill_between(line, drop - error, drop + error, **band)
    points: dict[str, Any] = {"fmt": "o", "color": COLOURS[1], "markersize": 5, "capsize": 3}
    ax.errorbar(flows, fit.pressures, yerr=fit.standard_deviation, label="measured", **points)
    ax.axhline(0.0, **FAINT)
    ax.axvline(0.0, **FAINT)
    ax.set_xlabel("flow [L/s]")
    ax.set_ylabel("pressure drop [cmH2O]")
    ax.legend(frameon=False)
    return ax
