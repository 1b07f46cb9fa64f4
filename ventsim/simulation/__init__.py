"""From a scenario to labelled results."""

from ventsim.simulation.long_runs import simulate_long
from ventsim.simulation.run import simulate
from ventsim.simulation.saved_run import LongRun
from ventsim.simulation.steady import numerical_error, steady_breath

__all__ = ["LongRun", "numerical_error", "simulate", "simulate_long", "steady_breath"]
