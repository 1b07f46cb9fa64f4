"""Keys of the first edition of scenario and study files, with what each has become."""

from collections.abc import Iterator, Mapping
from typing import Any

from ventsim.model.scenario.messages import Place

_MEASURED = 'resistance = { law = "measured curve", flows = [...], pressure_drops = [...] }'
_ROHRER = 'resistance = { law = "rohrer", linear = ..., quadratic = ... }'
_POWER = 'resistance = { law = "power", coefficient = ..., exponent = ... }'

_MEASURES = {
    "share": "tidal_volume_fraction",
    "unaccounted_volume": "volume_balance_error",
    "circuit_held_volume": "compressed_volume",
}
# Key, by itself or behind the section in which it has changed, and what to write now.
_KEYS = {
    "branch": "[limbs]",
    "branches": "[limbs.NAME]",
    "extensions": "[extension.NAME]",
    "relaxed_volume": "relaxation_volume",
    "body_weight": "predicted_body_weight",
    "vital_volume": "vital_capacity",
    "inflection": "inflection_pressure",
    "forward_resistance": "resistance",
    "linear_resistance": _ROHRER,
    "quadratic_resistance": _ROHRER,
    "power_coefficient": _POWER,
    "power_exponent": _POWER,
    "expiratory_power_coefficient": f"expiratory_{_POWER}",
    "expiratory_power_exponent": f"expiratory_{_POWER}",
    "drops": _MEASURED,
    "exhalation_flows": f"exhalation_{_MEASURED}",
    "exhalation_drops": f"exhalation_{_MEASURED}",
    "corrugation_factor": "corrugated_friction, the friction factor in fully rough flow, or leave it out",
    "narrowing": "obstructed_fraction",
    "slack": "extra_length",
    "rise": "height",
    "pieces": "stock_lengths",
    "wave_windows": "waveform_windows",
    "wave_every": "waveform_every",
    **_MEASURES,
}
_LAWS = {
    "sigmoid curve": "sigmoid",
    "exponential curve": "exponential",
    "volume-dependent curve": "volume-dependent",
}
_ADJUSTABLE = (
    'resistance = { law = "adjustable curve", openings = ..., flows = ..., pressure_drops = ..., opening = ... }'
)
_RESTRICTOR = 'kind = "restrictor" with '
_KINDS = {
    "elastic lung": "a lung with compliance as a law",
    "compartment lung": "a lung with [[lungs.NAME.regions]]",
    "orifice": _RESTRICTOR + 'resistance = { law = "orifice", bore = ... }',
    "measured part": _RESTRICTOR + _MEASURED,
    "adjustable restrictor": _RESTRICTOR + _ADJUSTABLE,
    **{kind: f'law = "{law}"' for kind, law in _LAWS.items()},
    "taken off": 'kind = "lung removal"',
    "added leak": 'kind = "leak onset"',
}
# Keys that have changed inside of one kind only.
_VALVE = f"a valve in place of the restrictor, [limbs.NAME.valve] with {_MEASURED}"
_OF_KINDS = {
    "measured part": {"one_way": _VALVE, "opening_pressure": f"{_VALVE} and opening_pressure"},
    "adjustable restrictor": {"openings": _ADJUSTABLE, "flows": _ADJUSTABLE, "drops": _ADJUSTABLE},
    "exponential curve": {"rate": "pressure_rate"},
}
# Steps of the path of a change.
_STEPS = {
    "curve": "compliance",
    "linear_resistance": "resistance.linear",
    "quadratic_resistance": "resistance.quadratic",
    "power_coefficient": "resistance.coefficient",
    "power_exponent": "resistance.exponent",
    **{key: new for key, new in _KEYS.items() if new.isidentifier()},
}
_OF_LAW = ("bore", "opening", "tube_bore", "bore_deviation", "discharge_coefficient")
_NAMED = (
    "lungs", "parts", "limbs", "extension", "floor_plan.beds", "branches", "extensions", "restrict", "targets",
)  # fmt: skip
# Sections of study files whose keys are paths.
_BY_PATH = ("values", "vary")


def refuse_first_edition(table: Mapping[str, Any], top: Place) -> None:
    """Answer a scenario or a study of the first edition with the new name of each of its keys, in one message.

    Parameters
    ----------
    table : mapping of str to object
        The parsed file.
    top : Place
        The file.

    Raises
    ------
    ScenarioError
        If a key of the first edition is found.
    """
    found = list(dict.fromkeys(_old_keys(table)))
    if found:
        lines = "\n".join(f"  {path}: write {new}" for path, new in found)
        raise top.error(f"this file has keys of the first edition.\n{lines}")


def _old_keys(item: object, path: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(item, list):
        for number, inner in enumerate(item, start=1):
            yield from _old_keys(inner, f"{path}.{number}")
    if not isinstance(item, Mapping):
        return
    kind = item.get("kind")
    keys = _KEYS | (_OF_KINDS.get(kind, {}) if isinstance(kind, str) else {})
    for key, inner in item.items():
        here = f"{path}.{key}" if path else str(key)
        section, _, steps = here.partition(".")
        if section in _BY_PATH and steps:
            if isinstance(inner, Mapping) and "from" not in inner:
                yield from _old_keys(inner, here)  # without quotes, a path is sections in sections
            elif (new := _new_path(steps)) != steps:
                yield f'{section}."{steps}"', f'"{new}"'
            continue
        if section == "restrict" and key == "kind":
            new = _KINDS.get(str(inner), "resistance = ...").removeprefix(_RESTRICTOR)
            yield f'{here} = "{inner}"', f"{new}, without a kind"
        elif key == "show" and isinstance(inner, str) and inner in _MEASURES:
            yield f'{here} = "{inner}"', f'"{_MEASURES[inner]}"'
        elif key == "kind" and isinstance(inner, str) and inner in _KINDS:
            yield f'{here} = "{inner}"', _KINDS[inner]
        elif key == "curve" and isinstance(inner, Mapping) and inner.get("kind") in _LAWS:
            yield here, f'compliance = {{ law = "{_LAWS[inner["kind"]]}", ... }}'
        elif key in keys and path not in _NAMED:
            yield here, keys[key]
        if not (key == "path" and isinstance(inner, str)):
            yield from _old_keys(inner, here)
        elif (new := _new_path(inner)) != inner:
            yield f'{here} = "{inner}"', f'"{new}"'


def _new_path(path: str) -> str:
    """The path of a change as it is now."""
    root, *steps = path.split(".")
    new = [root, *steps[:1], *(_STEPS.get(step, step) for step in steps[1:])]  # the second one is a name
    if "curve" in steps[1:] and steps[-1] == "rate":
        new[-1] = "pressure_rate"
    if len(steps) == 2 and steps[0].endswith("restrictor") and steps[1] in _OF_LAW:
        new.insert(2, "resistance")
    return ".".join(new)
