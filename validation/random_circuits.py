"""Random circuits at the default tolerance against the same at 1e-10, and against IDA: how far off measures are.

Run ``python validation/random_circuits.py`` (1,500 circuits, and 100 others against IDA), which writes
``random_circuits.md`` beside it, or with other numbers behind it, which only prints; the circuits are the same in
every run. It has a line for each measure, and ends with an error if one is off by more than its limit.
"""

import re
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import hypothesis
import numpy as np
import xarray as xr
from hypothesis import Phase, given
from hypothesis.strategies import SearchStrategy

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent / "case_10_independent_solvers"))

from every_measure import SAMPLE_INTERVAL, by_ida
from independent_parts import read_system
from strategies import Case, cases, cases_of_all_kinds

import ventsim as vs
from ventsim.errors import SolverError, VentsimError

PAGE = Path(__file__).with_suffix(".md")
CIRCUITS, AGAINST_IDA, BREATHS, EXACT = 1500, 100, 2, 1e-10
LIMIT = 1e-5  # of the size of a measure, which is at least its floor
# Sizes below which differences count absolutely, by unit.
FLOORS = {"mL": 10.0, "cmH2O": 1.0, "L/s": 0.1, "L/min": 0.1, "J/min": 1.0, "mL/kg": 0.1, "1": 1.0, "s": 1.0}
# Differences of measures that nearly cancel are held to the size of what is subtracted.
SIZE_OF = {
    "auto_peep": "total_peep",
    "driving_pressure": "end_inspiratory_alveolar_pressure",
    "trapped_volume": "inspired_tidal_volume",
    "compressed_volume": "port_delivered_volume",
    "volume_balance_error": "port_delivered_volume",
    "inspiratory_reversed_volume": "inspired_tidal_volume",
    "expiratory_reversed_volume": "inspired_tidal_volume",
}


def measures(case: Case, **options: float) -> xr.Dataset:
    """Measures of the first breaths from rest."""
    return vs.breath_measures(vs.simulate(*case, duration=BREATHS * case.settings.period, **options))


def differences(case: Case) -> dict[str, float]:
    """Largest difference of each measure, as a part of its size."""
    usual, exact = measures(case), measures(case, tolerance=EXACT)
    found = {}
    for name, reference in exact.data_vars.items():
        floor = FLOORS[reference.attrs["units"]]
        size = np.maximum(np.abs(exact[SIZE_OF.get(str(name), str(name))].values), floor)
        off = np.abs(usual[name].values - reference.values) / size
        if np.isfinite(off).any():
            found[str(name)] = float(np.nanmax(off))
    return found


def differences_from_ida(case: Case) -> dict[str, float]:
    """Largest difference of each measure from IDA, as a part of its size."""
    read_system(case.circuit)  # refuses at once what those equations do not know
    waveforms = vs.simulate(*case, duration=BREATHS * case.settings.period, sample_interval=SAMPLE_INTERVAL)
    ours, found = vs.breath_measures(waveforms), {}
    for name, reference in by_ida(*case, np.unique(waveforms.time.values), []).items():
        if name not in ("auto_peep", "trapped_volume"):  # which hold the pressure at which those circuits open
            size = np.maximum(np.abs(reference), FLOORS[ours[name].attrs["units"]])
            off = np.abs(ours[name].values - reference) / size
            found[name] = float(np.nanmax(off)) if np.isfinite(off).any() else 0.0
    return found


def distribution(
    strategy: SearchStrategy[Case], compare: Callable[[Case], dict[str, float]], *, count: int, tries: int,
    expected: tuple[type[Exception], ...], title: str,
) -> tuple[str, bool]:  # fmt: skip
    """Compare so many cases; the distribution as Markdown, and whether every difference is within the limit.

    Where an expected error leaves nothing to compare, another case is tried; any other error ends the run.
    """
    off: dict[str, list[float]] = defaultdict(list)
    compared, refused, began = [], [], time.monotonic()

    @hypothesis.settings(
        max_examples=tries, phases=[Phase.generate], deadline=None, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    @given(strategy)
    def run(case: Case) -> None:
        if len(compared) == count:
            return
        try:
            found = compare(case)
        except expected as error:
            # Without its numbers, so that errors of one kind are counted together.
            refused.append(re.sub(r"[\d.e+-]*\d", "#", f"{type(error).__name__}: {str(error).splitlines()[0]}"))
            return
        compared.append(case)
        for name, value in found.items():
            off[name].append(value)

    run()
    seconds = time.monotonic() - began
    lines = ["| measure | circuits | median | 99 % | largest | beyond limit |", "| --- " * 6 + "|"]
    for name, values in off.items():
        shown = " | ".join(f"{value:.1e}" for value in np.quantile(values, [0.5, 0.99, 1.0]))
        beyond = sum(value > LIMIT for value in values)
        lines.append(f"| `{name}` | {len(values)} | {shown} | {beyond} |")
    why = [f"- {refused.count(text)} times: {text}" for text in sorted(set(refused))]
    text = f"{len(compared)} circuits; {len(refused)} gave nothing to compare{':' if why else '.'}"
    found = "\n\n".join([f"## {title}", "\n".join(lines), text, *(["\n".join(why)] if why else [])])
    print(f"{found}\n({seconds:.0f} s)\n", flush=True)
    return found, all(value <= LIMIT for values in off.values() for value in values)


def introduction() -> str:
    """What is compared, and relative to what."""
    floors = "\n".join(f"| {unit} | {floor:g} |" for unit, floor in FLOORS.items())
    sizes = "\n".join(f"| `{name}` | `{of}` |" for name, of in SIZE_OF.items())
    return f"""\
# Random circuits

Written by `python validation/random_circuits.py`; do not edit. Circuits of all kinds: one to eight lungs, linear,
curved, in regions, with efforts; tubes with friction of their walls, inertia, stored and polytropic gas; one-way
valves, PEEP valves, restrictors, orifices, filters, tracheal tubes, leaks; machines with flow limit, relief and
gas of their own; every breath setting. `cases_of_all_kinds` in `tests/strategies.py` draws them, each time alike.
Those against IDA have no flow limit, relief, altitude or gas inside the machine, but gas at its ports.

Each gives the measures of its first {BREATHS} breaths from rest. Of each measure the largest difference in any
breath and lung counts, as a part of its size; the limit is {LIMIT:g}. A size is at least the floor of its unit:

| unit | floor |
| --- | --- |
{floors}

Measures that nearly cancel have the size of what is subtracted:

| measure | size of |
| --- | --- |
{sizes}"""


def main() -> None:
    """Run all, print both distributions; write the page if their numbers are the usual ones."""
    counts = [int(word) for word in sys.argv[1:]] or [CIRCUITS, AGAINST_IDA]
    warnings.simplefilter("ignore")
    n = counts[0]
    text, kept = distribution(
        cases_of_all_kinds(),
        differences,
        count=n,
        tries=n,
        expected=(VentsimError,),
        title=f"At the default tolerance against {EXACT:g}",
    )
    parts = [introduction(), text]
    if len(counts) > 1:
        # Those equations know neither flow limit nor relief, and need gas at the ports. IDA gives many up, so that
        # plain circuits are among them.
        n, known = counts[1], {"limits": False, "ideal": False}
        simple = cases(most_lungs=4, **known) | cases_of_all_kinds(most_lungs=2, machine_gas=False, **known)
        text, kept_too = distribution(
            simple, differences_from_ida, count=n, tries=20 * n,
            expected=(ValueError, ArithmeticError, SolverError), title="Against IDA of SUNDIALS at 1e-9",
        )  # fmt: skip
        parts, kept = [*parts, text], kept and kept_too
    if counts == [CIRCUITS, AGAINST_IDA]:
        PAGE.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    if not kept:
        raise SystemExit(f"some measures are off by more than {LIMIT:g} of their size")


if __name__ == "__main__":
    main()
