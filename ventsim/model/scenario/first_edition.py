"""Keys of the first edition of scenario files, with what each has become."""

from collections.abc import Iterator, Mapping
from typing import Any

from ventsim.model.scenario.messages import Place

_MEASURED = 'resistance = { law = "measured curve", flows = [...], pressure_drops = [...] }'
_ROHRER = 'resistance = { law = "rohrer", linear = ..., quadratic = ... }'
_POWER = 'resistance = { law = "power", coefficient = ..., exponent = ... }'

# Key, by itself or behind the section in which it has changed, and what to write now.
_KEYS = {
    "branch": "[limbs]",
    "branches": "[limbs.NAME]",
    "extensions": "[extension.NAME]",
    "relaxed_volume": "relaxation_volume",
    "body_weight": "predicted_body_weight",
    "vital_volume": "vital_capacity",
    "inflection": "inflection_pressure",
    "curve": 'compliance = { law = "sigmoid", ... }',
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
    "narrowing": "obstructed_fraction",
    "slack": "extra_length",
    "rise": "height",
    "pieces": "stock_lengths",
    "wave_windows": "waveform_windows",
    "wave_every": "waveform_every",
}
_KINDS = {
    "elastic lung": 'a lung with compliance = { law = "sigmoid", ... }',
    "compartment lung": "a lung with [[lungs.NAME.regions]]",
    "orifice": 'kind = "restrictor" with resistance = { law = "orifice", bore = ... }',
    "measured part": f'kind = "restrictor" with {_MEASURED}',
    "adjustable restrictor": 'kind = "restrictor" with resistance = { law = "adjustable curve", ... }',
    "sigmoid curve": 'law = "sigmoid"',
    "exponential curve": 'law = "exponential" with pressure_rate',
    "volume-dependent curve": 'law = "volume-dependent"',
    "taken off": 'kind = "lung removal"',
    "added leak": 'kind = "leak onset"',
}


def refuse_first_edition(table: Mapping[str, Any], top: Place) -> None:
    """Answer a file of the first edition with the new name of each of its keys, in one message.

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
    for key, inner in item.items():
        here = f"{path}.{key}" if path else str(key)
        is_name = path in ("lungs", "parts", "limbs", "extension", "floor_plan.beds", "branches", "extensions")
        if key == "kind" and isinstance(inner, str) and inner in _KINDS:
            yield f'{here} = "{inner}"', _KINDS[inner]
        elif key in _KEYS and not is_name:
            yield here, _KEYS[key]
        if not (key == "path" and isinstance(inner, str)):
            yield from _old_keys(inner, here)
        elif old := [step for step in inner.split(".")[2:] if step in _KEYS]:  # behind the name of the part
            yield f'{here} = "{inner}"', _KEYS[old[0]]
