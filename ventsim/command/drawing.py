"""A drawing of a scenario's circuit."""

from pathlib import Path
from typing import Any

import xarray as xr

import ventsim
from ventsim.command.files import Found, heading, writing
from ventsim.command.remarks import CAUTION, lines_to_check
from ventsim.errors import InputError
from ventsim.model.circuit import Circuit
from ventsim.model.scenario import Scenario
from ventsim.results.remarks import remarks_at


def draw_circuit(found: Found, path: Path, *, time: float | None) -> None:
    """Draw the circuit with the flows of an instant: of a run, or of the steady breath if no time is given."""
    scenario = found.scenario
    title = heading(scenario)
    print(f"{title} ({found.origin})\n", flush=True)
    circuit, waveforms = _at(scenario, time)
    remarks = [*found.remarks, *([] if waveforms is None else remarks_at(waveforms, time))]
    ax: Any = ventsim.plot.circuit_drawing(circuit, waveforms=waveforms, time=time)
    ax.figure.suptitle(title, parse_math=False)
    with writing("the drawing"):
        ax.figure.savefig(path, dpi=150)
    of = "the steady breath before any change" if time is None else "the run"
    print(
        f"Drawn:      {len(circuit.parts)} parts, {ax.get_title(loc='left')}, of {of}\n"
        f"{lines_to_check(remarks)}Written:    {path}\n\n{CAUTION}"
    )


def _at(scenario: Scenario, time: float | None) -> tuple[Circuit, xr.Dataset | None]:
    """The circuit as it is at an instant, and waveforms around it."""
    if time is None:
        return scenario.circuit, ventsim.steady_breath(scenario.changed(changes=()))
    if not 0.0 <= time <= scenario.duration:
        raise InputError(
            f"time {time:g} s is outside of the run.\n"
            f"  Allowed: 0 to {scenario.duration:g} s; without --time: the steady breath."
        )
    period = scenario.settings.period
    run = ventsim.simulate_long(scenario, waveform_windows=((max(time - period, 0.0), time + period),))
    return scenario.schedule.circuit_at(time), run.waveforms
