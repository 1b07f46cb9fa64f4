"""The command ``ventsim``: scenarios, runs of minutes and hours, and studies of them."""

from ventsim.command.entry import main
from ventsim.command.help_texts import CAUTION

__all__ = ["CAUTION", "main"]
