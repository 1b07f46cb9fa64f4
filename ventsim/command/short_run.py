"""A run of minutes without changes: all waveforms, the last breath as a table."""

from pathlib import Path

import xarray as xr

import ventsim
from ventsim.command.files import Found, heading, writing
from ventsim.command.remarks import CAUTION, lines_to_check
from ventsim.results.remarks import breath_remarks
from ventsim.tables import fixed

BREATHS_IN_PICTURE = 2


def run_short(found: Found, files: tuple[Path, Path]) -> None:
    """Run a scenario, print its last breath, write waveforms and a picture."""
    scenario = found.scenario
    title = heading(scenario)
    print(f"{title} ({found.origin})\n", flush=True)  # before the message on compiling, if there is one
    waveforms = ventsim.simulate(scenario)
    measures = ventsim.breath_measures(waveforms)
    # The files come first: whoever reads the table may stop reading (`| head`) and must still have them.
    _write(waveforms, files, title=title)
    print(_summary(waveforms, measures, tolerance=scenario.tolerance))
    to_check = lines_to_check([*found.remarks, *breath_remarks(measures.isel(breath=-1))])
    print(f"{to_check}Written:    {', '.join(map(str, files))}\n\n{CAUTION}")


def _summary(waveforms: xr.Dataset, measures: xr.Dataset, *, tolerance: float) -> str:
    """The last whole breath, how its gas balances, and how precise the numbers are."""
    last = measures.isel(breath=-1)
    delivered, returned = float(last["port_delivered_volume"]), float(last["port_returned_volume"])
    stored = delivered - returned - float(last["volume_balance_error"])
    steady = "one breath only."
    if measures.sizes["breath"] > 1:
        volumes = measures["inspired_tidal_volume"].isel(breath=slice(-2, None))
        change = max(float(abs(volumes.diff("breath")).max()), 0.01)
        steady = f"no lung's inspired volume differs by more than {fixed(change, 2)} mL from the breath before."
    lost = abs(waveforms.attrs["volume_balance_residual_mL"])
    return "\n".join(
        [
            ventsim.breath_table(measures).text(caution=False),
            "",
            f"Gas:        {fixed(delivered, 1)} mL delivered, {fixed(returned, 1)} mL returned, "
            f"{fixed(stored, 1)} mL more held by lungs and circuit than before the breath.",
            f"Steadiness: {steady}",
            f"Numerics:   {waveforms.attrs['steps']} steps at a tolerance of {tolerance:g}; {lost:.1g} mL of gas "
            "not accounted for in the whole run.",
        ]
    )


def _write(waveforms: xr.Dataset, files: tuple[Path, Path], *, title: str) -> None:
    from matplotlib.figure import Figure

    result, picture = files
    figure = Figure(figsize=(8.0, 6.8 + 0.09 * waveforms.sizes["lung"]), layout="constrained")
    ventsim.plot.waveforms(
        waveforms,
        breaths=min(BREATHS_IN_PICTURE, int((waveforms["breath_end"] <= waveforms["time"][-1] + 1e-6).sum())),
        axes=figure.subplots(3, 1, sharex=True),
    )
    figure.suptitle(title, parse_math=False)
    with writing("the run is finished, but its files"):
        waveforms.to_netcdf(
            result, engine="h5netcdf", encoding={name: {"zlib": True} for name in waveforms.data_vars}
        )
        figure.savefig(picture, dpi=150)
