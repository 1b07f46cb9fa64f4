"""Wrong names and wrong kinds of things are answered with the right ones.

Misspellings written here; every expected answer is a name that the code has.
"""

import inspect

import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim.errors import InputError, PartError, SchemaError
from ventsim.model.changes import CHANGE_KINDS
from ventsim.model.circuit import Circuit
from ventsim.model.descriptions import Description
from ventsim.model.parts import PART_KINDS
from ventsim.model.ventilator import SETTINGS_KINDS
from ventsim.results.measures import integrate_recording
from ventsim.results.schema import kind_of

LUNG = vs.Lung(compliance=40, resistance=8)
CIRCUIT = vs.layouts.shared({"a": LUNG, "b": LUNG}, ideal=True)
SETTINGS = vs.PressureControl(inspiratory_pressure=12, peep=5, rate=15, ie_ratio=0.5)


# --- names of values ------------------------------------------------------------------------------------------


def all_descriptions():
    """Every class of description that is not abstract, by walking down from the base."""
    waiting, found = [Description], []
    while waiting:
        for cls in waiting.pop().__subclasses__():
            waiting.append(cls)
            if not inspect.isabstract(cls) and cls.__module__.startswith("ventsim."):
                found.append(cls)
    return sorted(set(found), key=lambda cls: cls.__name__)


@pytest.mark.parametrize("cls", all_descriptions(), ids=lambda cls: cls.__name__)
def test_every_description_refuses_values_without_names(cls):
    """With the kind, the value, and all names of its own."""
    names = ", ".join(cls.model_fields) or "none, it has no values"
    message = (
        rf"^{cls.kind}: a value is given without a name: 7\.\n  Write {cls.__name__}\(.*\)\.\n  Names: {names}\.$"
    )
    with pytest.raises(cls.error_type, match=message):
        cls(7)


def test_all_kinds_are_looked_at():
    found = set(all_descriptions())
    assert {*PART_KINDS.values(), *CHANGE_KINDS.values(), *SETTINGS_KINDS.values(), vs.Scenario, Circuit} <= found


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: vs.Lung(40, 8),
            r"^lung: values are given without a name: 40, 8\.\n  Write Lung\(compliance=40, resistance=8\)\.\n",
        ),
        (lambda: vs.Lung(40, resistance=8), r"Write Lung\(compliance=40, resistance=8\)\."),
        (lambda: vs.Lung(40, 8, 12), r"Write Lung\(compliance=\.\.\., resistance=\.\.\.\)\."),
        (lambda: vs.Tube(1.5), r"Write Tube\(length=1\.5\)\."),
        # its fields begin with those of all settings, so the order tells nothing
        (lambda: vs.VolumeControl(500, 15), r"Write VolumeControl\(rate=\.\.\., tidal_volume=\.\.\.\)\."),
        (lambda: vs.Restrictor(5), r"Write Restrictor\(resistance=\.\.\.\)\."),
        (lambda: vs.Circuit({"a": LUNG}, []), r"Write Circuit\(parts=\{'a': Lung\(\.\.\.\)\}, joints=\[\]\)\."),
        (
            lambda: LUNG.changed(50),
            r"^lung: changed takes new values by name; got 50\.\n  Write \.changed\(",
        ),
        (lambda: LUNG.changed({3: 50}), r"changed takes new values by name; got \{3: 50\}\."),
        (lambda: LUNG.changed(complience=5), r"^lung: there is no 'complience'\.\n  Did you mean 'compliance'\?$"),
        (lambda: vs.Tube(lenght=1.5), r"^tube: there is no 'lenght'\.\n  Did you mean 'length'\?$"),
        (
            lambda: vs.Lung(colour=3, complience=50),
            r"^lung: there is no 'colour'\.\n  Allowed: .*\nlung: there is no 'complience'.*\n.*\nlung: res",
        ),
    ],
)
def test_names_of_values(make, message):
    with pytest.raises(InputError, match=message):
        make()


def test_signatures_show_the_fields_alone():
    assert list(inspect.signature(vs.Tube).parameters) == list(vs.Tube.model_fields)
    assert list(inspect.signature(vs.Tube.changed).parameters) == ["self", "values", "by_name"]
    assert list(inspect.signature(Circuit.with_parts).parameters) == ["self", "parts"]


@pytest.mark.parametrize(
    ("get", "message"),
    [
        (lambda: LUNG.complience, r"^lung: there is no 'complience'\.\n  Did you mean 'compliance'\?$"),
        (lambda: CIRCUIT.prats, r"^circuit: there is no 'prats'\.\n  Did you mean 'parts'"),
        (lambda: CIRCUIT.with_part, r"Did you mean 'with_parts'"),
        (lambda: SETTINGS.periode, r"^pressure control: there is no 'periode'\.\n  Did you mean 'period'"),
        (lambda: LUNG._hidden, r"_hidden"),
    ],
)
def test_names_read_from_a_description(get, message):
    with pytest.raises(AttributeError, match=message):
        get()


def test_an_error_inside_a_property_is_not_hidden():
    class Broken(Description):
        """A description whose property fails."""

        @property
        def value(self) -> int:
            return self.missing_inside

    with pytest.raises(AttributeError, match="missing_inside"):
        _ = Broken().value


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("1:2", r"ie_ratio '1:2' is not a number\.\n  Write 0\.5, inspiration divided by expiration\.$"),
        ("1 : 1.5", r"\n  Write 0\.667, inspiration"),
        ("2/1", r"\n  Write 2, inspiration"),
        ("1:0", r"ie_ratio '1:0' is not a number\.\n  Allowed: above 0; usual: 0\.1 to 1\.$"),
        ("half", r"ie_ratio 'half' is not a number\.\n  Allowed: above 0"),
    ],
)
def test_ratio_in_words(value, message):
    with pytest.raises(InputError, match=message):
        SETTINGS.changed({"ie_ratio": value})


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (
            2,
            r"^pressure control: ie_ratio 2 is inspiration 2 : expiration 1\.\n  For 1:2 write 0\.5; for 2:1 l",
        ),
        (1.5, r"ie_ratio 1\.5 is inspiration 1\.5 : expiration 1\.\n  For 1:1\.5 write 0\.667"),
        (0.05, r"ie_ratio 0\.05 is outside 0\.1 to 1\.\n  Check the number"),
    ],
)
def test_ratio_turned_round(value, message):
    with pytest.warns(vs.errors.PlausibilityWarning, match=message):
        SETTINGS.changed({"ie_ratio": value})


def test_equal_phases_are_usual():
    """1:1 is no slip; a warning would be an error here."""
    assert SETTINGS.changed({"ie_ratio": 1}).expiratory_time == 2.0


# --- kinds of Datasets ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def results():
    """One Dataset of each kind that a run leads to."""
    waveforms = vs.steady_breath(CIRCUIT, SETTINGS, sample_interval=0.1)
    measures = vs.breath_measures(waveforms)
    displayed = vs.monitor.displayed_values(measures)
    alarms = vs.monitor.alarms(displayed, vs.monitor.AlarmLimits())
    recording = waveforms[["airway_pressure", "flow", "breath_start", "inspiration_end", "breath_end"]]
    found = {"waveforms": waveforms, "measures": measures, "displayed": displayed, "alarms": alarms}
    return {**found, "recording": recording}


def test_kinds_are_distinguished(results):
    assert {name: kind_of(dataset) for name, dataset in results.items()} == {name: name for name in results}
    assert kind_of(xr.Dataset()) is None
    assert (
        kind_of(xr.Dataset({"flow": ("time", [0.5]), "tidal_volume_fraction": ("lung", [1.0])})) is None
    )  # of two kinds
    assert kind_of(results["waveforms"][["breath_start"]]) is None  # in every kind


@pytest.mark.parametrize(
    ("function", "given", "message"),
    [
        (
            vs.breath_measures,
            "measures",
            r"^these are measures of breaths already; waveforms or a recording is needed here\.\n"
            r"  Use them as they are, for instance ventsim\.breath_table\(measures\)\.$",
        ),
        (integrate_recording, "measures", r"these are measures of breaths already"),
        (
            vs.breath_measures,
            "alarms",
            r"^these are alarms; waveforms or a recording is needed here\.\n  ventsim\.simul",
        ),
        (
            vs.breath_table,
            "waveforms",
            r"^these are waveforms; measures of breaths are needed here\.\n"
            r"  ventsim\.breath_measures\(waveforms\) makes measures\.$",
        ),
        (vs.breath_table, "recording", r"^these are waveforms; measures of breaths are needed here"),
        (
            vs.breath_table,
            "displayed",
            r"these are displayed values already; .*\n  ventsim\.monitor\.displayed_table",
        ),
        (vs.monitor.displayed_values, "waveforms", r"these are waveforms; measures of breaths are needed here"),
        (
            vs.monitor.displayed_table,
            "measures",
            r"displayed values are needed .*\n  ventsim\.monitor\.displayed_values",
        ),
        (vs.monitor.alarms_table, "displayed", r"alarms are needed here\.\n  ventsim\.monitor\.alarms\(displayed"),
        (vs.studies.blind_spots_table, "measures", r"a study of blind spots is needed here\.\n  ventsim\.studies"),
    ],
)
def test_other_kind_of_dataset(results, function, given, message):
    with pytest.raises(SchemaError, match=message):
        function(results[given])


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (
            CIRCUIT,
            r"^got Circuit; a Dataset with waveforms or a recording is needed here\.\n  ventsim\.simulate",
        ),
        (np.zeros(3), r"^got ndarray; a Dataset"),
        (xr.DataArray([1.0]), r"^got DataArray; a Dataset with .*\n  Give the whole Dataset\.$"),
        (3, r"^got int; a Dataset"),
    ],
)
def test_no_dataset_at_all(value, message):
    with pytest.raises(SchemaError, match=message):
        vs.breath_measures(value)


def test_a_misspelt_variable_is_still_named(results):
    """It belongs to no kind, so the nearest name is the answer."""
    waveforms = results["recording"].rename({"flow": "flwo"})
    with pytest.raises(SchemaError, match=r"variable 'flwo' is not in the table .*\n  Did you mean 'flow'"):
        vs.breath_measures(waveforms)


def test_wrong_values_are_shown_short():
    """A list of lungs is not written out with all their numbers; anything else is cut."""
    with pytest.raises(
        PartError, match=r"^lung: \[Lung\(\.\.\.\), Lung\(\.\.\.\)\] is not a mapping of names to values"
    ):
        vs.Lung.from_dict([LUNG, LUNG])
    with pytest.raises(PartError, match=r"^lung: \[0, 1, 2.{60,80}\.\.\. is not a mapping"):
        vs.Lung.from_dict(list(range(1000)))
