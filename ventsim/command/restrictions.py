"""Restrictors that a sizing puts into limbs, as its file describes them, and paths that miss them."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from ventsim.errors import InputError, suggestion
from ventsim.model.circuit import Circuit
from ventsim.model.parts import AdjustableRestrictor, Orifice, Restrictor
from ventsim.model.scenario.messages import Place
from ventsim.model.scenario.sections import build_by_kind
from ventsim.studies import restrict

_KINDS = MappingProxyType({cls.kind: cls for cls in (Orifice, Restrictor, AdjustableRestrictor)})
_LIMBS = ("inspiratory", "expiratory")
_DEVIATION = "bore_deviation"
_END = " restrictor"


@dataclass(frozen=True)
class Restriction:
    """A restrictor to be put in; without a part, a hole as wide as the tube."""

    limb: str
    part: Orifice | Restrictor | AdjustableRestrictor | None = None
    bore_deviation: float = 0.0


def read_restrictions(section: Mapping[str, Any], place: Place) -> dict[str, Restriction]:
    """By lung, from the limb alone, or from a table with limb, kind and what else the kind has."""
    return {lung: _read(given, place.inside(lung)) for lung, given in section.items()}


def _read(given: object, place: Place) -> Restriction:
    if isinstance(given, str):
        return Restriction(_limb(given, place))
    if not isinstance(given, Mapping):
        raise place.error(
            f"{given!r} is no restrictor.\n"
            '  Write "inspiratory", or { limb = "inspiratory", kind = "restrictor", linear_resistance = 5 }.'
        )
    limb = _limb(given.get("limb", _LIMBS[0]), place)
    rest = {key: value for key, value in given.items() if key != "limb"}
    if rest.get("kind", Orifice.kind) == Orifice.kind and set(rest) <= {"kind", _DEVIATION}:
        # A hole without a bore becomes as wide as its tube.
        return Restriction(limb, bore_deviation=rest.get(_DEVIATION, 0.0))
    if "kind" not in rest:
        fields = {name for cls in _KINDS.values() for name in cls.model_fields}
        say = "Say what it is as well: kind = " + " or ".join(f'"{kind}"' for kind in _KINDS) + "."
        place.check_keys(rest, (_DEVIATION, "limb", "kind"), homes=dict.fromkeys(fields, say), elsewhere={})
    return Restriction(limb, build_by_kind(_KINDS, rest, place))


def _limb(given: object, place: Place) -> str:
    if given not in _LIMBS:
        raise place.error(f"there is no limb {given!r}.\n  {suggestion(str(given), _LIMBS)}")
    return str(given)


def put_in(circuit: Circuit, restrictions: Mapping[str, Restriction]) -> Circuit:
    """The circuit with all restrictors."""
    for lung, one in restrictions.items():
        circuit, _ = restrict(circuit, lung, limb=one.limb, part=one.part, bore_deviation=one.bore_deviation)
    return circuit


def check_paths(circuit: Circuit, paths: Mapping[str, Any]) -> None:
    """Refuse paths to a restrictor that was not put in, or was put in as another kind, and say how it is."""
    for path in paths:
        root, _, rest = path.partition(".")
        name, _, field = rest.rpartition(".")
        lung, _, limb = name.removesuffix(_END).rpartition(" ")
        if root != "parts" or not name.endswith(_END) or limb not in _LIMBS or lung not in circuit.lungs:
            continue
        if name not in circuit.parts:
            raise InputError(
                f"vary: there is no '{name}' in the circuit.\n"
                f'  Put one in: write [restrict] and below it {_key(lung)} = "{limb}".'
            )
        part = circuit.parts[name]
        kinds = [kind for kind, cls in _KINDS.items() if field in cls.model_fields]
        if kinds and field not in type(part).model_fields:
            raise InputError(
                f"vary: '{name}' is of the kind '{part.kind}', which has no '{field}'.\n"
                "  Put in what has one, below [restrict]: "
                f'{_key(lung)} = {{ limb = "{limb}", kind = "{kinds[0]}" }}'
            )


def _key(lung: str) -> str:
    return lung if lung.replace("_", "").replace("-", "").isalnum() else f'"{lung}"'
