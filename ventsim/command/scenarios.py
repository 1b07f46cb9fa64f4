"""What there is to see of a scenario before it is run: its text, its parts, a drawing of its circuit."""

import argparse
from typing import Any

import xarray as xr

import ventsim
from ventsim.command.files import announce, find, heading, output_files, write
from ventsim.command.remarks import last_lines
from ventsim.errors import InputError
from ventsim.model.circuit import Circuit, parts_list
from ventsim.model.scenario import Scenario, builtin, builtin_names
from ventsim.results.remarks import remarks_at


def list_scenarios(options: argparse.Namespace) -> None:
    """Names and titles of the built-in scenarios."""
    names = builtin_names()
    width = max(map(len, names))
    for name in names:
        print(f"{name.ljust(width)}  {heading(builtin(name))}")
    print("\nAll invented for demonstration. Try: ventsim run two-unequal-lungs")


def show_scenario(options: argparse.Namespace) -> None:
    """A scenario as TOML."""
    print(find(options.target).text.rstrip("\n"))


def list_parts(options: argparse.Namespace) -> None:
    """The parts of a scenario's circuit."""
    found = find(options.target)
    announce(found.scenario, found.origin)
    print(parts_list(found.scenario.circuit))


def draw(options: argparse.Namespace) -> None:
    """A picture of the circuit with the flows of an instant: of a run, or of the steady breath without a time."""
    found, time = find(options.target), options.time
    files = output_files(options, stem=f"{found.stem}-circuit")
    title = announce(found.scenario, found.origin)
    circuit, waveforms = _at(found.scenario, time)
    remarks = [*found.remarks, *([] if waveforms is None else remarks_at(waveforms, time))]
    ax: Any = ventsim.plot.circuit_drawing(circuit, waveforms=waveforms, time=time)
    ax.figure.suptitle(title, parse_math=False)
    write("the drawing", ax.figure, files)
    of = "the steady breath before any change" if time is None else "the run"
    print(f"Drawn:      {len(circuit.parts)} parts, {ax.get_title(loc='left')}, of {of}")
    print(last_lines(remarks, files[1:]))


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
