"""Points of a circuit in results: every port of a part leads to the node that it belongs to."""

import xarray as xr

from ventsim.errors import SchemaError, suggestion

BETWEEN_POINTS = ", "
"""What stands between the names of points in the coordinate ``points``."""


def pressure_at(waveforms: xr.Dataset, point: str) -> xr.DataArray:
    """Pressure over time at a point of the circuit.

    Points between which nothing resists the flow are one node with one pressure, and results carry a node once,
    under the name of one of its points; the coordinate ``points`` lists them all.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Waveforms of a simulation.
    point : str
        A port of a part, ``"part.port"``, such as ``"a y-piece.patient"``; or ``"ventilator.inspiratory"``.

    Returns
    -------
    xarray.DataArray
        Pressure, dims (time,). [cmH2O]

    Raises
    ------
    SchemaError
        If the circuit has no such point, or the Dataset no pressures in the circuit.

    Examples
    --------
    >>> import xarray as xr
    >>> waveforms = xr.Dataset(
    ...     {"node_pressure": (("time", "node"), [[5.0, 7.0]])},
    ...     coords={"node": ["a.airway", "b.airway"], "points": ("node", ["y.patient, a.airway", "b.airway"])})
    >>> pressure_at(waveforms, "y.patient").values.tolist()
    [5.0]
    """
    if "node_pressure" not in waveforms or "points" not in waveforms.coords:
        raise SchemaError(
            "these waveforms hold no pressures in the circuit.\n  Take waveforms of simulate() or steady_breath()."
        )
    at = {one: k for k, text in enumerate(waveforms["points"].values) for one in str(text).split(BETWEEN_POINTS)}
    at |= {str(name): k for k, name in enumerate(waveforms["node"].values)}
    if point not in at:
        raise SchemaError(f"there is no point {point!r} in the circuit.\n  {suggestion(str(point), sorted(at))}")
    return waveforms["node_pressure"].isel(node=at[point])
