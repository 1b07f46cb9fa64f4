"""Flow through every joint of a circuit at one instant."""

from collections.abc import Iterator, Mapping

import numpy as np
import xarray as xr

from ventsim.model.circuit import Circuit
from ventsim.model.parts import Part
from ventsim.model.parts.part import Atmosphere, Inertia, Passage, Store
from ventsim.view.plot.circuit.geometry import EXPIRATORY, INSPIRATORY, Joint, owner

_SIGNS = (-1.0, 1.0)  # of the flow through a joint, where it leaves the part at its first end and enters the other


def joint_flows(circuit: Circuit, instant: xr.Dataset) -> dict[Joint, float]:
    """Flow through each joint, from its first end to the second, NaN where it cannot be known. [L/s]

    What passes a part is known where the part resists it. Through a fitting that resists nothing passes what
    passes its other ends; gas that it stores meanwhile, which is little, is left out of this.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    instant : xarray.Dataset
        Waveforms of the circuit at one instant.
    """
    branches = dict(zip(instant["branch"].values.tolist(), instant["branch_flow"].values.tolist(), strict=True))
    # Flow into the part (or into the ventilator) through each end, from what is known of the part itself.
    known = {INSPIRATORY: -float(instant["inspiratory_port_flow"])}
    known[EXPIRATORY] = float(instant["expiratory_port_flow"])
    for name, part in circuit.parts.items():
        ways = _ways(name, part, branches)
        for port in part.ports:
            here = [(way, flow) for way, flow in ways if port in (way.start, way.end)]
            if here and all(_resists(way) for way, _ in here):  # all that passes there
                signs = [1.0 if way.start == port else -1.0 for way, _ in here]
                known[f"{name}.{port}"] = float(np.dot(signs, [flow for _, flow in here]))
    for lung, part in circuit.lungs.items():
        (port,) = part.ports
        known[f"{lung}.{port}"] = float(instant["flow"].sel(lung=lung))
    known = {end: flow for end, flow in known.items() if np.isfinite(flow)}
    found = {joint: _mean(known, joint) for joint in circuit.joints}
    _balance(circuit, found, branches)
    return found


def parts_without_flow(circuit: Circuit, waveforms: xr.Dataset) -> Iterator[str]:
    """Parts that resist a flow of which the waveforms know nothing: the waveforms are those of another circuit.

    Parameters
    ----------
    circuit : Circuit
        The circuit.
    waveforms : xarray.Dataset
        Waveforms, or waveforms at one instant.
    """
    known = dict.fromkeys(waveforms["branch"].values.tolist(), 0.0)
    for name, part in circuit.parts.items():
        if any(np.isnan(flow) for way, flow in _ways(name, part, known) if _resists(way)):
            yield name


def _ways(name: str, part: Part, branches: Mapping[str, float]) -> list[tuple[Passage | Inertia, float]]:
    """Ways of gas through a part, each with its flow, NaN where that is unknown. [L/s]

    Flows have the name of the part and its ends, or of the part alone if no other way through it resists.
    """
    ways = [element for element in part.elements() if isinstance(element, Passage | Inertia)]
    alone = branches.get(name, np.nan) if sum(map(_resists, ways)) == 1 else np.nan
    return [(way, branches.get(f"{name} ({way.start} to {way.end})", alone)) for way in ways]


def _resists(way: Passage | Inertia) -> bool:
    return not (isinstance(way, Passage) and way.is_ideal)


def _lost(name: str, part: Part, branches: Mapping[str, float]) -> float:
    """Flow from a part to the atmosphere. [L/s]"""
    outside = {element.at for element in part.elements() if isinstance(element, Atmosphere)}
    return sum(flow for way, flow in _ways(name, part, branches) if way.end in outside)


def _mean(known: Mapping[str, float], joint: Joint) -> float:
    """Flow through a joint by the flows of its two parts, which differs by the gas stored between them."""
    flows = [sign * known[end] for end, sign in zip(joint, _SIGNS, strict=True) if end in known]
    return float(np.mean(flows)) if flows else float("nan")


def _balance(circuit: Circuit, found: dict[Joint, float], branches: Mapping[str, float]) -> None:
    """Fill in the last unknown end of each part from its other ends, as long as there are such parts."""
    ends: dict[str, list[tuple[Joint, float]]] = {name: [] for name in circuit.parts}
    for joint in circuit.joints:
        for end, sign in zip(joint, _SIGNS, strict=True):
            if owner(end) in ends:
                ends[owner(end)].append((joint, sign))
    # Those that store nothing come first: their balance is exact.
    names = sorted(ends, key=lambda name: any(isinstance(e, Store) for e in circuit.parts[name].elements()))

    def is_nearly_known(name: str) -> bool:
        """Whether one end of several is unknown."""
        return sum(not np.isfinite(found[joint]) for joint, _ in ends[name]) == 1 < len(ends[name])

    while (name := next(filter(is_nearly_known, names), None)) is not None:
        ((joint, sign),) = [(j, s) for j, s in ends[name] if not np.isfinite(found[j])]
        others = sum(s * found[j] for j, s in ends[name] if j != joint)
        found[joint] = sign * (_lost(name, circuit.parts[name], branches) - others)
        names.remove(name)  # it stays unknown if what the part loses is unknown
