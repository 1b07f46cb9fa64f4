"""Studies on the command line."""

from pathlib import Path

import ventsim
from ventsim.command.finding import Found
from ventsim.command.words import CAUTION
from ventsim.errors import InputError
from ventsim.studies import blind_spots, blind_spots_table, both_modes

__all__ = ["study_blind_spots"]


def study_blind_spots(
    found: Found, files: tuple[Path, Path], *, lung: str | None, both: bool, duration: float
) -> None:
    """Try faults at one lung, print what each lung gets and what the ventilator sees, write file and figure."""
    scenario = found.scenario
    print(f"{scenario.title} ({found.origin})", flush=True)
    if lung is None:
        lung = next(iter(scenario.circuit.lungs))
    print(f"Faults at lung '{lung}', each by itself, watched for {duration:g} s\n", flush=True)
    settings = both_modes(scenario.circuit, scenario.settings) if both else scenario.settings
    study = blind_spots(scenario.circuit, settings, lung=lung, duration=duration)
    result, picture = files
    try:
        study.to_netcdf(result, engine="h5netcdf")
        ventsim.plot.blind_spots(study)[0].figure.savefig(picture, dpi=150)
    except (OSError, RuntimeError) as error:
        raise InputError(
            f"the study is finished, but its files could not be written: {error}.\n"
            "  Make room, or give another folder: --out DIR."
        ) from None
    table, _, _ = blind_spots_table(study).rpartition("\n\n")
    print(f"{table}\n\nWritten:    {', '.join(map(str, files))}\n\n{CAUTION}")
