"""The command ``ventsim``: scenarios, runs of minutes and hours, and studies of them."""

from ventsim.command.entry import main
from ventsim.command.remarks import CAUTION

__all__ = ["CAUTION", "main"]
