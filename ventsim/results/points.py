"""Points of a circuit in results: every port of a part leads to the node that it belongs to."""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, Self, cast

import numpy as np
import xarray as xr
from xarray.indexes import PandasIndex

from ventsim.errors import SchemaError, shown, suggestion
from ventsim.parameters import public

BETWEEN_POINTS = ", "
"""What stands between the names of points in the coordinate ``points``."""


class NodeIndex(PandasIndex):
    """Index of the nodes of a result, which answers to the names of all points at a node."""

    node_of: Mapping[str, str] = MappingProxyType({})

    @classmethod
    def from_variables(cls, variables: Mapping[Any, xr.Variable], *, options: Mapping[str, Any]) -> Self:
        """The index of the coordinate ``node``; ``options["node_of"]`` has the node of each point."""
        index = cast(Self, super().from_variables(variables, options={}))
        index.node_of = options["node_of"]
        return index

    def sel(self, labels: dict[Any, Any], method: Any = None, tolerance: Any = None) -> Any:
        """Where points or nodes are; a wrong name is answered with the nearest."""
        found = {name: self._nodes_at(asked) for name, asked in labels.items()}
        return super().sel(found, method, tolerance)

    def _nodes_at(self, asked: Any) -> Any:
        if isinstance(asked, list | tuple | np.ndarray) and np.ndim(asked):
            return [self._nodes_at(one) for one in asked]
        if not isinstance(asked, str) or asked in self.index:
            return asked
        if asked in self.node_of:
            return self.node_of[asked]
        known = sorted({*self.node_of, *map(str, self.index)})
        raise SchemaError(f"there is no point {shown(asked)} in the circuit.\n  {suggestion(asked, known)}")

    def _replace(self, *args: Any, **options: Any) -> Self:
        # What xarray makes of an index, such as a copy, goes through here.
        new = super()._replace(*args, **options)
        new.node_of = self.node_of
        return new


def with_points(waveforms: xr.Dataset) -> xr.Dataset:
    """The waveforms with an index of their nodes that answers to all points, where they say which these are.

    Parameters
    ----------
    waveforms : xarray.Dataset
        Any result.

    Returns
    -------
    xarray.Dataset
        The same numbers.
    """
    coords = waveforms.coords
    if not {"node", "points"} <= set(coords) or {coords["node"].dims, coords["points"].dims} != {("node",)}:
        return waveforms
    return waveforms.drop_indexes("node").set_xindex("node", NodeIndex, node_of=node_of_points(waveforms))


def node_of_points(waveforms: xr.Dataset) -> dict[str, str]:
    """The node of each point, from the coordinates ``node`` and ``points``."""
    pairs = zip(waveforms["node"].values.tolist(), waveforms["points"].values.tolist(), strict=True)
    return {point: node for node, points in pairs for point in points.split(BETWEEN_POINTS)}


def points_of_nodes(nodes: Iterable[str], node_of: Mapping[str, str]) -> list[str]:
    """The coordinate ``points``: all points at each node."""
    found: dict[str, list[str]] = {node: [] for node in nodes}
    for point, node in node_of.items():
        found[node].append(point)
    return [BETWEEN_POINTS.join(at) for at in found.values()]


@public
def pressure_at(waveforms: xr.Dataset, point: str) -> xr.DataArray:
    """Pressure over time at a point of the circuit.

    Points between which nothing resists the flow are one node with one pressure, and results carry a node once,
    under the name of one of its points; the coordinate ``points`` lists them all. Waveforms of a run know them:
    ``waveforms.node_pressure.sel(node=point)`` is the same. Of a file, ``schema.label`` makes such waveforms.

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
    return with_points(waveforms)["node_pressure"].sel(node=str(point))
