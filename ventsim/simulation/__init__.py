"""From a circuit and breath settings to labelled results."""

from ventsim.simulation.long_runs import continue_long, simulate_breaths, simulate_long
from ventsim.simulation.run import simulate, simulate_scenario
from ventsim.simulation.saved_run import LongRun
from ventsim.simulation.steady import numerical_error, steady_breath

__all__ = [
    "LongRun",
    "continue_long",
    "numerical_error",
    "simulate",
    "simulate_breaths",
    "simulate_long",
    "simulate_scenario",
    "steady_breath",
]
