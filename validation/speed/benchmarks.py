"""Speed of ventsim, measured against a general-purpose peer in the same run and at equal measured error.

python validation/speed/benchmarks.py            print the table
python validation/speed/benchmarks.py --write    and write it to validation/speed/README.md
"""

import argparse
import gc
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from peer import Peer

import ventsim as vs
from ventsim import laws
from ventsim.model.paths import with_values
from ventsim.simulation.batch import BatchOptions, Case, PieceResult, run_batch

HERE = Path(__file__).parent
ERROR = 1e-5  # largest relative error of a tidal volume that a contestant may have
SETTINGS = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=16, inspiratory_time=1.25)
COMPLIANCES, RESISTANCES = (50, 35, 25, 60), (10, 12, 8, 15)


_TUBE = vs.Tube(length=1.5, resistance=laws.Rohrer(linear=0.0375, quadratic=0.0795))
QUADRATIC = vs.PatientLimbs(inspiratory_tube=_TUBE, expiratory_tube=_TUBE)


def lungs(n: int) -> dict[str, vs.Lung]:
    """Unequal lungs, invented: four kinds in turn."""
    return {
        f"lung {i + 1}": vs.Lung(compliance=COMPLIANCES[i % 4], resistance=RESISTANCES[i % 4]) for i in range(n)
    }


def best_time(work: Callable[[], object], repeats: int) -> float:
    """Shortest of several runs [s]: the one that was disturbed least."""
    times = []
    for _ in range(repeats):
        gc.collect()
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def gained_volume(circuit: vs.Circuit, n_breaths: int, tolerance: float) -> np.ndarray:
    """Volume [mL] that each lung gained in the inspiration of the last of `n_breaths` breaths."""
    waveforms = vs.simulate(circuit, SETTINGS, duration=n_breaths * SETTINGS.period, tolerance=tolerance)
    began, ended = float(waveforms.breath_start[-1]), float(waveforms.inspiration_end[-1])
    return (waveforms.volume.sel(time=ended) - waveforms.volume.sel(time=began)).values


def against_lsoda() -> dict[str, float]:
    """Four lungs, quadratic tubes, one-way valves: time per breath at equal error."""
    circuit, n = vs.layouts.shared(lungs(4), limbs=QUADRATIC), 6
    exact = gained_volume(circuit, n, 1e-11)

    def peer_run(tolerance: float, breaths: int) -> np.ndarray:
        pressure = np.full(len(peer.compliance), float(SETTINGS.peep))
        for _ in range(breaths):
            pressure, gained = peer.breath(pressure, tolerance)
        return gained

    peer = Peer(circuit, SETTINGS)
    tolerances = 10.0 ** np.arange(-3.0, -8.01, -0.05)
    theirs = next(t for t in tolerances if _worst(peer_run(t, n), exact) <= ERROR)
    peer_error = _worst(peer_run(theirs, n), exact)
    mine = next(t for t in tolerances if _worst(gained_volume(circuit, n, t), exact) <= peer_error)
    ours_s = best_time(lambda: _breaths_only(circuit, SETTINGS, 400, mine), 7) / 400
    enough = next(t for t in tolerances if _worst(gained_volume(circuit, n, t), exact) <= ERROR)
    enough_s = best_time(lambda: _breaths_only(circuit, SETTINGS, 400, enough), 7) / 400
    default_s = best_time(lambda: _breaths_only(circuit, SETTINGS, 400, 5e-7), 7) / 400
    peer_s = best_time(lambda: peer_run(theirs, n), 5) / n
    return {
        "ventsim tolerance": mine,
        "ventsim error": _worst(gained_volume(circuit, n, mine), exact),
        "ventsim ms per breath": 1e3 * ours_s,
        "ventsim ms per breath at the default tolerance": 1e3 * default_s,
        "LSODA tolerance": theirs,
        "LSODA error": peer_error,
        "LSODA ms per breath": 1e3 * peer_s,
        "ratio at no larger an error than the peer's": peer_s / ours_s,
        "ventsim ms per breath at an error of at most 1e-5": 1e3 * enough_s,
        "ratio at errors of at most 1e-5 each": peer_s / enough_s,
    }


def _breaths_only(circuit: vs.Circuit, settings: vs.PressureControl, breaths: int, tolerance: float) -> object:
    """Run breaths with as few samples as may be: the peer takes none at all."""
    return vs.simulate_long(
        circuit, settings, duration=breaths * settings.period, sample_interval=settings.period, tolerance=tolerance
    )


def _worst(value: np.ndarray, exact: np.ndarray) -> float:
    return float(np.abs(value / exact - 1.0).max())


_HOURS_SCRIPT = """
import json, resource, time
import ventsim as vs
from benchmarks import QUADRATIC, SETTINGS, lungs
circuit = vs.layouts.shared(lungs(4), limbs=QUADRATIC)
vs.simulate_long(circuit, SETTINGS, duration=60)
began = time.perf_counter()
measures = vs.simulate_long(circuit, SETTINGS, duration={hours} * 3600).measures
seconds = time.perf_counter() - began
print(json.dumps([seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, measures.nbytes / 2**20]))
"""


def hours() -> dict[str, float]:
    """Hours of four lungs with measures per breath: seconds and peak memory, each in its own process."""
    rows: dict[str, float] = {}
    for length in (1, 6, 24):
        seconds, peak, result = json.loads(_script(_HOURS_SCRIPT.format(hours=length)).splitlines()[-1])
        found = {"seconds": seconds, "peak memory MB": peak, "result MB": result}
        rows |= {f"{length} h: {what}": value for what, value in found.items()}
    return rows


def steady() -> dict[str, float]:
    """The steady breath found directly against waiting for it, to the same change per breath."""
    slow = {name: lung.changed(resistance=2.5 * lung.resistance) for name, lung in lungs(4).items()}
    circuit = vs.layouts.shared(slow, limbs=QUADRATIC)
    quick = SETTINGS.changed(rate=24, inspiratory_time=1.0)
    found = vs.steady_breath(circuit, quick)
    residual = found.attrs["steady_residual_cmH2O"]
    long = vs.simulate(circuit, quick, duration=100 * quick.period)
    starts = long.alveolar_pressure.sel(time=long.breath_start.values[:-1]).values
    change = np.abs(np.diff(starts, axis=0)).max(axis=1)
    needed = int(np.argmax(change <= max(residual, 1e-6)) + 2)
    direct_s = best_time(lambda: vs.steady_breath(circuit, quick), 5)
    waiting_s = best_time(lambda: _breaths_only(circuit, quick, needed, 5e-7), 5)
    return {
        "breaths used directly": found.attrs["steady_breaths"],
        "breaths of waiting": needed,
        "ratio of breaths": needed / found.attrs["steady_breaths"],
        "direct ms (with labelled waveforms)": 1e3 * direct_s,
        "waiting ms": 1e3 * waiting_s,
    }


def growth() -> dict[str, float]:
    """Time per breath from 2 to 32 lungs, and the exponent of its growth."""
    sizes, times = (2, 4, 8, 16, 32), []
    for n in sizes:
        circuit = vs.layouts.shared(lungs(n), limbs=QUADRATIC)
        vs.simulate_long(circuit, SETTINGS, duration=60)
        times.append(best_time(lambda c=circuit: _breaths_only(c, SETTINGS, 100, 5e-7), 5) / 100)
    exponent = float(np.polyfit(np.log(sizes), np.log(times), 1)[0])
    return {f"{n} lungs: ms per breath": 1e3 * t for n, t in zip(sizes, times, strict=True)} | {
        "exponent": exponent
    }


def geometry_laws() -> dict[str, float]:
    """Four lungs behind tubes by geometry and tracheal tubes, against quadratic laws of about the same size."""
    tube, tracheal = vs.Tube(length=1.5), vs.TrachealTube(inner_diameter=8.0)
    by_geometry = vs.PatientLimbs(inspiratory_tube=tube, expiratory_tube=tube, tracheal_tube=tracheal)
    like_tube = tube.changed(resistance=_rohrer(tube.flow_law))
    like_tracheal = tracheal.changed(resistance=_rohrer(tracheal.inspiratory_law))
    by_rohrer = vs.PatientLimbs(inspiratory_tube=like_tube, expiratory_tube=like_tube, tracheal_tube=like_tracheal)
    circuits = {
        name: vs.layouts.shared(lungs(4), limbs=limbs)
        for name, limbs in (("geometry", by_geometry), ("quadratic", by_rohrer))
    }
    volumes = {name: gained_volume(circuit, 6, 1e-9) for name, circuit in circuits.items()}
    # In turn, and by time of the processor: whatever else the machine does then disturbs both alike and little.
    times = np.empty((40, 2))
    for turn in range(len(times)):
        for k, circuit in enumerate(circuits.values()):
            began = time.process_time()
            _breaths_only(circuit, SETTINGS, 100, 5e-7)
            times[turn, k] = (time.process_time() - began) / 100
    best = dict(zip(circuits, times.min(axis=0), strict=True))
    return {
        "largest relative difference of tidal volumes": _worst(volumes["geometry"], volumes["quadratic"]),
        **{f"{name}: ms of the processor per breath": 1e3 * seconds for name, seconds in best.items()},
        "ratio": float(np.median(times[:, 0] / times[:, 1])),
    }


def _rohrer(law: laws.FlowLaw) -> laws.Rohrer:
    """A quadratic law with the same slope near rest, and closest to the law from 0.1 to 1.5 L/s."""
    linear = float(law.pressure_drop(0.01)) / 0.01
    flow = np.linspace(0.1, 1.5, 50)
    rest = law.pressure_drop(flow) - linear * flow
    return laws.Rohrer(linear=linear, quadratic=float((rest @ flow**2) / (flow**2 @ flow**2)))


def random_cases(n: int) -> list[Case]:
    """Makers of four-lung circuits with quadratic tubes and one-way valves, lungs drawn at random (seeded)."""
    base, draws = vs.layouts.shared(lungs(4), limbs=QUADRATIC), np.random.default_rng(1)
    names = list(base.lungs)
    numbers = zip(draws.uniform(15, 70, (n, 4)), draws.uniform(6, 25, (n, 4)), strict=True)

    def case(compliances: np.ndarray, resistances: np.ndarray) -> Case:
        values = {f"lungs.{name}.compliance": float(c) for name, c in zip(names, compliances, strict=True)}
        values |= {f"lungs.{name}.resistance": float(r) for name, r in zip(names, resistances, strict=True)}
        return partial(with_values, base, SETTINGS, values)

    return [case(compliances, resistances) for compliances, resistances in numbers]


def batch() -> dict[str, float]:
    """10,000 steady breaths of four lungs over two threads, against a loop of LSODA on some of them, scaled."""
    subset, many = random_cases(12), random_cases(10_000)
    steadiness = 1e-5  # change from breath to breath that counts as none [cmH2O]; ventsim goes on to a tenth of
    # its tolerance, which is stricter
    needed, circuits, exact = [], [], []
    for case in subset:
        circuit, _ = case()
        circuits.append(circuit)
        exact.append(vs.breath_measures(vs.steady_breath(circuit, SETTINGS, tolerance=1e-10)))
        long = vs.simulate(circuit, SETTINGS, duration=60 * SETTINGS.period)
        starts = long.alveolar_pressure.sel(time=long.breath_start.values[:-1]).values
        change = np.abs(np.diff(starts, axis=0)).max(axis=1)
        needed.append(int(np.argmax(change <= steadiness) + 2))
    volumes = [(e.driving_pressure[0] * [lung.compliance for lung in c.lungs.values()]).values
               for e, c in zip(exact, circuits, strict=True)]  # fmt: skip

    def peer_run(peer: Peer, tolerance: float, breaths: int) -> np.ndarray:
        pressure = np.full(len(peer.compliance), float(SETTINGS.peep))
        for _ in range(breaths):
            pressure, gained = peer.breath(pressure, tolerance)
        return gained

    peers = [Peer(circuit, SETTINGS) for circuit in circuits]

    def peers_all(tolerance: float) -> float:
        runs = zip(peers, needed, volumes, strict=True)
        return max(_worst(peer_run(peer, tolerance, n), volume) for peer, n, volume in runs)

    theirs = next(t for t in 10.0 ** np.arange(-4.0, -8.01, -0.25) if peers_all(t) <= ERROR)
    peer_error = peers_all(theirs)
    peer_s = best_time(lambda: peers_all(theirs), 2) / len(subset)

    def ours(cases: list[Case], tolerance: float, threads: int) -> PieceResult:
        options = BatchOptions(tolerance=tolerance, sample_interval=SETTINGS.period)
        return run_batch(cases, options, n_lungs=4, threads=threads, progress=False)

    def our_error(tolerance: float) -> float:
        rise = ours(subset, tolerance, 1).lungs["driving_pressure"]
        compliance = np.array([[lung.compliance for lung in circuit.lungs.values()] for circuit in circuits])
        return _worst(rise * compliance, np.array(volumes))

    mine = next(t for t in 10.0 ** np.arange(-4.0, -8.01, -0.25) if our_error(t) <= peer_error)
    two = best_time(lambda: ours(many, mine, 2), 1)
    one = best_time(lambda: ours(many[:2000], mine, 1), 2) / 2000
    few = best_time(lambda: ours(many[:2000], mine, 2), 2) / 2000
    return {
        "ventsim tolerance": mine,
        "ventsim error": our_error(mine),
        "LSODA tolerance": theirs,
        "LSODA error": peer_error,
        "LSODA breaths until steady, mean": float(np.mean(needed)),
        "LSODA ms per circuit": 1e3 * peer_s,
        "ventsim s for 10,000 circuits, two threads": two,
        "ventsim ms per circuit, two threads": two / 10.0,
        "ventsim ms per circuit, one thread": 1e3 * one,
        "two threads against one": one / few,
        "ms per circuit of 10,000 against 2,000": (two / 10_000) / few,
        "ratio to LSODA, two threads": peer_s / (two / 10_000),
        "ratio to LSODA, one thread": peer_s / one,
        "peak memory MB of this process, 10,000 results in it": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        / 1024,
        "ms for the sizing of a restrictor and the pressure of two lungs": 1e3 * _sizing_time(),
    }


def _sizing_time() -> float:
    """Two unequal lungs, a bore and the set pressure wanted for two tidal volumes [s]."""
    pair = vs.layouts.shared(
        {"a": vs.Lung(compliance=60, resistance=8), "b": vs.Lung(compliance=25, resistance=12)}
    )
    circuit, path = vs.studies.add_restrictor(pair, "a")
    targets = {"a": {"inspired_tidal_volume": 420}, "b": {"inspired_tidal_volume": 380}}
    vary = {path: (1, 22), "settings.inspiratory_pressure": (5, 30)}
    return best_time(lambda: vs.studies.size_restrictors(circuit, SETTINGS, targets=targets, vary=vary), 3)


_FIRST_SCRIPT = """
import time
began = time.perf_counter()
import ventsim as vs
imported = time.perf_counter()
lungs = {"a": vs.Lung(compliance=50, resistance=10), "b": vs.Lung(compliance=25, resistance=10)}
circuit = vs.layouts.shared(lungs)
settings = vs.PressureControl(inspiratory_pressure=15, rate=15, inspiratory_time=1.2)
vs.breath_measures(vs.simulate(circuit, settings))
print(imported - began, time.perf_counter() - began)
"""


def first_result() -> dict[str, float]:
    """Import and first simulated minute in a fresh process, with cold and with warm compile cache."""
    with tempfile.TemporaryDirectory() as cache:
        cold = [float(x) for x in _script(_FIRST_SCRIPT, cache).split()]
        warm = [float(x) for x in _script(_FIRST_SCRIPT, cache).split()]
    return {"import s": warm[0], "cold: first result s": cold[1], "warm: first result s": warm[1]}


def _script(code: str, cache: str | None = None) -> str:
    environment = dict(os.environ)
    if cache is not None:
        environment["NUMBA_CACHE_DIR"] = cache
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=HERE, env=environment, capture_output=True, text=True, check=True
    )
    return run.stdout


BENCHMARKS = {
    "against LSODA": against_lsoda,
    "hours": hours,
    "steady breath": steady,
    "growth": growth,
    "geometry laws": geometry_laws,
    "batch": batch,
    "first result": first_result,
}


def main() -> None:
    """Run all benchmarks, print them and write them on request."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="write the table to README.md beside this file")
    parser.add_argument("--only", choices=sorted(BENCHMARKS), help="run one benchmark")
    arguments = parser.parse_args()
    lines: list[str] = []
    for name, benchmark in BENCHMARKS.items():
        if arguments.only in (None, name):
            lines += [f"## {name}", "", (benchmark.__doc__ or "").strip(), "", "| what | value |", "| --- | --- |"]
            lines += [f"| {what} | {value:.4g} |" for what, value in benchmark().items()] + [""]
            print("\n".join(lines[lines.index(f"## {name}") :]), flush=True)
    if arguments.write and arguments.only is None:
        head = (HERE / "head.md").read_text(encoding="utf-8")
        (HERE / "README.md").write_text(head + "\n" + "\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
