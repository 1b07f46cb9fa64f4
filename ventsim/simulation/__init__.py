"""From a scenario to labelled results."""

from ventsim.simulation.accuracy import numerical_error
from ventsim.simulation.run import simulate
from ventsim.simulation.saved_run import LongRun
from ventsim.simulation.steady import steady_breath
from ventsim.simulation.streaming import simulate_long

__all__ = ["LongRun", "numerical_error", "simulate", "simulate_long", "steady_breath"]
