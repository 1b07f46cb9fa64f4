"""The command ``ventsim``: scenarios, runs of minutes and hours, and studies of them."""

from ventsim.command.ending import CAUTION
from ventsim.command.entry import main

__all__ = ["CAUTION", "main"]
