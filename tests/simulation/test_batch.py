"""Batches: the numbers of single runs to the last bit, whichever way they ran; what fails or is stopped."""

import os
import pickle
import signal
from functools import partial

import numpy as np
import pytest

from ventsim import Lung, PressureControl, VolumeControl, breath_measures, simulate_long, steady_breath
from ventsim.errors import InputError, SolverError
from ventsim.model.layouts import shared
from ventsim.model.paths import with_values
from ventsim.model.scenario import builtin
from ventsim.simulation.batch import STATUS_WORDS, BatchOptions, run_batch, run_piece, unfinished

OPTIONS = BatchOptions(tolerance=5e-7, sample_interval=0.05)
PRESSURE = PressureControl(inspiratory_pressure=12, peep=5, rate=14, ie_ratio=0.5)
VOLUME = VolumeControl(tidal_volume=800, peep=5, rate=15, inspiratory_time=1.4, pause_time=0.3)


def mixed_cases():
    """Thirty-six circuits in more than two pieces, with other numbers, wiring and settings in turn."""
    pairs = []
    for k in range(36):
        lungs = {"a": Lung(compliance=50, resistance=10), "b": Lung(compliance=15 + k, resistance=10)}
        arrangement = "chain" if k % 5 == 2 else "tree"
        circuit = shared(lungs, arrangement=arrangement, one_way_valves=k % 7 != 3)
        pairs.append((circuit, VOLUME if k % 3 == 1 else PRESSURE))
    return pairs


def as_case(pair):
    return lambda: pair


def impossible():
    return shared({"a": Lung(compliance=-5, resistance=10)}), PRESSURE


def unsolvable():
    raise SolverError("no steady breath: made up here.")


def interrupted():
    raise KeyboardInterrupt


@pytest.fixture(scope="module")
def pairs():
    return mixed_cases()


@pytest.fixture(scope="module")
def one_by_one(pairs):
    """Measures of the steady breath of each circuit by itself."""
    return [
        breath_measures(steady_breath(circuit, settings, sample_interval=OPTIONS.sample_interval)).isel(breath=0)
        for circuit, settings in pairs
    ]


def assert_same_bits(result, k, measures):
    for records in (result.lungs, result.ports, result.timing):
        for name in records.dtype.names:
            np.testing.assert_array_equal(records[name][k], measures[name].values, err_msg=name)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_a_batch_has_the_bits_of_single_runs(pairs, one_by_one, threads):
    result = run_batch([as_case(pair) for pair in pairs], OPTIONS, n_lungs=2, threads=threads, progress=False)
    assert result.status.tolist() == [0] * len(pairs)
    assert set(result.reason) == {""}
    assert (result.breaths > 0).all()
    for k, measures in enumerate(one_by_one):
        assert_same_bits(result, k, measures)


def test_the_last_whole_breath_has_the_bits_of_a_run(pairs):
    """32 s hold seven whole breaths at 14 and eight at 15 a minute."""
    options = BatchOptions(tolerance=5e-7, sample_interval=0.05, duration=32.0)
    result = run_batch([as_case(pair) for pair in pairs[:3]], options, n_lungs=2, threads=2, progress=False)
    assert result.breaths.tolist() == [7, 8, 7]
    for k, (circuit, settings) in enumerate(pairs[:3]):
        run = simulate_long(circuit, settings, duration=32.0, sample_interval=0.05, progress=False)
        assert_same_bits(result, k, run.measures.isel(breath=-1))


@pytest.mark.parametrize("threads", [1, 2])
def test_what_fails_in_the_middle_leaves_the_others_alone(pairs, one_by_one, threads):
    cases = [as_case(pair) for pair in pairs]
    cases[7], cases[20] = impossible, unsolvable
    result = run_batch(cases, OPTIONS, n_lungs=2, threads=threads, progress=False)
    words = [STATUS_WORDS[status] for status in result.status]
    assert (words[7], words[20]) == ("refused", "failed")
    assert words.count("finished") == len(cases) - 2
    assert "compliance -5 mL/cmH2O is not allowed" in result.reason[7]
    assert result.reason[20] == "no steady breath: made up here."
    missing = [records[name][[7, 20]] for records in (result.lungs, result.ports) for name in records.dtype.names]
    assert all(np.isnan(values).all() for values in missing)
    for k in set(range(len(cases))) - {7, 20}:
        assert_same_bits(result, k, one_by_one[k])


def test_a_stop_keeps_the_pieces_before(pairs, one_by_one):
    """Pieces are of 16: a stop in case 20 keeps the first 16."""
    cases = [as_case(pair) for pair in pairs]
    cases[20] = interrupted
    result = run_batch(cases, OPTIONS, n_lungs=2, threads=1, progress=False)
    assert [STATUS_WORDS[status] for status in result.status] == ["finished"] * 16 + ["not run"] * 20
    assert_same_bits(result, 15, one_by_one[15])
    assert np.isnan(result.lungs["inspired_tidal_volume"][16:]).all()
    assert result.reason[16].startswith("not run")


@pytest.mark.parametrize("threads", [1, 2])
def test_a_stop_before_anything_is_finished_stops_everything(pairs, threads):
    """The message of Python itself: there is nothing that could be kept."""
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        run_batch([interrupted] * 4, OPTIONS, n_lungs=2, threads=threads, progress=False)


def test_a_case_is_a_value_that_goes_to_another_process():
    """A piece that was written down and read again gives the same bits, and so does its result."""
    scenario = builtin("two-unequal-lungs")
    points = [
        {"lungs.b.compliance": compliance, "limbs.a.inspiratory_tube.bore": bore}
        for compliance in (20.0, 30.0)
        for bore in (15.0, 22.0)
    ]
    cases = [partial(with_values, scenario.circuit, scenario.settings, point) for point in points]
    here = run_piece(cases, OPTIONS, n_lungs=2)
    there = pickle.loads(pickle.dumps(run_piece(*pickle.loads(pickle.dumps((cases, OPTIONS))), n_lungs=2)))
    for one, other in ((there.lungs, here.lungs), (there.ports, here.ports)):
        for name in one.dtype.names:
            np.testing.assert_array_equal(one[name], other[name], err_msg=name)
    assert there.status.tolist() == here.status.tolist() == [0] * 4
    assert len(set(here.lungs["inspired_tidal_volume"][:, 1])) == 4  # each point is another circuit


def test_wrong_options():
    case = as_case((None, None))
    with pytest.raises(InputError, match="tolerance 1 is not allowed"):
        run_batch([case], BatchOptions(tolerance=1.0, sample_interval=0.01), n_lungs=1)
    with pytest.raises(InputError, match="threads 0 is not allowed"):
        run_batch([case], OPTIONS, n_lungs=1, threads=0)


def test_nothing_has_been_run_yet():
    result = unfinished(3, 2)
    assert result.lungs.shape == (3, 2)
    assert [STATUS_WORDS[status] for status in result.status] == ["not run"] * 3


def test_ctrl_c_over_threads_keeps_what_is_finished_and_what_is_under_way(pairs, one_by_one):
    """The signal comes to the main thread while two others work."""

    def signalling():
        os.kill(os.getpid(), signal.SIGINT)
        return pairs[0]

    cases = [as_case(pair) for pair in pairs] * 6
    cases[70] = signalling
    result = run_batch(cases, OPTIONS, n_lungs=2, threads=2, progress=False)
    words = [STATUS_WORDS[status] for status in result.status]
    assert words[:80] == ["finished"] * 80  # the piece of the signal itself was under way
    assert words[-16:] == ["not run"] * 16
    assert_same_bits(result, 15, one_by_one[15])


def test_no_cases_give_no_results():
    assert run_batch([], OPTIONS, n_lungs=2).lungs.shape[:2] == (0, 2)
