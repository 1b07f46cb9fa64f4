"""From a circuit and breath settings to labelled results."""

from ventsim.simulation.accuracy import numerical_error
from ventsim.simulation.run import simulate, simulate_scenario, steady_breath
from ventsim.simulation.streaming import simulate_breaths

__all__ = ["numerical_error", "simulate", "simulate_breaths", "simulate_scenario", "steady_breath"]
