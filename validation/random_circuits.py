"""Random circuits at the default tolerance against the same circuits at 1e-10: how far off each measure is.

Run ``python validation/random_circuits.py`` (1,500 circuits, some minutes), or with another number behind it; the
circuits are the same in every run. It prints a line for each measure and ends with an error if one is off by more
than its limit.
"""

import sys
import time
import warnings
from collections import defaultdict
from pathlib import Path

import hypothesis
import numpy as np
import xarray as xr
from hypothesis import Phase, given

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from strategies import Case, cases

import ventsim as vs
from ventsim.errors import VentsimError

CIRCUITS, BREATHS, EXACT = 1500, 2, 1e-10
LIMIT = 1e-5  # of the size of a measure, which is at least its floor
# Sizes below which differences count absolutely, by unit; 1 L/s is about what flow sensors are made for.
FLOORS = {"mL": 10.0, "cmH2O": 1.0, "L/s": 1.0, "L/min": 0.1, "J/min": 1.0, "mL/kg": 0.1, "1": 1.0, "s": 1.0}
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


def main() -> None:
    """Run all, print the distribution."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else CIRCUITS
    off: dict[str, list[float]] = defaultdict(list)
    refused, began = [], time.monotonic()
    warnings.simplefilter("ignore")

    @hypothesis.settings(
        max_examples=count, phases=[Phase.generate], deadline=None, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    @given(cases())
    def run(case: Case) -> None:
        try:
            found = differences(case)
        except VentsimError as error:
            refused.append(f"{str(error).splitlines()[0]}")
            return
        for name, value in found.items():
            off[name].append(value)

    run()
    print(f"{'measure':36s} {'circuits':>8s} {'median':>8s} {'99 %':>8s} {'largest':>8s} {'beyond limit':>12s}")
    for name, values in off.items():
        median, high, worst = np.quantile(values, [0.5, 0.99, 1.0])
        beyond = sum(value > LIMIT for value in values)
        print(f"{name:36s} {len(values):8d} {median:8.1e} {high:8.1e} {worst:8.1e} {beyond:12d}")
    print(f"{count} circuits in {time.monotonic() - began:.0f} s; {len(refused)} ended with an error of ventsim")
    for text in sorted(set(refused)):
        print(f"  {refused.count(text)} x {text}")
    if any(value > LIMIT for values in off.values() for value in values):
        raise SystemExit(f"some measures are off by more than {LIMIT:g} of their size")


if __name__ == "__main__":
    main()
