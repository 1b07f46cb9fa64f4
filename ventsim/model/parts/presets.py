"""Lungs of typical patients with the source of their numbers, and the predicted body weight.

Round numbers for teaching and comparison. None of them is a measurement of one patient.
"""

from typing import Any, Literal

from ventsim.errors import InputError, check_name, nearest_names, shown, suggestion
from ventsim.model.laws.elastic import Sigmoid
from ventsim.model.parts.lung import Lung, LungPart
from ventsim.parameters import public
from ventsim.quantities import check, quantity

_ARDS_COHORTS = (
    "seven cohorts of patients with acute respiratory distress syndrome (75 to 4643 patients, all with "
    "COVID-19) have median compliances of 27 to 48 mL/cmH2O, lower quartiles down to 22 (table 1 of PubMed "
    "Central article PMC7980724)"
)
_ARNAL = "J.-M. Arnal et al., Respir Care 63 (2018) 158-168, from memory"
_INFANTS = "infants measured at 8 weeks and 4.9 kg and at 56 weeks and 9.9 kg (table of an article in Thorax)"


_TUBE = {
    True: "The resistance is taken to include a tracheal tube, as in intubated patients.",
    False: "The resistance is that of the airway, without a tracheal tube.",
}


_ILLUSTRATIVE = " Relaxation volume and body weight are illustrative."


def _preset(*, source: str, tube: bool, illustrative: str = _ILLUSTRATIVE, **values: Any) -> tuple[LungPart, str]:
    """A lung, and where its numbers come from."""
    return Lung(includes_tracheal_tube=tube, **values), f"{source} {_TUBE[tube]}{illustrative}"


_PRESETS = {
    "normal-adult": _preset(
        compliance=50.0, resistance=10.0, relaxation_volume=2000.0, predicted_body_weight=70.0, tube=True,
        source="Intubated adults with normal lungs: compliance 40 to 50 (men) or 35 to 45 mL/cmH2O (women) "
        f"(common practice, no source); 54 mL/cmH2O and 13 cmH2O·s/L ({_ARNAL}).",
    ),
    "moderate-ards": _preset(
        compliance=35.0, resistance=10.0, relaxation_volume=1200.0, predicted_body_weight=70.0, tube=True,
        source=f"In the middle of published medians: {_ARDS_COHORTS}; resistance of 12 cmH2O·s/L in {_ARNAL}.",
    ),
    "severe-ards": _preset(
        compliance=20.0, resistance=12.0, relaxation_volume=800.0, predicted_body_weight=70.0, tube=True,
        source=f"Just below the lowest quartile: {_ARDS_COHORTS}; resistance of 12 cmH2O·s/L in {_ARNAL}.",
    ),
    "copd": _preset(
        compliance=60.0, resistance=20.0, expiratory_resistance=25.0, relaxation_volume=3500.0,
        predicted_body_weight=70.0, tube=True,
        source=f"Chronic obstruction: 59 mL/cmH2O and 22 cmH2O·s/L ({_ARNAL}); that the expiratory "
        "resistance is the higher one is common practice, no source.",
    ),
    "asthma": _preset(
        compliance=50.0, resistance=30.0, expiratory_resistance=120.0, relaxation_volume=3000.0,
        predicted_body_weight=70.0, tube=True,
        source="A severe attack: 40 to 60 mL/cmH2O, 20 to 50 cmH2O·s/L and more, auto-PEEP of 10 to 20 cmH2O "
        "(from memory). The expiratory resistance is chosen to give that auto-PEEP at 8 to 10 mL/kg, 10 to 14 "
        "breaths a minute and an I:E ratio of 1:3; it is no measurement.",
    ),
    "child": _preset(
        compliance=22.0, resistance=20.0, relaxation_volume=450.0, predicted_body_weight=20.0, tube=False,
        source="Illustrative: between the adult and the older of the "
        f"{_INFANTS}, 14.3 mL/cmH2O and 23.8 cmH2O·s/L; taken as theirs to be without a tube.",
    ),
    "infant": _preset(
        compliance=6.0, resistance=40.0, relaxation_volume=112.0, predicted_body_weight=5.0, tube=False,
        source=f"Rounded from the younger of the {_INFANTS}: 6.43 mL/cmH2O, 41.9 cmH2O·s/L, functional "
        "residual capacity 112 mL.",
    ),
    "term-newborn": _preset(
        compliance=3.0, resistance=40.0, relaxation_volume=80.0, predicted_body_weight=3.3, tube=False,
        source="Healthy newborns at term: 3.17 ± 0.71 mL/cmH2O (abstract, "
        "scilit.net/publications/3adf53cb15b5cefa273205a3abd5965f); the resistance is that of an infant, "
        "illustrative.",
    ),
    "normal-adult-sigmoid": _preset(
        compliance=Sigmoid(vital_capacity=3500.0, inflection_pressure=12.0, width=9.0),
        resistance=10.0, relaxation_volume=2000.0, predicted_body_weight=70.0, tube=True, illustrative="",
        source="Illustrative, invented to have a highest compliance of 97 mL/cmH2O at 12 cmH2O; form of "
        "J. G. Venegas et al., J Appl Physiol 84 (1998) 389-395. All other values are illustrative.",
    ),
    "ards-sigmoid": _preset(
        compliance=Sigmoid(vital_capacity=1600.0, inflection_pressure=22.0, width=8.0),
        resistance=10.0, relaxation_volume=800.0, predicted_body_weight=70.0, tube=True, illustrative="",
        source="Illustrative, invented to have a highest compliance of 50 mL/cmH2O at 22 cmH2O; form of "
        "J. G. Venegas et al., J Appl Physiol 84 (1998) 389-395. All other values are illustrative.",
    ),
}  # fmt: skip


def preset_names() -> tuple[str, ...]:
    """Names of the typical lungs.

    Returns
    -------
    tuple of str
        Adults first.

    Examples
    --------
    >>> "copd" in preset_names()
    True
    """
    return tuple(_PRESETS)


@public
def preset(name: str, *, predicted_body_weight: float | None = None) -> LungPart:
    """A typical lung.

    Parameters
    ----------
    name : str
        One of :func:`preset_names`.
    predicted_body_weight : float or None, default None
        Predicted body weight to record with it in place of the typical one; nothing else is scaled. [kg]

    Returns
    -------
    Lung
        As :func:`preset_source` explains; change single values by its method ``changed``. Its
        ``includes_tracheal_tube`` says whether its resistance includes that of a tracheal tube: then the limbs
        should have none.

    Raises
    ------
    InputError
        If there is no such lung.
    PartError
        If the body weight is impossible.

    Examples
    --------
    >>> preset("copd").expiratory_resistance
    25.0
    >>> [name for name in preset_names() if not preset(name).includes_tracheal_tube]
    ['child', 'infant', 'term-newborn']
    >>> preset("COPD", predicted_body_weight=60.0)
    Traceback (most recent call last):
    ventsim.errors.InputError: there is no typical lung 'COPD'.
      Did you mean 'copd'?
    """
    lung, _ = _found(name)
    return lung if predicted_body_weight is None else lung.changed(predicted_body_weight=predicted_body_weight)


@public
def preset_source(name: str) -> str:
    """Where the numbers of a typical lung come from.

    Parameters
    ----------
    name : str
        One of :func:`preset_names`.

    Returns
    -------
    str
        Published source, "common practice, no source", "from memory" or "illustrative" for each number.

    Raises
    ------
    InputError
        If there is no such lung.

    Examples
    --------
    >>> preset_source("asthma")[:17]
    'A severe attack: '
    """
    return _found(name)[1]


def _found(name: str) -> tuple[LungPart, str]:
    if isinstance(name, str) and name in _PRESETS:
        return _PRESETS[name]
    hint, words = suggestion(str(name), _PRESETS), dict.fromkeys("-".join(_PRESETS).split("-"))
    if not nearest_names(str(name), _PRESETS) and (near := nearest_names(str(name), words, limit=1)):
        found = [known for known in _PRESETS if near[0] in known.split("-")]
        hint = f"Did you mean {' or '.join(map(repr, found))}?"
    raise InputError(f"there is no typical lung {name!r}.\n  {hint}")


_WEIGHT_AT_FIVE_FEET = {"male": 50.0, "female": 45.5}  # [kg] at 152.4 cm


@public
def predicted_body_weight(height: float, *, sex: Literal["male", "female"]) -> float:
    r"""Body weight of an adult by height and sex, to which tidal volumes are related.

    Parameters
    ----------
    height : float
        Body height, 120 to 250. [cm]
    sex : {"male", "female"}
        Sex at birth.

    Returns
    -------
    float
        Predicted body weight. [kg]

    Raises
    ------
    InputError
        If the height is out of range, or the sex is another word.

    Notes
    -----
    .. math:: W = W_0 + 0.91\,(h - 152.4)

    with :math:`W_0` = 50 kg for men and 45.5 kg for women. For adults; below 152.4 cm it is extrapolated.

    References
    ----------
    .. [1] The Acute Respiratory Distress Syndrome Network, N Engl J Med 342 (2000) 1301-1308 (from memory).

    Examples
    --------
    >>> predicted_body_weight(175.0, sex="male")
    70.57
    """
    check("predicted_body_weight", {"height": height}, height=quantity("body_height"))
    check_name(sex, _WEIGHT_AT_FIVE_FEET, wrong=f"sex {shown(sex)} is not one of the choices")
    return _WEIGHT_AT_FIVE_FEET[sex] + 0.91 * (float(height) - 152.4)
