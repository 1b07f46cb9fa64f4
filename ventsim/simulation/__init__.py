"""From a circuit and breath settings to labelled results."""

from ventsim.simulation.accuracy import numerical_error
from ventsim.simulation.continuing import continue_long
from ventsim.simulation.run import simulate, simulate_scenario
from ventsim.simulation.saved_run import LongRun
from ventsim.simulation.steady import steady_breath
from ventsim.simulation.streaming import simulate_breaths, simulate_long

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
