"""The faults that a study tries by default: what can go wrong at one lung."""

from ventsim.errors import InputError, suggestion
from ventsim.model.changes import AnyChange, Change, Clamp, Disconnection, LeakOnset
from ventsim.model.circuit import Circuit
from ventsim.model.circuit.description import circuit_of
from ventsim.model.descriptions import Description
from ventsim.model.laws import Orifice
from ventsim.model.laws.flow import in_series
from ventsim.model.parts import Filter, OneWayValve, Restrictor, TrachealTube, Tube
from ventsim.model.parts.fittings import OF_TUBE_LAW
from ventsim.model.scenario import AnyScenario
from ventsim.model.ventilator import BreathSettings
from ventsim.parameters import public
from ventsim.studies.sensitivity import scaled_values

# All invented for study; none is a threshold of anything.
_STIFFER, _NARROWER_AIRWAY, _CLOGGED, _CUFF_LEAK = 0.5, 3.0, 8.0, 150.0
_KINK, _SECRETIONS = 3.0, 0.7


@public
def standard_faults(
    scenario: AnyScenario, settings: BreathSettings | None = None, *, lung: str | None = None
) -> dict[str, tuple[AnyChange, ...]]:
    """Faults at one lung, as far as its branch has the parts for them, beginning at time 0.

    Parameters
    ----------
    scenario : Scenario, Circuit or Layout
        With a circuit whose parts are named as those of :func:`ventsim.layouts.shared`.
    settings : BreathSettings, optional
        Allowed beside a circuit, as in all verbs; nothing depends on them.
    lung : str or None, default None
        Which lung; None: the first one.

    Returns
    -------
    dict of str to tuple of changes
        By a short name. Their sizes are invented: half the compliance, three times the resistance, a kink of
        3 mm, a tracheal tube narrowed to 70 % of its bore, a filter with eight times its resistance, a cuff leak
        of 150 cmH2O·s/L.

    Raises
    ------
    InputError
        If there is no such lung.

    Examples
    --------
    >>> import ventsim as vs
    >>> circuit = vs.layouts.shared({"a": vs.Lung(compliance=50, resistance=10)})
    >>> list(standard_faults(circuit))[:3]
    ['stiff lung', 'narrow airway', 'kinked tube']
    """
    circuit = circuit_of(scenario, settings, where="standard_faults")
    if lung is None:
        lung = next(iter(circuit.lungs))
    if lung not in circuit.lungs:
        raise InputError(f"there is no lung '{lung}'.\n  {suggestion(lung, circuit.lungs)}")
    parts, item = circuit.parts, circuit.lungs[lung]
    names = ("inspiratory tube", "tracheal tube", "filter", "expiratory valve")
    tube, airway, in_airway, valve = (f"{lung} {name}" for name in names)
    faults = {
        "stiff lung": _scaled(f"lungs.{lung}", item, effect="compliance", factor=_STIFFER),
        "narrow airway": _scaled(f"lungs.{lung}", item, effect="resistance", factor=_NARROWER_AIRWAY),
        "kinked tube": _kink(circuit, lung),
    }
    if isinstance(parts.get(tube), Tube):
        faults["clamped tube"] = (Clamp(part=tube, at=0.0),)
    if isinstance(tracheal := parts.get(airway), TrachealTube):
        faults["secretions"] = _secretions(f"parts.{airway}", tracheal)
    if isinstance(parts.get(in_airway), Filter):
        path = f"parts.{in_airway}"
        faults["clogged filter"] = _scaled(path, parts[in_airway], effect="resistance", factor=_CLOGGED)
    if isinstance(parts.get(valve), OneWayValve):
        for state in ("stuck open", "stuck closed", "missing"):
            faults[f"valve {state}"] = (Change(path=f"parts.{valve}.state", to=state, at=0.0),)
    faults["cuff leak"] = (LeakOnset(joint=f"{lung}.airway", resistance=_CUFF_LEAK, at=0.0),)
    faults["disconnection"] = (Disconnection(joint=f"{lung}.airway", at=0.0),)
    return {name: changes for name, changes in faults.items() if changes}


def _scaled(path: str, item: Description, *, effect: str, factor: float) -> tuple[AnyChange, ...]:
    """Changes by which everything elastic, or every resistance, of a description is multiplied."""
    values = scaled_values(item, effect=effect, factor=factor)
    return tuple(Change(path=".".join((path, *steps)), to=value, at=0.0) for steps, value in values.items())


def _kink(circuit: Circuit, lung: str) -> tuple[AnyChange, ...]:
    """A hole in series with the restrictor, or with the inspiratory tube; the bore of a hole that is there."""
    for name in (f"{lung} inspiratory restrictor", f"{lung} inspiratory tube"):
        part = circuit.parts.get(name)
        if isinstance(part, Restrictor) and isinstance(part.resistance, Orifice):
            return (Change(path=f"parts.{name}.resistance.bore", to=_KINK, at=0.0),)
        if isinstance(part, Restrictor | Tube):
            is_tube = isinstance(part, Tube)
            law = in_series(part.flow_law if is_tube else part.resistance, Orifice(bore=_KINK))
            new = {"resistance": law}
            # The law of the tube, with its heads and friction, is in the new one.
            new |= {field: Tube.model_fields[field].default for field in (OF_TUBE_LAW if is_tube else ())}
            return tuple(
                Change(path=f"parts.{name}.{field}", to=value, at=0.0)
                for field, value in new.items()
                if value != getattr(part, field)
            )
    return ()


def _secretions(path: str, tube: TrachealTube) -> tuple[AnyChange, ...]:
    """A narrower bore; of a tube with a measured law, a law as if the bore were narrower."""
    if tube.resistance is not None:
        return _scaled(path, tube, effect="resistance", factor=_SECRETIONS**-4)
    obstructed = 1.0 - _SECRETIONS * (1.0 - tube.obstructed_fraction)
    return (Change(path=f"{path}.obstructed_fraction", to=obstructed, at=0.0),)
