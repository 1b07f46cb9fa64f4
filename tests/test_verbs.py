"""Every verb and study takes a Scenario, or a circuit and settings, in the same way; and a user's own settings."""

from collections.abc import Callable
from typing import Annotated, ClassVar

import numpy as np
import pytest
import xarray as xr
from pydantic import Field

import ventsim as vs
from ventsim.errors import InputError
from ventsim.model.ventilator import BreathSettings, Segment

LUNGS = {"a": vs.Lung(compliance=50, resistance=10), "b": vs.Lung(compliance=30, resistance=12)}
CIRCUIT = vs.layouts.shared(LUNGS, ideal=True, one_way_valves=False)
SETTINGS = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=15, inspiratory_time=1.2)
RUN = {"duration": 12.0, "sample_interval": 0.02, "tolerance": 1e-6}  # none is the default
SCENARIO = vs.Scenario(circuit=CIRCUIT, settings=SETTINGS, **RUN)
TARGETS = {"b": {"inspired_tidal_volume": 200.0}}
STIFF = {"stiff": vs.Change(path="lungs.a.compliance", factor=0.7, at=0.0)}


def only(*names: str) -> dict[str, float]:
    return {name: RUN[name] for name in names}


def sweep(*given, **options) -> xr.Dataset:
    """The values come last; options of the run belong to a circuit and settings."""
    return vs.studies.sweep(*given, {"settings.peep": [5.0, 8.0]}, progress=False, **options)


# Each as a function of what is run, with the options that it has in common with a scenario.
VERBS: dict[str, tuple[Callable[..., object], dict[str, float]]] = {
    "simulate": (vs.simulate, RUN),
    "simulate_long": (lambda *given, **run: vs.simulate_long(*given, progress=False, **run).measures, RUN),
    "steady_breath": (vs.steady_breath, only("sample_interval", "tolerance")),
    "numerical_error": (vs.numerical_error, only("sample_interval", "tolerance")),
    "sweep": (sweep, only("sample_interval", "tolerance")),
    "sensitivity_matrix": (lambda *given: vs.studies.sensitivity_matrix(*given, progress=False), {}),
    "size_restrictors": (lambda *given: vs.studies.size_restrictors(*given, targets=TARGETS).results, {}),
    "blind_spots": (
        lambda *given, **run: vs.studies.blind_spots(*given, faults=STIFF, duration=20.0, progress=False, **run),
        only("tolerance"),
    ),
}
# What is looked at is the circuit alone.
OF_A_CIRCUIT: dict[str, Callable[..., object]] = {
    "parts_list": lambda *given: str(vs.parts_list(*given)),
    "connector_mismatches": vs.connector_mismatches,
    "circuit_drawing": lambda *given: [text.get_text() for text in vs.plot.circuit_drawing(*given).texts],
    "standard_faults": vs.studies.standard_faults,
}
# What tells when, how and of what a result was made.
ORIGIN = {"created", "scenario", "wall_time_s", "elapsed_s"}


def assert_same(one: xr.Dataset, other: xr.Dataset, name: str) -> None:
    """Bit for bit."""
    assert set(one.variables) == set(other.variables), name
    for variable in one.variables:
        np.testing.assert_array_equal(one[variable].values, other[variable].values, err_msg=f"{name}: {variable}")


def test_a_scenario_gives_what_its_circuit_and_settings_give():
    """Also a Layout in place of its circuit."""
    for name, (verb, options) in VERBS.items():
        found = verb(SCENARIO)
        assert found.sizes and np.isfinite(found[next(iter(found.data_vars))].values.astype(float)).any(), name
        assert_same(found, verb(CIRCUIT, SETTINGS, **options), name)
        assert_same(found, verb(CIRCUIT.layout, SETTINGS, **options), name)


def test_two_settings_and_none_are_refused():
    """In a plain message that begins with the verb and ends with the remedy; nothing has been run by then."""
    for name, (verb, _) in VERBS.items():
        for given, wanted in (
            ((SCENARIO, SETTINGS), "settings are given, but the scenario has its own.\n  Leave them out"),
            ((CIRCUIT,), "settings are missing; a circuit needs breath settings.\n  Give PressureControl(...) or"),
            (
                (SETTINGS,),
                "got PressureControl(...), but a scenario is needed, or a circuit and settings.\n  Give ",
            ),
        ):
            with pytest.raises(InputError) as caught:
                verb(*given)
            assert str(caught.value).startswith(f"{name}: {wanted}"), name


def test_what_looks_at_the_circuit_alone_takes_the_same():
    """A scenario, or a circuit or layout with or without settings; anything else is refused in one message."""
    for name, verb in OF_A_CIRCUIT.items():
        expected = verb(SCENARIO)
        for given in ((CIRCUIT,), (CIRCUIT.layout,), (CIRCUIT, SETTINGS), (CIRCUIT.layout, SETTINGS)):
            assert verb(*given) == expected, name
        for given, wanted in (
            ((SCENARIO, SETTINGS), "settings are given, but the scenario has its own.\n  Leave them out."),
            ((SETTINGS,), "PressureControl(...) is not a circuit.\n  Give what layouts.shared(...) returns, "),
            ((CIRCUIT, 3), "settings 3 are of the wrong type.\n  Give PressureControl(...) or "),
        ):
            with pytest.raises(InputError) as caught:
                verb(*given)
            assert str(caught.value).startswith(f"{name}: {wanted}"), name


def test_a_circuit_comes_back_as_what_was_given():
    """A scenario for a scenario, otherwise a circuit."""
    narrowed, path = vs.studies.add_restrictor(CIRCUIT, "a")
    assert vs.studies.add_restrictor(CIRCUIT.layout, "a") == (narrowed, path)
    assert vs.studies.add_restrictor(SCENARIO, "a") == (SCENARIO.changed(circuit=narrowed), path)
    apart = [vs.Disconnection(joint="a.airway", at=0.0)]
    for given in (SCENARIO, CIRCUIT, CIRCUIT.layout):
        assert vs.changes.with_faults(given, []) is CIRCUIT
        assert len(vs.changes.with_faults(given, apart).parts) == len(CIRCUIT.parts) + 2
    for name, verb in (
        ("add_restrictor", lambda: vs.studies.add_restrictor(SETTINGS, "a")),
        ("with_faults", lambda: vs.changes.with_faults(SETTINGS, [])),
    ):
        with pytest.raises(InputError, match=rf"^{name}: PressureControl\(\.\.\.\) is not a circuit\.\n  Give "):
            verb()


def test_changes_of_a_scenario_or_beside_a_circuit_and_settings():
    """The same table, and the same circuit and settings after them."""
    changes = (vs.Change(path="lungs.a.compliance", to=30.0, at=4.0),)
    changing = SCENARIO.changed(changes=changes)
    after = vs.changes.with_changes(changing)
    assert after == SCENARIO.replaced({"lungs.a.compliance": 30.0})
    for given in ((CIRCUIT, SETTINGS), (CIRCUIT.layout, SETTINGS)):
        table = vs.changes_table(*given, changes=changes)
        assert table.frame.equals(vs.changes_table(changing).frame)
        assert vs.changes.with_changes(*given, changes) == (after.circuit, after.settings)
    assert table.frame["before"].tolist() == ["50 mL/cmH2O"]
    assert vs.changes_table(SCENARIO, changes=changes).frame.equals(table.frame)
    for name, verb in (("changes_table", vs.changes_table), ("with_changes", vs.changes.with_changes)):
        with pytest.raises(InputError, match=rf"^{name}: settings are given, but the scenario has its own"):
            verb(changing, SETTINGS)
        with pytest.raises(InputError, match=r"settings None is of the wrong type\.\n  Give PressureControl"):
            verb(CIRCUIT, changes=changes)


def test_changes_in_time_are_refused_where_a_breath_repeats_itself():
    changing = SCENARIO.changed(changes=(vs.Change(path="settings.peep", to=8.0, at=4.0),))
    for name in VERBS.keys() - {"simulate", "simulate_long"}:
        with pytest.raises(InputError, match=rf"^{name}: the scenario has 1 change.* in time; .*\n  Use "):
            VERBS[name][0](changing)
    assert float(vs.simulate(changing).inspiratory_port_pressure[-1]) > 7.0


# --- settings of a user's own ---------------------------------------------------------------------------------


class TwoLevels(BreathSettings):
    """Two pressures in one inspiration, each for half of it."""

    kind: ClassVar[str] = "two levels"

    low: Annotated[float, Field(description="first pressure above PEEP [cmH2O]")]
    high: Annotated[float, Field(description="second pressure above PEEP [cmH2O]")]

    @property
    def flow_time(self) -> float:
        """The whole inspiration. [s]"""
        return self.inspiratory_phase_time

    def inspiration(self) -> tuple[Segment, ...]:
        """Two constant pressures."""
        half = {"duration": self.flow_time / 2.0, "phase": "inspiration", "drive": "pressure"}
        return Segment(**half, start=self.peep + self.low), Segment(**half, start=self.peep + self.high)


OWN = TwoLevels(low=8.0, high=16.0, peep=5.0, rate=15.0, inspiratory_time=1.6)


def steady_volume(time_constant: float, compliance: float) -> float:
    """Volume above PEEP at the end of inspiration less that at its start [mL]: exponentials, breath after breath.

    With no volume left over from before, the two levels of 0.8 s leave V; each breath leaves of it what
    2.4 s of expiration and the next 1.6 s of inspiration let through.
    """
    fall = np.exp(-0.8 / time_constant)
    after_rest = compliance * (16.0 + (8.0 * (1.0 - fall) - 16.0) * fall)
    start = after_rest * np.exp(-2.4 / time_constant) / (1.0 - np.exp(-4.0 / time_constant))
    return after_rest + start * np.exp(-1.6 / time_constant) - start


def test_settings_of_a_users_own_run_in_every_verb():
    """In closed form: V(t) = C p + (V0 - C p) exp(-t/RC), from one level to the next."""
    expected = [steady_volume(0.5, 50.0), steady_volume(0.36, 30.0)]
    own = vs.Scenario(circuit=CIRCUIT, settings=OWN, duration=48.0)
    volumes = {
        "simulate": vs.breath_measures(vs.simulate(own)).inspired_tidal_volume[-1],
        "simulate_long": vs.simulate_long(own, progress=False).measures.inspired_tidal_volume[-1],
        "steady_breath": vs.breath_measures(vs.steady_breath(own)).inspired_tidal_volume[0],
        "sweep": vs.studies.sweep(own, {"settings.high": [12.0, 16.0]}, progress=False).inspired_tidal_volume[1],
    }
    for name, volume in volumes.items():
        np.testing.assert_allclose(volume.values, expected, rtol=2e-6, err_msg=name)
    for name, (verb, options) in VERBS.items():
        given = own.changed(**RUN)
        if name in ("sweep", "size_restrictors", "blind_spots", "sensitivity_matrix", "numerical_error"):
            assert_same(verb(given), verb(CIRCUIT, OWN, **options), name)
