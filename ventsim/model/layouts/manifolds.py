"""The fittings that divide the inspiratory port and join the expiratory one, for each arrangement."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from ventsim.model.circuit import VENTILATOR
from ventsim.model.parts import Adapter, Part, TPiece, Tube

Arrangement = Literal["tree", "chain", "star"]
"""How the limbs leave the ports."""


@dataclass(frozen=True, slots=True)
class Fittings:
    """Patterns of the fittings, and the tubes that lead to single ones.

    The key of a tube is the names of the lungs for whose sake the fitting at its far end is there: in a tree
    all that it serves, in a chain the one that leaves the chain.
    """

    t_piece: TPiece
    adapter: Adapter
    runs: Mapping[tuple[str, ...], Tube]


@dataclass(frozen=True, slots=True)
class Assembly:
    """Named parts and joints under construction, and the free end that each lung's limb takes."""

    pairs: list[tuple[str, Part]] = field(default_factory=list)
    joints: list[tuple[str, str]] = field(default_factory=list)
    outlets: dict[str, str] = field(default_factory=dict)


def _tree(limb: str, names: tuple[str, ...], fittings: Fittings) -> Assembly:
    """A T-piece at the root, adapters with two outlets below; for more than two, an adapter at the port."""
    whole, port = Assembly(), f"{VENTILATOR}.{limb}"
    if len(names) == 1:
        whole.outlets[names[0]] = port
        return whole
    if len(names) > 2:
        port = _add_adapter(whole, limb, port, fittings.adapter.changed({"outlets": 1}))[0]
    tee = f"{limb} t-piece"
    whole.pairs.append((tee, fittings.t_piece))
    whole.joints.append((port, f"{tee}.stem"))
    waiting = list(zip((f"{tee}.left", f"{tee}.right"), halves(names), strict=True))
    while waiting:
        end, group = waiting.pop(0)
        if len(group) == 1:
            whole.outlets[group[0]] = end
            continue
        end = _add_run(whole, limb, end, fittings.runs.get(group))
        ends = _add_adapter(whole, limb, end, fittings.adapter.changed({"outlets": 2}))
        waiting += zip(ends, halves(group), strict=True)
    return whole


def _star(limb: str, names: tuple[str, ...], fittings: Fittings) -> Assembly:
    """One adapter with an outlet for each lung."""
    whole = Assembly()
    ends: tuple[str, ...] = (f"{VENTILATOR}.{limb}",)
    if len(names) > 1:
        ends = _add_adapter(whole, limb, ends[0], fittings.adapter.changed({"outlets": len(names)}))
    whole.outlets.update(zip(names, ends, strict=True))
    return whole


def _chain(limb: str, names: tuple[str, ...], fittings: Fittings) -> Assembly:
    """A T-piece for each lung but the last, and an extension tube behind each T-piece."""
    whole, end = Assembly(), f"{VENTILATOR}.{limb}"
    for number, name in enumerate(names[:-1], start=1):
        tee = f"{limb} t-piece {number}"
        end = _add_run(whole, limb, end, fittings.runs.get((name,)))
        whole.pairs.append((tee, fittings.t_piece))
        whole.joints.append((end, f"{tee}.stem"))
        whole.outlets[name] = f"{tee}.left"
        end = f"{tee}.right"
    whole.outlets[names[-1]] = _add_run(whole, limb, end, fittings.runs.get(names[-1:]))
    return whole


MANIFOLDS: Mapping[str, Callable[[str, tuple[str, ...], Fittings], Assembly]] = MappingProxyType(
    {"tree": _tree, "chain": _chain, "star": _star}
)


def halves(names: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names in two groups, in their order; of an odd number the first group has one more.

    Parameters
    ----------
    names : sequence of str
        At least one name.

    Returns
    -------
    tuple of two tuples of str
        The second is empty if there is one name.

    Examples
    --------
    >>> halves("abc")
    (('a', 'b'), ('c',))
    """
    half = (len(names) + 1) // 2
    return tuple(names[:half]), tuple(names[half:])


def _add_run(whole: Assembly, limb: str, end: str, tube: Tube | None) -> str:
    """Put a tube, if there is one, between a free end and the next fitting; the new free end."""
    if tube is None:
        return end
    count = sum(isinstance(part, Tube) for _, part in whole.pairs)
    name = f"{limb} extension {count + 1}"
    whole.pairs.append((name, tube))
    # Gas leaves the ventilator through one side and returns through the other.
    near, far = ("inlet", "outlet") if limb == "inspiratory" else ("outlet", "inlet")
    whole.joints.append((end, f"{name}.{near}"))
    return f"{name}.{far}"


def _add_adapter(whole: Assembly, limb: str, end: str, adapter: Adapter) -> tuple[str, ...]:
    """Put an adapter at a free end; the new free ends."""
    count = sum(isinstance(part, Adapter) for _, part in whole.pairs)
    name = f"{limb} adapter {count + 1}"
    whole.pairs.append((name, adapter))
    whole.joints.append((end, f"{name}.inlet"))
    return tuple(f"{name}.{outlet}" for outlet in adapter.outlet_ports)
