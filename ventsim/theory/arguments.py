"""What closed forms take, descriptions or plain numbers, read into one value; and what `help` says of it."""

import dataclasses
import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from numbers import Real
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args

import numpy as np
from numpy.typing import ArrayLike

from ventsim.errors import InputError, fault_of_any_numbers, shown
from ventsim.model.parts import Lung, Region
from ventsim.model.ventilator import PressureControl, VolumeControl
from ventsim.parameters import public
from ventsim.quantities import QUANTITIES, FloatArray, Quantity, check, finite_array, quantity
from ventsim.units import ML_PER_L

Floats = Annotated[float | FloatArray, fault_of_any_numbers]
Row = Annotated[float | Sequence[float] | FloatArray, fault_of_any_numbers]
Lungs = Mapping[str, Lung] | Sequence[Lung | Region]
Form = TypeVar("Form", bound=Callable[..., Any])

_OF_LUNG = ("compliance", "resistance", "expiratory_resistance")
_AS_IN_INSPIRATION = {"expiratory_resistance": "resistance", "expiratory_shared_resistance": "shared_resistance"}
_DEFAULTS: dict[str, Any] = {"pause_time": 0.0, "end_flow_ratio": 0.0, "flow_pattern": "constant"}
_ABOVE_ZERO: dict[str, Any] = {"above": 0.0, "at_least": None}
_PRESSURE: dict[str, Any] = {"above": None, "at_least": 0.0, "plausible": (0.0, 150.0)}
_SIZED: Mapping[str, Quantity] = {
    **QUANTITIES,
    "resistance": quantity("resistance", "resistance to inspiration, from source to lung", **_ABOVE_ZERO),
    "shared_resistance": quantity("resistance", "from source to junction in inspiration"),
    "expiratory_shared_resistance": quantity(
        "resistance", "from junction to exhalation valve in expiration; None: as in inspiration"
    ),
    "circuit_compliance": quantity(
        "circuit_compliance", "stretch of the circuit and compression of its gas; 0: none"
    ),
    "peak_pressure": quantity("target_pressure", "highest airway pressure", **_PRESSURE),
    "plateau_pressure": quantity("target_pressure", "airway pressure in an end-inspiratory pause", **_PRESSURE),
    "flow": quantity("wanted_flow", "constant flow from the ventilator"),
    "time_constant": quantity("time", "time constant of the change", **_ABOVE_ZERO),
    "rise_time_constant": quantity("time", "time constant of the rise of pressure", **_ABOVE_ZERO),
}
# Limits of closed forms are of interest too; what is not finite is refused.
_QUANTITIES = {name: dataclasses.replace(one, any_size=True) for name, one in _SIZED.items()}
_TEXTS = {
    "lung": ("Lung", "Linear, passive lung of one compartment, for numbers below that are not given."),
    "lungs": (
        "mapping of str to Lung, or sequence of Lung",
        "Such lungs, for lists of compliance and resistance, one number for each, that are not given.",
    ),
    "settings": ("", "Breath settings, for numbers below that are not given."),
    "flow_pattern": (
        '{"constant", "decelerating", "sine"}',
        "Form of the set flow: constant (the default), a falling straight line, or half a sine.",
    ),
}
_RAISES = """Raises
------
InputError
    If a number is missing, impossible or does not fit the others, or a description goes beyond what the closed
    form holds for.
"""
_ATTRIBUTES = "Attributes\n----------\n"


@dataclass(frozen=True, eq=False)
class Numbers:
    """Checked numbers of a closed form: each is an attribute, an array of the shape that they have in common."""

    where: str
    values: dict[str, Any]

    def __post_init__(self) -> None:
        vars(self).update(self.values)

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> FloatArray: ...

    @property
    def period(self) -> FloatArray:
        """Time from one breath to the next. [s]"""
        return 60.0 / self.rate

    @property
    def duty_cycle(self) -> FloatArray:
        """Inspiratory time over period. [1]"""
        return self.inspiratory_time / self.period

    @property
    def filling(self) -> FloatArray:
        """Inspiratory time over the time constant of inspiration. [1]"""
        return self.inspiratory_time / (self.resistance * self.compliance / ML_PER_L)

    @property
    def emptying(self) -> FloatArray:
        """Expiratory time over the time constant of expiration. [1]"""
        return (self.period - self.inspiratory_time) / (self.expiratory_resistance * self.compliance / ML_PER_L)

    def refuse(self, impossible: Any, text: str, **others: FloatArray) -> None:
        """Raise an error if numbers are impossible together; `text` has those that it shows in braces."""
        if np.any(impossible):
            first = np.argmax(impossible)
            alike = (item for item in (self.values | others).items() if np.shape(item[1]) == np.shape(impossible))
            shown = {name: np.ravel(value)[first] for name, value in alike}
            raise InputError(f"{self.where}: {text.format(**shown)}")

    def refuse_falling(self, *names: str) -> None:
        """Raise an error unless pressures rise in this order."""
        for low, high in pairwise(names):
            text = f"{high} {{{high}:.6g}} cmH2O is below {low} {{{low}:.6g}} cmH2O.\n  Check which is which."
            self.refuse(self.values[high] < self.values[low], text)


class Results:
    """Base of what closed forms return: floats where all arguments were single numbers, and nothing infinite."""

    def __init_subclass__(cls) -> None:
        """Document inherited attributes too."""
        own, _, attributes = inspect.cleandoc(cls.__doc__ or "").partition(_ATTRIBUTES)
        inherited = inspect.cleandoc(cls.__mro__[1].__doc__ or "").partition(_ATTRIBUTES)[2]
        cls.__doc__ = f"{own.rstrip()}\n\n{_ATTRIBUTES}" + "\n".join(filter(None, (inherited, attributes)))

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray | np.floating):
                object.__setattr__(self, name, plain(type(self).__name__, value))


def plain(where: str, value: Any) -> Any:
    """A float for an array without dimensions, else the array; an error if a number is not finite."""
    if not np.isfinite(value).all():
        raise InputError(f"{where}: numbers are too large or too small to calculate with.\n  Check their units.")
    return value if np.ndim(value) else float(value)


def read_numbers(where: str, arguments: Mapping[str, Any]) -> Numbers:
    """Numbers of a closed form from its arguments, `locals()`: those given, else those of its descriptions."""
    sources = (_DEFAULTS, _described(where, arguments), arguments)
    known = {name: value for source in sources for name, value in source.items() if value is not None}
    for outward, inward in _AS_IN_INSPIRATION.items():
        known.setdefault(outward, known.get(inward))
    wanted = [name for name in arguments if name in _QUANTITIES]
    needed = [name for name in wanted if known.get(name) is None and name not in _AS_IN_INSPIRATION]
    if missing := [f"{name} [{_QUANTITIES[name].unit}]" for name in needed]:
        text = f"{where}: missing: {', '.join(missing)}."
        raise InputError(f"{text}\n  Give numbers by keyword, or descriptions that have them.")
    arrays = {name: _checked(where, name, known[name]) for name in wanted}
    of_lungs = _OF_LUNG if "lungs" in arguments else ()
    rows = fitted(where, {name: np.atleast_1d(arrays.pop(name)) for name in of_lungs if name in arrays})
    if any(row.ndim != 1 or row.size == 0 for row in rows.values()):
        raise InputError(f"{where}: {' and '.join(rows)} need one number for each lung.\n  Give lists of numbers.")
    pattern = {name: known[name] for name in arguments if name == "flow_pattern"}
    numbers = Numbers(where, fitted(where, arrays) | rows | pattern)
    if "inspiratory_time" in arrays:
        numbers.refuse(
            numbers.inspiratory_time >= numbers.period,
            "inspiratory_time {inspiratory_time:.6g} s leaves no time for expiration at a rate of {rate:.6g} "
            "1/min.\n  Allowed: below the period of {period:.6g} s. Shorten inspiratory_time or lower rate.",
            period=numbers.period,
        )
    return numbers


def fitted(where: str, arrays: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Arrays by name, brought to one shape."""
    try:
        return dict(zip(arrays, np.broadcast_arrays(*arrays.values()), strict=True))
    except ValueError:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items() if array.ndim)
        raise InputError(
            f"{where}: shapes of the arrays do not fit: {shapes}.\n"
            "  Give single numbers, or arrays whose shapes broadcast as in numpy."
        ) from None


def _checked(where: str, name: str, value: ArrayLike) -> FloatArray:
    array = finite_array(where, name, value, unit=_QUANTITIES[name].unit)
    if array.size:  # if the smallest and the largest number are possible, all are
        for end in [value] if np.isscalar(value) else {float(array.min()), float(array.max())}:
            known: dict[str, Any] = {name: _QUANTITIES[name]}
            check(where, {name: end}, error=InputError, **known)
    return array


def _described(where: str, arguments: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers of the descriptions among the arguments."""
    lung, lungs, settings = (arguments.get(name) for name in ("lung", "lungs", "settings"))
    found = {} if settings is None else _of_settings(where, settings, arguments)
    if lung is not None:
        found |= _of_lung(where, lung)
    if lungs is not None:
        each = [_of_lung(where, one) for one in (lungs.values() if isinstance(lungs, Mapping) else lungs)]
        found |= {name: [one[name] or one["resistance"] for one in each] for name in _OF_LUNG}
        if "frequency" in arguments and found["expiratory_resistance"] != found["resistance"]:
            raise InputError(
                f"{where}: the closed form holds for lungs with one resistance for both directions.\n"
                "  Leave expiratory_resistance out, or give numbers."
            )
    return found


def _of_lung(where: str, lung: Any) -> dict[str, Any]:
    """Compliance and resistances of a lung that has nothing beyond them."""
    laws: dict[str, Any] = {name: getattr(lung, name, None) for name in (*_OF_LUNG, "chest_wall_compliance")}
    # A law of flow that is a straight line counts as its resistance.
    found = {name: law.linear if getattr(law, "quadratic", None) == 0.0 else law for name, law in laws.items()}
    beyond = [name for name, law in found.items() if not isinstance(law, Real | None)]
    beyond += [name for name in ("regions", "effort") if getattr(lung, name, None)]
    if beyond:
        raise InputError(
            f"{where}: the closed form holds for linear, passive lungs of one compartment, not with "
            f"{' and '.join(beyond)} of this one.\n  Use steady_breath, which takes any lung."
        )
    wall = found.pop("chest_wall_compliance")
    if wall is not None:  # lung and chest wall hold the same volume, and their pressures add up
        found["compliance"] = 1.0 / (1.0 / found["compliance"] + 1.0 / wall)
    return found


def _of_settings(where: str, settings: Any, arguments: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers of breath settings of the mode that a closed form is about."""
    mode = PressureControl if "inspiratory_pressure" in arguments else VolumeControl
    if not isinstance(settings, mode):
        raise InputError(
            f"{where}: {shown(settings)} is not {mode.kind}.\n  Give {mode.__name__}(...), or numbers."
        )
    first = settings.inspiration()[0]
    if first.shape != "constant" and not {"rise_time_constant", "flow_pattern"} & arguments.keys():
        raise InputError(
            f"{where}: the closed form holds for constant {first.drive} in inspiration, this is {first.shape}.\n"
            "  Use steady_breath, which takes any settings."
        )
    return dict(settings) | {
        "inspiratory_time": settings.inspiratory_phase_time,
        # By the time of flow, so that laws of the flow hold with a pause too.
        "ie_ratio": settings.flow_time / (settings.period - settings.flow_time),
        "flow": first.start,
        "rise_time_constant": first.time_constant or None,
    }


def closed_form(form: Form) -> Form:
    """Complete the docstring of a closed form: its parameters, from the table of quantities, and its errors."""
    entries = "\n".join(map(_entry, inspect.signature(form).parameters.values()))
    text = inspect.cleandoc(form.__doc__ or "").replace("\nNotes\n", f"\n{_RAISES}\nNotes\n", 1)
    form.__doc__ = text.replace("\nReturns\n", f"\nParameters\n----------\n{entries}\n\nReturns\n", 1)
    return public(np.errstate(all="ignore")(form))  # numbers that are not finite are refused at the end


def _entry(parameter: inspect.Parameter) -> str:
    """What `help` says of one parameter."""
    name = parameter.name
    kind, text = _TEXTS.get(name) or ("float or array", "{0.meaning}. [{0.unit}]".format(_QUANTITIES[name]))
    kind = kind or get_args(parameter.annotation)[0].__name__
    optional = "" if parameter.default is parameter.empty else ", optional"
    return f"{name} : {kind}{optional}\n    {text[0].upper()}{text[1:]}"
